"""Sensor faults: implausible readings, fault codes, engine-off heat, impossible rates, spikes, stuck channels.

Every function takes the samples of one channel and returns a mask (True = bad) or None where nothing is bad, which
spares long logs a pass over memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from intake_report.clean.model import BoolArray, FloatArray, IntArray

_CHUNK = 1 << 16  # samples per pass: stays in the cache
_MOST_EVENTS = 50_000  # a sensor that fails more often than this is followed no further
_TOO_MANY = 0.05  # share of impossible steps from which the rule, not the channel, is in doubt


def outside(values: FloatArray, low: float, high: float, reach: tuple[float, float] | None = None) -> BoolArray | None:
    """Mark readings outside the plausible range `low` to `high` [unit of the channel]; NaN is no reading.

    `reach` is what `extremes` gave, when it is known already.
    """
    least, most = reach or extremes(values)
    if not (least < low or most > high):
        return None
    with np.errstate(invalid="ignore"):
        return (values < low) | (values > high)


def fault_codes(
    values: FloatArray, codes: Sequence[float], resolution: float | None, reach: tuple[float, float] | None = None
) -> BoolArray | None:
    """Mark readings equal to a code that means "no sensor" (-40 °C, full scale), to a hundredth of the resolution.

    `reach` is what `extremes` gave, when it is known already.
    """
    least, most = reach or extremes(values)
    bad: BoolArray | None = None
    for code in codes:
        slack = max(1e-6 * abs(code), 0.01 * (resolution or 0.0))
        if least <= code + slack and most >= code - slack:
            hit = np.abs(values - code) <= slack
            bad = hit if bad is None else bad | hit
    return bad


def extremes(values: FloatArray) -> tuple[float, float]:
    """Return the smallest and largest reading without NaN; (inf, -inf) when there is none."""
    if values.size == 0:
        return np.inf, -np.inf
    least, most = float(np.min(values)), float(np.max(values))
    if np.isnan(least):
        least = float(np.fmin.reduce(values, initial=np.inf))
        most = float(np.fmax.reduce(values, initial=-np.inf))
    return least, most


def has_gaps(values: FloatArray) -> bool:
    """Whether any value is NaN; faster than asking each."""
    return bool(values.size and np.isnan(np.min(values)))


def engine_off(
    at: FloatArray,
    rpm_time: FloatArray,
    rpm: FloatArray,
    running: float,
    settle: float,
) -> tuple[BoolArray, FloatArray]:
    """Mark times at which the engine stands or has just (re)started.

    Parameters
    ----------
    at : ndarray, (n,)
        Times asked [s], increasing.
    rpm_time, rpm : ndarray, (m,)
        Valid engine speed samples [s, rpm].
    running : float
        Engine speed from which the engine runs [rpm].
    settle : float
        Time after each start that is marked too [s].

    Returns
    -------
    marked : ndarray of bool, (n,)
        True while off or settling. From the last running sample before a stop on, since the stop lies between samples.
    starts : ndarray, (k,)
        Times of the (re)starts [s].
    """
    on = rpm >= running
    marked = np.zeros(at.size, dtype=np.bool_)
    if on.all() or rpm.size == 0:
        return marked, np.zeros(0)
    change = np.flatnonzero(np.diff(on))
    stops = rpm_time[change[on[change]]]
    starts = rpm_time[change[~on[change]] + 1]
    if not on[0]:
        stops = np.concatenate(([-np.inf], stops))
    ends = starts if on[-1] else np.append(starts, np.inf)
    marked = _stretches(
        at.size, np.searchsorted(at, stops, side="right"), np.searchsorted(at, ends + settle, side="left")
    )
    return marked, starts


def _stretches(size: int, begin: IntArray, end: IntArray) -> BoolArray:
    """Mark the samples of all stretches `begin` to `end` (past the last)."""
    edges = np.bincount(begin, minlength=size + 1) - np.bincount(np.maximum(begin, end), minlength=size + 1)
    return np.cumsum(edges[:size]) > 0


def unsettled(
    at: FloatArray, values: FloatArray, ambient: FloatArray, starts: FloatArray, margin: float, longest: float
) -> BoolArray:
    """Mark samples after a (re)start up to the last one that reads below ambient by more than `margin`.

    Parameters
    ----------
    at, values, ambient : ndarray, (n,)
        Times [s], intake readings and ambient at the same times [°C]; NaN where unknown.
    starts : ndarray, (k,)
        Times of the (re)starts [s].
    margin : float
        [K]
    longest : float
        Limit of the time after a start that is looked at [s].
    """
    with np.errstate(invalid="ignore"):
        below = values < ambient - margin
    first = np.searchsorted(at, starts)
    last = np.searchsorted(at, starts + longest)
    # Past the last low sample at or before each place, 0 where there is none.
    past_low = np.concatenate(([0], np.maximum.accumulate(np.where(below, np.arange(at.size) + 1, 0))))
    return _stretches(at.size, first, np.maximum(past_low[last], first))


def impossible_rates(time: FloatArray, values: FloatArray, rate: float, step: float) -> tuple[BoolArray | None, str]:
    """Mark readings that cannot be reached from the last good one.

    A reading is good when it differs from the last good reading by no more than `rate` times the time between them,
    plus two steps of the reading. The allowance grows with time, so a true change is accepted again after as long as it
    must have taken.

    Parameters
    ----------
    time, values : ndarray, (n,)
        Samples, no NaN [s, unit of the channel].
    rate : float
        Fastest plausible change [unit per s].
    step : float
        Step of the reading [unit].

    Returns
    -------
    mask, note
        Mask (None: nothing bad); the note says why the rule was not applied, when it was not.
    """
    suspects = steps_beyond(time, values, rate, 2.0 * step)
    if suspects.size == 0:
        return None, ""
    if suspects.size > max(20.0, min(_TOO_MANY * values.size, _MOST_EVENTS)):
        return None, (
            f"{suspects.size} of {values.size} steps exceed {rate:g} per second: too many for single faults, so"
            " nothing was masked; the channel is noisy, or its unit or time base is wrong"
        )
    bad = np.zeros(values.size, dtype=np.bool_)
    resume = 0
    for i in suspects:
        # Steps back from an excursion end inside it and were dealt with there.
        if i < resume:
            continue
        good, k, block = i, i + 1, 64
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
    return (bad if bad.any() else None), ""


def steps_beyond(time: FloatArray, values: FloatArray, rate: float, slack: float) -> IntArray:
    """Find the indices i where the step from sample i to i+1 exceeds `rate` times its duration plus `slack`."""
    found = []
    for start in range(0, values.size - 1, _CHUNK):
        stop = min(start + _CHUNK, values.size - 1)
        change = np.abs(values[start + 1 : stop + 1] - values[start:stop])
        # No step can be allowed less than the slack alone: a cheap test that most stretches pass.
        if float(change.max()) <= slack:
            continue
        wide = change > rate * (time[start + 1 : stop + 1] - time[start:stop]) + slack
        if wide.any():
            found.append(np.flatnonzero(wide) + start)
    return np.concatenate(found) if found else np.zeros(0, dtype=np.intp)


def spikes(values: FloatArray, half: int, factor: float, floor: float) -> BoolArray | None:
    """Mark spikes by a Hampel rule on true samples.

    A sample is a spike when it differs from the median of the 2 `half` + 1 samples around it by more than `factor`
    times 1.4826 times their median absolute deviation, and by more than `floor`. (Hampel, 1974; 1.4826 makes the
    median absolute deviation an estimate of the standard deviation of normal noise.)

    Parameters
    ----------
    values : ndarray, (n,)
        Samples, no NaN.
    half : int
        Half width of the window [samples].
    factor, floor : float
        Limits [-, unit of the channel]; the floor keeps quiet stretches (deviation 0) from flagging one step.

    Returns
    -------
    ndarray of bool, (n,), or None
        None when there is no spike.
    """
    width = 2 * half + 1
    if values.size < width or not np.isfinite(floor):
        return None
    check = _departures(values, half, floor)
    if check.size == 0:
        return None
    first = np.clip(check - half, 0, values.size - width)
    bad = np.zeros(values.size, dtype=np.bool_)
    for start in range(0, check.size, _CHUNK):
        part, head = check[start : start + _CHUNK], first[start : start + _CHUNK]
        window = values[head[:, None] + np.arange(width)]
        middle = np.median(window, axis=1)
        spread = 1.4826 * np.median(np.abs(window - middle[:, None]), axis=1)
        off = np.abs(values[part] - middle)
        bad[part] = (off > factor * spread) & (off > floor)
    return bad if bad.any() else None


def _departures(values: FloatArray, half: int, floor: float) -> IntArray:
    """Find the samples that can differ from the median of their window by more than `floor`, without sorting.

    Half of the window and one sample more then lie beyond `floor` from the sample. Inside the log some pair at equal
    distance before and after it must; and some single step must exceed `floor` / `half`, which most stretches never do.
    """
    found = [np.arange(min(half, values.size)), np.arange(max(0, values.size - half), values.size)]
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
        found.append(np.flatnonzero(near) + start)
    return np.unique(np.concatenate(found))


def constant_runs(time: FloatArray, values: FloatArray, longest: float) -> list[tuple[int, int]]:
    """Find runs of one value that last at least `longest` seconds, as (first, past-last) sample indices."""
    if values.size < 3 or time[-1] - time[0] < longest:
        return []
    # A run that long holds two neighbouring points of a grid of a third of its length: most logs are done here.
    grid = np.searchsorted(time, np.arange(time[0], time[-1], longest / 3.0))
    alike = np.flatnonzero(values[grid[1:]] == values[grid[:-1]])
    if not any((values[grid[k] : grid[k + 1]] == values[grid[k]]).all() for k in alike):
        return []
    same = np.concatenate(([False], values[1:] == values[:-1], [False]))
    turns = np.flatnonzero(same[1:] != same[:-1])
    begin, end = turns[::2], turns[1::2] + 1
    lasts = (time[end - 1] - time[begin] >= longest) & (end - begin >= 3)
    return [(int(a), int(b)) for a, b in zip(begin[lasts], end[lasts], strict=True)]
