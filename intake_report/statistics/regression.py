"""Slopes: Theil–Sen for drifting readings, least squares for calibration lines."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from intake_report.errors import DataError
from intake_report.statistics._numbers import Floats, Values, check_level, finite, mean_and_squares, normal_quantile


@dataclass(frozen=True)
class TheilSen:
    """Median of pairwise slopes with Sen's interval; limits are None when the points are too few for the level."""

    slope: float
    low: float | None
    high: float | None
    intercept: float
    n: int
    level: float = 0.95


@dataclass(frozen=True)
class LineFit:
    """Least-squares line y = intercept + slope·(x − origin) with standard uncertainties.

    `residual_sd` has n − 2 degrees of freedom; uncertainties are None for n = 2. `correlation` is that of the two
    estimates.
    """

    intercept: float
    slope: float
    intercept_error: float | None
    slope_error: float | None
    correlation: float
    residual_sd: float | None
    df: int
    origin: float = 0.0

    def at(self, x: float) -> tuple[float, float | None]:
        """Value of the line at `x` and its standard uncertainty (GUM 2008, H.3.4)."""
        step = x - self.origin
        value = self.intercept + self.slope * step
        if self.intercept_error is None or self.slope_error is None:
            return value, None
        cross = 2.0 * step * self.correlation * self.intercept_error * self.slope_error
        return value, math.sqrt(max(self.intercept_error**2 + (step * self.slope_error) ** 2 + cross, 0.0))


def _pair(x: Values, y: Values, least: int) -> tuple[Floats, Floats]:
    a, b = finite(x, "x values", least), finite(y, "y values", least)
    if a.size != b.size:
        raise ValueError("x and y differ in length")
    if np.all(a == a[0]):
        raise DataError("All points lie at one x: no slope can be given.", remedy="Take samples at different times.")
    return a, b


def _kendall_variance(x: Floats, y: Floats) -> float:
    """Variance of Kendall's score with ties in both (M. G. Kendall, Rank Correlation Methods, 1970, from memory)."""
    n = float(x.size)
    tx, ty = (np.unique(v, return_counts=True)[1].astype(np.float64) for v in (x, y))

    def falling(t: Floats, factors: int) -> float:
        return float(np.sum(math.prod((t - i for i in range(factors)), start=np.ones_like(t))))

    def weighted(t: Floats) -> float:
        return float(np.sum(t * (t - 1.0) * (2.0 * t + 5.0)))

    variance = (n * (n - 1.0) * (2.0 * n + 5.0) - weighted(tx) - weighted(ty)) / 18.0
    variance += falling(tx, 2) * falling(ty, 2) / (2.0 * n * (n - 1.0))
    if n > 2:
        variance += falling(tx, 3) * falling(ty, 3) / (9.0 * n * (n - 1.0) * (n - 2.0))
    return variance


def theil_sen(x: Values, y: Values, level: float = 0.95) -> TheilSen:
    """Theil–Sen slope with Sen's confidence interval.

    Parameters
    ----------
    x, y : sequence of float, shape (n,)
        Points, n ≥ 2, not all at one x. Repeated values of x are left out pairwise.
    level : float
        Confidence level.

    Returns
    -------
    TheilSen
        Slope [y/x], limits, and the intercept median(y) − slope·median(x). Limits are None when 2/n! exceeds
        1 − level (so few points cannot support an interval of that level: n < 5 for 95 %) or all y are equal.

    Raises
    ------
    DataError
        Fewer than two points or all at one x.

    Notes
    -----
    Assumes independent residuals; a quantised or slowly drifting reading has fewer independent points than samples.
    Source: P. K. Sen, J. Amer. Statist. Assoc. 63 (1968) 1379–1389, normal approximation with ties.
    """
    check_level(level)
    a, b = _pair(x, y, 2)
    first, second = np.triu_indices(a.size, 1)
    run = a[second] - a[first]
    used = run != 0.0
    slopes = np.sort((b[second] - b[first])[used] / run[used])
    slope = float(np.median(slopes))
    intercept = float(np.median(b) - slope * np.median(a))
    n = int(a.size)
    if n < 20 and 2.0 / math.factorial(n) > 1.0 - level:
        return TheilSen(slope, None, None, intercept, n, level)

    variance = _kendall_variance(a, b)
    if variance <= 0.0:  # every reading equal: a flat line as far as the resolution goes
        return TheilSen(slope, None, None, intercept, n, level)
    reach = normal_quantile(0.5 + level / 2.0) * math.sqrt(variance)
    lower = max(round((slopes.size - reach) / 2.0) - 1, 0)
    upper = min(round((slopes.size + reach) / 2.0), slopes.size - 1)
    return TheilSen(slope, float(slopes[lower]), float(slopes[upper]), intercept, n, level)


def line_fit(x: Values, y: Values, origin: float = 0.0) -> LineFit:
    """Least-squares line through points, about `origin`.

    Parameters
    ----------
    x, y : sequence of float, shape (n,)
        Points, n ≥ 2, not all at one x; equal and uncorrelated uncertainty of y, none of x.
    origin : float
        Value of x at which the intercept is stated.

    Raises
    ------
    DataError
        Fewer than two points or all at one x.

    Notes
    -----
    GUM (JCGM 100:2008) H.3; sums are taken about the means to keep digits.
    """
    a, b = _pair(x, y, 2)
    mean_x, squares_x = mean_and_squares(a)
    mean_y, _ = mean_and_squares(b)
    dx, dy = a - mean_x, b - mean_y
    slope = float(dx @ dy) / squares_x
    offset = mean_x - origin
    intercept = mean_y - slope * offset
    residual = dy - slope * dx
    n = int(a.size)
    norm = math.sqrt(1.0 / n + offset**2 / squares_x)
    correlation = -offset / math.sqrt(squares_x) / norm
    if n == 2:
        return LineFit(intercept, slope, None, None, correlation, None, 0, origin)
    sd = math.sqrt(float(residual @ residual) / (n - 2))
    return LineFit(intercept, slope, sd * norm, sd / math.sqrt(squares_x), correlation, sd, n - 2, origin)
