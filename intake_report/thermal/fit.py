"""The model fitted to the runs of one configuration: parameters in common, a few small effects of each run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import least_squares
from scipy.special import log_ndtr

from intake_report.thermal.model import MIDDLE, NAMES, SPREAD, DriveInput, element
from intake_report.thermal.response import Floats

DISCREPANCY = 0.3  # K; standard deviation of what the model leaves out (own choice; the report states what it is)
MEMORY = 20.0  # s over which what is left out is one and the same: readings within it count as one (own choice)
EVERY = 2.0  # s; readings nearer to each other say the same
DIFFERENCE = 1e-4  # of a logarithm, for the derivatives
TOLERANCE, MOST, FIRST = 1e-3, 30, 7  # of the sum of squares; evaluations in all, and of each start
BEYOND = 3.0  # spreads
NOT_EXCITED = 0.7  # of the spread before the data: with more left the drive says little of a parameter
SETTLED = 300.0  # s after which a start state is forgotten (own choice)
STARTS = (("share_still", 0.5), ("bulk", -0.7), ("heat", -0.7))
"""Starts of a fit: the middles with one parameter moved by so many spreads."""


@dataclass(frozen=True, eq=False)
class ThermalFit:
    """Parameters of one configuration.

    Attributes
    ----------
    configuration : str
        Id.
    drives : tuple of DriveInput
        The r runs.
    shape : ndarray, (10,)
        Logarithms of `COEFFICIENTS`.
    effects : ndarray, (r, 7)
        `EFFECTS` of each run.
    covariance : ndarray, (10 + 7·r, 10 + 7·r)
        Of shape and effects, run by run: from the curvature at the best fit.
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
        """Return m draws of shape, (m, 10), and of the effects, (r, m, 7), wind and start states held at their best fit.

        On a common drive these are the same for all configurations: what they leave open is not of the intake.
        """
        own = SPREAD.size + 7 * np.arange(len(self.drives))[:, None] + np.arange(3)
        moved = np.concatenate([np.arange(SPREAD.size), own.ravel()])
        conditional = np.linalg.inv(np.linalg.inv(self.covariance)[np.ix_(moved, moved)])
        centre = np.concatenate([self.shape, self.effects.ravel()])
        found = np.tile(centre, (m, 1))
        found[:, moved] = rng.multivariate_normal(centre[moved], conditional, m, method="eigh")
        limits = MIDDLE + np.outer((-BEYOND, BEYOND), SPREAD)
        effects = found[:, SPREAD.size :].reshape(m, *self.effects.shape)
        return np.clip(found[:, : SPREAD.size], *limits), np.moveaxis(effects, 1, 0)

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
        for drive in drives:
            cell = np.floor(drive.reading_time / EVERY)
            self.kept.append(np.flatnonzero(np.diff(cell, prepend=-1.0) > 0.0))
        self.before = np.concatenate([MIDDLE, *(one.expected for one in drives)])
        self.spread = np.concatenate([SPREAD, *(one.spread for one in drives)])
        self._at: Floats | None = None

    def _evaluate(self, z: Floats) -> None:
        if self._at is not None and np.array_equal(z, self._at):
            return
        parts, slopes = [], []
        for i, (drive, kept) in enumerate(zip(self.drives, self.kept, strict=True)):
            first = SPREAD.size + 7 * i
            columns = np.r_[: SPREAD.size, first : first + 7]
            moves = (
                DIFFERENCE
                * np.vstack([np.zeros(columns.size), np.eye(columns.size)])
                * np.r_[np.ones(SPREAD.size), drive.spread]
            )
            at = z[columns] + moves
            found = element(at[:, : SPREAD.size], at[:, SPREAD.size :], drive)
            found = _at_times(found, drive.time, drive.reading_time[kept])
            weight = np.sqrt(min(1.0, EVERY / MEMORY))
            root, slope = deviance(found[0], drive.reading[kept], drive.step)
            block = np.zeros((kept.size, self.size))
            block[:, columns] = weight * slope[:, None] * (found[1:] - found[0]).T / np.diag(moves[1:])
            parts.append(weight * root)
            slopes.append(block)
        self._value = np.concatenate([*parts, (z - self.before) / self.spread])
        self._slope = np.vstack([*slopes, np.diag(1.0 / self.spread)])
        self._at = z.copy()

    def value(self, z: Floats) -> Floats:
        self._evaluate(z)
        return self._value

    def slope(self, z: Floats) -> Floats:
        self._evaluate(z)
        return self._slope


def _warm(start: ThermalFit, problem: _Problem) -> Floats:
    """Return a fit of some of the same runs as a start."""
    z = problem.before.copy()
    z[: SPREAD.size] = start.shape
    known = {drive.run: effects for drive, effects in zip(start.drives, start.effects, strict=True)}
    for i, drive in enumerate(problem.drives):
        z[SPREAD.size + 7 * i : SPREAD.size + 7 * i + 7] = known.get(drive.run, drive.expected)
    return z


def _at_times(values: Floats, grid: Floats, time: Floats) -> Floats:
    """Interpolate (..., n) on an even grid at times inside it, (k,)."""
    place = np.clip((time - grid[0]) / (grid[1] - grid[0]), 0.0, grid.size - 1.000001)
    index = place.astype(np.intp)
    share = place - index
    result: Floats = values[..., index] * (1.0 - share) + values[..., index + 1] * share
    return result


def fit(drives: Sequence[DriveInput], start: ThermalFit | None = None) -> ThermalFit:
    """Fit the model to the runs of one configuration by penalised least squares.

    Parameters
    ----------
    drives : sequence of DriveInput
        Runs of one configuration, with readings.
    start : ThermalFit, optional
        Begin at its parameters, as where a run is left out; default: several starts.

    Returns
    -------
    ThermalFit
        The best of all starts.

    Notes
    -----
    Maximum of the posterior: deviance of the readings (see `deviance`), counted as one reading per `MEMORY`, and the
    distributions of `COEFFICIENTS` and `EFFECTS` before the data, which keep a parameter where a drive says nothing of
    it. The covariance is the inverse of the normal matrix (Gauss–Newton). Extremes count by their probability under a normal
    discrepancy; engine-off artefacts are masked before.
    """
    problem = _Problem(drives)
    limits = problem.before - BEYOND * problem.spread, problem.before + BEYOND * problem.spread

    def descend(z: Floats, most: int) -> Any:
        inside = np.clip(z, limits[0] + 1e-6, limits[1] - 1e-6)
        return least_squares(
            problem.value,
            inside,
            problem.slope,
            limits,
            x_scale=problem.spread,
            ftol=TOLERANCE,
            xtol=1e-4,
            max_nfev=most,
        )

    if start is not None:
        best = descend(_warm(start, problem), MOST)
    else:
        tried = []
        for name, spreads in STARTS:
            z = problem.before.copy()
            z[NAMES.index(name)] += spreads * SPREAD[NAMES.index(name)]
            tried.append(descend(z, FIRST))
        best = descend(min(tried, key=lambda found: float(found.cost)).x, MOST)
    normal = best.jac.T @ best.jac
    effects = best.x[SPREAD.size :].reshape(len(drives), 7)
    return ThermalFit(drives[0].configuration, tuple(drives), best.x[: SPREAD.size], effects, np.linalg.inv(normal))
