"""Rows of the report's tables about runs: stops and the run log."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from intake_report.messages import Part


@dataclass(frozen=True)
class StopResult:
    """One stop of one run: where, how long, how far and fast the intake air warmed, how fast it cooled after it.

    `half_fall` is the time from the launch until half of the rise was lost [s]; None without such a launch, or where
    the next stop came first (`cut_short`).
    """

    run: str
    start: float
    duration: float
    distance: float | None
    rise: float | None
    rate: float | None
    place: str | None = None
    half_fall: float | None = None
    cut_short: bool = False


@dataclass(frozen=True)
class RunResult:
    """One line of the run log."""

    id: str
    configuration: str
    block: str | None
    start: str | None
    duration: float
    length: float | None
    method: str
    stops: int
    stopped_time: float
    highway_entry: float | None
    decision: Literal["accepted", "accepted with limitation", "excluded"]
    reasons: tuple[Part, ...]
    files: tuple[str, ...]
    start_condition: str = ""
    road: str = ""
    sky: str = ""
    notes: str = ""
