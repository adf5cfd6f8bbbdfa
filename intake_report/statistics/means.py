"""One quantity with its interval: the mean of runs, a line, a proportion, a sum of parts, Monte Carlo draws."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from intake_report.errors import DataError
from intake_report.statistics._numbers import (
    Floats,
    Values,
    below_rounding,
    check_level,
    coverage_factor,
    finite,
    mean_and_squares,
)


@dataclass(frozen=True)
class MeanInterval:
    """Mean of `n` values with its confidence interval; `sd`, `low`, `high` are None for a single value."""

    n: int
    mean: float
    sd: float | None
    low: float | None
    high: float | None
    df: int
    level: float = 0.95


def mean_interval(values: Values, level: float = 0.95) -> MeanInterval:
    """Mean, standard deviation and t interval of the mean of independent, roughly normal values, one per run.

    For n = 1 `sd`, `low` and `high` are None and `df` is 0. Equal values give sd 0 and limits of no width: the scatter is then below
    the resolution of the values, not zero, which the caller has to say. Student's t interval (e.g. GUM 4.2 and annex G.3).
    """
    array = finite(values, "mean of runs")
    check_level(level)
    mean, squares = mean_and_squares(array)
    n = int(array.size)
    if n == 1:
        return MeanInterval(1, mean, None, None, None, 0, level)
    if below_rounding(array - mean, array):
        squares = 0.0  # equal as decimals: no scatter, not one of 1e-17
    sd = math.sqrt(squares / (n - 1))
    half = coverage_factor(level, n - 1) * sd / math.sqrt(n)
    return MeanInterval(n, mean, sd, mean - half, mean + half, n - 1, level)


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


def line_fit(x: Values, y: Values, origin: float = 0.0) -> LineFit:
    """Least-squares line through points, n ≥ 2, not all at one x, with the intercept stated at `origin`.

    Equal and uncorrelated uncertainty of y, none of x. GUM (JCGM 100:2008) H.3; sums are taken about the means to keep digits.
    """
    a, b = finite(x, "x values", 2), finite(y, "y values", 2)
    if a.size != b.size:
        raise ValueError("x and y differ in length")
    if np.all(a == a[0]):
        raise DataError("All points lie at one x: no slope can be given.", remedy="Take samples at different times.")
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


@dataclass(frozen=True)
class ProportionInterval:
    """`k` events in `n` trials with the two-sided limits of the underlying proportion."""

    k: int
    n: int
    low: float
    high: float
    level: float = 0.95


def _trials(n: int) -> int:
    if n < 1:
        raise DataError("No trial was made: no proportion can be stated.", remedy="Record at least one trial.")
    return n


def clopper_pearson(k: int, n: int, level: float = 0.95) -> ProportionInterval:
    """Exact (Clopper–Pearson) two-sided interval of a proportion: k events in n ≥ 1 trials.

    Each tail carries half of the rest, also for k = 0 (see `zero_failure_upper`).
    C. Clopper, E. S. Pearson, Biometrika 26 (1934) 404–413.
    """
    _trials(n)
    if not 0 <= k <= n:
        raise ValueError(f"{k} events in {n} trials")
    tail = (1.0 - check_level(level)) / 2.0
    low = 0.0 if k == 0 else float(special.betaincinv(k, n - k + 1, tail))
    high = 1.0 if k == n else float(special.betaincinv(k + 1, n - k, 1.0 - tail))
    return ProportionInterval(k, n, low, high, level)


def zero_failure_upper(n: int, level: float = 0.95) -> float:
    """One-sided upper limit of the failure proportion after n ≥ 1 trials without a failure: 1 − (1 − level)^(1/n)."""
    return -math.expm1(math.log1p(-check_level(level)) / _trials(n))


def combine(parts: Sequence[tuple[float, float | None]]) -> tuple[float, float | None]:
    """Combine uncorrelated contributions (|sensitivity|·u, degrees of freedom; None = as good as known) to an uncertainty.

    Returns u and its effective degrees of freedom, not rounded (rounding down early costs coverage); None when nothing limits
    them. GUM 5.1.2 and G.4.1 (Welch–Satterthwaite).
    """
    variance = math.fsum(u**2 for u, _ in parts)
    if variance == 0.0:
        return 0.0, None
    limited = math.fsum((u**2 / variance) ** 2 / df for u, df in parts if df is not None)
    return math.sqrt(variance), 1.0 / limited if limited > 0.0 else None


@dataclass(frozen=True)
class DrawSummary:
    """Summary of the Monte Carlo draws of one quantity.

    `mean`, `u` are None when some draws are infinite ("not reached") or fewer than two count; `low`, `high`, the probabilistically
    symmetric coverage interval, None where the limit lies among draws not reached. `not_reached` is the share of infinite draws
    among those that count; `failed` that of NaN, which are left out, so that a large share makes the summary conditional.
    """

    draws: int
    mean: float | None
    u: float | None
    low: float | None
    high: float | None
    not_reached: float
    failed: float
    level: float = 0.95


def summarise_draws(draws: Floats, level: float = 0.95) -> DrawSummary:
    """Mean, standard uncertainty and symmetric coverage interval of one quantity; DataError where no draw gave a value.

    `draws` (m,): +inf = not reached within the run, −inf = within at entry, NaN = no value. JCGM 101:2008, 7.6 and 7.7: with q the
    integer nearest level·m, the symmetric interval runs from sorted draw (m − q)/2 on.
    """
    check_level(level)
    values = np.asarray(draws, dtype=np.float64).ravel()
    counted = np.sort(values[~np.isnan(values)])
    m = int(counted.size)
    if m == 0:
        raise DataError("No Monte Carlo draw gave a value.", remedy="See why the metric fails on the undisturbed log.")
    q = min(int(level * m + 0.5), m - 1)
    first = min(max((m - q) // 2, 1), m - q) - 1  # counted from zero
    reached = int(np.count_nonzero(np.isfinite(counted)))
    mean = float(np.mean(counted)) if reached == m else None
    u = float(np.std(counted, ddof=1)) if reached == m and m > 1 else None
    low, high = (float(x) if math.isfinite(x) and m > 1 else None for x in (counted[first], counted[first + q]))
    return DrawSummary(values.size, mean, u, low, high, 1.0 - reached / m, 1.0 - m / values.size, level)
