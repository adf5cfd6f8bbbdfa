"""Counts of failures in a few trials: what they bound."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import special

from intake_report.errors import DataError
from intake_report.statistics._numbers import check_level


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
    """Exact (Clopper–Pearson) two-sided interval of a proportion.

    Parameters
    ----------
    k, n : int
        Events and trials, 0 ≤ k ≤ n, n ≥ 1.
    level : float
        Confidence level; each tail carries half of the rest, also for k = 0 (see `zero_failure_upper`).

    Raises
    ------
    DataError
        n < 1.

    Notes
    -----
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
    """One-sided upper limit of the failure proportion after n trials without a failure: 1 − (1 − level)^(1/n).

    Raises
    ------
    DataError
        n < 1.
    """
    return -math.expm1(math.log1p(-check_level(level)) / _trials(n))


def trials_without_failure(reliability: float, level: float = 0.95) -> int:
    """Fewest trials, all without failure, that show `reliability` at confidence `level` (success run).

    Notes
    -----
    n = ln(1 − level) / ln(reliability), rounded up; common practice in reliability demonstration.
    """
    if not 0.0 < reliability < 1.0:
        raise ValueError(f"reliability {reliability} is not between 0 and 1")
    exact = math.log1p(-check_level(level)) / math.log(reliability)
    # a whole number may come out a rounding error above itself
    return math.ceil(exact - 1e-9)
