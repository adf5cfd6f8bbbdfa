"""What a night knows and says, which campaigns there are and which have to be rendered: by hash, unless their files rest."""

from __future__ import annotations

import json
import os
import time
import tomllib
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from intake_report import CAMPAIGN_FILE
from intake_report.provenance import MANIFEST, hash_file

State = Literal["published", "unchanged", "failed", "stopped", "gone"]
STATES = {
    "failed": "no report of the present inputs; the reason says why",
    "stopped": "not done, because the night was stopped",
    "published": "a new report was made tonight",
    "unchanged": "inputs and software are those of the last report",
    "gone": "the campaign is no longer there, its reports are",
}


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


class InputFile(_Record):
    """One input by its bytes; `stamp` (size, mtime [ns], ctime [ns], inode) stands for them where it is old enough."""

    path: str
    sha256: str
    stamp: tuple[int, int, int, int] | None = None


class Known(_Record):
    """What is remembered of a campaign: its entry, what the attempt read, and by which software.

    `files` holds the inputs of a report; where the campaign itself is at fault, `whole` says that they are all the files
    of its folder. Without files it is tried again.
    """

    entry: Entry
    software: str = ""
    whole: bool = False
    files: tuple[InputFile, ...] = ()


class Memory(_Record):
    """What nights remember, by campaign folder."""

    campaigns: dict[str, Known] = {}


def count_states(entries: tuple[Entry, ...] | list[Entry]) -> dict[str, int]:
    """Return how many campaigns are in each state."""
    counted: Counter[str] = Counter(entry.state for entry in entries)
    return {state: counted[state] for state in STATES if counted[state]}


def read_memory(file: Path) -> Memory:
    """Return what nights remember; nothing where the file is absent or damaged, and everything is looked at anew."""
    try:
        return Memory.model_validate_json(file.read_bytes())
    except (OSError, ValueError):
        return Memory()


def status_schema() -> str:
    """Return the JSON Schema of status.json."""
    return json.dumps(Status.model_json_schema(by_alias=True), indent=2, ensure_ascii=False) + "\n"


# A file system may count time in steps of up to 2 s: what was written less than that before it was looked at could be
# written again without a trace in its times.
YOUNG = 2_500_000_000  # ns
MOST_FILES = 10_000  # of a campaign folder at fault; with more it is tried again every night

Stamp = tuple[int, int, int, int]


def find_below(roots: Iterable[Path], out: Path) -> dict[Path, str]:
    """Return every campaign folder at or below the roots, in order, and why it cannot be read, empty where it can.

    Hidden folders and the reports are passed over.
    """
    found: dict[Path, str] = {}

    def unreadable(error: OSError) -> None:
        found[Path(error.filename)] = f"{error.filename}: the folder cannot be read ({error.strerror})."

    for root in roots:
        top = root.resolve().parent if root.is_file() else root.resolve()
        for place, folders, files in os.walk(top, onerror=unreadable):
            folders[:] = sorted(f for f in folders if not f.startswith(".") and Path(place, f) != out)
            if CAMPAIGN_FILE in files:
                found.setdefault(Path(place), "")
    return dict(sorted(found.items()))


def campaign_id(folder: Path) -> str:
    """Return the id that the campaign file states, as plain text; empty where it cannot be told."""
    try:
        with (folder / CAMPAIGN_FILE).open("rb") as file:
            id = tomllib.load(file)["campaign"]["id"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return ""
    return id if isinstance(id, str) else ""


# ---- files -------------------------------------------------------------------------------------------------------


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
        return InputFile(path=path, sha256=sha256)
    return InputFile(path=path, sha256=sha256 or now, stamp=stamp if sha256 in ("", now) else None)


def files_below(folder: Path) -> Iterator[str]:
    """Yield the files of a campaign folder by relative path, links not followed."""
    for place, folders, files in os.walk(folder):
        folders.sort()
        for name in sorted(files):
            yield Path(place, name).relative_to(folder).as_posix()


def stamps_below(folder: Path) -> dict[str, Stamp | None]:
    """Return the stamps of all files of a campaign folder; empty where there are too many or one cannot be read."""
    made: dict[str, Stamp | None] = {}
    try:
        for path in files_below(folder):
            made[path] = stamp_of(folder / path)
            if len(made) > MOST_FILES:
                return {}
    except OSError:
        return {}
    return made


# ---- the decision ------------------------------------------------------------------------------------------------


def still_as_known(known: Known, folder: Path, out: Path, software: str) -> Known | None:
    """Return what is known of a campaign, with fresh stamps, if nothing changed since; None if it has to be rendered.

    `folder`, `out`: of the campaign, of all reports; `software`: hash of program and packages now.
    """
    if known.software != software or not known.files:
        return None
    if known.whole and {file.path for file in known.files} != set(files_below(folder)):
        return None
    files = []
    for file in known.files:
        try:
            rests = file.stamp is not None and stamp_of(folder / file.path) == file.stamp
        except OSError:
            return None
        now = file if rests else input_file(folder, file.path)
        if now.sha256 != file.sha256:
            return None
        files.append(now)
    report = known.entry.report
    if report is not None and not known.whole and manifest_hash(out / report.folder) != report.manifest:
        return None
    return known.model_copy(update={"files": tuple(files)})


def manifest_hash(report: Path) -> str:
    """Return the SHA-256 of a report's manifest; empty where there is none."""
    try:
        return hash_file(report / MANIFEST)
    except OSError:
        return ""


def same_ids(ids: dict[Path, str]) -> dict[Path, str]:
    """Return for every campaign whose id another folder has too a sentence that names both."""
    by_id: dict[str, list[Path]] = {}
    for folder, id in ids.items():
        by_id.setdefault(id, []).append(folder)
    sentences: dict[Path, str] = {}
    for id, folders in by_id.items():
        for folder in folders if len(folders) > 1 else ():
            others = " and ".join(str(other) for other in folders if other != folder)
            what = f"campaign.id: the id “{id}” is that of {others} too. Give each its own id."
            sentences[folder] = f"{folder / CAMPAIGN_FILE}: {what}"
    return sentences
