"""Scatter between runs and biases that all runs share, in one interval of a difference (JCGM 101:2008)."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple, Protocol

import numpy as np
from scipy import special
from scipy.optimize import brentq

from intake_report import statistics
from intake_report.statistics import Difference, Estimates, Floats, RunsModel, coverage_factor

LEAST_DRAWS = 20
NEARLY = 0.9  # of a tail: what is left of it would be the far end of a t distribution, a number without meaning
NEGLIGIBLE = 1e-6  # of the scatter: what cancels leaves rounding
LEVEL = 1e-9  # of a weight: lost runs of both sides weigh alike


class InstrumentDraws(Protocol):
    """Monte Carlo draws of a metric of one run; draw i takes the same shared biases in every run."""

    def common(self, key: str, run: str) -> Floats | None:
        """Return draws with only the biases varied that all runs share, (m,); +inf = not reached, −inf = within at entry."""

    def total(self, key: str, run: str) -> Floats | None:
        """Return draws with every source varied, (m,)."""


class InstrumentPart(NamedTuple):
    """What the instruments leave of a difference."""

    lost: float  # share of draws that do not reach the margin
    # over, under: shares beyond every number above, and below; both where runs of both signs do not reach it
    over: float
    under: float
    values: Floats  # (k, n): draws in which all runs reach it
    low: float | None  # low, high: of the draws' own coverage interval; None where it lies beyond every number
    high: float | None
    spread: float  # standard deviation of `values`: a part, never the whole, where some are lost


def instrument_part(
    draws: InstrumentDraws | None, key: str, weights: Mapping[str, float], *, total: bool = False, level: float = 0.95
) -> InstrumentPart | None:
    """Return what draws leave of a sum of runs' values by `weights`: of the shared sources, or of all where `total`.

    Of the same weighted sum that the estimate is: a bias that shifts every run alike cancels; one that shifts runs by different
    amounts (a crossing time near a plateau) does not. A draw in which a run does not reach the margin is longer than all
    others, and the sum then beyond every number on the side of that run's weight; one within at entry is as its shortest.
    """
    values, weight = _values(draws, key, list(weights), total), np.array(list(weights.values()))
    if values is None or len(values) < LEAST_DRAWS:
        return None
    # within at entry is no less than no time: the shortest draw stands for it; what has none is beyond every number
    shortest = np.min(np.where(np.isfinite(values), values, np.inf), axis=0, initial=np.inf)
    values = np.where(np.isneginf(values) & np.isfinite(shortest), shortest, values)
    open_ = np.isinf(values)
    beyond = np.where(open_, np.sign(values), 0.0) * weight
    over, under = (beyond > 0.0).any(axis=1), (beyond < 0.0).any(axis=1)
    reached = ~(over | under)
    # a run of weight zero bears on the scatter only: where it is open, its longest draw stands for it
    longest = np.max(np.where(open_, -np.inf, values), axis=0)
    usable = np.where(open_, np.where(np.isfinite(longest), longest, 0.0), values)[reached]
    sums = usable @ weight
    spread = float(np.std(sums, ddof=1)) if len(sums) > 1 else 0.0
    limits = []
    for beyond_number, sign in ((under, -1.0), (over, 1.0)):
        whole = np.where(beyond_number, sign * np.inf, -sign * np.inf)  # the rest of the lost ones on the other side
        whole[reached] = sums
        limits.append(statistics.summarise_draws(whole, level))
    lost = (len(values) - len(usable)) / len(values)
    shares = float(over.mean()), float(under.mean())
    return InstrumentPart(lost, *shares, usable, limits[0].low, limits[1].high, spread)


def _values(draws: InstrumentDraws | None, key: str, runs: Sequence[str], total: bool = False) -> Floats | None:
    """Return the draws of all runs, (m, runs), that have a value in each; None where a run was not drawn."""
    columns = [None if draws is None else draws.total(key, run) if total else draws.common(key, run) for run in runs]
    known = [column for column in columns if column is not None]
    if not known or len(known) < len(columns):
        return None
    values = np.column_stack(known)
    return values[~np.isnan(values).any(axis=1)]


def widen(found: Difference, part: InstrumentPart, model: RunsModel) -> Difference:
    """Return a difference from the scatter between runs whose interval includes the biases that all runs share.

    Every draw of the biases gives values of all runs and so a difference with its own t distribution; the interval is that of
    their mixture, which need not be symmetric: a recovery time is cut off at zero on one side and runs into a plateau on the
    other. A censored interval has no standard error: each of its half-widths is combined with that of the draws in quadrature.

    Draws in which a run does not reach the margin widen the side on which they lie, and open it (a limit of None) where the
    quantile falls among them; to the other limit they are as the rest of the draws, so that they do not narrow it. The standard
    error is None where a limit is.
    """
    if (found.low is None and found.high is None) or found.df is None:
        return found
    if not part.lost and part.spread <= NEGLIGIBLE * (found.scatter or 0.0):
        return found
    if found.standard_error is None or found.difference is None:
        return _widen_censored(found, part)
    estimates = model.evaluate(part.values) if len(part.values) >= LEAST_DRAWS else None
    if estimates is None:
        if not part.lost:
            return found
        # too few draws left to say more than the runs do of the side that stays closed
        one = (np.array([x]) for x in (found.difference, found.standard_error, found.df))
        estimates = Estimates(*one)
    tail = 0.5 * (1.0 - found.level)
    low, high = _limit(estimates, tail, part.under, -1), _limit(estimates, tail, part.over, 1)
    # the reported difference is the one without bias; it lies within whatever the draws say
    low = None if low is None else min(low, found.difference)
    high = None if high is None else max(high, found.difference)
    inside = mixture(estimates, 0.0)
    below, above = ((1.0 - p) * x + p for p, x in ((part.under, inside), (part.over, 1.0 - inside)))
    error = None if low is None or high is None else 0.5 * (high - low) / coverage_factor(found.level, found.df)
    return replace(found, low=low, high=high, standard_error=error, p_value=min(1.0, 2.0 * min(below, above)))


class DrawnOrder(NamedTuple):
    """Which of two is lower, by the sign of the difference draw by draw."""

    lower: float  # probability that the difference is below zero
    bound: float | None  # limit of the difference on the side of zero, None where there is none
    undecided: float  # share of the draws that say nothing of the order; they are left out of the other two


def drawn_order(draws: InstrumentDraws | None, key: str, model: RunsModel, found: Difference) -> DrawnOrder | None:
    """Return the order of two where draws of the biases that all runs share do not reach the margin.

    A run that does not reach the margin is later than any that does, by as much as any other that does not, and one that is
    within it at entry sooner: the side whose lost runs weigh more is later, and where they weigh alike the runs with a time
    decide, with the scatter between runs. A draw in which no run reaches, or all are within, says nothing; None where that is
    every second draw or more.
    """
    values = _values(draws, key, model.runs)
    if values is None or not found.standard_error or found.df is None:
        return None
    lost = np.isinf(values)
    some = lost.any(axis=1)
    beyond = np.where(lost, np.sign(values), 0.0) @ model.weights
    even = some & (np.abs(beyond) < LEVEL)
    silent = even & lost[:, model.weights != 0.0].all(axis=1)
    level = even & ~silent
    partial = np.where(lost[level], 0.0, values[level]) @ model.weights
    parts = [(partial, np.full(len(partial), found.standard_error), np.full(len(partial), found.df))]
    whole = model.evaluate(values[~some]) if not some.all() else None
    if whole is not None:
        parts.append((whole.difference, whole.error, whole.df))
    numbers = Estimates(*(np.concatenate(column) for column in zip(*parts, strict=True)))
    decided = len(values) - int(silent.sum())
    if 2 * decided <= len(values) or numbers.df.size == 0:
        return None
    under, over = (float((some & ~silent & ~level & (sign * beyond > 0.0)).sum()) / decided for sign in (-1.0, 1.0))
    lower = under + (1.0 - under - over) * mixture(numbers, 0.0)
    tail = 0.5 * (1.0 - found.level)
    # what is beyond every number on the other side is as any draw that does not exceed the limit
    bound = _limit(numbers, tail, over, 1) if lower > 0.5 else _limit(numbers, tail, under, -1)
    return DrawnOrder(lower, bound, 1.0 - decided / len(values))


def _limit(estimates: Estimates, tail: float, lost: float, side: int) -> float | None:
    """Return the limit on one side, −1 or 1, beyond which a share of the draws is `lost`; None where that is nearly the tail."""
    if lost >= NEARLY * tail:
        return None
    p = (tail - lost) / (1.0 - lost)
    return quantile(estimates, p if side < 0 else 1.0 - p)


def mixture(estimates: Estimates, x: float) -> float:
    """Return the probability that the difference is below `x`: mean over the draws of their t distributions."""
    error = np.maximum(estimates.error, 1e-12 * (1.0 + np.abs(estimates.difference)))
    return float(np.mean(special.stdtr(estimates.df, (x - estimates.difference) / error)))


def quantile(estimates: Estimates, p: float) -> float:
    """Return where `mixture` reaches `p`, between the quantiles of the single draws."""
    single = estimates.difference + special.stdtrit(estimates.df, p) * estimates.error
    low, high = float(single.min()), float(single.max())
    if mixture(estimates, low) >= p or mixture(estimates, high) <= p:
        return low if mixture(estimates, low) >= p else high
    return float(brentq(lambda x: mixture(estimates, x) - p, low, high, xtol=1e-14, rtol=1e-14))


def _widen_censored(found: Difference, part: InstrumentPart) -> Difference:
    tail, reach = 0.5 * (1.0 - found.level), coverage_factor(found.level, math.inf) * part.spread

    def moved(limit: float | None, lost: float, way: float) -> float | None:
        if limit is None or lost >= tail:
            return None
        if found.difference is None:  # one limit alone
            return limit + way * reach
        return found.difference + way * math.hypot(limit - found.difference, reach)

    low, high = moved(found.low, part.under, -1.0), moved(found.high, part.over, 1.0)
    if found.difference is None:
        return replace(found, low=low, high=high, p_value=None)
    above, p_value = found.difference > 0.0, found.p_value
    towards = found.low if above else found.high
    if towards is not None and found.df is not None and found.difference != 0.0:
        error = abs(found.difference - towards) / coverage_factor(found.level, found.df)
        # only ever less sure than without the shared part
        p = float(statistics.p_values(found.difference / math.hypot(error, part.spread), found.df))
        p_value = min(1.0, max(p_value or 0.0, p) + 2.0 * (part.under if above else part.over))
    return replace(found, low=low, high=high, p_value=p_value)
