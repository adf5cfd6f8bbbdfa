"""Readings taken by hand, with their times, into a record."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from intake_report.errors import DataError
from intake_report.weather.readings import make_observation
from intake_report.weather.records import Kind, PressureKind, WeatherRecord, build_record, located


@dataclass(frozen=True)
class Reading:
    """One reading taken by hand.

    Parameters
    ----------
    time : datetime
        Aware.
    temperature, dew_point : float, optional
        [°C].
    humidity : float, optional
        [%].
    pressure : float, optional
        [kPa], with `pressure_kind` "station", "altimeter" or "sea-level".
    wind_speed, wind_direction, wind_gust : float, optional
        [km/h], [°].
    sky : str, optional
        In words.
    """

    time: datetime
    temperature: float | None = None
    dew_point: float | None = None
    humidity: float | None = None
    pressure: float | None = None
    pressure_kind: PressureKind | None = None
    wind_speed: float | None = None
    wind_direction: float | None = None
    wind_gust: float | None = None
    sky: str | None = None


def handheld_record(
    source: str,
    readings: Iterable[Reading],
    *,
    elevation: float | None = None,
    resolution: float | None = None,
    kind: Kind = "handheld",
) -> WeatherRecord:
    """Return the record of readings taken by hand.

    Parameters
    ----------
    source : str
        Name of the instrument.
    readings : iterable of Reading
        In any order.
    elevation : float, optional
        Where they were taken [m].
    resolution : float, optional
        Step of the temperature display [K].
    kind : {"handheld", "station", "metar", "vehicle"}
        Of the source.

    Raises
    ------
    DataError
        If a reading is impossible; says which.
    """
    observations = []
    for number, reading in enumerate(readings, start=1):
        try:
            observations.append(
                make_observation(
                    reading.time,
                    source,
                    kind,
                    temperature=reading.temperature,
                    dew_point=reading.dew_point,
                    humidity=reading.humidity,
                    pressure=reading.pressure,
                    pressure_kind=reading.pressure_kind,
                    elevation=elevation,
                    wind_speed=reading.wind_speed,
                    wind_direction=reading.wind_direction,
                    wind_gust=reading.wind_gust,
                    sky=reading.sky,
                    resolution=resolution,
                )
            )
        except DataError as error:
            raise located(error, file=None, where=f"{source}, reading {number}") from None
    return build_record(source, kind, elevation, observations)
