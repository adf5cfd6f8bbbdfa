"""The chain of the cleaning steps for one run."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from intake_report.channels import CHANNELS
from intake_report.clean.masks import Masker
from intake_report.clean.model import (
    BoolArray,
    CleanRun,
    CleanSettings,
    FloatArray,
    QualityEntry,
    Sampling,
    entry,
    gap_limit,
)
from intake_report.clean.quantisation import quantisation_step
from intake_report.clean.reduction import true_samples
from intake_report.clean.sampling import Pattern, find_pattern
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
    quality = [entry(n.code, n.column or "", n.count or 0, max(rows, n.count or 0), n.text) for n in log.notices]

    base = repair(log.frame.index.to_numpy(dtype=np.float64), settings, raw)
    quality += base.entries
    columns = raw if base.order is None else [values[base.order] for values in raw]
    pattern = find_pattern(dict(zip(names, columns, strict=True)))
    time, columns, found = _reduce(base.time, names, columns, pattern)
    quality += found
    if columns is raw and base.order is None:
        frame = log.frame.rename_axis("time")
        if frame.index.dtype != np.float64:
            frame.index = pd.Index(time, name="time")
    else:
        frame = pd.DataFrame(dict(zip(names, columns, strict=True)), index=pd.Index(time, name="time"), copy=False)

    bad = np.zeros((len(names), time.size), dtype=np.bool_)
    masker = Masker(time, dict(zip(names, columns, strict=True)), bad, settings)
    for name in sorted(names, key=lambda n: (n not in _FIRST, names.index(n))):
        masker.channel(name)
    masker.frozen_position()
    quality += masker.entries
    sampling = {}
    for name, values in zip(names, columns, strict=True):
        sampling[name], found = _sampling(name, time, values, bad[names.index(name)], rows, settings)
        quality += found
    quality += _jumps(masker)
    masks = pd.DataFrame(bad.T, index=frame.index, columns=frame.columns, copy=False)
    return CleanRun(log.run, log.start, frame, masks, sampling, tuple(quality), tuple(log.sources))


def _reduce(
    time: FloatArray, names: list[str], columns: list[FloatArray], pattern: Pattern
) -> tuple[FloatArray, list[FloatArray], list[QualityEntry]]:
    """Reduce repeats to true samples, leave out rows without any, merge rows of one time."""
    entries = []
    reduced = list(columns)
    any_kept: BoolArray | None = None
    touched = False
    for j, name in enumerate(names):
        decision = pattern.decisions[name]
        keep = true_samples(columns[j], decision, pattern.slips)
        if keep is not None:
            before = int(np.count_nonzero(~np.isnan(columns[j])))
            reduced[j] = np.where(keep, columns[j], np.nan)
            touched = True
            repeats = before - int(np.count_nonzero(keep))
            entries.append(entry("true-samples", name, repeats, before, decision.reason))
        elif decision.kind not in ("every-row", "empty"):
            entries.append(entry("true-samples", name, 0, time.size, decision.reason))
        if touched:
            keep = ~np.isnan(reduced[j]) if keep is None else keep
            any_kept = keep if any_kept is None else any_kept | keep
    for row, by in pattern.slips:
        entries.append(
            entry(
                "cycle-slip",
                "time",
                1,
                time.size,
                f"the polling cycle is displaced by {by} rows in all from about"
                f" {time[min(row, time.size - 1)]:.1f} s on: rows were lost or repeated",
            )
        )
    if touched and any_kept is not None:
        for j, name in enumerate(names):
            # Channels ahead of the first reduced one have not been counted yet.
            if pattern.decisions[name].kind in ("every-row", "own-times", "unseen"):
                any_kept |= ~np.isnan(reduced[j])
        if not any_kept.all():
            time = time[any_kept]
            reduced = [values[any_kept] for values in reduced]
    if time.size and not (time[1:] > time[:-1]).all():
        total = time.size
        time, reduced, merged = merge_ties(time, reduced)
        touched = True
        entries.append(
            entry(
                "duplicate-times",
                "time",
                merged,
                total,
                "rows that repeat the time of the row before were merged; the last sample of each channel stays",
            )
        )
    return time, reduced if touched else columns, entries


def _sampling(
    name: str,
    time: FloatArray,
    values: FloatArray,
    bad: BoolArray,
    rows: int,
    settings: CleanSettings,
) -> tuple[Sampling, list[QualityEntry]]:
    """Measure the true interval and the step of one channel; report pauses longer than its limit."""
    entries = []
    present = ~np.isnan(values)
    samples = int(np.count_nonzero(present))
    at = time if samples == values.size else time[present]
    steps = np.diff(at)
    interval = float(np.median(steps)) if steps.size else math.nan
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
    good = values if samples == values.size and not bad.any() else values[present & ~bad]
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
