"""Observations and records of the weather: one vocabulary for reports, tables and handheld readings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from intake_report.errors import DataError

if TYPE_CHECKING:
    from numpy.typing import NDArray

Kind = Literal["metar", "station", "handheld", "vehicle", "forecast"]
PressureKind = Literal["station", "altimeter", "sea-level"]

KIND_LABELS: dict[str, str] = {
    "metar": "METAR reports",
    "station": "weather station",
    "handheld": "handheld instrument",
    "vehicle": "vehicle ambient sensor",
    "forecast": "forecast",
}


@dataclass(frozen=True)
class WeatherNotice:
    """Something a reader of weather data noticed; it belongs into the report's data quality.

    Parameters
    ----------
    code : str
        Kebab-case code ("pressure-questioned").
    text : str
        One sentence with its numbers.
    where : str, optional
        Line or report in which it was found.
    """

    code: str
    text: str
    where: str | None = None


@dataclass(frozen=True)
class Observation:
    """The state of the weather at one time.

    Parameters
    ----------
    time : pandas.Timestamp
        Aware, UTC.
    source : str
        Who reported it (station identifier, name of an instrument).
    kind : {"metar", "station", "handheld", "vehicle", "forecast"}
        How it was reported.
    temperature, dew_point : float or None
        [°C].
    humidity : float or None
        Relative humidity over water [%].
    station_pressure : float or None
        At the elevation of the station, never reduced to sea level [kPa].
    altimeter : float or None
        Pressure as reported where it was reduced to sea level (altimeter setting, QNH) [kPa].
    wind_speed, wind_gust : float or None
        [km/h]; None is missing, 0 is calm.
    wind_direction : float or None
        Where the wind comes from [°]; None when calm, variable or missing.
    wind_variable : bool
        The direction was reported as variable.
    wind_range : tuple of float or None
        Extremes of a varying direction, clockwise from first to second [°].
    rain : float or None
        Depth since the previous routine report or in the past hour, as the source defines it [mm].
    raining : bool or None
        Precipitation at the time; None when the source cannot tell.
    sky, present : str or None
        Sky and present weather in words or in the report's own code.
    resolution : float or None
        Step of the temperature reading [K].
    raw : str or None
        The report as written.
    notices : tuple of WeatherNotice
        What was noticed while reading it.
    """

    time: pd.Timestamp
    source: str
    kind: Kind
    temperature: float | None = None
    dew_point: float | None = None
    humidity: float | None = None
    station_pressure: float | None = None
    altimeter: float | None = None
    wind_speed: float | None = None
    wind_direction: float | None = None
    wind_gust: float | None = None
    wind_variable: bool = False
    wind_range: tuple[float, float] | None = None
    rain: float | None = None
    raining: bool | None = None
    sky: str | None = None
    present: str | None = None
    resolution: float | None = None
    raw: str | None = None
    notices: tuple[WeatherNotice, ...] = ()


@dataclass(frozen=True)
class WeatherRecord:
    """The observations of one source in order of time.

    Parameters
    ----------
    source : str
        Name of the source.
    kind : {"metar", "station", "handheld", "vehicle", "forecast"}
        How it reports.
    elevation : float or None
        Of the station [m]; None when not known (no station pressure can then come from a reduced one).
    observations : tuple of Observation
        Strictly increasing in time.
    notices : tuple of WeatherNotice
        Of the record and of its observations.
    """

    source: str
    kind: Kind
    elevation: float | None
    observations: tuple[Observation, ...]
    notices: tuple[WeatherNotice, ...] = ()

    def series(self, field: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return (seconds since 1970-01-01 UTC, values) of the observations that have `field`."""
        pairs = [
            (o.time.timestamp(), float(value)) for o in self.observations if (value := getattr(o, field)) is not None
        ]
        if not pairs:
            return np.empty(0), np.empty(0)
        times, values = zip(*pairs, strict=True)
        return np.array(times, dtype=np.float64), np.array(values, dtype=np.float64)

    @property
    def resolution(self) -> float | None:
        """Coarsest step of the temperature readings [K], or None if no reading states one."""
        return max((o.resolution for o in self.observations if o.resolution is not None), default=None)


def utc(time: datetime | pd.Timestamp, what: str = "a time") -> pd.Timestamp:
    """Return `time` as an aware UTC timestamp.

    Raises
    ------
    DataError
        If it has no time zone: a clock time without its zone can be off by hours.
    """
    stamp = pd.Timestamp(time)
    if stamp.tzinfo is None:
        raise DataError(
            f"{what} ({stamp.isoformat()}) has no time zone.", remedy="Write it with an offset or name the time zone."
        )
    return stamp.tz_convert("UTC")


def epoch_seconds(times: Sequence[datetime] | pd.DatetimeIndex | NDArray[np.float64]) -> NDArray[np.float64]:
    """Return `times` as seconds since 1970-01-01 UTC; float arrays are taken as such already.

    Raises
    ------
    DataError
        If times have no time zone.
    """
    if isinstance(times, np.ndarray) and times.dtype.kind == "f":
        return times.astype(np.float64)
    index = pd.DatetimeIndex(list(times))
    if index.tz is None:
        raise DataError("the times have no time zone.", remedy="Localize them before asking for the weather.")
    seconds = (index - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(seconds=1)
    return np.asarray(seconds, dtype=np.float64)


def located(error: DataError, *, file: Path | str | None, where: str | None) -> DataError:
    """Return `error` with its file and place filled in."""
    return DataError(error.what, file=error.file or file, where=error.where or where, remedy=error.remedy)


def build_record(
    source: str,
    kind: Kind,
    elevation: float | None,
    observations: Iterable[Observation],
    notices: Iterable[WeatherNotice] = (),
) -> WeatherRecord:
    """Return the record of `observations`, in order of time, with one observation per time.

    Of several at one time the last given stays (a correction follows what it corrects), with a notice unless they are
    equal. Notices that all observations share are given once, with their number.

    Raises
    ------
    DataError
        If there are no observations.
    """
    found: dict[pd.Timestamp, Observation] = {}
    gathered = list(notices)
    for observation in observations:
        former = found.get(observation.time)
        if former is not None and replace(former, notices=()) != replace(observation, notices=()):
            gathered.append(
                WeatherNotice(
                    "repeated-time",
                    f"{source} has several observations at {observation.time:%Y-%m-%d %H:%M} UTC; the last is used.",
                )
            )
        found[observation.time] = observation
    if not found:
        raise DataError(f"{source} has no observation.", remedy="Give at least one report or row.")
    ordered = tuple(found[time] for time in sorted(found))
    return WeatherRecord(source, kind, elevation, ordered, tuple(gathered) + _summed_notices(ordered))


def _summed_notices(observations: Sequence[Observation]) -> tuple[WeatherNotice, ...]:
    by_code: dict[str, list[tuple[Observation, WeatherNotice]]] = {}
    for observation in observations:
        for notice in observation.notices:
            by_code.setdefault(notice.code, []).append((observation, notice))
    summed = []
    for code, found in by_code.items():
        first, notice = found[0]
        text = f"{first.source} {first.time:%Y-%m-%d %H:%M} UTC: {notice.text}"
        if len(found) > 1:
            text += f" The same holds for {len(found) - 1} more of its {len(observations)} observations."
        summed.append(WeatherNotice(code, text, notice.where))
    return tuple(summed)
