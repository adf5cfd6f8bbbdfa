"""Rules for sensor faults: implausible readings, fault codes, engine-off heat, impossible rates, spikes, stuck channels.

Every rule takes the samples of one channel and returns a mask (True = bad); None where nothing is bad spares long logs a
pass over memory.
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


def engine_off(
    at: FloatArray, rpm_time: FloatArray, rpm: FloatArray, running: float, settle: float
) -> tuple[BoolArray, FloatArray]:
    """Return the times `at` [s] at which the engine stands or has just (re)started (masked), and when it stood (k, 2) [s].

    Marked from the last running sample before a stop on, since the stop lies between samples, until `settle` [s] after
    the start; the engine runs from `running` [rpm].
    """
    on = rpm >= running
    if on.all():
        return np.zeros(at.size, dtype=np.bool_), np.zeros((0, 2))
    change = np.flatnonzero(np.diff(on))
    stops = rpm_time[change[on[change]]]
    starts = rpm_time[change[~on[change]] + 1]
    if not on[0]:
        stops = np.append(-np.inf, stops)
    ends = starts if on[-1] else np.append(starts, np.inf)
    marked = _stretches(at.size, np.searchsorted(at, stops, side="right"), np.searchsorted(at, ends + settle))
    return marked, np.column_stack((stops, ends))


def _stretches(size: int, begin: IntArray, end: IntArray) -> BoolArray:
    """Mark the samples of all stretches `begin` to `end` (past the last)."""
    edges = np.bincount(begin, minlength=size + 1) - np.bincount(np.maximum(begin, end), minlength=size + 1)
    return np.cumsum(edges[:size]) > 0


def unsettled(
    at: FloatArray, values: FloatArray, ambient: FloatArray, starts: FloatArray, margin: float, longest: float
) -> BoolArray:
    """Mark samples [s, °C] after a (re)start up to the last one that reads below ambient by more than `margin` [K].

    Not more than `longest` [s] after each of `starts` are looked at; `ambient` holds the values at the times `at`.
    """
    below = values < ambient - margin
    first = np.searchsorted(at, starts)
    # Past the last low sample at or before each place, 0 where there is none.
    past_low = np.append(0, np.maximum.accumulate(np.where(below, np.arange(at.size) + 1, 0)))
    return _stretches(at.size, first, np.maximum(past_low[np.searchsorted(at, starts + longest)], first))


def impossible_rates(time: FloatArray, values: FloatArray, rate: float, step: float) -> tuple[BoolArray | None, int]:
    """Mark readings that cannot be reached from the last good one.

    A reading is good when it differs from the last good reading by no more than `rate` times the time between them,
    plus two steps of the reading. The allowance grows with time, so a true change is accepted again after as long as it
    must have taken.

    Returns the mask (None: nothing bad) and 0; or None and the number of impossible steps, when these are too many for
    single faults, so that the rule was not applied.
    """
    suspects = _steps_beyond(time, values, rate, 2.0 * step)
    if suspects.size == 0:
        return None, 0
    if suspects.size > max(_FEW, min(_TOO_MANY * values.size, _MOST_EVENTS)):
        return None, suspects.size
    bad = np.zeros(values.size, dtype=np.bool_)
    resume = 0
    for good in suspects:
        # Steps back from an excursion end inside it and were dealt with there.
        if good < resume:
            continue
        k, block = good + 1, 64
        while k < values.size:
            stop = min(values.size, k + block)
            far = np.abs(values[k:stop] - values[good]) > rate * (time[k:stop] - time[good]) + 2.0 * step
            near = np.flatnonzero(~far)
            if near.size:
                k += int(near[0])
                break
            k, block = stop, block * 4
        bad[good + 1 : k] = True
        resume = k
    return (bad if bad.any() else None), 0


def _steps_beyond(time: FloatArray, values: FloatArray, rate: float, slack: float) -> IntArray:
    """Find the indices i where the step from sample i to i+1 exceeds `rate` times its duration plus `slack`."""
    at = [np.zeros(0, dtype=np.intp)]
    for start in range(0, values.size - 1, _CHUNK):
        stop = min(start + _CHUNK, values.size - 1)
        change = np.abs(values[start + 1 : stop + 1] - values[start:stop])
        # No step can be allowed less than the slack alone: a cheap test that most stretches pass.
        if float(change.max()) > slack:
            wide = change > rate * (time[start + 1 : stop + 1] - time[start:stop]) + slack
            at.append(np.flatnonzero(wide) + start)
    return np.concatenate(at)


def spikes(values: FloatArray, half: int, factor: float, floor: float) -> BoolArray | None:
    """Mark spikes by a Hampel rule on true samples.

    A sample is a spike when it differs from the median of the 2 `half` + 1 samples around it by more than `factor`
    times 1.4826 times their median absolute deviation, and by more than `floor`. (Hampel, 1974; 1.4826 makes the
    median absolute deviation an estimate of the standard deviation of normal noise.)

    The floor keeps quiet stretches (deviation 0) from flagging one step.
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

    Half of the window and one sample more then lie beyond `floor` from the sample. Inside the log some pair at equal
    distance before and after it must; and some single step must exceed `floor` / `half`, which most stretches never do.
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
