"""Scatter between runs and biases that all runs share, in one interval of a difference (JCGM 101:2008)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from scipy import special

from intake_report.analyse.compare.model_of_runs import Estimates, Floats, RunsModel
from intake_report.statistics import Difference, coverage_factor

LEAST_DRAWS = 20
NEGLIGIBLE = 1e-6  # of the scatter: what cancels leaves rounding


class InstrumentDraws(Protocol):
    """Monte Carlo draws of a metric of one run; draw i takes the same shared biases in every run."""

    def common(self, key: str, run: str) -> Floats | None:
        """Return draws with only the biases varied that all runs share, (m,); +inf = not reached; None = not drawn."""

    def total(self, key: str, run: str) -> Floats | None:
        """Return draws with every source varied, (m,)."""


@dataclass(frozen=True)
class InstrumentPart:
    """What the instruments leave of a difference.

    Attributes
    ----------
    u : float
        Standard uncertainty [unit of the metric].
    lost : float
        Share of draws in which a run did not reach the margin; they are left out.
    values : ndarray, (m, n)
        The draws that are left, run by run.
    """

    u: float
    lost: float
    values: Floats


def instrument_part(
    draws: InstrumentDraws | None, key: str, weights: Mapping[str, float], *, total: bool = False
) -> InstrumentPart | None:
    """Return the standard uncertainty of a weighted sum of runs' values from their draws.

    Parameters
    ----------
    draws : InstrumentDraws or None
        None where no uncertainty was assessed.
    key : str
        Metric key.
    weights : mapping of str to float
        Weight of each run.
    total : bool
        All sources, not only the shared ones.

    Notes
    -----
    The spread, over the draws, of the same weighted sum that the estimate is: a bias that shifts every run alike
    cancels; one that shifts runs by different amounts (a crossing time near a plateau) does not.
    """
    if draws is None or not weights:
        return None
    columns = [draws.total(key, run) if total else draws.common(key, run) for run in weights]
    known = [column for column in columns if column is not None]
    if len(known) < len(columns):
        return None
    values = np.column_stack(known)
    usable = values[np.isfinite(values).all(axis=1)]
    if len(usable) < LEAST_DRAWS:
        return None
    sums = usable @ np.array(list(weights.values()))
    return InstrumentPart(float(np.std(sums, ddof=1)), 1.0 - len(usable) / len(values), usable)


def model_part(
    draws: InstrumentDraws | None, key: str, model: RunsModel | None, *, total: bool = False
) -> InstrumentPart | None:
    """Return the instruments' part of a difference; see `instrument_part`."""
    if model is None:
        return None
    return instrument_part(draws, key, dict(zip(model.runs, model.weights.tolist(), strict=True)), total=total)


def widen(found: Difference, part: InstrumentPart, model: RunsModel) -> Difference:
    """Return a difference whose interval includes the biases that all runs share.

    Parameters
    ----------
    found : Difference
        From the scatter between runs.
    part : InstrumentPart
        Draws of all runs of the model under shared biases.
    model : RunsModel
        Makes differences of them.

    Notes
    -----
    Every draw of the biases gives values of all runs and so a difference with its own t distribution; the interval is
    that of their mixture, which need not be symmetric: a recovery time is cut off at zero on one side and runs into a
    plateau on the other. Where everything cancels it is the t interval that came in. A censored interval has no
    standard error: each of its half-widths is combined with that of the draws in quadrature.
    """
    if (found.low is None and found.high is None) or found.df is None:
        return found
    if part.u <= NEGLIGIBLE * (found.scatter or 0.0):
        return found
    if found.standard_error is None or found.difference is None:
        return _widen_censored(found, part.u)
    estimates = model.evaluate(part.values)
    if estimates is None:
        return found
    tail = 0.5 * (1.0 - found.level)
    low, high = quantile(estimates, tail), quantile(estimates, 1.0 - tail)
    # the reported difference is the one without bias; it lies within whatever the draws say
    low, high = min(low, found.difference), max(high, found.difference)
    below = mixture(estimates, 0.0)
    error = 0.5 * (high - low) / coverage_factor(found.level, found.df)
    return replace(found, low=low, high=high, standard_error=error, p_value=2.0 * min(below, 1.0 - below))


def mixture(estimates: Estimates, x: float) -> float:
    """Return the probability that the difference is below `x`: mean over the draws of their t distributions."""
    error = np.maximum(estimates.error, 1e-12 * (1.0 + np.abs(estimates.difference)))
    return float(np.mean(special.stdtr(estimates.df, (x - estimates.difference) / error)))


def quantile(estimates: Estimates, p: float) -> float:
    """Return where `mixture` reaches `p`, by bisection between the quantiles of the single draws."""
    single = estimates.difference + special.stdtrit(estimates.df, p) * estimates.error
    low, high = float(single.min()), float(single.max())
    for _ in range(100):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        if mixture(estimates, middle) < p:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _widen_censored(found: Difference, u: float) -> Difference:
    reach = coverage_factor(found.level, math.inf) * u
    if found.difference is None:  # one limit alone
        low = None if found.low is None else found.low - reach
        high = None if found.high is None else found.high + reach
        return replace(found, low=low, high=high, p_value=None)
    low = None if found.low is None else found.difference - math.hypot(found.difference - found.low, reach)
    high = None if found.high is None else found.difference + math.hypot(found.high - found.difference, reach)
    towards = found.low if found.difference > 0.0 else found.high
    p_value = found.p_value
    if towards is not None and found.df is not None and found.difference != 0.0:
        error = abs(found.difference - towards) / coverage_factor(found.level, found.df)
        # only ever less sure than without the shared part
        p_value = max(p_value or 0.0, two_sided(found.difference / math.hypot(error, u), found.df))
    return replace(found, low=low, high=high, p_value=p_value)


def two_sided(t: float, df: float) -> float:
    """Return the two-sided p-value of t; df may be infinite."""
    tail = special.ndtr(-abs(t)) if math.isinf(df) else special.stdtr(df, -abs(t))
    return float(2.0 * tail)
