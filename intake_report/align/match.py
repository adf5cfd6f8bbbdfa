"""Match a run onto the reference path as a whole.

A hidden Markov model in the manner of Newson and Krumm (Hidden Markov map matching through noise and sparseness,
2009): the states of a fix are its local nearest points on the path, and being off the route; a transition costs by
how much the way along the path differs from the way driven. Dynamic programming finds the cheapest sequence.
"""

import math
from typing import Any, NamedTuple

import numpy as np

from intake_report.align.model import Bools, Floats, Ints, RoutePath
from intake_report.align.path import NODE_SPACING, Fixes, thin

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


class Matched(NamedTuple):
    """The matched nodes of one run (all shape (n,))."""

    node: Ints  # index of the fix
    way: Floats  # driven up to it [m]
    s: Floats  # unwrapped route distance [m], NaN off the route
    offset: Floats  # distance from the path [m], positive to the left
    restart: Bools  # rejoins well before where the route was left


# How a state was reached: the trail before, the candidate, and whether it rejoins backwards; None at the beginning
Trail = tuple[Any, int, bool] | None


class _Candidates(NamedTuple):
    node: Ints
    s: Floats
    offset: Floats
    cost: Floats


def match(fixes: Fixes, path: RoutePath, wider: float = 1.0) -> Matched:
    """Match the fixes of one run, in the path's local metres, onto a path; the work is linear in the number of nodes.

    `wider` multiplies the corridor and the error of a fix, for a path that is not yet good.
    """
    at = thin(fixes, NODE_SPACING)
    way = fixes.driven[at]
    candidates = _candidates(fixes.x[at], fixes.y[at], path, wider)
    pick, restart = _viterbi(len(at), way, candidates, path)
    s, offset = np.full(len(at), np.nan), np.full(len(at), np.nan)
    on = pick >= 0
    s[on], offset[on] = candidates.s[pick[on]], candidates.offset[pick[on]]
    if path.closed:
        # of all laps that a position could belong to, the one nearest to what was driven since the one before
        s[on] = np.unwrap((s - way)[on], period=path.length) + way[on]
    return Matched(node=at, way=way, s=s, offset=offset, restart=restart)


def _candidates(x: Floats, y: Floats, path: RoutePath, wider: float) -> _Candidates:
    """Return the local nearest points of the path for every node, with the cost of each."""
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
    rises = np.concatenate([~same | (distance[:-1] <= distance[1:] + 1e-9), edge])
    keep = np.flatnonzero(falls & rises)
    node, seg, along, distance = node[keep], seg[keep], along[keep], distance[keep]
    side = np.sign(ux[keep] * ry[keep] - uy[keep] * rx[keep])
    s = path.s[seg] + along
    cost = distance**2 / (2 * (wider * POSITION_ERROR) ** 2)
    cost = cost + HEADING_WEIGHT * _against(x, y, node, s, path)
    return _Candidates(node=node, s=s, offset=distance * np.where(side == 0, 1.0, side), cost=cost)


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
        edge = (node == 0) if before else (node == len(move))
        worst = np.where(edge, worst, np.minimum(worst, 1.0 - cosine))
    return np.where(np.isfinite(worst), worst, 0.0)


def _point(path: RoutePath, s: Floats) -> tuple[Floats, Floats]:
    at = np.mod(s, path.length) if path.closed else np.clip(s, 0.0, path.length)
    return np.interp(at, path.s, path.x), np.interp(at, path.s, path.y)


def _viterbi(n: int, driven: Floats, candidates: _Candidates, path: RoutePath) -> tuple[Ints, Bools]:
    """Return the candidate chosen per node (−1: off the route) and the nodes that rejoin backwards."""
    off_cost = CORRIDOR**2 / (2 * POSITION_ERROR**2)
    loop = path.length if path.closed else 0.0
    first = np.searchsorted(candidates.node, np.arange(n + 1)).tolist()
    s_all, e_all, way = candidates.s.tolist(), candidates.cost.tolist(), driven.tolist()
    # on: (cost, candidate, trail); off: (cost, s where left or None, driven there, trail)
    on: list[tuple[float, int, Trail]] = []
    off: list[tuple[float, float | None, float, Trail]] = [(0.0, None, 0.0, None)]
    for k in range(n):
        step = way[k] - way[k - 1] if k else 0.0
        slack = SLACK[0] + SLACK[1] * step
        new_on: list[tuple[float, int, Trail]] = []
        for c in range(first[k], first[k + 1]):
            s = s_all[c]
            best, trail = math.inf, None
            for cost, b, before in on:
                ds = s - s_all[b]
                if loop:
                    ds -= loop * math.floor(ds / loop + 0.5)
                cost += abs(ds - step) / slack
                if ds < 0:
                    cost -= ds / BACKWARD
                if cost < best:
                    best, trail = cost, (before, c, False)
            for cost, left, since, before in off:
                again = False
                if left is not None:
                    ds, gone = s - left, way[k] - since
                    if loop:
                        ds = (ds + BEFORE) % loop - BEFORE
                    again = ds < -BEFORE
                    odd = abs(ds - gone) / (REJOIN_SLACK[0] + REJOIN_SLACK[1] * gone)
                    cost += LEAVE + (RESTART if again else min(odd, REJOIN_MOST))
                if cost < best:
                    best, trail = cost, (before, c, again)
            new_on.append((best + e_all[c], c, trail))
        outside: list[tuple[float, float | None, float, Trail]] = [
            (cost + off_cost + LEAVE, s_all[c], way[k - 1], trail) for cost, c, trail in on
        ]
        outside += [(cost + off_cost, left, since, trail) for cost, left, since, trail in off]
        on, off = new_on, []
        for state in sorted(outside, key=lambda state: state[0]):
            if len(off) < BEAM and all(_apart(state[1], other) for _, other, _, _ in off):
                off.append(state)
    ends = [(cost, trail) for cost, _, trail in on] + [(cost, trail) for cost, _, _, trail in off]
    trail = min(ends, key=lambda end: end[0])[1]
    pick, restart = np.full(n, -1, dtype=np.intp), np.zeros(n, dtype=bool)
    while trail is not None:
        trail, c, again = trail
        pick[candidates.node[c]], restart[candidates.node[c]] = c, again
    return pick, restart


def _apart(a: float | None, b: float | None) -> bool:
    return a is not b if a is None or b is None else abs(a - b) > APART
