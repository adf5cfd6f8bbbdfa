"""Time base: rows into a strictly increasing elapsed time, with an account of what was wrong with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from intake_report.clean.model import BoolArray, FloatArray, IntArray, QualityEntry, entry
from intake_report.messages import Count, Listing, Message, Value, message

# All limits of this step are choices of this package.
GAP = 2.0  # s: a longer pause between rows is reported ...
_GAP_INTERVALS = 5.0  # ... when it is also longer than so many usual intervals of the rows
_COARSE_SHARE = 0.2  # of rows that repeat the time of the row before: from here on it is the clock that is coarse
_LOOKED_AT = 500  # backward steps tested one by one for parallel sources; a sound log has a handful
_SHUFFLED = 0.05  # share of backward steps from which the file order says little about the usual interval
_TWICE = 1.5  # rows in the seconds that a backward step claims, over what fits in them: 1 late rows, 2 a clock set back
_UNKNOWN_PAUSE = 60.0  # s: a clock set back by more was restarted, and nobody knows how long it was off
_SAMPLED = 50_000  # steps that the usual interval is taken from
_LONGEST_DRIVE, _FEW = 2.0 * 86_400.0, 0.01  # s; share of rows whose times may lie farther away and are left out
_NAMED = 5  # places that a sentence names


@dataclass(frozen=True)
class TimeBase:
    """Repaired times of the rows that are kept [s], non-decreasing; `order` is their row of the log, None for file order."""

    time: FloatArray
    order: IntArray | None
    entries: tuple[QualityEntry, ...]


def repair(time: FloatArray, columns: Sequence[FloatArray] = ()) -> TimeBase:
    """Put rows in order of time and name what was found.

    A backward step is either a clock that was set back (rows before and after claim the same seconds: their order in
    the file is the evidence, later times are moved on) or rows written late (their seconds are otherwise empty:
    sorted). Many equal times mean a clock coarser than the rows; the rows are spread evenly inside each tick.

    `time` (n,) in file order [s] may be NaN, step backwards or repeat; `columns` (n,): values by channel, NaN = no sample.
    Rows of one time that complement each other (no channel twice) are one message in several rows, not a coarse clock.
    """
    rows = time.size
    entries: list[QualityEntry] = []
    order: IntArray | None = None
    t = time
    if not np.isfinite(t).all():
        order = np.flatnonzero(np.isfinite(t))
        t = t[order]
        reason = message("rows without a readable time are left out")
        entries.append(entry("time-missing", "time", rows - t.size, rows, reason))
    absurd = _absurd(t)
    if absurd.any():
        order = (np.arange(rows) if order is None else order)[~absurd]
        t = t[~absurd]
        reason = message("{rows} with a time far from all others left out", rows=Count(int(absurd.sum()), "row"))
        entries.append(entry("time-absurd", "time", int(absurd.sum()), rows, reason))
    if t.size < 2:
        return TimeBase(t, order, tuple(entries))
    steps = np.diff(t)
    step = _usual_step(steps)
    if steps.min() < 0.0:
        t, sort, more = _backward(t, step, rows, columns if order is None else [values[order] for values in columns])
        entries += more
        if sort is not None:
            t = t[sort]
            order = sort if order is None else order[sort]
        steps = np.diff(t)
    tied = steps == 0.0
    repeats = int(np.count_nonzero(tied))
    if repeats > _COARSE_SHARE * t.size and not _complementary(tied, order, columns):
        t, tick = _spread(t)
        steps = np.diff(t)
        step = _usual_step(steps)
        reason = message(
            "the clock counts in steps of {tick}, coarser than the rows; rows were spread evenly inside each step",
            tick=Value(tick, "time", 3),
        )
        entries.append(entry("coarse-clock", "time", repeats, rows, reason))
    at = np.flatnonzero(steps > max(GAP, _GAP_INTERVALS * step))
    if at.size:
        longest = at[np.argmax(steps[at])]
        reason = message(
            "{pauses} of more than {limit}, {all} in all; longest {longest} at {at}",
            pauses=Count(int(at.size), "pause"),
            limit=Value(max(GAP, _GAP_INTERVALS * step), "time", 1),
            all=Value(float(steps[at].sum()), "time", 1),
            longest=Value(float(steps[longest]), "time", 1),
            at=Value(float(t[longest]), "time", 1),
        )
        entries.append(entry("gap", "time", int(at.size), rows, reason))
    return TimeBase(t, order, tuple(entries))


def _absurd(t: FloatArray) -> BoolArray:
    """Mark the few times that lie far from all others: corrupt, since no drive lasts for days."""
    far = np.zeros(t.size, dtype=np.bool_)
    if t.size == 0 or float(t.max()) - float(t.min()) <= _LONGEST_DRIVE:
        return far
    low, middle, high = np.quantile(t, (_FEW, 0.5, 1.0 - _FEW))
    with np.errstate(over="ignore"):
        far = np.abs(t - middle) > _LONGEST_DRIVE + 10.0 * (high - low)
    return far if np.count_nonzero(far) <= _FEW * t.size else np.zeros(t.size, dtype=np.bool_)


def _usual_step(steps: FloatArray) -> float:
    """Median interval of a strided sample of the non-negative steps [s]."""
    sample = steps[:: max(1, steps.size // _SAMPLED)]
    sample = sample[sample >= 0.0]
    positive = sample[sample > 0.0]
    if positive.size == 0:
        positive = steps[steps > 0.0]
        return float(np.median(positive)) if positive.size else 0.0
    # With many ties the median over all is zero; then the mean number of rows per tick decides.
    middle = float(np.median(sample))
    return middle if middle > 0.0 else float(np.median(positive)) * positive.size / sample.size


def _backward(
    t: FloatArray, step: float, rows: int, columns: Sequence[FloatArray]
) -> tuple[FloatArray, IntArray | None, list[QualityEntry]]:
    """Resolve backward steps: move times on after a set-back clock, sort late rows."""
    at = np.flatnonzero(t[1:] < t[:-1])
    ranked = np.sort(t)
    high, low = t[at], t[at + 1]
    if at.size > _SHUFFLED * t.size:
        # Neighbours in a shuffled file are not neighbours in time.
        step = _usual_step(np.diff(ranked)) or step
    claimed = np.searchsorted(ranked, high, side="right") - np.searchsorted(ranked, low, side="left")
    # Late rows fill seconds that are otherwise empty (ratio near 1); a set-back clock counts the same seconds twice.
    twice = claimed / ((high - low) / max(step, 1e-9) + 1.0) > _TWICE
    # Two sources that recorded at once also count the same seconds twice, but in different channels.
    for k in np.flatnonzero(twice)[:_LOOKED_AT]:
        twice[k] = not _parallel(t, at, k, columns)
    entries: list[QualityEntry] = []
    if twice.any():
        jump = (high - low + step)[twice]
        moved = np.zeros(t.size)
        moved[at[twice] + 1] = jump
        entries.append(entry("clock-set-back", "time", jump.size, rows, _set_back(high[twice], low[twice], jump)))
        t = t + np.cumsum(moved)
    if (t[1:] >= t[:-1]).all():
        return t, None, entries
    sort = np.argsort(t, kind="stable")
    late = int(np.count_nonzero(sort != np.arange(sort.size)))
    reason = message(
        "{rows} out of order of time ({steps}), sorted",
        rows=Count(late, "row"),
        steps=Count(int(np.count_nonzero(~twice)), "backward step"),
    )
    entries.append(entry("rows-out-of-order", "time", late, rows, reason))
    return t, sort, entries


def _set_back(high: FloatArray, low: FloatArray, jump: FloatArray) -> Message:
    places = [
        message("{by} at {at}", by=Value(float(h - b), "time", 3), at=Value(float(h), "time", 1))
        for h, b in zip(high[:_NAMED], low[:_NAMED], strict=True)
    ]
    return message(
        "the clock was set back by {places}{more}; rows keep their order in the file and later times are moved on by {by} in "
        "all.{pause}",
        places=Listing(tuple(places)),
        more=message(" and at {n} more places", n=high.size - _NAMED) if high.size > _NAMED else "",
        by=Value(float(jump.sum()), "time", 3),
        pause=message(" The true pause at a step of more than a minute is unknown.")
        if float((high - low).max()) > _UNKNOWN_PAUSE
        else "",
    )


def _parallel(t: FloatArray, at: IntArray, k: int, columns: Sequence[FloatArray]) -> bool:
    """Whether the rows before and after backward step `k` share no channel in the seconds that both claim."""
    if not columns:
        return False
    begin = int(at[k - 1]) + 1 if k else 0
    middle = int(at[k]) + 1
    end = int(at[k + 1]) + 1 if k + 1 < at.size else t.size
    before = np.flatnonzero(t[begin:middle] >= t[middle]) + begin
    after = np.flatnonzero(t[middle:end] <= t[middle - 1]) + middle
    return not any((~np.isnan(v[before])).any() and (~np.isnan(v[after])).any() for v in columns)


def _complementary(tied: BoolArray, order: IntArray | None, columns: Sequence[FloatArray]) -> bool:
    """Whether no channel has a sample in two neighbouring rows of one time."""
    for values in columns:
        present = ~np.isnan(values if order is None else values[order])
        if (present[1:] & present[:-1] & tied).any():
            return False
    return bool(columns)


def _spread(t: FloatArray) -> tuple[FloatArray, float]:
    """Spread rows that share a clock tick evenly over it; returns the times and the tick [s]."""
    starts = np.flatnonzero(np.concatenate(([True], t[1:] != t[:-1])))
    counts = np.diff(np.append(starts, t.size))
    ticks = t[starts]
    if ticks.size < 2:
        return t, 0.0
    tick = float(np.median(np.diff(ticks)))
    width = np.minimum(np.append(np.diff(ticks), tick), tick)
    place = (np.arange(t.size) - np.repeat(starts, counts)) / np.repeat(counts, counts)
    return np.repeat(ticks, counts) + place * np.repeat(width, counts), tick


def merge_ties(time: FloatArray, columns: list[FloatArray]) -> tuple[FloatArray, list[FloatArray], int]:
    """Merge rows of equal time into one: the last sample of each channel stays.

    Returns strictly increasing times [s], columns of the same length, and the number of rows merged away.
    """
    first = np.concatenate(([True], time[1:] > time[:-1]))
    merged = int(time.size - np.count_nonzero(first))
    group = np.cumsum(first) - 1
    result = []
    for values in columns:
        kept = np.full(time.size - merged, np.nan)
        present = np.flatnonzero(~np.isnan(values))
        # Assignment through repeated indices keeps the last one.
        kept[group[present]] = values[present]
        result.append(kept)
    return time[first], result, merged
