"""Scatter between runs and biases that all runs share, in one interval of a difference (JCGM 100:2008)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import special

from intake_report.statistics import Component, Difference, combine, coverage_factor

Floats = NDArray[np.float64]
LEAST_DRAWS = 20
NEGLIGIBLE = 1e-6  # of the difference's own scatter: what cancels leaves rounding


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
    """

    u: float
    lost: float


def instrument_part(
    draws: InstrumentDraws | None, key: str, weights: Mapping[str, float], *, total: bool = False
) -> InstrumentPart | None:
    """Return the standard uncertainty of a difference from draws of its runs' values.

    Parameters
    ----------
    draws : InstrumentDraws or None
        None where no uncertainty was assessed.
    key : str
        Metric key.
    weights : mapping of str to float
        Weight of each run in the difference.
    total : bool
        All sources, not only the shared ones.

    Notes
    -----
    The spread, over the draws, of the same weighted sum that the estimate is: a bias that shifts every run alike
    cancels; one that shifts runs by different amounts (a crossing time near a plateau) does not.
    """
    if draws is None or not weights:
        return None
    parts = []
    for run, weight in weights.items():
        column = draws.total(key, run) if total else draws.common(key, run)
        if column is None:
            return None
        parts.append(weight * np.where(np.isfinite(column), column, np.nan))
    total_draws = np.sum(parts, axis=0)
    usable = total_draws[np.isfinite(total_draws)]
    if usable.size < LEAST_DRAWS:
        return None
    return InstrumentPart(float(np.std(usable, ddof=1)), 1.0 - usable.size / total_draws.size)


def widen(found: Difference, u: float) -> Difference:
    """Return a difference whose interval includes a standard uncertainty that replicates do not show.

    Parameters
    ----------
    found : Difference
        From the scatter between runs.
    u : float
        Standard uncertainty of the shared biases in this difference.

    Notes
    -----
    Quadrature with effective degrees of freedom (Welch–Satterthwaite, GUM G.4). A censored interval has no standard
    error: each of its half-widths is combined with that of `u`, and the p-value follows from the one towards zero.
    """
    if found.low is None and found.high is None:
        return found
    if u <= NEGLIGIBLE * (found.scatter or 0.0) or found.df is None:
        return found
    if found.standard_error is not None and found.difference is not None:
        both = combine([Component("runs", found.standard_error, df=found.df), Component("shared", u)])
        df = both.df if both.df is not None else math.inf
        plain = coverage_factor(found.level, found.df) * found.standard_error
        # more effective degrees of freedom may outweigh a small addition: a further source never sharpens an interval
        half = max(coverage_factor(found.level, df) * both.u, plain)
        p_value = max(two_sided(found.difference / both.u, df), found.p_value or 0.0)
        return replace(
            found,
            low=found.difference - half,
            high=found.difference + half,
            df=df,
            standard_error=half / coverage_factor(found.level, df),
            p_value=p_value,
        )
    return _widen_censored(found, u)


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
