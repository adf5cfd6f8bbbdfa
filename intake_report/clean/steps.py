"""The chain of the cleaning steps for one run."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd

from intake_report.channels import CHANNELS
from intake_report.clean.masks import Masker
from intake_report.clean.model import (
    CleanRun,
    CleanSettings,
    FloatArray,
    IntArray,
    QualityEntry,
    Sampling,
    entry,
    gap_limit,
)
from intake_report.clean.quantisation import quantisation_step
from intake_report.clean.reduction import true_samples
from intake_report.clean.sampling import OWN_TIMES, find_pattern, row_groups
from intake_report.clean.timebase import merge_ties, repair
from intake_report.loaders.base import RunLog

_FIRST = ("rpm", "ambient", "speed")  # channels that the steps of others look at


def clean(log: RunLog, settings: CleanSettings | None = None) -> CleanRun:
    """Clean one run and account for every step.

    Time base, then true samples, then masks; no value is altered and none is interpolated.

    Parameters
    ----------
    log : RunLog
        The run as mapped; internal units; float columns, NaN = no sample.
    settings : CleanSettings, optional
        Limits.

    Returns
    -------
    CleanRun
        Cleaning a cleaned run again changes neither data nor masks.
    """
    settings = settings or CleanSettings()
    names = [str(name) for name in log.frame.columns]
    raw = [log.frame.iloc[:, j].to_numpy(dtype=np.float64) for j in range(len(names))]
    rows = len(log.frame)
    shared = all(dtype == np.float64 for dtype in log.frame.dtypes) and log.frame.index.dtype == np.float64
    quality = [entry(n.code, n.column or "", n.count or 0, max(rows, n.count or 0), n.text) for n in log.notices]

    whole: dict[str, tuple[float, float]] = {}
    for j, name in enumerate(names):
        reach = (float(np.min(raw[j])), float(np.max(raw[j]))) if rows else (0.0, 0.0)
        if np.isfinite(reach).all():
            whole[name] = reach
            continue
        endless = np.isinf(raw[j])
        if endless.any():
            raw[j] = np.where(endless, np.nan, raw[j])
            shared = False
            reason = "infinite numbers are no readings and count as missing"
            quality.append(entry("not-finite", name, int(np.count_nonzero(endless)), rows, reason))
    clock = log.frame.index.to_numpy(dtype=np.float64)
    base = repair(clock, settings, raw)
    quality += base.entries
    columns = raw if base.order is None else [values[base.order] for values in raw]
    time, columns, present, found = _reduce(base.time, names, columns, whole)
    quality += found
    if shared and columns is raw and time is clock:
        frame = log.frame.rename_axis("time")  # nothing was moved, so the data are shared rather than copied
    else:
        frame = pd.DataFrame(dict(zip(names, columns, strict=True)), index=pd.Index(time, name="time"), copy=False)

    bad = np.zeros((len(names), time.size), dtype=np.bool_)
    masker = Masker(time, dict(zip(names, columns, strict=True)), bad, settings, present, whole)
    for name in sorted(names, key=lambda n: (n not in _FIRST, names.index(n))):
        masker.channel(name)
    masker.frozen_position()
    quality += masker.entries
    sampling = {}
    every = np.diff(time)
    for name in names:
        sampling[name], found = _sampling(name, every, masker, rows, settings)
        quality += found
    quality += _jumps(masker)
    masks = pd.DataFrame(bad.T, index=frame.index, columns=frame.columns, copy=False)
    return CleanRun(log.run, log.start, frame, masks, sampling, tuple(quality), tuple(log.sources))


def _reduce(
    time: FloatArray, names: list[str], columns: list[FloatArray], whole: Mapping[str, tuple[float, float]]
) -> tuple[FloatArray, list[FloatArray], dict[str, IntArray], list[QualityEntry]]:
    """Reduce repeats to true samples, leave out rows without any, merge rows of one time.

    Returns times, columns (the same list when nothing was reduced), the rows of the samples of each reduced channel, and
    the account.
    """
    series = dict(zip(names, columns, strict=True))
    kept, entries = _sample_rows(time, series, whole)
    if kept:
        time, columns, kept = _build(time, series, kept, whole)
    if time.size and not (time[1:] > time[:-1]).all():
        total = time.size
        time, columns, merged = merge_ties(time, columns)
        kept = {}
        reason = "rows that repeat the time of the row before were merged; the last sample of each channel stays"
        entries.append(entry("duplicate-times", "time", merged, total, reason))
    return time, columns, kept, entries


def _sample_rows(
    time: FloatArray, series: Mapping[str, FloatArray], whole: Mapping[str, tuple[float, float]]
) -> tuple[dict[str, IntArray], list[QualityEntry]]:
    """Find the rows of the true samples of every channel that repeats values, and say how each was decided."""
    entries = []
    kept: dict[str, IntArray] = {}
    grouped: set[str] = set()
    for members, rows in row_groups(series, whole):
        grouped.update(members)
        part = {name: series[name] if rows is None else series[name][rows] for name in members}
        with np.errstate(over="ignore", invalid="ignore"):  # absurd numbers are masked later
            pattern = find_pattern(part)
        for name in members:
            decision = pattern.decisions[name]
            keep = true_samples(part[name], decision, pattern.slips)
            present = int(np.count_nonzero(~np.isnan(part[name]))) if name not in whole else part[name].size
            repeats = 0
            if keep is not None:
                at = np.flatnonzero(keep)
                kept[name] = at if rows is None else rows[at]
                repeats = present - at.size
            entries.append(entry("true-samples", name, repeats, present, decision.reason))
        if len(pattern.slips):
            clock = time if rows is None else time[rows]
            cycle = max(decision.period for decision in pattern.decisions.values())
            # A cycle of ten rows that is nine rows late has lost one.
            rows_off = [int(by) if 2 * by <= cycle else int(by) - cycle for by in pattern.slips[:, 1]]
            slipped = ", ".join(
                f"{by:+d} at about {clock[row]:.1f} s" for row, by in zip(pattern.slips[:5, 0], rows_off, strict=False)
            )
            more = f" and {len(rows_off) - 5} more" if len(rows_off) > 5 else ""
            reason = f"the polling cycle is displaced by lost (-) or repeated (+) rows, in all {slipped}{more}"
            entries.append(entry("cycle-slip", "time", len(rows_off), clock.size, reason))
    for name, values in series.items():
        if name not in grouped:
            samples = int(np.count_nonzero(~np.isnan(values)))
            reason = OWN_TIMES.reason if samples else "the channel has no sample"
            entries.append(entry("true-samples", name, 0, samples, reason))
    return kept, entries


def _build(
    time: FloatArray,
    series: Mapping[str, FloatArray],
    kept: dict[str, IntArray],
    whole: Mapping[str, tuple[float, float]],
) -> tuple[FloatArray, list[FloatArray], dict[str, IntArray]]:
    """Build the columns from the sample rows; rows without any sample are left out before anything is copied."""
    some = np.zeros(time.size, dtype=np.bool_)
    for name, values in series.items():
        if name in kept:
            some[kept[name]] = True
        elif name not in whole:
            some |= ~np.isnan(values)
        else:
            some[:] = True
            break
    size = int(np.count_nonzero(some))
    if size < time.size:
        place = np.cumsum(some) - 1
        moved = {name: place[rows] for name, rows in kept.items()}
    else:
        moved = kept
    columns = []
    for name, values in series.items():
        if name in kept:
            column = np.full(size, np.nan)
            column[moved[name]] = values[kept[name]]
        else:
            column = values if size == time.size else values[some]
        columns.append(column)
    return time if size == time.size else time[some], columns, moved


def _sampling(
    name: str,
    every: FloatArray,
    masker: Masker,
    rows: int,
    settings: CleanSettings,
) -> tuple[Sampling, list[QualityEntry]]:
    """Measure the true interval and the step of one channel; report pauses longer than its limit.

    `every` holds the steps between all rows, shared by the channels that have a sample in each.
    """
    entries = []
    present = masker.present[name]
    samples = masker.time.size if present is None else present.size
    steps = every if present is None else np.diff(masker.time[present])
    interval = float(np.median(steps[:: max(1, steps.size // 200_000)])) if steps.size else math.nan
    known = CHANNELS.get(name)
    limit = gap_limit(name, interval)
    if steps.size and float(steps.max()) > limit:
        long = steps > limit
        entries.append(
            entry(
                "channel-gap",
                name,
                int(np.count_nonzero(long)),
                samples,
                f"pauses longer than {limit:g} s, the limit for"
                f" interpolation, {steps[long].sum():.1f} s in all; nothing is interpolated across them",
            )
        )
    good = masker.good(name)[1]
    declared = settings.resolution.get(name) or (known.resolution if known else None)
    step, share = quantisation_step(good, declared)
    if step is not None and declared is not None and abs(step / declared - 1.0) > 0.05:
        given = "declared" if name in settings.resolution else "usual"
        entries.append(
            entry(
                "resolution",
                name,
                0,
                samples,
                f"the readings move in steps of {step:.4g} ({share:.0%} of samples), the"
                f" {given} resolution is {declared:.4g}; the larger one belongs into the uncertainty",
            )
        )
    elif step is not None and share < 0.98:
        entries.append(
            entry(
                "interpolated",
                name,
                round((1.0 - share) * good.size),
                good.size,
                f"readings lie beside the steps of {step:.4g}: the log holds interpolated values between readings",
            )
        )
    return Sampling(interval, samples, rows, step), entries


def _jumps(masker: Masker) -> list[QualityEntry]:
    """Flag pauses of a minute or more over which the speed does not change: more likely a clock set forward."""
    time, speed = masker.good("speed")
    if speed.size < 2 or not time[-1] - time[0] > 60.0:
        return []
    found = []
    for i in np.flatnonzero(np.diff(time) >= 60.0):
        before, after = speed[i], speed[i + 1]
        if before > 20.0 and abs(after - before) <= 0.05 * before:
            found.append(
                entry(
                    "clock-jump",
                    "time",
                    1,
                    time.size,
                    f"{time[i + 1] - time[i]:.1f} s pass at {time[i]:.1f} s while the"
                    f" speed stays at {before:.0f} km/h: the clock may have been set forward; times are kept",
                )
            )
    return found
