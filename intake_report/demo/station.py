"""What a weather station near the route writes: aviation routine reports, and a table each five minutes.

The station is invented (identifier XXXX). It stands outside the city, so that it does not feel the city's warmth.
"""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np

from intake_report.demo.traffic import Day

STATION = "XXXX"
ELEVATION = 24.0
"""Height of the station above sea level [m]."""

STATION_BIAS = 0.1
"""What the station reads too high [K]."""


def _altimeter_setting(station_kpa: float) -> float:
    """Return the altimeter setting [hPa] for a station pressure [kPa] (standard-atmosphere exponent; from memory)."""
    return float(((station_kpa * 10.0) ** 0.190263 + 8.417286e-5 * ELEVATION) ** (1.0 / 0.190263))


def _tenths_group(celsius: float) -> str:
    """Return sign digit and tenths of the T group (WMO/FMH-1 remarks): 27.2 → "0272"."""
    tenths = round(celsius * 10.0)
    return f"{1 if tenths < 0 else 0}{abs(tenths):03d}"


def _whole(celsius: float) -> str:
    degrees = int(np.floor(round(celsius * 10.0) / 10.0 + 0.5))
    return f"M{-degrees:02d}" if degrees < 0 else f"{degrees:02d}"


def reports(day: Day, first: float, last: float, rng: np.random.Generator, *, us: bool) -> list[str]:
    """Return hourly METAR reports that cover `first` to `last` [h after midnight UTC] with an hour on either side.

    Parameters
    ----------
    day
        The day.
    first, last : float
        Start of the first and of the last run [h].
    rng
        Source of reading noise.
    us : bool
        Statute miles and inches of mercury, as stations in the United States write; otherwise metres and hPa.
    """
    minute = 53 if us else 50
    out = []
    for hour in range(int(first) - 1, int(last) + 3):
        moment = day.date + timedelta(hours=hour, minutes=minute)
        air = float(day.temperature(hour + minute / 60.0)) + STATION_BIAS + rng.normal(0.0, 0.08)
        dew = day.dew_point + rng.normal(0.0, 0.15)
        direction = int(round((day.wind_from + rng.normal(0.0, 10.0)) / 10.0) * 10) % 360 or 360
        knots = max(3, round((day.wind_speed + rng.normal(0.0, 0.4)) * 3600.0 / 1852.0))
        sky = "FEW035" if day.sun > 0.65 else "SCT040"
        setting = _altimeter_setting(day.pressure)
        pressure = f"A{round(setting / 33.86388640341 * 100.0):04d}" if us else f"Q{round(setting):04d}"
        remarks = f"{'AO2 ' if us else ''}T{_tenths_group(air)}{_tenths_group(dew)}"
        out.append(
            f"METAR {STATION} {moment:%d%H%M}Z {direction:03d}{knots:02d}KT {'10SM' if us else '9999'} {sky} "
            f"{_whole(air)}/{_whole(dew)} {pressure} RMK {remarks}"
        )
    return out


TABLE_COLUMNS = {
    "Time (UTC)": "time",
    "Air Temperature (°C)": "temperature [degC]",
    "Relative Humidity (%)": "humidity [%]",
    "Station Pressure (hPa)": "station_pressure [hPa]",
    "Wind Speed (m/s)": "wind_speed [m/s]",
    "Wind Direction (°)": "wind_direction [deg]",
}


def table_rows(day: Day, first: float, last: float, rng: np.random.Generator) -> list[str]:
    """Return rows of the five-minute table from half an hour before `first` to an hour after `last` [h]."""
    out = []
    for step in range(int(np.floor((first - 0.5) * 12)), int(np.ceil((last + 1.0) * 12)) + 1):
        moment: datetime = day.date + timedelta(minutes=5 * step)
        air = float(day.temperature(step / 12.0)) + STATION_BIAS + rng.normal(0.0, 0.08)
        # Magnus form over water, common practice
        share = np.exp(17.62 * day.dew_point / (243.12 + day.dew_point) - 17.62 * air / (243.12 + air))
        direction = round(day.wind_from + rng.normal(0.0, 12.0)) % 360
        wind = max(0.3, day.wind_speed + rng.normal(0.0, 0.5))
        out.append(
            f"{moment:%Y-%m-%dT%H:%M:%SZ},{air:.1f},{100.0 * float(share):.0f},"
            f"{day.pressure * 10.0 + rng.normal(0.0, 0.05):.1f},{wind:.1f},{direction}"
        )
    return out


FORECAST_ERROR = 0.8
"""Standard deviation of a day's forecast temperature [K] (invented)."""

HANDHELD_BIAS = 0.3
"""What the handheld reads too high [K]."""


def forecast(day: Day, first: float, last: float, rng: np.random.Generator) -> list[tuple[datetime, float, float]]:
    """Return an hourly forecast for the day as recorded the evening before: time, temperature [°C], wind [m/s]."""
    error, wind = rng.normal(0.0, FORECAST_ERROR), max(0.5, day.wind_speed + rng.normal(0.0, 1.0))
    hours = range(int(first), int(last) + 3)
    return [(day.date + timedelta(hours=h), round(float(day.temperature(float(h))) + error), wind) for h in hours]


def handheld_readings(day: Day, starts: list[float], rng: np.random.Generator) -> list[tuple[datetime, float, float]]:
    """Return readings of a handheld in the shade of the yard before each run and after the last: time, °C, %."""
    out = []
    for hour in (*(start - 3.0 / 60.0 for start in starts), starts[-1] + 0.6):
        air = float(day.temperature(hour)) + HANDHELD_BIAS + rng.normal(0.0, 0.2)
        share = np.exp(17.62 * day.dew_point / (243.12 + day.dew_point) - 17.62 * air / (243.12 + air))
        out.append((day.date + timedelta(minutes=round(hour * 60.0)), air, 100.0 * float(share)))
    return out
