"""Time base: rows into a strictly increasing elapsed time, with an account of what was wrong with it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from intake_report.clean.model import BoolArray, FloatArray, IntArray, QualityEntry, entry
from intake_report.messages import Count, Listing, Part, Value, message

# All limits of this step are choices of this package.
GAP = 2.0  # s: a longer pause between rows is reported ...
_GAP_INTERVALS = 5.0  # ... when it is also longer than so many usual intervals of the rows
_COARSE_SHARE = 0.2  # of rows that repeat the time of the row before: from here on it is the clock that is coarse
_TWICE = 1.5  # rows in the seconds that a backward step claims, over what fits in them: 1 late rows, 2 a clock set back
_UNKNOWN_PAUSE = 60.0  # s: a clock set back by more was restarted, and nobody knows how long it was off
_SAMPLED = 50_000  # steps that the usual interval is taken from
_NAMED = 5  # places that a sentence names


class TimeBase(NamedTuple):
    """Repaired times of the rows that are kept [s], non-decreasing; `order` is their row of the log, None for file order."""

    time: FloatArray
    order: IntArray | None
    entries: tuple[QualityEntry, ...]


def repair(time: FloatArray, columns: Sequence[FloatArray] = ()) -> TimeBase:
    """Put rows in order of time and name what was found.

    A backward step is either a clock that was set back (rows before and after claim the same seconds: their order in
    the file is the evidence, later times are moved on) or rows written late (their seconds are otherwise empty:
    sorted). Many equal times mean a clock coarser than the rows; the rows are spread evenly inside each tick.

    `time` (n,) in file order [s] may step backwards or repeat; `columns` (n,): values by channel, NaN = no sample.
    Rows of one time that complement each other (no channel twice) are one message in several rows, not a coarse clock.
    """
    entries: list[QualityEntry] = []

    def account(step: str, rows: int, template: str, /, **values: Part) -> None:
        entries.append(entry(step, "time", rows, time.size, template, **values))

    t, order = time, None
    if t.size < 2:
        return TimeBase(t, order, ())
    steps = np.diff(t)
    step = _usual_step(steps)
    if steps.min() < 0.0:
        t, more = _set_back_clock(t, step, time.size)
        entries += more
        sort = np.argsort(t, kind="stable")
        late = int(np.count_nonzero(sort != np.arange(sort.size)))
        if late:
            back = Count(int(np.sum(np.diff(t) < 0.0)), "backward step")
            text = "{rows} out of order of time ({steps}), sorted"
            account("rows-out-of-order", late, text, rows=Count(late, "row"), steps=back)
            t, order = t[sort], sort
        steps = np.diff(t)
    tied = steps == 0.0
    repeats = int(np.count_nonzero(tied))
    if repeats > _COARSE_SHARE * t.size and not _complementary(tied, order, columns):
        t, tick = _spread(t)
        steps = np.diff(t)
        step = _usual_step(steps)
        text = "the clock counts in steps of {tick}, coarser than the rows; rows were spread evenly inside each step"
        account("coarse-clock", repeats, text, tick=Value(tick, "time", 3))
    limit = max(GAP, _GAP_INTERVALS * step)
    at = np.flatnonzero(steps > limit)
    if at.size:
        longest = at[np.argmax(steps[at])]
        times = {"limit": limit, "all": steps[at].sum(), "longest": steps[longest], "at": t[longest]}
        said = {name: Value(float(time), "time", 1) for name, time in times.items()}
        text = "{pauses} of more than {limit}, {all} in all; longest {longest} at {at}"
        account("gap", int(at.size), text, pauses=Count(int(at.size), "pause"), **said)
    return TimeBase(t, order, tuple(entries))


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


def _set_back_clock(t: FloatArray, step: float, rows: int) -> tuple[FloatArray, list[QualityEntry]]:
    """Move times on where the clock was set back; late rows, of which other backward steps tell, stay where they are."""
    at = np.flatnonzero(t[1:] < t[:-1])
    ranked = np.sort(t)
    high, low = t[at], t[at + 1]
    claimed = np.searchsorted(ranked, high, side="right") - np.searchsorted(ranked, low, side="left")
    # Late rows fill seconds that are otherwise empty (ratio near 1); a set-back clock counts the same seconds twice.
    twice = claimed / ((high - low) / max(step, 1e-9) + 1.0) > _TWICE
    if not twice.any():
        return t, []
    high, low = high[twice], low[twice]
    moved = np.zeros(t.size)
    moved[at[twice] + 1] = high - low + step
    unknown = float((high - low).max()) > _UNKNOWN_PAUSE
    text = (
        "the clock was set back by {places}{more}; rows keep their order in the file and later times are moved on by {by} in "
        "all.{pause}"
    )
    named = zip(high[:_NAMED].tolist(), (high - low).tolist(), strict=False)
    places = [message("{by} at {at}", by=Value(by, "time", 3), at=Value(at, "time", 1)) for at, by in named]
    more = message(" and at {n} more places", n=high.size - _NAMED) if high.size > _NAMED else ""
    pause = " The true pause at a step of more than a minute is unknown." if unknown else ""
    words = {"places": Listing(tuple(places)), "more": more, "by": Value(float(moved.sum()), "time", 3), "pause": pause}
    return t + np.cumsum(moved), [entry("clock-set-back", "time", high.size, rows, text, **words)]


def _complementary(tied: BoolArray, order: IntArray | None, columns: Sequence[FloatArray]) -> bool:
    """Whether no channel has a sample in two neighbouring rows of one time."""
    for values in columns:
        present = ~np.isnan(values if order is None else values[order])
        if (present[1:] & present[:-1] & tied).any():
            return False
    return bool(columns)


def _spread(t: FloatArray) -> tuple[FloatArray, float]:
    """Spread rows that share a clock tick evenly over it; returns the times and the tick [s]."""
    ticks, starts, counts = np.unique(t, return_index=True, return_counts=True)
    if ticks.size < 2:
        return t, 0.0
    tick = float(np.median(np.diff(ticks)))
    width = np.minimum(np.append(np.diff(ticks), tick), tick)
    place = (np.arange(t.size) - np.repeat(starts, counts)) / np.repeat(counts, counts)
    return np.repeat(ticks, counts) + place * np.repeat(width, counts), tick
