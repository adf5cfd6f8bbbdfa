"""A night over many campaigns: what changed is rendered, each on its own, and the morning finds index and status."""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import socket
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

from intake_report import CAMPAIGN_FILE, __version__
from intake_report.errors import MachineError
from intake_report.nightly import forge
from intake_report.nightly.cluster import cluster
from intake_report.nightly.find import Found, campaign_id, find_below, same_ids, still_as_known
from intake_report.nightly.index import index_page
from intake_report.nightly.model import Entry, Known, Memory, Status, count_states, read_memory
from intake_report.provenance import package_versions, source_hash

if TYPE_CHECKING:
    from rich.progress import Progress

INDEX, STATUS, JUNIT, LOGS = "index.html", "status.json", "junit.xml", "logs"
LOCK, MEMORY = ".nightly.lock", ".nightly.json"
KEPT_EVERY = 20.0  # s between two savings of what is known, while campaigns are being rendered
WAITED = 0.5  # s between two looks at what is done
Attempt = Callable[[dict[str, Any]], dict[str, Any]]


@dataclass(frozen=True)
class Settings:
    """How a night runs.

    Parameters
    ----------
    out : Path
        Folder of all reports.
    jobs : int
        Campaigns rendered at the same time.
    seconds : float
        Time limit of one campaign [s].
    memory : int
        Data that each process of a campaign may have [byte].
    date : str
        ISO date of the reports; today where empty.
    dask : str
        Address of a scheduler, in place of processes of this machine.
    """

    out: Path
    jobs: int = 1
    seconds: float = 900.0
    memory: int = 4 << 30
    date: str = ""
    dask: str = ""


def run_night(roots: list[Path], settings: Settings, attempt: Attempt = forge.attempt) -> Status:
    """Render every campaign below the roots that needs it, and write index, status and JUnit XML.

    Parameters
    ----------
    roots : list of Path
        Folders that exist.
    settings : Settings
        How.
    attempt : callable
        Renders one campaign; what the time limit and the isolation are for.

    Raises
    ------
    MachineError
        Another night is at work in the same folder, or it cannot be written to.
    """
    out = settings.out.resolve()
    with the_only_night(out):
        night = _Night(out, settings)
        night.decide(find_below(roots, out))
        try:
            with cluster(settings.dask, out, roots) if settings.dask else local(settings.jobs) as workers:
                night.render(workers, attempt)
        except KeyboardInterrupt:
            night.stopped = True
        night.save()
        return night.write()


@contextmanager
def local(jobs: int) -> Iterator[Executor]:
    """Give threads of this process, each of which waits for a process that renders; all work ends with them."""
    workers = ThreadPoolExecutor(jobs)
    try:
        yield workers
    finally:
        workers.shutdown(wait=False, cancel_futures=True)
        forge.close()


@contextmanager
def the_only_night(out: Path) -> Iterator[None]:
    """Hold the lock of a folder of reports; that of a process that died is free again, whatever stands in the file."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        lock = (out / LOCK).open("a+", encoding="utf-8")
    except OSError as error:
        raise _cannot_write(out, error) from None
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            lock.seek(0)
            what = f"another night is at work here ({lock.read().strip()})."
            raise MachineError(what, file=out, remedy="Wait until it ends.") from None
        with suppress(OSError):  # a full disk: it is locked all the same
            lock.truncate(0)
            lock.write(f"process {os.getpid()} on {socket.gethostname()}, since {_now()}")
            lock.flush()
        yield


def _cannot_write(out: Path, error: OSError) -> MachineError:
    what = f"the report folder cannot be written ({error.strerror})."
    return MachineError(what, file=out, remedy="Make room or name another: --out FOLDER.")


class _Night:
    def __init__(self, out: Path, settings: Settings) -> None:
        self.out, self.settings, self.stopped = out, settings, False
        self.started = _now()
        self.software = hashlib.sha256(json.dumps([source_hash(), package_versions()]).encode()).hexdigest()
        self.before = read_memory(out / MEMORY).campaigns
        self.known: dict[str, Known] = {}
        self.due: dict[Path, str] = {}  # folder: id

    def decide(self, found: list[Found]) -> None:
        """Sort the campaigns into those that are as they were, those to be rendered, and those that cannot be."""
        ids: dict[Path, str] = {}
        wrong = {one.folder: one.trouble for one in found if one.trouble}
        for folder in (one.folder for one in found if not one.trouble):
            known = self.before.get(str(folder))
            same = known and still_as_known(known, folder, self.out, self.software)
            if same:
                ids[folder] = same.entry.id
                self._keep(same, state="failed" if same.whole else "unchanged", seconds=0.0)
            else:
                ids[folder] = self.due[folder] = campaign_id(folder) or (known.entry.id if known else folder.name)
            if ids[folder] in (INDEX, STATUS, JUNIT):
                what = f"{folder / CAMPAIGN_FILE}: campaign.id: a file of the night is called “{ids[folder]}”."
                wrong[folder] = f"{what} Give it another id."
        wrong |= same_ids(ids)
        for known in self._not_found():
            folder = Path(known.entry.folder)
            hidden = next((text for top, text in wrong.items() if folder.is_relative_to(top)), "")
            if hidden:
                wrong[folder] = hidden
            elif known.entry.id not in ids.values():
                self._keep(known, state="gone", reason="", stale=False, seconds=0.0)
        for folder, sentence in wrong.items():
            self.due.pop(folder, None)
            before = self.before.get(str(folder))
            self._fail(folder, ids.get(folder, before.entry.id if before else folder.name), sentence)

    def _not_found(self) -> list[Known]:
        """Return the campaigns of earlier nights that are not there now, while their reports are."""
        there = {*self.known, *map(str, self.due)}
        gone = [known for place, known in self.before.items() if place not in there and known.entry.report]
        return [known for known in gone if known.entry.report and (self.out / known.entry.report.folder).is_dir()]

    def render(self, workers: Executor, attempt: Attempt) -> None:
        """Render what is due, in order of the folders."""
        begun, saved = time.monotonic(), time.monotonic()
        with suppress(OSError):
            (self.out / LOGS).mkdir(exist_ok=True)
        waiting: dict[Future[dict[str, Any]], Path] = {
            workers.submit(_timed, attempt, self._job(folder)): folder for folder in list(self.due)
        }
        with _progress(len(waiting)) as progress:
            while waiting:
                done, _ = wait(waiting, timeout=WAITED, return_when="FIRST_COMPLETED")
                for future in done:
                    folder = waiting.pop(future)
                    error = future.exception()
                    outcome = forge.failed(f"its worker is gone ({error}).") if error else future.result()
                    self._record(folder, outcome)
                    self._tell(folder, progress)
                if time.monotonic() - saved > KEPT_EVERY:
                    with suppress(MachineError):  # a full disk is said at the end
                        self.save()
                    saved = time.monotonic()
        if self.due:
            _plain(f"done in {time.monotonic() - begun:.0f} s", progress)

    def _job(self, folder: Path) -> dict[str, Any]:
        one = self.settings
        limits = {"seconds": one.seconds, "memory": one.memory, "date": one.date}
        return {
            "file": str(folder / CAMPAIGN_FILE),
            "out": str(self.out),
            "log": str(self.out / self._log(folder)),
            **limits,
        }

    def _log(self, folder: Path) -> str:
        id = self.due[folder]
        plain = "".join(c if c.isascii() and (c.isalnum() or c in "-_.") else "_" for c in id)[:64]
        own = plain if plain == id else f"{plain}-{hashlib.sha256(str(folder).encode()).hexdigest()[:8]}"
        return f"{LOGS}/{own}.log"

    def _record(self, folder: Path, outcome: dict[str, Any]) -> None:
        id, log, seconds = self.due[folder], self._log(folder), outcome.get("seconds", 0.0)
        if outcome["state"] == "failed":
            files = {"whole": outcome.get("whole", False), "files": outcome.get("files", ())}
            self._fail(folder, id, outcome["reason"], log=log, seconds=seconds, **files)
            return
        entry = {"id": id, "folder": str(folder), "state": outcome["state"], "log": log, "seconds": seconds}
        told = {"report": outcome["report"], "summary": outcome["summary"]}
        made = {"entry": entry | told, "software": self.software, "files": outcome["files"]}
        self.known[str(folder)] = Known.model_validate(made)

    def _fail(self, folder: Path, id: str, reason: str, whole: bool = False, files: Any = (), **more: Any) -> None:
        """Note a failure; the last good report stays, and is stale."""
        before = self.before.get(str(folder))
        last = before.entry if before and before.entry.id == id else None
        entry = {"id": id, "folder": str(folder), "state": "failed", "reason": reason, **more}
        if last and last.report:
            entry |= {"report": last.report, "summary": last.summary, "stale": True}
        software = self.software if whole and files else ""
        self.known[str(folder)] = Known.model_validate(
            {"entry": entry, "software": software, "whole": bool(software), "files": files if software else ()}
        )

    def _keep(self, known: Known, **changed: Any) -> None:
        self.known[known.entry.folder] = known.model_copy(update={"entry": known.entry.model_copy(update=changed)})

    def _tell(self, folder: Path, progress: Progress | None) -> None:
        entry = self.known[str(folder)].entry
        first = entry.reason.splitlines()[0] if entry.reason else entry.report.folder if entry.report else ""
        if progress is not None:
            progress.advance(progress.task_ids[0])
        if progress is None or entry.state == "failed":
            _plain(f"{entry.id}  {entry.state}  {entry.seconds:.1f} s  {first}", progress)

    def save(self) -> None:
        """Remember what is known so far, and of what was not reached what was known before."""
        open_still = {str(folder) for folder in self.due} - set(self.known)
        known = self.known | {place: self.before[place] for place in open_still if place in self.before}
        put(self.out / MEMORY, Memory(campaigns=known).model_dump_json().encode())

    def write(self) -> Status:
        """Write index, status and JUnit XML, each in one move, and return the status."""
        for folder, id in self.due.items():
            if str(folder) not in self.known:
                before = self.before.get(str(folder))
                last = before.entry if before else Entry(id=id, folder=str(folder), state="stopped")
                reason = "the night was stopped before it was done."
                stopped = {"state": "stopped", "reason": reason, "stale": bool(last.report), "seconds": 0.0}
                self.known[str(folder)] = Known(entry=last.model_copy(update=stopped))
        entries = sorted((known.entry for known in self.known.values()), key=lambda entry: (entry.id, entry.folder))
        counts = count_states(entries)
        status = Status(
            program=__version__,
            started=self.started,
            ended=_now(),
            exit_status=130 if self.stopped else 1 if "failed" in counts else 0,
            counts=counts,
            campaigns=tuple(entries),
        )
        put(self.out / STATUS, (status.model_dump_json(by_alias=True, indent=1) + "\n").encode())
        put(self.out / INDEX, index_page(status).encode())
        put(self.out / JUNIT, junit(status))
        return status


def put(file: Path, data: bytes) -> None:
    """Write a file in one move: it is there as a whole or as it was before."""
    new = file.with_name(f".{file.name.lstrip('.')}.new")
    try:
        new.write_bytes(data)
        new.replace(file)
    except OSError as error:
        with suppress(OSError):
            new.unlink()
        raise _cannot_write(file, error) from None


def junit(status: Status) -> bytes:
    """Return the night as JUnit XML, one test case for each campaign that is there."""
    cases = [entry for entry in status.campaigns if entry.state != "gone"]
    numbers = {
        "tests": len(cases),
        "failures": status.counts.get("failed", 0),
        "skipped": status.counts.get("stopped", 0),
    }
    suite = ElementTree.Element("testsuite", {"name": "intake-report", "errors": "0", "timestamp": status.started})
    suite.attrib |= {name: str(number) for name, number in numbers.items()}
    suite.set("time", f"{sum(entry.seconds for entry in cases):.1f}")
    for entry in cases:
        case = ElementTree.SubElement(
            suite, "testcase", classname="campaign", name=entry.id, time=f"{entry.seconds:.1f}"
        )
        if entry.state in ("failed", "stopped"):
            kind = "failure" if entry.state == "failed" else "skipped"
            ElementTree.SubElement(case, kind, message=entry.reason).text = f"{entry.folder}\n{entry.reason}"
    ElementTree.indent(suite)
    data: bytes = ElementTree.tostring(suite, encoding="utf-8", xml_declaration=True)
    return data + b"\n"


def _timed(attempt: Attempt, job: dict[str, Any]) -> dict[str, Any]:
    start = time.monotonic()
    return {**attempt(job), "seconds": round(time.monotonic() - start, 2)}


def _progress(total: int) -> Any:
    """Give a progress bar on a terminal; nothing in a pipe, where each campaign is a line."""
    if not total or not sys.stderr.isatty():
        return nullcontext()
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    shown = Progress(
        BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(), console=Console(stderr=True), transient=True
    )
    shown.add_task("", total=total)
    return shown


def _plain(line: str, progress: Progress | None) -> None:
    if progress is None:
        print(line, flush=True)
    else:
        progress.console.print(line, markup=False, highlight=False)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
