"""Register runs without a position by the shape of their speed over distance.

The runs together tell, place by place, which speeds are usual there: a junction, a bend, a ramp are landmarks because
speeds there are alike and unlike those elsewhere; a stretch that is jammed on some days tells little. Each run is
placed by scale and offset where its speeds are most likely, the usual speeds are learnt again from the placed runs, and
so on; common stops settle the last metres. Warping about that line was tried and dropped: on 30 real laps with known
positions it came no nearer to them than the line alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from intake_report.align.events import driven
from intake_report.align.model import Floats, Ints

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

    def coarse(self, factor: int) -> Profile:
        """Return the profile with the mean of each `factor` steps about every new one."""
        from scipy.ndimage import uniform_filter1d

        return Profile(uniform_filter1d(self.speed, factor, mode="nearest")[::factor], self.step * factor)


def speed_profile(time: Floats, speed: Floats) -> Profile:
    """Return the speed profile of a run from its true speed samples [s], [km/h]."""
    way = driven(time, speed, time)
    # the lowest speed wherever the vehicle stood: several samples share one distance
    place, first = np.unique(way, return_index=True)
    lowest = np.minimum.reduceat(speed, first)
    grid = np.arange(0.0, way[-1] + 1e-9, STEP)
    # between samples a constant acceleration makes the square of speed linear in distance
    return Profile(np.sqrt(np.interp(grid, place, np.maximum(lowest, 0.0) ** 2)), STEP)


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


def usual_speeds(count: Floats) -> Floats:
    """Return the log likelihood ratio of each class of speed at each place, from the tallies of the runs: (cells, classes)."""
    from scipy.ndimage import gaussian_filter1d

    # mirrored at 0 km/h, so that standing keeps its weight
    count = gaussian_filter1d(count, SPREAD / BIN, axis=1, mode="reflect")
    count = gaussian_filter1d(count, REACH / STEP / 2, axis=0, mode="nearest")
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


def search(run: Profile, table: Floats, fellows: Sequence[float]) -> tuple[Line, float, Likeness]:
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
    line = (float(scales[best]), float(offsets[best]))
    return line, float(totals[best]), Likeness(gain, float(totals[best] - second))


def polish(run: Profile, table: Floats, line: Line, fellows: Sequence[float]) -> Line:
    """Return the line near the one given at which the run is most likely; each cell is the mean of two of `STEP`."""
    step = 2 * STEP
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


def place_best(profile: Profile, table: Floats, fellows: Sequence[float] = ()) -> tuple[Line, Likeness, Likeness]:
    """Return the best line for a table of usual speeds, its likeness and that of the reverse.

    Speed by place is alike in both directions of a road, but not the same: a road driven backwards is found at its own
    place, where the run as it is fits worse than the run turned round.
    """
    coarse, coarse_table = profile.coarse(COARSE), _coarsen(table, COARSE)
    (scale, offset), forward, likeness = search(coarse, coarse_table, fellows)
    _, reverse, backward = search(Profile(coarse.speed[::-1], coarse.step), coarse_table, fellows)
    # a cell of the coarse table is centred behind its first fine cell
    line = (scale, offset + (COARSE - 1) / 2 * STEP)
    line = polish(profile, _coarsen(table, 2), line, fellows)
    return line, likeness._replace(ahead=forward - reverse), backward._replace(ahead=reverse - forward)


def _coarsen(table: Floats, factor: int) -> Floats:
    whole = len(table) // factor * factor
    return np.asarray(table[:whole].reshape(-1, factor, CLASSES).mean(axis=1), dtype=np.float64)
