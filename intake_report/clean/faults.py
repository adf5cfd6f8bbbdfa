"""What the samples of one channel show: faults of its sensor, and its quantisation step.

A rule returns a mask (True = bad); None where nothing is bad spares long logs a pass over memory.
"""

from collections.abc import Sequence

import numpy as np

from intake_report.clean.model import BoolArray, FloatArray, IntArray

_CHUNK = 1 << 16  # samples per pass: stays in the cache
_TOO_MANY = 0.05  # share of impossible steps from which the rule, not the channel, is in doubt (choice of this package)
_FEW = 20  # ... but so many are single faults in any log
_MOST_EVENTS = 50_000  # a sensor that fails more often than this is followed no further
_NORMAL = 1.4826  # makes a median absolute deviation an estimate of the standard deviation of normal noise
_CODE_SLACK = 0.01  # of the resolution: an app may write -39.9999999 for a code of -40
# Of the quantisation step: settled on rounded, scaled and interpolated walks made for its tests and on real drives.
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


def fault_codes(
    values: FloatArray, codes: Sequence[float], resolution: float | None, reach: tuple[float, float]
) -> BoolArray | None:
    """Mark readings equal to a code that means "no sensor" (-40 °C, full scale); `reach` is the smallest and largest of them."""
    bad: BoolArray | None = None
    for code in codes:
        slack = max(1e-6 * abs(code), _CODE_SLACK * (resolution or 0.0))
        if reach[0] <= code + slack and reach[1] >= code - slack:
            hit = np.abs(values - code) <= slack
            bad = hit if bad is None else bad | hit
    return bad


def stretches(size: int, begin: IntArray, end: IntArray) -> BoolArray:
    """Mark the samples of all stretches `begin` to `end` (past the last)."""
    edges = np.bincount(begin, minlength=size + 1) - np.bincount(np.maximum(begin, end), minlength=size + 1)
    return np.cumsum(edges[:size]) > 0


def impossible_rates(time: FloatArray, values: FloatArray, rate: float, step: float) -> tuple[BoolArray | None, int]:
    """Mark readings that differ from the last good one by more than `rate` times the time between plus two steps.

    The allowance grows with time, so a true change is accepted again after as long as it must have taken. Returns the
    mask (None: nothing bad) and 0; or None and the number of impossible steps, when these are too many for single
    faults, so that the rule was not applied.
    """
    slack, at = 2.0 * step, [np.zeros(0, dtype=np.intp)]
    for start in range(0, values.size - 1, _CHUNK):
        stop = min(start + _CHUNK, values.size - 1)
        change = np.abs(values[start + 1 : stop + 1] - values[start:stop])
        # No step can be allowed less than the slack alone: a cheap test that most stretches pass.
        if float(change.max()) > slack:
            at.append(np.flatnonzero(change > rate * (time[start + 1 : stop + 1] - time[start:stop]) + slack) + start)
    suspects = np.concatenate(at)
    if suspects.size == 0:
        return None, 0
    if suspects.size > max(_FEW, min(_TOO_MANY * values.size, _MOST_EVENTS)):
        return None, suspects.size
    bad = np.zeros(values.size, dtype=np.bool_)
    resume = 0
    for good in suspects:
        if good < resume:  # Steps back from an excursion end inside it and were dealt with there.
            continue
        k, block = good + 1, 64
        while k < values.size:
            stop = min(values.size, k + block)
            near = np.flatnonzero(~(np.abs(values[k:stop] - values[good]) > rate * (time[k:stop] - time[good]) + slack))
            if near.size:
                k += int(near[0])
                break
            k, block = stop, block * 4
        bad[good + 1 : k] = True
        resume = k
    return (bad if bad.any() else None), 0


def spikes(values: FloatArray, half: int, factor: float, floor: float) -> BoolArray | None:
    """Mark spikes of true samples by a Hampel rule (Hampel, 1974).

    A sample is a spike when it differs from the median of the 2 `half` + 1 samples around it by more than `factor`
    times 1.4826 times their median absolute deviation, and by more than `floor`, which keeps quiet stretches (deviation
    0) from flagging one step.
    """
    width = 2 * half + 1
    if values.size < width or not np.isfinite(floor):
        return None
    check = _departures(values, half, floor)
    first = np.clip(check - half, 0, values.size - width)
    bad = np.zeros(values.size, dtype=np.bool_)
    for start in range(0, check.size, _CHUNK):
        part, head = check[start : start + _CHUNK], first[start : start + _CHUNK]
        window = values[head[:, None] + np.arange(width)]
        middle = np.median(window, axis=1)
        spread = _NORMAL * np.median(np.abs(window - middle[:, None]), axis=1)
        off = np.abs(values[part] - middle)
        bad[part] = (off > factor * spread) & (off > floor)
    return bad if bad.any() else None


def _departures(values: FloatArray, half: int, floor: float) -> IntArray:
    """Find the samples that can differ from the median of their window by more than `floor`, without sorting.

    Then half of the window and one sample more lie beyond `floor`: inside the log, some pair at equal distance before
    and after; and some single step exceeds `floor` / `half`, which most stretches never do.
    """
    at = [np.arange(half), np.arange(values.size - half, values.size)]
    for start in range(half, values.size - half, _CHUNK):
        stop = min(start + _CHUNK, values.size - half)
        step = np.abs(values[start - half + 1 : stop + half] - values[start - half : stop + half - 1])
        if float(step.max()) <= floor / half:
            continue
        middle = values[start:stop]
        near = np.zeros(middle.size, dtype=np.bool_)
        for k in range(1, half + 1):
            before = np.abs(middle - values[start - k : stop - k]) > floor
            near |= before & (np.abs(middle - values[start + k : stop + k]) > floor)
        at.append(np.flatnonzero(near) + start)
    return np.unique(np.concatenate(at))


def constant_runs(time: FloatArray, values: FloatArray, longest: float) -> list[tuple[int, int]]:
    """Find runs of one value that last at least `longest` seconds, as (first, past-last) sample indices."""
    if values.size < 3 or time[-1] - time[0] < longest:
        return []
    same = np.concatenate(([False], values[1:] == values[:-1], [False]))
    turns = np.flatnonzero(same[1:] != same[:-1])
    begin, end = turns[::2], turns[1::2] + 1
    lasts = (time[end - 1] - time[begin] >= longest) & (end - begin >= 3)
    return [(int(a), int(b)) for a, b in zip(begin[lasts], end[lasts], strict=True)]


def quantisation_step(values: FloatArray, declared: float | None = None) -> tuple[float | None, float]:
    """Find the step of a reading [its unit], None where none is evident, and the share of samples on its grid.

    Candidates are the most frequent differences between neighbouring distinct samples and simple fractions and
    multiples of the `declared` resolution. The largest candidate on whose grid the samples lie wins. Values that an app
    has interpolated fall beside the grid; a step is still evident when far more samples than chance lie on it.
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
    # the last decimal place that the log was written with
    places = ((10.0**-k, np.abs(x * 10.0**k - np.round(x * 10.0**k)) <= 1e-6 * 10.0**k) for k in range(5))
    decimals = next((place for place, fits in places if np.mean(fits) > _WRITTEN), None)
    unique, counts = np.unique(np.round(x, 6), return_counts=True)
    origins = [0.0, *unique[np.argsort(-counts, kind="stable")[:_ORIGINS]].tolist()]  # the grid may begin anywhere
    scores = []
    for step in _candidates(values[: 4 * _MOST], x, declared, decimals, same):
        rounding = 0.0 if decimals is None or decimals >= step else 0.5 * decimals
        tolerance = max(_GRID * step, rounding * _ROUNDED if rounding > 1e-6 * step else 0.0)
        # share of values on the grid, at the best of the origins, which themselves do not count
        away = ((x[np.abs(x - origin) > max(tolerance, 1e-6)] - origin) / step for origin in origins)
        on_grid = (np.abs(off - np.round(off)) * step <= tolerance for off in away if off.size >= _LEAST)
        share = max((float(np.mean(near)) for near in on_grid), default=0.0)
        if share - 2.0 * tolerance / step >= _EXCESS:
            scores.append((step, share))
    if not scores:
        return None, 0.0
    nearly = _NEARLY_INTERPOLATED if decimals is None else _NEARLY_WRITTEN
    least = nearly * max(share for _, share in scores)
    return max(score for score in scores if score[1] >= least)


def _candidates(values: FloatArray, x: FloatArray, known: float | None, unit: float | None, same: float) -> list[float]:
    change = np.abs(np.diff(values[np.abs(values) < _LARGEST]))
    change = change[change > same]
    # Five significant digits gather the differences that differ by an app's rounding only.
    digits = 10.0 ** (np.floor(np.log10(change)) - 4)
    unique, counts = np.unique(np.round(change / digits) * digits, return_counts=True)
    steps = unique[np.argsort(-counts, kind="stable")[:_FREQUENT]].tolist()
    distinct = np.unique(np.round(x, 6))
    if distinct.size > 1:
        steps.append(float(np.median(np.diff(distinct))))
    steps += [known * k for k in _OF_DECLARED] if known else []
    steps += [unit * k for k in (1.0, 2.0, 5.0)] if unit is not None else []
    return sorted({step for step in steps if step > 0.0})
