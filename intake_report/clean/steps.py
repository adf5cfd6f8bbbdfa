"""The chain of the cleaning steps for one run: time base, true samples, masks (True = bad), each step accounted for."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from intake_report.clean.masks import FROZEN_SPEED, SLOW_FIX, Masker
from intake_report.clean.model import CleanRun, Columns, FloatArray, IntArray, QualityEntry, Reach, entry
from intake_report.clean.sampling import OWN_TIMES, find_pattern, row_groups, true_samples
from intake_report.clean.timebase import repair
from intake_report.loaders.base import RunLog
from intake_report.messages import Listing, Message, Value, message

# A position is slow when fixes lie farther apart than SLOW_FIX on the move, or when less of the rows there than this share
# bring a new one; that is judged on so many rows in the middle of the log, and on so many fixes at least.
_FRESH, _LOOKED_AT, _LEAST_FIXES = 0.5, 200_000, 20
_NAMED = 5  # places that a sentence names
_FIRST = ("rpm", "ambient", "speed")  # channels that the steps of others look at


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
            keep = true_samples(part[name], decisions[name], slips)
            present = part[name].size if name in whole else int(np.count_nonzero(~np.isnan(part[name])))
            repeats = 0
            if keep is not None:
                at = np.flatnonzero(keep)
                kept[name] = at if rows is None else rows[at]
                repeats = present - at.size
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
    """Return the rows at which a slow or coarse position was really refreshed, and say so; None where it is neither.

    A vehicle that drives changes its place, so a place that is repeated meanwhile is the last one, not a fix.
    """
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

    at = changes(seen)
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
    return message(
        "the polling cycle is displaced by lost (−) or repeated (+) rows, in all {places}{more}",
        places=Listing(tuple(places)),
        more=message(" and {n} more", n=len(slips) - _NAMED) if len(slips) > _NAMED else "",
    )


def _reduced(
    time: FloatArray, columns: dict[str, FloatArray], kept: dict[str, IntArray], whole: Reach
) -> tuple[FloatArray, dict[str, FloatArray], dict[str, IntArray]]:
    """Return times, columns, and rows of the samples of reduced channels; rows without any sample are left out before copying."""
    if not kept:
        return time, columns, kept
    some = np.zeros(time.size, dtype=np.bool_)
    for name, values in columns.items():
        if name in kept:
            some[kept[name]] = True
        elif name in whole:
            some[:] = True
            break
        else:
            some |= ~np.isnan(values)
    every = bool(some.all())
    place = np.cumsum(some) - 1
    moved = kept if every else {name: place[rows] for name, rows in kept.items()}
    result = {}
    for name, values in columns.items():
        if name in kept:
            result[name] = np.full(np.count_nonzero(some), np.nan)
            result[name][moved[name]] = values[kept[name]]
        else:
            result[name] = values if every else values[some]
    return time if every else time[some], result, moved
