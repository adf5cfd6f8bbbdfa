"""Readings of one run as they might have been: many draws at once, and the times of events as first-order effects."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from intake_report.align.landmarks import IN_PLACE
from intake_report.analyse.inputs import Drive
from intake_report.analyse.uncertainty.sources import POSITION
from intake_report.metrics import REGISTRY, RunSeries, evaluate, find_nodes
from intake_report.metrics.series import Floats
from intake_report.results import MetricKey

SLOWEST = 1.4  # m/s; a limit of a phase is passed at a walk at least
MOST_PAIRS = 150  # pairs of samples per draw of a Theil–Sen slope
AROUND = 3.0  # s about the highway entry for the acceleration there


@dataclass(frozen=True)
class Readings:
    """What of one run's readings may be otherwise.

    `spread` (k,) are the half-widths of the rectangular errors at the nodes of the reading [K], `group` (k,) the random
    number that each node takes: those of one plateau are off together. `left`, `right` (n,) are the nodes around each
    sample, `share` the weight of the right one; `ambient_rate` is the mean slope of ambient [K/s].
    """

    series: RunSeries
    spread: Floats
    group: NDArray[np.intp]
    left: NDArray[np.intp]
    right: NDArray[np.intp]
    share: Floats
    ambient_rate: float

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

    `shifts` (m,) are by kind of source: "reading" and "ambient" [K], "clock" [s]; `noise` (m, groups) the errors of the
    groups of nodes in units of their half-widths. A clock that is off shifts ambient by its slope.
    """
    series = readings.series
    m = next(iter(shifts.values())).size
    if noise is None:
        iat = np.tile(series.iat, (m, 1))
    else:
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
    """Half-widths of the times of events of one run [s]: "entry", "stops", "start of" and "end of" each phase.

    `per_speed` is the delay of the entry per unit of speed read too high [s per km/h], below zero.
    """

    half: dict[str, float]
    per_speed: float


def event_limits(drive: Drive, series: RunSeries, speed_step: float) -> EventLimits:
    """Return how far the times of a run's events may be off."""
    sampling = drive.clean.sampling.get("speed")
    interval = sampling.interval if sampling is not None and np.isfinite(sampling.interval) else 1.0
    slope = _acceleration(drive)
    position = POSITION
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
    """Return the acceleration at the highway entry [km/h per s], at least 0.5."""
    entry = drive.aligned.highway_entry
    if entry is None:
        return 5.0
    time, speed = drive.clean.samples("speed")
    around = (time >= entry - AROUND) & (time <= entry + AROUND)
    if np.count_nonzero(around) < 3:
        return 5.0
    slope = float(np.polyfit(time[around] - time[around].mean(), speed[around], 1)[0])
    return max(slope, 0.5)


class EventEffects(NamedTuple):
    """Change of one metric of one run over the half-width of each event's time; zero where it has none.

    `times` (4,) are the highway entry, start and end of the phase, and the stops; `per_speed` is per unit of speed read too high.
    """

    times: tuple[float, ...]
    per_speed: float

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
