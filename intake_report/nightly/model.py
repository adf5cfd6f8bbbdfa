"""What a night knows and says: the entries of status.json, and what it remembers of each campaign until the next."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

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
