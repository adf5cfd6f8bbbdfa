"""Channels by place: what was read, how long and how often, in cells of route distance; phases proposed from speed."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import Any

import numpy as np
import pandas as pd

from intake_report.align import model
from intake_report.align.model import AlignedRun, Alignment, Floats, Ints, PhaseSettings, Reference

STEP = 25.0  # m of a cell: a fix's error on both sides
LEAST_COVERED = 0.5  # share of the dwell in a cell that a channel has to cover
WITHIN = 250.0  # m about a common place in which peaks are at one place: a junction with its queue
ONE_PLACE = 0.75  # share of the runs that have to peak there
PHASE_STEP = 50.0  # m of the grid that phases are proposed on
CITY = 50.0  # km/h below which the runs' median speed is city driving
HIGHWAY = 80.0  # km/h at or above which it is highway driving; between them are country roads
LEVELS, NAMES = (CITY, HIGHWAY), ("city", "country", "highway")
LEAST_PHASE = 1000.0  # m of the shortest stretch but a ramp: a minute or more, in which slow air temperatures settle
MOST_PARTS = 30  # as many of which a route could have at most: the shortest stretch of a long route is longer
MOST_PHASES = 6  # phases, ramps included, that a reader keeps apart
WHOLE = 0.9  # share of the route from which a run counts among those that have to be present
PRESENT = 0.9  # share of them that has to be present where all of them share less than LEAST_SHARED of the route
LEAST_SHARED = 0.7
RISE_REACH = 1000.0  # m about the shared beginning of the highway in which each run's rise is sought
SMOOTH = 7  # cells of the running median of speed by place
BEGUN, ARRIVED = 0.1, 0.9  # shares of the runs that have begun to rise, and that have arrived, at the ends of a ramp
AFTER = 200.0  # m that a ramp goes on after that, so that each run's highway entry is held within it
BEFORE = 300.0  # m of a ramp where no run shows its rise


@dataclass(frozen=True)
class PlaceGrid:
    """Values of all runs by place; arrays of shape (runs, cells) but for the edges."""

    edges: Floats  # (cells + 1,): route distance of the cell edges [m]
    runs: tuple[str, ...]
    dwell: Floats  # time in the cell [s]; 0 where the run did not pass
    passes: Ints  # how often the run passed the middle of the cell
    mean: Floats  # time-weighted mean of a series [internal unit], NaN where it has no reading

    @property
    def centres(self) -> Floats:
        """Route distance of the middle of each cell [m]."""
        return (self.edges[1:] + self.edges[:-1]) / 2

    def speed(self) -> Floats:
        """Return mean speed through each cell [km/h], shape (runs, cells), NaN where the run did not pass it whole."""
        width = np.diff(self.edges)[None, :]
        once = (self.passes == 1) & (self.dwell > 0)
        return np.where(once, width / np.where(once, self.dwell, 1.0) * model.KMH, np.nan)


def grid_by_place(
    alignment: Alignment,
    series: Mapping[str, "pd.Series[Any]"] | None = None,
    *,
    step: float = STEP,
    max_gap: float = 10.0,
) -> PlaceGrid:
    """Return the aligned runs by place, in cells of `step` metres; refused runs are left out.

    `series`: by run and elapsed second, for example IAT over ambient; it does not count between samples farther apart than
    `max_gap` [s].
    """
    runs = [run for run in alignment.runs if run.grade != "refused"]
    cells = max(int(np.ceil(alignment.reference.length / step - 1e-9)), 1)
    edges = np.append(np.arange(cells) * step, alignment.reference.length)
    dwell, passes = np.zeros((len(runs), cells)), np.zeros((len(runs), cells), dtype=np.intp)
    grid = PlaceGrid(edges, tuple(run.run for run in runs), dwell, passes, np.full((len(runs), cells), np.nan))
    for k, run in enumerate(runs):
        when, cell = _edge_times(run, alignment.reference, edges)
        np.add.at(dwell[k], cell, when[:, 1] - when[:, 0])
        own = (series or {}).get(run.run)
        if own is not None and len(own) > 1:
            grid.mean[k] = _time_weighted(own, when, cell, dwell[k], max_gap)
        for _, s, turns in _stretches(run, alignment.reference):
            at = grid.centres + alignment.reference.length * np.array(turns)[:, None]
            passes[k] += ((at >= s[0]) & (at <= s[-1])).sum(axis=0)
    return grid


def _stretches(run: AlignedRun, reference: Reference) -> Iterator[tuple[Floats, Floats, range]]:
    """Yield time [s], route distance [m] and laps touched of each uninterrupted stretch on the route; lap 0 on an open one."""
    time, distance = run.distance.index.to_numpy(dtype=np.float64), np.asarray(run.distance, dtype=np.float64)
    for i, j in model.spans_of(np.isfinite(distance)):
        if j - i > 1:
            first, last = (int(distance[k] // reference.length) if reference.closed else 0 for k in (i, j - 1))
            yield time[i:j], distance[i:j], range(first, last + 1)


def _edge_times(run: AlignedRun, reference: Reference, edges: Floats) -> tuple[Floats, Ints]:
    """Return when a run was in which cell: times (n, 2) [s] and cells (n,). A loop passed beyond its end is folded."""
    times, cells = [np.empty((0, 2))], [np.empty(0, dtype=np.intp)]
    for time, s, turns in _stretches(run, reference):
        for turn in turns:
            at = edges + turn * reference.length
            inside = (at > s[0]) & (at < s[-1])
            # the first time at which a distance is reached; s rises there, whatever it did before
            i = np.searchsorted(s, at[inside], side="left")
            t = time[i - 1] + (at[inside] - s[i - 1]) / (s[i] - s[i - 1]) * (time[i] - time[i - 1])
            low, high = max(float(s[0]), float(at[0])), min(float(s[-1]), float(at[-1]))
            if high < low:
                continue
            bounds = np.concatenate([time[:1] if low == s[0] else [], t, time[-1:] if high == s[-1] else []])
            first = int(np.clip(np.searchsorted(at, low, side="right") - 1, 0, len(edges) - 2))
            times.append(np.column_stack([bounds[:-1], bounds[1:]]))
            cells.append(np.minimum(first + np.arange(len(bounds) - 1), len(edges) - 2))
    return np.concatenate(times), np.concatenate(cells)


def _time_weighted(series: "pd.Series[Any]", when: Floats, cell: Ints, dwell: Floats, max_gap: float) -> Floats:
    """Return the time-weighted mean of a series (linear between samples, nothing across gaps) in each cell."""
    t = series.index.to_numpy(dtype=np.float64)
    v = series.to_numpy(dtype=np.float64)
    steps = np.diff(t)
    bridged = np.where(steps <= max_gap, steps, 0.0)
    covered, total = (np.append(0.0, np.cumsum(part)) for part in (bridged, bridged * (v[1:] + v[:-1]) / 2))

    def until(at: Floats) -> tuple[Floats, Floats]:
        at = np.clip(at, t[0], t[-1])
        i = np.clip(np.searchsorted(t, at, side="right") - 1, 0, len(t) - 2)
        part = np.where(steps[i] <= max_gap, at - t[i], 0.0)
        return covered[i] + part, total[i] + part * (v[i] + (v[i + 1] - v[i]) * (part / steps[i]) / 2)

    (c0, s0), (c1, s1) = until(when[:, 0]), until(when[:, 1])
    have, held = (np.bincount(cell, part, minlength=len(dwell)) for part in (c1 - c0, s1 - s0))
    enough = (have > 0) & (have >= LEAST_COVERED * dwell)
    return np.where(enough, held / np.where(enough, have, 1.0), np.nan)


def peak_summary(at: Sequence[float]) -> dict[str, Any]:
    """Return whether the peaks of runs fall at one place, from the route distance of each, one at least [m].

    `peak_centre`, `peak_spread` [m]: the common place and the median distance from it; `one_place`: three quarters of
    them lie near it. The trade expects one place: before the ramp, after the longest city stretch (common practice).
    """
    peaks = np.asarray(at)
    # the place that most peaks are near, not the median of two far apart
    near = (np.abs(peaks[:, None] - peaks[None, :]) <= WITHIN).sum(axis=1)
    centre = float(np.median(peaks[np.abs(peaks - peaks[int(np.argmax(near))]) <= WITHIN]))
    away = np.abs(peaks - centre)
    share = float((away <= WITHIN).mean())
    return {"peak_centre": centre, "peak_spread": float(np.median(away)), "peak_share": share, "peak_within": WITHIN,
            "one_place": share >= ONE_PLACE}  # fmt: skip


def propose_phases(alignment: Alignment) -> tuple[PhaseSettings, ...]:
    """Return the stretches that a practitioner would name: city, country, ramp and highway, six at most.

    They begin where all runs are present and end before the first leaves (runs that cover little of the route aside), so
    that each phase can be measured in each run. The speed of a place is the median over runs of the mean speed through its
    cell; a stretch too short to be measured joins the neighbour that is nearest in speed. A ramp is where the runs rise to
    `HIGHWAY`: it begins where nine runs in ten have not yet begun to, and ends 200 m after nine in ten have arrived, so that
    each run's highway entry lies in it; they rise from below `CITY`, or on a country road from half way between its usual
    speed and `HIGHWAY`. Country roads have the kind of city driving.
    """
    from scipy.ndimage import median_filter

    grid = grid_by_place(alignment, step=PHASE_STEP)
    if not grid.runs:
        return ()
    whole = np.array([alignment.run(run).coverage >= WHOLE for run in grid.runs], dtype=bool)
    present = (grid.passes[whole if whole.any() else ~whole] > 0).mean(axis=0)
    shared = np.flatnonzero(present == 1.0)
    if len(shared) * PHASE_STEP < LEAST_SHARED * alignment.reference.length:
        shared = np.flatnonzero(present >= PRESENT)
    speed = grid.speed()
    some = np.isfinite(speed).any(axis=0)
    if not some.any() or len(shared) == 0:
        return ()
    usual = np.interp(grid.centres, grid.centres[some], np.nanmedian(speed[:, some], axis=0))
    first, last = int(shared[0]), int(shared[-1]) + 1
    smooth = median_filter(usual, size=SMOOTH, mode="nearest")
    parts = _stretches_of(np.digitize(smooth[first:last], LEVELS), smooth[first:last])
    begins: list[tuple[str, float]] = []  # of each phase
    for k, (level, i, j) in enumerate(parts):
        if level < len(LEVELS) or k == 0:
            begins.append((NAMES[level], float(grid.edges[first + i])))
            continue
        slower, low, high = parts[k - 1]
        own = CITY if slower == 0 else (float(np.median(smooth[first + low : first + high])) + HIGHWAY) / 2
        ramp, entry = _ramp(speed, grid.edges, first + i, own)
        ramp = max(ramp, begins[-1][1])
        begins += [("ramp", ramp), (NAMES[level], max(ramp, min(entry, float(grid.edges[first + j]))))]
    phases: list[PhaseSettings] = []
    for (name, start), (_, end) in pairwise([*begins, ("", float(grid.edges[last]))]):
        if end > start:
            again = sum(phase.name.partition("-")[0] == name for phase in phases)
            kind: model.PhaseKind = "ramp" if name == "ramp" else "highway" if name == "highway" else "city"
            phases.append(PhaseSettings(f"{name}-{again + 1}" if again else name, kind, start, end))
    return tuple(phases)


def _stretches_of(level: np.ndarray, speed: Floats) -> list[tuple[int, int, int]]:
    """Return (level, first, one past the last cell) of stretches that are few and long enough."""
    edges = [0, *(np.flatnonzero(np.diff(level)) + 1).tolist(), len(level)]
    parts = [(int(level[i]), i, j) for i, j in pairwise(edges)]
    least = max(LEAST_PHASE / PHASE_STEP, len(level) / MOST_PARTS)
    while len(parts) > 1:
        ramps = sum(one[0] < len(LEVELS) == other[0] for one, other in pairwise(parts))
        k = min(range(len(parts)), key=lambda k: parts[k][2] - parts[k][1])
        if parts[k][2] - parts[k][1] >= least and len(parts) + ramps <= MOST_PHASES:
            break
        _, i, j = parts[k]
        own = float(speed[i:j].mean())
        beside = [n for n in (k - 1, k + 1) if 0 <= n < len(parts)]
        n = min(beside, key=lambda n: abs(float(speed[parts[n][1] : parts[n][2]].mean()) - own))
        i, j = min(i, parts[n][1]), max(j, parts[n][2])
        parts[min(k, n) : max(k, n) + 1] = [(int(np.digitize(np.median(speed[i:j]), LEVELS)), i, j)]
        alike = [list(group) for _, group in groupby(parts, key=lambda part: part[0])]
        parts = [(group[0][0], group[0][1], group[-1][2]) for group in alike]
    return parts


def _ramp(speed: Floats, edges: Floats, i: int, slower: float) -> tuple[float, float]:
    """Return where the ramp towards the highway cell `i` begins and ends [m], from speed (runs, cells)."""
    reach = int(RISE_REACH / PHASE_STEP)
    origin = max(i - reach, 0)
    begins, ends = [], []
    for row in speed:
        part = row[origin : i + reach]
        slow, fast = part < slower, part >= HIGHWAY
        arrived = np.flatnonzero(~fast[:-3] & fast[1:-2] & fast[2:-1] & fast[3:]) + 1
        if len(arrived) == 0:
            continue
        before = np.flatnonzero(slow[: arrived[0]])
        begins.append((before[-1] + 1 if len(before) else 0) + origin)
        ends.append(arrived[0] + origin)
    if not begins:
        return float(edges[max(i - int(BEFORE / PHASE_STEP), 0)]), float(edges[i])
    begin, end = int(np.quantile(begins, BEGUN)), int(np.quantile(ends, ARRIVED))
    return float(edges[begin]), float(min(edges[end] + AFTER, edges[-1]))
