"""What a metric sees of one run: intake air temperature on its true samples, ambient, events.

Arrays of readings may carry leading axes (Monte Carlo draws); time is always the last axis.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Span:
    """A stretch of time [elapsed s]; `label` names the phase or place."""

    start: float
    end: float
    label: str = ""
    distance: float | None = None

    @property
    def duration(self) -> float:
        """Length [s]."""
        return self.end - self.start


@dataclass(frozen=True)
class RunSeries:
    """One run as the metrics see it.

    Parameters
    ----------
    run, configuration : str
        Ids.
    block : str or None
        Block of the run.
    time : ndarray, (n,)
        Times of the true IAT samples [s], strictly increasing.
    iat : ndarray, (..., n)
        Intake air temperature [°C], rebuilt from the steps of the reading.
    ambient : ndarray, (..., n) or None
        Ambient reference at the same times [°C].
    distance : ndarray, (n,)
        Route distance at the same times [m], NaN off the route.
    stops, phases : tuple of Span
        Stops and passages of the phases.
    entry : float or None
        Time of the highway entry [s].
    entry_end : float or None
        When the recovery can no longer be observed: the end of the highway, or of the log [s].
    max_gap : float
        Longest pause between samples that is bridged [s].
    interval : float
        Usual time between true samples [s].
    minimum_stop : float
        Shortest stop that a heat-soak rate is taken from [s].
    """

    run: str
    configuration: str
    block: str | None
    time: Floats
    iat: Floats
    ambient: Floats | None
    distance: Floats
    stops: tuple[Span, ...] = ()
    phases: tuple[Span, ...] = ()
    entry: float | None = None
    entry_end: float | None = None
    max_gap: float = 15.0
    interval: float = 1.0
    minimum_stop: float = 10.0
    reading: Floats = field(default_factory=lambda: np.empty(0))

    @property
    def over(self) -> Floats | None:
        """Over-ambient temperature [K], shape (..., n); None without an ambient reference."""
        return None if self.ambient is None else self.iat - self.ambient


def rebuild(time: Floats, reading: Floats, step: float | None) -> Floats:
    """Rebuild a temperature from a reading with steps, by the times at which the reading changes.

    A change from k to k−1 means that the edge between them was crossed; between crossings the temperature is
    interpolated. Where the reading turns back at k, the middle of that plateau is taken to be k itself.

    Parameters
    ----------
    time : ndarray, (n,)
        True sample times [s].
    reading : ndarray, (n,)
        Readings [°C], rounded to `step`.
    step : float or None
        Step of the reading [K]; without one the reading is returned as it is.

    Returns
    -------
    ndarray, (n,)
        Estimate at the sample times [°C]; within half a step of the reading, to rounding.

    Notes
    -----
    Own method. Valid where the temperature moves by less than about one step per sample; a reading that was cut off
    rather than rounded stays low by half a step, which is a bias that the runs share.
    """
    if step is None or step <= 0.0 or time.size < 3:
        return reading
    changed = np.flatnonzero(np.abs(np.diff(reading)) > 0.25 * step)
    if changed.size == 0:
        return reading
    edge_time = 0.5 * (time[changed] + time[changed + 1])
    edge_value = 0.5 * (reading[changed] + reading[changed + 1])
    direction = np.sign(np.diff(reading)[changed])
    turns = np.flatnonzero(direction[1:] != direction[:-1])
    turn_time = 0.5 * (edge_time[turns] + edge_time[turns + 1])
    turn_value = reading[changed[turns] + 1]
    nodes_time = np.concatenate([time[:1], edge_time, turn_time, time[-1:]])
    nodes_value = np.concatenate([reading[:1], edge_value, turn_value, reading[-1:]])
    order = np.argsort(nodes_time, kind="stable")
    rebuilt = np.interp(time, nodes_time[order], nodes_value[order])
    result: Floats = np.clip(rebuilt, reading - 0.5 * step, reading + 0.5 * step)
    return result


def weights(time: Floats, start: float, end: float, max_gap: float) -> Floats:
    """Return the trapezoid weights [s] of samples for the integral from `start` to `end`.

    Parameters
    ----------
    time : ndarray, (n,)
        Sample times [s].
    start, end : float
        Limits of the integral [s].
    max_gap : float
        Pauses longer than this contribute nothing [s].

    Returns
    -------
    ndarray, (n,)
        Weights; their sum is the time covered.
    """
    if time.size < 2:
        return np.zeros(time.shape)
    left, right = time[:-1], time[1:]
    overlap = np.clip(np.minimum(right, end) - np.maximum(left, start), 0.0, None)
    overlap = np.where(right - left <= max_gap, overlap, 0.0)
    result = np.zeros(time.shape)
    result[:-1] += 0.5 * overlap
    result[1:] += 0.5 * overlap
    return result


def first_below(time: Floats, values: Floats, threshold: float, start: float, end: float) -> tuple[Floats, Bools]:
    """Return when `values` first falls to `threshold` after `start`, resolved between samples.

    Parameters
    ----------
    time : ndarray, (n,)
        Sample times [s].
    values : ndarray, (..., n)
        Values, in the unit of `threshold`.
    threshold : float
        Level to fall to.
    start, end : float
        Limits of the search [s].

    Returns
    -------
    crossing : ndarray, (...)
        Time of the crossing [s]; `start` when the value there is at or below the threshold already; `end` where it
        is not reached.
    reached : ndarray of bool, (...)
        Whether it was reached by `end`.
    """
    inside = (time > start) & (time <= end)
    times = np.concatenate([[start], time[inside]])
    lead = values.shape[:-1]
    at_start = _value_at(time, values, start)
    series = np.concatenate([at_start.reshape((*lead, 1)), values[..., inside]], axis=-1)
    below = series <= threshold
    reached: Bools = np.asarray(below.any(axis=-1))
    index = np.maximum(np.argmax(below, axis=-1), 1)
    later = np.take_along_axis(series, index[..., None], axis=-1)[..., 0] if series.shape[-1] > 1 else series[..., 0]
    earlier = np.take_along_axis(series, index[..., None] - 1, axis=-1)[..., 0]
    if series.shape[-1] == 1:
        return np.where(reached, start, end), reached
    drop = earlier - later
    share = np.where(drop > 0.0, (earlier - threshold) / np.where(drop > 0.0, drop, 1.0), 0.0)
    crossing = times[index - 1] + np.clip(share, 0.0, 1.0) * (times[index] - times[index - 1])
    crossing = np.where(below[..., 0], start, crossing)
    return np.where(reached, crossing, end), reached


def _value_at(time: Floats, values: Floats, at: float) -> Floats:
    """Interpolate `values` (..., n) linearly at one time."""
    index = int(np.clip(np.searchsorted(time, at), 1, time.size - 1))
    share = float(np.clip((at - time[index - 1]) / (time[index] - time[index - 1]), 0.0, 1.0))
    result: Floats = values[..., index - 1] * (1.0 - share) + values[..., index] * share
    return result


def slope(time: Floats, values: Floats) -> Floats:
    """Return the Theil–Sen slope: the median of the slopes of all pairs of samples.

    Parameters
    ----------
    time : ndarray, (n,)
        Sample times, n of 2 or more.
    values : ndarray, (..., n)
        Values.

    Returns
    -------
    ndarray, (...)
        Slope [unit of values per unit of time].

    Notes
    -----
    H. Theil (1950); P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379. Resists up to 29 % outliers.
    """
    first, second = np.triu_indices(time.size, k=1)
    slopes = (values[..., second] - values[..., first]) / (time[second] - time[first])
    return np.asarray(np.median(slopes, axis=-1))
