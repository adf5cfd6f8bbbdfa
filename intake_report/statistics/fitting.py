"""First-order exponential fits: y = final + change·exp(−t/tau), with the sensor's own lag in series where it is known.

The models are linear in everything but the time constant. For each time constant the linear part is solved exactly
(variable projection, Golub and Pereyra 1973), so the search is over one variable only: a grid over its logarithm finds
every valley, Gauss–Newton finishes in the best one. No starting value can lead it astray; one that is given is tried
as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from intake_report.errors import DataError
from intake_report.statistics._numbers import Floats, Values, below_rounding, finite, none_if_not_finite
from intake_report.statistics.runs import runs_test

Caveat = Literal[
    "infinite-covariance",
    "parameter-at-bound",
    "structured-residuals",
    "span-shorter-than-time-constant",
    "few-points",
    "no-change",
    "second-valley",
]

_GRID = 160
_STRUCTURE = 0.01


@dataclass(frozen=True)
class ExponentialFit:
    """First-order fit y = final + change·exp(−t/tau), or its reading by a sensor with a lag of its own.

    Attributes
    ----------
    usable : bool
        False when the fit is refused: `caveats` says why, and the parameters are None.
    final, change, tau : float or None
        End value, start minus end value, time constant [unit of t].
    final_error, change_error, tau_error : float or None
        Standard errors from the residuals; None for a parameter that was held.
    rss, residual_sd : float
        Residual sum of squares, residual standard deviation (None without degree of freedom).
    df, n : int
        Degrees of freedom, points.
    sensor_tau : float
        Time constant of the sensor that was taken into the model (0 = none).
    caveats : tuple of str
        Codes, from the state of the fit: see `explain`.
    runs_p : float or None
        p-value of the runs test on the signs of the residuals (too few runs).
    """

    usable: bool
    final: float | None
    change: float | None
    tau: float | None
    final_error: float | None
    change_error: float | None
    tau_error: float | None
    rss: float
    residual_sd: float | None
    df: int
    n: int
    sensor_tau: float = 0.0
    caveats: tuple[Caveat, ...] = ()
    runs_p: float | None = None

    def air(self, t: Values) -> Floats:
        """Return the fitted value without the sensor's lag at times `t`, shape (n,)."""
        return self._curve(t, 0.0)

    def reading(self, t: Values) -> Floats:
        """Return the fitted value as the sensor shows it at times `t`, shape (n,)."""
        return self._curve(t, self.sensor_tau)

    def _curve(self, t: Values, sensor_tau: float) -> Floats:
        if self.final is None or self.change is None or self.tau is None:
            raise DataError("The fit was refused: there is no curve.", remedy="Look at its caveats.")
        return self.final + self.change * decay(np.asarray(t, dtype=np.float64), self.tau, sensor_tau)

    def time_to(self, value: float, of: Literal["air", "reading"] = "air") -> float | None:
        """Return when the curve reaches `value`; 0 if it starts there or beyond, None if it never does.

        Parameters
        ----------
        value : float
            In the unit of y.
        of : {"air", "reading"}
            Without or with the sensor's lag.
        """
        if self.final is None or self.change is None or self.tau is None or self.change == 0.0:
            return None
        share = (value - self.final) / self.change
        if share >= 1.0:
            return 0.0
        if share <= 0.0:
            return None
        first = -self.tau * math.log(share)
        if of == "air" or self.sensor_tau == 0.0:
            return first
        # the reading only falls behind: bisect from the air's own time on
        low, high = first, first + (self.tau + self.sensor_tau) * (1.0 - math.log(share))
        while float(decay(np.array([high]), self.tau, self.sensor_tau)[0]) > share:
            high *= 2.0
        for _ in range(100):
            middle = 0.5 * (low + high)
            if float(decay(np.array([middle]), self.tau, self.sensor_tau)[0]) > share:
                low = middle
            else:
                high = middle
        return high

    def rate(self, t: float = 0.0) -> float | None:
        """Return the slope of the curve (without the sensor's lag) at `t` [unit of y per unit of t]."""
        if self.change is None or self.tau is None:
            return None
        return -self.change / self.tau * math.exp(-t / self.tau)


_EXPLANATIONS: dict[Caveat, str] = {
    "infinite-covariance": "the data do not determine the parameters (no finite covariance)",
    "parameter-at-bound": "the time constant ran to the end of the range that the sampling can show",
    "structured-residuals": "the residuals follow a pattern, so the model or the quoted errors do not fit the data",
    "span-shorter-than-time-constant": "the record is shorter than the time constant: the end value is extrapolated",
    "few-points": "there are no more points than parameters",
    "no-change": "the reading does not change",
    "second-valley": "another time constant fits nearly as well",
}


def explain(caveat: Caveat) -> str:
    """Return the sentence that belongs to a caveat code."""
    return _EXPLANATIONS[caveat]


def decay(t: Floats, tau: float | Floats, sensor_tau: float | Floats = 0.0) -> Floats:
    """Response from 1 to 0 of a first-order fall seen through a first-order sensor that starts in step with it.

    Parameters
    ----------
    t : ndarray
        Times from the start of the fall, ≥ 0.
    tau, sensor_tau : float or ndarray
        Time constants, broadcast against `t`; sensor_tau 0 = no lag.

    Notes
    -----
    (tau·exp(−t/tau) − s·exp(−t/s)) / (tau − s); for equal constants its limit (1 + t/tau)·exp(−t/tau).
    """
    tau, lag = np.broadcast_arrays(np.asarray(tau, dtype=np.float64), np.asarray(sensor_tau, dtype=np.float64))
    plain = np.exp(-t / tau)
    if not np.any(lag):
        return np.asarray(plain, dtype=np.float64)
    none, close = lag == 0.0, np.abs(tau - lag) < 1e-4 * tau
    safe = np.where(none | close, 0.5 * tau, lag)
    both = (tau * plain - safe * np.exp(-t / safe)) / (tau - safe)
    middle = 0.5 * (tau + lag)  # exact to second order in the distance of the two
    limit = (1.0 + t / middle) * np.exp(-t / middle)
    return np.asarray(np.where(none, plain, np.where(close, limit, both)), dtype=np.float64)


def decay_slope(t: Floats, tau: float | Floats, sensor_tau: float | Floats = 0.0) -> Floats:
    """Derivative of `decay` with respect to the logarithm of tau; parameters as there."""
    tau, lag = np.broadcast_arrays(np.asarray(tau, dtype=np.float64), np.asarray(sensor_tau, dtype=np.float64))
    plain = np.exp(-t / tau)
    if not np.any(lag):
        return np.asarray(t / tau * plain, dtype=np.float64)
    none, close = lag == 0.0, np.abs(tau - lag) < 1e-4 * tau
    safe = np.where(none | close, 0.5 * tau, lag)
    apart = tau - safe
    both = tau * ((1.0 + t / tau) * plain - (tau * plain - safe * np.exp(-t / safe)) / apart) / apart
    middle = 0.5 * (tau + lag)
    limit = 0.5 * tau * t**2 / middle**3 * np.exp(-t / middle)
    return np.asarray(np.where(none, t / tau * plain, np.where(close, limit, both)), dtype=np.float64)


def tau_grid(t: Floats, size: int = _GRID) -> Floats:
    """Time constants that sampling at `t` can tell from zero and from a straight line, shape (size,)."""
    steps = np.diff(np.unique(t))
    span = float(np.max(t) - np.min(t))
    return np.geomspace(0.1 * float(np.min(steps)), 100.0 * span, size)


def _solve(basis: Floats, y: Floats) -> tuple[Floats, float]:
    coefficients = np.asarray(np.linalg.lstsq(basis, y, rcond=None)[0], dtype=np.float64)
    residual = y - basis @ coefficients
    return coefficients, float(residual @ residual)


@dataclass(frozen=True)
class _Model:
    """Columns of the linear part as a function of the time constant."""

    t: Floats
    sensor_tau: float
    shape: Literal["free", "fixed-final", "from-zero"]

    def basis(self, tau: float) -> Floats:
        curve = decay(self.t, tau, self.sensor_tau)
        if self.shape == "free":
            return np.column_stack([np.ones_like(curve), curve])
        return (1.0 - curve if self.shape == "from-zero" else curve)[:, None]

    def valleys(self, y: Floats, grid: Floats) -> Floats:
        """Residual sum of squares at each time constant, shape (len(grid),), all at once."""
        curves = decay(self.t[None, :], grid[:, None], self.sensor_tau)
        if self.shape == "from-zero":
            curves = 1.0 - curves
        if self.shape == "free":
            curves, y = curves - curves.mean(axis=1, keepdims=True), y - y.mean()
        squares = np.einsum("ij,ij->i", curves, curves)
        slopes = (curves @ y) / np.where(squares > 0.0, squares, 1.0)
        residuals = y - slopes[:, None] * curves
        return np.asarray(np.einsum("ij,ij->i", residuals, residuals), dtype=np.float64)

    def gradient(self, tau: float, coefficients: Floats) -> Floats:
        """Jacobian in (linear parameters, log tau)."""
        slope = decay_slope(self.t, tau, self.sensor_tau) * coefficients[-1]
        return np.column_stack([self.basis(tau), -slope if self.shape == "from-zero" else slope])


def _polish(model: _Model, y: Floats, tau: float, rss: float, low: float, high: float) -> tuple[float, float]:
    """Gauss–Newton on log tau with the linear part projected out, halving steps that do not improve."""
    for _ in range(100):
        coefficients, rss = _solve(model.basis(tau), y)
        jacobian = model.gradient(tau, coefficients)
        residual = y - model.basis(tau) @ coefficients
        step = float(np.linalg.lstsq(jacobian, residual, rcond=None)[0][-1])
        step = max(-1.0, min(1.0, step))
        better = False
        while abs(step) > 1e-13:
            trial = min(max(tau * math.exp(step), low), high)
            trial_rss = _solve(model.basis(trial), y)[1]
            if trial_rss < rss:
                tau, rss, better = trial, trial_rss, True
                break
            step *= 0.5
        if not better or abs(step) < 1e-12:
            break
    return tau, rss


def _search(model: _Model, y: Floats, start_tau: float | None) -> tuple[float, float, bool, bool]:
    """Best time constant, its rss, whether it lies at a bound, whether another valley is nearly as deep."""
    grid = tau_grid(model.t)
    low, high = float(grid[0]), float(grid[-1])
    if start_tau is not None and low < start_tau < high:
        grid = np.sort(np.append(grid, start_tau))
    values = model.valleys(y, grid)
    inner = np.flatnonzero((values[1:-1] <= values[:-2]) & (values[1:-1] <= values[2:])) + 1
    found = sorted(_polish(model, y, float(grid[i]), float(values[i]), low, high)[::-1] for i in inner)
    edge_rss, edge_tau = min((float(values[0]), low), (float(values[-1]), high))
    if not found or edge_rss < found[0][0] * (1.0 - 1e-9):
        return edge_tau, edge_rss, True, False
    best_rss, best_tau = found[0]
    others = [rss for rss, tau in found[1:] if abs(math.log(tau / best_tau)) > 1e-3]
    # nearly as deep: within the 95 % region of one parameter (likelihood ratio, χ² = 3.84)
    limit = best_rss * math.exp(3.84 / y.size)
    return best_tau, best_rss, False, any(rss < limit for rss in [*others, edge_rss])


def _fit(model: _Model, y: Floats, held: float | None, start_tau: float | None) -> ExponentialFit:
    n = int(y.size)
    parameters = {"free": 3, "fixed-final": 2, "from-zero": 2}[model.shape]
    df = n - parameters
    target = y - held if held is not None else y
    scale = y if held is None else np.append(y, held)
    flat = below_rounding(target - (target.mean() if model.shape == "free" else 0.0), scale)

    def refused(rss: float, *caveats: Caveat) -> ExponentialFit:
        sd = math.sqrt(rss / df) if df > 0 else None
        return ExponentialFit(False, None, None, None, None, None, None, rss, sd, df, n, model.sensor_tau, caveats)

    if flat:
        return refused(0.0, "no-change")
    if df < 1:
        return refused(0.0, "few-points")
    # deviations from the first value keep digits in the free model; the others are tied to zero
    origin = float(target[0]) if model.shape == "free" else 0.0
    target = target - origin
    tau, rss, at_bound, second = _search(model, target, start_tau)
    if at_bound:
        return refused(rss, "parameter-at-bound")
    coefficients, rss = _solve(model.basis(tau), target)
    jacobian = model.gradient(tau, coefficients)
    norms = np.linalg.norm(jacobian, axis=0)
    if not np.all(norms > 0.0) or np.linalg.cond(jacobian / np.where(norms > 0.0, norms, 1.0)) > 1e8:
        return refused(rss, "infinite-covariance")
    residual = target - model.basis(tau) @ coefficients
    exact = below_rounding(residual, scale)
    variance = 0.0 if exact else rss / df
    covariance = variance * np.linalg.inv(jacobian.T @ jacobian)
    errors = np.sqrt(np.diag(covariance))
    caveats: list[Caveat] = []
    runs_p = None if exact else runs_test(residual).p_value
    if runs_p is not None and runs_p < _STRUCTURE:
        caveats.append("structured-residuals")
    if tau > float(np.ptp(model.t)):
        caveats.append("span-shorter-than-time-constant")
    if second:
        caveats.append("second-valley")
    result = ExponentialFit(
        True, None, None, tau, None, None, float(errors[-1]) * tau, rss, math.sqrt(variance), df, n, model.sensor_tau,
        tuple(caveats), none_if_not_finite(math.nan if runs_p is None else runs_p),
    )  # fmt: skip
    if model.shape == "free":
        final, change = float(coefficients[0]) + origin, float(coefficients[1])
        return replace(result, final=final, change=change, final_error=float(errors[0]), change_error=float(errors[1]))
    if model.shape == "fixed-final":
        return replace(result, final=held, change=float(coefficients[0]), change_error=float(errors[0]))
    # a rise from zero: its plateau is both the end value and the change
    plateau, error = float(coefficients[0]), float(errors[0])
    return replace(result, final=plateau, change=-plateau, final_error=error, change_error=error)


def _points(t: Values, y: Values) -> tuple[Floats, Floats]:
    a, b = finite(t, "times", 2), finite(y, "readings", 2)
    if a.size != b.size:
        raise ValueError("times and readings differ in length")
    if np.all(a == a[0]):
        raise DataError("All readings are of one time: no curve can be fitted.", remedy="Use a longer record.")
    if np.min(a) < 0.0:
        raise ValueError("times count from the start of the fall and are not negative")
    return a, b


def fit_recovery(
    t: Values, y: Values, *, final: float | None = None, sensor_tau: float = 0.0, start_tau: float | None = None
) -> ExponentialFit:
    """Fit y = final + change·exp(−t/tau), seen through a sensor with time constant `sensor_tau`.

    Parameters
    ----------
    t : sequence of float, shape (n,)
        Times from the start of the fall (or rise) [s], ≥ 0, at least two different.
    y : sequence of float, shape (n,)
        Readings at true samples (repeated readings of one sample count as more than they are).
    final : float, optional
        End value to hold (ambient, say); None = fitted.
    sensor_tau : float
        Time constant of the sensor [unit of t], ≥ 0; it is taken to show the true start value at t = 0.
    start_tau : float, optional
        Further starting value; never needed.

    Returns
    -------
    ExponentialFit
        Refused (`usable` False) when nothing changes, the points are too few, the time constant runs to a bound
        (0.1 of the shortest step, 100 times the span) or the covariance is not finite.

    Raises
    ------
    DataError
        Fewer than two points, all of one time, or a value that is not finite.

    Notes
    -----
    Least squares with equal weights. Readings rounded to a step have residuals that are neither independent nor
    normal: the standard errors are then a lower bound and `structured-residuals` usually says so.
    """
    a, b = _points(t, y)
    if sensor_tau < 0.0:
        raise ValueError("negative sensor time constant")
    return _fit(_Model(a, sensor_tau, "free" if final is None else "fixed-final"), b, final, start_tau)


def fit_saturation(x: Values, y: Values, *, start: tuple[float, float] | None = None) -> ExponentialFit:
    """Fit y = a·(1 − exp(−b·x)): a is `final` (and −`change`), b is 1/`tau`.

    Parameters
    ----------
    x, y : sequence of float, shape (n,)
        Points, x ≥ 0.
    start : (float, float), optional
        Starting values of a and b; a follows from b, so only b is used, and a poor one does no harm.

    Raises
    ------
    DataError
        As `fit_recovery`.
    """
    a, b = _points(x, y)
    start_tau = None if start is None or start[1] <= 0.0 else 1.0 / start[1]
    return _fit(_Model(a, 0.0, "from-zero"), b, None, start_tau)
