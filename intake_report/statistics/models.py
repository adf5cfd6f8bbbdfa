"""The comparison as arithmetic on many draws at once: the same estimate, its error and degrees of freedom per draw.

From the layout of the runs alone it says how precise a difference will be, made or planned.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import special
from scipy.optimize import brentq

from intake_report.errors import DataError
from intake_report.statistics._numbers import Floats, check_level, coverage_factor, t_quantile
from intake_report.statistics.comparison import additive_design, linked_to

_ROUNDING = 1e-9
LARGEST_EFFECT = 1e3  # in standard errors; beyond it a difference is found whatever the degrees of freedom


@dataclass(frozen=True)
class Estimates:
    """Differences of m draws, each (m,): estimate, standard error, degrees of freedom."""

    difference: Floats
    error: Floats
    df: Floats


class RunsModel(Protocol):
    """How values of runs make a difference."""

    @property
    def runs(self) -> tuple[str, ...]:
        """Runs in the order of the columns."""

    @property
    def weights(self) -> Floats:
        """Weight of each run's value in the difference, (n,)."""

    def evaluate(self, values: Floats) -> Estimates | None:
        """Return the differences of draws of all runs, (m, n); None without a degree of freedom."""


@dataclass(frozen=True)
class Blocked:
    """Configuration and block effects by least squares, with the scatter of the runs that make the difference.

    Attributes
    ----------
    runs : tuple of str
        All runs that the model is fitted to.
    weights : ndarray, (n,)
        Weight of each run's value in the difference.
    residual : ndarray, (n, n)
        Makes residuals of values.
    spread : ndarray, (n,)
        Weight of each squared residual in the variance of the difference.
    df : float
        Effective degrees of freedom; 0 when no run is left to estimate the scatter.

    Notes
    -----
    Configurations need not scatter alike: an intake that follows the engine bay scatters more than one that does not.
    One residual pooled over all of them makes the interval of the quiet one too wide and that of the other too narrow
    (92.9 % instead of 95 % for standard deviations of 1.1, 1.3 and 0.75 in a 3 × 3 layout, 94.1 % with this one). The
    variance is the sum of w²·e²/(1 − h) (h: leverage), unbiased where runs scatter alike; degrees of freedom by
    Satterthwaite: R. M. Bell, D. F. McCaffrey, Survey Methodology 28 (2002) 169–181 (from memory). With two
    configurations and one run of each per block it is the paired t interval.
    """

    runs: tuple[str, ...]
    weights: Floats
    residual: Floats
    spread: Floats
    df: float

    def evaluate(self, values: Floats) -> Estimates | None:
        """Return the differences of draws; see `RunsModel`."""
        if self.df <= 0.0:
            return None
        # about the first run, so that large offsets do not cost digits
        shifted = values - values[:, :1]
        error = np.sqrt((shifted @ self.residual) ** 2 @ self.spread)
        return Estimates(shifted @ self.weights, error, np.full(len(values), self.df))


def blocked(
    runs: Sequence[str], configuration: Sequence[str], block: Sequence[Hashable], pair: tuple[str, str]
) -> Blocked:
    """Return the additive model of `pair` (candidate, other), which blocks link."""
    design, candidates = additive_design(configuration, block, pair[1])
    inverse = np.linalg.pinv(design)
    residual = np.eye(len(runs)) - design @ inverse
    weights = inverse[candidates.index(pair[0])]
    # a run alone in its block has no residual, and no weight either
    weights = np.where(np.abs(weights) < _ROUNDING, 0.0, weights)
    free = np.diag(residual)
    if np.any((free < _ROUNDING) & (weights != 0.0)):
        return Blocked(tuple(runs), weights, residual, np.zeros(len(runs)), 0.0)
    spread = np.divide(weights**2, free, out=np.zeros(len(runs)), where=weights != 0.0)
    form = residual @ np.diag(spread) @ residual
    square = float(np.sum(form**2))
    df = float(np.trace(form)) ** 2 / square if square > 0.0 else 0.0
    return Blocked(tuple(runs), weights, residual, spread, df)


@dataclass(frozen=True)
class TwoSamples:
    """Means of independent units, unequal scatter (Welch); units are runs or means of blocks.

    Attributes
    ----------
    runs : tuple of str
        Of both sides.
    units : ndarray, (k, n)
        Makes units of runs: identity, or means over blocks.
    candidate : ndarray of bool, (k,)
        Which units are the candidate's.
    """

    runs: tuple[str, ...]
    units: Floats
    candidate: NDArray[np.bool_]

    @property
    def weights(self) -> Floats:
        """Weight of each run's value in the difference, (n,)."""
        return np.asarray(self.units[self.candidate].mean(axis=0) - self.units[~self.candidate].mean(axis=0))

    def evaluate(self, values: Floats) -> Estimates | None:
        """Return the differences of draws; with a single unit on one side the other's scatter is taken for both."""
        made = (values - values[:, :1]) @ self.units.T
        sides = [made[:, self.candidate], made[:, ~self.candidate]]
        n = [side.shape[1] for side in sides]
        if max(n) < 2:
            return None
        difference = sides[0].mean(axis=1) - sides[1].mean(axis=1)
        squares = [np.sum((side - side.mean(axis=1, keepdims=True)) ** 2, axis=1) for side in sides]
        if min(n) < 2:
            df = np.full(len(values), float(max(n) - 1))
            error = np.sqrt((squares[0] + squares[1]) / df * (1.0 / n[0] + 1.0 / n[1]))
            return Estimates(difference, error, df)
        parts = [s / (k - 1) / k for s, k in zip(squares, n, strict=True)]
        total = parts[0] + parts[1]
        share = np.divide(parts[0], total, out=np.full(total.shape, 0.5), where=total > 0.0)
        df = 1.0 / (share**2 / (n[0] - 1) + (1.0 - share) ** 2 / (n[1] - 1))
        return Estimates(difference, np.sqrt(total), df)


def two_samples(
    runs: Sequence[str], configuration: Sequence[str], pair: tuple[str, str], block: Sequence[str] | None = None
) -> TwoSamples:
    """Return the comparison of means of `pair` (candidate, other); of block means where `block` is given."""
    where = [(c, b) for c, b in zip(configuration, block if block is not None else runs, strict=True)]
    cells = list(dict.fromkeys(where))
    units = np.array([[float(w == cell) for w in where] for cell in cells])
    units /= units.sum(axis=1, keepdims=True)
    return TwoSamples(tuple(runs), units, np.array([cell[0] == pair[0] for cell in cells]))


@dataclass(frozen=True)
class DesignPrecision:
    """Standard error of a difference in units of the scatter of one run, and the residual degrees of freedom."""

    factor: float
    df: int


def design_precision(
    configuration: Sequence[str], block: Sequence[Hashable], baseline: str
) -> dict[str, DesignPrecision]:
    """Precision of every difference from the baseline in the additive model, from the layout of the runs alone.

    Parameters
    ----------
    configuration, block : sequence, shape (n,)
        Configuration and block of each run, made or planned.
    baseline : str
        The configuration that the others are compared with.

    Returns
    -------
    dict
        Configurations that blocks do not link to the baseline are left out.

    Raises
    ------
    DataError
        No run of the baseline.
    """
    if baseline not in configuration:
        raise DataError(f'No run of the baseline "{baseline}" is planned.', remedy="Add one.")
    design, candidates = additive_design(configuration, block, baseline)
    df = len(configuration) - int(np.linalg.matrix_rank(design))
    spread = np.linalg.pinv(design.T @ design)
    linked = linked_to(baseline, configuration, block)
    return {
        str(name): DesignPrecision(math.sqrt(float(spread[i, i])), df)
        for i, name in enumerate(candidates)
        if name in linked
    }


def expected_half_width(precision: DesignPrecision, scatter: float, level: float = 0.95) -> float | None:
    """Half-width of the interval if the scatter of one run is `scatter`; None without a degree of freedom."""
    check_level(level)
    return None if precision.df < 1 else coverage_factor(level, precision.df) * scatter * precision.factor


def t_power(shift: float, df: float, alpha: float = 0.05) -> float:
    """Power of the two-sided t test at level `alpha` when the true difference is `shift` standard errors.

    Notes
    -----
    Noncentral t distribution; textbook. The library's can return NaN far out in the tail, where the answer is 0 or 1.
    """
    critical = t_quantile(1.0 - alpha / 2.0, df)
    tails = []
    for centre in (shift, -shift):
        below = float(special.nctdtr(df, centre, critical))
        tails.append(float(centre > critical) if math.isnan(below) else 1.0 - below)
    return min(sum(tails), 1.0)


def smallest_detectable(
    precision: DesignPrecision, scatter: float, power: float = 0.8, alpha: float = 0.05
) -> float | None:
    """Smallest true difference that the t test would call in a share `power` of campaigns; None without a df.

    `scatter` is the standard deviation of one run.
    """
    if precision.df < 1:
        return None
    shift = brentq(lambda s: t_power(s, precision.df, alpha) - power, 0.0, LARGEST_EFFECT, xtol=1e-10)
    return float(shift) * precision.factor * scatter
