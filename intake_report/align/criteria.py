"""The acceptance criteria: what each compares, its default limit, whether it is hard, and its value for one run."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from intake_report.align.events import KMH, crossing, speed_samples
from intake_report.align.grid import PlaceGrid
from intake_report.align.model import AlignedRun, AlignSettings, Floats
from intake_report.messages import Message, Part, Value, message

FIRST = 60.0  # s that count as the start of a run
FROM_SHARE = 0.6  # of the entry's threshold from which acceleration is taken
LONGEST_RISE = 120.0  # s; a slower rise is not one acceleration


@dataclass(frozen=True)
class AcceptanceLimit:
    """The campaign's limit for one criterion, in the criterion's unit; `hard` None keeps the default."""

    limit: float
    hard: bool | None = None


@dataclass(frozen=True)
class CriterionSpec:
    """One criterion.

    Scope "run": the value of the run itself; "alike": its difference from the median of the runs, and between two runs;
    "within": the same among the runs of one configuration, for what the configuration itself may change; "block": its
    difference from the median of its block.
    """

    code: str  # also the key in the campaign file
    title: str
    shown: str  # quantity in which limit and value are printed, see `formatting.usual`
    sense: Literal["at least", "at most"]  # side of the limit on which a value passes
    limit: float  # by default, as `hard`
    hard: bool  # whether failing excludes the run
    scope: Literal["run", "alike", "within", "block"]


# Limits are choices of this package unless a note says otherwise. What each is: see `gather` and `_between`
_ALL = (
    CriterionSpec("one-pass", "One pass of the route", "count", "at most", 0.0, True, "run"),  # reasons why it is not
    CriterionSpec("coverage", "Route covered", "share", "at least", 0.95, True, "run"),
    CriterionSpec("cross-track", "Distance from the path", "length", "at most", 15.0, False, "run"),
    CriterionSpec("placement", "Uncertainty of place", "length", "at most", 150.0, False, "run"),
    CriterionSpec("phase-duration", "Duration of a phase", "share", "at most", 0.25, False, "alike"),
    CriterionSpec("stop-time", "Stop time before the highway entry", "time", "at most", 120.0, False, "alike"),
    CriterionSpec("stops", "Stops before the highway entry", "count", "at most", 4.0, False, "alike"),
    CriterionSpec("ramp-speed", "Speed by place on the ramp", "speed", "at most", 12.0, False, "alike"),
    CriterionSpec("highway-speed", "Speed by place on the highway", "speed", "at most", 10.0, False, "alike"),
    # the trade keeps it alike between configurations so as not to skew recovery (common practice)
    CriterionSpec("ramp-acceleration", "Acceleration on the ramp", "acceleration", "at most", 0.3, False, "alike"),
    # 2 °F between days is commonly accepted (common practice)
    CriterionSpec("ambient", "Ambient", "temperature_difference", "at most", 10.0 / 9.0, False, "alike"),
    # these two are the soak state; intakes may differ in the second: that is the effect under test
    CriterionSpec("start-coolant", "Coolant at the start", "temperature_difference", "at most", 8.0, False, "alike"),
    CriterionSpec(
        "start-over-ambient", "IAT over ambient at the start", "temperature_difference", "at most", 4.0, False, "within"
    ),
    CriterionSpec("time-of-day", "Time of day", "hours", "at most", 2.0, False, "alike"),  # traffic and sun
    # a block takes away what its runs share, the weather and traffic of some hours
    CriterionSpec("block-hours", "Hours from its block", "hours", "at most", 12.0, False, "block"),
    CriterionSpec("wind", "Wind", "speed", "at most", 15.0, False, "alike"),
    CriterionSpec("rain", "Rain", "count", "at most", 0.0, False, "alike"),  # whether it was recorded: 1 or 0
)
CRITERIA: dict[str, CriterionSpec] = {spec.code: spec for spec in _ALL}


@dataclass(frozen=True)
class RunSurroundings:
    """What is known of a run from outside its log; None where it is not."""

    ambient: float | None = None  # mean by the campaign's reference [°C]
    ambient_start: float | None = None  # the same during the first minute [°C]; default: `ambient`
    wind: float | None = None  # mean [km/h]
    rain: bool | None = None  # whether it was recorded
    start: pd.Timestamp | None = None  # default: that of the cleaned run
    configuration: str = ""  # id of what was driven; runs without one count as alike
    block: str = ""  # runs that share conditions


# A number; durations [s] by complete phase; speed by place (cells,) [km/h]; or why it is not known
Fact = float | dict[str, float] | Floats | Message


@dataclass(frozen=True)
class Facts:
    """What each criterion compares, for one run."""

    run: str
    by_code: dict[str, Fact]
    configuration: str = ""
    block: str = ""
    not_one_pass: Message | None = None  # why, where it is not


def gather(run: AlignedRun, grid: PlaceGrid, settings: AlignSettings, surroundings: RunSurroundings) -> Facts:
    """Return the facts of one run."""
    hard = [finding.text for finding in run.findings if finding.hard]
    ambient = surroundings.ambient_start if surroundings.ambient_start is not None else surroundings.ambient
    iat, over = _first(run, "iat"), _recorded("ambient", ambient)
    start = surroundings.start if surroundings.start is not None else run.clean.start
    no_start = message("the start time is not known", code="no-start")
    facts: dict[str, Fact] = {
        "one-pass": float(len(hard)),
        "coverage": run.coverage,
        "cross-track": message("the run has no position on the route", code="no-position")
        if run.away is None
        else run.away,
        "placement": _placement(run),
        "phase-duration": {span.phase: span.duration for span in run.phases if span.complete},
        "ramp-speed": _speed_on("ramp", run, grid, settings),
        "highway-speed": _speed_on("highway", run, grid, settings),
        "ramp-acceleration": _ramp_acceleration(run, settings),
        "start-coolant": _first(run, "coolant"),
        "start-over-ambient": iat if isinstance(iat, Message) else over if isinstance(over, Message) else iat - over,
        "time-of-day": no_start if start is None else start.hour + start.minute / 60 + start.second / 3600,
        "block-hours": no_start if start is None else start.timestamp() / 3600.0,
        **_before_entry(run),
        **{code: _recorded(code, getattr(surroundings, code)) for code in ("ambient", "wind", "rain")},
    }
    return Facts(run.run, facts, surroundings.configuration, surroundings.block, _together(hard) if hard else None)


def _recorded(what: str, value: float | None) -> float | Message:
    return message("{what} was not recorded", code="not-recorded", what=what) if value is None else float(value)


def _together(sentences: Sequence[Message]) -> Message:
    values: dict[str, Part] = {f"reason{k}": sentence for k, sentence in enumerate(sentences)}
    text = " ".join(f"{{{name}}}" for name in values)
    return sentences[0] if len(values) == 1 else message(text, code="one-pass", **values)


def _placement(run: AlignedRun) -> Fact:
    if run.method == "position":
        return message("the run has positions", code="has-position")
    if run.residual is None:
        return message("the run is not placed by the speeds of other runs", code="not-placed")
    return run.residual


def _before_entry(run: AlignedRun) -> dict[str, Fact]:
    if run.highway_entry is None:
        return dict.fromkeys(("stop-time", "stops"), message("the run has no highway entry", code="no-entry"))
    before = [stop for stop in run.stops if stop.start < run.highway_entry and np.isfinite(stop.distance)]
    return {"stop-time": float(sum(stop.duration for stop in before)), "stops": float(len(before))}


def _ramp_acceleration(run: AlignedRun, settings: AlignSettings) -> Fact:
    speed, name = speed_samples(run.clean), settings.entry_phase
    on_ramp = any(span.phase == name if name else span.kind == "ramp" for span in run.phases)
    if speed is None or not on_ramp or run.highway_entry is None:
        return message("the run has no highway entry from a ramp", code="no-entry")
    time, v = speed
    top = settings.threshold
    base = FROM_SHARE * top
    # the last rise through the base, wherever it began: waiting at a ramp meter does not count as accelerating
    rises = np.flatnonzero((v[:-1] < base) & (v[1:] >= base) & (time[1:] <= run.highway_entry))
    took = run.highway_entry - crossing(time, v, int(rises[-1]), base) if len(rises) else np.inf
    if took > LONGEST_RISE:
        text = "the run does not rise from {base} to the highway entry within {longest}"
        values = {"base": Value(base, "speed", 0), "longest": Value(LONGEST_RISE, "time", 0)}
        return message(text, code="slow-rise", **values)
    return float((top - base) / KMH / took)


def _first(run: AlignedRun, name: str) -> float | Message:
    """Return the median of the valid readings of the first minute."""
    if not run.clean.has(name):
        return message("the run has no {name}", code="no-channel", name=name)
    good = run.clean.good(name)
    first = good[good.index.to_numpy(dtype=np.float64) <= float(run.clean.frame.index[0]) + FIRST]
    if first.empty:
        return message("no valid {name} in the first minute", code="no-first-minute", name=name)
    return float(first.median())


def _speed_on(kind: str, run: AlignedRun, grid: PlaceGrid, settings: AlignSettings) -> Fact:
    inside = np.zeros(len(grid.centres), dtype=bool)
    for phase in settings.phases:
        if phase.kind == kind:
            inside |= (grid.centres >= phase.from_m) & (grid.centres <= phase.to_m)
    if run.run not in grid.runs or not inside.any():
        return message("speed by place on the {kind} is not known", code="no-speed-by-place", kind=kind)
    return np.where(inside, grid.speed()[grid.runs.index(run.run)], np.nan)
