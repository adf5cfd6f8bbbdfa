"""Masks of the channels of one run (True = bad), each step accounted for."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from intake_report.channels import CHANNELS
from intake_report.clean import faults
from intake_report.clean.model import BoolArray, CleanSettings, FloatArray, IntArray, QualityEntry, entry
from intake_report.clean.quantisation import quantisation_step

_FLOW_HEATED = ("iat", "charge")  # air temperatures that are one with the engine's air only while it flows
_SHOULD_MOVE = ("rpm", "maf", "map", "load", "absolute_load", "timing", "gps_speed", "fuel_rate")  # while driving
_WHOLE_RUN = 300.0  # s; shorter logs may well hold one value
_POSITION_RATE = 1.0e-3  # degrees of latitude per second: about 400 km/h, faster than any road vehicle
_POSITION_SLACK = 1.5e-4  # half the allowance for the scatter of a position fix, about 17 m


class Masker:
    """Masks of all channels; later channels look at the good samples of earlier ones."""

    def __init__(
        self,
        time: FloatArray,
        columns: Mapping[str, FloatArray],
        bad: BoolArray,
        settings: CleanSettings,
        present: Mapping[str, IntArray],
        whole: Mapping[str, tuple[float, float]],
    ):
        self.time = time
        self.columns = columns
        self.row = {name: j for j, name in enumerate(columns)}
        self.bad = bad
        self.settings = settings
        self.entries: list[QualityEntry] = []
        self._rows: dict[str, IntArray | None] = {}
        self._good: dict[str, tuple[FloatArray, FloatArray]] = {}
        # Rows of the samples of each channel; None where every row has one.
        self.present: dict[str, IntArray | None] = dict(present)
        # Extremes of the channels that have a sample in every row: known beforehand, a pass over a long log costs time.
        self._reach = {name: reach for name, reach in whole.items() if name not in present}
        for name, values in columns.items():
            if name in self._reach:
                self.present[name] = None
            elif name not in present:
                self.present[name] = np.flatnonzero(~np.isnan(values)) if faults.has_gaps(values) else None

    def good(self, name: str) -> tuple[FloatArray, FloatArray]:
        """Return times and values of the good samples of a channel that has been masked already."""
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

    def _indices(self, name: str) -> IntArray | None:
        """Return the rows of the good samples of `name`, None when every row is one."""
        values = self.columns.get(name)
        if values is None:
            return None
        if name not in self._rows:
            bad, present = self.bad[self.row[name]], self.present[name]
            if not bad.any():
                self._rows[name] = present
            else:
                self._rows[name] = np.flatnonzero(~bad) if present is None else present[~bad[present]]
        return self._rows[name]

    def _mark(self, step: str, name: str, at: IntArray | None, mask: BoolArray | None, reason: str) -> None:
        """Add a mask over the samples at rows `at` (None: all rows) and account for it."""
        if mask is None or not mask.any():
            return
        row = self.bad[self.row[name]]
        hit = np.flatnonzero(mask) if at is None else at[mask]
        fresh = int(np.count_nonzero(~row[hit]))
        row[hit] = True
        self._good.pop(name, None)
        self._rows.pop(name, None)
        present = self.present[name]
        if fresh:
            samples = self.time.size if present is None else present.size
            self.entries.append(entry(step, name, fresh, samples, reason))

    def channel(self, name: str) -> None:
        """Apply every step to one channel; a name outside the catalogue has no limits to check against."""
        known = CHANNELS.get(name)
        at = self.present[name]
        values = self.columns[name] if at is None else self.columns[name][at]
        if known is None or values.size == 0:
            return
        reach = self._reach[name] if name in self._reach else faults.extremes(values)
        duration = float(self.time[-1] - self.time[0])
        if reach[0] == reach[1] and values.size >= 50 and duration >= _WHOLE_RUN:
            reason = (
                f"reads {reach[0]:g} over the whole run of {duration:.0f} s, as a sensor that is not connected would"
            )
            self.entries.append(entry("constant", name, values.size, values.size, reason))
        step = self.settings.resolution.get(name) or known.resolution
        codes = faults.fault_codes(values, known.fault_codes, step, reach)
        self._mark("fault-code", name, at, codes, f"reads a code that means no sensor ({_list(known.fault_codes)})")
        outside = faults.outside(values, known.low, known.high, reach)
        self._mark("implausible", name, at, outside, f"outside the plausible range {known.low:g} to {known.high:g}")
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
        self._mark(
            "spike",
            name,
            at,
            mask,
            f"stands out from the {2 * self.settings.hampel_half + 1} samples around by more"
            f" than {self.settings.hampel_factor:g} robust standard deviations and {floor:.3g}",
        )

    def _position_rate(self, name: str) -> float:
        """Fastest plausible change of a coordinate [degrees per second]."""
        if name == "latitude":
            return _POSITION_RATE
        latitude = self.good("latitude")[1]
        if latitude.size == 0:
            return _POSITION_RATE
        middle = float(np.median(latitude[:: max(1, latitude.size // 10_000)]))
        return _POSITION_RATE / max(math.cos(math.radians(middle)), 0.05)

    def _engine_off(self, name: str) -> None:
        """Keep air temperatures out while no air flows, and until the sensor has settled after a start."""
        rpm_time, rpm = self.good("rpm")
        time, values = self.good(name)
        if rpm.size == 0 and values.size:
            reason = "without engine speed, readings of a standing engine cannot be told apart and are not masked"
            self.entries.append(entry("engine-off-unknown", name, 0, values.size, reason))
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
            self._mark(
                "restart",
                name,
                at,
                mask,
                f"still more than {settings.settle_margin:g} K below ambient within"
                f" {settings.settle_longest:g} s of a start; lowest reading kept out {values[mask].min():g}",
            )

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
        self._mark(
            "stuck",
            name,
            at,
            bad,
            f"one value for {self.settings.stuck:g} s or longer while the speed changes by 20 km/h or more",
        )

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
