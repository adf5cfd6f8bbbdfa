"""One quantity: from runs, a line, a proportion, a sum of parts or Monte Carlo draws; and deciding against its limits."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy import special  # loads in a fraction of the time of scipy.stats

from intake_report.errors import DataError

Floats: TypeAlias = NDArray[np.float64]
Values: TypeAlias = Sequence[float] | Floats

_ROUNDING = 1e-12  # of a probability


def finite(values: Values, what: str) -> Floats:
    """Return `values` (n,) as a float array; DataError where there is none, or one is not finite. `what` names them."""
    array = np.asarray(values, dtype=np.float64)
    if array.size == 0:
        remedy = "Check which runs were excluded and which channel is missing."
        raise DataError(f"{what}: no value is left.", remedy=remedy)
    if bad := int(np.count_nonzero(~np.isfinite(array))):
        raise DataError(f"{what}: {bad} of {array.size} values are not finite.", remedy="Leave those runs out first.")
    return array


def mean_and_squares(values: Floats) -> tuple[float, float]:
    """Return the mean and the sum of squared deviations of `values` (n,).

    About the first value, so that many constant leading digits cost none and equal values give exactly zero; the last term
    removes what rounding leaves in the mean (corrected two-pass algorithm, Chan, Golub, LeVeque 1983).
    """
    shifted = values - values[0]
    centre = float(np.mean(shifted))
    residual = shifted - centre
    return float(values[0]) + centre, max(float(np.sum(residual**2)) - float(np.sum(residual)) ** 2 / values.size, 0.0)


def below_rounding(deviations: Floats, values: Floats) -> bool:
    """Tell whether deviations from a model are within the rounding of `values`: 0.3 and 0.1 + 0.2 do not scatter."""
    return bool(np.max(np.abs(deviations)) <= 16.0 * float(np.finfo(np.float64).eps) * float(np.max(np.abs(values))))


def t_quantile(probability: float, df: float) -> float:
    """Quantile of Student's t with `df` degrees of freedom (need not be whole; inf = normal)."""
    return float(special.ndtri(probability) if np.isinf(df) else special.stdtrit(df, probability))


def p_values(t: Floats | float, df: Floats | float) -> Floats:
    """Two-sided p-values of Student's t, element by element; infinite degrees of freedom are the normal distribution."""
    away = -np.abs(t)
    return np.asarray(2.0 * np.where(np.isinf(df), special.ndtr(away), special.stdtr(df, away)))


def coverage_factor(level: float, df: float) -> float:
    """Two-sided coverage factor t((1 + level) / 2, df)."""
    return t_quantile(0.5 + level / 2.0, df)


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
    """Mean, standard deviation and t interval (e.g. GUM 4.2 and annex G.3) of independent, normal values, one per run.

    One value has neither scatter nor limits (None). Equal values give limits of no width: their scatter is below their
    resolution, not zero, which the caller has to say.
    """
    array = finite(values, "mean of runs")
    mean, squares = mean_and_squares(array)
    n = int(array.size)
    if n == 1:
        return MeanInterval(1, mean, None, None, None, 0, level)
    sd = 0.0 if below_rounding(array - mean, array) else math.sqrt(squares / (n - 1))
    half = coverage_factor(level, n - 1) * sd / math.sqrt(n)
    return MeanInterval(n, mean, sd, mean - half, mean + half, n - 1, level)


class LineFit(NamedTuple):
    """Least-squares line y = intercept + slope·(x − origin); uncertainties on `df` = n − 2, None for two points."""

    intercept: float
    slope: float
    intercept_error: float | None
    slope_error: float | None
    residual_sd: float | None
    df: int


def line_fit(x: Values, y: Values, origin: float = 0.0) -> LineFit:
    """Least-squares line through n ≥ 2 points, not all at one x, with the intercept stated at `origin`.

    Equal and uncorrelated uncertainty of y, none of x. GUM (JCGM 100:2008) H.3; sums are taken about the means to keep digits.
    """
    a, b = finite(x, "x values"), finite(y, "y values")
    mean_x, squares_x = mean_and_squares(a)
    mean_y, _ = mean_and_squares(b)
    dx, dy = a - mean_x, b - mean_y
    slope = float(dx @ dy) / squares_x
    offset = mean_x - origin
    intercept = mean_y - slope * offset
    df = int(a.size) - 2
    if df == 0:
        return LineFit(intercept, slope, None, None, None, 0)
    residual = dy - slope * dx
    sd = math.sqrt(float(residual @ residual) / df)
    norm = math.sqrt(1.0 / a.size + offset**2 / squares_x)
    return LineFit(intercept, slope, sd * norm, sd / math.sqrt(squares_x), sd, df)


class ProportionInterval(NamedTuple):
    """Two-sided limits of a proportion."""

    low: float
    high: float


def clopper_pearson(k: int, n: int, level: float = 0.95) -> ProportionInterval:
    """Exact two-sided interval of a proportion: k events in n ≥ 1 trials; half of the rest in each tail, also for k = 0.

    C. Clopper, E. S. Pearson, Biometrika 26 (1934) 404–413.
    """
    tail = (1.0 - level) / 2.0
    low = 0.0 if k == 0 else float(special.betaincinv(k, n - k + 1, tail))
    return ProportionInterval(low, 1.0 if k == n else float(special.betaincinv(k + 1, n - k, 1.0 - tail)))


def zero_failure_upper(n: int, level: float = 0.95) -> float:
    """One-sided upper limit of the failure proportion after n ≥ 1 trials without a failure: 1 − (1 − level)^(1/n)."""
    return -math.expm1(math.log1p(-level) / n)


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


class DrawSummary(NamedTuple):
    """Summary of the Monte Carlo draws of one quantity.

    `u` is None when some draws are infinite ("not reached") or fewer than two count; `low`, `high`, the probabilistically
    symmetric coverage interval, None where the limit lies among draws not reached. `not_reached` is the share of infinite draws
    among those that count; `failed` that of NaN, which are left out, so that a large share makes the summary conditional.
    """

    u: float | None
    low: float | None
    high: float | None
    not_reached: float
    failed: float


def summarise_draws(draws: Floats, level: float = 0.95) -> DrawSummary:
    """Standard uncertainty and symmetric coverage interval of one quantity; DataError where no draw gave a value.

    `draws` (m,): +inf = not reached within the run, −inf = within at entry, NaN = no value. JCGM 101:2008, 7.6 and 7.7: with q the
    integer nearest level·m, the symmetric interval runs from sorted draw (m − q)/2 on.
    """
    counted = np.sort(draws[~np.isnan(draws)])
    m = int(counted.size)
    if m == 0:
        raise DataError("No Monte Carlo draw gave a value.", remedy="See why the metric fails on the undisturbed log.")
    q = min(int(level * m + 0.5), m - 1)
    first = min(max((m - q) // 2, 1), m - q) - 1  # counted from zero
    reached = int(np.count_nonzero(np.isfinite(counted)))
    u = float(np.std(counted, ddof=1)) if reached == m and m > 1 else None
    low, high = (float(x) if math.isfinite(x) and m > 1 else None for x in (counted[first], counted[first + q]))
    return DrawSummary(u, low, high, 1.0 - reached / m, 1.0 - m / draws.size)


class Conformity(NamedTuple):
    """Decision with its probability that the true value conforms, and the distance from a limit at which none is made."""

    decision: Literal["conforms", "does not conform", "undecided"]
    probability: float
    guard_band: float


def conformance_probability(
    value: float, u: float, low: float = -math.inf, high: float = math.inf, df: float | None = None
) -> float:
    """Probability that the true value lies within the limits, given a measured value with u ≥ 0.

    `df` are the degrees of freedom of u (Student's t); None = normal. Little prior knowledge; JCGM 106:2012, 7.3 and 7.4.
    """
    if u == 0.0:
        return float(low <= value <= high)
    below, above = (low - value) / u, (high - value) / u
    if below > 0.0:  # both in the upper tail: differences of small numbers there, not of numbers near one
        below, above = -above, -below
    upper, lower = (
        float(x > 0.0) if math.isinf(x) else float(special.ndtr(x) if df is None else special.stdtr(df, x))
        for x in (above, below)
    )
    return upper - lower


def guard_band(u: float, risk: float, df: float | None = None) -> float:
    """Width of the guard band that leaves at most `risk` of a wrong acceptance at one limit, w = t(1 − risk)·u."""
    return u * t_quantile(1.0 - risk, math.inf if df is None else df)


def decide(
    value: float, u: float, low: float | None = None, high: float | None = None, risk: float = 0.05,
    df: float | None = None,
) -> Conformity:  # fmt: skip
    """Decide with guard bands, so that either statement is wrong with at most `risk`, of both limits together.

    `value` with standard uncertainty `u` of `df` degrees of freedom; `low`, `high`: limits of the true value, at least one.

    JCGM 106:2012, 8.3 (guarded acceptance and guarded rejection together). A guard band bounds the risk at its own limit;
    between two near limits both tails carry risk, so that acceptance needs their sum within `risk` too.
    """
    a, b = -math.inf if low is None else low, math.inf if high is None else high
    guard = guard_band(u, risk, df)
    probability = conformance_probability(value, u, a, b, df)
    if 1.0 - probability <= risk + _ROUNDING:  # beyond the guard band of each limit then, too
        return Conformity("conforms", probability, guard)
    beyond = value < a - guard or value > b + guard
    return Conformity("does not conform" if beyond else "undecided", probability, guard)
