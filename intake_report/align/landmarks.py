"""Where runs without a position lie, by the shape of their speed over distance: as a whole, and stretch by stretch.

The runs together tell, place by place, which speeds are usual there: a junction, a bend, a ramp are landmarks because
speeds there are alike and unlike those elsewhere; a stretch that is jammed on some days tells little. Each run is
placed by scale and offset where its speeds are most likely. Warping about that line was tried and dropped: on 30 real
laps with known positions it came no nearer to them than the line alone.

Whether the line holds everywhere is asked by stretches: a motorway at constant speed tells nothing, a jam the wrong
thing. How much the speeds of a stretch are worth is learnt from the other runs: had one of them been looked for there,
how often would it have been found elsewhere? Between stretches that tell, an odometer keeps its scale, so that a run
that lies right on both sides lies right between.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import compress
from typing import NamedTuple

import numpy as np

from intake_report.align.model import Floats, Ints, driven

# Choices of this package, set on replayed driving cycles and real commutes (tests/align/test_landmarks.py) unless a
# line says otherwise. Likelihoods are natural logarithms of a ratio against speeds at unrelated places.
STEP = 10.0  # m of a cell of the speed profile: the way of one second in town
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
TOLD_APART = 3.0  # margin above which a place is trusted: twenty times likelier than the runner-up
# Of the stretches, set on subsets of real commutes and shifted copies of them (tests/align/test_placement.py).
STRETCH = 1000.0  # m of road that is looked for
FARTHEST = 1000.0  # m either way in which it is
GRAIN = 20.0  # m between the places that are tried
IN_PLACE = 150.0  # m about its place in which a stretch is not misplaced: the acceptance limit of the placement
NEAR = 100.0  # m about its place in which a stretch of a fellow is taken to lie
WEIGHTS = (2.0, 1.0, 0.5, 0.25)  # that the log likelihood of a stretch may have, largest first
WALK = 10.0  # m, standard deviation by which a run's shift changes from one stretch to the next: 1 % of it
JUMP = 0.02  # probability that it changes by anything else there: a detour, a gap
DOUBT = 0.05  # probability of being in place below which a stretch is misplaced
LEAST_MISPLACED = 2  # stretches in a row: a single one may be a jam
MOST = 10.0  # of a logarithm of odds: more refuses a weight anyway, and would leave nothing of the others in a sum
ROUNDING = 1e-9  # of a sum of odds
SHIFTS = np.arange(-FARTHEST, FARTHEST + GRAIN / 2, GRAIN)
ABOUT = np.abs(SHIFTS) <= IN_PLACE
STRETCH_CELLS = round(STRETCH / STEP)

Line = tuple[float, float]  # scale and offset [m]: route distance = scale · driven distance + offset


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


def speed_profile(time: Floats, speed: Floats) -> Profile:
    """Return the speed profile of a run from its true speed samples [s], [km/h]."""
    way = driven(time, speed, time)
    # the lowest speed wherever the vehicle stood: several samples share one distance
    place, first = np.unique(way, return_index=True)
    lowest = np.minimum.reduceat(speed, first)
    # between samples a constant acceleration makes the square of speed linear in distance
    return Profile(np.sqrt(np.interp(np.arange(0.0, way[-1] + 1e-9, STEP), place, np.maximum(lowest, 0.0) ** 2)), STEP)


class Likeness(NamedTuple):
    """How well a run tells its place: log likelihoods, of which `TOLD_APART` is enough."""

    gain: float  # mean per cell of the search against speeds at unrelated places
    margin: float  # by which the second best place falls behind
    ahead: float = np.inf  # by which the best place of the run driven backwards does: negative where that fits better

    @property
    def told(self) -> bool:
        """Whether place and direction are told."""
        return self.gain >= 0.0 and min(self.margin, self.ahead) >= TOLD_APART


def classes(speed: Floats) -> Ints:
    """Return the class of each speed [km/h]; NaN becomes class 0."""
    return np.clip(np.nan_to_num(speed) / BIN, 0, CLASSES - 1).astype(np.intp)


def place(profile: Profile, grid: Floats, line: Line) -> Floats:
    """Return how often each class of speed occurs in each cell (cells, classes), for one run placed by a line."""
    placed = profile.at((grid - line[1]) / line[0])
    count = np.zeros((len(placed), CLASSES))
    at = np.flatnonzero(np.isfinite(placed))
    count[at, classes(placed[at])] = 1.0
    return count


def usual_speeds(count: Floats) -> Floats:
    """Return the log likelihood ratio of each class of speed at each place, from the tallies of the runs: (cells, classes)."""
    from scipy.ndimage import gaussian_filter1d

    # mirrored at 0 km/h, so that standing keeps its weight
    count = gaussian_filter1d(count, SPREAD / BIN, axis=1, mode="reflect")
    count = gaussian_filter1d(count, REACH / STEP / 2, axis=0, mode="nearest")
    overall = count.sum(axis=0) + 1e-6
    overall /= overall.sum()
    usual = (count + FLOOR * overall) / (count.sum(axis=1, keepdims=True) + FLOOR) / overall
    return np.asarray(np.log((1.0 - ODD) * usual + ODD), dtype=np.float64)


def _scale_prior(scale: float, fellows: Sequence[float]) -> float:
    """Return the log likelihood of a scale before the drive is seen, from the scales of other runs."""
    broad = -((scale - 1.0) ** 2) / (2 * SCALE_SPREAD**2)
    if len(fellows) < LEAST_FELLOWS:
        return broad
    near = np.exp(-((scale - np.array(fellows)) ** 2) / (2 * FELLOW_SPREAD**2)).mean() * SCALE_SPREAD / FELLOW_SPREAD
    return float(np.log(FELLOW_SHARE * near + (1.0 - FELLOW_SHARE) * np.exp(broad)))


def _search(run: Profile, table: Floats, fellows: Sequence[float]) -> tuple[Line, float, Likeness]:
    """Return the best line over all scales and offsets, its log likelihood, and how well it is told; cells as in `run`."""
    from scipy.fft import irfft, next_fast_len, rfft

    n, step = len(table), run.step
    least = LEAST_OVERLAP * min(run.length, (n - 1) * step) / step
    weight = step / INDEPENDENT
    rows = []
    room = next_fast_len(n + int(run.length * SCALES[-1] / step) + 2, real=True)
    spectrum = rfft(table.T + PRESENCE, room, axis=1)
    for scale in SCALES:
        own = classes(run.at(np.arange(0.0, run.length, step / scale)))
        m = len(own)
        marks = np.zeros((CLASSES, m))  # the sum over i of table[i + lag, class of i], for all lags at once
        marks[own, np.arange(m)] = 1.0
        used = np.unique(own)
        product = (np.conj(rfft(marks[used], room, axis=1)) * spectrum[used]).sum(axis=0)
        lag = np.arange(-(m - 1), n)
        total = irfft(product, room)[lag % room] * weight
        total += _scale_prior(float(scale), fellows)
        count = np.minimum(lag + m, n) - np.maximum(lag, 0)
        ok = count >= least
        rows.append(np.column_stack([np.full(int(ok.sum()), scale), lag[ok] * step, total[ok], count[ok]]))
    scales, offsets, totals, counts = np.concatenate(rows).T
    best = int(np.argmax(totals))
    middle = scales * run.length / 2 + offsets
    other = np.abs(middle - middle[best]) > ANOTHER_PLACE
    second = max(float(totals[other].max()), 0.0) if other.any() else 0.0
    gain = float(totals[best] / counts[best] / weight) - PRESENCE
    line = (float(scales[best]), float(offsets[best]))
    return line, float(totals[best]), Likeness(gain, float(totals[best] - second))


def _polish(run: Profile, table: Floats, line: Line, fellows: Sequence[float]) -> Line:
    """Return the line near the one given at which the run is most likely; each cell is the mean of two of `STEP`."""
    step = 2 * STEP
    middle = run.length / 2
    way = np.arange(0.0, run.length, step)
    speed = classes(run.at(way))
    for reach, grain, tilt, fine in POLISH:
        likelihood, (scale, offset) = -np.inf, line
        for k in scale + np.arange(-tilt, tilt + fine / 2, fine):
            prior = _scale_prior(float(k), fellows)
            for c in scale * middle + offset + np.arange(-reach, reach + grain / 2, grain):
                cell = np.floor((k * (way - middle) + c) / step + 0.25).astype(np.intp)
                ok = (cell >= 0) & (cell < len(table))
                total = float(table[cell[ok], speed[ok]].sum()) * step / INDEPENDENT + prior
                if total > likelihood:
                    likelihood, line = total, (float(k), float(c - k * middle))
    return line


def place_best(profile: Profile, table: Floats, fellows: Sequence[float]) -> tuple[Line, Likeness, Likeness]:
    """Return the best line for a table of usual speeds, its likeness and that of the reverse.

    A road driven backwards is found at its own place too, where the run as it is fits worse than the run turned round.
    """
    from scipy.ndimage import uniform_filter1d

    speed = uniform_filter1d(profile.speed, COARSE, mode="nearest")[::COARSE]
    coarse, coarse_table = Profile(speed, profile.step * COARSE), _coarsen(table, COARSE)
    (scale, offset), forward, likeness = _search(coarse, coarse_table, fellows)
    _, reverse, backward = _search(Profile(coarse.speed[::-1], coarse.step), coarse_table, fellows)
    line = (scale, offset + (COARSE - 1) / 2 * STEP)  # a cell of the coarse table is centred behind its first fine cell
    line = _polish(profile, _coarsen(table, 2), line, fellows)
    return line, likeness._replace(ahead=forward - reverse), backward._replace(ahead=reverse - forward)


def _coarsen(table: Floats, factor: int) -> Floats:
    whole = len(table) // factor * factor
    return np.asarray(table[:whole].reshape(-1, factor, CLASSES).mean(axis=1), dtype=np.float64)


@dataclass(frozen=True)
class Placement:
    """How well a run lies where its line puts it, by stretches of `STRETCH` (k,)."""

    middle: Floats  # route distance [m]
    shift: Floats  # by how much further on it most likely lies [m]
    inside: Floats  # probability that it lies within `IN_PLACE`
    residual: float  # root mean square of what its place may be off, over stretches and probability [m]

    @property
    def misplaced(self) -> tuple[tuple[float, float, float], ...]:
        """Stretches of road that lie elsewhere: from, to, and by how much further on [m]."""
        away = np.flatnonzero(self.inside < DOUBT)
        parts = np.split(away, np.flatnonzero(np.diff(self.middle[away]) > STRETCH) + 1)
        ends = [(self.middle[part[[0, -1]]], self.shift[part]) for part in parts if part.size >= LEAST_MISPLACED]
        half = 0.5 * STRETCH
        return tuple((float(a - half), float(b + half), float(np.median(shift))) for (a, b), shift in ends)


def evidence(run: Profile, table: Floats, line: Line) -> Floats:
    """Return the log likelihood of each stretch of road being further on by each of `SHIFTS`, (stretches, shifts).

    `table`: usual speeds of the other runs. NaN where the run covers less than half of the stretch.
    """
    stretches = len(table) // STRETCH_CELLS
    s = np.arange(stretches * STRETCH_CELLS, dtype=np.float64) * STEP
    speed = run.at((s[:, None] - line[1] - SHIFTS) / line[0])
    score = np.where(np.isfinite(speed), table[np.arange(s.size)[:, None], classes(speed)], 0.0)
    total = score.reshape(stretches, STRETCH_CELLS, -1).sum(axis=1) * STEP / INDEPENDENT
    covered = np.isfinite(run.at((s - line[1]) / line[0])).reshape(stretches, STRETCH_CELLS).mean(axis=1)
    return np.where(covered[:, None] < 0.5, np.nan, total)


def worth(odds: Floats, told: Floats) -> Floats:
    """Return the weight of the evidence of each stretch, from the sum of the `wrong_odds` of runs that lie in place.

    The largest of `WEIGHTS` with which no wrong place has, on average over the runs, a likelihood above that of the
    right one: a ratio of 20 then leads astray in one run of 20 at most (Markov's inequality). Least where few tell.
    """
    fair = (odds / np.maximum(told, 1.0)[:, None]).max(axis=2) <= 1.0 + ROUNDING
    return np.select(list(fair & (told >= LEAST_FELLOWS)), WEIGHTS, WEIGHTS[-1])


def wrong_odds(one: Floats) -> tuple[Floats, Floats]:
    """Return the likelihood of each wrong place over the right one, (weights, stretches, places), and where it tells.

    `one`: its `evidence`; 0 where it does not tell (stretches,).
    """
    ratio = one[:, ~ABOUT] - one[:, np.abs(SHIFTS) <= NEAR].max(axis=1, keepdims=True)
    told = np.isfinite(ratio[:, 0])
    powers = np.array(WEIGHTS)[:, None, None] * np.nan_to_num(ratio)
    return np.where(told[:, None], np.exp(np.minimum(powers, MOST)), 0.0), told.astype(np.float64)


def place_by_stretches(own: Floats, weight: Floats) -> Placement | None:
    """Return where a run lies by the `evidence` of its stretches and its `worth`; None where it covers none.

    Hidden Markov chain of the shift along the road, forward and backward; beforehand all of `SHIFTS` are alike.
    """
    at = np.flatnonzero(np.isfinite(own[:, 0]))
    if at.size == 0:
        return None
    scores = own[at] * weight[at, None]
    step = np.exp(-0.5 * ((SHIFTS[:, None] - SHIFTS) / WALK) ** 2)
    step = (1.0 - JUMP) * step / step.sum(axis=1, keepdims=True) + JUMP / SHIFTS.size
    forward, backward = scores.copy(), np.zeros_like(scores)
    for k in range(1, at.size):
        forward[k] += _passed(forward[k - 1], step)
        backward[-k - 1] = _passed(scores[-k] + backward[-k], step.T)
    both = forward + backward
    chance = np.exp(both - both.max(axis=1, keepdims=True))
    chance /= chance.sum(axis=1, keepdims=True)
    residual = float(np.sqrt(np.mean(chance @ SHIFTS**2)))
    middle = (at.astype(np.float64) + 0.5) * STRETCH
    return Placement(middle, SHIFTS[np.argmax(chance, axis=1)], chance[:, ABOUT].sum(axis=1), residual)


def _passed(log: Floats, step: Floats) -> Floats:
    most = log.max()
    return np.asarray(np.log(np.exp(log - most) @ step) + most)


def place_all(own: Sequence[Floats]) -> list[Placement | None]:
    """Return where runs lie by their `evidence`, each judged by the others.

    A run that is found misplaced says nothing of what speeds are worth: the others are judged again without it.
    """
    each = [wrong_odds(one) for one in own]
    found: list[Placement | None] = [None] * len(own)
    for _ in range(2):
        sound = [one is None or not one.misplaced for one in found]
        odds, told = (sum(compress(part, sound), np.zeros_like(part[0])) for part in zip(*each, strict=True))
        found = [
            place_by_stretches(one, worth(odds - counted * mine[0], told - counted * mine[1]))
            for one, mine, counted in zip(own, each, sound, strict=True)
        ]
    return found
