"""The chain of the cleaning steps for one run: time base, true samples, masks (True = bad), each step accounted for."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from intake_report.clean.masks import FROZEN_SPEED, SLOW_FIX, Masker
from intake_report.clean.model import CleanRun, Columns, FloatArray, IntArray, QualityEntry, Reach, entry
from intake_report.clean.sampling import OWN_TIMES, find_pattern, row_groups, true_samples
from intake_report.loaders.base import RunLog
from intake_report.messages import Count, Listing, Message, Part, Value, message

# A position is slow when fixes lie farther apart than SLOW_FIX on the move, or when less of the rows there than this share
# bring a new one; that is judged on so many rows in the middle of the log, and on so many fixes at least.
_FRESH, _LOOKED_AT, _LEAST_FIXES = 0.5, 200_000, 20
_NAMED = 5  # places that a sentence names
_FIRST = ("rpm", "ambient", "speed")  # channels that the steps of others look at
# Limits of the time base are choices of this package.
GAP = 2.0  # s: a longer pause between rows is reported ...
_GAP_INTERVALS = 5.0  # ... when it is also longer than so many usual intervals of the rows
_COARSE_SHARE = 0.2  # of rows that repeat the time of the row before: from here on it is the clock that is coarse
_TWICE = 1.5  # rows in the seconds that a backward step claims, over what fits in them: 1 late rows, 2 a clock set back
_UNKNOWN_PAUSE = 60.0  # s: a clock set back by more was restarted, and nobody knows how long it was off
_SAMPLED = 50_000  # steps that the usual interval is taken from


def clean(log: RunLog, resolution: Mapping[str, float] | None = None) -> CleanRun:
    """Clean one run, as mapped, and account for every step: time base, then true samples, then masks.

    No value is altered and none is interpolated; cleaning a cleaned run again changes neither data nor masks. `resolution`:
    declared for the instrument by channel [internal unit]; else the catalogue's.
    """
    rows = len(log.frame)
    columns = {str(name): log.frame.iloc[:, j].to_numpy(dtype=np.float64) for j, name in enumerate(log.frame)}
    quality = [entry(n.code, n.column or "", n.count or 0, max(rows, n.count or 0), n.text) for n in log.notices]
    reach = {name: (float(v.min()), float(v.max())) if rows else (0.0, 0.0) for name, v in columns.items()}
    whole = {name: ends for name, ends in reach.items() if np.isfinite(ends).all()}
    base = repair(log.frame.index.to_numpy(dtype=np.float64), list(columns.values()))
    quality += base.entries
    if base.order is not None:
        columns = {name: values[base.order] for name, values in columns.items()}
    kept, more = _sample_rows(base.time, columns, whole)
    quality += more
    fixes = _fixes(base.time, columns, kept)
    if fixes is not None:
        kept |= {"latitude": fixes[0], "longitude": fixes[0]}
        quality.append(fixes[1])
    time, columns, kept = _reduced(base.time, columns, kept, whole)
    if time.size and not (time[1:] > time[:-1]).all():
        whole = {name: ends for name, ends in whole.items() if name not in kept}
        merged = pd.DataFrame(columns, index=time).groupby(level=0).last()
        reason = "rows that repeat the time of the row before were merged; the last sample of each channel stays"
        quality.append(entry("duplicate-times", "time", time.size - len(merged), time.size, reason))
        time, columns = merged.index.to_numpy(), {name: merged[name].to_numpy() for name in columns}
        kept = {}
    # Without copying: a long log that needed no change is shared with the cleaned run.
    frame = pd.DataFrame(columns, index=pd.Index(time, name="time"), copy=False)

    masker = Masker(time, columns, resolution or {}, kept, whole)
    for name in sorted(columns, key=lambda n: n not in _FIRST):
        masker.channel(name)
    masker.frozen_position()
    every = np.diff(time)
    sampling = {name: masker.sampling(name, every, rows) for name in columns}
    masks = pd.DataFrame(masker.bad.T, index=frame.index, columns=frame.columns, copy=False)
    quality += masker.entries
    return CleanRun(log.run, log.start, frame, masks, sampling, tuple(quality), tuple(log.sources))


def _sample_rows(time: FloatArray, columns: Columns, whole: Reach) -> tuple[dict[str, IntArray], list[QualityEntry]]:
    """Find the rows of the true samples of every channel that repeats values, and say how each was decided."""
    entries = []
    kept: dict[str, IntArray] = {}
    decided: set[str] = set()
    for members, rows in row_groups(columns, whole):
        decided.update(members)
        part = {name: columns[name] if rows is None else columns[name][rows] for name in members}
        with np.errstate(over="ignore", invalid="ignore"):  # absurd numbers are masked later
            decisions, slips = find_pattern(part)
        for name in members:
            at = true_samples(part[name], decisions[name], slips)
            present = part[name].size if name in whole else int(np.count_nonzero(~np.isnan(part[name])))
            if at is not None:
                kept[name] = at if rows is None else rows[at]
            repeats = 0 if at is None else present - at.size
            entries.append(entry("true-samples", name, repeats, present, decisions[name].reason))
        if len(slips):
            clock = time if rows is None else time[rows]
            cycle = max(decision.period for decision in decisions.values())
            entries.append(entry("cycle-slip", "time", len(slips), clock.size, _slipped(slips, clock, cycle)))
    for name, values in columns.items():
        if name not in decided:
            samples = int(np.count_nonzero(~np.isnan(values)))
            reason = OWN_TIMES.reason if samples else "the channel has no sample"
            entries.append(entry("true-samples", name, 0, samples, reason))
    return kept, entries


def _fixes(time: FloatArray, columns: Columns, kept: Mapping[str, IntArray]) -> tuple[IntArray, QualityEntry] | None:
    """Return the rows at which a slow or coarse position was really refreshed, and say so; None where it is neither."""
    speed = next((columns[name] for name in ("speed", "gps_speed") if name in columns), None)
    if speed is None or not {"latitude", "longitude"} <= columns.keys():
        return None
    latitude, longitude = columns["latitude"], columns["longitude"]
    rows = kept.get("latitude")
    samples = time.size if rows is None else rows.size
    middle = max(0, samples - _LOOKED_AT) // 2
    window = slice(middle, min(samples, middle + _LOOKED_AT))
    seen = np.arange(window.start, window.stop) if rows is None else rows[window]

    def changes(at: IntArray) -> IntArray:
        at = at[~np.isnan(latitude[at]) & ~np.isnan(longitude[at])]
        moved = (latitude[at[1:]] != latitude[at[:-1]]) | (longitude[at[1:]] != longitude[at[:-1]])
        return at[np.append(True, moved)] if at.size else at

    at = changes(seen)  # a vehicle that drives changes its place: one that is repeated meanwhile is no fix
    known = seen[0] + np.flatnonzero(~np.isnan(speed[seen[0] : seen[-1] + 1])) if seen.size else seen
    if at.size < _LEAST_FIXES or known.size == 0:
        return None
    driven = np.interp(time[at], time[known], speed[known]) > FROZEN_SPEED
    apart = np.diff(time[at])[driven[1:] & driven[:-1]]
    repeated = np.interp(time[seen], time[known], speed[known]) > FROZEN_SPEED
    interval = float(np.median(apart)) if apart.size else 0.0
    if interval <= SLOW_FIX and np.count_nonzero(driven) >= _FRESH * np.count_nonzero(repeated):
        return None
    fixes = changes(np.arange(samples) if rows is None else rows)
    reason = "the position is refreshed about every {interval} only; the rows between repeat the last fix and are none themselves"
    every = Value(interval, "time", 1)
    return fixes, entry("slow-position", "latitude", samples - fixes.size, samples, reason, interval=every)


def _slipped(slips: IntArray, clock: FloatArray, cycle: int) -> Message:
    places = []
    for row, by in slips[:_NAMED].tolist():
        lost = float(by if 2 * by <= cycle else by - cycle)  # a cycle of ten rows that is nine rows late has lost one
        at = Value(float(clock[row]), "time", 1)
        places.append(message("{by} at about {at}", by=Value(lost, "number", 0, signed=True), at=at))
    more = message(" and {n} more", n=len(slips) - _NAMED) if len(slips) > _NAMED else ""
    text = "the polling cycle is displaced by lost (−) or repeated (+) rows, in all {places}{more}"
    return message(text, places=Listing(tuple(places)), more=more)


def _reduced(
    time: FloatArray, columns: dict[str, FloatArray], kept: dict[str, IntArray], whole: Reach
) -> tuple[FloatArray, dict[str, FloatArray], dict[str, IntArray]]:
    """Return times, columns, and rows of the samples of reduced channels; rows without any sample are left out before copying."""
    if not kept:
        return time, columns, kept
    some = np.zeros(time.size, dtype=np.bool_)
    for name, values in columns.items():
        some[kept[name] if name in kept else slice(None) if name in whole else ~np.isnan(values)] = True
    rows = slice(None) if some.all() else some
    place = np.cumsum(some) - 1
    moved = {name: place[at] for name, at in kept.items()}
    result = {name: values[rows] for name, values in columns.items() if name not in kept}
    for name, at in kept.items():
        result[name] = np.full(np.count_nonzero(some), np.nan)
        result[name][moved[name]] = columns[name][at]
    return time[rows], {name: result[name] for name in columns}, moved


class TimeBase(NamedTuple):
    """Repaired times of the rows that are kept [s], non-decreasing; `order` is their row of the log, None for file order."""

    time: FloatArray
    order: IntArray | None
    entries: tuple[QualityEntry, ...]


def repair(time: FloatArray, columns: Sequence[FloatArray] = ()) -> TimeBase:
    """Put rows in order of time [s] and name what was found.

    A backward step is either a clock that was set back (rows before and after claim the same seconds: their order in
    the file is the evidence, later times are moved on) or rows written late (their seconds are otherwise empty:
    sorted). Many equal times mean a clock coarser than the rows, which are spread evenly inside each tick, unless rows
    of one time complement each other in `columns` (no channel twice): they are one message in several rows.
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
        if late := int(np.count_nonzero(sort != np.arange(sort.size))):
            back = Count(int(np.sum(np.diff(t) < 0.0)), "backward step")
            text = "{rows} out of order of time ({steps}), sorted"
            account("rows-out-of-order", late, text, rows=Count(late, "row"), steps=back)
            t, order = t[sort], sort
        steps = np.diff(t)
    tied = steps == 0.0
    repeats = int(np.count_nonzero(tied))
    coarse = repeats > _COARSE_SHARE * t.size
    if coarse and columns:  # but rows of one time in which no channel has two samples are one message
        present = (~np.isnan(values if order is None else values[order]) for values in columns)
        coarse = any((has[1:] & has[:-1] & tied).any() for has in present)
    if coarse:
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


def _spread(t: FloatArray) -> tuple[FloatArray, float]:
    """Spread rows that share a clock tick evenly over it; returns the times and the tick [s]."""
    ticks, starts, counts = np.unique(t, return_index=True, return_counts=True)
    if ticks.size < 2:
        return t, 0.0
    tick = float(np.median(np.diff(ticks)))
    width = np.minimum(np.append(np.diff(ticks), tick), tick)
    place = (np.arange(t.size) - np.repeat(starts, counts)) / np.repeat(counts, counts)
    return np.repeat(ticks, counts) + place * np.repeat(width, counts), tick
