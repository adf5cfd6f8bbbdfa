"""The chain of the cleaning steps for one run."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd

from intake_report.channels import CHANNELS
from intake_report.clean import faults
from intake_report.clean.model import (
    BoolArray,
    CleanRun,
    CleanSettings,
    FloatArray,
    QualityEntry,
    Sampling,
    entry,
)
from intake_report.clean.quantisation import quantisation_step
from intake_report.clean.sampling import Pattern, find_pattern, true_samples
from intake_report.clean.timebase import merge_ties, repair
from intake_report.loaders.base import RunLog

_FLOW_HEATED = ("iat", "charge")  # air temperatures that are one with the engine's air only while it flows
_FIRST = ("rpm", "ambient", "speed")  # channels that the steps of others look at
_SHOULD_MOVE = ("rpm", "maf", "map", "load", "absolute_load", "timing", "gps_speed", "fuel_rate")  # while driving
_POSITION_RATE = 1.0e-3  # degrees of latitude per second: about 400 km/h, faster than any road vehicle
_POSITION_SLACK = 1.5e-4  # half the allowance for the scatter of a position fix, about 17 m


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
    quality = [
        entry(n.code, n.column or "", n.count or 0, max(rows, n.count or 0), n.text) for n in log.notices
    ]  # fmt: skip

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
    masker = _Masker(time, dict(zip(names, columns, strict=True)), bad, settings)
    for name in sorted(names, key=lambda n: (n not in _FIRST, names.index(n))):
        masker.channel(name)
    masker.frozen_position()
    quality += masker.entries
    sampling = {}
    for name, values in zip(names, columns, strict=True):
        sampling[name], found = _sampling(name, time, values, bad[names.index(name)], rows, pattern, settings)
        quality += found
    quality += _jumps(masker, base.step)
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
            entry("cycle-slip", "time", 1, time.size, f"the polling cycle is displaced by {by} rows in all from about"
                  f" {time[min(row, time.size - 1)]:.1f} s on: rows were lost or repeated")
        )  # fmt: skip
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
        entries.append(entry("duplicate-times", "time", merged, total, "rows that repeat the time of the row before were"
                             " merged; the last sample of each channel stays"))  # fmt: skip
    return time, reduced if touched else columns, entries


class _Masker:
    """Masks of all channels; later channels look at the good samples of earlier ones."""

    def __init__(self, time: FloatArray, columns: Mapping[str, FloatArray], bad: BoolArray, settings: CleanSettings):
        self.time = time
        self.columns = columns
        self.row = {name: j for j, name in enumerate(columns)}
        self.bad = bad
        self.settings = settings
        self.entries: list[QualityEntry] = []
        self._good: dict[str, tuple[FloatArray, FloatArray]] = {}

    def good(self, name: str) -> tuple[FloatArray, FloatArray]:
        """Times and values of the good samples of a channel that has been masked already."""
        if name not in self._good:
            at = self._indices(name)
            values = self.columns.get(name)
            empty = np.zeros(0)
            if values is None:
                self._good[name] = (empty, empty)
            elif at is None:
                self._good[name] = (self.time, values)
            else:
                self._good[name] = (self.time[at], values[at])
        return self._good[name]

    def _indices(self, name: str) -> np.ndarray | None:
        """Rows of the good samples of `name`, None when every row is one."""
        values = self.columns.get(name)
        if values is None:
            return None
        absent = np.isnan(values)
        bad = self.bad[self.row[name]]
        if not absent.any() and not bad.any():
            return None
        return np.flatnonzero(~absent & ~bad)

    def _mark(self, step: str, name: str, at: np.ndarray | None, mask: BoolArray | None, reason: str) -> None:
        """Add a mask over the samples at rows `at` (None: all rows) and account for it."""
        if mask is None or not mask.any():
            return
        row = self.bad[self.row[name]]
        hit = np.flatnonzero(mask) if at is None else at[mask]
        fresh = int(np.count_nonzero(~row[hit]))
        row[hit] = True
        self._good.pop(name, None)
        samples = int(np.count_nonzero(~np.isnan(self.columns[name])))
        if fresh:
            self.entries.append(entry(step, name, fresh, samples, reason))

    def channel(self, name: str) -> None:
        """Apply every step to one channel; a name outside the catalogue has no limits to check against."""
        known = CHANNELS.get(name)
        values = self.columns[name]
        if known is None or values.size == 0:
            return
        step = self.settings.resolution.get(name) or known.resolution
        codes = faults.fault_codes(values, known.fault_codes, step)
        self._mark("fault-code", name, None, codes, f"reads a code that means no sensor ({_list(known.fault_codes)})")
        outside = faults.outside(values, known.low, known.high)
        self._mark("implausible", name, None, outside, f"outside the plausible range {known.low:g} to {known.high:g}")
        if name in _FLOW_HEATED:
            self._engine_off(name)
        rate = known.max_rate
        if name in ("latitude", "longitude"):
            rate, step = self._position_rate(name), _POSITION_SLACK
        if rate is None:
            self._stuck(name)
            return
        self._rates(name, rate, step)
        self._stuck(name)

    def _rates(self, name: str, rate: float, step: float | None) -> None:
        """Mask impossible rates, then spikes."""
        at = self._indices(name)
        time, values = self.good(name)
        if values.size < 2:
            return
        step = step if step is not None else quantisation_step(values)[0] or 0.0
        mask, note = faults.impossible_rates(time, values, rate, step)
        self._mark(
            "impossible-rate", name, at, mask, f"cannot be reached from the last good sample at {rate:g} per second"
        )
        if note:
            self.entries.append(entry("rate-not-applied", name, 0, values.size, note))
            return
        at = self._indices(name)
        time, values = self.good(name)
        if values.size < 2:
            return
        interval = float(np.median(np.diff(time[:: max(1, time.size // 50_000)]))) / max(1, time.size // 50_000)
        floor = rate * interval + 3.0 * step
        mask = faults.spikes(values, self.settings.hampel_half, self.settings.hampel_factor, floor)
        self._mark("spike", name, at, mask, f"stands out from the {2 * self.settings.hampel_half + 1} samples around by more"
                   f" than {self.settings.hampel_factor:g} robust standard deviations and {floor:.3g}")  # fmt: skip

    def _position_rate(self, name: str) -> float:
        """Fastest plausible change of a coordinate [degrees per second]."""
        if name == "latitude":
            return _POSITION_RATE
        latitude = self.columns.get("latitude")
        middle = float(np.nanmedian(latitude[:: max(1, latitude.size // 10_000)])) if latitude is not None else 0.0
        return _POSITION_RATE / max(math.cos(math.radians(middle)), 0.05) if math.isfinite(middle) else _POSITION_RATE

    def _engine_off(self, name: str) -> None:
        """Keep air temperatures out while no air flows, and until the sensor has settled after a start."""
        rpm_time, rpm = self.good("rpm")
        time, values = self.good(name)
        if rpm.size == 0 or values.size == 0:
            return
        settings = self.settings
        at = self._indices(name)
        mask, starts = faults.engine_off(time, rpm_time, rpm, settings.running, settings.settle)
        reason = f"engine below {settings.running:g} rpm, or started less than {settings.settle:g} s before"
        if mask.any():
            self._mark("engine-off", name, at, mask, f"{reason}; highest reading kept out {values[mask].max():g}")
        ambient_time, ambient = self.good("ambient")
        if starts.size == 0 or ambient.size == 0 or name != "iat":
            return
        at = self._indices(name)
        time, values = self.good(name)
        if values.size == 0:
            return
        outside = np.interp(time, ambient_time, ambient)
        mask = faults.unsettled(time, values, outside, starts, settings.settle_margin, settings.settle_longest)
        if mask.any():
            self._mark("restart", name, at, mask, f"still more than {settings.settle_margin:g} K below ambient within"
                       f" {settings.settle_longest:g} s of a start; lowest reading kept out {values[mask].min():g}")  # fmt: skip

    def _stuck(self, name: str) -> None:
        """Mask a fast channel that repeats one value while the vehicle's speed changes."""
        if name not in _SHOULD_MOVE or "speed" not in self.columns:
            return
        time, values = self.good(name)
        at = self._indices(name)
        speed_time, speed = self.good("speed")
        bad = np.zeros(values.size, dtype=np.bool_)
        for first, last in faults.constant_runs(time, values, self.settings.stuck):
            inside = speed[np.searchsorted(speed_time, time[first]) : np.searchsorted(speed_time, time[last - 1])]
            if inside.size and np.ptp(inside) >= 20.0:
                bad[first:last] = True
        self._mark("stuck", name, at, bad, f"one value for {self.settings.stuck:g} s or longer while the speed changes by"
                   " 20 km/h or more")  # fmt: skip

    def frozen_position(self) -> None:
        """Mask a position that stands still for 10 s or longer while the vehicle drives."""
        if not {"latitude", "longitude", "speed"} <= self.columns.keys():
            return
        time, latitude = self.good("latitude")
        at = self._indices("latitude")
        speed_time, speed = self.good("speed")
        bad = np.zeros(latitude.size, dtype=np.bool_)
        for first, last in faults.constant_runs(time, latitude, 10.0):
            inside = speed[np.searchsorted(speed_time, time[first]) : np.searchsorted(speed_time, time[last - 1])]
            if inside.size and inside.min() > 20.0:
                bad[first + 1 : last] = True
        if bad.any():
            reason = "the position stands still for 10 s or longer while the vehicle drives faster than 20 km/h"
            rows = np.flatnonzero(bad) if at is None else at[bad]
            for name in ("latitude", "longitude"):
                present = rows[~np.isnan(self.columns[name][rows])]
                self._mark("stuck", name, present, np.ones(present.size, dtype=np.bool_), reason)


def _list(numbers: tuple[float, ...]) -> str:
    return " or ".join(f"{number:g}" for number in numbers)


def _sampling(
    name: str,
    time: FloatArray,
    values: FloatArray,
    bad: BoolArray,
    rows: int,
    pattern: Pattern,
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
    limit = known.max_gap if known else math.inf
    if steps.size and float(steps.max()) > limit:
        long = steps > limit
        entries.append(
            entry("channel-gap", name, int(np.count_nonzero(long)), samples, f"pauses longer than {limit:g} s, the limit for"
                  f" interpolation, {steps[long].sum():.1f} s in all; nothing is interpolated across them")
        )  # fmt: skip
    good = values if samples == values.size and not bad.any() else values[present & ~bad]
    declared = settings.resolution.get(name) or (known.resolution if known else None)
    step, share = quantisation_step(good, declared)
    if step is not None and declared is not None and abs(step / declared - 1.0) > 0.05:
        given = "declared" if name in settings.resolution else "usual"
        entries.append(
            entry("resolution", name, 0, samples, f"the readings move in steps of {step:.4g} ({share:.0%} of samples), the"
                  f" {given} resolution is {declared:.4g}; the larger one belongs into the uncertainty")
        )  # fmt: skip
    elif step is not None and share < 0.98:
        entries.append(
            entry("interpolated", name, round((1.0 - share) * good.size), good.size, f"readings lie beside the steps of"
                  f" {step:.4g}: the log holds interpolated values between readings")
        )  # fmt: skip
    return Sampling(interval, samples, rows, step), entries


def _jumps(masker: _Masker, step: float) -> list[QualityEntry]:
    """Flag pauses of a minute or more over which the speed does not change: more likely a clock set forward."""
    time, speed = masker.good("speed")
    if speed.size < 2 or not time[-1] - time[0] > 60.0:
        return []
    found = []
    for i in np.flatnonzero(np.diff(time) >= 60.0):
        before, after = speed[i], speed[i + 1]
        if before > 20.0 and abs(after - before) <= 0.05 * before:
            found.append(
                entry("clock-jump", "time", 1, time.size, f"{time[i + 1] - time[i]:.1f} s pass at {time[i]:.1f} s while the"
                      f" speed stays at {before:.0f} km/h: the clock may have been set forward; times are kept")
            )  # fmt: skip
    return found
