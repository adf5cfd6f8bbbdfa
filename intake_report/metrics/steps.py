"""A temperature from a reading with steps: what is known are the times at which the reading changes.

Corners, of a stop, a launch or an entry: what the edges beside them tell of the temperature there.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from intake_report.metrics.series import Bools, Floats, Span, smooth

Ints = NDArray[np.intp]

EDGE = 0.75  # sampling intervals that the time of an edge may be off by; half, and something for the slope's own error
THROUGH = 0.42  # steps at most that a long passage from edge to edge may bend away from the smooth curve
# Share of a step, and of what edges are found again to (`_bends`), that it does; and between which shares of a passage
# it is furthest away. Chosen on the demo's drives, tried on another simulator (tests/metrics/test_corners.py).
LEAST_BEND, AGAIN, SHOULDERS = 0.1, 1.0, (0.2, 0.6)
LEAST_KNOWN = 3  # edges that have to be found again
SETTLE = (0.35, 0.8, 1.5, 2.5)  # nodes of an exponential approach, in time constants: chords within 2 % of a step

# What the slope between a corner and the next edge is at least and at most, in slopes of the passage beyond that edge:
# of exponential soaks and falls whose time constants are 0.7 to 3 times their length (own simulation).
AFTER, BEFORE = (0.7, 1.9), (0.4, 1.15)
LAST = 3.0  # the same where the passage is the last one before the temperature settles
DELAY = 0.7  # of the sensor's time constant, which is an upper limit as often as a value
EARLIER = 2.0  # times as steep as after it, at most, is a soak before the edge in its middle (the same simulation)
RETURN = 0.5  # of the time from an edge to a stop at which a temperature that comes back to the edge is furthest off
PULLING = 1.5  # s after a launch at which hot air of the bay that it draws in is furthest up (own simulation)
SETTLED = 0.3  # steps beyond the edge at which a fall while driving may have come to rest


@dataclass(frozen=True)
class Nodes:
    """What a reading with steps tells about the temperature, as points to interpolate between.

    `time`, `value` (k,): strictly increasing [s], and temperatures [°C]. `straight` (k − 1,): where the passages from edge to edge
    last alike, to the sampling: nothing tells a curve, so none is drawn. `corner` (k,): where the slope may jump: no smooth curve
    spans such a node.

    `open` (m,): times at which `spread` is known, the nodes among them [s]. `spread` (m,): half-width of the rectangular
    uncertainty of the temperature [K]: at an edge the time that it may be off by half a sampling interval, times the slope there;
    between edges the share of the step that the readings leave open; below zero where it is off the other way than the rest of its
    group. `group` (m,): which error it shares: those of one plateau are off together.
    """

    time: Floats
    value: Floats
    straight: Bools
    corner: Bools
    open: Floats
    spread: Floats
    group: Ints

    def at(self, time: Floats) -> Floats:
        """Return the temperature at `time`, (n,), joined smoothly or straight between corners."""
        return _join(self.time, self.value, self.straight, self.corner, time)


@dataclass(frozen=True)
class _Edges:
    """Edges with their temperatures, which plateaus between them are passed through, and the levels of all plateaus."""

    at: Floats
    value: Floats
    passes: Bools
    levels: Floats
    width: Floats
    step: float
    lag: float


def find_nodes(
    time: Floats,
    reading: Floats,
    step: float | None,
    stops: Sequence[Span] = (),
    corners: Sequence[float] = (),
    lag: float = 0.0,
) -> Nodes | None:
    """Return the nodes of a reading with steps; None without steps, with fewer than 3 samples, or where it never changes and has no corner.

    `time` (n,) are true sample times [s], `reading` (n,) is rounded to `step` [°C, K]. The slope of the
    temperature may jump at the limits of `stops` and at further `corners` [s]; `lag` [s] of the sensor delays what begins there.

    Own method. A change from k to k−1 says that the edge between them was crossed between the two samples. On a
    plateau that is left on the side where it was entered, or at the ends of the record, the temperature is taken to
    turn: it settles towards k with the slope that it had at the edge (an exponential with half a step to go), and a
    plateau too short to settle turns earlier (as a corner: slope times half the dwell beyond the edge). On a plateau
    with a corner nothing settles: the temperature at the corner is carried on from the edges on its two sides by the
    slopes of the passages beyond them, see `_corner_range`. A further corner on a plateau that is passed through, such as a
    highway entry in the middle of a fall, bends the temperature by less than the steps show and is left out.
    """
    if not step or time.size < 3:
        return None
    changed = np.flatnonzero(np.abs(np.diff(reading)) > 0.25 * step)
    before, after = reading[changed], reading[changed + 1]
    at, value, jump = 0.5 * (time[changed] + time[changed + 1]), 0.5 * (before + after), after - before
    width = np.diff(time)[changed]  # between the samples about each edge
    ends = [stop.end for stop in stops]
    # a plateau that is left on the side away from where it was entered is little bent by a corner
    beside = [(c, int(np.searchsorted(at, c))) for c in corners]
    turning = [c for c, i in beside if not 0 < i < at.size or np.sign(jump[i - 1]) != np.sign(jump[i])]
    inside = np.unique([c for c in (*(stop.start for stop in stops), *ends, *turning) if time[0] < c < time[-1]])
    soaked = np.isin(inside, ends)
    if at.size == 0 and inside.size == 0:
        return None
    cornered = np.searchsorted(at, inside)  # the plateau of each corner: 0 before the first edge
    dwell = np.diff(at)
    bent = np.isin(np.arange(1, at.size), cornered)  # plateaus between edges that have a corner
    passes = (np.sign(jump[1:]) == np.sign(jump[:-1])) & ~bent
    slope = _edge_slopes(at, value, passes, step)
    parts = [np.stack([at, value, np.minimum(EDGE * slope * width, 0.5 * np.abs(jump)), np.zeros(at.size)])]
    # a plateau that is passed through is left to the interpolation: its node only carries the uncertainty
    through = _bends(at, value, passes, step) * np.minimum(1.0, dwell / (4.0 * width[:-1]))
    middle, n = 0.5 * (at[:-1] + at[1:]), int(passes.sum())
    parts.append(np.stack([middle[passes], np.full(n, np.nan), through[passes], np.zeros(n)]))
    groups = [np.arange(at.size), at.size + np.flatnonzero(passes)]
    shared = 2 * at.size  # each turn, each end of the record and each corner has an error of its own
    levels = np.append(reading[0], value + 0.5 * jump)  # of the plateaus, that before the first edge included
    sides = np.sign(value[:-1] - levels[1:-1])
    plain = np.flatnonzero(~passes & ~bent)
    own = [_turn(at[i], at[i + 1], slope[i], slope[i + 1], levels[i + 1], sides[i], step) for i in plain]
    known = _Edges(at, value, passes, levels, width, step, lag)
    own += _corner_nodes(known, inside, cornered, soaked, slope)
    own += _ends(time, known, slope, cornered)
    parts += own
    groups += [np.full(part.shape[1], shared + k) for k, part in enumerate(own)]
    nodes = np.concatenate(parts, axis=1)
    order = np.lexsort((-nodes[3], nodes[0]))
    order = order[np.concatenate([[True], np.diff(nodes[0, order]) > 1e-9])]
    nodes, group = nodes[:, order], np.concatenate(groups)[order]
    given, corner = np.isfinite(nodes[1]), nodes[3] > 0.0
    # which passages last as long as those beside them, to the sampling of the edges; a turn beside one tells nothing
    similar = (np.abs(np.diff(dwell)) <= 2.0 * width[1:-1]) | ~(passes[1:] & passes[:-1])
    alike = passes & np.append(True, similar) & np.append(similar, True)
    straight = _inside(at, nodes[0, given], alike)
    nodes[1, ~given] = _join(nodes[0, given], nodes[1, given], straight, corner[given], nodes[0, ~given])
    shoulders = [np.stack([(at[:-1] + share * dwell)[passes], through[passes], groups[1]]) for share in SHOULDERS]
    errors = np.concatenate([np.stack([nodes[0], nodes[2], group]), *shoulders], axis=1)
    errors = errors[:, np.argsort(errors[0], kind="stable")]
    of = np.unique(errors[2], return_inverse=True)[1]
    return Nodes(nodes[0], nodes[1], _inside(at, nodes[0], alike), corner, errors[0], errors[1], of)


def _bends(at: Floats, value: Floats, passes: Bools, step: float) -> float:
    """Return how far a passage from edge to edge may bend away from the smooth curve [K].

    Judged by how well edges within falls and rises are found again from those beside them: every second one is left out
    in turn. A smooth recovery finds them to a twentieth of a step, one that traffic and gusts disturb to a third.
    """
    again = np.zeros(at.size)
    if at.size > 4:
        for left in (0, 1):
            kept = slice(1 - left, None, 2)
            again[left::2] = smooth(at[kept], value[kept], at[left::2]) - value[left::2]
    known = np.flatnonzero(passes[:-3] & passes[1:-2] & passes[2:-1] & passes[3:]) + 2
    if known.size < LEAST_KNOWN:
        return THROUGH * step
    return min(THROUGH * step, LEAST_BEND * step + AGAIN * float(np.sqrt(np.mean(again[known] ** 2))))


def _ends(time: Floats, edges: _Edges, slope: Floats, cornered: Ints) -> list[Floats]:
    """Return the nodes from the outermost edges, or corners, to the ends of the record."""
    parts = []
    for end, edge, way, plateau in ((time[-1], -1, 1.0, edges.at.size), (time[0], 0, -1.0, 0)):
        level = edges.levels[plateau]
        if (cornered == plateau).any() or edges.at.size == 0:
            # beyond the last corner nothing tells where in its step the temperature is
            parts.append(np.array([[end], [level], [0.5 * edges.step], [0.0]]))
        else:
            side = float(np.sign(edges.value[edge] - level))
            parts.append(_settle(edges.at[edge], end, slope[edge], level, side, edges.step, way))
    return parts


def _inside(edges: Floats, nodes: Floats, alike: Bools) -> Bools:
    """Return which intervals between nodes lie in a passage that is `alike`, (k − 1,)."""
    plateau = np.searchsorted(edges, 0.5 * (nodes[1:] + nodes[:-1])) - 1
    between = (plateau >= 0) & (plateau < alike.size)
    if alike.size == 0:
        return between
    return np.asarray(between & alike[np.clip(plateau, 0, alike.size - 1)], dtype=np.bool_)


def _join(nodes: Floats, values: Floats, straight: Bools, corner: Bools, at: Floats) -> Floats:
    """Interpolate smoothly between corners, on a straight line where `straight` says so."""
    line = np.interp(at, nodes, values)
    if straight.size == 0:
        return line
    limits = np.unique([0, *np.flatnonzero(corner), nodes.size - 1])
    curve = line.copy()
    for first, last in pairwise(limits.tolist()):
        inside = (at >= nodes[first]) & (at <= nodes[last])
        curve[inside] = smooth(nodes[first : last + 1], values[first : last + 1], at[inside])
    return np.where(straight[np.clip(np.searchsorted(nodes, at, "right") - 1, 0, straight.size - 1)], line, curve)


def _edge_slopes(at: Floats, value: Floats, passes: Bools, step: float) -> Floats:
    """Return the steepness at each edge [K/s]: of the passages beside it, carried on where only one side has one."""
    chord = np.where(passes, np.abs(np.diff(value)) / np.diff(at), np.nan)
    padded = np.concatenate([[np.nan, np.nan], chord, [np.nan, np.nan]])
    earlier, before, after, later = (padded[k : k + at.size] for k in range(4))

    def carried_on(beside: Floats, beyond: Floats) -> Floats:
        """A passage steeper than the one before it goes on steepening, and a fall that slows goes on slowing."""
        change = np.sqrt(np.clip(beside / beyond, 0.25, 1.0))
        return beside * np.where(np.isnan(change), 1.0, change)

    both = np.sqrt(before * after)
    one = np.where(np.isfinite(before), carried_on(before, earlier), carried_on(after, later))
    slope = np.where(np.isfinite(both), both, one)
    # an edge between two turns: nothing tells a slope, so one step in the shorter of the two dwells
    gaps = np.diff(at)
    shorter = np.fmin(np.concatenate([[np.inf], gaps]), np.concatenate([gaps, [np.inf]]))
    return np.where(np.isfinite(slope), slope, step / np.where(np.isfinite(shorter), np.maximum(shorter, 1e-3), 60.0))


def _turn(start: float, end: float, before: float, after: float, level: float, side: float, step: float) -> Floats:
    """Return the nodes of a plateau that is left where it was entered, (4, k)."""
    middle, half = 0.5 * (start + end), 0.5 * step
    slope = 2.0 * before * after / (before + after)
    corner = 0.5 * slope * (end - start)
    top = np.array([[middle], [level + side * (half - half * -np.expm1(-corner / half))], [half], [0.0]])
    if corner < half:
        return top
    left = _settle(start, middle, before, level, side, step, 1.0)
    return np.concatenate([left[:, :-1], top, _settle(end, middle, after, level, side, step, -1.0)[:, :-1]], axis=1)


def _settle(edge: float, until: float, slope: float, level: float, side: float, step: float, way: float) -> Floats:
    """Return nodes of the exponential approach from an edge to `level`, the last one at `until`, (4, k)."""
    half = 0.5 * step
    tau = half / slope
    reach = (until - edge) * way
    after = np.array([x for x in SETTLE if x * tau < 0.9 * reach] + [reach / tau])
    gone = -np.expm1(-after)
    return np.stack([edge + way * after * tau, level + side * half * (1.0 - gone), half * gone, np.zeros(after.size)])


def rebuilt(nodes: Nodes | None, time: Floats, reading: Floats, step: float | None) -> Floats:
    """Return the temperature (n,) [°C] of a reading with steps, by the times at which it changes; the reading without `nodes`.

    `nodes` are those of `time`, `reading` (n,) and `step` by `find_nodes`. Within half a step of the reading.

    Own method: the nodes joined smoothly, so that a slowing fall is followed between two edges (a
    straight chord would cross a margin late). In 800 simulated recoveries (time constant 45 s, margin 1.67 K, one
    sample per second) the crossing has a standard deviation of 0.4 s, against 8.0 s for the first reading below the
    margin. Valid where the temperature moves by less than about one step per sample; a reading that was cut off rather
    than rounded stays low by half a step, which is a bias that the runs share.
    """
    return reading if nodes is None or not step else np.clip(nodes.at(time), reading - 0.5 * step, reading + 0.5 * step)


def _corner_nodes(edges: _Edges, corners: Floats, cornered: Ints, soaked: Bools, slope: Floats) -> list[Floats]:
    """Return the nodes of the corners and of what settles before a stop, (4, n) each: one array for each error."""
    ranges = np.array([_corner_range(edges, k, int(p), corners, soaked) for k, p in enumerate(cornered)])
    linked = _link(edges, corners, cornered, soaked, ranges.reshape(-1, 2))
    parts: list[Floats] = []
    for k, plateau in enumerate(cornered):
        (low, high), corner = ranges[k], float(corners[k])
        half = 0.5 * (high - low)
        node = np.array([[corner], [0.5 * (low + high)], [half], [1.0]])
        if soaked[k]:
            parts.append(_pulling_away(edges, corners, k, int(plateau), node))
        if k > 0 and linked[k - 1]:
            node[2] *= -1.0
            parts[-2] = np.concatenate([parts[-2], node], axis=1)
            continue
        if not soaked[k] and plateau > 0 and (k == 0 or corners[k - 1] <= edges.at[plateau - 1]):
            settling, along = _before_stop(edges, int(plateau), corner, float(node[1, 0]), slope)
            if along:
                settling[2] *= half
                node = np.concatenate([settling, node], axis=1)
            elif settling.size:
                parts.append(settling)
        if not soaked[k]:
            node = np.concatenate([node, _delay(edges, corners, k, int(plateau), node)], axis=1)
        parts.append(node)
    return parts


def _pulling_away(edges: _Edges, corners: Floats, k: int, plateau: int, node: Floats) -> Floats:
    """Return the node, (4, 0 or 1), of what the launch at corner k may still add before the fall: up to the edge not reached."""
    if plateau == edges.at.size or edges.value[plateau] > edges.levels[plateau]:
        return np.empty((4, 0))
    until = min(float(edges.at[plateau]), float(corners[k + 1]) if k + 1 < corners.size else np.inf)
    time, value = float(corners[k]) + min(PULLING, 0.5 * (until - float(corners[k]))), float(node[1, -1])
    return np.array([[time], [value], [max(float(edges.levels[plateau]) + 0.5 * edges.step - value, 0.0)], [1.0]])


def _delay(edges: _Edges, corners: Floats, k: int, plateau: int, node: Floats) -> Floats:
    """Return the node, (4, 0 or 1), at which the soak of stop k has reached the sensor: a ramp through a first-order lag."""
    late, until = DELAY * edges.lag, float(edges.at[plateau] - corners[k]) if plateau < edges.at.size else 0.0
    if late <= 0.0 or until < 2.0 * late or (k + 1 < corners.size and corners[k + 1] < edges.at[plateau]):
        return np.empty((4, 0))
    share = late * np.exp(-1.0) / (until + late * np.expm1(-until / late))
    value = node[1, -1] + share * (edges.value[plateau] - node[1, -1])
    return np.array([[corners[k] + late], [value], [(1.0 - share) * node[2, -1]], [0.0]])


def _corner_range(edges: _Edges, k: int, plateau: int, corners: Floats, soaked: Bools) -> tuple[float, float]:
    """Return the lowest and highest temperature at corner k that both its sides allow.

    A temperature that passes from one edge to the next in a known time has about that slope between the edge and the
    corner too: more of it where it starts at the corner (`AFTER`), less where it ends there after a stop (`BEFORE`),
    and it may have settled where it ends there after driving. Without such a passage the whole plateau is open.
    """
    corner, level, half = float(corners[k]), float(edges.levels[plateau]), 0.5 * edges.step
    # the passages beside the plateau, as far as they lie between this corner and the next ones
    after = corners[k + 1] if k + 1 < corners.size else np.inf
    before = corners[k - 1] if k > 0 else -np.inf
    ranges = []
    for edge, passage in ((plateau, plateau), (plateau - 1, plateau - 2)):
        if not 0 <= passage < edges.passes.size or not edges.passes[passage]:
            continue
        first, last = float(edges.at[passage]), float(edges.at[passage + 1])
        if first < before or last > after:
            continue
        away, late = abs(float(edges.at[edge]) - corner), 0.5 * float(edges.width[edge])  # the edge itself may be off
        near, far = np.array([max(away - late, 0.0), away + late]) / (last - first)
        if edge == plateau:
            slows = passage + 1 >= edges.passes.size or not edges.passes[passage + 1]  # it comes to rest beyond
            most = LAST if slows else AFTER[1]
            gone = AFTER[0] * max(near - edges.lag / (last - first), 0.0), most * far
        else:
            settled = SETTLED * (1.0 - (SETTLED / (1.0 + SETTLED)) ** near)
            gone = (BEFORE[0] * near if soaked[k] else settled), BEFORE[1] * far
        limits = edges.value[edge] + np.sign(level - edges.value[edge]) * edges.step * np.minimum(gone, 1.0)
        ranges.append((float(limits.min()), float(limits.max())))
    if not ranges:
        return level - half, level + half
    inner = max(r[0] for r in ranges), min(r[1] for r in ranges)
    return inner if inner[0] <= inner[1] else (min(r[0] for r in ranges), max(r[1] for r in ranges))


def _link(edges: _Edges, corners: Floats, cornered: Ints, soaked: Bools, ranges: Floats) -> Bools:
    """Narrow, in place, the ranges (corners, 2) of stops with one edge; return which corners share an error with the next.

    What the temperature does before the only edge of a stop and after it is one slope, saturating: what is open at one
    end is open at the other, and a steeper soak lies lower at the stop and higher at the launch.
    """
    linked = np.zeros(corners.size, dtype=np.bool_)
    for k in range(corners.size - 1):
        edge = int(cornered[k])
        if soaked[k] or not soaked[k + 1] or cornered[k + 1] > edge + 1:
            continue
        linked[k] = True
        if cornered[k + 1] == edge:
            continue
        value, way = float(edges.value[edge]), float(np.sign(edges.levels[edge + 1] - edges.levels[edge]))
        since, until = float(edges.at[edge] - corners[k]), float(corners[k + 1] - edges.at[edge])
        # depths beyond the edge, at the stop and at the launch, and their ratio
        deep = np.sort(way * (value - ranges[k])), np.sort(way * (ranges[k + 1] - value))
        ratio = max(since - edges.lag, 0.0) / max(until, 1e-3), EARLIER * since / max(until, 1e-3)
        first = max(deep[0][0], ratio[0] * deep[1][0]), min(deep[0][1], ratio[1] * deep[1][1])
        if first[0] <= first[1]:
            ranges[k] = np.sort(value - way * np.array(first))
        if ratio[0] > 0.0:
            last = max(deep[1][0], deep[0][0] / ratio[1]), min(deep[1][1], deep[0][1] / ratio[0])
            if last[0] <= last[1]:
                ranges[k + 1] = np.sort(value + way * np.array(last))
    return linked


def _before_stop(edges: _Edges, plateau: int, corner: float, value: float, slope: Floats) -> tuple[Floats, bool]:
    """Return nodes of a temperature that settles between the last edge and a stop, (4, n), and whether it settles to `value`.

    One that comes back to the edge it was left by settles on the way to the middle of its step.
    """
    edge = plateau - 1
    entered, half = float(edges.value[edge]), 0.5 * edges.step
    back = abs(entered - value) < half
    target = float(edges.levels[plateau]) if back else value
    reach = (corner - float(edges.at[edge])) * (RETURN if back else 1.0)
    tau = abs(entered - target) / float(slope[edge])
    share = -np.expm1(-np.array([x for x in SETTLE if x * tau < 0.9 * reach]))
    if share.size == 0 or tau > 0.4 * reach:
        return np.empty((4, 0)), False
    whole = -np.expm1(-reach / tau)
    times = edges.at[edge] - tau * np.log1p(-share)
    values = entered + (target - entered) * share / whole
    if back:
        times, share = np.append(times, edges.at[edge] + reach), np.append(share, 1.0)
        values = np.append(values, target)
    return np.stack([times, values, (half if back else 1.0) * share, np.zeros(share.size)]), not back
