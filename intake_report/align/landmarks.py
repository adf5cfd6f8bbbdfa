"""Register runs without a position by the shape of their speed over distance.

The runs together tell, place by place, which speeds are usual there: a junction, a bend, a ramp are landmarks because
speeds there are alike and unlike those elsewhere; a stretch that is jammed on some days tells little. Each run is
placed by scale and offset where its speeds are most likely, the usual speeds are learnt again from the placed runs, and
so on; common stops settle the last metres. Warping about that line was tried and dropped: on 30 real laps with known
positions it came no nearer to them than the line alone.
"""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from intake_report.align.events import driven, group
from intake_report.align.model import Bools, Floats, Ints

# Choices of this package, set on replayed driving cycles and real commutes (tests/align/test_landmarks.py) unless a
# line says otherwise. Likelihoods are natural logarithms of a ratio against speeds at unrelated places.
BIN = 5.0  # km/h per class of speed
CLASSES = 50
SPREAD = 8.0  # km/h, standard deviation of speed at one place and in like traffic
FLOOR = 0.5  # runs' worth of belief in "any speed" at every place
ODD = 0.2  # share of driving in which traffic leaves nothing of the usual speeds
REACH = 60.0  # m over which the usual speeds of a place are shared with its neighbours
INDEPENDENT = 400.0  # m of driving that count as one independent observation of speed
SCALE_SPREAD = 0.02  # standard deviation of the scale between two odometers, as expected beforehand: tyres, rounding
FELLOW_SPREAD = 0.002  # the same between runs of one car, tyres and season (real commutes: 0.001)
FELLOW_SHARE = 0.9  # of the runs that are expected to have a scale like another's
LEAST_FELLOWS = 3  # runs by whose scales another's is judged
SCALE_ALONE = 0.004  # from the nearest scale of another run, from which a run may be misplaced: two of these spreads
SCALES = np.arange(0.94, 1.0601, 0.005)  # three of these standard deviations either way
COARSE = 10  # steps per cell of the search
LEAST_OVERLAP = 0.25  # of the shorter profile
PRESENCE = 0.5  # log likelihood per observation for lying on the route at all
ANOTHER_PLACE = 1000.0  # m between the middles of a run in the best place and in the runner-up
# steps in which a place is refined: reach and grain of the middle [m], reach and grain of the scale
POLISH = ((150.0, 15.0, 0.006, 0.001), (20.0, 2.5, 0.0015, 0.00025))
WINDOW = 2000.0  # m of road whose own best place is sought: five independent observations
WINDOW_REACH = 250.0  # m either way in which it is sought
WIDE_WINDOW = 10000.0  # m of road by which a misplaced stretch is found: single junctions and jams do not decide
WIDE_REACH = 750.0  # m either way in which it is sought
IN_PLACE = 150.0  # m about its place in which a stretch is not misplaced: the acceptance limit of the placement
DISPLACED = 9.0  # log likelihood by which another place has to be better; jams reach 7 on real commutes
MARKED = 1.0  # log likelihood by which a window's best place stands out from the mean of all, to be marked enough
REPEAT = 10.0  # m within which stops have to repeat (median) to be landmarks; queues of stop-and-go do not
QUEUE = 15.0  # m, standard deviation of a stop about its place: two or three vehicles ahead
FREEDOM = 30.0  # m, standard deviation of what stops may move a run by: the error of the registration before them
LEAST_STOPS = 3  # stops of one run at common places that may move it
LEAST_RUNS = 3  # runs that have to share a place
SETTLE_ROUNDS, HUBER_ROUNDS = 4, 5  # more change nothing by a metre
TOLD_APART = 3.0  # margin above which a place is trusted: twenty times likelier than the runner-up
PASSES = 5  # rounds of learning and placing; later ones change nothing on the drives of the tests

Line = tuple[float, float]
"""Scale and offset [m]: route distance = scale · driven distance + offset."""


@dataclass(frozen=True)
class Profile:
    """Speed [km/h] by driven distance, at `step` metres from 0 (shape (n,)); standstill takes no room."""

    speed: Floats
    step: float

    @property
    def length(self) -> float:
        """Length [m]."""
        return (len(self.speed) - 1) * self.step

    def at(self, distance: Floats) -> Floats:
        """Return speed at distances [m] of any shape, NaN outside the profile."""
        return np.interp(distance, np.arange(len(self.speed)) * self.step, self.speed, left=np.nan, right=np.nan)

    def coarse(self, factor: int) -> Profile:
        """Return the profile with the mean of each `factor` steps about every new one."""
        from scipy.ndimage import uniform_filter1d

        return Profile(uniform_filter1d(self.speed, factor, mode="nearest")[::factor], self.step * factor)


def speed_profile(time: Floats, speed: Floats, step: float = 10.0) -> Profile:
    """Return the speed profile of a run from its true speed samples [s], [km/h]."""
    way = driven(time, speed, time)
    # the lowest speed wherever the vehicle stood: several samples share one distance
    place, first = np.unique(way, return_index=True)
    lowest = np.minimum.reduceat(speed, first)
    grid = np.arange(0.0, way[-1] + 1e-9, step)
    # between samples a constant acceleration makes the square of speed linear in distance
    return Profile(np.sqrt(np.interp(grid, place, np.maximum(lowest, 0.0) ** 2)), step)


class Likeness(NamedTuple):
    """How well a run tells its place: log likelihoods, of which `TOLD_APART` is enough.

    `gain` is the mean per cell of the search against speeds at unrelated places; `margin` is what the second best place
    falls behind by; `ahead` is what the best place of the run driven backwards falls behind by: negative where the run
    fits the route better that way.
    """

    gain: float
    margin: float
    ahead: float = np.inf

    @property
    def told(self) -> bool:
        """Whether place and direction are told."""
        return self.gain >= 0.0 and min(self.margin, self.ahead) >= TOLD_APART


OWN = Likeness(0.0, np.inf), Likeness(0.0, 0.0, -np.inf)
"""Of the reference, which lies where it lies, as it is and backwards."""


@dataclass(frozen=True)
class Registration:
    """Where a run without a position lies: route distance = `scale` · driven + `offset` [m].

    `residual` is the RMS [m] by which single stretches of road would rather lie elsewhere, None where no stretch is
    marked enough to tell; `backward` is the likeness of the run driven the other way. `displaced` are stretches of road
    that lie elsewhere beyond doubt: from, to, and by how much further on [m]. `apart` is how far the scale is from the
    nearest one of another run, 0 where there are too few.
    """

    scale: float
    offset: float
    likeness: Likeness
    backward: Likeness
    residual: float | None
    displaced: tuple[tuple[float, float, float], ...] = ()
    apart: float = 0.0

    def route(self, way: Floats) -> Floats:
        """Return route distance [m] of driven distance [m]."""
        return np.asarray(self.scale * way + self.offset, dtype=np.float64)


def classes(speed: Floats) -> Ints:
    """Return the class of each speed [km/h]; NaN becomes class 0."""
    return np.clip(np.nan_to_num(speed) / BIN, 0, CLASSES - 1).astype(np.intp)


def tally(placed: Floats) -> Floats:
    """Return how often each class of speed occurs in each cell, for one run's speed by cell [km/h] (NaN: not covered)."""
    count = np.zeros((len(placed), CLASSES))
    at = np.flatnonzero(np.isfinite(placed))
    count[at, classes(placed[at])] = 1.0
    return count


def place(profile: Profile, grid: Floats, line: Line) -> Floats:
    """Return the tally of a run placed on the route by a line."""
    return tally(profile.at((grid - line[1]) / line[0]))


def usual_speeds(count: Floats, step: float) -> Floats:
    """Return the log likelihood ratio of each class of speed at each place, shape (cells, classes).

    `count` (cells, classes): sum of the tallies of the runs to learn from; `step`: size of a cell [m].
    """
    from scipy.ndimage import gaussian_filter1d

    # mirrored at 0 km/h, so that standing keeps its weight
    count = gaussian_filter1d(count, SPREAD / BIN, axis=1, mode="reflect")
    count = gaussian_filter1d(count, REACH / step / 2, axis=0, mode="nearest")
    overall = count.sum(axis=0) + 1e-6
    overall /= overall.sum()
    runs = count.sum(axis=1, keepdims=True)
    usual = (count + FLOOR * overall) / (runs + FLOOR) / overall
    return np.asarray(np.log((1.0 - ODD) * usual + ODD), dtype=np.float64)


def scale_prior(scale: float, fellows: Sequence[float]) -> float:
    """Return the log likelihood of a scale before the drive is seen, from the scales of other runs."""
    broad = -((scale - 1.0) ** 2) / (2 * SCALE_SPREAD**2)
    if len(fellows) < LEAST_FELLOWS:
        return broad
    near = np.exp(-((scale - np.array(fellows)) ** 2) / (2 * FELLOW_SPREAD**2)).mean() * SCALE_SPREAD / FELLOW_SPREAD
    return float(np.log(FELLOW_SHARE * near + (1.0 - FELLOW_SHARE) * np.exp(broad)))


def search(run: Profile, table: Floats, step: float, fellows: Sequence[float]) -> tuple[Line, float, Likeness]:
    """Return the best line over all scales and offsets, its log likelihood, and how well it is told.

    `table` has cells of `step` metres.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    n = len(table)
    least = LEAST_OVERLAP * min(run.length, (n - 1) * step) / step
    weight = step / INDEPENDENT
    rows = []
    room = next_fast_len(n + int(run.length * SCALES[-1] / step) + 2, real=True)
    spectrum = rfft(table.T + PRESENCE, room, axis=1)
    for scale in SCALES:
        own = classes(run.at(np.arange(0.0, run.length, step / scale)))
        m = len(own)
        # the sum over i of table[i + lag, class of i], for all lags at once
        marks = np.zeros((CLASSES, m))
        marks[own, np.arange(m)] = 1.0
        used = np.unique(own)
        product = (np.conj(rfft(marks[used], room, axis=1)) * spectrum[used]).sum(axis=0)
        lag = np.arange(-(m - 1), n)
        total = irfft(product, room)[lag % room] * weight
        total += scale_prior(float(scale), fellows)
        count = np.minimum(lag + m, n) - np.maximum(lag, 0)
        ok = count >= least
        rows.append(np.column_stack([np.full(int(ok.sum()), scale), lag[ok] * step, total[ok], count[ok]]))
    scales, offsets, totals, counts = np.concatenate(rows).T
    best = int(np.argmax(totals))
    middle = scales * run.length / 2 + offsets
    other = np.abs(middle - middle[best]) > ANOTHER_PLACE
    second = max(float(totals[other].max()), 0.0) if other.any() else 0.0
    gain = float(totals[best] / counts[best] / weight) - PRESENCE
    return (
        (float(scales[best]), float(offsets[best])),
        float(totals[best]),
        Likeness(gain, float(totals[best] - second)),
    )


def polish(run: Profile, table: Floats, step: float, line: Line, fellows: Sequence[float]) -> Line:
    """Return the line near the one given at which the run is most likely.

    `table` has cells of `step` metres, each the mean of two cells of half that size.
    """
    middle = run.length / 2
    way = np.arange(0.0, run.length, step)
    speed = classes(run.at(way))
    for reach, grain, tilt, fine in POLISH:
        likelihood, (scale, offset) = -np.inf, line
        for k in scale + np.arange(-tilt, tilt + fine / 2, fine):
            prior = scale_prior(float(k), fellows)
            for c in scale * middle + offset + np.arange(-reach, reach + grain / 2, grain):
                cell = np.floor((k * (way - middle) + c) / step + 0.25).astype(np.intp)
                ok = (cell >= 0) & (cell < len(table))
                total = float(table[cell[ok], speed[ok]].sum()) * step / INDEPENDENT + prior
                if total > likelihood:
                    likelihood, line = total, (float(k), float(c - k * middle))
    return line


def place_best(
    profile: Profile, table: Floats, step: float, fellows: Sequence[float] = ()
) -> tuple[Line, Likeness, Likeness]:
    """Return the best line for a table of usual speeds with cells of `step` metres, its likeness and that of the reverse.

    Speed by place is alike in both directions of a road, but not the same: a road driven backwards is found at its own
    place, where the run as it is fits worse than the run turned round.
    """
    coarse, coarse_table = profile.coarse(COARSE), _coarsen(table, COARSE)
    (scale, offset), forward, likeness = search(coarse, coarse_table, step * COARSE, fellows)
    _, reverse, backward = search(Profile(coarse.speed[::-1], coarse.step), coarse_table, step * COARSE, fellows)
    # a cell of the coarse table is centred behind its first fine cell
    line = (scale, offset + (COARSE - 1) / 2 * step)
    line = polish(profile, _coarsen(table, 2), 2 * step, line, fellows)
    return line, likeness._replace(ahead=forward - reverse), backward._replace(ahead=reverse - forward)


def _coarsen(table: Floats, factor: int) -> Floats:
    whole = len(table) // factor * factor
    return np.asarray(table[:whole].reshape(-1, factor, CLASSES).mean(axis=1), dtype=np.float64)


def _by_shift(run: Profile, table: Floats, step: float, line: Line, reach: float) -> tuple[Floats, Floats, Floats]:
    """Return route distances (n,), shifts (m,) [m] and the log likelihood (n, m) of the run being further on by each."""
    s = np.arange(len(table), dtype=np.float64) * step
    shifts = np.arange(-reach, reach + step / 2, step, dtype=np.float64)
    speed = run.at((s[:, None] - line[1] - shifts[None, :]) / line[0])
    score = table[np.arange(len(s))[:, None], classes(speed)]
    likelihood: Floats = np.where(np.isfinite(speed), score, np.nan) * step / INDEPENDENT
    return s, shifts, likelihood


def local_shifts(run: Profile, table: Floats, step: float, line: Line) -> Floats:
    """Return where each stretch of road would rather lie, shape (k, 2): route distance and shift [m].

    Only stretches whose best shift stands out from the mean of all shifts are returned.
    """
    s, shifts, score = _by_shift(run, table, step, line, WINDOW_REACH)
    rows = []
    for a in np.arange(0.0, s[-1] - WINDOW / 2, WINDOW):
        part = score[(s >= a) & (s < a + WINDOW)]
        if np.isnan(part).any():
            continue
        total = part.sum(axis=0)
        best = int(np.argmax(total))
        if total[best] - total.mean() > MARKED and 0 < best < len(shifts) - 1:
            rows.append((a + WINDOW / 2, shifts[best]))
    return np.array(rows, dtype=np.float64).reshape(-1, 2)


def displaced(run: Profile, table: Floats, step: float, line: Line) -> tuple[tuple[float, float, float], ...]:
    """Return long stretches of road that lie elsewhere beyond doubt: from, to, and by how much further on [m]."""
    s, shifts, score = _by_shift(run, table, step, line, WIDE_REACH)
    width = min(WIDE_WINDOW, s[-1] / 2)
    rows = []
    for a in np.arange(0.0, s[-1] - width + step, width / 2):
        total = np.nansum(score[(s >= a) & (s < a + width)], axis=0)
        best = int(np.argmax(total))
        in_place = total[np.abs(shifts) <= IN_PLACE].max()
        if total[best] - in_place > DISPLACED and 0 < best < len(shifts) - 1:
            rows.append((float(a), float(min(a + width, s[-1])), float(shifts[best])))
    return tuple(rows)


def _registration(
    profile: Profile,
    table: Floats,
    step: float,
    line: Line,
    likeness: Likeness,
    backward: Likeness,
    fellows: Sequence[float] = (),
) -> Registration:
    shift = local_shifts(profile, table, step, line)
    residual = float(np.sqrt(np.mean(shift[:, 1] ** 2))) if len(shift) else None
    apart = min(abs(line[0] - scale) for scale in fellows) if len(fellows) >= LEAST_FELLOWS else 0.0
    return Registration(*line, likeness, backward, residual, displaced(profile, table, step, line), apart)


def register(
    profiles: Sequence[Profile], stops: Sequence[Floats], reference: int, radius: float, ignore: Bools | None = None
) -> tuple[Registration, ...]:
    """Register runs onto the driven distance of one of them.

    Parameters
    ----------
    profiles : sequence of Profile
        Speed by driven distance, all with the same step.
    stops : sequence of ndarray
        Driven distance at each run's stops [m].
    reference : int
        The run whose driven distance is the route distance.
    radius : float
        Largest distance of a stop from the centre of its place [m].
    ignore : ndarray of bool, optional
        Cells of the reference profile to leave out, so that the result can be judged there.

    Returns
    -------
    tuple of Registration
        In the order of the profiles; the work is linear in their number.
    """
    step = profiles[reference].step
    grid = np.arange(len(profiles[reference].speed), dtype=np.float64) * step
    lines: dict[int, Line] = {reference: (1.0, 0.0)}
    told: dict[int, tuple[Likeness, Likeness]] = {}

    def tallies_of_placed() -> dict[int, Floats]:
        placed = (i for i in lines if i == reference or told[i][0].told)
        return {i: place(profiles[i], grid, lines[i]) for i in placed}

    for turn in range(PASSES):
        tallies = tallies_of_placed()
        total = np.sum(list(tallies.values()), axis=0)
        for i, profile in enumerate(profiles):
            if i == reference and (turn == 0 or len(tallies) < LEAST_RUNS):
                told[i] = OWN
                continue
            table = usual_speeds(total - tallies.get(i, 0.0), step)
            if ignore is not None:
                table[ignore] = 0.0
            lines[i], *likeness = place_best(profile, table, step, [lines[j][0] for j in tallies if j != i])
            told[i] = (likeness[0], likeness[1])
        lines = _anchor(lines, reference)
    lines = settle(lines, stops, {i: p.length for i, p in enumerate(profiles)}, radius, anchor=reference)
    tallies = tallies_of_placed()
    total = np.sum(list(tallies.values()), axis=0)
    return tuple(
        _registration(
            profile,
            usual_speeds(total - tallies.get(i, 0.0), step),
            step,
            lines[i],
            *told[i],
            fellows=[lines[j][0] for j in tallies if j != i],
        )
        for i, profile in enumerate(profiles)
    )


def register_onto(
    profiles: Sequence[Profile],
    stops: Sequence[Floats],
    known: Sequence[Floats],
    known_stops: Sequence[Floats],
    step: float,
    radius: float,
) -> tuple[Registration, ...]:
    """Register runs onto the route distance of runs whose place is known.

    `profiles`: runs to place; `stops`: driven distance at their stops [m]; `known` (cells,): speed of the placed runs
    by route distance [km/h], NaN where not covered; `known_stops`: route distance at the stops of the placed runs [m];
    `step`: size of a cell [m]; `radius`: largest distance of a stop from the centre of its place [m].
    """
    table = usual_speeds(np.sum([tally(speed) for speed in known], axis=0), step)
    best = [place_best(profile, table, step) for profile in profiles]
    n = len(profiles)
    lines = {i: line for i, (line, _, _) in enumerate(best)} | {n + k: (1.0, 0.0) for k in range(len(known))}
    length = {i: profile.length for i, profile in enumerate(profiles)}
    lines = settle(lines, [*stops, *known_stops], length, radius, fixed=range(n, n + len(known)))
    return tuple(
        _registration(profile, table, step, lines[i], likeness, backward)
        for i, (profile, (_, likeness, backward)) in enumerate(zip(profiles, best, strict=True))
    )


def _anchor(lines: dict[int, Line], reference: int) -> dict[int, Line]:
    """Return all lines changed alike so that the reference keeps its own driven distance."""
    scale, offset = lines[reference]
    return {i: (k / scale, (c - offset) / scale) for i, (k, c) in lines.items()}


def settle(
    lines: dict[int, Line],
    stops: Sequence[Floats],
    length: dict[int, float],
    radius: float,
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
        goal = common_places(owner, at, radius)
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
    miss = np.abs(common_places(owner, at, radius) - at)
    miss = miss[np.isfinite(miss)]
    return lines if len(miss) and np.median(miss) <= REPEAT else before


def _stops_at(lines: dict[int, Line], stops: Sequence[Floats]) -> Floats:
    return np.concatenate([scale * stops[i] + offset for i, (scale, offset) in lines.items()])


def common_places(owner: Ints, at: Floats, radius: float) -> Floats:
    """Return the median route distance of the place of each stop [m], NaN where fewer than three runs share it."""
    goal = np.full(len(at), np.nan)
    label = group(at, 2 * radius)
    for which in np.unique(label):
        members = label == which
        if len(np.unique(owner[members])) >= LEAST_RUNS:
            goal[members] = np.median(at[members])
    return goal
