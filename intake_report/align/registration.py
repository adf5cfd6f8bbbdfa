"""Register runs without a position onto each other: learn the usual speeds, place each run, settle by common stops."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass

import numpy as np

from intake_report.align.events import PLACE_RADIUS, group
from intake_report.align.landmarks import (
    INDEPENDENT,
    LEAST_FELLOWS,
    STEP,
    Likeness,
    Line,
    Profile,
    classes,
    place,
    place_best,
    tally,
    usual_speeds,
)
from intake_report.align.model import Bools, Floats, Ints

# Choices of this package, set as those of `landmarks`.
WINDOW = 2000.0  # m of road whose own best place is sought: five independent observations
WINDOW_REACH = 250.0  # m either way in which it is sought
MARKED = 1.0  # log likelihood by which a window's best place stands out from the mean of all, to be marked enough
WIDE_WINDOW = 10000.0  # m of road by which a misplaced stretch is found: single junctions and jams do not decide
WIDE_REACH = 750.0  # m either way in which it, and a drift, is sought
WIDE_MARKED = 2.0  # as MARKED, among three times as many places
LEAST_MARKED = 5  # windows by which a drift is told
IN_PLACE = 150.0  # m about its place in which a stretch is not misplaced: the acceptance limit of the placement
DISPLACED = 9.0  # log likelihood by which another place has to be better; jams reach 7 on real commutes
REPEAT = 10.0  # m within which stops have to repeat (median) to be landmarks; queues of stop-and-go do not
QUEUE = 15.0  # m, standard deviation of a stop about its place: two or three vehicles ahead
FREEDOM = 30.0  # m, standard deviation of what stops may move a run by: the error of the registration before them
LEAST_STOPS = 3  # stops of one run at common places that may move it
LEAST_RUNS = 3  # runs that have to share a place
SETTLE_ROUNDS, HUBER_ROUNDS = 4, 5  # more change nothing by a metre
PASSES = 5  # rounds of learning and placing; later ones change nothing on the drives of the tests

OWN = Likeness(0.0, np.inf), Likeness(0.0, 0.0, -np.inf)
"""Of the reference, which lies where it lies, as it is and backwards."""


@dataclass(frozen=True)
class Registration:
    """Where a run without a position lies: route distance = `scale` · driven + `offset` [m]."""

    scale: float
    offset: float
    likeness: Likeness
    backward: Likeness  # of the run driven the other way
    shifts: Floats  # (k, 2): middle of each marked window of road, and by how much further on it would rather lie [m]
    drift: tuple[float, float, float]  # m from one end of the run to the other: estimate and its limits of 95 %
    displaced: tuple[tuple[float, float, float], ...]  # from, to [m], and how much further on it lies beyond doubt
    fellows: tuple[float, ...]  # scales of the other runs, none where there are too few

    @property
    def residual(self) -> float | None:
        """RMS of the shifts [m]; None where no stretch is marked enough to tell."""
        return float(np.sqrt(np.mean(self.shifts[:, 1] ** 2))) if len(self.shifts) else None

    @property
    def apart(self) -> float:
        """How far the scale is from the nearest one of another run, 0 where there are too few."""
        return min((abs(self.scale - scale) for scale in self.fellows), default=0.0)

    def route(self, way: Floats) -> Floats:
        """Return route distance [m] of driven distance [m]."""
        return np.asarray(self.scale * way + self.offset, dtype=np.float64)


def _by_shift(run: Profile, table: Floats, line: Line, reach: float) -> tuple[Floats, Floats, Floats]:
    """Return route distances (n,), shifts (m,) [m] and the log likelihood (n, m) of the run being further on by each."""
    s = np.arange(len(table), dtype=np.float64) * STEP
    shifts = np.arange(-reach, reach + STEP / 2, STEP, dtype=np.float64)
    speed = run.at((s[:, None] - line[1] - shifts[None, :]) / line[0])
    score = table[np.arange(len(s))[:, None], classes(speed)]
    likelihood: Floats = np.where(np.isfinite(speed), score, np.nan) * STEP / INDEPENDENT
    return s, shifts, likelihood


def local_shifts(
    run: Profile, table: Floats, line: Line, reach: float = WINDOW_REACH, marked: float = MARKED
) -> Floats:
    """Return where each window of road would rather lie, shape (k, 2): route distance and shift [m].

    Only windows whose best shift within `reach` [m] stands out from the mean of all by `marked` are returned.
    """
    s, shifts, score = _by_shift(run, table, line, reach)
    rows = []
    for a in np.arange(0.0, s[-1] - WINDOW / 2, WINDOW):
        part = score[(s >= a) & (s < a + WINDOW)]
        if np.isnan(part).any():
            continue
        total = part.sum(axis=0)
        best = int(np.argmax(total))
        if total[best] - total.mean() > marked and 0 < best < len(shifts) - 1:
            rows.append((a + WINDOW / 2, shifts[best]))
    return np.array(rows, dtype=np.float64).reshape(-1, 2)


def drift_along(run: Profile, table: Floats, line: Line) -> tuple[float, float, float]:
    """Return by how much a run's shift grows from one end to the other, and the limits of 95 % [m]; 0 where too few tell.

    Theil–Sen slope over the windows: up to 29 % of them, jammed or alike elsewhere, leave it alone.
    """
    from scipy.stats import theilslopes

    shifts = local_shifts(run, table, line, WIDE_REACH, WIDE_MARKED)
    if len(shifts) < LEAST_MARKED:
        return 0.0, 0.0, 0.0
    slope = theilslopes(shifts[:, 1], shifts[:, 0])
    low, middle, high = (float(value) * line[0] * run.length for value in (slope[2], slope[0], slope[3]))
    return middle, low, high


def displaced(run: Profile, table: Floats, line: Line) -> tuple[tuple[float, float, float], ...]:
    """Return long stretches of road that lie elsewhere beyond doubt: from, to, and by how much further on [m]."""
    s, shifts, score = _by_shift(run, table, line, WIDE_REACH)
    width = min(WIDE_WINDOW, s[-1] / 2)
    rows = []
    for a in np.arange(0.0, s[-1] - width + STEP, width / 2):
        total = np.nansum(score[(s >= a) & (s < a + width)], axis=0)
        best = int(np.argmax(total))
        in_place = total[np.abs(shifts) <= IN_PLACE].max()
        if total[best] - in_place > DISPLACED and 0 < best < len(shifts) - 1:
            rows.append((float(a), float(min(a + width, s[-1])), float(shifts[best])))
    return tuple(rows)


def _registration(
    run: Profile, table: Floats, line: Line, likeness: Sequence[Likeness], fellows: Sequence[float] = ()
) -> Registration:
    shifts, drift, away = local_shifts(run, table, line), drift_along(run, table, line), displaced(run, table, line)
    others = tuple(fellows) if len(fellows) >= LEAST_FELLOWS else ()
    return Registration(*line, likeness[0], likeness[1], shifts, drift, away, others)


def register(
    profiles: Sequence[Profile], stops: Sequence[Floats], reference: int, ignore: Bools | None = None
) -> tuple[Registration, ...]:
    """Register runs onto the driven distance of one of them; the work is linear in their number.

    `stops`: driven distance at each run's stops [m]; `reference`: the run whose driven distance is the route distance;
    `ignore`: cells of its profile to leave out, so that the result can be judged there.
    """
    grid = np.arange(len(profiles[reference].speed), dtype=np.float64) * STEP
    lines: dict[int, Line] = {reference: (1.0, 0.0)}
    told: dict[int, Sequence[Likeness]] = {}

    def learnt() -> tuple[dict[int, Floats], Floats]:
        placed = (i for i in lines if i == reference or told[i][0].told)
        tallies = {i: place(profiles[i], grid, lines[i]) for i in placed}
        return tallies, np.sum(list(tallies.values()), axis=0)

    for turn in range(PASSES):
        tallies, total = learnt()
        for i, profile in enumerate(profiles):
            if i == reference and (turn == 0 or len(tallies) < LEAST_RUNS):
                told[i] = OWN
                continue
            table = usual_speeds(total - tallies.get(i, 0.0))
            if ignore is not None:
                table[ignore] = 0.0
            lines[i], *told[i] = place_best(profile, table, [lines[j][0] for j in tallies if j != i])
        lines = _anchor(lines, reference)
    lines = settle(lines, stops, {i: p.length for i, p in enumerate(profiles)}, anchor=reference)
    tallies, total = learnt()
    return tuple(
        _registration(
            profile,
            usual_speeds(total - tallies.get(i, 0.0)),
            lines[i],
            told[i],
            [lines[j][0] for j in tallies if j != i],
        )
        for i, profile in enumerate(profiles)
    )


def register_onto(
    profiles: Sequence[Profile], stops: Sequence[Floats], known: Sequence[Floats], known_stops: Sequence[Floats]
) -> tuple[Registration, ...]:
    """Register runs onto the route distance of runs whose place is known.

    `stops`: driven distance at the stops of the runs to place [m]; `known` (cells,): speed of the placed runs by route
    distance [km/h], NaN where not covered; `known_stops`: route distance at their stops [m].
    """
    table = usual_speeds(np.sum([tally(speed) for speed in known], axis=0))
    best = [place_best(profile, table) for profile in profiles]
    n = len(profiles)
    lines = {i: line for i, (line, _, _) in enumerate(best)} | {n + k: (1.0, 0.0) for k in range(len(known))}
    length = {i: profile.length for i, profile in enumerate(profiles)}
    lines = settle(lines, [*stops, *known_stops], length, fixed=range(n, n + len(known)))
    return tuple(
        _registration(profile, table, lines[i], likeness)
        for i, (profile, (_, *likeness)) in enumerate(zip(profiles, best, strict=True))
    )


def _anchor(lines: dict[int, Line], reference: int) -> dict[int, Line]:
    """Return all lines changed alike so that the reference keeps its own driven distance."""
    scale, offset = lines[reference]
    return {i: (k / scale, (c - offset) / scale) for i, (k, c) in lines.items()}


def settle(
    lines: dict[int, Line],
    stops: Sequence[Floats],
    length: dict[int, float],
    anchor: int | None = None,
    fixed: Container[int] = (),
) -> dict[int, Line]:
    """Return the lines corrected by the stops that three runs or more share.

    Huber weights keep a run that stopped elsewhere from pulling. The result is kept only where stops then repeat within
    `REPEAT`: in dense traffic they do not, and moving runs by them brings them no nearer to each other. Runs in `fixed`
    do not move; at last all move alike so that `anchor` keeps its own.
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
            if i in fixed or own.sum() < LEAST_STOPS:
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
        if anchor is not None:
            lines = _anchor(lines, anchor)
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
