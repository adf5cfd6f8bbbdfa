"""Deciding against a limit with a measured value: probability, guard band, risks (JCGM 106:2012)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from scipy import special

from intake_report.statistics._numbers import t_quantile

_ROUNDING = 1e-12  # of a probability

Decision = Literal["conforms", "does not conform", "undecided"]


@dataclass(frozen=True)
class Conformity:
    """Decision with its probability that the true value conforms, and the distance from a limit at which none is made."""

    decision: Decision
    probability: float
    guard_band: float


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
    """Probability that the true value lies within the limits, given a measured value with u ≥ 0 and little prior knowledge.

    `df` are the degrees of freedom of u (Student's t); None = normal. JCGM 106:2012, 7.3 and 7.4. Its complement is the specific risk.
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


def decide(
    value: float,
    u: float,
    low: float | None = None,
    high: float | None = None,
    risk: float = 0.05,
    df: float | None = None,
) -> Conformity:
    """Decide with guard bands, so that either statement is wrong with at most `risk`, of both limits together.

    `value` with standard uncertainty `u` of `df` degrees of freedom; `low`, `high`: limits of the true value, at least one.

    JCGM 106:2012, 8.3 (guarded acceptance and guarded rejection together). A guard band bounds the risk at its own limit;
    between two near limits both tails carry risk, so that acceptance needs their sum within `risk` too.
    """
    a, b = _limits(low, high)
    guard = guard_band(u, risk, df)
    probability = conformance_probability(value, u, low, high, df)
    if a + guard <= value <= b - guard and 1.0 - probability <= risk + _ROUNDING:
        return Conformity("conforms", probability, guard)
    beyond = value < a - guard or value > b + guard
    return Conformity("does not conform" if beyond else "undecided", probability, guard)
