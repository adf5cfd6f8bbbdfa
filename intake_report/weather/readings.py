"""One set of readings into an observation: impossible values refused, odd ones questioned, the rest completed."""

from __future__ import annotations

import contextlib
from datetime import datetime

import numpy as np
import pandas as pd

from intake_report import air
from intake_report.errors import DataError
from intake_report.weather.records import Kind, Observation, PressureKind, WeatherNotice, WeatherRecord, utc

# Readings outside are not weather at a place where vehicles are tested; generous round numbers from memory.
TEMPERATURE_RANGE = (-90.0, 60.0)
# Pressure reduced to sea level: 1083.8 hPa is the record below 750 m (WMO archive of weather extremes, 1968) and lows
# under 950 hPa belong to storms; outside this range [kPa] the kind of the pressure is questioned, not the weather.
ALTIMETER_RANGE = (95.0, 106.0)
# An air pressure at any road, reduced to sea level or not [kPa].
PRESSURE_RANGE = (50.0, 110.0)
# Both readings of a pair are rounded, so a dew point may be read above the temperature by this much in fog [K].
SATURATION_TOLERANCE = 0.6


def question_pressure(value: float, kind: PressureKind, elevation: float | None) -> str | None:
    """Question a pressure whose value contradicts its declared kind.

    Parameters
    ----------
    value : float
        [kPa].
    kind : {"station", "altimeter", "sea-level"}
        As declared.
    elevation : float or None
        Of the station [m].

    Returns
    -------
    str or None
        Text, or None when nothing is wrong. Below about 400 m a reduced and an unreduced pressure cannot be told apart
        by their value alone; `compare_pressures` can, where a second source exists.
    """
    if kind == "station":
        question = air.question_pressure(value, elevation)
        return None if question is None else f"{question.what} {question.remedy}"
    low, high = ALTIMETER_RANGE
    if low <= value <= high:
        return None
    text = f"{value:.2f} kPa as {_KIND_WORDS[kind]} is outside {low:.0f} to {high:.0f} kPa"
    if elevation is not None and elevation > 0.0 and air.question_pressure(value, elevation) is None:
        text += f", but would be usual as station pressure at {elevation:.0f} m"
    return text + "."


_KIND_WORDS = {"station": "station pressure", "altimeter": "altimeter setting", "sea-level": "sea-level pressure"}


def make_observation(
    time: datetime | pd.Timestamp,
    source: str,
    kind: Kind,
    *,
    temperature: float | None = None,
    dew_point: float | None = None,
    humidity: float | None = None,
    pressure: float | None = None,
    pressure_kind: PressureKind | None = None,
    elevation: float | None = None,
    wind_speed: float | None = None,
    wind_direction: float | None = None,
    wind_gust: float | None = None,
    wind_variable: bool = False,
    wind_range: tuple[float, float] | None = None,
    rain: float | None = None,
    raining: bool | None = None,
    sky: str | None = None,
    present: str | None = None,
    resolution: float | None = None,
    raw: str | None = None,
) -> Observation:
    """Check one set of readings and complete it: humidity from dew point or back, station pressure from a reduced one.

    Parameters
    ----------
    time : datetime
        Aware.
    source, kind, temperature, dew_point, humidity, wind_speed, wind_direction, wind_gust, wind_variable, wind_range, \
rain, raining, sky, present, resolution, raw
        As in `Observation`, in internal units.
    pressure : float, optional
        [kPa].
    pressure_kind : {"station", "altimeter", "sea-level"}, optional
        Has to be declared with a pressure.
    elevation : float, optional
        Of the instrument [m]; needed for a pressure that is reduced to sea level.

    Returns
    -------
    Observation

    Raises
    ------
    DataError
        If a reading is impossible, the kind of a pressure is not declared or the time has no zone.
    """
    _check_readings(temperature, dew_point, humidity, wind_speed, wind_direction, wind_gust, rain)
    notices: list[WeatherNotice] = []
    dew_point, humidity = _complete_humidity(temperature, dew_point, humidity, notices)
    station, altimeter = None, None
    if pressure is not None:
        if pressure_kind is None:
            raise DataError(
                f"the kind of the pressure {pressure:.2f} kPa is not declared.",
                remedy="Say whether it is station, altimeter or sea-level pressure.",
            )
        station = _station_pressure(pressure, pressure_kind, elevation, temperature, notices)
        altimeter = pressure if pressure_kind == "altimeter" else None
    if wind_gust is not None and wind_speed is not None and wind_gust < wind_speed:
        notices.append(
            WeatherNotice("gust-below-wind", f"the gust of {wind_gust:.0f} km/h is below the wind of {wind_speed:.0f}.")
        )
    return Observation(
        time=utc(time),
        source=source,
        kind=kind,
        temperature=temperature,
        dew_point=dew_point,
        humidity=humidity,
        station_pressure=station,
        altimeter=altimeter,
        wind_speed=wind_speed,
        wind_direction=None if wind_variable or wind_speed == 0.0 else wind_direction,
        wind_gust=wind_gust,
        wind_variable=wind_variable,
        wind_range=wind_range,
        rain=rain,
        raining=raining,
        sky=sky,
        present=present,
        resolution=resolution,
        raw=raw,
        notices=tuple(notices),
    )


def _check_readings(
    temperature: float | None,
    dew_point: float | None,
    humidity: float | None,
    wind_speed: float | None,
    wind_direction: float | None,
    wind_gust: float | None,
    rain: float | None,
) -> None:
    limits = (
        ("temperature", temperature, *TEMPERATURE_RANGE, "°C"),
        ("dew point", dew_point, *TEMPERATURE_RANGE, "°C"),
        ("relative humidity", humidity, 0.0, 100.0, "%"),
        ("wind speed", wind_speed, 0.0, 500.0, "km/h"),
        ("wind gust", wind_gust, 0.0, 500.0, "km/h"),
        ("wind direction", wind_direction, 0.0, 360.0, "°"),
        ("rain depth", rain, 0.0, 500.0, "mm"),
    )
    for name, value, low, high, unit in limits:
        if value is not None and not low <= value <= high:
            raise DataError(
                f"a {name} of {value:g} {unit} is impossible (it has to lie in {low:g} to {high:g} {unit}).",
                remedy="Check the unit; leave the cell empty if there was no reading.",
            )


def _complete_humidity(
    temperature: float | None, dew_point: float | None, humidity: float | None, notices: list[WeatherNotice]
) -> tuple[float | None, float | None]:
    if temperature is None:
        return dew_point, humidity
    from_dew_point = None
    if dew_point is not None:
        if dew_point > temperature + SATURATION_TOLERANCE:
            raise DataError(
                f"the dew point {dew_point:.1f} °C is above the temperature {temperature:.1f} °C.",
                remedy="Check that the two are not exchanged and share a unit.",
            )
        if dew_point > temperature:
            notices.append(
                WeatherNotice(
                    "dew-point-rounding",
                    f"the dew point {dew_point:.1f} °C is above the temperature {temperature:.1f} °C by rounding; "
                    "the air is taken as saturated.",
                )
            )
        with contextlib.suppress(DataError):  # air colder than −40 °C is outside the formulation: left out
            from_dew_point = min(100.0, float(air.relative_humidity(temperature, min(dew_point, temperature))))
    if humidity is None:
        return dew_point, from_dew_point
    if from_dew_point is not None and abs(from_dew_point - humidity) > 5.0:
        notices.append(
            WeatherNotice(
                "humidity-contradicts-dew-point",
                f"the humidity {humidity:.0f} % and the dew point {dew_point:.1f} °C ({from_dew_point:.0f} %) differ; "
                "the humidity is used.",
            )
        )
    if dew_point is None and humidity > 0.0:
        with contextlib.suppress(DataError):  # a dew point below −40 °C is outside the formulation: left out
            dew_point = float(air.dew_point(temperature, humidity))
    return dew_point, humidity


def _station_pressure(
    pressure: float,
    kind: PressureKind,
    elevation: float | None,
    temperature: float | None,
    notices: list[WeatherNotice],
) -> float | None:
    if not PRESSURE_RANGE[0] <= pressure <= PRESSURE_RANGE[1]:
        raise DataError(
            f"a pressure of {pressure:g} kPa is impossible.",
            remedy=f"Check the unit (it has to lie in {PRESSURE_RANGE[0]:g} to {PRESSURE_RANGE[1]:g} kPa).",
        )
    question = question_pressure(pressure, kind, elevation)
    if question is not None:
        notices.append(WeatherNotice("pressure-questioned", question))
    if kind == "station":
        return pressure
    if elevation is None:
        notices.append(
            WeatherNotice(
                "no-elevation",
                f"the {_KIND_WORDS[kind]} cannot be brought to station pressure: the elevation is not stated.",
            )
        )
        return None
    if kind == "altimeter":
        return float(air.station_pressure(pressure, elevation))
    if temperature is None:
        notices.append(
            WeatherNotice(
                "no-temperature", "the sea-level pressure cannot be brought to station pressure without a temperature."
            )
        )
        return None
    return float(air.station_from_sea_level(pressure, elevation, temperature))


def compare_pressures(first: WeatherRecord, second: WeatherRecord, limit: float = 0.5) -> WeatherNotice | None:
    """Question two sources whose pressures contradict each other once both are brought to sea level.

    Parameters
    ----------
    first, second : WeatherRecord
        Both with an elevation and station pressures.
    limit : float
        Largest usual difference between neighbouring stations [kPa]; common practice.

    Returns
    -------
    WeatherNotice or None
        None when they agree, or cannot be compared.
    """
    means = []
    for record in (first, second):
        times, values = record.series("station_pressure")
        if record.elevation is None or not len(times):
            return None
        # The ratio to the standard atmosphere is within 0.1 kPa of a reduction to sea level.
        means.append((times, values / float(air.isa_pressure(record.elevation)) * 101.325))
    (times_a, a), (times_b, b) = means
    shared = (times_a >= times_b[0] - 3600.0) & (times_a <= times_b[-1] + 3600.0)
    if not shared.any():
        return None
    difference = float(np.mean(a[shared] - np.interp(times_a[shared], times_b, b)))
    if abs(difference) <= limit:
        return None
    return WeatherNotice(
        "pressures-differ",
        f"brought to sea level, the pressure of {first.source} is {difference:+.2f} kPa from that of {second.source} "
        f"(more than {limit:g} kPa): one of the two may be declared as the wrong kind or with the wrong elevation.",
    )
