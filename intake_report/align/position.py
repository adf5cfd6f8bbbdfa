"""Route distance of one run from its positions, smoothed by its speed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from intake_report.align.fixes import Fixes, fixes_of
from intake_report.align.match import Matched, match
from intake_report.align.model import Bools, Detour, Finding, Floats, RoutePath, Run
from intake_report.align.odometer import driven, frame_time, speed_samples
from intake_report.align.settings import ChannelNames, RouteSettings

BRIDGE = 200.0  # m; a shorter stretch without a match whose length agrees with the path is a gap, not a detour
SMOOTHING = 140.0  # m over which the difference between path and odometer is averaged


@dataclass(frozen=True)
class Located:
    """Route distance of one run, with what was found on the way."""

    distance: pd.Series[float]
    on_route: Bools
    cross_track: pd.Series[float]
    covered: tuple[tuple[float, float], ...]
    detours: tuple[Detour, ...]
    scale: float | None
    offset: float
    residual: float | None
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Stretch:
    """Nodes i to j (inclusive) on the route without interruption."""

    i: int
    j: int


def locate(run: Run, path: RoutePath, settings: RouteSettings, channels: ChannelNames) -> Located:
    """Return the route distance of a run along a path.

    Parameters
    ----------
    run : Run
        Cleaned run with positions.
    path : RoutePath
        Reference path; its centre is the centre of the projection.

    Returns
    -------
    Located
        Distance at every frame time, never falling, NaN off the route.
    """
    fixes = fixes_of(run, channels, (path.latitude, path.longitude))
    matched = match(fixes, path, settings)
    stretches, passes = _stretches(matched, fixes)
    chosen = max(passes, key=lambda group: sum(_advance(matched, stretches[g]) for g in group), default=[])
    kept = [stretches[g] for g in chosen]
    speed = speed_samples(run, channels)
    time = frame_time(run)
    way = driven(*speed, time) if speed is not None else np.interp(time, fixes.time, fixes.driven)
    node_time, node_way = fixes.time[matched.node], fixes.driven[matched.node]
    scale, residual = _scale(matched, node_way, kept)
    distance = np.full(len(time), np.nan)
    for part in kept:
        inside = (time >= node_time[part.i]) & (time <= node_time[part.j])
        nodes = [k for k in range(part.i, part.j + 1) if np.isfinite(matched.s[k])]
        distance[inside] = _smooth(way[inside], node_way[nodes], matched.s[nodes], scale)
    distance = _home(distance, path)
    on_route = np.isfinite(distance)
    detours = _detours(matched, fixes, path, kept)
    findings, notes = _name(matched, fixes, path, stretches, passes, kept, detours)
    return Located(
        distance=pd.Series(distance, index=run.frame.index, name="route_distance"),
        on_route=on_route,
        cross_track=_cross_track(matched, node_time, kept),
        covered=_covered(distance, path),
        detours=detours,
        scale=scale if speed is not None and kept else None,
        offset=0.0,
        residual=residual,
        findings=findings,
        notes=notes,
    )


def _stretches(matched: Matched, fixes: Fixes) -> tuple[list[_Stretch], list[list[int]]]:
    """Return the stretches on the route, and their indices grouped into passes that each run forward."""
    way = fixes.driven[matched.node]
    on = np.flatnonzero(np.isfinite(matched.s)).tolist()
    stretches: list[_Stretch] = []
    passes: list[list[int]] = []
    for a, b in pairwise([None, *on]):
        if b is None:
            continue
        if a is not None and not matched.restart[b]:
            gone, ahead = way[b] - way[a], matched.s[b] - matched.s[a]
            neighbours = b == a + 1
            if neighbours or (gone < BRIDGE and abs(ahead - gone) < 30.0 + 0.1 * gone):
                stretches[-1] = replace(stretches[-1], j=b)
                continue
        stretches.append(_Stretch(b, b))
        if a is None or matched.restart[b]:
            passes.append([])
        passes[-1].append(len(stretches) - 1)
    return stretches, passes


def _advance(matched: Matched, part: _Stretch) -> float:
    return float(max(matched.s[part.j] - matched.s[part.i], 0.0))


def _scale(matched: Matched, way: Floats, kept: list[_Stretch]) -> tuple[float, float]:
    """Return route metres per driven metre, and the RMS that it leaves after removing each stretch's offset."""
    ahead = sum(_advance(matched, part) for part in kept)
    gone = sum(float(way[part.j] - way[part.i]) for part in kept)
    if gone <= 0.0 or ahead <= 0.0:
        return 1.0, 0.0
    scale = ahead / gone
    rest = []
    for part in kept:
        k = np.arange(part.i, part.j + 1)
        k = k[np.isfinite(matched.s[k])]
        left = matched.s[k] - scale * way[k]
        rest.append(left - left.mean())
    return scale, float(np.sqrt(np.mean(np.concatenate(rest) ** 2)))


def _smooth(way: Floats, node_way: Floats, node_s: Floats, scale: float) -> Floats:
    """Return route distance at `way`: scaled odometer plus the smoothed difference from the matched nodes."""
    from scipy.ndimage import median_filter, uniform_filter1d

    if len(way) == 0:
        return way
    node_way, first = np.unique(node_way, return_index=True)
    left = node_s[first] - scale * node_way
    if len(left) < 3:
        return np.maximum.accumulate(scale * way + np.interp(way, node_way, left))
    step = 20.0
    grid = np.arange(node_way[0], node_way[-1] + step, step)
    trend = np.interp(grid, node_way, median_filter(left, size=3, mode="nearest"))
    trend = uniform_filter1d(trend, size=int(SMOOTHING / step), mode="nearest")
    return np.asarray(np.maximum.accumulate(scale * way + np.interp(way, grid, trend)), dtype=np.float64)


def _home(distance: Floats, path: RoutePath) -> Floats:
    """Clip to an open path; on a loop, shift by whole laps so that most of the run lies within the first."""
    if not np.isfinite(distance).any():
        return distance
    if not path.closed:
        return np.clip(distance, 0.0, path.length)
    return np.asarray(distance - path.length * np.floor(np.nanmedian(distance) / path.length), dtype=np.float64)


def _covered(distance: Floats, path: RoutePath) -> tuple[tuple[float, float], ...]:
    """Return the covered stretches of the path, folded on a loop, merged and sorted."""
    on = np.isfinite(distance)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(int)))
    pieces: list[tuple[float, float]] = []
    for i, j in zip(edges[::2], edges[1::2], strict=True):
        a, b = float(distance[i]), float(distance[j - 1])
        if path.closed:
            if b - a >= path.length:
                return ((0.0, path.length),)
            turn = path.length * np.floor(a / path.length)
            a, b = a - turn, b - turn
            if b > path.length:
                pieces.append((0.0, b - path.length))
                b = path.length
        pieces.append((a, b))
    merged: list[tuple[float, float]] = []
    for a, b in sorted(pieces):
        if merged and a <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], b))
        else:
            merged.append((a, b))
    return tuple(merged)


def _detours(matched: Matched, fixes: Fixes, path: RoutePath, kept: list[_Stretch]) -> tuple[Detour, ...]:
    import shapely

    line = shapely.LineString(np.column_stack([path.x, path.y]))
    out = []
    for a, b in pairwise(kept):
        i, j = matched.node[a.j], matched.node[b.i]
        away = shapely.distance(line, shapely.points(fixes.x[i : j + 1], fixes.y[i : j + 1]))
        out.append(
            Detour(
                start=float(fixes.time[i]),
                end=float(fixes.time[j]),
                from_m=float(matched.s[a.j]),
                to_m=float(matched.s[b.i]),
                driven=float(fixes.driven[j] - fixes.driven[i]),
                farthest=float(np.max(away)),
            )
        )
    return tuple(out)


def _cross_track(matched: Matched, node_time: Floats, kept: list[_Stretch]) -> pd.Series[Any]:
    inside = np.zeros(len(matched.node), dtype=bool)
    for part in kept:
        inside[part.i : part.j + 1] = True
    inside &= np.isfinite(matched.offset)
    return pd.Series(matched.offset[inside], index=node_time[inside], name="cross_track")


def _name(
    matched: Matched,
    fixes: Fixes,
    path: RoutePath,
    stretches: list[_Stretch],
    passes: list[list[int]],
    kept: list[_Stretch],
    detours: tuple[Detour, ...],
) -> tuple[tuple[Finding, ...], tuple[str, ...]]:
    """Name what departs from one clean pass."""
    import shapely

    findings: list[Finding] = []
    notes: list[str] = []
    if not kept:
        return (), ()
    way, time = fixes.driven[matched.node], fixes.time[matched.node]
    total = sum(_advance(matched, part) for part in kept)
    again = sum(_advance(matched, part) for part in stretches) - total
    if path.closed:
        again = max(again, total - path.length)
    if again > 0.3 * path.length:
        text = f"The log holds more than one lap: {(total + again) / path.length:.2f} times the route; split it."
        findings.append(Finding("several-laps", text, hard=True))
    elif len(passes) > 1:
        findings.append(Finding("turned-back", f"{again:.0f} m of the route were driven twice.", hard=False))
    line = shapely.LineString(np.column_stack([path.x, path.y]))
    begin, end = kept[0].i, kept[-1].j
    if again <= 0.3 * path.length:
        for i, j, verb, at in ((0, begin, "joins", begin), (end, len(time) - 1, "leaves", end)):
            gone = float(way[j] - way[i])
            if gone > 50.0:
                k = slice(int(matched.node[i]), int(matched.node[j]) + 1)
                away = float(np.max(shapely.distance(line, shapely.points(fixes.x[k], fixes.y[k]))))
                notes.append(
                    f"The run {verb} the route at {matched.s[at]:.0f} m; {gone:.0f} m were driven off it, "
                    f"up to {away:.0f} m away."
                )
    findings += [
        Finding(
            "detour",
            f"The run left the route from {detour.from_m:.0f} m to {detour.to_m:.0f} m, drove {detour.driven:.0f} m "
            f"and was up to {detour.farthest:.0f} m away.",
            hard=False,
        )
        for detour in detours
    ]
    if fixes.outliers:
        notes.append(f"{fixes.outliers} position outliers were not used.")
    return tuple(findings), tuple(notes)
