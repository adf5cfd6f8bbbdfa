"""What a night knows and says, which campaigns there are and which have to be rendered: by hash, unless their files rest."""

import os
import time
import tomllib
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from intake_report import CAMPAIGN_FILE
from intake_report.provenance import MANIFEST, hash_file

State = Literal["published", "unchanged", "failed", "stopped", "gone"]
"""Published and unchanged: there is a report of the present inputs; failed and stopped: there is none, the reason says why;
gone: the campaign is no longer there, its reports are."""


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")


class Verdict(_Record):
    """One claim of a report with its verdict."""

    text: str
    verdict: str


class Point(_Record):
    """The deciding difference in one report."""

    date: str
    revision: int
    value: float | None = Field(description="Difference from the baseline, internal unit of the quantity")
    low: float | None = None
    high: float | None = None


class Trend(_Record):
    """The deciding metric of one configuration over the last reports of its campaign."""

    title: str = Field(description="Metric and configuration")
    quantity: str
    units: Literal["si", "us"]
    decimals: int
    points: tuple[Point, ...]


class Summary(_Record):
    """What a report says, as the index quotes it."""

    title: str
    question: str
    answer: tuple[str, ...] = ()
    verdicts: tuple[Verdict, ...] = ()
    changed: tuple[str, ...] = Field(default=(), description="What the report says otherwise than the one before")
    warnings: tuple[str, ...] = Field(default=(), description="Gravest limitations, and what damages earlier reports")
    trend: Trend | None = None


class Issued(_Record):
    """The last report of a campaign."""

    folder: str = Field(description="Relative to the folder of all reports")
    date: str
    revision: int
    manifest: str = Field(description="SHA-256 of its manifest.json")


class Entry(_Record):
    """One campaign in status.json."""

    id: str
    folder: str = Field(description="Campaign folder on the machine of the night")
    state: State
    reason: str = Field(default="", description="Why there is no report of the present inputs")
    report: Issued | None = Field(default=None, description="The last good report")
    stale: bool = Field(default=False, description="The last good report is not of the present inputs")
    summary: Summary | None = Field(default=None, description="What the last good report says")
    seconds: float = Field(default=0.0, description="Time that the attempt took [s]")
    log: str = Field(default="", description="Log of the last attempt, relative to the folder of all reports")


class Status(_Record):
    """status.json: what a night did, campaign by campaign."""

    model_config = ConfigDict(frozen=True, populate_by_name=True)

    schema_version: Literal[1] = Field(default=1, alias="schema")
    program: str = Field(description="Version of intake-report")
    started: str = Field(description="Time in UTC, ISO 8601")
    ended: str
    exit_status: int = Field(description="0 all good, 1 some failed, 130 stopped")
    counts: dict[str, int] = Field(description="Campaigns by state")
    campaigns: tuple[Entry, ...]


Stamp = tuple[int, int, int, int]
InputFile = tuple[str, Stamp | None]
"""SHA-256 of an input; size, mtime [ns], ctime [ns] and inode, which stand for its bytes where they are old enough."""


class Known(_Record):
    """What is remembered of a campaign: its entry, what the attempt read, and by which software.

    `files` holds the inputs of a report by path; where the campaign itself is at fault, `whole` says that they are all the
    files of its folder. Without files it is tried again.
    """

    entry: Entry
    software: str = ""
    whole: bool = False
    files: dict[str, InputFile] = {}


MEMORIES = TypeAdapter(dict[str, Known])
"""What nights remember, by campaign folder."""

# A file system may count time in steps of up to 2 s: what was written less than that before it was looked at could be
# written again without a trace in its times.
YOUNG = 2_500_000_000  # ns


def find_below(roots: Iterable[Path], out: Path) -> dict[str, str]:
    """Return every campaign folder at or below the roots, in order, and why it cannot be read, empty where it can.

    Hidden folders and the reports are passed over.
    """
    found: dict[str, str] = {}

    def unreadable(error: OSError) -> None:
        found[error.filename] = f"{error.filename}: the folder cannot be read ({error.strerror})."

    for root in roots:
        top = root.resolve().parent if root.is_file() else root.resolve()
        for place, folders, files in os.walk(top, onerror=unreadable):
            folders[:] = [f for f in folders if not f.startswith(".") and Path(place, f) != out]
            if CAMPAIGN_FILE in files:
                found.setdefault(place, "")
    return dict(sorted(found.items()))


def campaign_id(folder: str) -> str:
    """Return the id that the campaign file states, as plain text; empty where it cannot be told."""
    with suppress(OSError, ValueError, KeyError, TypeError, RecursionError):
        id = tomllib.loads(Path(folder, CAMPAIGN_FILE).read_text("utf-8"))["campaign"]["id"]
        return id if isinstance(id, str) else ""
    return ""


def stamp_of(file: Path) -> Stamp | None:
    """Return what changes with a file's bytes, or None while the file is so young that it need not."""
    state = file.stat()
    young = max(state.st_mtime_ns, state.st_ctime_ns) > time.time_ns() - YOUNG
    return None if young else (state.st_size, state.st_mtime_ns, state.st_ctime_ns, state.st_ino)


def input_file(folder: Path, path: str, sha256: str = "") -> InputFile:
    """Return one input as it is now; with `sha256`, that hash, and the stamp only if the file still has it."""
    try:
        stamp = stamp_of(folder / path)  # before the bytes are read: what is written later differs from it
        now = hash_file(folder / path)
    except OSError:
        return sha256, None
    return sha256 or now, stamp if sha256 in ("", now) else None


def files_below(folder: Path) -> list[str]:
    """Return the files of a campaign folder by relative path, links not followed."""
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


def stamps_below(folder: Path) -> dict[str, Stamp | None]:
    """Return the stamps of all files of a campaign folder; empty where one cannot be read."""
    try:
        return {path: stamp_of(folder / path) for path in files_below(folder)}
    except OSError:
        return {}


def manifest_hash(report: Path) -> str:
    """Return the SHA-256 of a report's manifest; empty where there is none that can be read."""
    with suppress(OSError):
        return hash_file(report / MANIFEST)
    return ""


def still_as_known(known: Known, folder: Path, out: Path, software: str) -> Known | None:
    """Return what is known of a campaign, with fresh stamps, if nothing changed since; None if it has to be rendered.

    `folder`, `out`: of the campaign, of all reports; `software`: hash of program and packages now.
    """
    if known.software != software or not known.files or (known.whole and [*known.files] != files_below(folder)):
        return None
    files = {}
    for path, (sha256, stamp) in known.files.items():
        try:
            rests = stamp is not None and stamp_of(folder / path) == stamp
        except OSError:
            return None
        files[path] = (sha256, stamp) if rests else input_file(folder, path)
        if files[path][0] != sha256:
            return None
    report = known.entry.report
    if report is not None and not known.whole and manifest_hash(out / report.folder) != report.manifest:
        return None
    return known.model_copy(update={"files": files})


def same_ids(ids: dict[str, str]) -> dict[str, str]:
    """Return for every campaign folder whose id another one has too a sentence that names both."""
    sentences = {}
    for folder, id in ids.items():
        if others := " and ".join(other for other, same in ids.items() if same == id and other != folder):
            what = f"campaign.id: the id “{id}” is that of {others} too. Give each its own id."
            sentences[folder] = f"{Path(folder, CAMPAIGN_FILE)}: {what}"
    return sentences
