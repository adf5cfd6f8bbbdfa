"""Register runs without a position onto each other: learn the usual speeds, place each run, settle by common stops."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from intake_report.align.events import PLACE_RADIUS, group
from intake_report.align.landmarks import LEAST_FELLOWS, STEP, Likeness, Line, Profile, place, place_best, usual_speeds
from intake_report.align.model import Bools, Floats, Ints
from intake_report.align.placement import Placement, evidence, place_all

# Choices of this package, set as those of `landmarks`.
REPEAT = 10.0  # m within which stops have to repeat (median) to be landmarks; queues of stop-and-go do not
QUEUE = 15.0  # m, standard deviation of a stop about its place: two or three vehicles ahead
FREEDOM = 30.0  # m, standard deviation of what stops may move a run by: the error of the registration before them
LEAST_STOPS = 3  # stops of one run at common places that may move it
LEAST_RUNS = 3  # runs that have to share a place
SETTLE_ROUNDS, HUBER_ROUNDS = 4, 5  # more change nothing by a metre
PASSES = 5  # rounds of learning and placing; later ones change nothing on the drives of the tests

OWN = Likeness(0.0, np.inf), Likeness(0.0, 0.0, -np.inf)  # of the reference, as it is and backwards


class Registration(NamedTuple):
    """Where a run without a position lies: route distance = `scale` · driven + `offset` [m].

    `backward`: likeness of the run driven the other way; `placement`: stretch by stretch, None where it covers none; `fellows`:
    scales of the other runs, none where there are too few.
    """

    scale: float
    offset: float
    likeness: Likeness
    backward: Likeness
    placement: Placement | None
    fellows: tuple[float, ...]

    @property
    def apart(self) -> float:
        """How far the scale is from the nearest one of another run, 0 where there are too few."""
        return min((abs(self.scale - scale) for scale in self.fellows), default=0.0)

    def route(self, way: Floats) -> Floats:
        """Return route distance [m] of driven distance [m]."""
        return np.asarray(self.scale * way + self.offset, dtype=np.float64)


def register(
    profiles: Sequence[Profile], stops: Sequence[Floats], known: Sequence[int], ignore: Bools | None = None
) -> tuple[Registration, ...]:
    """Register runs onto the route distance of those that are `known`; the work is linear in the number of runs.

    `stops`: driven distance at each run's stops [m]; `known`: runs whose driven distance is the route distance: the one
    reference by speed, or all runs with a position, NaN where they do not cover the route; `ignore`: cells of their profiles
    to leave out, so that the result can be judged there.
    """
    grid = np.arange(len(profiles[known[0]].speed), dtype=np.float64) * STEP
    lines: dict[int, Line] = dict.fromkeys(known, (1.0, 0.0))
    told: dict[int, tuple[Likeness, Likeness]] = dict.fromkeys(known, OWN)
    reference = known[0] if len(known) == 1 else None

    def learnt() -> tuple[dict[int, Floats], Floats]:
        tallies = {i: place(profiles[i], grid, lines[i]) for i in lines if i in known or told[i][0].told}
        return tallies, np.sum(list(tallies.values()), axis=0)

    for turn in range(PASSES):
        tallies, total = learnt()
        for i, profile in enumerate(profiles):
            if i in known and (reference is None or turn == 0 or len(tallies) < LEAST_RUNS):
                continue
            table = usual_speeds(total - tallies.get(i, 0.0))
            if ignore is not None:
                table[ignore] = 0.0
            lines[i], forward, backward = place_best(profile, table, [lines[j][0] for j in tallies if j != i])
            told[i] = forward, backward
        lines = _anchor(lines, reference)
    lines = settle(lines, stops, {i: p.length for i, p in enumerate(profiles)}, known)
    tallies, total = learnt()
    own = {i: evidence(profiles[i], usual_speeds(total - tallies[i]), lines[i]) for i in tallies}
    placements = dict(zip(own, place_all(list(own.values())), strict=True))
    rows = []
    for i in range(len(profiles)):
        fellows = tuple(lines[j][0] for j in tallies if j != i)
        fellows = fellows if len(fellows) >= LEAST_FELLOWS else ()
        rows.append(Registration(*lines[i], *told[i], placements.get(i), fellows))
    return tuple(rows)


def _anchor(lines: dict[int, Line], reference: int | None) -> dict[int, Line]:
    """Return all lines changed alike so that the one reference, if there is one, keeps its own driven distance."""
    if reference is None:
        return lines
    scale, offset = lines[reference]
    return {i: (k / scale, (c - offset) / scale) for i, (k, c) in lines.items()}


def settle(
    lines: dict[int, Line], stops: Sequence[Floats], length: dict[int, float], known: Sequence[int]
) -> dict[int, Line]:
    """Return the lines corrected by the stops that three runs or more share.

    Huber weights keep a run that stopped elsewhere from pulling. The result is kept only where stops then repeat within
    `REPEAT`: in dense traffic they do not, and moving runs by them brings them no nearer to each other. Several `known` runs
    do not move; with one, at last all move alike so that it keeps its own.
    """
    before = lines
    owner = np.concatenate([np.full(len(stops[i]), i) for i in lines])
    way = np.concatenate([stops[i] for i in lines])
    for _ in range(SETTLE_ROUNDS):
        at = _stops_at(lines, stops)
        goal = common_places(owner, at)
        lines = dict(lines)
        for i in lines:
            own = (owner == i) & np.isfinite(goal)
            if (i in known and len(known) > 1) or own.sum() < LEAST_STOPS:
                continue
            middle = length[i] / 2
            basis = np.column_stack([np.ones(int(own.sum())), way[own] / middle - 1.0])
            miss = goal[own] - at[own]
            weight = np.ones(len(miss))
            for _ in range(HUBER_ROUNDS):
                w = weight / QUEUE**2
                normal = basis.T @ (w[:, None] * basis) + np.eye(2) / FREEDOM**2
                move, tilt = np.linalg.solve(normal, basis.T @ (w * miss))
                left = np.abs(miss - basis @ np.array([move, tilt]))
                weight = np.minimum(1.0, QUEUE / np.maximum(left, 1e-9))
            lines[i] = (lines[i][0] + float(tilt) / middle, lines[i][1] + float(move - tilt))
        lines = _anchor(lines, known[0] if len(known) == 1 else None)
    at = _stops_at(lines, stops)
    miss = np.abs(common_places(owner, at) - at)
    miss = miss[np.isfinite(miss)]
    return lines if len(miss) and np.median(miss) <= REPEAT else before


def _stops_at(lines: dict[int, Line], stops: Sequence[Floats]) -> Floats:
    return np.concatenate([scale * stops[i] + offset for i, (scale, offset) in lines.items()])


def common_places(owner: Ints, at: Floats) -> Floats:
    """Return the median route distance of the place of each stop [m], NaN where fewer than three runs share it."""
    goal = np.full(len(at), np.nan)
    label = group(at, 2 * PLACE_RADIUS)
    for which in np.unique(label):
        members = label == which
        if len(np.unique(owner[members])) >= LEAST_RUNS:
            goal[members] = np.median(at[members])
    return goal
