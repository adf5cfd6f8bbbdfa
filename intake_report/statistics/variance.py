"""Scatter: between and within groups, repeatability, and whether consecutive runs hang together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np
from scipy import special

from intake_report.errors import DataError
from intake_report.statistics._numbers import (
    Floats,
    Values,
    below_rounding,
    check_level,
    f_upper,
    finite,
    mean_and_squares,
)

# two results of one set-up differ by more than this many standard deviations in 5 % of cases (ISO 5725-6: 1.96·√2)
LIMIT_FACTOR = 1.959963984540054 * math.sqrt(2.0)


@dataclass(frozen=True)
class OneWay:
    """One-way analysis of variance; `f` and `p_value` are None without scatter or repetition within groups."""

    df_between: int
    df_within: int
    squares_between: float
    squares_within: float
    f: float | None
    p_value: float | None
    residual_sd: float | None
    r_squared: float | None


@dataclass(frozen=True)
class Repeatability:
    """Scatter of a method after ISO 5725-2.

    Attributes
    ----------
    mean : float
        General mean.
    repeatability_sd : float or None
        s_r, runs of one group; None when no group was repeated.
    between_sd : float or None
        s_L, between groups; zero when the estimate came out negative (`clipped`).
    reproducibility_sd : float or None
        s_R, runs of different groups; never below s_r.
    df : int
        Degrees of freedom of s_r.
    repeatability_limit : float or None
        1.96·√2·s_r: two runs of one group differ by more in 5 % of cases.
    means_sd : float or None
        Standard deviation of the group means.
    groups, n : int
        Number of groups and of values.
    clipped : bool
        The between-group variance was estimated below zero and set to zero.
    """

    mean: float
    repeatability_sd: float | None
    between_sd: float | None
    reproducibility_sd: float | None
    df: int
    repeatability_limit: float | None
    means_sd: float | None
    groups: int
    n: int
    clipped: bool


@dataclass(frozen=True)
class LagOne:
    """Lag-1 correlation of consecutive values with its permutation p-value (two-sided)."""

    correlation: float | None
    p_value: float | None
    n: int
    pairs: int
    exact: bool
    note: str = ""


def _groups(groups: Sequence[Values]) -> list[Floats]:
    checked = [finite(group, "values of a group") for group in groups]
    if not checked:
        raise DataError("No group of values is left.", remedy="Check which runs were excluded.")
    return checked


def one_way(groups: Sequence[Values]) -> OneWay:
    """One-way analysis of variance that keeps its digits on stiff data.

    Parameters
    ----------
    groups : sequence of sequences of float
        Values of each group, every group at least one value, at least two groups.

    Raises
    ------
    DataError
        Fewer than two groups, an empty one, or a value that is not finite.

    Notes
    -----
    All values are first taken about the first one, so constant leading digits cancel exactly.
    Source: any textbook; checked against the certified NIST StRD sets.
    """
    data = _groups(groups)
    if len(data) < 2:
        raise DataError("One group only: there is nothing to compare.", remedy="Add values of another group.")
    shifted = [group - data[0][0] for group in data]
    total, _ = mean_and_squares(np.concatenate(shifted))
    moments = [mean_and_squares(group) for group in shifted]
    between = math.fsum(group.size * (mean - total) ** 2 for group, (mean, _) in zip(shifted, moments, strict=True))
    within = math.fsum(squares for _, squares in moments)
    df_between, df_within = len(data) - 1, sum(group.size - 1 for group in data)
    both = between + within
    r_squared = between / both if both > 0.0 else None
    residuals = np.concatenate([group - mean for group, (mean, _) in zip(shifted, moments, strict=True)])
    if df_within < 1 or below_rounding(residuals, np.concatenate(data)):
        sd = 0.0 if df_within >= 1 else None
        return OneWay(df_between, df_within, between, within, None, None, sd, r_squared)
    f = (between / df_between) / (within / df_within)
    p_value = f_upper(f, df_between, df_within)
    return OneWay(df_between, df_within, between, within, f, p_value, math.sqrt(within / df_within), r_squared)


def pooled_sd(groups: Sequence[Values]) -> tuple[float | None, int]:
    """Pooled standard deviation within groups and its degrees of freedom; (None, 0) without repetition.

    Parameters
    ----------
    groups : sequence of sequences of float
        Values of each group; single values add nothing.
    """
    data = _groups(groups)
    df = sum(group.size - 1 for group in data)
    if df < 1:
        return None, 0
    return math.sqrt(math.fsum(mean_and_squares(group)[1] for group in data) / df), df


def repeatability(groups: Sequence[Values]) -> Repeatability:
    """Repeatability and reproducibility from repeated runs of several groups.

    Parameters
    ----------
    groups : sequence of sequences of float
        Repeated values of each group (runs of one configuration on one day, say); sizes may differ.

    Raises
    ------
    DataError
        No group, an empty one, or a value that is not finite.

    Notes
    -----
    Analysis-of-variance estimator of ISO 5725-2 (ASTM E691 for equal sizes): s_L² = (MSB − MSW)/n̄, set to zero when
    negative; n̄ = (N − Σn²/N)/(p − 1).
    """
    data = _groups(groups)
    sizes = np.array([group.size for group in data], dtype=np.float64)
    total = float(sizes.sum())
    origin = data[0][0]
    mean = float(origin) + mean_and_squares(np.concatenate([group - origin for group in data]))[0]
    sd, df = pooled_sd(data)
    count = len(data)
    if sd is None or count < 2:
        limit = None if sd is None else LIMIT_FACTOR * sd
        return Repeatability(mean, sd, None, None, df, limit, None, count, int(total), False)
    table = one_way(data)
    size = (total - float(np.sum(sizes**2)) / total) / (count - 1)
    raw = (table.squares_between / table.df_between - sd**2) / size
    between = max(raw, 0.0)
    means = np.array([mean_and_squares(group - origin)[0] for group in data])
    means_sd = math.sqrt(mean_and_squares(means)[1] / (count - 1))
    reproducibility = math.sqrt(between + sd**2)
    limit = LIMIT_FACTOR * sd
    return Repeatability(
        mean, sd, math.sqrt(between), reproducibility, df, limit, means_sd, count, int(total), raw < 0.0
    )


def sd_interval(sd: float, df: int, level: float = 0.95) -> tuple[float, float]:
    """Confidence interval of a standard deviation with `df` degrees of freedom (chi-squared; normal values).

    Notes
    -----
    Three runs leave a factor of 0.52 to 6.3: a scatter from few runs is itself hardly known.
    """
    tail = (1.0 - check_level(level)) / 2.0
    # chdtri is the inverse of the upper tail
    upper, lower = float(special.chdtri(df, tail)), float(special.chdtri(df, 1.0 - tail))
    return sd * math.sqrt(df / upper), sd * math.sqrt(df / lower)


def c4(n: int) -> float:
    """Return the expected standard deviation of n normal values as a share of the true one."""
    if n < 2:
        raise ValueError("c4 needs n of at least 2")
    return math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2.0) - math.lgamma((n - 1) / 2.0))


def lag_one(
    sessions: Sequence[Values], rng: np.random.Generator | None = None, draws: int = 10_000, most_exact: int = 50_000
) -> LagOne:
    """Lag-1 correlation of values in the order they were made, and whether chance alone gives as much.

    Parameters
    ----------
    sessions : sequence of sequences of float
        Values in order of time, one sequence per session (pairs are not formed across sessions). Take out the
        configuration's effect first, or a change of configuration looks like correlation.
    rng : numpy.random.Generator, optional
        Needed when the orders are more than `most_exact`.
    draws : int
        Random orders then.
    most_exact : int
        Up to this many orders all are counted.

    Returns
    -------
    LagOne
        `correlation` and `p_value` are None when there are fewer than three values in every session or no scatter.

    Raises
    ------
    DataError
        No value, or one that is not finite.

    Notes
    -----
    Statistic: sum of products of neighbours over the sum of squares, deviations from each session's mean. Test: the
    order within each session is permuted; p is twice the smaller tail. A handful of values only shows strong
    correlation.
    """
    data = _groups(sessions)
    deviations = [group - mean_and_squares(group)[0] for group in data]
    n, pairs = sum(g.size for g in data), sum(g.size - 1 for g in data)
    squares = math.fsum(float(run @ run) for run in deviations)
    if max(g.size for g in data) < 3 or below_rounding(np.concatenate(deviations), np.concatenate(data)):
        note = "too few runs in a row, or no scatter, to see whether consecutive runs hang together"
        return LagOne(None, None, n, pairs, False, note)
    observed = math.fsum(float(run[:-1] @ run[1:]) for run in deviations) / squares
    orders = math.prod(math.factorial(min(run.size, 20)) for run in deviations)
    exact = orders <= most_exact
    if exact:
        sums = np.zeros(1)
        for run in deviations:
            dealt = run[np.array(list(permutations(range(run.size))))]
            sums = np.add.outer(sums, np.sum(dealt[:, :-1] * dealt[:, 1:], axis=1)).ravel()
    elif rng is None:
        raise ValueError(f"{orders} orders are too many to count: pass a random generator")
    else:
        sums = np.zeros(draws)
        for run in deviations:
            dealt = rng.permuted(np.tile(run, (draws, 1)), axis=1)
            sums += np.sum(dealt[:, :-1] * dealt[:, 1:], axis=1)
    extra = 0 if exact else 1
    slack = 1e-9 * squares
    upper = (np.count_nonzero(sums >= observed * squares - slack) + extra) / (sums.size + extra)
    lower = (np.count_nonzero(sums <= observed * squares + slack) + extra) / (sums.size + extra)
    return LagOne(observed, float(min(1.0, 2.0 * min(upper, lower))), n, pairs, exact)
