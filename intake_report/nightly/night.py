"""A night over many campaigns: what changed is rendered, each on its own, and the morning finds index and status."""

import argparse
import base64
import fcntl
import hashlib
import json
import os
import re
import socket
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, wait
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

import intake_report.render
from intake_report import CAMPAIGN_FILE, __version__
from intake_report.errors import MachineError
from intake_report.formatting import NARROW_SPACE, interval, listing, with_unit
from intake_report.nightly import find, work
from intake_report.nightly.find import MEMORIES, Entry, Known, Status, Trend
from intake_report.provenance import package_versions, sha256, source_hash, write_whole

INDEX, STATUS, JUNIT, LOGS = "index.html", "status.json", "junit.xml", "logs"
LOCK, MEMORY = ".nightly.lock", ".nightly.json"
WAITED = 0.5  # s between two looks at what is done
Attempt = Callable[[dict[str, Any]], dict[str, Any]]


@dataclass(frozen=True)
class Settings:
    """How a night runs."""

    out: Path  # folder of all reports
    jobs: int = 1  # campaigns rendered at the same time
    seconds: float = 900.0  # time limit of one campaign [s]
    memory: int = 4 << 30  # data that each process of a campaign may have [byte]
    date: str = ""  # ISO date of the reports; today where empty
    dask: str = ""  # address of a scheduler, in place of processes of this machine


def run(arguments: argparse.Namespace) -> int:
    """Render what changed below the roots; return the exit status."""
    seconds, memory = 60.0 * arguments.time_limit, int(arguments.memory_limit * (1 << 30))
    settings = Settings(arguments.out, arguments.jobs, seconds, memory, arguments.date, arguments.dask)
    status = run_night(arguments.roots, settings)
    for entry in status.campaigns:
        lines = entry.reason.splitlines() if entry.state == "failed" else []
        if lines and entry.report:
            lines.append(f"the report of {entry.report.date} is stale.")
        for line in lines:
            print(f"intake-report: {entry.id}: {line}", file=sys.stderr)
    counts = ", ".join(f"{number} {state}" for state, number in status.counts.items())
    print(f"{counts or 'no campaign'}: {arguments.out / INDEX}")
    return status.exit_status


def run_night(roots: list[Path], settings: Settings, attempt: Attempt = work.attempt) -> Status:
    """Render every campaign below the roots that needs it, and write index, status and JUnit XML.

    `attempt` renders one campaign; it is what the time limit and the isolation are for. MachineError: another night is at
    work in the same folder, or it cannot be written to.
    """
    out = settings.out.resolve()
    with the_only_night(out):
        night = _Night(out, settings)
        night.decide(find.find_below(roots, out))
        night.save()  # a folder that cannot be written shows now, not in the morning
        try:
            if night.due:
                where = work.cluster(settings.dask, out, roots) if settings.dask else work.local(settings.jobs)
                with where as workers:
                    night.render(workers, attempt)
        except KeyboardInterrupt:
            night.stopped = True
        night.save()
        return night.write()


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
    """Campaigns by their folders: what was known of them before, what is due and its id, what is known now."""

    def __init__(self, out: Path, settings: Settings) -> None:
        self.out, self.settings, self.stopped = out, settings, False
        self.started = _now()
        self.software = sha256(json.dumps([source_hash(), package_versions()]).encode())
        self.before: dict[str, Known] = {}
        with suppress(OSError, ValueError):  # absent or damaged: everything is looked at anew
            self.before = MEMORIES.validate_json((out / MEMORY).read_bytes())
        self.known: dict[str, Known] = {}
        self.due: dict[str, str] = {}

    def decide(self, found: dict[str, str]) -> None:
        """Sort the campaigns into those that are as they were, those to be rendered, and those that cannot be."""
        ids: dict[str, str] = {}
        wrong = {folder: trouble for folder, trouble in found.items() if trouble}
        for folder in (folder for folder in found if folder not in wrong):
            known = self.before.get(folder)
            same = known and find.still_as_known(known, Path(folder), self.out, self.software)
            if same:
                ids[folder] = same.entry.id
                self._keep(same, state="failed" if same.whole else "unchanged", seconds=0.0)
            else:
                usual = known.entry.id if known else Path(folder).name
                ids[folder] = self.due[folder] = find.campaign_id(folder) or usual
            if ids[folder] in (INDEX, STATUS, JUNIT):
                what = f"campaign.id: a file of the night is called “{ids[folder]}”. Give it another id."
                wrong[folder] = f"{Path(folder, CAMPAIGN_FILE)}: {what}"
        wrong |= find.same_ids(ids)
        for folder in self.before.keys() - self.known.keys() - self.due.keys():
            known = self.before[folder]
            report = known.entry.report
            if report is None or not (self.out / report.folder).is_dir():
                continue
            hidden = next((text for top, text in wrong.items() if Path(folder).is_relative_to(top)), "")
            if hidden:
                wrong[folder] = hidden
            elif known.entry.id not in ids.values():
                self._keep(known, state="gone", reason="", stale=False, seconds=0.0)
        for folder, sentence in wrong.items():
            self.due.pop(folder, None)
            before = self.before.get(folder)
            id = ids.get(folder, before.entry.id if before else Path(folder).name)
            self._note(folder, id, {"state": "failed", "reason": sentence})

    def render(self, workers: Executor, attempt: Attempt) -> None:
        """Render what is due, in order of the folders; a bar on a terminal, a line for each campaign in a pipe."""
        begun = time.monotonic()
        with suppress(OSError):
            (self.out / LOGS).mkdir(exist_ok=True)
        one = self.settings
        limits = {"out": str(self.out), "seconds": one.seconds, "memory": one.memory, "date": one.date}
        waiting = {}
        for folder in self.due:
            job = limits | {"file": str(Path(folder, CAMPAIGN_FILE)), "log": str(self.out / self._log(folder))}
            waiting[workers.submit(_timed, attempt, job)] = folder
        terminal, console = sys.stderr.isatty(), Console(stderr=True, markup=False, highlight=False)
        columns = BarColumn(), MofNCompleteColumn(), TimeRemainingColumn()
        say: Callable[[str], None] = console.print if terminal else partial(print, flush=True)
        with Progress(*columns, console=console, transient=True, disable=not terminal) as progress:
            bar = progress.add_task("", total=len(waiting))
            while waiting:
                done, _ = wait(waiting, timeout=WAITED, return_when="FIRST_COMPLETED")
                for future in done:
                    folder = waiting.pop(future)
                    error = future.exception()
                    outcome = work.failed(f"its worker is gone ({error}).") if error else future.result()
                    entry = self._note(folder, self.due[folder], outcome, log=self._log(folder))
                    progress.advance(bar)
                    told = (entry.reason or (entry.report.folder if entry.report else "")).partition("\n")[0]
                    if not terminal or entry.state == "failed":
                        say(f"{entry.id}  {entry.state}  {entry.seconds:.1f} s  {told}")
        say(f"done in {time.monotonic() - begun:.0f} s")

    def _log(self, folder: str) -> str:
        id = self.due[folder]
        return f"{LOGS}/{id if re.fullmatch(r'[A-Za-z0-9._-]{1,64}', id) else sha256(folder.encode())[:16]}.log"

    def _note(self, folder: str, id: str, outcome: dict[str, Any], log: str = "") -> Entry:
        """Note what became of a campaign; without a new report the last good one stays, and is stale."""
        entry = {"id": id, "folder": folder, "log": log, **outcome}
        before, reported = self.before.get(folder), "report" in outcome
        if not reported and before and before.entry.id == id and before.entry.report:
            entry |= {"report": before.entry.report, "summary": before.entry.summary, "stale": True}
        files = outcome.get("files", {}) if reported or outcome.get("whole") else {}
        made = {"entry": entry, "files": files, "software": self.software if files else ""}
        self.known[folder] = Known.model_validate(made | {"whole": bool(files) and not reported})
        return self.known[folder].entry

    def _keep(self, known: Known, **changed: Any) -> None:
        self.known[known.entry.folder] = known.model_copy(update={"entry": known.entry.model_copy(update=changed)})

    def save(self) -> None:
        """Remember what is known so far, and of what was not reached what was known before."""
        open_still = {folder: self.before[folder] for folder in self.due if folder in self.before}
        self._put(MEMORY, MEMORIES.dump_json(open_still | self.known))

    def _put(self, name: str, data: bytes) -> None:
        try:
            write_whole(self.out / name, data)
        except OSError as error:
            raise _cannot_write(self.out / name, error) from None

    def write(self) -> Status:
        """Write index, status and JUnit XML, each in one move, and return the status."""
        for folder in self.due.keys() - self.known.keys():
            outcome = {"state": "stopped", "reason": "the night was stopped before it was done."}
            self._note(folder, self.due[folder], outcome)
        entries = sorted((known.entry for known in self.known.values()), key=lambda entry: (entry.id, entry.folder))
        states = Counter[str](entry.state for entry in entries)
        counts = {state: states[state] for state in MARKS if states[state]}
        status = Status(
            program=__version__, started=self.started, ended=_now(),
            exit_status=130 if self.stopped else 1 if "failed" in counts else 0, counts=counts, campaigns=tuple(entries),
        )  # fmt: skip
        self._put(STATUS, (status.model_dump_json(by_alias=True, indent=1) + "\n").encode())
        self._put(INDEX, index_page(status).encode())
        self._put(JUNIT, junit(status))
        return status


def junit(status: Status) -> bytes:
    """Return the night as JUnit XML, one test case for each campaign that is there."""
    cases = [entry for entry in status.campaigns if entry.state != "gone"]
    spent = sum(entry.seconds for entry in cases)
    numbers = {"tests": len(cases), "errors": 0, "failures": status.counts.get("failed", 0)}
    numbers["skipped"] = status.counts.get("stopped", 0)
    suite = ElementTree.Element("testsuite", name="intake-report", timestamp=status.started, time=f"{spent:.1f}")
    suite.attrib |= {name: str(number) for name, number in numbers.items()}
    for entry in cases:
        place = {"classname": "campaign", "name": entry.id, "time": f"{entry.seconds:.1f}"}
        case = ElementTree.SubElement(suite, "testcase", place)
        kind = {"failed": "failure", "stopped": "skipped"}.get(entry.state)
        if kind:
            ElementTree.SubElement(case, kind, message=entry.reason).text = f"{entry.folder}\n{entry.reason}"
    ElementTree.indent(suite)
    data: bytes = ElementTree.tostring(suite, encoding="utf-8", xml_declaration=True)
    return data + b"\n"


def _timed(attempt: Attempt, job: dict[str, Any]) -> dict[str, Any]:
    start = time.monotonic()
    return {**attempt(job), "seconds": round(time.monotonic() - start, 2)}


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


# Of the states, in the order of the page: what needs a person comes first
MARKS = {"failed": "✕", "stopped": "◌", "published": "●", "unchanged": "○", "gone": "–"}
WIDTH, HEIGHT, EDGE = 140.0, 44.0, 5.0  # px of the picture of a trend
_TEMPLATES = Path(__file__).parent / "templates"


def index_page(status: Status) -> str:
    """Return the page of a night."""
    made = Environment(loader=FileSystemLoader(_TEMPLATES), autoescape=True, undefined=StrictUndefined)
    script = (_TEMPLATES / "sort.js").read_text("utf-8")
    order = list(MARKS)
    text: str = made.get_template("night.html.j2").render(
        status=status,
        entries=sorted(status.campaigns, key=lambda entry: (order.index(entry.state), not entry.stale, entry.id)),
        counts=listing([f"{number}{NARROW_SPACE}{state}" for state, number in status.counts.items()]) or "No campaign",
        marks=MARKS,
        trend=trend_picture,
        style=Markup((Path(intake_report.render.__file__).parent / "templates" / "blocks.css").read_text("utf-8")),
        script=Markup(script),
        script_hash="sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
    )
    return text


def trend_picture(trend: Trend) -> Markup:
    """Return a deciding difference over the reports: intervals as lines, values as dots, zero dotted; the last in words."""
    form = (trend.quantity, trend.units, trend.decimals)
    points = [point for point in trend.points if point.value is not None]
    last = points[-1]
    words = f"{trend.title}: {with_unit(last.value, *form, signed=True)}"
    if last.low is not None and last.high is not None:
        words += f" ({interval(last.low, last.high, *form)})"
    if len(points) < 2:
        return escape(words)
    ends = [0.0, *(x for p in points for x in (p.value, p.low, p.high) if x is not None)]
    low, high = min(ends), max(ends)

    def y(value: float) -> str:
        return f"{HEIGHT - EDGE - (value - low) / ((high - low) or 1.0) * (HEIGHT - 2 * EDGE):.1f}"

    marks = [f'<path d="M0 {y(0.0)}H{WIDTH:g}" stroke="currentColor" stroke-dasharray="1 3"/>']
    for number, point in enumerate(points):
        x = f"{EDGE + number * (WIDTH - 2 * EDGE) / (len(points) - 1):.1f}"
        if point.low is not None and point.high is not None:
            marks.append(f'<path d="M{x} {y(point.low)}V{y(point.high)}" stroke="currentColor"/>')
        marks.append(f'<circle cx="{x}" cy="{y(point.value or 0.0)}" r="2.5" fill="currentColor"/>')
    values = "; ".join(f"{p.date} {with_unit(p.value, *form, signed=True)}" for p in points)
    told = escape(f"{trend.title} over {len(points)} reports: {values}")
    size = f'width="{WIDTH:g}" height="{HEIGHT:g}" viewBox="0 0 {WIDTH:g} {HEIGHT:g}"'
    return Markup(f'<svg role="img" aria-label="{told}" {size}>{"".join(marks)}</svg>{escape(words)}')
