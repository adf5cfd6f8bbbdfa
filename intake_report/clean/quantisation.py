"""Quantisation step of a channel, found from its samples."""

import numpy as np

from intake_report.clean.model import FloatArray

# Choices of this package, settled on rounded, scaled and interpolated walks made for its tests and on real drives.
_MOST = 6_000  # samples looked at
_LEAST = 8  # samples below which nothing can be said
_LARGEST = 1e9  # beyond this a reading of any channel is garbage
_GRID = 0.01  # share of the step within which a value counts as on the grid (an app may write 17.9999995 for 18)
_ROUNDED = 1.02  # of half a decimal step, by which an app's rounding may put a value off the grid
_SAME = 1e-6  # relative difference below which two readings are the same one, rounded by an app
_EXCESS = 0.4  # by how much the share on the grid must exceed chance
_WRITTEN = 0.98  # share of values with no further decimals, from which the log was written with so many
_FREQUENT = 12  # most frequent differences that are tried as steps
_ORIGINS = 3  # most frequent values that are tried as origin of the grid, besides zero
_OF_DECLARED = (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0)  # fractions and multiples of the declared resolution tried
# A coarser step wins when it explains this part of what the best candidate explains: nearly all where readings were
# written as they came, most where an app has interpolated between them.
_NEARLY_WRITTEN, _NEARLY_INTERPOLATED = 0.95, 0.6


def quantisation_step(values: FloatArray, declared: float | None = None) -> tuple[float | None, float]:
    """Find the step of a reading.

    Candidates are the most frequent differences between neighbouring distinct samples and simple fractions and
    multiples of the declared resolution. The largest candidate on whose grid the samples lie wins. Values that an app
    has interpolated fall beside the grid; a step is still evident when far more samples than chance lie on it.

    Returns the step [unit of the channel] or None, and the share of samples on its grid. `values` are the valid samples in
    order of time, `declared` the resolution [unit of the channel].
    """
    x = values[:: max(1, values.size // _MOST)] if values.size > 4 * _MOST else values
    if x.size > _MOST:
        middle = (x.size - _MOST) // 2
        x = x[middle : middle + _MOST]
    x = x[np.abs(x) < _LARGEST]
    if x.size < _LEAST or np.ptp(x) == 0.0:
        return None, 0.0
    # A value that stands (a parked vehicle, an idle throttle) counts once, or it would fit every grid.
    same = _SAME * max(1.0, float(np.abs(x).max()))
    x = x[np.append(True, np.abs(np.diff(x)) > same)]
    if x.size < _LEAST:
        return None, 0.0
    decimals = _decimals(x)
    unique, counts = np.unique(np.round(x, 6), return_counts=True)
    origins = [0.0, *unique[np.argsort(-counts, kind="stable")[:_ORIGINS]].tolist()]  # the grid may begin anywhere
    scores = []
    for step in _candidates(values[: 4 * _MOST], x, declared, decimals, same):
        rounding = 0.0 if decimals is None or decimals >= step else 0.5 * decimals
        tolerance = max(_GRID * step, rounding * _ROUNDED if rounding > 1e-6 * step else 0.0)
        share = _on_grid(x, step, tolerance, origins)
        if share - 2.0 * tolerance / step >= _EXCESS:
            scores.append((step, share))
    if not scores:
        return None, 0.0
    nearly = _NEARLY_INTERPOLATED if decimals is None else _NEARLY_WRITTEN
    least = nearly * max(share for _, share in scores)
    return max(score for score in scores if score[1] >= least)


def _decimals(x: FloatArray) -> float | None:
    for power in range(5):
        scaled = x * 10.0**power
        if np.mean(np.abs(scaled - np.round(scaled)) <= 1e-6 * 10.0**power) > _WRITTEN:
            return float(10.0**-power)
    return None


def _candidates(
    values: FloatArray, x: FloatArray, declared: float | None, decimals: float | None, same: float
) -> list[float]:
    change = np.abs(np.diff(values[np.abs(values) < _LARGEST]))
    change = change[change > same]
    # Five significant digits gather the differences that differ by an app's rounding only.
    digits = 10.0 ** (np.floor(np.log10(change)) - 4)
    unique, counts = np.unique(np.round(change / digits) * digits, return_counts=True)
    steps = unique[np.argsort(-counts, kind="stable")[:_FREQUENT]].tolist()
    distinct = np.unique(np.round(x, 6))
    if distinct.size > 1:
        steps.append(float(np.median(np.diff(distinct))))
    steps += [declared * k for k in _OF_DECLARED] if declared else []
    steps += [decimals * k for k in (1.0, 2.0, 5.0)] if decimals is not None else []
    return sorted({step for step in steps if step > 0.0})


def _on_grid(x: FloatArray, step: float, tolerance: float, origins: list[float]) -> float:
    """Return the share of values on the grid of `step`, at the best of the origins."""
    best = 0.0
    for origin in origins:  # which itself does not count, since it lies on every grid
        away = x[np.abs(x - origin) > max(tolerance, 1e-6)]
        if away.size >= _LEAST:
            off = (away - origin) / step
            best = max(best, float(np.mean(np.abs(off - np.round(off)) * step <= tolerance)))
    return best
