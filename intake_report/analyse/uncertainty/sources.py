"""What may be off in one run's value: declared or assumed sources, readings as they might be, effects of events."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from intake_report.align.landmarks import IN_PLACE
from intake_report.analyse.ambient import VEHICLE, AmbientReference
from intake_report.analyse.inputs import Drive
from intake_report.analyse.zeroing import ASSUMED_ACCURACY, ASSUMED_STEP, NORMAL_95, SHIFT, Zeroing, rounding_mode
from intake_report.campaign import Campaign, InstrumentChannel
from intake_report.messages import Message, Part, Value, message
from intake_report.metrics import REGISTRY, RunSeries, evaluate, find_nodes
from intake_report.metrics.series import Floats
from intake_report.results import MetricKey
from intake_report.results.text import ROUNDING_MODE
from intake_report.units import parse_quantity

# Limits assumed where the campaign declares none; this package's assumptions, stated in the report.
ASSUMED_SPEED = 2.0  # km/h
ASSUMED_CLOCK = 2.0  # s
POSITION = 5.0  # m; half-width of a matched position (common practice for consumer receivers)
SLOWEST = 1.4  # m/s; a limit of a phase is passed at a walk at least
MOST_PAIRS = 150  # pairs of samples per draw of a Theil–Sen slope
AROUND = 3.0  # s about the highway entry for the acceleration there
USUAL, LEAST = 5.0, 0.5  # km/h per s: acceleration where it is not known, and the least

Kind = Literal["reading", "ambient", "clock", "speed", "steps", "events"]
Shape = Literal["rectangular", "normal", "two-valued"]

DELTA = "temperature_difference"
CLOCK_ASSUMED = message(
    "No accuracy of the logger's clock is declared: ± {limit} against the weather is assumed, each run its own.",
    code="clock-assumed", limit=Value(ASSUMED_CLOCK, "time", 0),
)  # fmt: skip
SPEED_ASSUMED = message(
    "No accuracy of the speed reading is declared: ± {limit} is assumed, the same in all runs.",
    code="speed-assumed", limit=Value(ASSUMED_SPEED, "speed"),
)  # fmt: skip
CONTINUOUS = message(
    "No step was found in the intake air temperature readings and no resolution is declared: they are taken as continuous.",
    code="continuous-assumed",
)
ACCURACY_ASSUMED = message(
    "No accuracy of the intake air temperature is declared: ± {limit} is assumed, the same in all runs.",
    code="accuracy-assumed", limit=Value(ASSUMED_ACCURACY, DELTA, 1),
)  # fmt: skip
EVENTS = message(
    "half a sampling interval and half a step of speed for the highway entry, half an interval for stops, ± {position} "
    "(assumed; the residual where distance comes from speed) for the limits of phases",
    position=Value(POSITION, "length"),
)


@dataclass(frozen=True)
class Source:
    """One source of uncertainty, named as in the budget."""

    name: str
    # "reading", "ambient" shift temperatures [K], "clock" the run against the weather [s], "speed" the reading of speed [km/h];
    # "steps", "events" differ from sample to sample and from event to event
    kind: Kind
    common: bool  # the same draw for all runs
    quantity: str
    basis: Part  # what is known, for the report
    scale: float | None = None  # half-width, standard deviation of a normal one; None for steps and events
    shape: Shape = "rectangular"  # a two-valued one is plus or minus `scale`, each with probability ½
    beside: float = 0.0  # by as many times the draw moves ambient too: what one control unit does to both channels
    rows: Mapping[str, Floats] | None = None  # draws joint by kind, each (n,) [K], about zero

    @property
    def drawn(self) -> bool:
        """Whether it is one number a draw, and not one for each sample or event."""
        return self.scale is not None or self.rows is not None

    @property
    def u(self) -> float | None:
        """Standard uncertainty of the input; None where it differs from sample to sample."""
        if self.rows is not None:
            return float(np.std(self.rows[self.kind]))
        if self.scale is None or self.shape != "rectangular":
            return self.scale
        return self.scale / math.sqrt(3.0)

    def effects(self, values: Floats) -> dict[str, Floats]:
        """Return by kind of input what values of the source do to it: those of `draw` or `spread`."""
        if self.rows is not None:
            return {kind: rows[values.astype(np.intp)] for kind, rows in self.rows.items()}
        return {str(self.kind): values} | ({"ambient": self.beside * values} if self.beside else {})

    def draw(self, rng: np.random.Generator, m: int) -> Floats:
        """Return m random values, or the numbers of m rows."""
        if self.rows is not None:
            return rng.integers(0, self.rows[self.kind].size, m).astype(np.float64)
        assert self.scale is not None
        if self.shape == "two-valued":
            return np.where(rng.uniform(size=m) < 0.5, self.scale, -self.scale)
        return rng.normal(0.0, self.scale, m) if self.shape == "normal" else rng.uniform(-self.scale, self.scale, m)

    def spread(self, k: int) -> Floats:
        """Return k values that stand for the distribution: the middles of k equally likely parts."""
        share = (np.arange(k) + 0.5) / k
        if self.rows is not None:  # by what they do to an over-ambient temperature
            order = np.argsort(self.rows.get("reading", 0.0) - self.rows.get("ambient", np.zeros(1)))
            return order[(share * order.size).astype(np.intp)].astype(np.float64)
        assert self.scale is not None
        if self.shape == "two-valued":
            return np.where(np.arange(k) % 2 == 0, -self.scale, self.scale)
        return np.asarray(self.scale * (ndtri(share) if self.shape == "normal" else 2.0 * share - 1.0))


class Sources(NamedTuple):
    """All sources of a campaign, and a sentence for each number that was assumed."""

    sources: tuple[Source, ...]
    assumptions: tuple[Message, ...]


def find_sources(
    campaign: Campaign, ambient: AmbientReference, steps: Mapping[str, float | None], zeroing: Zeroing
) -> Sources:
    """Return the sources of uncertainty of a run's value; `steps` of the IAT and ambient readings [K].

    Limits ± a are rectangular (GUM 4.3.7), or, where the accuracy is declared as normal, 95 % limits.
    """
    channels = campaign.instrument.channels
    iat, speed = channels.get("iat", InstrumentChannel()), channels.get("speed", InstrumentChannel())
    assumed: list[Message] = []
    own = ambient.choice.source == VEHICLE
    found = _offsets(zeroing, own)
    if "iat" not in zeroing.rows:
        found.append(_accuracy(iat, assumed))
    found += _rounding(campaign, steps, zeroing, own, assumed)
    step = steps.get("iat")
    if step is None:
        assumed.append(CONTINUOUS)
    else:  # beside the way of rounding
        template = "steps of {step} and the sampling interval, through the times of the steps"
        found.append(Source("Steps and sampling", "steps", False, DELTA, message(template, step=Value(step, DELTA, 2))))
    found += _ambient(ambient)
    clock = campaign.instrument.clock_accuracy
    declared = None if speed.accuracy is None else parse_quantity(speed.accuracy, "speed")
    assumed += [text for text, known in ((CLOCK_ASSUMED, clock), (SPEED_ASSUMED, declared)) if known is None]
    found.append(_limited("Clock", "clock", False, "time", clock, ASSUMED_CLOCK, "against the weather"))
    where = "through the time of the highway entry"
    found.append(_limited("Speed accuracy", "speed", True, "speed", declared, ASSUMED_SPEED, where))
    found.append(Source("Times of events", "events", False, "time", EVENTS))
    return Sources(tuple(found), tuple(assumed))


def _limited(
    name: str, kind: Kind, common: bool, quantity: str, declared: float | None, assumed: float, where: str
) -> Source:
    half, known = (assumed, "assumed") if declared is None else (declared, "declared")
    basis = message("± {limit} {known}, {where}", limit=Value(half, quantity), known=known, where=where)
    return Source(name, kind, common, quantity, basis, half)


def _offsets(zeroing: Zeroing, own: bool) -> list[Source]:
    """Return what soak checks leave of the offsets; `own`: ambient is the vehicle's own sensor."""
    names = {"iat": "reading"} | ({"ambient": "ambient"} if own else {})
    rows = {kind: zeroing.rows[name] for name, kind in names.items() if name in zeroing.rows}
    if not rows:
        return []
    centred = {kind: values - np.mean(values) for kind, values in rows.items()}
    first: Kind = "reading" if "reading" in rows else "ambient"
    both = " and of ambient, together" if len(rows) == 2 else ""
    template = (
        "offset{both} and rounding after soak checks: steps of the readings, reference and warmth left, in place of the "
        "declared accuracy"
    )
    return [Source("Offset after soak checks", first, True, DELTA, message(template, both=both), rows=centred)]


def _rounding(
    campaign: Campaign, steps: Mapping[str, float | None], zeroing: Zeroing, own: bool, assumed: list[Message]
) -> list[Source]:
    """Return what a way of rounding that is not known leaves: one and the same for all that the control unit sends.

    A reading cut off is low by half a step on average; between rounding and cutting off there is nothing. What is added to
    the readings is the mean of the two.
    """
    steps = {"iat": steps.get("iat"), "ambient": (steps.get("ambient") or ASSUMED_STEP) if own else None}
    left = {
        name: SHIFT["unknown"] * step
        for name, step in steps.items()
        if step is not None and name not in zeroing.rows and rounding_mode(campaign, name) == "unknown"
    }
    if not left:
        return []
    first = next(iter(left))
    quarter, beside = Value(left[first], DELTA, 2), left["ambient"] / left[first] if len(left) == 2 else 0.0
    what = "intake air temperature" if first == "iat" else "ambient temperature"
    template = (
        "How the control unit rounds the {what} is not declared: it is taken as rounded to the nearest step or cut off, one as "
        "likely as the other; {quarter}, a quarter of a step, is added to the readings{both} as the mean of the two."
    )
    both = " and ambient temperature, alike," if beside else ""
    assumed.append(message(template, code="rounding-assumed", what=what, quarter=quarter, both=both))
    template = "rounded or cut off: − or + {quarter} about the mean of the two, each with probability ½"
    kind: Kind = "reading" if first == "iat" else "ambient"
    basis = message(template, quarter=quarter)
    return [Source(ROUNDING_MODE, kind, True, DELTA, basis, left[first], "two-valued", beside)]


def _accuracy(iat: InstrumentChannel, assumed: list[Message]) -> Source:
    if iat.accuracy is None:
        assumed.append(ACCURACY_ASSUMED)
        basis = message("± {limit} assumed", limit=Value(ASSUMED_ACCURACY, DELTA, 1))
        return Source("Sensor accuracy", "reading", True, DELTA, basis, ASSUMED_ACCURACY)
    half, normal = parse_quantity(iat.accuracy, DELTA), iat.accuracy_distribution == "normal"
    known = "normal: taken as 95 % limits" if normal else "rectangular"
    basis = message("± {limit} declared, {shape}", limit=Value(half, DELTA, 1), shape=known)
    of: tuple[float, Shape] = (half / NORMAL_95, "normal") if normal else (half, "rectangular")
    return Source("Sensor accuracy", "reading", True, DELTA, basis, *of)


def _ambient(ambient: AmbientReference) -> list[Source]:
    rows = []
    # those two are drawn with those of the intake air, which they share the control unit with
    for part in (p for p in ambient.choice.contributions if p.name not in ("rounding mode", "soak check")):
        shape: Shape = "normal"
        basis: Part = part.basis
        scale = part.value
        if part.name != "interpolation in time":  # a scatter that was observed; the others are limits
            shape, scale = "rectangular", math.sqrt(3.0) * part.value
            basis = message("± {limit} {basis}", limit=Value(scale, DELTA, 2), basis=part.basis)
        rows.append(Source(f"Ambient: {part.name}", "ambient", part.shared, DELTA, basis, scale, shape))
    return rows


@dataclass(frozen=True)
class Readings:
    """What of one run's readings may be otherwise."""

    series: RunSeries
    spread: Floats  # (k,): half-widths of the rectangular errors at the nodes of the reading [K]
    group: NDArray[np.intp]  # (k,): random number that each node takes: those of one plateau are off together
    left: NDArray[np.intp]  # left, right (n,): the nodes around each sample
    right: NDArray[np.intp]
    share: Floats  # weight of the right one
    ambient_rate: float  # mean slope of ambient [K/s]

    @property
    def errors(self) -> int:
        """Number of independent errors."""
        return int(self.group.max()) + 1


def prepare(series: RunSeries, step: float | None) -> Readings:
    """Return the readings of one run, ready for draws."""
    time, n = series.time, series.time.size
    of_reading = (time, series.reading, step, series.stops, series.corners, series.lag)
    nodes = series.timed("nodes", lambda: find_nodes(*of_reading)) if step else None
    if nodes is not None and nodes.open.size > 1:
        right = np.clip(np.searchsorted(nodes.open, time), 1, nodes.open.size - 1)
        left = right - 1
        share = np.clip((time - nodes.open[left]) / (nodes.open[right] - nodes.open[left]), 0.0, 1.0)
        spread, group = nodes.spread, nodes.group
    else:
        # a reading that never changes is anywhere within its step; without steps there is nothing to vary
        left, right, share = np.zeros(n, dtype=np.intp), np.zeros(n, dtype=np.intp), np.zeros(n)
        spread, group = np.array([0.5 * (step or 0.0)]), np.zeros(1, dtype=np.intp)
    duration = float(time[-1] - time[0])
    rise = 0.0 if series.ambient is None else float(series.ambient[-1] - series.ambient[0])
    return Readings(series.but(most_pairs=MOST_PAIRS), spread, group, left, right, share, rise / duration)


def perturbed(readings: Readings, shifts: Mapping[str, Floats], noise: Floats | None = None) -> RunSeries:
    """Return the series as it might have been in m draws.

    `shifts` (m,) by kind of source: "reading" and "ambient" [K], "clock" [s], which shifts ambient by its slope; `noise`
    (m, groups): errors of the groups of nodes in units of their half-widths.
    """
    series, m = readings.series, next(iter(shifts.values())).size
    if noise is None:
        iat = np.tile(series.iat, (m, 1))
    else:  # in place: the arrays are large
        errors = noise[:, readings.group] * readings.spread
        iat = np.take(errors, readings.left, axis=1)
        iat *= 1.0 - readings.share
        later = np.take(errors, readings.right, axis=1)
        later *= readings.share
        iat += later
        iat += series.iat
    if "reading" in shifts:
        iat += shifts["reading"][:, None]
    ambient = series.ambient
    if ambient is not None:
        shift = shifts.get("ambient", np.zeros(m)) + readings.ambient_rate * shifts.get("clock", np.zeros(m))
        ambient = ambient + shift[:, None]
    return series.but(iat=iat, ambient=ambient)


class EventLimits(NamedTuple):
    """How far the times of events of one run may be off."""

    half: dict[str, float]  # half-widths [s]: "entry", "stops", "start of" and "end of" each phase
    per_speed: float  # delay of the entry per unit of speed read too high [s per km/h], below zero


def event_limits(drive: Drive, series: RunSeries, speed_step: float) -> EventLimits:
    """Return how far the times of a run's events may be off."""
    sampling = drive.clean.sampling.get("speed")
    interval = sampling.interval if sampling is not None and np.isfinite(sampling.interval) else 1.0
    slope, position = _acceleration(drive), POSITION
    if drive.aligned.method == "speed" and drive.aligned.residual is not None:
        # beyond the limit the place is not verified, which is a limitation and no uncertainty
        position = max(POSITION, 3.0**0.5 * min(drive.aligned.residual, IN_PLACE))
    pace = np.gradient(series.distance, series.time)

    def half(time: float) -> float:
        if time <= series.time[0] + interval or time >= series.time[-1] - interval:
            return 0.0  # the ends of the log are no passages
        return position / max(float(np.interp(time, series.time, pace)), SLOWEST)

    found = {"entry": 0.5 * interval + 0.5 * speed_step / slope, "stops": 0.5 * interval}
    for span in series.phases:
        found |= {f"start of {span.label}": half(span.start), f"end of {span.label}": half(span.end)}
    return EventLimits(found, -1.0 / slope)


def _acceleration(drive: Drive) -> float:
    """Return the acceleration at the highway entry [km/h per s]."""
    entry, (time, speed) = drive.aligned.highway_entry, drive.clean.samples("speed")
    around = (time >= entry - AROUND) & (time <= entry + AROUND) if entry is not None else np.zeros(0, dtype=np.bool_)
    if np.count_nonzero(around) < 3:
        return USUAL
    return max(float(np.polyfit(time[around] - time[around].mean(), speed[around], 1)[0]), LEAST)


class EventEffects(NamedTuple):
    """Change of one metric of one run over the half-width of each event's time; zero where it has none."""

    times: tuple[float, ...]  # (4,): highway entry, start and end of the phase, stops
    per_speed: float  # per unit of speed read too high

    @property
    def u(self) -> float:
        """Standard uncertainty from the times of events, without the speed reading's bias."""
        return float(np.linalg.norm(self.times) / 3.0**0.5)


def _moved(series: RunSeries, name: str, by: float) -> RunSeries:
    """Return the series with one of the events of `EventLimits` later by so many seconds."""
    if name == "entry":
        return replace(series, entry=(series.entry or 0.0) + by)
    if name == "stops":
        return replace(series, stops=tuple(replace(s, start=s.start + by, end=s.end + by) for s in series.stops))
    limit, _, label = name.partition(" of ")
    moved = (replace(s, **{limit: getattr(s, limit) + by}) if s.label == label else s for s in series.phases)
    return replace(series, phases=tuple(moved))


def event_effects(key: MetricKey, series: RunSeries, limits: EventLimits) -> EventEffects:
    """Return the effect of the events' times on a metric, by shifting them to both limits."""
    events, label = REGISTRY[key.spec.id].events, key.parameter.key

    def value(name: str, by: float) -> float | None:
        return evaluate(key, series.once(f"{name} moved by {by}", lambda: _moved(series, name, by))).value

    times = []
    named = (("entry", "entry"), ("phases", f"start of {label}"), ("phases", f"end of {label}"), ("stops", "stops"))
    for event, name in named:
        half = limits.half.get(name, 0.0) if event in events and (event != "entry" or series.entry is not None) else 0.0
        early, late = (value(name, way * half) if half > 0.0 else None for way in (-1.0, 1.0))
        times.append(0.0 if late is None or early is None else 0.5 * (late - early))
    return EventEffects(tuple(times), times[0] / limits.half["entry"] * limits.per_speed if times[0] else 0.0)
