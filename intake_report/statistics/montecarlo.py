"""What a set of Monte Carlo draws says (JCGM 101:2008); the draws are made by the caller, who owns the generator."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from intake_report.errors import DataError
from intake_report.statistics._numbers import Floats, check_level


@dataclass(frozen=True)
class DrawSummary:
    """Summary of the draws of one quantity.

    Attributes
    ----------
    draws : int
        Number of draws, with the ones that gave no number.
    mean, u : float or None
        Estimate and standard uncertainty; None when some draws are infinite ("not reached") or fewer than two count.
    low, high : float or None
        Probabilistically symmetric coverage interval; None where the limit lies among draws not reached.
    shortest_low, shortest_high : float or None
        Shortest coverage interval; None when it cannot be told from draws not reached.
    not_reached : float
        Share of infinite draws among those that count (censored; the symmetric interval takes them as longer than
        all others).
    failed : float
        Share of draws that are NaN (no value could be computed); they are left out, so a large share makes the
        summary conditional.
    level : float
        Coverage probability.
    """

    draws: int
    mean: float | None
    u: float | None
    low: float | None
    high: float | None
    shortest_low: float | None
    shortest_high: float | None
    not_reached: float
    failed: float
    level: float = 0.95


@dataclass(frozen=True)
class BudgetRow:
    """Contribution of one source: standard uncertainty alone, and its share of the sum of squares of all rows."""

    source: str
    u: float
    share: float


def _limit(x: float) -> float | None:
    return float(x) if math.isfinite(x) else None


def summarise_draws(draws: Floats, level: float = 0.95) -> DrawSummary:
    """Mean, standard uncertainty, symmetric and shortest coverage interval of one quantity.

    Parameters
    ----------
    draws : ndarray, shape (m,)
        Draws; +inf = not reached within the run, NaN = no value.
    level : float
        Coverage probability.

    Raises
    ------
    DataError
        No draw gave a value.

    Notes
    -----
    JCGM 101:2008, 7.6 and 7.7: with q the integer nearest level·m, the symmetric interval runs from sorted draw
    (m − q)/2 on, the shortest over the r that gives the least width.
    """
    check_level(level)
    values = np.asarray(draws, dtype=np.float64).ravel()
    counted = np.sort(values[~np.isnan(values)])
    m = int(counted.size)
    if m == 0:
        raise DataError("No Monte Carlo draw gave a value.", remedy="See why the metric fails on the undisturbed log.")
    failed = 1.0 - m / values.size
    q = min(int(level * m + 0.5), m - 1)
    first = (m - q) // 2
    first = min(max(first, 1), m - q) - 1  # counted from zero
    finite_count = int(np.count_nonzero(np.isfinite(counted)))
    all_finite = finite_count == m
    mean = float(np.mean(counted)) if all_finite else None
    u = float(np.std(counted, ddof=1)) if all_finite and m > 1 else None
    shortest: tuple[float | None, float | None] = (None, None)
    if all_finite or finite_count > q:
        inside = counted[np.isfinite(counted)]
        start = int(np.argmin(inside[q:] - inside[: inside.size - q]))
        shortest = (float(inside[start]), float(inside[start + q]))
    low, high = _limit(counted[first]), _limit(counted[first + q])
    if m == 1:
        low = high = None
        shortest = (None, None)
    return DrawSummary(values.size, mean, u, low, high, *shortest, 1.0 - finite_count / m, failed, level)


def summarise_columns(draws: Floats, level: float = 0.95) -> tuple[DrawSummary, ...]:
    """Summarise each column of draws, shape (m, k) → k summaries (see `summarise_draws`)."""
    return tuple(summarise_draws(column, level) for column in np.atleast_2d(draws.T))


def budget(draws_by_source: Mapping[str, Floats]) -> tuple[BudgetRow, ...]:
    """Rank sources by the scatter that each causes when it alone is varied, largest first.

    Parameters
    ----------
    draws_by_source : mapping of str to ndarray, shape (m,)
        Draws of the metric with one source varied and all others held.

    Notes
    -----
    JCGM 101:2008, annex B: one-at-a-time contributions; for a non-linear metric they need not add up to the whole.
    Draws that gave no number are left out.
    """
    spread = {}
    for source, draws in draws_by_source.items():
        usable = np.asarray(draws, dtype=np.float64)
        usable = usable[np.isfinite(usable)]
        spread[source] = float(np.std(usable, ddof=1)) if usable.size > 1 else 0.0
    total = math.fsum(u**2 for u in spread.values())
    rows = [BudgetRow(source, u, u**2 / total if total > 0.0 else 0.0) for source, u in spread.items()]
    return tuple(sorted(rows, key=lambda row: -row.u))


def mean_error_of_draws(summary: DrawSummary) -> float | None:
    """Return the standard error that the finite number of draws leaves on the mean (JCGM 101, 7.9)."""
    counted = summary.draws * (1.0 - summary.failed)
    return None if summary.u is None else summary.u / math.sqrt(counted)
