"""Which ambient temperature counts: sources against each other, their uncertainty, one choice by a stated rule; spread."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from intake_report.errors import DataError
from intake_report.messages import Listing, Message, Part, Value, message
from intake_report.weather.conditions import ambient_at
from intake_report.weather.observations import KIND_LABELS, Array, Kind, WeatherRecord

# A sensor behind the bumper is warmed by the engine bay at rest and needs air past it, and time, to recover. Both
# numbers are this package's own choice (common practice gives none); they are stated in the report and can be changed.
# On eight recorded commutes the reading at rest was 0.3 K to 2.3 K above the one at speed, and settling for 60 s or
# for 180 s instead of 120 s moved the mean by less than 0.25 K, while 120 s left 17 % to 58 % of the samples.
MIN_SPEED = 40.0  # km/h
SETTLE = 120.0  # s
AT_REST = 5.0  # km/h: slower the vehicle stands, or creeps in a queue
_SPEED_GAP = 10.0  # s without a speed sample: the vehicle may have stood


@dataclass(frozen=True)
class VehicleAmbient:
    """Ambient readings (n,) [°C] and speed (m,) [km/h] of one run, at true samples: elapsed seconds from `start`."""

    run: str
    start: pd.Timestamp
    time: Array
    temperature: Array
    speed_time: Array
    speed: Array


@dataclass(frozen=True)
class SourceComparison:
    """Two sources of ambient temperature compared run by run: first less second."""

    first: str
    second: str
    offsets: Mapping[str, float]  # mean over each run that both cover [K]: the samples of one share its weather
    missing: tuple[str, ...]  # other runs

    @property
    def reason(self) -> Part:
        """Why there is no interval, or which runs are missing; empty where all is well."""
        if not self.offsets:
            return "no run has both sources at one time"
        reasons: list[Part] = ["one run only: no interval"] if len(self.offsets) == 1 else []
        if self.missing:
            reasons.append(message("not compared in {runs}", code="not-compared", runs=", ".join(self.missing)))
        return Listing(tuple(reasons), ";")


def too_slow(run: VehicleAmbient) -> NDArray[np.bool_]:
    """Return where the vehicle's ambient reading is bad: below `MIN_SPEED` within the last `SETTLE`, or unknown."""
    clock = run.speed_time
    last, known = _last_speed(run)
    if not known.any():
        return ~known
    # Moments from which the vehicle is known to have been fast begin anew at each slow sample and after each gap.
    slow = ~(run.speed >= MIN_SPEED)
    broken = slow | np.concatenate([[True], np.diff(clock) > _SPEED_GAP])
    since = np.maximum.accumulate(np.where(broken, clock, -np.inf))
    return np.asarray(~known | (run.time - since[last] < SETTLE) | slow[last])


def _last_speed(run: VehicleAmbient) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Return the last speed sample before each ambient reading, and whether it is recent enough to count."""
    last = np.searchsorted(run.speed_time, run.time, side="right") - 1
    age = run.time - np.append(run.speed_time, -np.inf)[last]  # none before: the last of these
    return np.maximum(last, 0), age <= _SPEED_GAP


def compare_vehicle(
    runs: Sequence[VehicleAmbient], record: WeatherRecord, at: Literal["speed", "rest"] = "speed"
) -> SourceComparison:
    """Compare vehicle less record by run: at speed (`too_slow`), or below `AT_REST`, where the sensor reads high."""
    differences = {}
    for run in runs:
        last, known = _last_speed(run)
        usable = ~too_slow(run) if at == "speed" else known & (np.append(run.speed, np.nan)[last] < AT_REST)
        differences[run.run] = (run.temperature - ambient_at(record, run.time + run.start.timestamp()))[usable]
    return _compared(f"vehicle sensor at {at}", record.source, differences)


def compare_records(
    first: WeatherRecord, second: WeatherRecord, windows: Mapping[str, tuple[pd.Timestamp, pd.Timestamp]]
) -> SourceComparison:
    """Compare two records by run (aware start, end), first less second: at the first's reports, else each minute."""
    known, _ = first.series("temperature")
    differences = {}
    for run, (start, end) in windows.items():
        begin, stop = start.timestamp(), end.timestamp()
        own = known[(known >= begin) & (known <= stop)]
        at = own if len(own) else np.arange(begin, stop + 30.0, 60.0)
        differences[run] = ambient_at(first, at) - ambient_at(second, at)
    return _compared(first.source, second.source, differences)


def _compared(first: str, second: str, differences: Mapping[str, Array]) -> SourceComparison:
    finite = {run: values[np.isfinite(values)] for run, values in differences.items()}
    offsets = {run: float(values.mean()) for run, values in finite.items() if len(values)}
    return SourceComparison(first, second, offsets, tuple(run for run, values in finite.items() if not len(values)))


# Half-widths assumed where the campaign declares no accuracy [K]. METAR: "operationally desirable accuracy" of ICAO
# Annex 3, from memory. Vehicle: about 2.5 K at 25 °C follows from published resistance bands of such sensors (an
# estimate). Station and handheld: this package's own assumption for an instrument that is not described.
ASSUMED_ACCURACY: dict[Kind, float] = {"metar": 1.0, "station": 1.0, "handheld": 1.0, "vehicle": 2.5}
# 2 °F between days is what the trade accepts (common practice) [K].
SPREAD_LIMIT = 2.0 * 5.0 / 9.0
# smaller differences between uncertainties that rest on assumptions mean nothing
_TIE = Value(0.05, "temperature_difference", 2)
_PREFERENCE: tuple[Kind, ...] = ("station", "metar", "handheld", "vehicle")

RULE = message(
    "The campaign's choice counts. Without one: of the sources that cover every run, the one with the smallest standard "
    "uncertainty; within {tie} of it, in the order station, METAR, handheld, vehicle sensor at speed. If none covers every "
    "run, the one that covers most.",
    code="ambient-rule",
    tie=_TIE,
)


@dataclass(frozen=True)
class Contribution:
    """One contribution to the standard uncertainty of a reference."""

    name: str  # "accuracy", "soak check", "resolution", "rounding mode" or "interpolation in time"
    value: float  # standard uncertainty [K]
    basis: str  # where it comes from, in words
    shared: bool  # the same in all runs of the source, so that it cancels in a difference between runs


@dataclass(frozen=True)
class ReferenceCandidate:
    """A source that could be the reference: the runs it covers and its uncertainty contributions."""

    source: str
    kind: Kind
    covered: tuple[str, ...]
    contributions: tuple[Contribution, ...]

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of the ambient temperature of one run [K]."""
        return math.sqrt(sum(c.value**2 for c in self.contributions))

    @property
    def uncertainty_between(self) -> float:
        """The same without what all runs share [K]: counts in a comparison of runs."""
        return math.sqrt(sum(c.value**2 for c in self.contributions if not c.shared))


@dataclass(frozen=True)
class ReferenceChoice:
    """The one ambient reference of a campaign; without a `picked` source no ambient temperature was recorded."""

    picked: ReferenceCandidate | None
    chosen_by: Literal["campaign", "rule", "none"]
    reason: Message
    comparisons: tuple[SourceComparison, ...]  # all sources against each other
    candidates: tuple[ReferenceCandidate, ...]  # all that were considered

    @property
    def source(self) -> str | None:
        """Name of the source."""
        return self.picked.source if self.picked else None

    @property
    def uncertainty(self) -> float | None:
        """Standard uncertainty of one run's ambient [K]."""
        return self.picked.uncertainty if self.picked else None

    @property
    def contributions(self) -> tuple[Contribution, ...]:
        """What the uncertainty consists of."""
        return self.picked.contributions if self.picked else ()


def interpolation_error(record: WeatherRecord) -> float | None:
    """Return RMS of reports against the line through their neighbours [K], an upper estimate; None with too few."""
    times, values = record.series("temperature")
    if len(times) < 5:
        return None
    share = (times[1:-1] - times[:-2]) / (times[2:] - times[:-2])
    predicted = values[:-2] + share * (values[2:] - values[:-2])
    return float(np.sqrt(np.mean((values[1:-1] - predicted) ** 2)))


def reference_contributions(
    kind: Kind, *, accuracy: float | None = None, resolution: float | None = None, interpolation: float | None = None,
    zeroed: float | None = None, rounding_known: bool = False,
) -> tuple[Contribution, ...]:  # fmt: skip
    """Return the contributions to the standard uncertainty of a source (GUM: limits as rectangular distributions).

    `accuracy`: declared limit ± [K], else that of `ASSUMED_ACCURACY`; `resolution`: step of the reading [K]; `interpolation`: see
    `interpolation_error` [K]; `zeroed`: standard uncertainty of the sensor's offset after soak checks [K], in place of its
    accuracy and rounding; `rounding_known`: whether it is declared how the control unit rounds the vehicle's reading.
    """
    limit = ASSUMED_ACCURACY[kind] if accuracy is None else accuracy
    stated = "assumed, not declared" if accuracy is None else "declared"
    parts = [Contribution("accuracy", limit / math.sqrt(3.0), stated, shared=True)]
    if zeroed is not None:
        parts = [Contribution("soak check", zeroed, "offset after soak checks", shared=True)]
    if resolution is not None:
        parts.append(Contribution("resolution", resolution / math.sqrt(12.0), "steps of the reading", shared=False))
        if kind == "vehicle" and zeroed is None and not rounding_known:
            mode = "the control unit rounds or cuts off, each with probability ½"
            parts.append(Contribution("rounding mode", resolution / 4.0, mode, shared=True))
    if interpolation is not None:
        neighbours = "reports predicted from their neighbours"
        parts.append(Contribution("interpolation in time", interpolation, neighbours, shared=False))
    return tuple(parts)


def choose_reference(
    candidates: Sequence[ReferenceCandidate], runs: Sequence[str], comparisons: Sequence[SourceComparison] = (),
    chosen: str | None = None,
) -> ReferenceChoice:  # fmt: skip
    """Choose the reference of the `runs` by `RULE`, or the source or kind `chosen`; DataError: it is not one source."""
    picked: ReferenceCandidate | None = None
    chosen_by: Literal["campaign", "rule", "none"] = "none"
    text = "No run has an ambient temperature from any source: over-ambient metrics cannot be computed."
    reason = message(text, code="no-ambient")
    if chosen is not None:
        chosen_by, picked = "campaign", _named(candidates, chosen)
        reason = message("The campaign names {source}.", code="named", source=_label(picked))
    elif offered := [c for c in candidates if c.covered]:
        chosen_by, (picked, reason) = "rule", _by_rule(offered, set(runs))
    uncovered = ", ".join(run for run in runs if picked is not None and run not in picked.covered)
    if uncovered:
        reason = message("{reason} It does not cover {runs}.", code=reason.code, reason=reason, runs=uncovered)
    return ReferenceChoice(picked, chosen_by, reason, tuple(comparisons), tuple(candidates))


def _by_rule(offered: Sequence[ReferenceCandidate], runs: set[str]) -> tuple[ReferenceCandidate, Message]:
    most = max(len(set(c.covered) & runs) for c in offered)
    able = [c for c in offered if len(set(c.covered) & runs) == most]
    smallest = min(c.uncertainty for c in able)
    near = [c for c in able if c.uncertainty <= smallest + (_TIE.number or 0.0)]
    picked = min(near, key=lambda c: (_PREFERENCE.index(c.kind), c.uncertainty, c.source))
    coverage: Part = "covers every run"
    if most < len(runs):
        coverage = message("covers most runs ({most} of {all})", most=most, all=len(runs))
    text, code = "{source:upper} is the only source; it {coverage}.", "only"
    if len(offered) > 1:
        text, code = "{source:upper} {coverage}; its standard uncertainty is {u} (others: {others}).", "smallest"
    if len(near) > 1:
        text += " Sources within {tie} of each other are taken in the order station, METAR, handheld, vehicle."
    rest = [c for c in offered if c is not picked]
    u, *of_others = (Value(c.uncertainty, "temperature_difference", 2) for c in (picked, *rest))
    others = tuple(message("{name} {u}", name=c.source, u=of) for c, of in zip(rest, of_others, strict=True))
    of_picked = {"source": _label(picked), "coverage": coverage, "u": u}
    return picked, message(text, code=code, **of_picked, others=Listing(others), tie=_TIE)


def _named(candidates: Sequence[ReferenceCandidate], chosen: str) -> ReferenceCandidate:
    meant = [c for c in candidates if c.source == chosen] or [c for c in candidates if c.kind == chosen]
    if not meant:
        names = ", ".join(c.source for c in candidates) or "none at all"
        raise DataError(f"the ambient reference “{chosen}” is not recorded.", remedy=f"Sources are {names}.")
    if len(meant) > 1:
        what = f"the ambient reference “{chosen}” could be {' or '.join(c.source for c in meant)}."
        raise DataError(what, remedy="Name the source.")
    return meant[0]


def _label(candidate: ReferenceCandidate) -> Part:
    if candidate.kind == "vehicle":
        return "the vehicle ambient sensor at speed"
    return message("the {kind} “{source}”", kind=KIND_LABELS[candidate.kind], source=candidate.source)


def ambient_apart(means: Mapping[str, float]) -> tuple[str, str, float] | None:
    """Return the coldest run, the warmest and their difference [K] if it is more than `SPREAD_LIMIT`, from mean ambients [°C]."""
    if not means:
        return None
    lowest, highest = (end(means, key=lambda run: (means[run], run)) for end in (min, max))
    spread = means[highest] - means[lowest]
    # The limit is a converted 2 °F: equality within rounding of floats is within it.
    return (lowest, highest, spread) if spread > SPREAD_LIMIT + 1e-9 else None
