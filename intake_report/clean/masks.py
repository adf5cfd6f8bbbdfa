"""Masks of all channels of a run (True = bad), each accounted for, and the true sampling of each."""

import math
from collections.abc import Mapping

import numpy as np

from intake_report.channels import CHANNELS
from intake_report.clean import faults, model
from intake_report.clean.model import BoolArray, FloatArray, IntArray, QualityEntry, Samples, Sampling, reading
from intake_report.messages import Count, Interval, Listing, Message, Part, Value, message

RUNNING = 400.0  # rpm: the engine runs from here; between cranking (below about 300) and idle (common practice)
_FLOW_HEATED = ("iat", "charge")  # air temperatures that are one with the engine's air only while it flows
_SETTLE = 30.0  # s: these are kept out for this long after the engine (re)starts (from the real commutes) ...
_SETTLE_LONGEST = 90.0  # s: ... and up to this while the intake reads below ambient by more than ...
_SETTLE_MARGIN = 2.0  # K: ... this, since an intake cannot be colder than the air it draws: it has not settled
_ENGINE = ("iat", "maf", "map", "load", "absolute_load", "throttle", "timing", "fuel_rate")  # of one control unit
# A control unit that says nothing new for so long [s] is off, where engine speed changes in so many of its samples: a
# running engine of the real drives never holds one speed for longer than 8 s, and changes it in 90 % of them.
_SILENT, _FLUTTER = 10.0, 0.5
_RESTARTS, _UNKNOWN = 2, 0.05  # restarts and share of the drive without intake temperature that make a start-stop drive
_WHOLE_RUN, _WHOLE_SAMPLES = 300.0, 50  # s and samples; shorter logs may well hold one value
# Spikes: half width of the window [true samples], and limit in robust standard deviations; 3 is the usual choice for
# clean laboratory data, road data has heavier tails (common practice). A spike also exceeds so many steps.
_HAMPEL_HALF, _HAMPEL_FACTOR, _HAMPEL_STEPS = 3, 5.0, 3.0
_SHOULD_MOVE = ("rpm", "maf", "map", "load", "absolute_load", "timing", "gps_speed", "fuel_rate")  # while driving
_STUCK, _STUCK_CHANGE = 60.0, 20.0  # s of one value while the speed changes by so much [km/h] (common practice)
_FROZEN, FROZEN_SPEED = 10.0, 20.0  # s of one position while the vehicle drives faster than this [km/h]
_POSITION_RATE = 1.0e-3  # degrees of latitude per second: about 400 km/h, faster than any road vehicle
_DEGREE, _WIDER = 111_200.0, 1.25  # m per degree of latitude; what a speedometer and a bend may take from the distance
SLOW_FIX = 5.5  # s between fixes on the move, from which a position is slow: a fix is judged by the way driven
_SLOW_SLACK = 3.0e-4  # the same where fixes are rare, with a second or two between the clocks of fix and speed
_POSITION_SLACK = 1.5e-4  # half the allowance for the scatter of a position fix, about 17 m
_OTHER_STEP = 0.05  # relative difference from the declared resolution from which a step is another one
_INTERPOLATED = 0.98  # share of samples on the steps below which the log holds values between readings
_SAMPLED = 50_000  # samples that a usual interval or place is taken from
_LEAST_SHRINK = 0.05  # of a degree of longitude against one of latitude: 87 degrees north


class Masker:
    """Masks of all channels; later channels look at the good samples of earlier ones."""

    def __init__(
        self, time: FloatArray, columns: model.Columns, resolution: Mapping[str, float],
        present: Mapping[str, IntArray], whole: model.Reach,
    ):  # fmt: skip
        self.time = time
        self.columns = columns
        self.row = {name: j for j, name in enumerate(columns)}
        self.bad = np.zeros((len(columns), time.size), dtype=np.bool_)
        self.resolution = resolution
        self.entries: list[QualityEntry] = []
        self._good: dict[str, tuple[IntArray | None, FloatArray, FloatArray]] = {}
        # Rows of the samples of each channel; None where every row has one.
        self.present: dict[str, IntArray | None] = dict(present)
        # Extremes of the channels that have a sample in every row: known beforehand, a pass over a long log costs time.
        self._reach = {name: reach for name, reach in whole.items() if name not in present}
        for name, values in columns.items():
            if name not in present:
                at = None if name in whole else np.flatnonzero(~np.isnan(values))
                self.present[name] = None if at is None or at.size == values.size else at

    def good(self, name: str) -> Samples:
        """Return times and values of the samples of a channel that are good so far; empty without the channel."""
        return self._samples(name)[1:]

    def _samples(self, name: str) -> tuple[IntArray | None, FloatArray, FloatArray]:
        """Return rows (None: every row), times and values of the samples of a channel that are good so far."""
        if name not in self.columns:
            return np.zeros(0, dtype=np.intp), np.zeros(0), np.zeros(0)
        if name not in self._good:
            at, bad, values = self.present[name], self.bad[self.row[name]], self.columns[name]
            if bad.any():
                at = np.flatnonzero(~bad) if at is None else at[~bad[at]]
            self._good[name] = (at, self.time, values) if at is None else (at, self.time[at], values[at])
        return self._good[name]

    def count(self, name: str) -> int:
        """Return the number of samples of a channel."""
        present = self.present[name]
        return self.time.size if present is None else present.size

    def _mark(self, step: str, name: str, mask: BoolArray | None, reason: str | Message, /, **values: Part) -> None:
        """Add a mask over the samples that are good so far, and account for it by a message, or a template with values."""
        if mask is None or not mask.any():
            return
        at = self._samples(name)[0]
        hit = np.flatnonzero(mask) if at is None else at[mask]
        self.bad[self.row[name]][hit] = True
        del self._good[name]
        self._note(step, name, hit.size, self.count(name), reason, **values)

    def _note(self, step: str, name: str, touched: int, total: int, reason: str | Message, /, **values: Part) -> None:
        self.entries.append(model.entry(step, name, touched, total, reason, **values))

    def channel(self, name: str) -> None:
        """Apply every step to one channel; a name outside the catalogue has no limits to check against."""
        known, values = CHANNELS.get(name), self.good(name)[1]
        if known is None or values.size == 0:
            return
        reach = self._reach[name] if name in self._reach else (float(values.min()), float(values.max()))
        duration = float(self.time[-1] - self.time[0])
        if reach[0] == reach[1] and values.size >= _WHOLE_SAMPLES and duration >= _WHOLE_RUN:
            text = "reads {value} over the whole run of {duration}, as a sensor that is not connected would"
            whole = Value(duration, "time", 0)
            self._note("constant", name, values.size, values.size, text, value=reading(name, reach[0]), duration=whole)
        step = self.resolution.get(name) or known.resolution
        codes = Listing(tuple(reading(name, code) for code in known.fault_codes), "or")
        bad = faults.fault_codes(values, known.fault_codes, step, reach)
        self._mark("fault-code", name, bad, "reads a code that means no sensor ({codes})", codes=codes)
        decimals = max(reading(name, limit).decimals or 0 for limit in (known.low, known.high))
        limits = Interval(known.low, known.high, known.quantity, decimals)
        values = self.good(name)[1]
        bad = (values < known.low) | (values > known.high) if reach[0] < known.low or reach[1] > known.high else None
        self._mark("implausible", name, bad, "outside the plausible range {limits}", limits=limits)
        if name in _FLOW_HEATED:
            self._engine_off(name)
        time, values = self.good(name)
        if name in ("latitude", "longitude"):
            self._position(name, time, values)
        elif known.max_rate is not None:
            step = step if step is not None else faults.quantisation_step(values)[0] or 0.0
            fastest = reading(name, known.max_rate, difference=True)
            reason = message("cannot be reached from the last good sample at {rate} per second", rate=fastest)
            self._rates(name, time, known.max_rate, step, reason)
        if name in _SHOULD_MOVE:
            self._stuck(name)

    def _rates(self, name: str, clock: FloatArray, rate: float, step: float, why: Message, smooth: bool = True) -> None:
        """Mask what cannot be reached at `rate` per unit of the `clock` of the good samples (n,), then, of `smooth` ones, spikes."""
        values = self.good(name)[1]
        mask, too_many = faults.impossible_rates(clock, values, rate, step)
        if too_many:
            text = (
                "{n} of {samples} values: {why}; too many for single faults, so nothing was masked: the channel is noisy, or "
                "its unit or time base is wrong"
            )
            self._note("rate-not-applied", name, 0, values.size, text, n=too_many, samples=values.size, why=why)
            return
        self._mark("impossible-rate", name, mask, why)
        values = self.good(name)[1]
        if values.size < 2 or not smooth:
            return
        clock = clock if mask is None else clock[~mask]
        stride = max(1, clock.size // _SAMPLED)
        floor = rate * float(np.median(np.diff(clock[::stride]))) / stride + _HAMPEL_STEPS * step
        text = "stands out from the {n} samples around by more than {factor} robust standard deviations and {floor}"
        limits = {"factor": Value(_HAMPEL_FACTOR, "number", 0), "floor": reading(name, floor, difference=True)}
        bad = faults.spikes(values, _HAMPEL_HALF, _HAMPEL_FACTOR, floor)
        self._mark("spike", name, bad, text, n=2 * _HAMPEL_HALF + 1, **limits)

    def _position(self, name: str, time: FloatArray, values: FloatArray) -> None:
        """Mask fixes that the vehicle cannot have reached: by the distance travelled where fixes are rare."""
        latitude, shrink = self.good("latitude")[1], 1.0
        if name == "longitude" and latitude.size:
            middle = float(np.median(latitude[:: max(1, latitude.size // _SAMPLED)]))
            shrink = max(math.cos(math.radians(middle)), _LEAST_SHRINK)
        clock, speed = self.good("speed")
        if time.size > 1 and clock.size > 1 and np.median(np.diff(time)) > SLOW_FIX:
            metres = np.append(0.0, np.cumsum(np.maximum(speed[1:], speed[:-1]) / 3.6 * np.diff(clock)))  # at most
            step = max(_SLOW_SLACK / shrink, faults.quantisation_step(values)[0] or 0.0)
            reason = message("lies farther from the last good fix than the vehicle has travelled since")
            self._rates(name, np.interp(time, clock, metres), _WIDER / _DEGREE / shrink, step, reason, smooth=False)
        else:
            reason = message("farther from the last good fix than any road vehicle can drive meanwhile")
            self._rates(name, time, _POSITION_RATE / shrink, _POSITION_SLACK, reason)

    def _engine_off(self, name: str) -> None:
        """Keep air temperatures out while no air flows, and until the sensor has settled after a start."""
        rpm_time, rpm = self._engine_speed()
        time, values = self.good(name)
        if values.size == 0:
            return
        if rpm.size == 0:
            text = "without engine speed, readings of a standing engine cannot be told apart and are not masked"
            self._note("engine-off-unknown", name, 0, values.size, text)
            return
        edges = np.flatnonzero(np.diff(np.concatenate(([True], rpm >= RUNNING, [True]))))
        times = np.concatenate(([-np.inf], rpm_time, [np.inf]))
        # it stands from the last running sample on, since the stop lies between samples
        stood = np.column_stack((times[edges[::2]], times[edges[1::2] + 1]))
        begin, end = np.searchsorted(time, stood[:, 0], side="right"), np.searchsorted(time, stood[:, 1] + _SETTLE)
        mask = faults.stretches(time.size, begin, end)
        if mask.any():
            text = "engine below {running} or silent, or started less than {settle} before; highest reading kept out {highest}"
            limits = {"running": Value(RUNNING, "engine_speed"), "settle": Value(_SETTLE, "time", 0)}
            self._mark("engine-off", name, mask, text, **limits, highest=reading(name, float(values[mask].max())))
        if name != "iat":
            return
        self._start_stop(stood)
        starts = stood[np.isfinite(stood[:, 1]), 1]
        time, values = self.good(name)
        ambient = self.good("ambient")
        if starts.size == 0 or ambient[0].size == 0 or values.size == 0:
            return
        # from each start past the last low sample within so long of it
        low = np.where(values < np.interp(time, *ambient) - _SETTLE_MARGIN, np.arange(time.size) + 1, 0)
        first, last = np.searchsorted(time, starts), np.searchsorted(time, starts + _SETTLE_LONGEST)
        past_low = np.append(0, np.maximum.accumulate(low))[last]
        mask = faults.stretches(time.size, first, np.maximum(past_low, first))
        if not mask.any():
            return
        text = "still more than {margin} below ambient within {longest} of a start; lowest reading kept out {lowest}"
        margin, longest = Value(_SETTLE_MARGIN, "temperature_difference"), Value(_SETTLE_LONGEST, "time", 0)
        lowest = reading(name, float(values[mask].min()))
        self._mark("restart", name, mask, text, margin=margin, longest=longest, lowest=lowest)

    def _engine_speed(self) -> Samples:
        """Return times and engine speeds; 0 while the control unit is silent, as in many cars with start-stop."""
        time, rpm = self.good("rpm")
        if rpm.size < 2:
            return time, rpm
        polled = [self.good(name) for name in _ENGINE if name in self.columns]
        rpm = rpm.copy()
        stale = faults.constant_runs(time, rpm, _SILENT) if np.mean(rpm[1:] != rpm[:-1]) >= _FLUTTER else []
        for first, last in stale:
            # One poll of the others may lie between the last change of engine speed and that of theirs.
            parts = [values[slice(*np.searchsorted(t, time[[first, last - 1]]))][1:] for t, values in polled]
            if rpm[first] >= RUNNING and polled and all(part.size == 0 or np.ptp(part) == 0.0 for part in parts):
                rpm[first + 1 : last] = 0.0
        pauses = np.flatnonzero(np.diff(time) > _SILENT)

        def heard(t: FloatArray) -> BoolArray:
            return np.searchsorted(t, time[pauses + 1], "left") > np.searchsorted(t, time[pauses], "right")

        absent = pauses[heard(self.time) & ~np.any([heard(t) for t, _ in polled], axis=0)]
        return np.insert(time, absent + 1, 0.5 * (time[absent + 1] + time[absent])), np.insert(rpm, absent + 1, 0.0)

    def _start_stop(self, stood: FloatArray) -> None:
        """Say once how much of the drive has no intake air temperature since the engine stood in between."""
        begin, end = self.time[0], self.time[-1]
        restarts = int(np.count_nonzero(np.isfinite(stood).all(axis=1)))
        limits = np.clip(stood + np.array([0.0, _SETTLE]), begin, end)
        unknown = float(np.sum(np.minimum(limits[:, 1], np.append(limits[1:, 0], end)) - limits[:, 0]))
        if restarts < _RESTARTS or unknown < _UNKNOWN * (end - begin):
            return
        text = (
            "the engine stopped and started again {n}; the intake air temperature is missing, stale or heated without flow for "
            "{time}, {share} of the drive: these standstills give no heat-soak rate and no peak, means and times above a limit "
            "leave them out, and a recovery after them is seen from the first valid reading on"
        )
        share, seconds = unknown / (end - begin), Value(unknown, "duration")
        values: dict[str, Part] = {"n": Count(restarts, "time"), "time": seconds, "share": Value(share, "share")}
        self.entries.append(QualityEntry("start-stop", "iat", restarts, share, message(text, "start-stop", **values)))

    def _stuck(self, name: str) -> None:
        bad = np.zeros(self.good(name)[0].size, dtype=np.bool_)
        for first, last, speed in self._held(name, _STUCK):
            bad[first:last] = np.ptp(speed) >= _STUCK_CHANGE
        text = "one value for {time} or longer while the speed changes by {change} or more"
        self._mark("stuck", name, bad, text, time=Value(_STUCK, "time", 0), change=Value(_STUCK_CHANGE, "speed", 0))

    def _held(self, name: str, longest: float) -> list[tuple[int, int, FloatArray]]:
        """Return the runs of one value of `name` that last `longest` [s] or more, each with the speeds during it."""
        time, values = self.good(name)
        speed_time, speed = self.good("speed")
        runs = [
            (first, last, speed[slice(*np.searchsorted(speed_time, time[[first, last - 1]]))])
            for first, last in faults.constant_runs(time, values, longest)
        ]
        return [run for run in runs if run[2].size]

    def frozen_position(self) -> None:
        """Mask a position that stands still for 10 s or longer while the vehicle drives."""
        if not {"latitude", "longitude", "speed"} <= self.columns.keys():
            return
        time = self.good("latitude")[0]
        at_longitude, longitude = self.good("longitude")
        bad = np.zeros(time.size, dtype=np.bool_)
        for first, last, speed in self._held("latitude", _FROZEN):
            other = longitude[slice(*np.searchsorted(at_longitude, time[[first, last - 1]]))]
            bad[first + 1 : last] = speed.min() > FROZEN_SPEED and (other.size == 0 or np.ptp(other) == 0.0)
        if not bad.any():
            return
        text = "the position stands still for {time} or longer while the vehicle drives faster than {speed}"
        limits = {"time": Value(_FROZEN, "time", 0), "speed": Value(FROZEN_SPEED, "speed", 0)}
        for name in ("latitude", "longitude"):
            self._mark("stuck", name, np.isin(self.good(name)[0], time[bad]), text, **limits)

    def sampling(self, name: str, every: FloatArray, rows: int) -> Sampling:
        """Measure interval and step of a channel; `every`: steps between all rows [s], `rows`: of the log as read."""
        present = self.present[name]
        samples = self.count(name)
        steps = every if present is None else np.diff(self.time[present])
        interval = float(np.median(steps[:: max(1, steps.size // _SAMPLED)])) if steps.size else math.nan
        limit = model.gap_limit(name, interval)
        if steps.size and float(steps.max()) > limit:
            pauses = steps[steps > limit]
            text = "pauses longer than {limit}, the limit for interpolation, {all} in all; nothing is interpolated across them"
            together = Value(float(pauses.sum()), "time", 1)
            self._note("channel-gap", name, pauses.size, samples, text, limit=Value(limit, "time", 1), all=together)
        good = self.good(name)[1]
        declared = self.resolution.get(name) or (CHANNELS[name].resolution if name in CHANNELS else None)
        step, share = faults.quantisation_step(good, declared)
        if step is None:
            return Sampling(interval, samples, rows, None)
        values: dict[str, Part] = {"step": reading(name, step, difference=True)}
        if declared is not None and abs(step / declared - 1.0) > _OTHER_STEP:
            text = (
                "the readings move in steps of {step} ({share} of samples), the {kind} resolution is {declared}; the larger one "
                "belongs into the uncertainty"
            )
            values |= {"declared": reading(name, declared, difference=True), "share": Value(share, "share")}
            kind = "declared" if name in self.resolution else "usual"
            self._note("resolution", name, 0, samples, text, **values, kind=kind)
        elif share < _INTERPOLATED:
            text = "readings lie beside the steps of {step}: the log holds interpolated values between readings"
            self._note("interpolated", name, round((1.0 - share) * good.size), good.size, text, **values)
        return Sampling(interval, samples, rows, step)
