"""The reference path: from a GPX file or from the runs themselves, pulled to where all of them drove."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from intake_report.align.geometry import (
    along,
    centreline,
    fixes_of,
    has_position,
    position_samples,
    spaced,
    thin,
    to_metres,
)
from intake_report.align.match import CORRIDOR, NODE_SPACING
from intake_report.align.model import Floats, RoutePath, RunData
from intake_report.align.position import locate
from intake_report.errors import DataError

MOST_RUNS = 40  # runs compared with each other in the search for the medoid, or pooled: more changes nothing that shows
LEAST_POOLED = 3  # runs by which a path is drawn anew
SPACING = 15.0  # m between the vertices of the path
CLOSE_WITHIN = 100.0  # m, largest gap between start and end of a loop
CUT = 0.25  # of the distance of two fixes, by which a path of one run cuts a bend of 90° between them on average
REPEATED = 0.05  # m: nearer points are one
LATE = 0.75  # share of the way after which a path can meet its own start
SHORTEST_LOOP = 10.0  # times the largest gap that a loop has to be long
SAME_END = 1.0  # m: nearer end points are one
SHAPE_STEP = (50.0, 2000)  # m between the points by which paths are compared, and the most points of one path
# metres driven that count as one metre apart in the comparison of paths, so that the two directions of an out-and-back
# differ while a standstill or a scale does not matter
WAY_WEIGHT = 4.0


def build_path(x: Floats, y: Floats, centre: tuple[float, float], closed: bool | None = None) -> RoutePath:
    """Return a path through points (n,) [m] in driving order, resampled at `SPACING`.

    `centre`: of the projection [°]; `closed`: whether it is a loop, by the gap where None. Raises DataError: if the points
    span less than two spacings.
    """
    keep = np.concatenate([[True], np.hypot(np.diff(x), np.diff(y)) > REPEATED])
    x, y = x[keep], y[keep]
    if len(x) < 2 or along(x, y)[-1] < 2 * SPACING:
        raise DataError("The reference path is shorter than 30 m.", remedy="Give a GPX file or another reference run.")
    if closed is not False:
        x, y, closed = _close(x, y, forced=closed is True)
    s = along(x, y)
    cells = max(round(s[-1] / SPACING), 2)
    # the given vertices stay, so that resampling cuts no corner
    at = np.union1d(np.linspace(0.0, s[-1], cells + 1), s)
    at = at[np.concatenate([[True], np.diff(at) > 0.01])]
    px, py = np.interp(at, s, x), np.interp(at, s, y)
    return RoutePath(x=px, y=py, s=along(px, py), latitude=centre[0], longitude=centre[1], closed=bool(closed))


def _close(x: Floats, y: Floats, forced: bool) -> tuple[Floats, Floats, bool]:
    """Join the end to the start; where the end runs past the start, cut the overlap."""
    s = along(x, y)
    late = np.flatnonzero(s > LATE * s[-1])
    gap = np.hypot(x[late] - x[0], y[late] - y[0])
    nearest = int(late[np.argmin(gap)])
    if not forced and (gap.min() > CLOSE_WITHIN or s[-1] < SHORTEST_LOOP * CLOSE_WITHIN):
        return x, y, False
    x, y = x[: nearest + 1], y[: nearest + 1]
    if math.hypot(x[-1] - x[0], y[-1] - y[0]) < SAME_END:
        x, y = x[:-1], y[:-1]
    return np.append(x, x[0]), np.append(y, y[0]), True


def path_from_gpx(file: Path, closed: bool | None = None) -> RoutePath:
    """Return the reference path of a GPX file: its first track, or else its first route.

    Raises DataError: if the file cannot be read or holds fewer than two points.
    """
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
    centre = _middle(latitude, longitude)
    x, y = to_metres(latitude, longitude, centre)
    return build_path(x, y, centre, closed)


def _middle(latitude: Floats, longitude: Floats) -> tuple[float, float]:
    """Return the centre of positions [°], also across the 180° meridian."""
    turned = (longitude - longitude[0] + 180.0) % 360.0 - 180.0
    lon = (float(longitude[0]) + float(turned.min() + turned.max()) / 2 + 180.0) % 360.0 - 180.0
    return float(latitude.min() + latitude.max()) / 2, lon


def path_from_run(run: RunData, centre: tuple[float, float], closed: bool | None = None) -> RoutePath:
    """Return the path that one run drove, without its standstill drift, outliers and zigzag."""
    fixes = fixes_of(run, centre)
    x, y = centreline(fixes.driven, fixes.x, fixes.y)
    keep = spaced(x, y, SPACING)
    return build_path(x[keep], y[keep], centre, closed)


def medoid(runs: Sequence[RunData]) -> tuple[RunData, tuple[float, float]] | None:
    """Return the run whose path is nearest to those of all others, and the centre of the projection.

    The distance of two paths is the mean distance between the points of one and the nearest point of the other at a
    like way driven, both ways. None if no run has positions. Of more than 40 runs, 40 spread over them are compared.
    """
    from scipy.spatial import cKDTree

    located = [run for run in runs if has_position(run)]
    if not located:
        return None
    step = max(1, math.ceil(len(located) / MOST_RUNS))
    candidates = located[::step]
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
    cost = np.zeros((len(shapes), len(shapes)))
    for i, tree in enumerate(trees):
        for j, shape in enumerate(shapes):
            if i != j:
                cost[i, j] = float(np.mean(tree.query(shape)[0]))
    total = np.median(cost + cost.T, axis=1)
    return candidates[int(np.argmin(total))], centre


def refine(path: RoutePath, runs: Sequence[RunData]) -> tuple[RoutePath, int]:
    """Return the path through the fixes of all runs pooled by route distance, and the number of runs used.

    A path from one run cuts the bends between its fixes and follows its lane changes; the runs together do not. With
    fewer than three runs the path is returned unchanged; of more than 40, as many spread over them are used.
    """
    pool = [run for run in runs[:: max(1, math.ceil(len(runs) / MOST_RUNS))] if has_position(run)]
    fixes_by_run = [fixes_of(run, path.centre) for run in pool]
    wider = max(1.0, CUT * float(np.median([fixes.spacing() for fixes in fixes_by_run])) / CORRIDOR)
    s, x, y = [], [], []
    for run, fixes in zip(pool, fixes_by_run, strict=True):
        located = locate(run, path, wider)
        if located.refused or not located.on_route.any():
            continue
        time = located.distance.index.to_numpy(dtype=np.float64)
        at = np.interp(fixes.time, time, located.distance.to_numpy(dtype=np.float64))
        known = np.isfinite(at)
        s.append(at[known])
        x.append(fixes.x[known])
        y.append(fixes.y[known])
    if len(s) < LEAST_POOLED:
        return path, len(s)
    px, py = centreline(
        np.concatenate(s), np.concatenate(x), np.concatenate(y), lap=path.length if path.closed else None
    )
    keep = spaced(px, py, SPACING)
    return build_path(px[keep], py[keep], path.centre, path.closed), len(s)
