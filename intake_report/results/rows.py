"""Rows of the report's tables about runs: stops, acceptance, weather, sampling, data quality."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


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
class Criterion:
    """One acceptance criterion applied to one run."""

    run: str
    code: str
    title: str
    limit: str
    value: str
    hard: bool
    passed: bool | None
    reason: str = ""


@dataclass(frozen=True)
class PairCriterion:
    """One criterion over the pairs of runs of different configurations.

    Parameters
    ----------
    code, title, limit : str
        The criterion and its limit as printed.
    pairs, failed : int
        Pairs that it could be applied to, and pairs that it fails.
    worst : tuple of str
        The two runs that are farthest apart; empty when none could be compared.
    value : str
        How far, as printed.
    """

    code: str
    title: str
    limit: str
    pairs: int
    failed: int
    worst: tuple[str, ...]
    value: str


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
    reasons: tuple[str, ...]
    files: tuple[str, ...]
    start_condition: str = ""
    road: str = ""
    sky: str = ""
    notes: str = ""


@dataclass(frozen=True)
class Conditions:
    """Weather during one run."""

    run: str
    source: str
    ambient_mean: float | None
    ambient_low: float | None
    ambient_high: float | None
    pressure: float | None = None
    humidity: float | None = None
    wind_speed: float | None = None
    age: float | None = None
    reason: str = ""


@dataclass(frozen=True)
class QualityRow:
    """One line of the quality log of all runs."""

    run: str
    step: str
    channel: str
    touched: int
    share: float
    reason: str


@dataclass(frozen=True)
class SamplingRow:
    """True sampling of one channel over the runs."""

    channel: str
    label: str
    interval_low: float
    interval_high: float
    rows_per_sample: float
    step: float | None
    resolution: float | None


@dataclass(frozen=True)
class CrossCheckRow:
    """One cross check of one run: two channels, or a channel and a record, against each other."""

    run: str
    name: str
    channels: tuple[str, ...]
    status: Literal["agrees", "flagged", "not-possible"]
    evidence: str
