"""Quantisation step of a channel, found from its samples."""

from __future__ import annotations

import numpy as np

from intake_report.clean.model import FloatArray

_MOST = 6_000  # samples looked at
_LARGEST = 1e9  # beyond this a reading of any channel is garbage
_GRID = 0.01  # share of the step within which a value counts as on the grid (an app may write 17.9999995 for 18)
_EXCESS = 0.4  # by how much the share on the grid must exceed chance
# A coarser step wins when it explains this part of what the best candidate explains: nearly all where readings were
# written as they came, most where an app has interpolated between them.
_NEARLY_WRITTEN, _NEARLY_INTERPOLATED = 0.95, 0.6


def quantisation_step(values: FloatArray, declared: float | None = None) -> tuple[float | None, float]:
    """Find the step of a reading.

    Candidates are the most frequent differences between neighbouring distinct samples and simple fractions and
    multiples of the declared resolution. The largest candidate on whose grid the samples lie wins. Values that an app
    has interpolated fall beside the grid; a step is still evident when far more samples than chance lie on it.

    Parameters
    ----------
    values : ndarray, (n,)
        Valid samples in order of time [unit of the channel].
    declared : float, optional
        Declared resolution [unit of the channel].

    Returns
    -------
    step, share
        Step [unit of the channel] or None, and the share of samples on its grid.
    """
    x = values[:: max(1, values.size // _MOST)] if values.size > 4 * _MOST else values[: 4 * _MOST]
    if x.size > _MOST:
        middle = (x.size - _MOST) // 2
        x = x[middle : middle + _MOST]
    x = x[np.isfinite(x)]
    x = x[np.abs(x) < _LARGEST]
    if x.size < 8 or np.ptp(x) == 0.0:
        return None, 0.0
    # A value that stands (a parked vehicle, an idle throttle) counts once, or it would fit every grid.
    x = x[np.concatenate(([True], np.abs(np.diff(x)) > 1e-6 * max(1.0, float(np.abs(x).max()))))]
    if x.size < 8:
        return None, 0.0
    decimals = _decimals(x)
    candidates = _candidates(values, x, declared, decimals)
    best: tuple[float | None, float] = (None, 0.0)
    scores = []
    for step in candidates:
        rounding = 0.0 if decimals is None or decimals >= step else 0.5 * decimals
        tolerance = max(_GRID * step, rounding * 1.02 if rounding > 1e-6 * step else 0.0)
        share = _on_grid(x, step, tolerance)
        if share - 2.0 * tolerance / step >= _EXCESS:
            scores.append((step, share))
    if scores:
        top = max(share for _, share in scores)
        nearly = _NEARLY_INTERPOLATED if decimals is None else _NEARLY_WRITTEN
        best = max((s for s in scores if s[1] >= nearly * top), key=lambda s: s[0])
    return best


def _decimals(x: FloatArray) -> float | None:
    """Return the decimal step in which the values were written (1, 0.1, …, 1e-4), None when finer or interpolated."""
    for power in range(5):
        scaled = x * 10.0**power
        if np.mean(np.abs(scaled - np.round(scaled)) <= 1e-6 * 10.0**power) > 0.98:
            return float(10.0**-power)
    return None


def _candidates(values: FloatArray, x: FloatArray, declared: float | None, decimals: float | None) -> list[float]:
    """Collect steps worth testing."""
    part = values[: 4 * _MOST]
    part = part[np.abs(part) < _LARGEST]
    change = np.abs(np.diff(part))
    # Five significant digits gather the differences that differ by an app's rounding only.
    change = change[change > 1e-6 * max(1.0, float(np.abs(x).max()))]
    found: list[float] = []
    if change.size:
        digits = 10.0 ** (np.floor(np.log10(change)) - 4)
        unique, counts = np.unique(np.round(change / digits) * digits, return_counts=True)
        found += [float(v) for v in unique[np.argsort(-counts, kind="stable")[:12]]]
    distinct = np.unique(np.round(x, 6))
    if distinct.size > 1:
        found.append(float(np.quantile(np.diff(distinct), 0.5)))
    if declared:
        found += [declared * k for k in (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0)]
    if decimals is not None:
        found += [decimals * k for k in (1.0, 2.0, 5.0)]
    return sorted({f for f in found if f > 0.0})


def _on_grid(x: FloatArray, step: float, tolerance: float) -> float:
    """Return the share of values on the grid of `step`, at the best of a few origins."""
    # The grid may have any origin; that of the most frequent values is tried besides zero. The origin itself does not
    # count, since it lies on every grid.
    unique, counts = np.unique(np.round(x, 6), return_counts=True)
    origins = [0.0, *(float(v) for v in unique[np.argsort(-counts, kind="stable")[:3]])]
    best = 0.0
    for origin in origins:
        off = (x - origin) / step
        away = np.abs(x - origin) > max(tolerance, 1e-6)
        if np.count_nonzero(away) >= 8:
            off = off[away]
            best = max(best, float(np.mean(np.abs(off - np.round(off)) * step <= tolerance)))
    return best
