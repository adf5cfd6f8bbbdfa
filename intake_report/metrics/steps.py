"""A temperature from a reading with steps: what is known are the times at which the reading changes."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from intake_report.metrics.corners import SETTLE, Edges, corner_nodes
from intake_report.metrics.series import Bools, Floats, Span

EDGE = 0.75  # sampling intervals that the time of an edge may be off by; half, and something for the slope's own error
THROUGH = 0.42  # steps at most that a long passage from edge to edge may bend away from the smooth curve
# Share of a step, and of what edges are found again to (`_bends`), that it does; and between which shares of a passage
# it is furthest away. Chosen on the demo's drives, tried on another simulator (tests/metrics/test_corners.py).
LEAST_BEND, AGAIN, SHOULDERS = 0.1, 1.0, (0.2, 0.6)
LEAST_KNOWN = 3  # edges that have to be found again


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
    group: NDArray[np.intp]

    def at(self, time: Floats) -> Floats:
        """Return the temperature at `time`, (n,), joined smoothly or straight between corners."""
        return _join(self.time, self.value, self.straight, self.corner, time)


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

    Notes
    -----
    Own method. A change from k to k−1 says that the edge between them was crossed between the two samples. On a
    plateau that is left on the side where it was entered, or at the ends of the record, the temperature is taken to
    turn: it settles towards k with the slope that it had at the edge (an exponential with half a step to go), and a
    plateau too short to settle turns earlier (as a corner: slope times half the dwell beyond the edge). On a plateau
    with a corner nothing settles: the temperature at the corner is carried on from the edges on its two sides by the
    slopes of the passages beyond them, see `corners`. A further corner on a plateau that is passed through, such as a
    highway entry in the middle of a fall, bends the temperature by less than the steps show and is left out.
    """
    if not step or time.size < 3:
        return None
    at, value, jump, width = _edges(time, reading, step)
    ends = [stop.end for stop in stops]
    turning = [c for c in corners if not _passed(at, jump, c)]
    inside = np.unique([c for c in (*(stop.start for stop in stops), *ends, *turning) if time[0] < c < time[-1]])
    soaked = np.isin(inside, ends)
    if at.size == 0 and inside.size == 0:
        return None
    cornered = np.searchsorted(at, inside)  # the plateau of each corner: 0 before the first edge
    dwell = np.diff(at)
    bent = np.isin(np.arange(1, at.size), cornered)  # plateaus between edges that have a corner
    passes = (np.sign(jump[1:]) == np.sign(jump[:-1])) & ~bent
    slope = _edge_slopes(at, value, passes, step)
    spread = np.minimum(EDGE * slope * width, 0.5 * np.abs(jump))
    parts = [np.stack([at, value, spread, np.zeros(at.size)])]
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
    known = Edges(at, value, passes, levels, width, step, lag)
    own += corner_nodes(known, inside, cornered, soaked, slope)
    own += _ends(time, known, slope, cornered)
    parts += own
    groups += [np.full(part.shape[1], shared + k) for k, part in enumerate(own)]
    nodes = np.concatenate(parts, axis=1)
    order = np.lexsort((-nodes[3], nodes[0]))
    order = order[np.concatenate([[True], np.diff(nodes[0, order]) > 1e-9])]
    nodes, group = nodes[:, order], np.concatenate(groups)[order]
    given, corner = np.isfinite(nodes[1]), nodes[3] > 0.0
    alike = _alike(dwell, width, passes)
    straight = _inside(at, nodes[0, given], alike)
    nodes[1, ~given] = _join(nodes[0, given], nodes[1, given], straight, corner[given], nodes[0, ~given])
    shoulders = [
        np.stack([at[:-1] + share * dwell, through, groups[0][:-1] + at.size])[:, passes] for share in SHOULDERS
    ]
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


def _passed(at: Floats, jump: Floats, when: float) -> bool:
    """Return whether the plateau at a time is left on the side away from where it was entered: a corner bends it little."""
    edge = int(np.searchsorted(at, when))
    return 0 < edge < at.size and bool(np.sign(jump[edge - 1]) == np.sign(jump[edge]))


def _edges(time: Floats, reading: Floats, step: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Return time [s] and temperature of the edges, the jumps [K], and the time between the samples about them [s]."""
    changed = np.flatnonzero(np.abs(np.diff(reading)) > 0.25 * step)
    before, after = reading[changed], reading[changed + 1]
    return 0.5 * (time[changed] + time[changed + 1]), 0.5 * (before + after), after - before, np.diff(time)[changed]


def _ends(time: Floats, edges: Edges, slope: Floats, cornered: NDArray[np.intp]) -> list[Floats]:
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


def _alike(dwell: Floats, width: Floats, passes: Bools) -> Bools:
    """Return which passages last as long as those beside them, to the sampling of the edges, (edges − 1,)."""
    similar = np.abs(np.diff(dwell)) <= 2.0 * width[1:-1]
    similar |= ~(passes[1:] & passes[:-1])  # a turn beside it tells nothing
    return np.asarray(passes & np.append(True, similar) & np.append(similar, True), dtype=np.bool_)


def _inside(edges: Floats, nodes: Floats, alike: Bools) -> Bools:
    """Return which intervals between nodes lie in a passage that is `alike`, (k − 1,)."""
    plateau = np.searchsorted(edges, 0.5 * (nodes[1:] + nodes[:-1])) - 1
    between = (plateau >= 0) & (plateau < alike.size)
    if alike.size == 0:
        return np.zeros(between.shape, dtype=np.bool_)
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
    interval = np.clip(np.searchsorted(nodes, at, "right") - 1, 0, straight.size - 1)
    return np.where(straight[interval], line, curve)


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
    fallback = step / np.where(np.isfinite(shorter), np.maximum(shorter, 1e-3), 60.0)
    return np.where(np.isfinite(slope), slope, fallback)


def _turn(
    start: float, end: float, slope_in: float, slope_out: float, level: float, side: float, step: float
) -> Floats:
    """Return the nodes of a plateau that is left where it was entered, (4, k)."""
    middle, half = 0.5 * (start + end), 0.5 * step
    slope = 2.0 * slope_in * slope_out / (slope_in + slope_out)
    corner = 0.5 * slope * (end - start)
    beyond = half * -np.expm1(-corner / half)
    top = np.array([[middle], [level + side * (half - beyond)], [half], [0.0]])
    if corner < half:
        return top
    left = _settle(start, middle, slope_in, level, side, step, 1.0)
    right = _settle(end, middle, slope_out, level, side, step, -1.0)
    return np.concatenate([left[:, :-1], top, right[:, :-1]], axis=1)


def _settle(edge: float, until: float, slope: float, level: float, side: float, step: float, way: float) -> Floats:
    """Return nodes of the exponential approach from an edge to `level`, the last one at `until`, (4, k)."""
    half = 0.5 * step
    tau = half / slope
    reach = (until - edge) * way
    after = np.array([x for x in SETTLE if x * tau < 0.9 * reach] + [reach / tau])
    gone = -np.expm1(-after)
    return np.stack([edge + way * after * tau, level + side * half * (1.0 - gone), half * gone, np.zeros(after.size)])


def smooth(nodes: Floats, values: Floats, at: Floats) -> Floats:
    """Interpolate points `nodes`, `values` (k,), increasing, at `at` (n,) without overshoot; constant beyond the ends.

    Monotone piecewise cubic (F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300), as scipy has it.
    """
    if nodes.size < 3:
        return np.interp(at, nodes, values)
    from scipy.interpolate import PchipInterpolator

    inside = np.clip(at, nodes[0], nodes[-1])
    return np.asarray(PchipInterpolator(nodes, values)(inside), dtype=np.float64)


def rebuilt(nodes: Nodes | None, time: Floats, reading: Floats, step: float | None) -> Floats:
    """Return the temperature (n,) [°C] of a reading with steps, by the times at which it changes; the reading without `nodes`.

    `nodes` are those of `time`, `reading` (n,) and `step` by `find_nodes`. Within half a step of the reading.

    Notes
    -----
    Own method: the nodes joined smoothly, so that a slowing fall is followed between two edges (a
    straight chord would cross a margin late). In 800 simulated recoveries (time constant 45 s, margin 1.67 K, one
    sample per second) the crossing has a standard deviation of 0.4 s, against 8.0 s for the first reading below the
    margin. Valid where the temperature moves by less than about one step per sample; a reading that was cut off rather
    than rounded stays low by half a step, which is a bias that the runs share.
    """
    if nodes is None or not step:
        return reading
    return np.clip(nodes.at(time), reading - 0.5 * step, reading + 0.5 * step)
