"""The model fitted to the runs of one configuration: parameters in common, a few small effects of each run."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import least_squares
from scipy.special import log_ndtr

from intake_report.thermal.model import MIDDLE, NAMES, SPREAD, DriveInput, Floats, at_times, element, sensitivity

DISCREPANCY = 0.2  # K; standard deviation of what the model leaves out beyond slow fluctuations (own choice)
MEMORY = 20.0  # s over which what is left out is one and the same: readings within it count as one (own choice)
EVERY = 2.0  # s; readings nearer to each other say the same
TOLERANCE, MOST, FIRST = 1e-3, 30, 4  # of the sum of squares; evaluations in all, and of each start
BEYOND = 3.0  # spreads
# s, K; what the air is off its reference: a polygon of this spacing, knots of this spread (own choice)
KNOT, FLUCTUATION = 120.0, 0.25
NOT_EXCITED = 0.7  # of the spread before the data: with more left the drive says little of a parameter
SETTLED = 300.0  # s after which a start state is forgotten (own choice)
STARTS = (("share_still", 0.5), ("bulk", -0.7))
"""Starts of a fit: the middles with one parameter moved by so many spreads."""


@dataclass(frozen=True, eq=False)
class ThermalFit:
    """Parameters of one configuration.

    `drives`: its r runs. `shape` (13,): logarithms of `COEFFICIENTS`; `effects` (r, 7): `EFFECTS` of each run. `covariance`
    (13 + 7·r, 13 + 7·r) of shape and effects, run by run: from the curvature at the best fit, whatever the fluctuations of the air
    were.
    """

    configuration: str
    drives: tuple[DriveInput, ...]
    shape: Floats
    effects: Floats
    covariance: Floats

    @property
    def not_excited(self) -> tuple[str, ...]:
        """Names of the parameters that the drives say little of: their spread is hardly less than before the data."""
        left = np.sqrt(np.diag(self.covariance)[: SPREAD.size]) / SPREAD
        return tuple(name for name, share in zip(NAMES, left.tolist(), strict=True) if share > NOT_EXCITED)

    def draws(self, m: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Return m draws of how far the shape is off, (m, 13), and the effects on parameters, (r, m, 3).

        Wind and start states are held at their best fit: on a common drive these are the same for all configurations, and
        what they leave open is not of the intake.
        """
        own = SPREAD.size + 7 * np.arange(len(self.drives))[:, None] + np.arange(3)
        moved = np.concatenate([np.arange(SPREAD.size), own.ravel()])
        conditional = np.linalg.inv(np.linalg.inv(self.covariance)[np.ix_(moved, moved)])
        off = rng.multivariate_normal(np.zeros(moved.size), conditional, m, method="eigh")
        return off[:, : SPREAD.size], np.moveaxis(off[:, SPREAD.size :].reshape(m, -1, 3), 1, 0)

    def own(self, index: int) -> Floats:
        """Return the temperature of the element on the drive of one of the runs [°C]."""
        return element(self.shape, self.effects[index], self.drives[index])


def deviance(model: Floats, reading: Floats, step: float) -> tuple[Floats, Floats]:
    """Return signed roots of the deviance of readings in steps, and their derivative by the model [1/K], (k,) each.

    The reading says that the temperature, off by a normal discrepancy, lies within half a step: the probability is that of
    a normal convolved with a rectangle. The sum of squares is twice what the log-likelihood lacks of its highest value.
    """
    off = model - reading
    low, high = (-0.5 * step - np.abs(off)) / DISCREPANCY, (0.5 * step - np.abs(off)) / DISCREPANCY
    top = 0.5 * step / DISCREPANCY
    a, b = log_ndtr(high), log_ndtr(low)
    log_p = a + np.log1p(-np.exp(b - a))
    best = np.log(1.0 - 2.0 * np.exp(log_ndtr(-top)))
    root = np.sqrt(np.maximum(2.0 * (best - log_p), 0.0))
    # d(−log p)/d|off| over the root; near the middle the root is straight in |off|
    density = (np.exp(-0.5 * low**2 - log_p) - np.exp(-0.5 * high**2 - log_p)) / (np.sqrt(2.0 * np.pi) * DISCREPANCY)
    small = root < 1e-4
    centre = np.sqrt(2.0 * top * np.exp(-0.5 * top**2 - best) / np.sqrt(2.0 * np.pi)) / DISCREPANCY
    slope = np.where(small, centre, -density / np.where(small, 1.0, root))
    return np.sign(off) * root, slope


class _Problem:
    """Sum of squares of one configuration and its derivatives by all parameters."""

    def __init__(self, drives: Sequence[DriveInput]) -> None:
        self.drives = drives
        self.kept, self.size = [], SPREAD.size + 7 * len(drives)
        self.polygons: list[tuple[slice, Floats]] = []
        for drive in drives:
            cell = np.floor(drive.reading_time / EVERY)
            self.kept.append(np.flatnonzero(np.diff(cell, prepend=-1.0) > 0.0))
            knots = np.arange(drive.time[0], drive.time[-1] + KNOT, KNOT)
            hats = np.maximum(1.0 - np.abs(drive.reading_time[self.kept[-1], None] - knots) / KNOT, 0.0)
            self.polygons.append((slice(self.size, self.size + knots.size), hats))
            self.size += knots.size
        self.before, self.spread = np.zeros(self.size), np.full(self.size, FLUCTUATION)
        own = SPREAD.size + 7 * len(drives)
        self.before[:own] = np.concatenate([MIDDLE, *(one.expected for one in drives)])
        self.spread[:own] = np.concatenate([SPREAD, *(one.spread for one in drives)])
        self._last = (np.empty(0), np.empty(0), np.empty(0))  # parameters, values and slopes

    def _evaluate(self, z: Floats) -> tuple[Floats, Floats, Floats]:
        if np.array_equal(z, self._last[0]):
            return self._last
        parts, slopes = [], []
        for i, (drive, kept) in enumerate(zip(self.drives, self.kept, strict=True)):
            first = SPREAD.size + 7 * i
            columns = np.r_[: SPREAD.size, first : first + 7]
            found = np.vstack(sensitivity(z[: SPREAD.size], z[first : first + 7], drive))
            found = at_times(found, drive.time, drive.reading_time[kept])
            fluctuation, hats = self.polygons[i]
            weight = np.sqrt(min(1.0, EVERY / MEMORY))
            root, slope = deviance(found[0] + hats @ z[fluctuation], drive.reading[kept], drive.step)
            block = np.zeros((kept.size, self.size))
            block[:, columns] = weight * slope[:, None] * found[1:].T
            block[:, fluctuation] = weight * slope[:, None] * hats
            parts.append(weight * root)
            slopes.append(block)
        value = np.concatenate([*parts, (z - self.before) / self.spread])
        self._last = z.copy(), value, np.vstack([*slopes, np.diag(1.0 / self.spread)])
        return self._last

    def value(self, z: Floats) -> Floats:
        return self._evaluate(z)[1]

    def slope(self, z: Floats) -> Floats:
        return self._evaluate(z)[2]


def fit(drives: Sequence[DriveInput], start: ThermalFit | None = None) -> ThermalFit:
    """Fit the model to the runs of one configuration, with readings, by penalised least squares; the best of several starts.

    `start`: begin at its parameters alone, as where a run is left out.

    Notes
    -----
    Maximum of the posterior: deviance of the readings (see `deviance`), counted as one reading per `MEMORY`, and the
    distributions of `COEFFICIENTS` and `EFFECTS` before the data, which keep a parameter where a drive says nothing of
    it. The air that a run meets wanders about its reference; a polygon with a knot every `KNOT` is fitted with the rest, so
    that it neither passes for a warm intake nor counts as news with every reading. The covariance is the inverse of the normal matrix (Gauss–Newton). Extremes count by their probability under a normal
    discrepancy; engine-off artefacts are masked before.
    """
    problem = _Problem(drives)
    limits = problem.before - BEYOND * problem.spread, problem.before + BEYOND * problem.spread

    def descend(z: Floats, most: int) -> Any:
        inside = np.clip(z, limits[0] + 1e-6, limits[1] - 1e-6)
        options: dict[str, Any] = {"x_scale": problem.spread, "ftol": TOLERANCE, "xtol": 1e-4, "max_nfev": most}
        return least_squares(problem.value, inside, problem.slope, limits, **options)

    z = problem.before.copy()
    if start is not None:
        z[: SPREAD.size] = start.shape
        known = {drive.run: effects for drive, effects in zip(start.drives, start.effects, strict=True)}
        for i, drive in enumerate(drives):
            z[SPREAD.size + 7 * i : SPREAD.size + 7 * i + 7] = known.get(drive.run, drive.expected)
    else:
        tried = []
        for name, spreads in STARTS:
            moved, index = z.copy(), NAMES.index(name)
            moved[index] += spreads * SPREAD[index]
            tried.append(descend(moved, FIRST))
        z = min(tried, key=lambda found: float(found.cost)).x
    best = descend(z, MOST)
    normal = best.jac.T @ best.jac
    own = SPREAD.size + 7 * len(drives)
    effects = best.x[SPREAD.size : own].reshape(len(drives), 7)
    covariance = np.linalg.inv(normal)[:own, :own]
    return ThermalFit(drives[0].configuration, tuple(drives), best.x[: SPREAD.size], effects, covariance)
