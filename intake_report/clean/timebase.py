"""Time base: rows into a strictly increasing elapsed time, with an account of what was wrong with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from intake_report.clean.model import BoolArray, CleanSettings, FloatArray, IntArray, QualityEntry, entry
from intake_report.loaders.base import plural

_COARSE_SHARE = 0.2  # of rows that repeat the time of the row before: from here on it is the clock that is coarse

_LOOKED_AT = 500  # backward steps tested one by one for parallel sources; a sound log has a handful
_SHUFFLED = 0.05  # share of backward steps from which the file order says little about the usual interval


@dataclass(frozen=True)
class TimeBase:
    """Repaired times of the rows that are kept.

    Parameters
    ----------
    time : ndarray, (m,)
        Elapsed time [s], non-decreasing; equal times remain where rows repeat a time.
    order : ndarray of int, (m,), or None
        Row of the log behind each time; None: all rows in file order.
    step : float
        Usual interval between rows [s]; NaN with fewer than two rows.
    entries : tuple of QualityEntry
        The account.
    """

    time: FloatArray
    order: IntArray | None
    step: float
    entries: tuple[QualityEntry, ...]


def repair(time: FloatArray, settings: CleanSettings, columns: Sequence[FloatArray] = ()) -> TimeBase:
    """Put rows in order of time and name what was found.

    A backward step is either a clock that was set back (rows before and after claim the same seconds: their order in
    the file is the evidence, later times are moved on) or rows written late (their seconds are otherwise empty:
    sorted). Many equal times mean a clock coarser than the rows; the rows are spread evenly inside each tick.

    Parameters
    ----------
    time : ndarray, (n,)
        Elapsed times in file order [s]; may be NaN, step backwards or repeat.
    settings : CleanSettings
        Limits.
    columns : sequence of ndarray, (n,)
        Values by channel, NaN = no sample. Rows of one time that complement each other (no channel twice) are one
        message written in several rows, not a coarse clock.

    Returns
    -------
    TimeBase
        Times and the rows they belong to.
    """
    rows = time.size
    entries: list[QualityEntry] = []
    order: IntArray | None = None
    t = time
    if not np.isfinite(t).all():
        order = np.flatnonzero(np.isfinite(t))
        t = t[order]
        entries.append(entry("time-missing", "time", rows - t.size, rows, "rows without a readable time are left out"))
    if t.size < 2:
        return TimeBase(t, order, float("nan"), tuple(entries))
    steps = np.diff(t)
    step = _usual_step(steps)
    if steps.min() < 0.0:
        present = columns if order is None else [values[order] for values in columns]
        t, sort, found = _backward(t, steps, step, rows, present)
        entries += found
        if sort is not None:
            t = t[sort]
            order = sort if order is None else order[sort]
        steps = np.diff(t)
    if steps.min() == 0.0:
        tied = int(np.count_nonzero(steps == 0.0))
        if tied > _COARSE_SHARE * t.size and not _complementary(steps == 0.0, order, columns):
            t, tick = _spread(t)
            steps = np.diff(t)
            step = _usual_step(steps)
            entries.append(
                entry(
                    "coarse-clock",
                    "time",
                    tied,
                    rows,
                    f"the clock counts in steps of {tick:.6g} s, coarser than the rows;"
                    " rows were spread evenly inside each step",
                )
            )
    entries += _gaps(t, steps, step, rows, settings)
    return TimeBase(t, order, step, tuple(entries))


def _usual_step(steps: FloatArray) -> float:
    """Median interval of a strided sample of the non-negative steps [s]."""
    sample = steps[:: max(1, steps.size // 50_000)]
    sample = sample[sample >= 0.0]
    positive = sample[sample > 0.0]
    if positive.size == 0:
        positive = steps[steps > 0.0]
        return float(np.median(positive)) if positive.size else 0.0
    # With many ties the median over all is zero; then the mean number of rows per tick decides.
    middle = float(np.median(sample))
    return middle if middle > 0.0 else float(np.median(positive)) * positive.size / sample.size


def _backward(
    t: FloatArray, steps: FloatArray, step: float, rows: int, columns: Sequence[FloatArray]
) -> tuple[FloatArray, IntArray | None, list[QualityEntry]]:
    """Resolve backward steps: move times on after a set-back clock, sort late rows."""
    at = np.flatnonzero(steps < 0.0)
    ranked = np.sort(t)
    high, low = t[at], t[at + 1]
    if at.size > _SHUFFLED * t.size:
        # Neighbours in a shuffled file are not neighbours in time.
        step = _usual_step(np.diff(ranked)) or step
    claimed = np.searchsorted(ranked, high, side="right") - np.searchsorted(ranked, low, side="left")
    # Late rows fill seconds that are otherwise empty (ratio near 1); a set-back clock counts the same seconds twice.
    twice = claimed / ((high - low) / max(step, 1e-9) + 1.0) > 1.5
    # Two sources that recorded at once also count the same seconds twice, but in different channels.
    for k in np.flatnonzero(twice)[:_LOOKED_AT]:
        twice[k] = not _parallel(t, at, k, columns)
    entries: list[QualityEntry] = []
    if twice.any():
        moved = np.zeros(t.size)
        jump = (high - low + step)[twice]
        moved[at[twice] + 1] = jump
        back = high[twice] - low[twice]
        where = ", ".join(f"{b:.3f} s at {h:.1f} s" for b, h in zip(back[:5], high[twice][:5], strict=True))
        more = f" and {back.size - 5} more" if back.size > 5 else ""
        longest = " The true pause at a step of more than a minute is unknown." if back.max() > 60.0 else ""
        entries.append(
            entry(
                "clock-set-back",
                "time",
                int(back.size),
                rows,
                f"the clock was set back by {where}{more}; rows keep their order in the file and later times are"
                f" moved on by {jump.sum():.3f} s in all.{longest}",
            )
        )
        t = t + np.cumsum(moved)
    if (t[1:] >= t[:-1]).all():
        return t, None, entries
    sort = np.argsort(t, kind="stable")
    late = int(np.count_nonzero(sort != np.arange(sort.size)))
    entries.append(
        entry(
            "rows-out-of-order",
            "time",
            late,
            rows,
            f"{plural(late, 'row')} out of order of time ({plural(int((~twice).sum()), 'backward step')}), sorted",
        )
    )
    return t, sort, entries


def _parallel(t: FloatArray, at: IntArray, k: int, columns: Sequence[FloatArray]) -> bool:
    """Whether the rows before and after backward step `k` share no channel in the seconds that both claim."""
    if not columns:
        return False
    begin = int(at[k - 1]) + 1 if k else 0
    middle = int(at[k]) + 1
    end = int(at[k + 1]) + 1 if k + 1 < at.size else t.size
    before = np.flatnonzero(t[begin:middle] >= t[middle]) + begin
    after = np.flatnonzero(t[middle:end] <= t[middle - 1]) + middle
    shared = (bool((~np.isnan(v[before])).any() and (~np.isnan(v[after])).any()) for v in columns)
    return not any(shared)


def _complementary(tied: BoolArray, order: IntArray | None, columns: Sequence[FloatArray]) -> bool:
    """Whether no channel has a sample in two neighbouring rows of one time."""
    if not columns:
        return False
    for values in columns:
        present = ~np.isnan(values if order is None else values[order])
        if (present[1:] & present[:-1] & tied).any():
            return False
    return True


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


def _gaps(t: FloatArray, steps: FloatArray, step: float, rows: int, settings: CleanSettings) -> list[QualityEntry]:
    """Report pauses in the rows."""
    limit = max(settings.gap, 5.0 * step)
    if float(steps.max()) <= limit:
        return []
    at = np.flatnonzero(steps > limit)
    longest = at[np.argmax(steps[at])]
    return [
        entry(
            "gap",
            "time",
            int(at.size),
            rows,
            f"{plural(at.size, 'pause')} of more than {limit:.3g} s, {steps[at].sum():.1f} s in"
            f" all; longest {steps[longest]:.1f} s at {t[longest]:.1f} s",
        )
    ]


def merge_ties(time: FloatArray, columns: list[FloatArray]) -> tuple[FloatArray, list[FloatArray], int]:
    """Merge rows of equal time into one: the last sample of each channel stays.

    Parameters
    ----------
    time : ndarray, (n,)
        Non-decreasing [s].
    columns : list of ndarray, (n,)
        Values, NaN = no sample.

    Returns
    -------
    time, columns, merged
        Strictly increasing time, columns of the same length, number of rows merged away.
    """
    first: BoolArray = np.concatenate(([True], time[1:] > time[:-1])) if time.size else np.zeros(0, dtype=np.bool_)
    merged = int(time.size - np.count_nonzero(first))
    if merged == 0:
        return time, columns, 0
    group = np.cumsum(first) - 1
    size = time.size - merged
    result = []
    for values in columns:
        kept = np.full(size, np.nan)
        present = np.flatnonzero(~np.isnan(values))
        # Assignment through repeated indices keeps the last one.
        kept[group[present]] = values[present]
        result.append(kept)
    return time[first], result, merged
