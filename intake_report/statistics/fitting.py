"""First-order exponential fits: y = final + change·exp(−t/tau).

The model is linear in everything but the time constant. For each time constant the linear part is solved exactly
(variable projection, Golub and Pereyra 1973), so the search is over one variable only: a grid over its logarithm finds
every valley, Gauss–Newton finishes in the best one. No starting value can lead it astray. One set of readings and the
thousands of a Monte Carlo go through the same steps.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from intake_report.statistics._numbers import Floats, Values, below_rounding, finite

GRID = 160  # time constants tried for one set of readings
STRUCTURE = 0.01  # p of the runs test below which the residuals follow a pattern
NEARLY_AS_DEEP = 3.84  # χ² with one degree of freedom at 95 %: another valley within the likelihood-ratio region

CAVEATS = {
    "infinite-covariance": "the data do not determine the parameters (no finite covariance)",
    "parameter-at-bound": "the time constant ran to the end of the range that the sampling can show",
    "structured-residuals": "the residuals follow a pattern, so the model or the quoted errors do not fit the data",
    "span-shorter-than-time-constant": "the record is shorter than the time constant: the end value is extrapolated",
    "second-valley": "another time constant fits nearly as well",
}
"""What a fit may have to say, by code."""


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
    """Return exp(−t/tau), a first-order fall from 1 to 0; `t`, times from its start, and `tau` are broadcast."""
    return np.asarray(np.exp(-t / np.asarray(tau, dtype=np.float64)), dtype=np.float64)


def _tau_grid(t: Floats, size: int) -> Floats:
    """Time constants that sampling at `t` can tell from zero and from a straight line, shape (size,)."""
    return np.geomspace(0.1 * float(np.min(np.diff(np.unique(t)))), 100.0 * float(np.ptp(t)), size)


def _centred(rows: Floats) -> Floats:
    """Rows without their mean: with the end value free, only what is left of a curve can be fitted."""
    return np.asarray(rows - rows.mean(axis=-1, keepdims=True))


def _valleys(t: Floats, target: Floats, taus: Floats) -> Floats:
    """Sum of squares that each time constant explains in each row, shape (m, len(taus))."""
    curves = _centred(decay(t[None, :], taus[:, None]))
    norms = np.linalg.norm(curves, axis=1)
    return np.asarray((target @ (curves / np.where(norms > 0.0, norms, 1.0)[:, None]).T) ** 2, dtype=np.float64)


def _linear(curve: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Slope of y on a centred curve, and the residual; all rows at once."""
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


def fit_recovery_many(
    t: Floats, y: Floats, *, grid: int = 80, tolerance: float = 1e-8
) -> tuple[Floats, Floats, Floats]:
    """Fit y = final + change·exp(−t/tau) to each row of readings `y` (m, n) at times `t` (n,), ≥ 0, n at least 4.

    Returns final, change and tau, (m,) each, NaN where the fit is refused. `grid` time constants are tried to find the valley;
    `tolerance` is the relative change of the time constant at which a row is done. Same model, range and refusals as
    `fit_recovery`, without standard errors or caveats.
    """
    offset, target, taus = y.mean(axis=1), _centred(y), _tau_grid(t, grid)
    best = np.argmax(_valleys(t, target, taus), axis=1)
    usable = (best > 0) & (best < grid - 1) & (np.ptp(target, axis=1) > 0.0)
    log_tau, _, slope = _polish(t, target, taus, np.log(taus[best]), np.flatnonzero(usable), 40, tolerance)
    usable &= (log_tau > np.log(taus[0])) & (log_tau < np.log(taus[-1]))
    tau, blank = np.exp(log_tau), np.where(usable, 1.0, np.nan)
    end = offset - slope * decay(t[None, :], tau[:, None]).mean(axis=1)
    return end * blank, slope * blank, tau * blank


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


def fit_recovery(t: Values, y: Values) -> ExponentialFit:
    """Fit y = final + change·exp(−t/tau).

    `t` (n,): times from the start of the fall (or rise) [s], ≥ 0, n of 4 or more; `y` (n,): readings at true samples, not all
    alike. Refused when the time constant runs to a bound (0.1 of the shortest step, 100 times the span) or the covariance is
    not finite.

    Least squares with equal weights. Readings rounded to a step have residuals that are neither independent nor
    normal: the standard errors are then a lower bound and `structured-residuals` usually says so.
    """
    time, readings = finite(t, "times"), finite(y, "readings")
    offset, n = float(np.mean(readings)), int(time.size)
    target = readings - offset
    found = _deepest(time, target[None, :], _tau_grid(time, GRID))
    if found is None:
        return ExponentialFit(None, None, None, None, ("parameter-at-bound",))
    tau, rss, second = found
    curve = decay(time, tau)
    basis = np.column_stack([curve, np.ones(n)])
    change, end = (float(x) for x in np.linalg.lstsq(basis, target, rcond=None)[0])
    residual = target - basis @ np.array([change, end])
    jacobian = np.column_stack([basis, time / tau * curve * change])
    norms = np.linalg.norm(jacobian, axis=0)
    if not np.all(norms > 0.0) or np.linalg.cond(jacobian / np.where(norms > 0.0, norms, 1.0)) > 1e8:
        return ExponentialFit(None, None, None, None, ("infinite-covariance",))
    exact = below_rounding(residual, readings)
    error = math.sqrt((0.0 if exact else rss / (n - 3)) * float(np.linalg.inv(jacobian.T @ jacobian)[2, 2]))
    p = None if exact else runs_test(residual)
    holds = {
        "structured-residuals": p is not None and p < STRUCTURE,
        "span-shorter-than-time-constant": tau > float(np.ptp(time)),
        "second-valley": second,
    }
    return ExponentialFit(
        offset + end, change, tau, error * tau, tuple(caveat for caveat, true in holds.items() if true)
    )


def runs_test(residuals: Values) -> float | None:
    """One-sided p-value of so few runs of equal sign among residuals in order; None when one sign is missing.

    A. Wald, J. Wolfowitz, Ann. Math. Statist. 11 (1940) 147–162; all orders are counted. Zeros are left out.
    """
    array = finite(residuals, "residuals")
    signs = np.sign(array[array != 0.0])
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
