"""Blocks (days, sessions) as random: one random intercept, by restricted or full maximum likelihood.

It differs from the additive model with fixed blocks only when the design is unbalanced: then it also uses what
differences between blocks say, at the price of taking the blocks as a random sample.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

from intake_report.errors import DataError
from intake_report.statistics._numbers import Floats, Values, below_rounding, check_level, coverage_factor, finite
from intake_report.statistics.comparison import Difference, additive_design, with_interval


@dataclass(frozen=True)
class RandomIntercept:
    """Fit of value = design·coefficients + group + residual.

    Attributes
    ----------
    coefficients, errors : tuple of float
        Fixed effects and their standard errors.
    df : tuple of float
        Satterthwaite degrees of freedom of each coefficient.
    between_sd, residual_sd : float
        Scatter between and within groups; between is zero when `clipped`.
    deviance : float
        −2 log likelihood (restricted when `restricted`).
    clipped : bool
        The between-group variance lies at its lower bound, zero.
    n, groups : int
        Values and groups.
    restricted : bool
        REML (else ML).
    """

    coefficients: tuple[float, ...]
    errors: tuple[float, ...]
    df: tuple[float, ...]
    between_sd: float
    residual_sd: float
    deviance: float
    clipped: bool
    n: int
    groups: int
    restricted: bool


@dataclass(frozen=True)
class RandomEffectsMean:
    """General mean of groups with its interval, and the scatter between and within them."""

    mean: float
    standard_error: float
    low: float
    high: float
    df: float
    between_sd: float
    within_sd: float
    clipped: bool
    level: float = 0.95


class _Sums:
    """What the likelihood needs of the data, per group, so that each evaluation costs next to nothing."""

    def __init__(self, y: Floats, design: Floats, group: Sequence[Hashable]) -> None:
        self.n, self.p = design.shape
        full = np.column_stack([design, y])
        self.products = full.T @ full
        labels = list(dict.fromkeys(group))
        member = np.array([[g == label for g in group] for label in labels], dtype=np.float64)
        self.sizes = member.sum(axis=1)
        self.totals = member @ full

    def crossed(self, ratio: float) -> Floats:
        """(design, y)ᵀ·V⁻¹·(design, y) for V = 1 + ratio·(same group), by the Woodbury identity."""
        weight = ratio / (1.0 + ratio * self.sizes)
        return np.asarray(self.products - (self.totals * weight[:, None]).T @ self.totals, dtype=np.float64)

    def fit(self, ratio: float, restricted: bool) -> tuple[float, float, Floats, Floats]:
        """Profiled deviance, residual variance, coefficients and (XᵀV⁻¹X)⁻¹ at a ratio of variances."""
        crossed = self.crossed(ratio)
        inverse = np.asarray(np.linalg.inv(crossed[:-1, :-1]), dtype=np.float64)
        coefficients = inverse @ crossed[:-1, -1]
        squares = max(float(crossed[-1, -1] - crossed[:-1, -1] @ coefficients), 1e-300)
        freedom = self.n - self.p if restricted else self.n
        variance = squares / freedom
        deviance = freedom * (math.log(2.0 * math.pi * variance) + 1.0) + float(np.sum(np.log1p(ratio * self.sizes)))
        if restricted:
            deviance -= float(np.linalg.slogdet(inverse)[1])
        return deviance, variance, coefficients, inverse

    def deviance(self, between: float, residual: float, restricted: bool) -> float:
        """Return −2 log likelihood at given variances (not profiled)."""
        ratio = between / residual
        _, variance, _, inverse = self.fit(ratio, restricted)
        freedom = self.n - self.p if restricted else self.n
        squares = variance * freedom
        value = freedom * math.log(2.0 * math.pi * residual) + squares / residual
        value += float(np.sum(np.log1p(ratio * self.sizes)))
        return float(value - np.linalg.slogdet(inverse)[1]) if restricted else float(value)


def _best_ratio(sums: _Sums, restricted: bool) -> float:
    grid = np.concatenate([[0.0], np.geomspace(1e-6, 1e6, 121)])
    values = [sums.fit(float(r), restricted)[0] for r in grid]
    best = int(np.argmin(values))
    if best == 0:
        return 0.0
    low, high = math.log(grid[max(best - 1, 1)]), math.log(grid[min(best + 1, grid.size - 1)])
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    for _ in range(80):
        a, b = high - golden * (high - low), low + golden * (high - low)
        if sums.fit(math.exp(a), restricted)[0] < sums.fit(math.exp(b), restricted)[0]:
            high = b
        else:
            low = a
    ratio = math.exp(0.5 * (low + high))
    return ratio if sums.fit(ratio, restricted)[0] <= values[0] else 0.0


def _satterthwaite(sums: _Sums, between: float, residual: float, restricted: bool) -> Floats:
    """Degrees of freedom 2·v²/(gᵀ·A·g) of each coefficient, A = covariance of the two variances from the deviance."""
    point = np.array([between, residual])
    steps = 1e-3 * np.maximum(point, 1e-2 * residual)

    def deviance(p: Floats) -> float:
        return sums.deviance(float(p[0]), float(p[1]), restricted)

    def variances(p: Floats) -> Floats:
        return np.asarray(np.diag(sums.fit(float(p[0] / p[1]), restricted)[3]) * p[1], dtype=np.float64)

    hessian = np.zeros((2, 2))
    for i in range(2):
        for j in range(2):
            di, dj = np.eye(2)[i] * steps[i], np.eye(2)[j] * steps[j]
            corners = deviance(point + di + dj) - deviance(point + di - dj) - deviance(point - di + dj)
            hessian[i, j] = (corners + deviance(point - di - dj)) / (4.0 * steps[i] * steps[j])
    covariance = 2.0 * np.linalg.pinv(hessian)
    gradient = np.array(
        [
            (variances(point + e * s) - variances(point - e * s)) / (2.0 * s)
            for e, s in zip(np.eye(2), steps, strict=True)
        ]
    )
    spread = np.einsum("ik,ij,jk->k", gradient, covariance, gradient)
    return np.asarray(2.0 * variances(point) ** 2 / spread, dtype=np.float64)


def random_intercept(
    y: Values, design: Floats, group: Sequence[Hashable], *, restricted: bool = True
) -> RandomIntercept:
    """Fit fixed effects with one random intercept per group.

    Parameters
    ----------
    y : sequence of float, shape (n,)
        Values.
    design : ndarray, shape (n, p)
        Full-rank design of the fixed effects, n > p.
    group : sequence, shape (n,)
        Group of each value, at least two different.
    restricted : bool
        REML (default) or ML.

    Raises
    ------
    DataError
        One group, no degree of freedom, or no scatter.

    Notes
    -----
    Profile likelihood over the ratio of the variances (D. A. Harville, J. Amer. Statist. Assoc. 72 (1977) 320–338);
    degrees of freedom after F. E. Satterthwaite (1946). A between-group variance at zero leaves n − p degrees.
    """
    values = finite(y, "values")
    n, p = design.shape
    if not n == values.size == len(group):
        raise ValueError("values, design and group differ in length")
    groups = len(set(group))
    if groups < 2 or n <= p:
        raise DataError("Too few groups or values for a random effect.", remedy="Add runs or blocks.")
    origin = float(values[0])
    shift = np.linalg.lstsq(design, np.ones(n), rcond=None)[0]  # the design holds a constant: taken out and put back
    constant = bool(np.allclose(design @ shift, 1.0))
    centred = values - origin if constant else values
    least = np.linalg.lstsq(design, centred, rcond=None)[0]
    if below_rounding(centred - design @ least, values):
        raise DataError("The values do not scatter.", remedy="State the difference without an interval.")
    sums = _Sums(centred, design, group)
    ratio = _best_ratio(sums, restricted)
    deviance, variance, coefficients, inverse = sums.fit(ratio, restricted)
    errors = np.sqrt(np.diag(inverse) * variance)
    clipped = ratio == 0.0
    df = np.full(p, float(n - p)) if clipped else _satterthwaite(sums, ratio * variance, variance, restricted)
    if constant:
        coefficients = coefficients + origin * shift
    return RandomIntercept(
        tuple(map(float, coefficients)),
        tuple(map(float, errors)),
        tuple(map(float, df)),
        math.sqrt(ratio * variance),
        math.sqrt(variance),
        deviance,
        clipped,
        n,
        groups,
        restricted,
    )


def random_effects_mean(groups: Sequence[Values], level: float = 0.95) -> RandomEffectsMean:
    """General mean of groups of repeated values, when groups scatter more than their members.

    Parameters
    ----------
    groups : sequence of sequences of float
        Values of each group, at least two groups.
    level : float
        Confidence level.

    Raises
    ------
    DataError
        As `random_intercept`.

    Notes
    -----
    REML; for groups of one size this is the analysis-of-variance estimate.
    """
    check_level(level)
    data = [finite(g, "values of a group") for g in groups]
    y = np.concatenate(data) if data else np.zeros(0)
    labels = [i for i, g in enumerate(data) for _ in range(g.size)]
    fit = random_intercept(y, np.ones((y.size, 1)), labels)
    mean, error, df = fit.coefficients[0], fit.errors[0], fit.df[0]
    half = coverage_factor(level, df) * error
    return RandomEffectsMean(
        mean, error, mean - half, mean + half, df, fit.between_sd, fit.residual_sd, fit.clipped, level
    )


def compare_mixed(
    values: Values, configuration: Sequence[str], block: Sequence[Hashable], baseline: str, level: float = 0.95
) -> dict[str, Difference]:
    """Differences from the baseline with blocks as random; parameters as in `compare_blocked`, all blocks known.

    Parameters
    ----------
    values, configuration, block, baseline, level
        See `compare_blocked`.

    Raises
    ------
    DataError
        No baseline, one block, or too few runs.

    Notes
    -----
    Wanted as a second opinion on unbalanced designs. With few blocks their variance is hardly known and the interval
    may be too narrow; the fixed-block comparison is the one to report.
    """
    check_level(level)
    if baseline not in configuration:
        raise DataError(f'No run of the baseline "{baseline}" is left.', remedy="Check the excluded runs.")
    design, candidates = additive_design(configuration, [0] * len(configuration), baseline)
    fit = random_intercept(values, design, block)
    count = {name: sum(c == name for c in configuration) for name in dict.fromkeys(configuration)}
    note = f"blocks taken as a random sample of {fit.groups}"
    if fit.clipped:
        note += "; their scatter was estimated as zero, so the runs were compared as if there were no blocks"
    result = {}
    for i, candidate in enumerate(candidates):
        name, n = str(candidate), (count[baseline], count[str(candidate)])
        estimate, error, df = fit.coefficients[i], fit.errors[i], fit.df[i]
        result[name] = with_interval(estimate, error, df, n, "mixed", note, level, fit.residual_sd)
    return result
