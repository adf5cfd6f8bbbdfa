"""Deciding against a limit with a measured value: probability, guard band, risks (JCGM 106:2012)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from intake_report.statistics._numbers import normal_quantile, t_quantile

Decision = Literal["conforms", "does not conform", "undecided"]


@dataclass(frozen=True)
class Conformity:
    """Outcome of a decision with a guard band.

    Attributes
    ----------
    decision : {"conforms", "does not conform", "undecided"}
        Undecided: the value lies within the guard band on either side of a limit.
    probability : float
        Probability that the true value conforms, given the measured one.
    guard_band : float
        Distance from the limit within which no decision is made, w = factor·u.
    risk : float
        Probability that the decision is wrong (of the more likely outcome when undecided).
    highest_risk : float
        The largest risk that the rule lets through for one limit.
    """

    decision: Decision
    probability: float
    guard_band: float
    risk: float
    highest_risk: float


@dataclass(frozen=True)
class GlobalRisk:
    """Shares of all items that are wrongly accepted and wrongly rejected."""

    false_accept: float
    false_reject: float


def _cdf(x: float, df: float | None) -> float:
    if math.isinf(x):
        return 0.0 if x < 0.0 else 1.0
    return float(special.ndtr(x) if df is None else special.stdtr(df, x))


def _limits(low: float | None, high: float | None) -> tuple[float, float]:
    if low is None and high is None:
        raise ValueError("a lower or an upper limit is needed")
    a, b = (-math.inf if low is None else low), (math.inf if high is None else high)
    if a >= b:
        raise ValueError(f"lower limit {a} is not below upper limit {b}")
    return a, b


def conformance_probability(
    value: float, u: float, low: float | None = None, high: float | None = None, df: float | None = None
) -> float:
    """Probability that the true value lies within the limits, given a measured value and little prior knowledge.

    Parameters
    ----------
    value, u : float
        Measured value and its standard uncertainty, u ≥ 0.
    low, high : float, optional
        Limits; at least one.
    df : float, optional
        Degrees of freedom of u (Student's t); None = normal.

    Notes
    -----
    JCGM 106:2012, 7.3 and 7.4. Its complement is the specific risk.
    """
    a, b = _limits(low, high)
    if u < 0.0:
        raise ValueError("negative standard uncertainty")
    if u == 0.0:
        return 1.0 if a <= value <= b else 0.0
    below, above = (a - value) / u, (b - value) / u
    if below > 0.0:  # both in the upper tail: differences of small numbers there, not of numbers near one
        below, above = -above, -below
    return _cdf(above, df) - _cdf(below, df)


def guard_band(u: float, risk: float, df: float | None = None) -> float:
    """Width of the guard band that leaves at most `risk` of a wrong acceptance at one limit, w = t(1 − risk)·u."""
    if not 0.0 < risk < 1.0:
        raise ValueError(f"risk {risk} is not between 0 and 1")
    return u * t_quantile(1.0 - risk, math.inf if df is None else df)


def one_sided_risk(guard: float, u: float, df: float | None = None) -> float:
    """Largest risk of a wrong acceptance when a guard band of width `guard` is kept from one limit."""
    return _cdf(-guard / u, df)


def exceeding_limit_relative(limit: float, relative_u: float, probability: float) -> float:
    """Smallest measured value that shows, with `probability`, that the true value exceeds `limit`.

    Parameters
    ----------
    limit : float
        Upper limit of the true value, > 0.
    relative_u : float
        Standard uncertainty as a share of the measured value.
    probability : float
        Wanted probability that the limit is exceeded.

    Notes
    -----
    JCGM 106:2012, the example of a road speed limit.
    """
    share = relative_u * normal_quantile(probability)
    if share >= 1.0:
        raise ValueError("no measured value can show it: the relative uncertainty is too large")
    return limit / (1.0 - share)


def decide(
    value: float,
    u: float,
    low: float | None = None,
    high: float | None = None,
    risk: float = 0.05,
    df: float | None = None,
) -> Conformity:
    """Decide with guard bands on both sides of each limit, so that either statement is wrong with at most `risk`.

    Parameters
    ----------
    value, u : float
        Measured value and its standard uncertainty.
    low, high : float, optional
        Limits of the true value; at least one.
    risk : float
        Largest accepted risk of a wrong statement at one limit.
    df : float, optional
        Degrees of freedom of u.

    Notes
    -----
    JCGM 106:2012, 8.3 (guarded acceptance and guarded rejection together). Between two limits closer than the
    guard bands nothing can be accepted.
    """
    a, b = _limits(low, high)
    guard = guard_band(u, risk, df)
    probability = conformance_probability(value, u, low, high, df)
    highest = risk if u > 0.0 else 0.0
    if a + guard <= value <= b - guard:
        # both tails may carry risk when both limits are near
        return Conformity("conforms", probability, guard, 1.0 - probability, highest)
    if value < a - guard or value > b + guard:
        return Conformity("does not conform", probability, guard, probability, highest)
    return Conformity("undecided", probability, guard, min(probability, 1.0 - probability), highest)


def capability(mean: float, sd: float, low: float | None = None, high: float | None = None) -> float:
    """Capability index Cpk: distance to the nearer limit in units of three standard deviations."""
    a, b = _limits(low, high)
    return min(b - mean, mean - a) / (3.0 * sd)


def global_risk(
    process_sd: float,
    u: float,
    low: float,
    high: float,
    guard: float = 0.0,
    process_mean: float = 0.0,
    nodes: int = 160,
) -> GlobalRisk:
    """Consumer's and producer's risk over a whole population of items.

    Parameters
    ----------
    process_sd, process_mean : float
        Scatter and mean of the items' true values (normal).
    u : float
        Standard uncertainty of the measurement (normal, unbiased), > 0.
    low, high : float
        Limits of the true value.
    guard : float
        The measured value has to lie this far inside both limits.
    nodes : int
        Points of the Gauss–Legendre rule per interval.

    Notes
    -----
    JCGM 106:2012, 9.5: integrals of the prior times the probability of the measurement, cut off at 10 standard
    deviations of the process.
    """
    if low + guard >= high - guard:
        raise ValueError("the guard bands leave no acceptance interval")
    x, w = np.polynomial.legendre.leggauss(nodes)

    def share(start: float, end: float, accept: bool) -> float:
        if end <= start:
            return 0.0
        true = 0.5 * (end - start) * x + 0.5 * (end + start)
        density = np.exp(-0.5 * ((true - process_mean) / process_sd) ** 2) / (process_sd * math.sqrt(2.0 * math.pi))
        accepted = special.ndtr((high - guard - true) / u) - special.ndtr((low + guard - true) / u)
        chance = accepted if accept else 1.0 - accepted
        return float(0.5 * (end - start) * np.sum(w * density * chance))

    reach = 10.0 * process_sd
    outside = share(process_mean - reach, min(low, process_mean + reach), True)
    outside += share(max(high, process_mean - reach), process_mean + reach, True)
    inside = share(max(low, process_mean - reach), min(high, process_mean + reach), False)
    return GlobalRisk(outside, inside)
