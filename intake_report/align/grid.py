"""Channels by place: what was read, how long and how often, in cells of route distance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from intake_report.align.model import AlignedRun, Alignment, Floats, Reference

STEP = 25.0  # m
LEAST_COVERED = 0.5  # share of the dwell in a cell that a channel has to cover


@dataclass(frozen=True)
class PlaceGrid:
    """Values of all runs by place.

    Parameters
    ----------
    edges : ndarray, shape (cells + 1,)
        Route distance of the cell edges [m].
    runs : tuple of str
        The rows.
    dwell : ndarray, shape (runs, cells)
        Time in the cell [s]; 0 where the run did not pass.
    passes : ndarray, shape (runs, cells)
        How often the run passed the middle of the cell.
    channels : dict of str to ndarray, shape (runs, cells)
        Time-weighted mean of each channel [internal unit], NaN where it has no reading.
    """

    edges: Floats
    runs: tuple[str, ...]
    dwell: Floats
    passes: NDArray[np.intp]
    channels: dict[str, Floats]

    @property
    def centres(self) -> Floats:
        """Route distance of the middle of each cell [m]."""
        return (self.edges[1:] + self.edges[:-1]) / 2

    def speed(self) -> Floats:
        """Return mean speed through each cell [km/h], shape (runs, cells), NaN where the run did not pass it whole."""
        width = np.diff(self.edges)[None, :]
        once = (self.passes == 1) & (self.dwell > 0)
        return np.where(once, width / np.where(once, self.dwell, 1.0) * 3.6, np.nan)


@dataclass(frozen=True)
class Peak:
    """Where a run's channel was highest: route distance of the cell [m] and value."""

    run: str
    distance: float
    value: float


@dataclass(frozen=True)
class PeakSummary:
    """Whether the peaks of all runs fall at one place.

    `spread` is the median distance of the peaks from `centre` [m]; `share` of the runs peak within `within` metres of it.
    The trade expects one place: before the ramp, after the longest city stretch (common practice).
    """

    peaks: tuple[Peak, ...]
    centre: float
    spread: float
    share: float
    within: float

    @property
    def one_place(self) -> bool:
        """Whether at least three quarters of the runs peak there."""
        return self.share >= 0.75


def grid_by_place(
    alignment: Alignment,
    channels: Sequence[str] = (),
    *,
    step: float = STEP,
    derived: Mapping[str, Mapping[str, pd.Series[Any]]] | None = None,
    max_gap: float = 10.0,
) -> PlaceGrid:
    """Return channels by place.

    Parameters
    ----------
    alignment : Alignment
        Aligned runs; refused ones are left out.
    channels : sequence of str
        Channels of the cleaned runs; a run without one has NaN.
    step : float
        Size of a cell [m].
    derived : mapping of name to mapping of run to Series, optional
        Further series by elapsed second, for example IAT over ambient.
    max_gap : float
        A channel does not count between samples farther apart than this [s].
    """
    runs = [run for run in alignment.runs if run.grade != "refused"]
    cells = max(int(np.ceil(alignment.reference.length / step - 1e-9)), 1)
    edges = np.append(np.arange(cells) * step, alignment.reference.length)
    dwell, passes = np.zeros((len(runs), cells)), np.zeros((len(runs), cells), dtype=np.intp)
    names = [*channels, *(derived or {})]
    values = {name: np.full((len(runs), cells), np.nan) for name in names}
    for k, run in enumerate(runs):
        when, cell = edge_times(run, alignment.reference, edges)
        np.add.at(dwell[k], cell, when[:, 1] - when[:, 0])
        for name in names:
            series = _series(run, name, derived or {})
            if series is not None and len(series) > 1:
                values[name][k] = time_weighted(series, when, cell, dwell[k], max_gap)
        passes[k] = _passes(run, alignment.reference, edges)
    return PlaceGrid(edges=edges, runs=tuple(run.run for run in runs), dwell=dwell, passes=passes, channels=values)


def _series(run: AlignedRun, name: str, derived: Mapping[str, Mapping[str, pd.Series[Any]]]) -> pd.Series[Any] | None:
    if name in derived:
        return derived[name].get(run.run)
    return run.clean.good(name) if run.clean.has(name) else None


def stretches(run: AlignedRun) -> list[tuple[Floats, Floats]]:
    """Return (time [s], route distance [m]) of each uninterrupted stretch on the route."""
    time = run.distance.index.to_numpy(dtype=np.float64)
    s = np.asarray(run.distance, dtype=np.float64)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], np.isfinite(s), [False]]).astype(int)))
    return [(time[i:j], s[i:j]) for i, j in zip(edges[::2], edges[1::2], strict=True) if j - i > 1]


def _turns(s: Floats, reference: Reference) -> range:
    """Return the laps of a loop that a stretch touches; 0 alone on an open route."""
    if not reference.closed:
        return range(1)
    return range(int(s[0] // reference.length), int(s[-1] // reference.length) + 1)


def edge_times(run: AlignedRun, reference: Reference, edges: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """Return when a run was in which cell: times (n, 2) [s] and cells (n,). A loop passed beyond its end is folded."""
    times, cells = [], []
    for time, s in stretches(run):
        for turn in _turns(s, reference):
            at = edges + turn * reference.length
            inside = (at > s[0]) & (at < s[-1])
            # the first time at which a distance is reached; s rises there, whatever it did before
            i = np.searchsorted(s, at[inside], side="left")
            rise = s[i] - s[i - 1]
            t = time[i - 1] + (at[inside] - s[i - 1]) / rise * (time[i] - time[i - 1])
            low, high = max(float(s[0]), float(at[0])), min(float(s[-1]), float(at[-1]))
            if high < low:
                continue
            begin = float(time[0]) if low == s[0] else None
            end = float(time[-1]) if high == s[-1] else None
            bounds = np.concatenate([[] if begin is None else [begin], t, [] if end is None else [end]])
            first = int(np.clip(np.searchsorted(at, low, side="right") - 1, 0, len(edges) - 2))
            n = len(bounds) - 1
            which = np.minimum(first + np.arange(n), len(edges) - 2)
            times.append(np.column_stack([bounds[:-1], bounds[1:]]))
            cells.append(which)
    if not times:
        return np.empty((0, 2)), np.empty(0, dtype=np.intp)
    return np.concatenate(times), np.concatenate(cells).astype(np.intp)


def time_weighted(
    series: pd.Series[Any], when: Floats, cell: NDArray[np.intp], dwell: Floats, max_gap: float
) -> Floats:
    """Return the time-weighted mean of a series (linear between samples, nothing across gaps) in each cell."""
    t = series.index.to_numpy(dtype=np.float64)
    v = series.to_numpy(dtype=np.float64)
    steps = np.diff(t)
    bridged = np.where(steps <= max_gap, steps, 0.0)
    covered = np.concatenate([[0.0], np.cumsum(bridged)])
    total = np.concatenate([[0.0], np.cumsum(bridged * (v[1:] + v[:-1]) / 2)])

    def until(at: Floats) -> tuple[Floats, Floats]:
        at = np.clip(at, t[0], t[-1])
        i = np.clip(np.searchsorted(t, at, side="right") - 1, 0, len(t) - 2)
        part = np.where(steps[i] <= max_gap, at - t[i], 0.0)
        middle = v[i] + (v[i + 1] - v[i]) * (part / steps[i]) / 2
        return covered[i] + part, total[i] + part * middle

    (c0, s0), (c1, s1) = until(when[:, 0]), until(when[:, 1])
    have, held = np.zeros(len(dwell)), np.zeros(len(dwell))
    np.add.at(have, cell, c1 - c0)
    np.add.at(held, cell, s1 - s0)
    enough = (have > 0) & (have >= LEAST_COVERED * dwell)
    return np.where(enough, held / np.where(enough, have, 1.0), np.nan)


def _passes(run: AlignedRun, reference: Reference, edges: Floats) -> NDArray[np.intp]:
    centres = (edges[1:] + edges[:-1]) / 2
    count = np.zeros(len(centres), dtype=np.intp)
    for _, s in stretches(run):
        for turn in _turns(s, reference):
            at = centres + turn * reference.length
            count += (at >= s[0]) & (at <= s[-1])
    return count


def find_peaks(grid: PlaceGrid, name: str, within: float = 250.0) -> PeakSummary | None:
    """Return where each run's channel is highest and whether that is one place; None if no run has a value."""
    peaks = []
    for run, row in zip(grid.runs, grid.channels[name], strict=True):
        if np.isfinite(row).any():
            k = int(np.nanargmax(row))
            peaks.append(Peak(run, float(grid.centres[k]), float(row[k])))
    return summarise_peaks(peaks, within) if peaks else None


def summarise_peaks(peaks: Sequence[Peak], within: float = 250.0) -> PeakSummary:
    """Return whether peaks, one per run and at least one, fall at one place."""
    at = np.array([peak.distance for peak in peaks])
    # the place that most peaks are near, not the median of two far apart
    near = (np.abs(at[:, None] - at[None, :]) <= within).sum(axis=1)
    centre = float(np.median(at[np.abs(at - at[int(np.argmax(near))]) <= within]))
    away = np.abs(at - centre)
    return PeakSummary(
        peaks=tuple(peaks),
        centre=centre,
        spread=float(np.median(away)),
        share=float((away <= within).mean()),
        within=within,
    )
