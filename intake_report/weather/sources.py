"""Sources of ambient temperature against each other: weather records, and the vehicle's own sensor at speed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from intake_report.messages import Listing, Part, message
from intake_report.weather.conditions import ambient_at, epoch_seconds
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
    """Ambient sensor and speed of one run, each at its own sample times: elapsed seconds, increasing, from `start`.

    `time`, `temperature` (n,): readings [°C], valid true samples; `speed_time`, `speed` (m,) [km/h].
    """

    run: str
    start: pd.Timestamp
    time: NDArray[np.float64]
    temperature: NDArray[np.float64]
    speed_time: NDArray[np.float64]
    speed: NDArray[np.float64]


@dataclass(frozen=True)
class SourceComparison:
    """Two sources of ambient temperature compared run by run: first less second.

    `offsets`: mean over each run that both cover [K]. Runs count, not samples: the samples of one run share its
    weather; `missing`: runs that are not compared.
    """

    first: str
    second: str
    offsets: Mapping[str, float]
    missing: tuple[str, ...]

    @property
    def reason(self) -> Part:
        """Why there is no interval, or which runs are missing; empty where all is well."""
        if not self.offsets:
            return "no run has both sources at one time"
        reasons: list[Part] = ["one run only: no interval"] if len(self.offsets) == 1 else []
        if self.missing:
            reasons.append(message("not compared in {runs}", code="not-compared", runs=", ".join(self.missing)))
        return Listing(tuple(reasons), ";")


def too_slow(run: VehicleAmbient, min_speed: float = MIN_SPEED, settle: float = SETTLE) -> NDArray[np.bool_]:
    """Return where the vehicle's ambient reading may not be used, shape (n,).

    True = bad: slower than `min_speed` [km/h] within the last `settle` seconds, or not known.
    """
    time, clock, speed = run.time, run.speed_time, run.speed
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
    if not len(run.speed_time):
        return np.zeros(run.time.shape, dtype=np.bool_)
    last = np.searchsorted(run.speed_time, run.time, side="right") - 1
    known = (last >= 0) & (run.time - run.speed_time[np.maximum(last, 0)] <= _SPEED_GAP)
    rest: NDArray[np.bool_] = known & (run.speed[np.maximum(last, 0)] < AT_REST)
    return rest


def compare_vehicle(
    runs: Sequence[VehicleAmbient], record: WeatherRecord, at: Literal["speed", "rest"] = "speed"
) -> SourceComparison:
    """Compare the vehicle's ambient sensor with a weather record, run by run: vehicle less record.

    Samples count at speed (see `too_slow`), or with the vehicle below `AT_REST`, which show how much the sensor reads
    high when it stands.
    """
    differences = {}
    for run in runs:
        usable = ~too_slow(run) if at == "speed" else _at_rest(run)
        epoch = run.time + utc(run.start, f"the start of run {run.run}").timestamp()
        differences[run.run] = (run.temperature - ambient_at(record, epoch))[usable]
    return _compared(f"vehicle sensor at {at}", record.source, differences)


def compare_records(
    first: WeatherRecord, second: WeatherRecord, windows: Mapping[str, tuple[pd.Timestamp, pd.Timestamp]]
) -> SourceComparison:
    """Compare two weather records over the runs, given as aware start and end: first less second.

    Differences are taken at the first record's own reports during the run, where it has any, and else minute by minute.
    """
    known, _ = first.series("temperature")
    differences = {}
    for run, (start, end) in windows.items():
        begin, stop = epoch_seconds([utc(start), utc(end)])
        own = known[(known >= begin) & (known <= stop)]
        at = own if len(own) else np.arange(begin, stop + 30.0, 60.0)
        differences[run] = ambient_at(first, at) - ambient_at(second, at)
    return _compared(first.source, second.source, differences)


def _compared(first: str, second: str, differences: Mapping[str, NDArray[np.float64]]) -> SourceComparison:
    finite = {run: values[np.isfinite(values)] for run, values in differences.items()}
    offsets = {run: float(values.mean()) for run, values in finite.items() if len(values)}
    return SourceComparison(first, second, offsets, tuple(run for run, values in finite.items() if not len(values)))
