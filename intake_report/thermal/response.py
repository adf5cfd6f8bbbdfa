"""First-order responses, exact for coefficients that are constant and targets that are straight within a step."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg.lapack import dtbtrs

Floats = NDArray[np.float64]
FLAT = 1e-6  # rate times step below which the series is used: the quotient would lose digits


def respond(rate: ArrayLike, target: ArrayLike, start: ArrayLike, step: ArrayLike) -> Floats:
    """Return x with dx/dt = rate·(target − x), sample by sample, (..., n).

    `rate` (..., n): rates [1/s], not negative, at the samples; constant within a step at the mean of its two ends. `target` (..., n):
    targets at the samples, straight between them; the unit of x. `start` (...): first value. `step`: time between samples [s],
    one or (n − 1,); may differ from step to step.

    With k = rate·step, a = exp(−k) and m = (1 − a)/k a step maps x to a·x + (m − a)·u₀ + (1 − m)·u₁: the solution of the
    linear equation, stable for any step. All steps are one triangular band system, solved by LAPACK (dtbtrs).
    """
    rates, targets = np.broadcast_arrays(np.asarray(rate, dtype=np.float64), np.asarray(target, dtype=np.float64))
    k = 0.5 * (rates[..., 1:] + rates[..., :-1]) * step
    kept = np.exp(-k)
    mean = np.where(k < FLAT, 1.0 - 0.5 * k, -np.expm1(-k) / np.maximum(k, FLAT))
    right = np.empty((*targets.shape, 1))
    right[..., 0, 0] = start
    right[..., 1:, 0] = (mean - kept) * targets[..., :-1] + (1.0 - mean) * targets[..., 1:]
    band = np.ones((*targets.shape, 2))
    band[..., :-1, 1] = -kept
    band[..., -1, 1] = 0.0  # one series ends here: the next begins anew
    solved, _ = dtbtrs(band.reshape(-1, 2).T, right.reshape(-1, 1), uplo="L", diag="U", overwrite_b=1)
    return np.asarray(solved).reshape(targets.shape)
