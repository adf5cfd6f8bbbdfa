"""Recovery after the highway entry: crossings of the margins, and a first-order fit, y = final + change·exp(−t/tau)."""

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from intake_report.messages import Listing, Part, Value, message
from intake_report.metrics.registry import CLOSER, FASTER, Missing, Reading, metric, over_ambient, reading
from intake_report.metrics.series import Floats, RunSeries, first_below
from intake_report.results import Parameter
from intake_report.statistics import below_rounding

FIT_SPAN = 300.0  # s after the entry; later changes are of traffic and weather
FIT_POINTS = 60  # samples of one step are not independent, and more of them would only look more certain
LEAST_POINTS = 8
LEAST_FALL = 3.0  # K; a smaller fall has too few steps of a usual reading to tell its shape (own choice)
LARGEST_ERROR = 0.5  # of the time constant; beyond it the fit has not determined it
GRID = 160  # time constants tried for one set of readings
GRID_OF_MANY = 40  # the same for each of many
STRUCTURE = 0.01  # p of the runs test below which the residuals follow a pattern
NEARLY_AS_DEEP = 3.84  # χ² with one degree of freedom at 95 %: another valley within the likelihood-ratio region

CAVEATS = {  # what a fit may have to say, by code
    "infinite-covariance": "the data do not determine the parameters (no finite covariance)",
    "parameter-at-bound": "the time constant ran to the end of the range that the sampling can show",
    "structured-residuals": "the residuals follow a pattern, so the model or the quoted errors do not fit the data",
    "span-shorter-than-time-constant": "the record is shorter than the time constant: the end value is extrapolated",
    "second-valley": "another time constant fits nearly as well",
}
OF_MARGIN: dict[str, Any] = {"quantity": "time", "decimals": 0, "parameter": "margin", "group": "recovery"}


def _recovery_span(series: RunSeries) -> tuple[float, float]:
    if series.entry is None:
        raise Missing("the run has no highway entry", "no-entry")
    end = series.entry_end if series.entry_end is not None else float(series.time[-1])
    if np.count_nonzero((series.time > series.entry) & (series.time <= end)) < 2:
        raise Missing("there are no intake air temperature samples after the highway entry", "no-samples-after-entry")
    return series.entry, end


@metric("Recovery time to within {parameter} of ambient", FASTER, headline=True, events=("entry",), **OF_MARGIN)
def recovery_time(series: RunSeries, parameter: Parameter) -> Reading:
    """Time from the highway entry until intake air temperature comes within the margin of ambient and stays there for
    the hold of the campaign (recovery_hold, 10 s unless stated), timed by the steps of the reading; a shorter visit
    before it is stated beside it. “Within at entry” where it stays there from the entry on; “not reached” when it
    does not happen before the highway ends.
    """
    entry, end = _recovery_span(series)
    assert parameter.number is not None
    over = over_ambient(series)
    crossing, reached = first_below(series.time, over, parameter.number, entry, end, series.hold)
    lasting = float(np.ravel(crossing)[0])
    within = reached & (crossing <= entry)
    note: Part = ""
    if over.ndim == 1 and within and over[series.window(entry, end)][-1] > parameter.number:
        template = "the temperature rises out of the margin later and is above it when the highway ends"
        note = message(template, "left-margin")
    elif over.ndim == 1:
        first = float(first_below(series.time, over, parameter.number, entry, end)[0])
        if first < lasting - 0.5:
            template = "first within the margin {first} after the entry, for less than the hold of {hold}"
            after, hold = Value(first - entry, "time", 0), Value(series.hold, "time", 0)
            note = message(template, "short-visit", first=after, hold=hold)
    return Reading(np.asarray(crossing - entry), reached, within, lasting, note)


@metric(
    "First reading within {parameter} of ambient", ("earlier", "later"), assessed=False, compared=False,
    **(OF_MARGIN | {"source": "common practice"}),
)  # fmt: skip
def first_reading_below(series: RunSeries, parameter: Parameter) -> Reading:
    """Time from the highway entry to the first sample whose bare reading is within the margin of ambient: shown
    because it is what is usually quoted. It waits for the reading's next step and is no estimate of the recovery
    time, so that no differences of it are formed.
    """
    entry, end = _recovery_span(series)
    if series.reading.size != series.time.size or series.ambient is None:
        raise Missing("the bare readings are not kept", "no-readings")
    assert parameter.number is not None
    below = (series.reading - series.ambient <= parameter.number) & (series.time >= entry) & (series.time <= end)
    if not below.any():
        return Reading(np.asarray(end - entry), False)
    index = int(np.argmax(below))
    time = float(series.time[index])
    return Reading(np.asarray(time - entry), True, index == int(np.searchsorted(series.time, entry)), time)


def _fit(series: RunSeries) -> tuple[Floats, Floats, Part]:
    """Fit the fall after the highway entry, final + change·exp(−t/tau), or say why the data do not determine it.

    Time constant [s] and final over-ambient [K], (...) each, NaN where refused, and a note. At most `FIT_POINTS` evenly spaced
    samples of the first `FIT_SPAN` after the entry, equal weights.
    """
    entry, end = _recovery_span(series)
    inside = series.window(entry, min(end, entry + FIT_SPAN))
    time, over = series.time[inside] - entry, over_ambient(series)[..., inside]
    if time.size < LEAST_POINTS:
        template = "there are {found} samples after the highway entry, {least} are needed for a fit"
        raise Missing(template, "few-samples-for-fit", found=int(time.size), least=LEAST_POINTS)
    some = np.unique(np.linspace(0, time.size - 1, FIT_POINTS).round().astype(np.intp))
    time, over = time[some], over[..., some]
    if over.ndim > 1:
        final, _, tau = fit_recovery_many(time, over)
        return tau, final, ""
    if float(over[0] - over.min()) < LEAST_FALL:
        raise Missing("the over-ambient temperature falls too little after the highway entry for a fit", "small-fall")
    fit = fit_recovery(time, over)
    caveats = Listing(tuple(CAVEATS[caveat] for caveat in fit.caveats), last=";")
    if fit.tau is None or fit.final is None:
        raise Missing("the first-order fit is refused: {caveats}", "fit-refused", caveats=caveats)
    if fit.tau_error is not None and fit.tau_error > LARGEST_ERROR * fit.tau:
        raise Missing("the first-order fit does not determine the time constant to half of itself", "fit-undetermined")
    return np.asarray(fit.tau), np.asarray(fit.final), caveats if fit.caveats else ""


def _fitted(series: RunSeries, index: int) -> Reading:
    fit = series.once("recovery fit", lambda: _fit(series))
    return reading((fit[0], fit[1])[index], fit[2])


FITTED: dict[str, Any] = {
    "source": "first-order response; fit by variable projection (G. H. Golub and V. Pereyra, 1973)",
    "group": "recovery",
}
LIMITS = {"span": Value(FIT_SPAN, "time", 0), "fall": Value(LEAST_FALL, "temperature_difference")}


@metric("Recovery time constant", FASTER, values=LIMITS, quantity="time", decimals=0, **FITTED)
def recovery_time_constant(series: RunSeries, _: Parameter) -> Reading:
    """Time constant of a first-order fall of the over-ambient temperature after the highway entry, fitted over at most
    {span}; refused when that falls by less than {fall} or the data do not determine it.
    """
    return _fitted(series, 0)


@metric("Final over-ambient of the fit", CLOSER, **FITTED)
def final_over_ambient(series: RunSeries, _: Parameter) -> Reading:
    """Over-ambient temperature that the first-order fit of the recovery settles to."""
    return _fitted(series, 1)


class ExponentialFit(NamedTuple):
    """First-order fit y = final + change·exp(−t/tau), `tau_error` from the residuals, and codes of `CAVEATS`.

    Parameters are None when the fit is refused.
    """

    final: float | None
    change: float | None
    tau: float | None
    tau_error: float | None
    caveats: tuple[str, ...] = ()


def decay(t: Floats, tau: float | Floats) -> Floats:
    """Return exp(−t/tau), a first-order fall from 1 to 0."""
    return np.asarray(np.exp(-t / tau), dtype=np.float64)


def _tau_grid(t: Floats, size: int) -> Floats:
    """Return time constants, (size,), that sampling at `t` can tell from zero and from a straight line."""
    return np.geomspace(0.1 * float(np.min(np.diff(np.unique(t)))), 100.0 * float(np.ptp(t)), size)


def _centred(rows: Floats) -> Floats:
    """Return rows without their mean: with the end value free, only what is left of a curve can be fitted."""
    return np.asarray(rows - rows.mean(axis=-1, keepdims=True))


def _valleys(t: Floats, target: Floats, taus: Floats) -> Floats:
    """Return the sum of squares that each time constant explains in each row, (m, len(taus))."""
    curves = _centred(decay(t[None, :], taus[:, None]))
    norms = np.linalg.norm(curves, axis=1)
    return np.asarray((target @ (curves / np.where(norms > 0.0, norms, 1.0)[:, None]).T) ** 2, dtype=np.float64)


def _linear(curve: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Return the slope of y on a centred curve, and the residual; all rows at once."""
    square = np.einsum("ij,ij->i", curve, curve)
    slope = np.einsum("ij,ij->i", curve, y) / np.where(square > 0.0, square, 1.0)
    return slope, y - slope[:, None] * curve


def _polish(
    t: Floats, target: Floats, taus: Floats, log_tau: Floats, active: NDArray[np.intp], steps: int, tolerance: float
) -> tuple[Floats, ...]:
    """Return log tau, residual sum of squares and slope of each row of centred readings; rows not `active` stay."""
    low, high = float(np.log(taus[0])), float(np.log(taus[-1]))
    log_tau = log_tau.copy()
    fall = decay(t[None, :], np.exp(log_tau)[:, None])
    slope, residual = _linear(_centred(fall), target)
    rss = np.einsum("ij,ij->i", residual, residual)
    damping = np.ones(len(log_tau))
    for _ in range(steps):
        if active.size == 0:
            break
        # Gauss–Newton step of log tau with the linear part projected out; `change`: derivative with respect to log tau
        change = _centred(slope[active, None] * (t[None, :] / np.exp(log_tau[active])[:, None]) * fall[active])
        across = _linear(_centred(fall[active]), change)[1]
        square = np.einsum("ij,ij->i", across, across)
        step = np.einsum("ij,ij->i", across, residual[active]) / np.where(square > 0.0, square, 1.0)
        step = damping[active] * np.clip(step, -0.7, 0.7)
        trial = np.clip(log_tau[active] + step, low, high)
        new_fall = decay(t[None, :], np.exp(trial)[:, None])
        new_slope, new_residual = _linear(_centred(new_fall), target[active])
        new_rss = np.einsum("ij,ij->i", new_residual, new_residual)
        better = new_rss < rss[active]
        rows = active[better]
        log_tau[rows], rss[rows], slope[rows] = trial[better], new_rss[better], new_slope[better]
        residual[rows], fall[rows] = new_residual[better], new_fall[better]
        damping[active] = np.where(better, 1.0, 0.5 * damping[active])
        active = active[np.abs(step) > tolerance]
    return log_tau, rss, slope


def fit_recovery_many(t: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
    """Fit as `fit_recovery` each row of readings `y` (m, n): final, change and tau, (m,) each, NaN where refused.

    A row is done when its time constant changes by less than 1e-4.
    """
    offset, target, taus = y.mean(axis=1), _centred(y), _tau_grid(t, GRID_OF_MANY)
    best = np.argmax(_valleys(t, target, taus), axis=1)
    usable = (best > 0) & (best < GRID_OF_MANY - 1) & (np.ptp(target, axis=1) > 0.0)
    log_tau, _, slope = _polish(t, target, taus, np.log(taus[best]), np.flatnonzero(usable), 40, 1e-4)
    usable &= (log_tau > np.log(taus[0])) & (log_tau < np.log(taus[-1]))
    tau, blank = np.exp(log_tau), np.where(usable, 1.0, np.nan)
    return (offset - slope * decay(t[None, :], tau[:, None]).mean(axis=1)) * blank, slope * blank, tau * blank


def _deepest(t: Floats, target: Floats, taus: Floats) -> tuple[float, float, bool] | None:
    """Best time constant of one row (1, n), its rss, whether another valley is nearly as deep; None at a bound."""
    left = float(target[0] @ target[0]) - _valleys(t, target, taus)[0]
    inner = np.flatnonzero((left[1:-1] <= left[:-2]) & (left[1:-1] <= left[2:])) + 1
    if inner.size == 0:
        return None
    rows = np.repeat(target, inner.size, axis=0)
    log_tau, rss, _ = _polish(t, rows, taus, np.log(taus[inner]), np.arange(inner.size), 100, 1e-12)
    best, edge = int(np.argmin(rss)), float(min(left[0], left[-1]))
    if edge < rss[best] * (1.0 - 1e-9):
        return None
    others = [*rss[np.abs(log_tau - log_tau[best]) > 1e-3], edge]
    limit = rss[best] * math.exp(NEARLY_AS_DEEP / target.size)
    return math.exp(log_tau[best]), float(rss[best]), any(other < limit for other in others)


def fit_recovery(t: Floats, y: Floats) -> ExponentialFit:
    """Fit y = final + change·exp(−t/tau) by least squares with equal weights.

    `t` (n,): times from the start of the fall (or rise) [s], ≥ 0, n of 4 or more; `y` (n,): readings at true samples, not all
    alike. Refused when the time constant runs to a bound (0.1 of the shortest step, 100 times the span) or the covariance is
    not finite. Readings rounded to a step have residuals that are neither independent nor normal: the standard errors are then
    a lower bound and `structured-residuals` usually says so.

    The model is linear in everything but the time constant, for each of which the linear part is solved exactly (variable
    projection, Golub and Pereyra 1973): a grid over its logarithm finds every valley, Gauss–Newton finishes in the best one. No
    starting value can lead it astray. One set of readings and the thousands of a Monte Carlo go through the same steps.
    """
    offset = float(np.mean(y))
    target = y - offset
    found = _deepest(t, target[None, :], _tau_grid(t, GRID))
    if found is None:
        return ExponentialFit(None, None, None, None, ("parameter-at-bound",))
    tau, rss, second = found
    curve = decay(t, tau)
    basis = np.column_stack([curve, np.ones(t.size)])
    change, end = (float(x) for x in np.linalg.lstsq(basis, target, rcond=None)[0])
    residual = target - basis @ np.array([change, end])
    jacobian = np.column_stack([basis, t / tau * curve * change])
    norms = np.linalg.norm(jacobian, axis=0)
    if not np.all(norms > 0.0) or np.linalg.cond(jacobian / np.where(norms > 0.0, norms, 1.0)) > 1e8:
        return ExponentialFit(None, None, None, None, ("infinite-covariance",))
    exact = below_rounding(residual, y)
    error = math.sqrt((0.0 if exact else rss / (t.size - 3)) * float(np.linalg.inv(jacobian.T @ jacobian)[2, 2]))
    p = None if exact else runs_test(residual)
    holds = {
        "structured-residuals": p is not None and p < STRUCTURE,
        "span-shorter-than-time-constant": tau > float(np.ptp(t)),
        "second-valley": second,
    }
    return ExponentialFit(offset + end, change, tau, error * tau, tuple(c for c, true in holds.items() if true))


def runs_test(residuals: Floats) -> float | None:
    """One-sided p-value of so few runs of equal sign among residuals in order; None when one sign is missing.

    A. Wald, J. Wolfowitz, Ann. Math. Statist. 11 (1940) 147–162; all orders are counted. Zeros are left out.
    """
    signs = np.sign(residuals[residuals != 0.0])
    a, b = int(np.count_nonzero(signs > 0)), int(np.count_nonzero(signs < 0))
    if a == 0 or b == 0:
        return None
    runs = int(np.count_nonzero(np.diff(signs))) + 1
    ways = 0
    for r in range(2, runs + 1):
        more, fewer = (r + 1) // 2, r // 2  # runs of the sign that begins, and of the other
        ways += math.comb(a - 1, more - 1) * math.comb(b - 1, fewer - 1)
        ways += math.comb(a - 1, fewer - 1) * math.comb(b - 1, more - 1)
    return ways / math.comb(a + b, a)
