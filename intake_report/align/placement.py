"""Where runs without a position lie, stretch by stretch: what their speeds say of it, and how much that is worth there.

The line of a run (scale and offset) is the best one for the whole drive; whether it holds everywhere is asked here. Junctions
and ramps tell, a motorway at constant speed tells nothing, a jam tells the wrong thing. How much the speeds of a stretch are
worth is learnt from the other runs: had one of them been looked for there, how often would it have been found elsewhere?
Between stretches that tell, an odometer keeps its scale, so that a run that lies right on both sides lies right between.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import compress

import numpy as np

from intake_report.align.landmarks import INDEPENDENT, LEAST_FELLOWS, STEP, Line, Profile, classes
from intake_report.align.model import Floats

# Choices of this package, set on subsets of real commutes and shifted copies of them (tests/align/test_placement.py).
STRETCH = 1000.0  # m of road that is looked for
REACH = 1000.0  # m either way in which it is
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

SHIFTS = np.arange(-REACH, REACH + GRAIN / 2, GRAIN)
ABOUT = np.abs(SHIFTS) <= IN_PLACE
STRETCH_CELLS = round(STRETCH / STEP)


@dataclass(frozen=True)
class Placement:
    """How well a run lies where its line puts it, by stretches of `STRETCH` (k,).

    `middle`: route distance [m]; `shift`: by how much further on it most likely lies [m]; `inside`: probability that it lies within
    `IN_PLACE`; `residual`: root mean square of what its place may be off, over stretches and probability [m].
    """

    middle: Floats
    shift: Floats
    inside: Floats
    residual: float

    @property
    def misplaced(self) -> tuple[tuple[float, float, float], ...]:
        """Stretches of road that lie elsewhere: from, to, and by how much further on [m]."""
        rows, begin = [], 0
        away = self.inside < DOUBT
        for k in range(1, away.size + 1):
            if k < away.size and away[k] == away[begin] and self.middle[k] - self.middle[k - 1] <= STRETCH:
                continue
            if away[begin] and k - begin >= LEAST_MISPLACED:
                half, shift = 0.5 * STRETCH, float(np.median(self.shift[begin:k]))
                rows.append((float(self.middle[begin] - half), float(self.middle[k - 1] + half), shift))
            begin = k
        return tuple(rows)


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
    total[covered < 0.5] = np.nan
    return np.asarray(total)


def worth(odds: Floats, told: Floats) -> Floats:
    """Return the weight of the evidence of each stretch, (stretches,), from the sum of the `wrong_odds` of runs that lie in place.

    The largest of `WEIGHTS` with which no wrong place has, on average over the runs, a likelihood above that of the right one:
    then a likelihood ratio of 20 leads astray in one run of 20 at most (Markov's inequality). The smallest where few runs tell.
    """
    fair = (odds / np.maximum(told, 1.0)[:, None]).max(axis=2) <= 1.0 + ROUNDING
    weight = np.full(told.size, WEIGHTS[-1])
    for k in reversed(range(len(WEIGHTS))):
        weight[fair[k] & (told >= LEAST_FELLOWS)] = WEIGHTS[k]
    return weight


def wrong_odds(one: Floats) -> tuple[Floats, Floats]:
    """Return the likelihood of each wrong place of a run over the right one, (weights, stretches, places), and where it tells.

    `one`: its `evidence`; 0 where it does not tell (stretches,).
    """
    ratio = one[:, ~ABOUT] - one[:, np.abs(SHIFTS) <= NEAR].max(axis=1, keepdims=True)
    told = np.isfinite(ratio[:, 0])
    powers = np.array(WEIGHTS)[:, None, None] * np.nan_to_num(ratio)
    return np.where(told[:, None], np.exp(np.minimum(powers, MOST)), 0.0), told.astype(np.float64)


def place_by_stretches(own: Floats, weight: Floats) -> Placement | None:
    """Return where a run lies by the `evidence` of its stretches and its `worth`; None where it covers none.

    Hidden Markov chain of the shift along the road, forward and backward; before anything is seen all of `SHIFTS` are alike.
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
