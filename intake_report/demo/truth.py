"""True values of every metric, from continuous temperatures: what a perfect analysis of a perfect log would find.

Each is given on two bases: `true_air`, the air at the sensor's location, independent of any sensor, and
`sensor_element`, the sensor's element before the control unit rounds it. Ambient is the free stream at the vehicle.
Between the simulation's steps temperatures count as straight lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from intake_report.demo.route import PHASES, Array, Route
from intake_report.demo.simulate import SimulatedBatch, SimulatedRun

Basis = Literal["true_air", "sensor_element"]

MARGINS = (5.0 / 3.0, 25.0 / 9.0)
"""Recovery margins [K]: 3 °F and 5 °F."""

ENTRY_SPEED = 80.0
"""Speed whose upward crossing on the on-ramp, held for `ENTRY_HOLD`, is the highway entry [km/h]."""

ENTRY_HOLD = 10.0
"""[s]."""

MINIMUM_STOP = 10.0
"""Shortest standstill that gives a heat-soak rate [s]."""

ALARM = 45.0
"""Alarm limit of the intake air temperature [°C]."""


@dataclass(frozen=True)
class StopTruth:
    """One standstill: from the first to the last instant at zero speed.

    Attributes
    ----------
    start, end : float
        Elapsed time [s].
    distance : float
        Route distance [m].
    rise : float
        Temperature at the end minus at the start [K].
    mean_rate : float
        Rise over duration [K/min].
    fitted_rate : float
        Slope of the least-squares line over the standstill [K/min].
    median_slope : float
        Theil–Sen slope, median over all pairs of 1 s values [K/min].
    """

    start: float
    end: float
    distance: float
    rise: float
    mean_rate: float
    fitted_rate: float
    median_slope: float


@dataclass(frozen=True)
class EventsTruth:
    """Events of one run.

    Attributes
    ----------
    stops : tuple of (start, end, distance)
        All standstills [s, s, m].
    launches : tuple of float
        Ends of the standstills [s].
    phases : dict
        Phase name → (start, end) [s].
    highway_entry, entry_distance : float or None
        [s], [m].
    """

    stops: tuple[tuple[float, float, float], ...]
    launches: tuple[float, ...]
    phases: dict[str, tuple[float, float]]
    highway_entry: float | None
    entry_distance: float | None


@dataclass(frozen=True)
class MetricTruth:
    """True metrics of one run on one basis.

    Attributes
    ----------
    peak_iat, peak_over_ambient : float
        [°C], [K].
    peak_time, peak_distance : float
        Where the peak over-ambient lies [s], [m].
    mean_over_ambient : dict
        Phase name → time-weighted mean [K].
    stops : tuple of StopTruth
        Standstills of at least the minimum duration.
    median_soak_rate : float or None
        Median of their Theil–Sen slopes [K/min].
    recovery : dict
        Margin [K] → seconds from highway entry until over-ambient first is at or below it; None if it never is.
    time_above_alarm : float
        [s].
    charge_density_ratio : float
        Time-weighted mean of ambient over intake absolute temperature [%].
    """

    peak_iat: float
    peak_over_ambient: float
    peak_time: float
    peak_distance: float
    mean_over_ambient: dict[str, float]
    stops: tuple[StopTruth, ...]
    median_soak_rate: float | None
    recovery: dict[float, float | None]
    time_above_alarm: float
    charge_density_ratio: float


def crossing(time: Array, values: Array, level: float, *, upward: bool) -> Array:
    """Return all times at which the straight lines through (time, values) cross `level` in one direction."""
    above = values > level if upward else values <= level
    at = np.flatnonzero(~above[:-1] & above[1:])
    share = (level - values[at]) / (values[at + 1] - values[at])
    result: Array = time[at] + share * (time[at + 1] - time[at])
    return result


def time_above(time: Array, values: Array, level: float) -> float:
    """Return how long the straight lines through (time, values) lie above `level` [s]."""
    a, b, width = values[:-1] - level, values[1:] - level, np.diff(time)
    both, crosses = (a > 0) & (b > 0), (a > 0) != (b > 0)
    partial = np.maximum(a, b)[crosses] / np.abs(a - b)[crosses] * width[crosses]
    return float(np.sum(width[both]) + np.sum(partial))


def time_mean(time: Array, values: Array, start: float, end: float) -> float:
    """Return the time-weighted mean of the straight lines through (time, values) from `start` to `end`."""
    inside = (time > start) & (time < end)
    t = np.concatenate([[start], time[inside], [end]])
    y = np.concatenate([[np.interp(start, time, values)], values[inside], [np.interp(end, time, values)]])
    return float(np.trapezoid(y, t) / (end - start))


def find_events(time: Array, distance: Array, speed: Array, route: Route) -> EventsTruth:
    """Return the events of one run (arrays (t,): [s], [m], [km/h])."""
    still = np.concatenate([[False], speed <= 0.0, [False]])
    starts = np.flatnonzero(~still[:-1] & still[1:])
    ends = np.flatnonzero(still[:-1] & ~still[1:]) - 1
    stops = tuple((float(time[a]), float(time[b]), float(distance[a])) for a, b in zip(starts, ends, strict=True))
    moving = np.concatenate([[True], np.diff(distance) > 0])
    edges = np.interp([route.ramp_start, route.highway_start], distance[moving], time[moving])
    bounds = [float(time[0]), *(float(e) for e in edges), float(time[-1])]
    phases = {name: (bounds[i], bounds[i + 1]) for i, name in enumerate(PHASES)}
    entry = None
    for t in crossing(time, speed, ENTRY_SPEED, upward=True):
        held = (time > t) & (time <= t + ENTRY_HOLD)
        if bounds[1] <= t <= bounds[2] and bool(np.all(speed[held] >= ENTRY_SPEED)):
            entry = float(t)
            break
    place = None if entry is None else float(np.interp(entry, time, distance))
    return EventsTruth(stops, tuple(s[1] for s in stops if s[1] < time[-1]), phases, entry, place)


def find_metrics(
    time: Array,
    distance: Array,
    temperature: Array,
    ambient: Array,
    events: EventsTruth,
    *,
    margins: tuple[float, ...] = MARGINS,
    alarm: float = ALARM,
) -> MetricTruth:
    """Return the true metrics of one temperature series (arrays (t,): [s], [m], [°C], [°C])."""
    over = temperature - ambient
    peak = int(np.argmax(over))
    means = {name: time_mean(time, over, a, b) for name, (a, b) in events.phases.items()}
    ratio = 100.0 * (ambient + 273.15) / (temperature + 273.15)
    stops = tuple(_stop(time, temperature, *s) for s in events.stops if s[1] - s[0] >= MINIMUM_STOP)
    recovery: dict[float, float | None] = {}
    for margin in margins:
        recovery[margin] = None if events.highway_entry is None else _recovery(time, over, events.highway_entry, margin)
    return MetricTruth(
        peak_iat=float(np.max(temperature)),
        peak_over_ambient=float(over[peak]),
        peak_time=float(time[peak]),
        peak_distance=float(distance[peak]),
        mean_over_ambient=means,
        stops=stops,
        median_soak_rate=float(np.median([s.median_slope for s in stops])) if stops else None,
        recovery=recovery,
        time_above_alarm=time_above(time, temperature, alarm),
        charge_density_ratio=time_mean(time, ratio, float(time[0]), float(time[-1])),
    )


def _recovery(time: Array, over: Array, entry: float, margin: float) -> float | None:
    if np.interp(entry, time, over) <= margin:
        return 0.0
    falls = crossing(time, over, margin, upward=False)
    falls = falls[falls > entry]
    return float(falls[0] - entry) if len(falls) else None


def _stop(time: Array, temperature: Array, start: float, end: float, distance: float) -> StopTruth:
    inside = (time >= start) & (time <= end)
    t, y = time[inside], temperature[inside]
    rise = float(y[-1] - y[0])
    fitted = float(np.polyfit(t - t[0], y, 1)[0])
    seconds = np.arange(0.0, end - start + 1e-9, 1.0)
    values = np.interp(start + seconds, t, y)
    i, j = np.triu_indices(len(seconds), 1)
    median = float(np.median((values[j] - values[i]) / (seconds[j] - seconds[i])))
    return StopTruth(start, end, distance, rise, 60.0 * rise / (end - start), 60.0 * fitted, 60.0 * median)


def run_events(run: SimulatedRun) -> EventsTruth:
    """Return the true events of a simulated run."""
    return find_events(run.time, run.distance, run.speed, run.route)


def run_truth(
    run: SimulatedRun, basis: Basis = "true_air", *, margins: tuple[float, ...] = MARGINS, alarm: float = ALARM
) -> MetricTruth:
    """Return the true metrics of a simulated run on one basis.

    Parameters
    ----------
    run
        The run.
    basis : {"true_air", "sensor_element"}
        Which temperature: the air at the sensor's location, or the sensor's element before rounding.
    margins : tuple of float
        Recovery margins [K].
    alarm : float
        Alarm limit [°C].
    """
    temperature = run.true_air if basis == "true_air" else run.sensor_element
    return find_metrics(run.time, run.distance, temperature, run.ambient, run_events(run), margins=margins, alarm=alarm)


def batch_truth(
    batch: SimulatedBatch, route: Route, basis: Basis = "true_air", *, margins: tuple[float, ...] = MARGINS
) -> dict[str, Array]:
    """Return headline metrics of all runs of a fast simulation.

    Returns
    -------
    dict of array, (n,)
        "peak_iat" [°C], "peak_over_ambient" [K], "mean_city", "mean_on-ramp", "mean_highway" [K], "soak_rate" [K/min],
        "recovery_0", "recovery_1", … [s] in the order of `margins`; infinite = not reached within the run, NaN = no
        highway entry or no stop.
    """
    n = len(batch.samples)
    names = ["peak_iat", "peak_over_ambient", *(f"mean_{p}" for p in PHASES), "soak_rate"]
    out = {name: np.full(n, np.nan) for name in names + [f"recovery_{k}" for k in range(len(margins))]}
    for i in range(n):
        m = int(batch.samples[i])
        time, distance = batch.time[:m], batch.distance[i, :m]
        source = batch.true_air if basis == "true_air" else batch.sensor_element
        events = find_events(time, distance, batch.speed[i, :m], route)
        truth = find_metrics(time, distance, source[i, :m], batch.ambient[i, :m], events, margins=margins)
        out["peak_iat"][i], out["peak_over_ambient"][i] = truth.peak_iat, truth.peak_over_ambient
        for p in PHASES:
            out[f"mean_{p}"][i] = truth.mean_over_ambient[p]
        if truth.median_soak_rate is not None:
            out["soak_rate"][i] = truth.median_soak_rate
        if events.highway_entry is not None:
            for k, margin in enumerate(margins):
                value = truth.recovery[margin]
                out[f"recovery_{k}"][i] = np.inf if value is None else value
    return out
