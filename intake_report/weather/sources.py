"""Sources of ambient temperature against each other: weather records, and the vehicle's own sensor at speed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from intake_report.messages import Listing, Part, message
from intake_report.statistics import mean_interval
from intake_report.weather.conditions import MAX_AGE, ambient_at, epoch_seconds
from intake_report.weather.observations import WeatherRecord, utc

if TYPE_CHECKING:
    from numpy.typing import NDArray

# A sensor behind the bumper is warmed by the engine bay at rest and needs air past it, and time, to recover. Both
# numbers are this package's own choice (common practice gives none); they are stated in the report and can be changed.
# On eight recorded commutes the reading at rest was 0.3 K to 2.3 K above the one at speed, and settling for 60 s or
# for 180 s instead of 120 s moved the mean by less than 0.25 K, while 120 s left 17 % to 58 % of the samples.
MIN_SPEED = 40.0  # km/h
SETTLE = 120.0  # s
AT_REST = 5.0  # km/h: slower the vehicle stands, or creeps in a queue
_SPEED_GAP = 10.0  # s without a speed sample: the vehicle may have stood


@dataclass(frozen=True)
class VehicleAmbient:
    """Ambient sensor and speed of one run, each at its own sample times.

    Parameters
    ----------
    run : str
        Run id.
    start : pandas.Timestamp
        Aware time of elapsed second 0.
    time, temperature : ndarray of float64, shape (n,)
        Elapsed seconds, increasing, and reading [°C]; valid true samples.
    speed_time, speed : ndarray of float64, shape (m,)
        Elapsed seconds, increasing, and [km/h].
    """

    run: str
    start: pd.Timestamp
    time: NDArray[np.float64]
    temperature: NDArray[np.float64]
    speed_time: NDArray[np.float64]
    speed: NDArray[np.float64]

    def epoch(self) -> NDArray[np.float64]:
        """Return the sample times as seconds since 1970-01-01 UTC."""
        return np.asarray(self.time, dtype=np.float64) + utc(self.start, f"the start of run {self.run}").timestamp()


@dataclass(frozen=True)
class RunOffset:
    """First source less second source over one run [K]: mean, extremes and number of samples compared."""

    run: str
    offset: float
    low: float
    high: float
    samples: int


@dataclass(frozen=True)
class SourceComparison:
    """Two sources of ambient temperature compared run by run.

    Parameters
    ----------
    first, second : str
        Sources; offsets are first less second.
    runs : tuple of RunOffset
        Of the runs that both cover.
    offset : float or None
        Mean of the run offsets [K].
    low, high : float or None
        Interval of that mean at `level`; None with fewer than two runs. Runs count, not samples: the samples of one
        run share its weather.
    sd : float or None
        Standard deviation of the run offsets [K].
    level : float
        Confidence level.
    status : {"ok", "indication", "none"}
        "indication" with one run, "none" without any.
    reason : Part or None
        Why the status is not "ok", or which runs are missing.
    """

    first: str
    second: str
    runs: tuple[RunOffset, ...]
    offset: float | None
    low: float | None
    high: float | None
    sd: float | None
    level: float
    status: Literal["ok", "indication", "none"]
    reason: Part | None


def too_slow(run: VehicleAmbient, min_speed: float = MIN_SPEED, settle: float = SETTLE) -> NDArray[np.bool_]:
    """Return where the vehicle's ambient reading may not be used.

    Parameters
    ----------
    run : VehicleAmbient
        One run.
    min_speed : float
        Speed that the vehicle has to keep [km/h].
    settle : float
        For how long before the sample [s].

    Returns
    -------
    ndarray of bool, shape (n,)
        True = bad: slower than `min_speed` within the last `settle` seconds, or not known.
    """
    time = np.asarray(run.time, dtype=np.float64)
    clock, speed = np.asarray(run.speed_time, dtype=np.float64), np.asarray(run.speed, dtype=np.float64)
    if not len(clock):
        return np.ones(time.shape, dtype=np.bool_)
    # Moments from which the vehicle is known to have been fast begin anew at each slow sample and after each gap.
    slow = ~(speed >= min_speed)
    gap_after = np.append(np.diff(clock) > _SPEED_GAP, False)
    broken = slow.copy()
    broken[0] = True
    broken[1:] |= gap_after[:-1]
    since = np.maximum.accumulate(np.where(broken, clock, -np.inf))
    last = np.searchsorted(clock, time, side="right") - 1
    known = (last >= 0) & (time - clock[np.maximum(last, 0)] <= _SPEED_GAP)
    fast_for = time - since[np.maximum(last, 0)]
    bad: NDArray[np.bool_] = ~known | (fast_for < settle) | slow[np.maximum(last, 0)]
    return bad


def _at_rest(run: VehicleAmbient) -> NDArray[np.bool_]:
    time, clock = np.asarray(run.time, dtype=np.float64), np.asarray(run.speed_time, dtype=np.float64)
    if not len(clock):
        return np.zeros(time.shape, dtype=np.bool_)
    last = np.searchsorted(clock, time, side="right") - 1
    known = (last >= 0) & (time - clock[np.maximum(last, 0)] <= _SPEED_GAP)
    rest: NDArray[np.bool_] = known & (np.asarray(run.speed)[np.maximum(last, 0)] < AT_REST)
    return rest


def compare_vehicle(
    runs: Sequence[VehicleAmbient],
    record: WeatherRecord,
    *,
    at: Literal["speed", "rest"] = "speed",
    level: float = 0.95,
) -> SourceComparison:
    """Compare the vehicle's ambient sensor with a weather record, run by run: vehicle less record.

    Parameters
    ----------
    runs : sequence of VehicleAmbient
        Runs with an ambient channel.
    record : WeatherRecord
        The other source.
    at : {"speed", "rest"}
        Samples at speed (see `too_slow`), or samples with the vehicle below `AT_REST`, which show how much the sensor
        reads high when it stands.
    level : float
        Confidence level of the interval.
    """
    differences = {}
    for run in runs:
        usable = ~too_slow(run) if at == "speed" else _at_rest(run)
        difference = np.asarray(run.temperature, dtype=np.float64) - ambient_at(record, run.epoch())
        differences[run.run] = difference[usable & np.isfinite(difference)]
    return _summary(f"vehicle sensor at {at}", record.source, differences, level)


def compare_records(
    first: WeatherRecord,
    second: WeatherRecord,
    windows: Mapping[str, tuple[pd.Timestamp, pd.Timestamp]],
    *,
    level: float = 0.95,
) -> SourceComparison:
    """Compare two weather records over the runs: first less second.

    Differences are taken at the first record's own reports within `MAX_AGE` of the run, where it has any, and else
    minute by minute.

    Parameters
    ----------
    windows : mapping of run id to (start, end)
        Aware.
    level : float
        Confidence level of the interval.
    """
    known, _ = first.series("temperature")
    differences = {}
    for run, (start, end) in windows.items():
        begin, stop = epoch_seconds([utc(start), utc(end)])
        own = known[(known >= begin) & (known <= stop)]
        at = own if len(own) else np.arange(begin, stop + 30.0, 60.0)
        difference = ambient_at(first, at, MAX_AGE) - ambient_at(second, at, MAX_AGE)
        differences[run] = difference[np.isfinite(difference)]
    return _summary(first.source, second.source, differences, level)


def _summary(first: str, second: str, differences: Mapping[str, NDArray[np.float64]], level: float) -> SourceComparison:
    offsets = tuple(
        RunOffset(run, float(d.mean()), float(d.min()), float(d.max()), len(d))
        for run, d in differences.items()
        if len(d)
    )
    missing = tuple(run for run, d in differences.items() if not len(d))
    if not offsets:
        why = "no run has both sources at one time"
        return SourceComparison(first, second, (), None, None, None, None, level, "none", why)
    interval = mean_interval([o.offset for o in offsets], level)
    reasons: list[Part] = ["one run only: no interval"] if len(offsets) == 1 else []
    if missing:
        reasons.append(message("not compared in {runs}", code="not-compared", runs=", ".join(missing)))
    reason = Listing(tuple(reasons), ";") if reasons else None
    if len(offsets) == 1:
        return SourceComparison(
            first, second, offsets, offsets[0].offset, None, None, None, level, "indication", reason
        )
    low, high = interval.low, interval.high
    return SourceComparison(first, second, offsets, interval.mean, low, high, interval.sd, level, "ok", reason)
