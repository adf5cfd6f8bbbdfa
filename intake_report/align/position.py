"""Route distance of one run from its positions: matched onto the path, smoothed by speed; what departs from one pass.

Matching is a hidden Markov model in the manner of Newson and Krumm (Hidden Markov map matching through noise and
sparseness, 2009): the states of a fix are its local nearest points on the path, and being off the route; a transition
costs by how much the way along the path differs from the way driven. Dynamic programming finds the cheapest sequence.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from intake_report.align import model
from intake_report.align.model import Bools, Finding, Floats, Ints, Located, RoutePath
from intake_report.align.path import NODE_SPACING, Fixes, fixes_of, thin
from intake_report.clean import CleanRun
from intake_report.messages import Interval, Listing, Message, Value, message

# Costs are negative log likelihoods; the figures are choices of this package, set on simulated roads that cross and
# repeat themselves (tests/align/test_match.py) and on 30 real laps (tests/align/test_loop_drives.py)
CORRIDOR = 35.0  # m across the path beyond which a vehicle is off the route
POSITION_ERROR = 12.0  # m, standard deviation of a fix across the path: receiver, lane and other carriageway
HEADING_WEIGHT = 4.0  # cost of driving across the path; twice that for driving against it
LEAVE = 4.0  # cost of leaving the route or joining it again
RESTART = 30.0  # cost of joining again well before the point where the route was left
SLACK = (8.0, 0.1)  # m, and m per metre driven, of disagreement between path and odometer that cost one unit
BACKWARD = 5.0  # m against the direction of the path that cost one unit more
REJOIN_SLACK = (30.0, 0.2)  # as SLACK, for a stretch driven off the route, whose way need not be the path's
REJOIN_MOST = 4.0  # most that such a disagreement costs: a detour may be of any length
BEFORE = 20.0  # m before the point of leaving from which joining again is going back
BEAM = 6  # places of leaving that are remembered while off the route
APART = 50.0  # m between two such places
HEADING_REACH = (5.0, 100.0)  # m, least and most, over which the direction of the path is taken
STEADY = 8.0  # m: a shorter move between nodes, less than the error of a fix, has no direction

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


class Matched(NamedTuple):
    """The matched nodes of one run (all shape (n,))."""

    node: Ints  # index of the fix
    way: Floats  # driven up to it [m]
    s: Floats  # unwrapped route distance [m], NaN off the route
    offset: Floats  # distance from the path [m], positive to the left
    restart: Bools  # rejoins well before where the route was left


Stretch = tuple[int, int]  # first and last node on the route without interruption
# How a state was reached: the trail before, the candidate, and whether it rejoins backwards; None at the beginning
Trail = tuple[Any, int, bool] | None
On = tuple[float, int, Trail]  # cost, candidate, trail
Off = tuple[float, float, float, Trail]  # cost, s where left (-inf: never on), driven there, trail


def match(fixes: Fixes, path: RoutePath, wider: float = 1.0) -> Matched:
    """Match the fixes of one run onto a path; the work is linear in the number of nodes.

    `wider` multiplies the corridor and the error of a fix, for a path that is not yet good.
    """
    at = thin(fixes, NODE_SPACING)
    way = fixes.driven[at]
    node, places, offsets, cost = _candidates(fixes.x[at], fixes.y[at], path, wider)
    pick, restart = _viterbi(way, node, places, cost, path)
    s, offset = np.full(len(at), np.nan), np.full(len(at), np.nan)
    on = pick >= 0
    s[on], offset[on] = places[pick[on]], offsets[pick[on]]
    if path.closed:
        # of all laps that a position could belong to, the one nearest to what was driven since the one before
        s[on] = np.unwrap((s - way)[on], period=path.length) + way[on]
    return Matched(node=at, way=way, s=s, offset=offset, restart=restart)


def _candidates(x: Floats, y: Floats, path: RoutePath, wider: float) -> tuple[Ints, Floats, Floats, Floats]:
    """Return the local nearest points of the path for every node: node, s, offset and cost of each."""
    import shapely

    ends = np.column_stack([path.x, path.y])
    segments = shapely.linestrings(np.stack([ends[:-1], ends[1:]], axis=1))
    points = shapely.points(x, y)
    node, seg = shapely.STRtree(segments).query(points, predicate="dwithin", distance=2 * wider * CORRIDOR)
    order = np.lexsort((seg, node))
    node, seg = node[order], seg[order]
    along = shapely.line_locate_point(segments[seg], points[node])
    dx, dy = np.diff(path.x)[seg], np.diff(path.y)[seg]
    span = np.diff(path.s)[seg]
    ux, uy = dx / span, dy / span
    rx, ry = x[node] - path.x[seg], y[node] - path.y[seg]
    distance = np.hypot(rx - ux * along, ry - uy * along)
    # local minima of the distance along the path, group by group of neighbouring segments
    same = (np.diff(node) == 0) & (np.diff(seg) == 1)
    edge = np.ones(min(len(node), 1), dtype=bool)
    falls = np.concatenate([edge, ~same | (distance[1:] < distance[:-1] - 1e-9)])
    keep = np.flatnonzero(falls & np.concatenate([~same | (distance[:-1] <= distance[1:] + 1e-9), edge]))
    node, seg, along, distance = node[keep], seg[keep], along[keep], distance[keep]
    side = np.sign(ux[keep] * ry[keep] - uy[keep] * rx[keep])
    s = path.s[seg] + along
    cost = distance**2 / (2 * (wider * POSITION_ERROR) ** 2) + HEADING_WEIGHT * _against(x, y, node, s, path)
    return node, s, distance * np.where(side == 0, 1.0, side), cost


def _against(x: Floats, y: Floats, node: Ints, s: Floats, path: RoutePath) -> Floats:
    """Return 1 − cosine of the angle between driving and path, 0 along to 2 against: the better of in and out."""
    move = np.hypot(np.diff(x), np.diff(y))
    reach = np.clip(move, *HEADING_REACH)
    worst = np.full(len(node), np.inf)
    for before in (True, False):
        i = np.clip(node - 1 if before else node, 0, len(move) - 1)
        hx, hy = (x[i + 1] - x[i]), (y[i + 1] - y[i])
        (px, py), (qx, qy) = _point(path, s if before else s + reach[i]), _point(path, s - reach[i] if before else s)
        tx, ty = px - qx, py - qy
        norm = np.hypot(hx, hy) * np.hypot(tx, ty)
        cosine = np.divide(hx * tx + hy * ty, norm, out=np.ones_like(norm), where=norm > 0)
        cosine = np.where(np.hypot(hx, hy) < STEADY, 1.0, cosine)
        worst = np.where((node == 0) if before else (node == len(move)), worst, np.minimum(worst, 1.0 - cosine))
    return np.where(np.isfinite(worst), worst, 0.0)


def _point(path: RoutePath, s: Floats) -> tuple[Floats, Floats]:
    at = np.mod(s, path.length) if path.closed else np.clip(s, 0.0, path.length)
    return np.interp(at, path.s, path.x), np.interp(at, path.s, path.y)


def _viterbi(driven: Floats, node: Ints, s: Floats, cost: Floats, path: RoutePath) -> tuple[Ints, Bools]:
    """Return the candidate chosen per node (−1: off the route) and the nodes that rejoin backwards."""
    off_cost = CORRIDOR**2 / (2 * POSITION_ERROR**2)
    loop = path.length if path.closed else 0.0
    n = len(driven)
    first = np.searchsorted(node, np.arange(n + 1)).tolist()
    places, costs, way = s.tolist(), cost.tolist(), driven.tolist()
    on: list[On] = []
    off: list[Off] = [(0.0, -math.inf, 0.0, None)]
    for k in range(n):
        step = way[k] - way[k - 1] if k else 0.0
        slack = SLACK[0] + SLACK[1] * step
        new_on: list[On] = []
        for c in range(first[k], first[k + 1]):
            here = places[c]
            best, trail = math.inf, None
            for total, b, before in on:
                ds = here - places[b]
                if loop:
                    ds -= loop * math.floor(ds / loop + 0.5)
                total += abs(ds - step) / slack
                if ds < 0:
                    total -= ds / BACKWARD
                if total < best:
                    best, trail = total, (before, c, False)
            for total, left, since, before in off:
                again = False
                if left > -math.inf:
                    ds, gone = here - left, way[k] - since
                    if loop:
                        ds = (ds + BEFORE) % loop - BEFORE
                    again = ds < -BEFORE
                    odd = abs(ds - gone) / (REJOIN_SLACK[0] + REJOIN_SLACK[1] * gone)
                    total += LEAVE + (RESTART if again else min(odd, REJOIN_MOST))
                if total < best:
                    best, trail = total, (before, c, again)
            new_on.append((best + costs[c], c, trail))
        outside: list[Off] = [(total + off_cost + LEAVE, places[c], way[k - 1], trail) for total, c, trail in on]
        outside += [(total + off_cost, left, since, trail) for total, left, since, trail in off]
        on, off = new_on, []
        for state in sorted(outside, key=lambda state: state[0]):
            if len(off) < BEAM and all(abs(state[1] - other) > APART for _, other, _, _ in off):
                off.append(state)
    ends = [(total, trail) for total, _, trail in on] + [(total, trail) for total, _, _, trail in off]
    trail = min(ends, key=lambda end: end[0])[1]
    pick, restart = np.full(n, -1, dtype=np.intp), np.zeros(n, dtype=bool)
    while trail is not None:
        trail, c, again = trail
        pick[node[c]], restart[node[c]] = c, again
    return pick, restart


def locate(run: CleanRun, path: RoutePath, wider: float = 1.0) -> Located:
    """Return the route distance of a run with positions along a path; `wider` as in `match`."""
    fixes = fixes_of(run, path.centre)
    matched = match(fixes, path, wider)
    passes = _passes(matched, fixes, wider * CORRIDOR, path)
    kept = max(passes, key=lambda parts: _advance(matched, parts), default=[])
    speed, time = model.speed_samples(run), model.frame_time(run)
    way = model.driven(*speed, time) if speed is not None else np.interp(time, fixes.time, fixes.driven)
    node_time = fixes.time[matched.node]
    ahead, gone = _advance(matched, kept), sum(float(matched.way[j] - matched.way[i]) for i, j in kept)
    scale = ahead / gone if gone > 0.0 and ahead > 0.0 else 1.0
    distance = np.full(len(time), np.nan)
    on = [np.flatnonzero(np.isfinite(matched.s[i : j + 1])) + i for i, j in kept]
    for nodes in on:
        inside = (time >= node_time[nodes[0]]) & (time <= node_time[nodes[-1]])
        distance[inside] = _smooth(way[inside], matched.way[nodes], matched.s[nodes], scale)
    if not path.closed:
        distance = np.clip(distance, 0.0, path.length)
    elif np.isfinite(distance).any():  # by whole laps, so that most of the run lies within the first
        distance -= path.length * np.floor(np.nanmedian(distance) / path.length)
    findings, notes = _departures(matched, fixes, path, passes, kept)
    if fixes.interval() > SLOW_FIX:
        text = "Positions come about every {interval} while driving; between them the way is by speed."
        notes = (*notes, message(text, code="slow-position", interval=Value(fixes.interval(), "time", 0)))
    every = np.concatenate([np.empty(0, dtype=np.intp), *on])
    return Located(
        distance=pd.Series(distance, index=run.frame.index, name="route_distance"),
        cross_track=pd.Series(matched.offset[every], index=node_time[every], name="cross_track"),
        covered=_covered(distance, path),
        findings=(*findings, *_beside(matched.offset[every])),
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


def _covered(distance: Floats, path: RoutePath) -> tuple[tuple[float, float], ...]:
    """Return the covered stretches of the path, folded on a loop, merged and sorted."""
    pieces: list[tuple[float, float]] = []
    for i, j in model.spans_of(np.isfinite(distance)):
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
            a, b = merged[-1][0], max(merged.pop()[1], b)
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
        findings.append(Finding(message(text, code="detour", start=place(a), end=place(b), **off(a, b)), hard=False))
    return tuple(findings), tuple(notes)


def diagnose(run: CleanRun, located: Located, path: RoutePath) -> Located:
    """Return the located run with the reason why it covers too little of the route; off it in reverse or on another."""
    covered = located.metres / path.length
    if covered >= LEAST_COVERAGE or located.refused:
        return located
    fixes = fixes_of(run, path.centre)
    gone = float(fixes.driven[-1] - fixes.driven[0])
    back = replace(path, x=path.x[::-1].copy(), y=path.y[::-1].copy(), s=path.length - path.s[::-1])
    backward = match(fixes, back)
    on = np.isfinite(backward.s)
    turned = float(np.diff(backward.way)[on[1:] & on[:-1]].sum())
    way, along, against = (Value(metres, "distance", 2) for metres in (gone, located.metres, turned))
    if turned > REVERSED[0] * gone and turned > REVERSED[1] * located.metres:
        text = "The run drove the route in reverse: {against} of {way} against its direction."
        return off_route(run, message(text, code="reversed", against=against, way=way))
    if located.metres < OTHER_ROUTE * gone:
        text = "The run is on another route: {along} of the {way} driven lie on this one."
        return off_route(run, message(text, code="wrong-route", way=way, along=along))
    text = "The run covers {share} of the route ({parts} of {length})."
    parts = Listing(tuple(Interval(a, b, "distance", 2) for a, b in located.covered))
    length = Value(path.length, "distance", 2)
    part = message(text, code="part-of-route", share=Value(covered, "share"), parts=parts, length=length)
    return replace(located, findings=(*located.findings, Finding(part, hard=False)))


def _beside(offset: Floats) -> tuple[Finding, ...]:
    """Name a run whose fixes lie to one side of the path throughout."""
    if len(offset) < LEAST_FIXES:
        return ()
    low, middle, high = np.quantile(offset, [0.25, 0.5, 0.75])
    if min(abs(low), abs(high)) < BESIDE[0] or abs(middle) < BESIDE[1] or low * high < 0:
        return ()
    text = "The run lies {away} to the {side} of the path: another carriageway, or the route in reverse."
    away, side = Value(abs(float(middle)), "length", 0), "left" if middle > 0 else "right"
    return (Finding(message(text, code="beside-path", away=away, side=side), hard=False),)


def off_route(run: CleanRun, why: Message) -> Located:
    """Return a run that is nowhere on the route, with the reason."""
    nowhere = pd.Series(np.nan, index=run.frame.index, name="route_distance")
    return Located(distance=nowhere, findings=(Finding(why, hard=True),))
