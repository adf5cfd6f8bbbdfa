"""What a metric sees of one run: intake air temperature on its true samples, ambient, events, engine.

Arrays of readings may carry leading axes (Monte Carlo draws); time is always the last axis.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Cells = NDArray[np.int64]
Pairs = tuple[NDArray[np.intp], NDArray[np.intp]]
T = TypeVar("T")
S = TypeVar("S", np.float64, np.bool_)

# Common practice: cells a reader can name, narrow enough that airflow and spark advance differ little inside one.
RPM_CELL = 250.0  # rpm
LOAD_CELL = 10.0  # %
LEAST_LOAD = 20.0  # %; below it the engine is idling, coasting or cut off
LEAST_SAMPLES = 5  # of every run in a cell, so that no cell rests on a moment
_STRIDE = 1000


@dataclass(frozen=True)
class EngineSamples:
    """The engine at steady moments of one run, on common times.

    `rpm` (n,) [rpm], calculated `load` (n,) [%]; `channels` (n,): "maf" [g/s], "pressure_ratio" (manifold over barometric) [%],
    "timing" [°], "iat" [°C], as far as recorded; NaN where there is no sample near.
    """

    rpm: Floats
    load: Floats
    channels: Mapping[str, Floats] = field(default_factory=dict)

    @property
    def cells(self) -> Cells:
        """Cell of each sample, (n,); −1 below `LEAST_LOAD`."""
        index = np.floor(self.rpm / RPM_CELL) * _STRIDE + np.floor(self.load / LOAD_CELL)
        usable = (self.load >= LEAST_LOAD) & np.isfinite(index)
        return np.where(usable, np.where(usable, index, 0.0), -1.0).astype(np.int64)


@dataclass(frozen=True)
class OperatingPoints:
    """Cells that every run visited, and their shares over all runs (sum 1), (k,) each: no run's mix of driving enters."""

    cells: Cells
    weights: Floats


def shared_points(runs: Sequence[EngineSamples]) -> OperatingPoints:
    """Return the cells in which every one of `runs`, those that have the channels, has `LEAST_SAMPLES` or more."""
    visited = [run.cells[run.cells >= 0] for run in runs]
    cells, inverse = np.unique(np.concatenate([*visited, np.empty(0, dtype=np.int64)]), return_inverse=True)
    counts = np.zeros((len(visited), cells.size))
    np.add.at(counts, (np.repeat(np.arange(len(visited)), [own.size for own in visited]), inverse), 1.0)
    shared = (counts >= LEAST_SAMPLES).all(axis=0) if visited else np.zeros(0, dtype=np.bool_)
    total = counts[:, shared].sum(axis=0)
    return OperatingPoints(cells[shared], total / total.sum() if shared.any() else total)


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

    `time` (n,): times of the true IAT samples [s], strictly increasing. `iat`, `ambient` (..., n): temperature of the sensor's
    element, rebuilt from the steps of the reading, and ambient reference [°C]; None without. `distance`, `reading` (n,): route
    distance at the same times [m], NaN off the route; the readings as they are [°C]. `stops`, `phases`: stops and passages of the
    phases; `entry`, `entry_end`: time of the highway entry, and when the recovery can no longer be observed [s].

    `max_gap`, `interval`, `minimum_stop`, `hold`: longest pause that is bridged, usual time between true samples, shortest stop
    that a heat-soak rate is taken from, how long a recovery has to stay within its margin [s]. `step`: step of the readings [K] or
    None; `lag`: time constant of the sensor's element [s]. `engine`, `points`: operating points of the engine, and those that all
    runs share; None without the channels. `most_pairs`: pairs of samples at most that a Theil–Sen slope is taken from; None: all.
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
    hold: float = 0.0
    reading: Floats = field(default_factory=lambda: np.empty(0))
    step: float | None = None
    lag: float = 0.0
    engine: EngineSamples | None = None
    points: OperatingPoints | None = None
    most_pairs: int | None = None
    _memo: dict[str, object] = field(default_factory=dict, init=False, repr=False, compare=False)
    _timed: dict[str, object] = field(default_factory=dict, init=False, repr=False, compare=False)

    @property
    def corners(self) -> tuple[float, ...]:
        """Times beside the limits of stops at which the slope of the temperature may jump [s]."""
        return () if self.entry is None else (self.entry,)

    @cached_property
    def over(self) -> Floats | None:
        """Over-ambient temperature [K], shape (..., n); None without an ambient reference."""
        return None if self.ambient is None else self.iat - self.ambient

    def once(self, name: str, compute: Callable[[], T]) -> T:
        """Return what `compute` returns, computed once per series: several metrics may rest on one fit."""
        if name not in self._memo:
            self._memo[name] = compute()
        return cast(T, self._memo[name])

    def timed(self, name: str, compute: Callable[[], T]) -> T:
        """As `once`, for what hangs on times, events and the bare reading alone: shared with all series that `but` gives."""
        if name not in self._timed:
            self._timed[name] = compute()
        return cast(T, self._timed[name])

    def but(self, **changes: Any) -> RunSeries:
        """Return the same run with other temperatures, (..., n), or engine samples; what is `timed` is shared."""
        other = replace(self, **changes)
        object.__setattr__(other, "_timed", self._timed)
        return other

    def window(self, start: float, end: float) -> slice:
        """Return the samples with start ≤ time ≤ end as a slice, which copies nothing."""
        first, last = np.searchsorted(self.time, start, "left"), np.searchsorted(self.time, end, "right")
        return slice(int(first), int(last))


def weights(time: Floats, start: float, end: float, max_gap: float) -> Floats:
    """Return the trapezoid weights (n,) [s] for an integral over time; pauses above `max_gap` [s] add nothing."""
    return _trapezoid(_overlap(time, start, end, max_gap))[: time.size]


def distance_weights(time: Floats, distance: Floats, start: float, end: float, max_gap: float) -> Floats:
    """As `weights`, for the integral over route `distance` (n,) [m], finite, from `start` to `end` [s]."""
    overlap = _overlap(time, start, end, max_gap)
    return _trapezoid(np.clip(np.diff(distance), 0.0, None) * overlap / np.diff(time))[: time.size]


def _overlap(time: Floats, start: float, end: float, max_gap: float) -> Floats:
    """How much of each pause between samples lies between `start` and `end`, (n − 1,) [s]; nothing of one that is too long."""
    left, right = time[:-1], time[1:]
    return np.where(right - left <= max_gap, np.clip(np.minimum(right, end) - np.maximum(left, start), 0.0, None), 0.0)


def _trapezoid(pieces: Floats) -> Floats:
    return np.asarray(np.append(0.5 * pieces, 0.0) + np.append(0.0, 0.5 * pieces))


def first_below(
    time: Floats, values: Floats, threshold: float | Floats, start: float, end: float, hold: float = 0.0
) -> tuple[Floats, Bools]:
    """Return when `values` first falls to `threshold` after `start` and stays there for `hold`, resolved between samples.

    `time` (n,) [s]; `values` (..., n), in the unit of `threshold` (...); search from `start` to `end` [s]; `hold`: how long it
    stays, from sample to sample [s]. Returns the time of the crossing (...) [s]: `start` when the value there is at or below the
    threshold already; where it is not reached, `end`, or the last crossing where too little time was left to see whether it lasts;
    and whether it was reached by `end` (...).
    """
    first, last = (int(np.searchsorted(time, limit, "right")) for limit in (start, end))
    times = np.concatenate([[start], time[first:last]])
    at_start, level = value_at(time, values, start), np.asarray(threshold, dtype=np.float64)
    below = np.empty((*values.shape[:-1], times.size), dtype=np.bool_)
    np.less_equal(at_start, level, out=below[..., 0])
    np.less_equal(values[..., first:last], level[..., None], out=below[..., 1:])
    found, index = _lasting(below, times, hold)
    reached: Bools = np.asarray(found & (end - times[index] >= hold))
    if times.size == 1:
        return np.where(found, start, end), reached
    after = np.maximum(index, 1)
    later = _pick(values, first - 1 + after)
    earlier = np.where(after > 1, _pick(values, np.maximum(first - 2 + after, 0)), at_start)
    drop = earlier - later
    share = np.where(drop > 0.0, (earlier - level) / np.where(drop > 0.0, drop, 1.0), 0.0)
    crossing = times[after - 1] + np.clip(share, 0.0, 1.0) * (times[after] - times[after - 1])
    return np.where(found, np.where(index > 0, crossing, start), end), reached


def _lasting(below: Bools, times: Floats, hold: float) -> tuple[Bools, NDArray[np.intp]]:
    """Return whether and where each row of `below` (..., k) first is True for `hold` [s] or as far as is seen: (...) each."""
    if hold <= 0.0:
        index = np.argmax(below, axis=-1)
        return _pick(below, index), index
    lead, k = below.shape[:-1], times.size
    edged = np.zeros((int(np.prod(lead)), k + 2), dtype=np.bool_)
    edged[:, 1:-1] = below.reshape(-1, k)
    changes = np.flatnonzero(edged[:, 1:] != edged[:, :-1])  # by turns the beginnings and the ends of what is below
    rows, begins = np.divmod(changes[::2], k + 1)
    lasts = np.append(times, np.inf)[changes[1::2] % (k + 1)] - times[begins] >= hold
    found, index = np.zeros(len(edged), dtype=np.bool_), np.zeros(len(edged), dtype=np.intp)
    found[rows[lasts]] = True
    index[rows[lasts][::-1]] = begins[lasts][::-1]  # the first of a row is written last
    return found.reshape(lead), index.reshape(lead)


def _pick(values: NDArray[S], index: NDArray[np.intp]) -> NDArray[S]:
    """Return the element of each row, (...), of `values` (..., k)."""
    rows = values.reshape(-1, values.shape[-1])
    return rows[np.arange(len(rows)), index.ravel()].reshape(index.shape)


def value_at(time: Floats, values: Floats, at: float | Floats) -> Floats:
    """Interpolate `values` (..., n) linearly at one time, (...), or at k times, (..., k); the nearest beyond the ends."""
    if time.size < 2:
        return np.asarray(values[..., np.zeros(np.shape(at), dtype=np.intp)])
    index = np.clip(np.searchsorted(time, at), 1, time.size - 1)
    share = np.clip((at - time[index - 1]) / (time[index] - time[index - 1]), 0.0, 1.0)
    return np.asarray(values[..., index - 1] * (1.0 - share) + values[..., index] * share)


def smooth(nodes: Floats, values: Floats, at: Floats) -> Floats:
    """Interpolate points `nodes`, `values` (k,), increasing, at `at` (n,) without overshoot; constant beyond the ends.

    Monotone piecewise cubic (F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300), as scipy has it.
    """
    if nodes.size < 3:
        return np.interp(at, nodes, values)
    from scipy.interpolate import PchipInterpolator

    return np.asarray(PchipInterpolator(nodes, values)(np.clip(at, nodes[0], nodes[-1])), dtype=np.float64)


def pairs(n: int, most: int | None = None) -> Pairs:
    """Return the first and the second of all pairs of n samples in order, or of `most` of them evenly from all."""
    first, second = np.triu_indices(n, k=1)
    if most is not None and first.size > most:
        some = np.linspace(0, first.size - 1, most).astype(np.intp)
        first, second = first[some], second[some]
    return first, second


def slope(time: Floats, values: Floats, some: Pairs | None = None) -> Floats:
    """Return the Theil–Sen slope, (...): the median of the slopes of all pairs of samples, or of `some`.

    `time` (n,), n of 2 or more; `values` (..., n); `some`, see `pairs`, (..., k) each: of many draws, the median of a part
    scatters as the median of all does, about a centre of its own.

    H. Theil (1950); P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379. Resists up to 29 % outliers.
    """
    first, second = pairs(time.size) if some is None else some
    slopes = values[..., second]
    slopes -= values[..., first]
    slopes /= time[second] - time[first]
    return median(slopes)


def median(values: Floats) -> Floats:
    """Return the median over the last axis, (...), of `values` (..., k) without NaN, which it reorders."""
    half = values.shape[-1] // 2
    values.partition(half, axis=-1)
    upper = values[..., half]
    return np.asarray(upper if values.shape[-1] % 2 else 0.5 * (values[..., :half].max(axis=-1) + upper))
