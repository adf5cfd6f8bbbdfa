"""Combining uncertainties after the GUM (JCGM 100:2008)."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from intake_report.statistics._numbers import Floats, Values, coverage_factor, finite, mean_and_squares


@dataclass(frozen=True)
class Component:
    """One source of uncertainty: standard uncertainty, sensitivity, degrees of freedom (None = as good as known)."""

    name: str
    u: float
    sensitivity: float = 1.0
    df: float | None = None


@dataclass(frozen=True)
class Combined:
    """Combined standard uncertainty of uncorrelated components.

    Attributes
    ----------
    u : float
        Combined standard uncertainty.
    df : float or None
        Effective degrees of freedom (Welch–Satterthwaite); None when all components are as good as known.
    contributions : tuple of (str, float, float)
        Name, contribution |sensitivity|·u, and its share of the variance.
    """

    u: float
    df: float | None
    contributions: tuple[tuple[str, float, float], ...]

    def expanded(self, level: float = 0.95) -> tuple[float, float]:
        """Return the expanded uncertainty and its coverage factor, degrees of freedom not rounded."""
        factor = coverage_factor(level, math.inf if self.df is None else self.df)
        return factor * self.u, factor


@dataclass(frozen=True)
class Propagated:
    """Outputs of a function of correlated inputs, to first order."""

    values: tuple[float, ...]
    u: tuple[float, ...]
    correlation: tuple[tuple[float, ...], ...]


def rectangular(half_width: float) -> float:
    """Return the standard uncertainty of limits ± `half_width`, all values alike (GUM 4.3.7)."""
    return abs(half_width) / math.sqrt(3.0)


def triangular(half_width: float) -> float:
    """Return the standard uncertainty of limits ± `half_width`, the middle most likely (GUM 4.3.9)."""
    return abs(half_width) / math.sqrt(6.0)


def resolution(step: float) -> float:
    """Return the standard uncertainty of one reading rounded to `step` (GUM F.2.2.1)."""
    return rectangular(step / 2.0)


def effective_df(contributions: Sequence[float], dfs: Sequence[float | None]) -> float | None:
    """Welch–Satterthwaite degrees of freedom of a sum of independent contributions (GUM G.4).

    Parameters
    ----------
    contributions : sequence of float, shape (n,)
        |sensitivity|·u of each.
    dfs : sequence of float or None, shape (n,)
        Degrees of freedom of each; None = as good as known.

    Returns
    -------
    float or None
        Not rounded (rounding down early costs coverage); None when nothing limits it.
    """
    total = math.fsum(c**2 for c in contributions)
    if total == 0.0:
        return None
    parts = [(c**2 / total) ** 2 / df for c, df in zip(contributions, dfs, strict=True) if df is not None]
    return 1.0 / math.fsum(parts) if parts and math.fsum(parts) > 0.0 else None


def combine(components: Sequence[Component]) -> Combined:
    """Combine uncorrelated components.

    Parameters
    ----------
    components : sequence of Component
        At least one.

    Notes
    -----
    GUM 5.1.2 and G.4.1.
    """
    parts = [abs(c.sensitivity) * c.u for c in components]
    variance = math.fsum(p**2 for p in parts)
    shares = [p**2 / variance if variance > 0.0 else 0.0 for p in parts]
    rows = tuple((c.name, p, s) for c, p, s in zip(components, parts, shares, strict=True))
    return Combined(math.sqrt(variance), effective_df(parts, [c.df for c in components]), rows)


def type_a(values: Values) -> tuple[float, float, int]:
    """Mean, standard uncertainty of the mean and degrees of freedom from n ≥ 2 repeated values (GUM 4.2)."""
    array = finite(values, "repeated values", 2)
    mean, squares = mean_and_squares(array)
    n = int(array.size)
    return mean, math.sqrt(squares / (n - 1) / n), n - 1


def covariance_of_means(rows: Sequence[Values]) -> Floats:
    """Covariance matrix of the means of quantities that were observed together (GUM 5.2.3).

    Parameters
    ----------
    rows : sequence of sequences of float, shape (quantities, observations)
        Simultaneous observations, at least two.
    """
    data = np.array([finite(row, "repeated values", 2) for row in rows])
    return np.asarray(np.cov(data) / data.shape[1], dtype=np.float64).reshape(len(rows), len(rows))


def propagate(function: Callable[[Floats], Values], values: Values, covariance: Floats) -> Propagated:
    """Law of propagation of uncertainty for correlated inputs and several outputs.

    Parameters
    ----------
    function : callable, (n,) → (m,)
        Smooth in the range of the uncertainties.
    values : sequence of float, shape (n,)
        Input estimates.
    covariance : ndarray, shape (n, n)
        Their covariance.

    Notes
    -----
    GUM 5.2.2, with sensitivities by central differences over ± 0.1 % of each standard uncertainty.
    """
    x = finite(values, "input estimates")
    y = np.asarray(function(x), dtype=np.float64)
    u = np.sqrt(np.diag(covariance))
    jacobian = np.zeros((y.size, x.size))
    for i in np.flatnonzero(u > 0.0):
        step = np.zeros(x.size)
        # small against the curvature, large against rounding
        step[i] = max(1e-3 * u[i], 1e-7 * abs(x[i]))
        ahead, behind = (np.asarray(function(x + s * step), dtype=np.float64) for s in (1.0, -1.0))
        jacobian[:, i] = (ahead - behind) / (2.0 * step[i])
    out = jacobian @ covariance @ jacobian.T
    errors = np.sqrt(np.maximum(np.diag(out), 0.0))
    scale = np.where(errors > 0.0, errors, 1.0)
    correlation = out / np.outer(scale, scale)
    return Propagated(
        tuple(float(v) for v in y),
        tuple(float(v) for v in errors),
        tuple(tuple(float(v) for v in row) for row in correlation),
    )
