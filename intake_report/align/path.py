"""Positions in local metres, the fixes of a run, the line that fixes scatter about, and the path of the route."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from intake_report.align.model import Bools, Floats, Ints, RoutePath, driven, speed_samples
from intake_report.clean import CleanRun
from intake_report.errors import DataError

NODE_SPACING = 20.0  # m driven between two fixes that are matched
FASTEST = 90.0  # m/s: a fix that needs more is an outlier when there is no speed to compare with (faster than any road)
SPIKE = 60.0  # m beyond what was driven that a single fix has to jump to be an outlier: five times its usual error
SPIKE_SHARE = 1.3  # of the way driven, that positions may show: corners are cut, speed channels err by 5 %
STALE = 5.0  # m driven while the same position is repeated, from which it is an old fix that is held, not a standstill
WIDE = 0.9  # share of the ways between fixes that stand for how far apart they get
DRIFT = 10.0  # m: smaller moves between fixes are drift until they add up, where there is no speed to tell
CELL = 3.0  # m of the centre line's grid: one lane's width
# m, standard deviation of the centre line's kernel: rounds a right-angled corner by about 4 m, and takes most of the
# zigzag out of fixes once a second
BANDWIDTH = 12.0
MOST_PER_CELL = 5  # fixes of one cell that count, so that a place where vehicles stand does not outweigh the road
ALONE = 1e-3  # spread over bandwidth, squared, below which a cell has no neighbours to fit a slope to
MOST_RUNS = 40  # runs compared with each other in the search for the medoid, or pooled: more changes nothing that shows
SPACING = 15.0  # m between the vertices of the path
CLOSE_WITHIN = 100.0  # m, largest gap between start and end of a loop
REPEATED = 0.05  # m: nearer points are one
LATE = 0.75  # share of the way after which a path can meet its own start
SHORTEST_LOOP = 10.0  # times the largest gap that a loop has to be long
SAME_END = 1.0  # m: nearer end points are one
SHAPE_STEP = (50.0, 2000)  # m between the points by which paths are compared, and the most points of one path
# metres driven that count as one metre apart in the comparison of paths, so that the two directions of an out-and-back
# differ while a standstill or a scale does not matter
WAY_WEIGHT = 4.0


def to_metres(latitude: Floats, longitude: Floats, centre: tuple[float, float]) -> tuple[Floats, Floats]:
    """Return east and north [m] of positions [°] in the azimuthal equidistant projection about `centre` [°].

    Distance and azimuth from the centre are geodesic. Between other points the length scale across the radius errs by
    about r²/6R²: 1e-5 at 50 km from the centre, 1 m in 100 km.
    """
    import pyproj

    x, y = pyproj.Proj(proj="aeqd", lat_0=centre[0], lon_0=centre[1], ellps="WGS84")(longitude, latitude)
    return np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)


def along(x: Floats, y: Floats) -> Floats:
    """Return the distance along a polyline at each of its points [m]."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])


def spaced(x: Floats, y: Floats, least: float) -> Ints:
    """Return the indices of points at least `least` metres from the one before, the first and the last included."""
    kept, px, py = [0], float(x[0]), float(y[0])
    for i, (xi, yi) in enumerate(zip(x.tolist(), y.tolist(), strict=True)):
        if (xi - px) ** 2 + (yi - py) ** 2 >= least**2:
            kept.append(i)
            px, py = xi, yi
    return np.array(kept if kept[-1] == len(x) - 1 else [*kept, len(x) - 1], dtype=np.intp)


@dataclass(frozen=True)
class Fixes:
    """Position fixes in local metres with the distance driven up to each (all shape (n,))."""

    time: Floats
    x: Floats
    y: Floats
    driven: Floats

    def interval(self) -> float:
        """Return the median time between fixes while driving [s]; 0 where there are none."""
        moved = np.diff(self.driven) > STALE
        return float(np.median(np.diff(self.time)[moved])) if moved.any() else 0.0

    def spacing(self) -> float:
        """Return the way between fixes that nine in ten do not exceed while driving [m]; 0 where there are none."""
        way = np.diff(self.driven)
        return float(np.quantile(way[way > STALE], WIDE)) if (way > STALE).any() else 0.0


def position_samples(run: CleanRun) -> tuple[Floats, Floats, Floats]:
    """Return time [s], latitude and longitude [°] where both are valid true samples."""
    both = pd.concat([run.good("latitude"), run.good("longitude")], axis=1, join="inner").astype(np.float64)
    return both.index.to_numpy(dtype=np.float64), both.iloc[:, 0].to_numpy(), both.iloc[:, 1].to_numpy()


def has_position(run: CleanRun) -> bool:
    """Tell whether a run has at least two position fixes."""
    return run.has("latitude") and run.has("longitude") and len(position_samples(run)[0]) >= 2


def fixes_of(run: CleanRun, centre: tuple[float, float]) -> Fixes:
    """Return the fixes of a run in local metres about `centre`, single outliers and held old fixes dropped.

    A receiver or logger that is slower than the rows repeats its last fix: by then the vehicle is elsewhere.
    """
    time, latitude, longitude = position_samples(run)
    x, y = to_metres(latitude, longitude, centre)
    speed = speed_samples(run)
    if speed is None:
        good = np.flatnonzero(~_spikes(x, y, FASTEST * np.diff(time)))
        x, y = x[good], y[good]
        at = spaced(x, y, DRIFT)
        if len(at) > 1 and np.hypot(x[at[-1]] - x[at[-2]], y[at[-1]] - y[at[-2]]) < DRIFT:
            at = at[:-1]
        return Fixes(time[good], x, y, np.interp(np.arange(len(x)), at, along(x[at], y[at])))
    way = driven(*speed, time)
    new = np.concatenate([[True], (np.diff(x) != 0.0) | (np.diff(y) != 0.0)])
    fresh = np.flatnonzero(new | (way - way[np.maximum.accumulate(np.where(new, np.arange(len(x)), 0))] < STALE))
    good = fresh[~_spikes(x[fresh], y[fresh], np.diff(way[fresh]))]
    return Fixes(time[good], x[good], y[good], way[good])


def _spikes(x: Floats, y: Floats, way: Floats) -> Bools:
    """Return which fixes (n,) are outliers: further from both neighbours than may be driven, `way` (n − 1,) [m]."""
    if len(x) < 3:
        return np.zeros(len(x), dtype=bool)
    far = np.hypot(np.diff(x), np.diff(y)) > SPIKE + SPIKE_SHARE * way
    # at an end, a fix is off where the step to it alone is long
    return np.concatenate(([~far[1]], far)) & np.concatenate((far, [~far[-2]]))


def thin(fixes: Fixes, spacing: float) -> Ints:
    """Return the indices of fixes about `spacing` metres of driving apart, the first and the last included."""
    first = np.concatenate([[True], np.diff(np.floor((fixes.driven - fixes.driven[0]) / spacing)) > 0])
    first[-1] = True
    return np.flatnonzero(first)


def path_through(
    s: Floats, x: Floats, y: Floats, centre: tuple[float, float], closed: bool | None, lap: float | None = None
) -> RoutePath:
    """Return the path along a smooth line through fixes, without standstill drift, outliers and zigzag.

    `s` (n,): distance of each fix along the road [m], from one run or pooled from several; `x`, `y` (n,): local metres;
    `lap`: length of a closed road [m]; `centre`, `closed` as in `build_path`. Local linear regression with a Gaussian
    kernel on cells of 3 m that hold a fix: fixes far apart are passed through, dense ones are averaged. Zigzag from
    noise would lengthen the path: by 1.8 % with 3 m of noise every 14 m.
    """
    from scipy.ndimage import correlate1d

    if lap is not None:
        s = np.mod(s, lap)
        edge = 4 * BANDWIDTH
        high, low = s > lap - edge, s < edge
        s = np.concatenate([s, s[high] - lap, s[low] + lap])
        x, y = np.concatenate([x, x[high], x[low]]), np.concatenate([y, y[high], y[low]])
    origin = float(s.min())
    cell = ((s - origin) / CELL).astype(np.intp)
    n = int(cell.max()) + 1
    count = np.bincount(cell, minlength=n).astype(np.float64)
    weight = np.minimum(count, MOST_PER_CELL)
    share = np.divide(weight, count, out=np.zeros(n), where=count > 0)
    half = int(np.ceil(4 * BANDWIDTH / CELL))
    u = np.arange(-half, half + 1) * CELL
    kernel = np.exp(-(u**2) / (2 * BANDWIDTH**2))
    s0, s1, s2 = (correlate1d(weight, kernel * u**p, mode="constant") for p in (0, 1, 2))
    spread = s2 * s0 - s1**2
    at = np.flatnonzero(count > 0)
    if lap is not None:
        middle = origin + (at + 0.5) * CELL
        at = at[(middle >= 0) & (middle < lap)]
    alone = spread[at] < ALONE * (BANDWIDTH * s0[at]) ** 2
    lines = []
    for values in (x, y):
        total = np.bincount(cell, values - values[0], minlength=n) * share
        t0, t1 = (correlate1d(total, kernel * u**p, mode="constant") for p in (0, 1))
        # a cell without neighbours keeps its own mean
        line = np.where(alone, t0[at] / s0[at], (s2 * t0 - s1 * t1)[at] / np.where(alone, 1.0, spread[at]))
        lines.append(line + values[0])
    keep = spaced(lines[0], lines[1], SPACING)
    return build_path(lines[0][keep], lines[1][keep], centre, closed)


def build_path(x: Floats, y: Floats, centre: tuple[float, float], closed: bool | None = None) -> RoutePath:
    """Return a path through points (n,) [m] in driving order, resampled at `SPACING`; DataError if it is too short.

    `centre`: of the projection [°]; `closed`: whether it is a loop, by the gap where None.
    """
    keep = np.concatenate([[True], np.hypot(np.diff(x), np.diff(y)) > REPEATED])
    x, y = x[keep], y[keep]
    if len(x) < 2 or along(x, y)[-1] < 2 * SPACING:
        raise DataError("The reference path is shorter than 30 m.", remedy="Give a GPX file or another reference run.")
    s = along(x, y)
    late = np.flatnonzero(s > LATE * s[-1])
    gap = np.hypot(x[late] - x[0], y[late] - y[0])
    if closed is None:
        closed = bool(gap.min() <= CLOSE_WITHIN and s[-1] >= SHORTEST_LOOP * CLOSE_WITHIN)
    if closed:  # the end is joined to the start; where it runs past the start, the overlap is cut
        last = int(late[np.argmin(gap)])
        last -= math.hypot(x[last] - x[0], y[last] - y[0]) < SAME_END
        x, y = np.append(x[: last + 1], x[0]), np.append(y[: last + 1], y[0])
        s = along(x, y)
    cells = max(round(s[-1] / SPACING), 2)
    at = np.union1d(np.linspace(0.0, s[-1], cells + 1), s)  # the given vertices stay, so that resampling cuts no corner
    at = at[np.concatenate([[True], np.diff(at) > 0.01])]
    x, y = np.interp(at, s, x), np.interp(at, s, y)
    return RoutePath(x, y, along(x, y), centre, closed)


def path_from_gpx(file: Path, closed: bool | None = None) -> RoutePath:
    """Return the reference path of a GPX file: its first track, or else its first route; DataError if it holds none."""
    import gpxpy
    import gpxpy.gpx

    try:
        gpx = gpxpy.parse(file.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, gpxpy.gpx.GPXException) as error:
        raise DataError(f"The GPX file cannot be read: {error}.", file=file) from error
    points = [(p.latitude, p.longitude) for track in gpx.tracks[:1] for part in track.segments for p in part.points]
    points = points or [(p.latitude, p.longitude) for route in gpx.routes[:1] for p in route.points]
    if len(points) < 2:
        raise DataError("The GPX file holds no track or route with two points.", file=file)
    latitude, longitude = np.array(points, dtype=np.float64).T
    if not (np.all(np.abs(latitude) <= 90.0) and np.all(np.abs(longitude) <= 180.0)):
        raise DataError("The GPX file holds a point that is no place on the earth.", file=file)
    centre = _middle(latitude, longitude)
    x, y = to_metres(latitude, longitude, centre)
    return build_path(x, y, centre, closed)


def _middle(latitude: Floats, longitude: Floats) -> tuple[float, float]:
    """Return the centre of positions [°], also across the 180° meridian."""
    turned = (longitude - longitude[0] + 180.0) % 360.0 - 180.0
    lon = (float(longitude[0]) + float(turned.min() + turned.max()) / 2 + 180.0) % 360.0 - 180.0
    return float(latitude.min() + latitude.max()) / 2, lon


def medoid(runs: Sequence[CleanRun]) -> tuple[CleanRun, tuple[float, float]] | None:
    """Return the run whose path is nearest to those of all others, and the centre of the projection; None without positions.

    By the mean distance between the points of one and the nearest point of the other at a like way driven, both ways.
    """
    from scipy.spatial import cKDTree

    located = [run for run in runs if has_position(run)]
    if not located:
        return None
    candidates = located[:: max(1, math.ceil(len(located) / MOST_RUNS))]
    samples = [position_samples(run) for run in candidates]
    centre = _middle(np.concatenate([s[1] for s in samples]), np.concatenate([s[2] for s in samples]))
    shapes = []
    for run in candidates:
        fixes = fixes_of(run, centre)
        nodes = thin(fixes, NODE_SPACING / 2)
        x, y = fixes.x[nodes], fixes.y[nodes]
        s = along(x, y)
        at = np.arange(0.0, s[-1] + 1e-9, max(SHAPE_STEP[0], s[-1] / SHAPE_STEP[1]))
        shapes.append(np.column_stack([np.interp(at, s, x), np.interp(at, s, y), at / WAY_WEIGHT]))
    trees = [cKDTree(shape) for shape in shapes]
    cost = np.array([[float(np.mean(tree.query(shape)[0])) for shape in shapes] for tree in trees])
    return candidates[int(np.argmin(np.median(cost + cost.T, axis=1)))], centre
