"""Corners of a temperature that is read in steps: what the edges beside a stop, a launch or an entry tell of it there."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from intake_report.metrics.series import Bools, Floats

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
class Edges:
    """Edges with their temperatures, which plateaus between them are passed through, and the levels of all plateaus."""

    at: Floats
    value: Floats
    passes: Bools
    levels: Floats
    width: Floats
    step: float
    lag: float


def corner_nodes(
    edges: Edges, corners: Floats, cornered: NDArray[np.intp], soaked: Bools, slope: Floats
) -> list[Floats]:
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


def _pulling_away(edges: Edges, corners: Floats, k: int, plateau: int, node: Floats) -> Floats:
    """Return the node, (4, 0 or 1), of what the launch at corner k may still add before the fall: up to the edge not reached."""
    if plateau == edges.at.size or edges.value[plateau] > edges.levels[plateau]:
        return np.empty((4, 0))
    until = min(float(edges.at[plateau]), float(corners[k + 1]) if k + 1 < corners.size else np.inf)
    time, value = float(corners[k]) + min(PULLING, 0.5 * (until - float(corners[k]))), float(node[1, -1])
    top = float(edges.levels[plateau]) + 0.5 * edges.step
    return np.array([[time], [value], [max(top - value, 0.0)], [1.0]])


def _delay(edges: Edges, corners: Floats, k: int, plateau: int, node: Floats) -> Floats:
    """Return the node, (4, 0 or 1), at which the soak of stop k has reached the sensor: a ramp through a first-order lag."""
    late, until = DELAY * edges.lag, float(edges.at[plateau] - corners[k]) if plateau < edges.at.size else 0.0
    if late <= 0.0 or until < 2.0 * late or (k + 1 < corners.size and corners[k + 1] < edges.at[plateau]):
        return np.empty((4, 0))
    share = late * np.exp(-1.0) / (until + late * np.expm1(-until / late))
    value = node[1, -1] + share * (edges.value[plateau] - node[1, -1])
    return np.array([[corners[k] + late], [value], [(1.0 - share) * node[2, -1]], [0.0]])


def _corner_range(edges: Edges, k: int, plateau: int, corners: Floats, soaked: Bools) -> tuple[float, float]:
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
        way = np.sign(level - edges.value[edge]) * edges.step
        limits = edges.value[edge] + way * np.minimum(gone, 1.0)
        ranges.append((float(limits.min()), float(limits.max())))
    if not ranges:
        return level - half, level + half
    inner = max(r[0] for r in ranges), min(r[1] for r in ranges)
    return inner if inner[0] <= inner[1] else (min(r[0] for r in ranges), max(r[1] for r in ranges))


def _link(edges: Edges, corners: Floats, cornered: NDArray[np.intp], soaked: Bools, ranges: Floats) -> Bools:
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


def _before_stop(edges: Edges, plateau: int, corner: float, value: float, slope: Floats) -> tuple[Floats, bool]:
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
