"""The mean of few runs with its interval, and the tests that use only two such means."""

from __future__ import annotations

import math
from dataclasses import dataclass

from intake_report.statistics._numbers import (
    Values,
    below_rounding,
    check_level,
    coverage_factor,
    finite,
    mean_and_squares,
    t_two_sided,
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


@dataclass(frozen=True)
class WelchTest:
    """Difference of two means (candidate minus baseline) without assuming equal scatter."""

    difference: float
    standard_error: float
    t: float
    df: float
    p_value: float


def mean_interval(values: Values, level: float = 0.95) -> MeanInterval:
    """Mean, standard deviation and t interval of the mean.

    Parameters
    ----------
    values : sequence of float, shape (n,)
        One value per run, finite.
    level : float
        Confidence level, between 0 and 1.

    Returns
    -------
    MeanInterval
        For n = 1 `sd`, `low` and `high` are None and `df` is 0. Equal values give sd 0 and limits of no width: the
        scatter is then below the resolution of the values, not zero, which the caller has to say.

    Raises
    ------
    DataError
        No value, or one that is not finite.

    Notes
    -----
    Valid for independent, roughly normal values. Source: Student's t interval (e.g. GUM 4.2 and annex G.3).
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


def welch_from_summary(
    mean_baseline: float,
    sd_baseline: float,
    n_baseline: int,
    mean_candidate: float,
    sd_candidate: float,
    n_candidate: int,
) -> WelchTest | None:
    """Welch's test from means, standard deviations and counts; None when both scatters are zero.

    Parameters
    ----------
    mean_baseline, sd_baseline, n_baseline, mean_candidate, sd_candidate, n_candidate : float or int
        Summary of both groups; counts of at least 2.

    Notes
    -----
    Degrees of freedom by Welch–Satterthwaite; B. L. Welch, Biometrika 34 (1947) 28–35.
    """
    if n_baseline < 2 or n_candidate < 2:
        raise ValueError("Welch's test needs at least two values on each side")
    difference = mean_candidate - mean_baseline
    part_baseline, part_candidate = sd_baseline**2 / n_baseline, sd_candidate**2 / n_candidate
    variance = part_baseline + part_candidate
    if variance == 0.0:
        return None
    # shares first: squaring tiny variances directly would underflow
    share_baseline, share_candidate = part_baseline / variance, part_candidate / variance
    df = 1.0 / (share_baseline**2 / (n_baseline - 1) + share_candidate**2 / (n_candidate - 1))
    standard_error = math.sqrt(variance)
    t = difference / standard_error
    return WelchTest(difference, standard_error, t, df, t_two_sided(t, df))


def welch(baseline: Values, candidate: Values) -> WelchTest | None:
    """Welch's test of two samples, candidate minus baseline; None when both have no scatter at all.

    Parameters
    ----------
    baseline, candidate : sequence of float, shapes (n,) and (m,)
        One value per run, at least two on each side.

    Raises
    ------
    DataError
        Fewer than two values on a side, or one that is not finite.
    """
    a, b = finite(baseline, "baseline values", 2), finite(candidate, "candidate values", 2)
    # both around the same origin, so that the difference keeps its digits
    origin = a[0]
    mean_a, squares_a = mean_and_squares(a - origin)
    mean_b, squares_b = mean_and_squares(b - origin)
    sd_a, sd_b = math.sqrt(squares_a / (a.size - 1)), math.sqrt(squares_b / (b.size - 1))
    return welch_from_summary(mean_a, sd_a, int(a.size), mean_b, sd_b, int(b.size))
