"""Which runs may be compared: every acceptance criterion applied to every run and every pair."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd

from intake_report.align.grid import PlaceGrid, grid_by_place
from intake_report.align.model import KMH, AlignedRun, Alignment, AlignSettings, Floats, crossing, speed_samples
from intake_report.messages import Beyond, Message, Part, Value, message

FIRST = 60.0  # s that count as the start of a run
FROM_SHARE = 0.6  # of the entry's threshold from which acceleration is taken
LONGEST_RISE = 120.0  # s; a slower rise is not one acceleration
LEAST_CELLS = 4  # cells of speed by place that two runs have to share
HALF_DAY = 12.0  # h
NOT_KNOWN = message("not known", code="not-known")
ROUNDING = 1e-9  # by which a value may be beyond its limit and still pass

Outcome = Literal["pass", "fail", "unknown"]
# A number; durations by phase [s] or speed by place [km/h], NaN where not known or not complete; or why it is not known
Fact = float | Floats | Message


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
    limit: float  # by default, as `hard`
    scope: Literal["run", "alike", "within", "block"] = "alike"
    hard: bool = False  # whether failing excludes the run
    sense: Literal["at least", "at most"] = "at most"  # side of the limit on which a value passes


# Limits are choices of this package unless a note says otherwise. What each is: see `_gather` and `_between`
_ALL = (
    CriterionSpec("one-pass", "One pass of the route", "count", 0.0, "run", hard=True),  # reasons why it is not
    CriterionSpec("coverage", "Route covered", "share", 0.95, "run", hard=True, sense="at least"),
    CriterionSpec("cross-track", "Distance from the path", "length", 15.0, "run"),
    CriterionSpec("placement", "Uncertainty of place", "length", 150.0, "run"),
    CriterionSpec("phase-duration", "Duration of a phase", "share", 0.25),
    CriterionSpec("stop-time", "Stop time before the highway entry", "time", 120.0),
    CriterionSpec("stops", "Stops before the highway entry", "count", 4.0),
    CriterionSpec("ramp-speed", "Speed by place on the ramp", "speed", 12.0),
    CriterionSpec("highway-speed", "Speed by place on the highway", "speed", 10.0),
    # the trade keeps it alike between configurations so as not to skew recovery (common practice)
    CriterionSpec("ramp-acceleration", "Acceleration on the ramp", "acceleration", 0.3),
    # 2 °F between days is commonly accepted (common practice)
    CriterionSpec("ambient", "Ambient", "temperature_difference", 10.0 / 9.0),
    # these two are the soak state; intakes may differ in the second: that is the effect under test
    CriterionSpec("start-coolant", "Coolant at the start", "temperature_difference", 8.0),
    CriterionSpec("start-over-ambient", "IAT over ambient at the start", "temperature_difference", 4.0, "within"),
    CriterionSpec("time-of-day", "Time of day", "hours", 2.0),  # traffic and sun
    # a block takes away what its runs share, the weather and traffic of some hours
    CriterionSpec("block-hours", "Hours from its block", "hours", 12.0, "block"),
    CriterionSpec("wind", "Wind", "speed", 15.0),
    CriterionSpec("rain", "Rain", "count", 0.0),  # whether it was recorded: 1 or 0
)
CRITERIA = {spec.code: spec for spec in _ALL}


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


@dataclass(frozen=True)
class Facts:
    """What each criterion compares, for one run."""

    run: str
    by_code: dict[str, Fact]
    configuration: str = ""
    block: str = ""
    not_one_pass: Message | None = None  # why it is not, where it is not


@dataclass(frozen=True)
class Check:
    """One criterion applied to one run or to a pair."""

    code: str
    title: str
    runs: tuple[str, ...]  # one, or the two of a pair
    limit: float  # in the unit of the criterion, as `value`
    value: float | None  # None where it cannot be known
    hard: bool  # whether failing keeps the run, or the pair, out of the comparison
    outcome: Outcome
    reason: Part = ""  # why it fails or is not known
    versus: str = ""  # what a run is compared with, in words; empty where it is judged by itself


@dataclass(frozen=True)
class Comparability:
    """All checks of single runs and of pairs, and the facts behind them by run."""

    checks: tuple[Check, ...]
    pairs: tuple[Check, ...]
    facts: dict[str, Facts]

    def excluded(self) -> dict[str, tuple[Part, ...]]:
        """Return the runs with a hard failure and their reasons."""
        failed = [check for check in self.checks if check.outcome == "fail" and check.hard]
        return {run: tuple(c.reason for c in failed if c.runs[0] == run) for run in (c.runs[0] for c in failed)}


def assess(
    alignment: Alignment,
    settings: AlignSettings,
    surroundings: Mapping[str, RunSurroundings] | None = None,
    limits: Mapping[str, AcceptanceLimit] | None = None,
    pairs: Iterable[tuple[str, str]] | None = None,
) -> Comparability:
    """Apply every acceptance criterion to every run and to pairs of runs (default: all).

    `surroundings` are known by run, `limits` by code. A criterion of scope "alike" compares a run with the median of
    the runs that pass the hard criteria of their own: those of its block where that holds another configuration, since
    the comparison is then made within it, else all. One of scope "within" compares with the runs of its configuration
    only, and says nothing of two runs of different configurations. Runs of two such blocks make no pair.
    """
    limits = limits or {}
    grid, known = grid_by_place(alignment), surroundings or {}
    facts = {r.run: _gather(r, grid, settings, known.get(r.run, RunSurroundings())) for r in alignment.runs}
    own = [spec for spec in CRITERIA.values() if spec.scope == "run"]
    compared = [spec for spec in CRITERIA.values() if spec.scope != "run"]
    checks = [
        _check(spec, limits, (run,), one.by_code[spec.code], why=one.not_one_pass if spec.code == "one-pass" else None)
        for spec in own
        for run, one in facts.items()
    ]
    out = {check.runs[0] for check in checks if check.hard and check.outcome == "fail"}
    sound = [one for run, one in facts.items() if run not in out]
    names = {(one.block, one.configuration) for one in sound if one.block}
    shared = {block for block, _ in names if sum(name == block for name, _ in names) > 1}
    typical: dict[tuple[str, ...], Facts] = {}
    for spec in compared:
        for run, one in facts.items():
            if spec.scope == "block" and not one.block:
                continue
            versus, others = _compared_with(spec, one, sound)
            key = tuple(other.run for other in others)
            if key not in typical:
                typical[key] = _typical(others)
            where = {"within": " of its configuration", "block": " of its block"}.get(spec.scope, "")
            nobody = message("there is no other run{where} to compare with", code="no-other-run", where=where)
            fact = _between(spec.code, one, typical[key]) if others else nobody
            checks.append(_check(spec, limits, (run,), fact, versus))
    twos = [
        _check(spec, limits, (a, b), _between(spec.code, facts[a], facts[b]), "each other")
        for a, b in (combinations(facts, 2) if pairs is None else pairs)
        if facts[a].block == facts[b].block or not {facts[a].block, facts[b].block} <= shared
        for spec in compared
        if spec.scope == "alike" or (spec.scope == "within" and facts[a].configuration == facts[b].configuration)
    ]
    return Comparability(tuple(checks), tuple(twos), facts)


def _compared_with(spec: CriterionSpec, one: Facts, sound: Sequence[Facts]) -> tuple[str, Sequence[Facts]]:
    """Return what a run is compared with, in words, and the runs; none where there is no other."""
    block = [other for other in sound if one.block and other.block == one.block]
    alike = [other for other in sound if other.configuration == one.configuration]
    versus, others = "the median of the runs", list(sound)
    if spec.scope == "block":
        versus, others = "the median of its block", block
        if len(block) == 2:  # the median of two lies between them and says half of how far they are apart
            versus, others = "the other run of its block", [other for other in block if other.run != one.run]
    elif spec.scope == "within":
        versus, others = "the median of the runs of its configuration", alike
        if any(o.run != one.run and o.configuration == one.configuration for o in block):
            versus, others = f"{versus} in its block", [other for other in alike if other.block == one.block]
    elif len({other.configuration for other in block}) > 1:
        versus, others = "the median of the runs of its block", block
    least = 2 if spec.scope == "alike" else 1
    return versus, others if (len(others) >= least and any(other.run != one.run for other in others)) else ()


def _check(
    spec: CriterionSpec,
    limits: Mapping[str, AcceptanceLimit],
    runs: tuple[str, ...],
    fact: Fact,
    versus: str = "",
    why: Message | None = None,
) -> Check:
    stated = limits.get(spec.code, AcceptanceLimit(spec.limit))
    hard = spec.hard if stated.hard is None else stated.hard
    made = partial(Check, spec.code, spec.title, runs, stated.limit, hard=hard, versus=versus)
    if not isinstance(fact, float):
        return made(None, outcome="unknown", reason=fact if isinstance(fact, Message) else NOT_KNOWN)
    inside = stated.limit - fact if spec.sense == "at most" else fact - stated.limit
    if inside >= -ROUNDING:
        return made(fact, outcome="pass")
    alone = spec.scope in ("run", "block")
    text = "{title} is {value} (limit {limit})" if alone else "{title} differs by {value} from {versus} (limit {limit})"
    value, limit = Beyond(fact, stated.limit, spec.shown), Value(stated.limit, spec.shown)
    reason = why or message(text, code=spec.code, title=spec.title, value=value, versus=versus, limit=limit)
    return made(fact, outcome="fail", reason=reason)


def _typical(sound: Sequence[Facts]) -> Facts:
    """Return the median of runs, criterion by criterion, phase by phase and place by place."""
    values: dict[str, Fact] = {}
    for code in CRITERIA:
        known = [fact for one in sound if not isinstance(fact := one.by_code[code], Message)]
        if not known:
            continue
        rows = np.array(known, dtype=np.float64)
        if rows.ndim == 2:
            some = np.isfinite(rows).any(axis=0)
            values[code] = middle = np.full(rows.shape[1], np.nan)
            middle[some] = np.nanmedian(rows[:, some], axis=0)
        elif code == "time-of-day":
            values[code] = float(rows[0] + np.median(_hours_after(rows, rows[0]))) % (2 * HALF_DAY)
        else:
            values[code] = float(np.median(rows))
    return Facts("median", values)


def _between(code: str, a: Facts, b: Facts) -> Fact:
    """Return by how much two runs differ in a criterion, or why that is not known."""
    x, y = a.by_code[code], b.by_code.get(code, NOT_KNOWN)
    if isinstance(x, Message) or isinstance(y, Message):
        return x if isinstance(x, Message) else y
    if code == "phase-duration":
        apart = np.abs(np.log(x / y))
        none = message("no phase is complete in both", code="no-shared-phase")
        return float(np.expm1(np.nanmax(apart))) if np.isfinite(apart).any() else none
    if isinstance(x, float):
        return float(np.abs(_hours_after(x, y) if code == "time-of-day" else x - y))
    apart = (x - y)[np.isfinite(x - y)]
    few = message("the runs share fewer than {least} places there", code="few-shared-places", least=LEAST_CELLS)
    return float(np.sqrt(np.mean(apart**2))) if len(apart) >= LEAST_CELLS else few


def _hours_after(x: float | Floats, y: float | Floats) -> float | Floats:
    """Return by how much clock times are later than another [h], about the circle, so that midnight is no border."""
    return (x - y + HALF_DAY) % (2 * HALF_DAY) - HALF_DAY


def _gather(run: AlignedRun, grid: PlaceGrid, settings: AlignSettings, surroundings: RunSurroundings) -> Facts:
    """Return the facts of one run."""
    hard = [finding.text for finding in run.findings if finding.hard]
    ambient = surroundings.ambient_start if surroundings.ambient_start is not None else surroundings.ambient
    iat, over = _first(run, "iat"), _recorded("ambient", ambient)
    start = surroundings.start if surroundings.start is not None else run.clean.start
    no_start = message("the start time is not known", code="no-start")
    no_position = message("the run has no position on the route", code="no-position")
    not_placed = message("the run is not placed by the speeds of other runs", code="not-placed")
    residual: Fact = not_placed if run.residual is None else run.residual
    if run.method == "position":
        residual = message("the run has positions", code="has-position")
    stop_time: Fact = message("the run has no highway entry", code="no-entry")
    stops = stop_time
    if run.highway_entry is not None:
        before = [stop for stop in run.stops if stop.start < run.highway_entry and np.isfinite(stop.distance)]
        stop_time, stops = float(sum(stop.duration for stop in before)), float(len(before))
    duration = {span.phase: span.duration for span in run.phases if span.complete}
    facts: dict[str, Fact] = {
        "one-pass": float(len(hard)),
        "coverage": run.coverage,
        "cross-track": no_position if run.away is None else run.away,
        "placement": residual,
        "phase-duration": np.array([duration.get(phase.name, np.nan) for phase in settings.phases]),
        "stop-time": stop_time,
        "stops": stops,
        "ramp-speed": _speed_on("ramp", run, grid, settings),
        "highway-speed": _speed_on("highway", run, grid, settings),
        "ramp-acceleration": _ramp_acceleration(run, settings),
        "start-coolant": _first(run, "coolant"),
        "start-over-ambient": iat if isinstance(iat, Message) else over if isinstance(over, Message) else iat - over,
        "time-of-day": no_start if start is None else start.hour + start.minute / 60 + start.second / 3600,
        "block-hours": no_start if start is None else start.timestamp() / 3600.0,
        **{code: _recorded(code, getattr(surroundings, code)) for code in ("ambient", "wind", "rain")},
    }
    reasons = {f"reason{k}": sentence for k, sentence in enumerate(hard)}
    together = message(" ".join(f"{{{name}}}" for name in reasons), code="one-pass", **reasons) if hard else None
    why = hard[0] if len(hard) == 1 else together
    return Facts(run.run, facts, surroundings.configuration, surroundings.block, why)


def _recorded(what: str, value: float | None) -> float | Message:
    return message("{what} was not recorded", code="not-recorded", what=what) if value is None else float(value)


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
