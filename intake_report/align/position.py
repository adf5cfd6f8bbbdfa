"""Route distance of one run from its positions, smoothed by its speed, and what departs from one clean pass."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd

from intake_report.align.events import driven, frame_time, spans_of, speed_samples
from intake_report.align.match import CORRIDOR, Matched, match
from intake_report.align.model import Finding, Floats, Located, RoutePath, RunData
from intake_report.align.path import Fixes, fixes_of
from intake_report.messages import Interval, Listing, Message, Value, message

LEAST_COVERAGE = 0.9  # share of the route below which a run is searched for the reason
BRIDGE = 200.0  # m; a shorter stretch without a match whose length agrees with the path is a gap, not a detour
AGREES = (30.0, 0.1)  # m, and share of the way, by which path and odometer may differ over such a gap
SMOOTHING = 140.0  # m over which the difference between path and odometer is averaged: seven nodes
SMOOTHING_STEP = 20.0  # m
SEVERAL_LAPS = 0.3  # share of the route driven again that makes a log, longer than the route, more than one lap
SLOW_FIX = 8.0  # s between fixes from which a note says so: on the road more than a junction lies between them
SPACINGS = 2.5  # spacings of fixes that BRIDGE is at least: one fix without a match between two that have one
OFF_ROUTE = 50.0  # m driven before joining or after leaving that are worth a note: parking does not count
REVERSED = (0.5, 2.0)  # share of the way, and times the way along the route, driven against it by a run in reverse
OTHER_ROUTE = 0.2  # share of its way on the route below which a run is on another
# metres to one side of the path: of both quartiles, and of the median, from which a run is beside it throughout. A lane
# is about 3.5 m wide (common practice), and a fix errs by some 3 m
BESIDE = (4.0, 6.0)
LEAST_FIXES = 20  # fixes by which the side of the path is judged

Stretch = tuple[int, int]  # first and last node on the route without interruption


def locate(run: RunData, path: RoutePath, wider: float = 1.0) -> Located:
    """Return the route distance of a run with positions along a path; `wider` as in `match`."""
    fixes = fixes_of(run, path.centre)
    matched = match(fixes, path, wider)
    passes = _passes(matched, fixes, wider * CORRIDOR, path)
    kept = max(passes, key=lambda parts: _advance(matched, parts), default=[])
    speed, time = speed_samples(run), frame_time(run)
    way = driven(*speed, time) if speed is not None else np.interp(time, fixes.time, fixes.driven)
    node_time = fixes.time[matched.node]
    scale = _scale(matched, kept)
    distance = np.full(len(time), np.nan)
    on = [np.flatnonzero(np.isfinite(matched.s[i : j + 1])) + i for i, j in kept]
    for nodes in on:
        inside = (time >= node_time[nodes[0]]) & (time <= node_time[nodes[-1]])
        distance[inside] = _smooth(way[inside], matched.way[nodes], matched.s[nodes], scale)
    distance = _home(distance, path)
    findings, notes = _departures(matched, fixes, path, passes, kept)
    if fixes.interval() > SLOW_FIX:
        text = "Positions come about every {interval} while driving; between them the way is by speed."
        notes = (*notes, message(text, code="slow-position", interval=Value(fixes.interval(), "time", 0)))
    every = np.concatenate([np.empty(0, dtype=np.intp), *on])
    return Located(
        distance=pd.Series(distance, index=run.frame.index, name="route_distance"),
        cross_track=pd.Series(matched.offset[every], index=node_time[every], name="cross_track"),
        covered=_covered(distance, path),
        speed_scale=scale if speed is not None and kept else None,
        findings=findings,
        notes=notes,
    )


def _passes(matched: Matched, fixes: Fixes, corridor: float, path: RoutePath) -> list[list[Stretch]]:
    """Return the stretches on the route, grouped into passes that each run forward."""
    way, s = matched.way, matched.s
    bridge = max(BRIDGE, SPACINGS * float(np.median(np.diff(way)))) if len(way) > 1 else BRIDGE
    on = np.flatnonzero(np.isfinite(s)).tolist()
    passes: list[list[Stretch]] = [[(b, b)] for b in on[:1]]
    for a, b in pairwise(on):
        if matched.restart[b]:
            passes.append([(b, b)])
            continue
        gone = way[b] - way[a]
        agrees = abs(s[b] - s[a] - gone) < AGREES[0] + AGREES[1] * gone
        if b == a + 1 or (agrees and (gone < bridge or _farthest(matched, fixes, path, a, b) <= corridor)):
            passes[-1][-1] = (passes[-1][-1][0], b)
        else:
            passes[-1].append((b, b))
    return passes


def _advance(matched: Matched, parts: Sequence[Stretch]) -> float:
    return sum(float(max(matched.s[j] - matched.s[i], 0.0)) for i, j in parts)


def _scale(matched: Matched, kept: Sequence[Stretch]) -> float:
    """Return route metres per driven metre."""
    ahead, gone = _advance(matched, kept), sum(float(matched.way[j] - matched.way[i]) for i, j in kept)
    return ahead / gone if gone > 0.0 and ahead > 0.0 else 1.0


def _smooth(way: Floats, node_way: Floats, node_s: Floats, scale: float) -> Floats:
    """Return route distance at `way`: scaled odometer plus the smoothed difference from the matched nodes."""
    from scipy.ndimage import median_filter, uniform_filter1d

    if len(way) == 0:
        return way
    node_way, first = np.unique(node_way, return_index=True)
    left = node_s[first] - scale * node_way
    if len(left) < 3:
        return np.maximum.accumulate(scale * way + np.interp(way, node_way, left))
    grid = np.arange(node_way[0], node_way[-1] + SMOOTHING_STEP, SMOOTHING_STEP)
    trend = np.interp(grid, node_way, median_filter(left, size=3, mode="nearest"))
    trend = uniform_filter1d(trend, size=int(SMOOTHING / SMOOTHING_STEP), mode="nearest")
    return np.asarray(np.maximum.accumulate(scale * way + np.interp(way, grid, trend)), dtype=np.float64)


def _home(distance: Floats, path: RoutePath) -> Floats:
    """Clip to an open path; on a loop, shift by whole laps so that most of the run lies within the first."""
    if not path.closed:
        return np.clip(distance, 0.0, path.length)
    if not np.isfinite(distance).any():
        return distance
    return np.asarray(distance - path.length * np.floor(np.nanmedian(distance) / path.length), dtype=np.float64)


def _covered(distance: Floats, path: RoutePath) -> tuple[tuple[float, float], ...]:
    """Return the covered stretches of the path, folded on a loop, merged and sorted."""
    pieces: list[tuple[float, float]] = []
    for i, j in spans_of(np.isfinite(distance)):
        a, b = float(distance[i]), float(distance[j - 1])
        if path.closed:
            if b - a >= path.length:
                return ((0.0, path.length),)
            turn = path.length * np.floor(a / path.length)
            a, b = a - turn, b - turn
            pieces += [(0.0, b - path.length)] if b > path.length else []
        pieces.append((a, min(b, path.length)))
    merged: list[tuple[float, float]] = []
    for a, b in sorted(pieces):
        if merged and a <= merged[-1][1]:
            first, last = merged.pop()
            a, b = first, max(last, b)
        merged.append((a, b))
    return tuple(merged)


def _farthest(matched: Matched, fixes: Fixes, path: RoutePath, first: int, last: int) -> float:
    """Return how far from the path the fixes between two nodes (inclusive) get [m]."""
    import shapely

    line = shapely.LineString(np.column_stack([path.x, path.y]))
    part = slice(int(matched.node[first]), int(matched.node[last]) + 1)
    return float(np.max(shapely.distance(line, shapely.points(fixes.x[part], fixes.y[part]))))


def _departures(
    matched: Matched, fixes: Fixes, path: RoutePath, passes: Sequence[Sequence[Stretch]], kept: Sequence[Stretch]
) -> tuple[tuple[Finding, ...], tuple[Message, ...]]:
    """Return what departs from one clean pass: findings and notes."""
    if not kept:
        return (), ()
    findings, notes, way = [], [], matched.way

    def off(i: int, j: int) -> dict[str, Value]:
        away = Value(_farthest(matched, fixes, path, i, j), "length", 0)
        return {"gone": Value(float(way[j] - way[i]), "length", 0), "away": away}

    def place(node: int) -> Value:
        return Value(float(matched.s[node]), "distance", 2)

    total = _advance(matched, kept)
    again = sum(_advance(matched, parts) for parts in passes) - total
    if path.closed:
        again = max(again, total - path.length)
    if again > SEVERAL_LAPS * path.length and total + again > path.length:
        text = "The log holds more than one lap: {laps} times the route; split it."
        laps = Value((total + again) / path.length, "number", 2)
        findings.append(Finding(message(text, code="several-laps", laps=laps), hard=True))
    else:
        if len(passes) > 1:
            text = "{again} of the route were driven twice."
            findings.append(Finding(message(text, code="turned-back", again=Value(again, "distance", 2)), hard=False))
        begin, end = kept[0][0], kept[-1][1]
        for i, j, verb, at in ((0, begin, "joins", begin), (end, len(way) - 1, "leaves", end)):
            if way[j] - way[i] > OFF_ROUTE:
                text = "The run {verb} the route at {at}; {gone} were driven off it, up to {away} away."
                notes.append(message(text, code=f"{verb}-route", verb=verb, at=place(at), **off(i, j)))
    for (_, a), (b, _) in pairwise(kept):
        text = "The run left the route from {start} to {end}, drove {gone} and was up to {away} away."
        detour = message(text, code="detour", start=place(a), end=place(b), **off(a, b))
        findings.append(Finding(detour, hard=False))
    return tuple(findings), tuple(notes)


def diagnose(run: RunData, located: Located, path: RoutePath) -> Located:
    """Return the located run with the reason why it covers less of the route than it should, if it does.

    A run that drove the route backwards or another route is named and taken off the route; one that covers part of the
    route keeps that part.
    """
    located = _beside(located)
    covered = located.metres / path.length
    if covered >= LEAST_COVERAGE or located.refused:
        return located
    fixes = fixes_of(run, path.centre)
    way = float(fixes.driven[-1] - fixes.driven[0])
    values = {"way": Value(way, "distance", 2), "along": Value(located.metres, "distance", 2)}
    back = replace(path, x=path.x[::-1].copy(), y=path.y[::-1].copy(), s=path.length - path.s[::-1])
    backward = match(fixes, back)
    on = np.isfinite(backward.s)
    against = float(np.diff(backward.way)[on[1:] & on[:-1]].sum())
    if against > REVERSED[0] * way and against > REVERSED[1] * located.metres:
        text = "The run drove the route in reverse: {against} of {way} against its direction."
        return off_route(run, message(text, code="reversed", against=Value(against, "distance", 2), way=values["way"]))
    if located.metres < OTHER_ROUTE * way:
        text = "The run is on another route: {along} of the {way} driven lie on this one."
        return off_route(run, message(text, code="wrong-route", **values))
    text = "The run covers {share} of the route ({parts} of {length})."
    parts = Listing(tuple(Interval(a, b, "distance", 2) for a, b in located.covered))
    length = Value(path.length, "distance", 2)
    part = message(text, code="part-of-route", share=Value(covered, "share"), parts=parts, length=length)
    return replace(located, findings=(*located.findings, Finding(part, hard=False)))


def _beside(located: Located) -> Located:
    """Name a run that lies to one side of the path throughout."""
    if located.cross_track is None or len(located.cross_track) < LEAST_FIXES:
        return located
    low, middle, high = np.quantile(located.cross_track.to_numpy(dtype=np.float64), [0.25, 0.5, 0.75])
    if min(abs(low), abs(high)) < BESIDE[0] or abs(middle) < BESIDE[1] or low * high < 0:
        return located
    text = "The run lies {away} to the {side} of the path: another carriageway, or the route in reverse."
    away, side = Value(abs(float(middle)), "length", 0), "left" if middle > 0 else "right"
    beside = message(text, code="beside-path", away=away, side=side)
    return replace(located, findings=(*located.findings, Finding(beside, hard=False)))


def off_route(run: RunData, why: Message) -> Located:
    """Return a run that is nowhere on the route, with the reason."""
    nowhere = pd.Series(np.nan, index=run.frame.index, name="route_distance")
    return Located(distance=nowhere, findings=(Finding(why, hard=True),))
