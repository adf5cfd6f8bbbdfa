"""The fit of `fit_recovery` for many sets of readings at once, for Monte Carlo."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from intake_report.statistics._numbers import Floats
from intake_report.statistics.fitting import decay, decay_slope, tau_grid


@dataclass(frozen=True)
class ManyFits:
    """Parameters of m fits, each shape (m,); NaN where the fit is refused (`usable` False)."""

    final: Floats
    change: Floats
    tau: Floats
    rss: Floats
    usable: NDArray[np.bool_]


def _linear(curve: Floats, y: Floats, centred: bool) -> tuple[Floats, Floats, Floats]:
    """Slope of y on curve, the centred (or plain) residual, and the curve as used; all rows at once."""
    if centred:
        curve = curve - curve.mean(axis=1, keepdims=True)
    square = np.einsum("ij,ij->i", curve, curve)
    slope = np.einsum("ij,ij->i", curve, y) / np.where(square > 0.0, square, 1.0)
    return slope, y - slope[:, None] * curve, curve


def _step(t: Floats, tau: Floats, lag: Floats, slope: Floats, residual: Floats, curve: Floats, centred: bool) -> Floats:
    """Gauss–Newton step of log tau in each row, the linear part projected out."""
    change = slope[:, None] * decay_slope(t[None, :], tau[:, None], lag)
    if centred:
        change = change - change.mean(axis=1, keepdims=True)
    across = _linear(curve, change, centred)[1]
    square = np.einsum("ij,ij->i", across, across)
    return np.asarray(np.einsum("ij,ij->i", across, residual) / np.where(square > 0.0, square, 1.0), dtype=np.float64)


def fit_recovery_many(
    t: Floats,
    y: Floats,
    *,
    final: Floats | float | None = None,
    sensor_tau: Floats | float = 0.0,
    grid: int = 80,
    iterations: int = 40,
    tolerance: float = 1e-8,
) -> ManyFits:
    """Fit y = final + change·exp(−t/tau) to each row of readings.

    Parameters
    ----------
    t : ndarray, shape (n,)
        Times, common to all rows, ≥ 0, n at least 4 for a useful fit.
    y : ndarray, shape (m, n)
        Readings, finite.
    final : float or ndarray, shape (m,), optional
        End value to hold; None = fitted.
    sensor_tau : float or ndarray, shape (m,)
        Time constant of the sensor in each row.
    grid : int
        Time constants tried to find the valley, at the median sensor time constant.
    iterations : int
        Gauss–Newton steps at most.
    tolerance : float
        Relative change of the time constant at which a row is done.

    Returns
    -------
    ManyFits
        A row is refused when its best time constant lies at an end of the range or the reading does not change.

    Notes
    -----
    Same model, range and refusals as `fit_recovery`, without standard errors or caveats.
    """
    m, n = y.shape
    if t.shape != (n,):
        raise ValueError("times and readings differ in length")
    centred = final is None
    held = np.zeros(m) if final is None else np.broadcast_to(np.asarray(final, dtype=np.float64), (m,))
    offset = y.mean(axis=1) if centred else held
    target = y - offset[:, None]
    lag = np.broadcast_to(np.asarray(sensor_tau, dtype=np.float64), (m,))[:, None]
    taus = tau_grid(t, grid)
    curves = decay(t[None, :], taus[:, None], float(np.median(lag)))
    if centred:
        curves = curves - curves.mean(axis=1, keepdims=True)
    norms = np.linalg.norm(curves, axis=1)
    explained = (target @ (curves / np.where(norms > 0.0, norms, 1.0)[:, None]).T) ** 2
    best = np.argmax(explained, axis=1)
    usable = (best > 0) & (best < grid - 1) & (np.ptp(target, axis=1) > 0.0)
    log_tau = np.log(taus[best])
    low, high = np.log(taus[0]), np.log(taus[-1])

    slope, residual, curve = _linear(decay(t[None, :], np.exp(log_tau)[:, None], lag), target, centred)
    rss = np.einsum("ij,ij->i", residual, residual)
    damping = np.ones(m)
    active = np.flatnonzero(usable)  # rows that still move
    for _ in range(iterations):
        if active.size == 0:
            break
        step = _step(t, np.exp(log_tau[active]), lag[active], slope[active], residual[active], curve[active], centred)
        step = damping[active] * np.clip(step, -0.7, 0.7)
        trial = np.clip(log_tau[active] + step, low, high)
        trial_curve = decay(t[None, :], np.exp(trial)[:, None], lag[active])
        new_slope, new_residual, new_curve = _linear(trial_curve, target[active], centred)
        new_rss = np.einsum("ij,ij->i", new_residual, new_residual)
        better = new_rss < rss[active]
        rows = active[better]
        log_tau[rows], rss[rows], slope[rows] = trial[better], new_rss[better], new_slope[better]
        residual[rows], curve[rows] = new_residual[better], new_curve[better]
        damping[active] = np.where(better, 1.0, 0.5 * damping[active])
        active = active[np.abs(step) > tolerance]
    usable &= (log_tau > low) & (log_tau < high)
    tau = np.exp(log_tau)
    means = decay(t[None, :], tau[:, None], lag).mean(axis=1)
    end = offset - slope * means if centred else held
    blank = np.where(usable, 1.0, np.nan)
    return ManyFits(end * blank, slope * blank, tau * blank, rss, usable)
