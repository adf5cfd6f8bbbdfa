"""The reference path: from a GPX file or from the runs themselves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from intake_report.align.centreline import centreline
from intake_report.align.fixes import fixes_of, has_position, position_samples, thin
from intake_report.align.model import Floats, RoutePath, Run
from intake_report.align.projection import to_metres
from intake_report.align.settings import ChannelNames, RouteSettings
from intake_report.errors import DataError

MOST_CANDIDATES = 40  # runs compared with each other in the search for the medoid


def build_path(
    x: Floats, y: Floats, centre: tuple[float, float], settings: RouteSettings, closed: bool | None = None
) -> RoutePath:
    """Return a path through points in driving order, resampled at `settings.spacing`, closed where it is a loop.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Local metres.
    centre : (float, float)
        Centre of the projection [°].
    closed : bool, optional
        Overrides `settings.closed`.

    Raises
    ------
    DataError
        If the points span less than two spacings.
    """
    x, y = _distinct(x, y)
    closed = settings.closed if closed is None else closed
    if len(x) < 2 or _length(x, y) < 2 * settings.spacing:
        raise DataError("The reference path is shorter than 30 m.", remedy="Give a GPX file or another reference run.")
    if closed is not False:
        x, y, is_loop = _close(x, y, settings.close_within, forced=closed is True)
        closed = is_loop
    s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    cells = max(round(s[-1] / settings.spacing), 2)
    # the given vertices stay, so that resampling cuts no corner
    at = np.union1d(np.linspace(0.0, s[-1], cells + 1), s)
    at = at[np.concatenate([[True], np.diff(at) > 0.01])]
    px, py = np.interp(at, s, x), np.interp(at, s, y)
    s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(px), np.diff(py)))])
    return RoutePath(x=px, y=py, s=s, latitude=centre[0], longitude=centre[1], closed=bool(closed))


def _distinct(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    keep = np.concatenate([[True], np.hypot(np.diff(x), np.diff(y)) > 0.05])
    return x[keep], y[keep]


def _length(x: Floats, y: Floats) -> float:
    return float(np.hypot(np.diff(x), np.diff(y)).sum())


def _close(x: Floats, y: Floats, within: float, forced: bool) -> tuple[Floats, Floats, bool]:
    """Join the end to the start; where the end runs past the start, cut the overlap."""
    s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    late = np.flatnonzero(s > 0.75 * s[-1])
    gap = np.hypot(x[late] - x[0], y[late] - y[0])
    nearest = int(late[np.argmin(gap)])
    if not forced and (gap.min() > within or s[-1] < 10 * within):
        return x, y, False
    x, y = x[: nearest + 1], y[: nearest + 1]
    if math.hypot(x[-1] - x[0], y[-1] - y[0]) < 1.0:
        x, y = x[:-1], y[:-1]
    return np.append(x, x[0]), np.append(y, y[0]), True


def path_from_gpx(file: Path, settings: RouteSettings) -> RoutePath:
    """Return the reference path of a GPX file: its first track, or else its first route.

    Raises
    ------
    DataError
        If the file cannot be read or holds fewer than two points.
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
    centre = middle(latitude, longitude)
    x, y = to_metres(latitude, longitude, centre)
    return build_path(x, y, centre, settings)


def middle(latitude: Floats, longitude: Floats) -> tuple[float, float]:
    """Return the centre of positions [°], also across the 180° meridian."""
    turned = (longitude - longitude[0] + 180.0) % 360.0 - 180.0
    lon = (float(longitude[0]) + float(turned.min() + turned.max()) / 2 + 180.0) % 360.0 - 180.0
    return float(latitude.min() + latitude.max()) / 2, lon


def path_from_run(run: Run, centre: tuple[float, float], settings: RouteSettings, channels: ChannelNames) -> RoutePath:
    """Return the path that one run drove, without its standstill drift, outliers and zigzag."""
    fixes = fixes_of(run, channels, centre)
    x, y = centreline(fixes.driven, fixes.x, fixes.y)
    keep = spaced(x, y, settings.spacing)
    return build_path(x[keep], y[keep], centre, settings)


def spaced(x: Floats, y: Floats, least: float) -> NDArray[np.intp]:
    """Return the indices of points at least `least` metres apart, the first and the last included."""
    kept, px, py = [0], float(x[0]), float(y[0])
    for i, (xi, yi) in enumerate(zip(x.tolist(), y.tolist(), strict=True)):
        if (xi - px) ** 2 + (yi - py) ** 2 >= least**2:
            kept.append(i)
            px, py = xi, yi
    if kept[-1] != len(x) - 1:
        kept.append(len(x) - 1)
    return np.array(kept, dtype=np.intp)


def medoid(
    runs: Sequence[Run], settings: RouteSettings, channels: ChannelNames
) -> tuple[Run, tuple[float, float]] | None:
    """Return the run whose path is nearest to those of all others, and the centre of the projection.

    The distance of two paths is the mean distance between the points of one and the nearest point of the other at a
    like way driven, both ways. None if no run has positions. Of more than 40 runs, 40 spread over them are compared.
    """
    from scipy.spatial import cKDTree

    located = [run for run in runs if has_position(run, channels)]
    if not located:
        return None
    step = max(1, math.ceil(len(located) / MOST_CANDIDATES))
    candidates = located[::step]
    samples = [position_samples(run, channels) for run in candidates]
    centre = middle(np.concatenate([s[1] for s in samples]), np.concatenate([s[2] for s in samples]))
    shapes = []
    for run in candidates:
        fixes = fixes_of(run, channels, centre)
        nodes = thin(fixes, settings.node_spacing / 2)
        s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(fixes.x[nodes]), np.diff(fixes.y[nodes])))])
        at = np.arange(0.0, s[-1] + 1e-9, max(50.0, s[-1] / 2000))
        # the third axis keeps the two directions of an out-and-back apart; its scale is the size of the route itself
        shapes.append(np.column_stack([np.interp(at, s, fixes.x[nodes]), np.interp(at, s, fixes.y[nodes]), at / 4]))
    trees = [cKDTree(shape) for shape in shapes]
    cost = np.zeros((len(shapes), len(shapes)))
    for i, tree in enumerate(trees):
        for j, shape in enumerate(shapes):
            if i != j:
                cost[i, j] = float(np.mean(tree.query(shape)[0]))
    total = np.median(cost + cost.T, axis=1)
    return candidates[int(np.argmin(total))], centre
