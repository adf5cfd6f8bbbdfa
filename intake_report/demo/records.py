"""What is written beside the logs: weather reports and readings, dyno pulls, restriction, exposure trials, timed tasks.

The weather station is invented (identifier XXXX). It stands outside the city, so that it does not feel the city's warmth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from intake_report.demo.articles import Array, Configuration, Day, Vehicle
from intake_report.demo.logger import quantise
from intake_report.demo.simulate import friction_power, full_airflow, pressure_drop

STATION = "XXXX"
ELEVATION = 24.0  # height of the station above sea level [m]
STATION_BIAS = 0.1  # what the station reads too high [K]
HANDHELD_BIAS = 0.3  # what the handheld reads too high [K]
FORECAST_ERROR = 0.8  # standard deviation of a day's forecast temperature [K] (invented)


def _altimeter_setting(station_kpa: float) -> float:
    """Return the altimeter setting [hPa] for a station pressure [kPa] (standard-atmosphere exponent; from memory)."""
    return float(((station_kpa * 10.0) ** 0.190263 + 8.417286e-5 * ELEVATION) ** (1.0 / 0.190263))


def _humidity(day: Day, air: float) -> float:
    """Return relative humidity [%] at an air temperature [°C] (Magnus form over water, common practice)."""
    return 100.0 * float(np.exp(17.62 * day.dew_point / (243.12 + day.dew_point) - 17.62 * air / (243.12 + air)))


def _tenths_group(celsius: float) -> str:
    """Return sign digit and tenths of the T group (WMO/FMH-1 remarks): 27.2 → "0272"."""
    tenths = round(celsius * 10.0)
    return f"{1 if tenths < 0 else 0}{abs(tenths):03d}"


def _whole(celsius: float) -> str:
    degrees = int(np.floor(round(celsius * 10.0) / 10.0 + 0.5))
    return f"M{-degrees:02d}" if degrees < 0 else f"{degrees:02d}"


def reports(day: Day, first: float, last: float, rng: np.random.Generator, *, us: bool) -> list[str]:
    """Return hourly METAR reports that cover `first` to `last` [h after midnight UTC] with an hour on either side.

    Statute miles and inches of mercury with `us`, as stations in the United States write; otherwise metres and hPa.
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
        direction = round(day.wind_from + rng.normal(0.0, 12.0)) % 360
        wind = max(0.3, day.wind_speed + rng.normal(0.0, 0.5))
        out.append(
            f"{moment:%Y-%m-%dT%H:%M:%SZ},{air:.1f},{_humidity(day, air):.0f},"
            f"{day.pressure * 10.0 + rng.normal(0.0, 0.05):.1f},{wind:.1f},{direction}"
        )
    return out


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
        out.append((day.date + timedelta(minutes=round(hour * 60.0)), air, _humidity(day, air)))
    return out


STAND_COLUMNS = {
    "Time (s)": None,
    "Intake Air Temperature (°C)": "iat [degC]",
    "Ambient Air Temperature (°C)": "ambient [degC]",
    "Coolant Temperature (°C)": "coolant [degC]",
    "Thermometer (°C)": "reference [degC]",
}
THERMOMETER = 0.1  # standard deviation of what a thermometer reads wrong, the same on all days [K]
STOOD = 11.0  # [h]
_STAND_LEFT = {"iat": 0.006, "ambient": 0.003, "coolant": 0.06}  # what is left of the engine's warmth after it [K]


def stand(day: Day, hour: float, minutes: float, mode: str, wrong: float, rng: np.random.Generator) -> dict[str, Array]:
    """Return a stand at dawn, engine cold: elapsed time [s], what the control unit sends, and a thermometer [°C].

    It begins at `hour` [h after midnight UTC]; `mode` is how the control unit rounds, `wrong` the thermometer's error [K].
    """
    time = np.arange(0.0, 60.0 * minutes + 1.0, 10.0)
    air = day.temperature(hour + time / 3600.0)
    sent = {name: quantise(air + left, mode) for name, left in _STAND_LEFT.items()}
    return {"time": time, **sent, "reference": np.round(air + wrong + rng.normal(0.0, 0.02, time.size), 1)}


PULLS = 3
DRIVELINE = 0.86  # wheel power over engine power, assumed for the simulated rollers
CELL_PRESSURE = 101.1  # [kPa]

PULL_COLUMNS = {
    "Engine Speed (rpm)": "rpm [rpm]",
    "Wheel Torque (N·m)": "torque [N*m]",
    "Wheel Power (kW)": "power [kW]",
    "Intake Air Temperature (°C)": "iat [degC]",
    "Coolant Temperature (°C)": "coolant [degC]",
}


@dataclass(frozen=True)
class PullResult:
    """One pull: rows of the file; temperature [°C] and humidity [%] of the cell."""

    rows: tuple[str, ...]
    cell_temperature: float
    cell_humidity: float


def engine_torque(
    vehicle: Vehicle, configuration: Configuration, rpm: Array, air: Array | float, pressure: float
) -> Array:
    """Return wide-open-throttle engine torque [N·m] at engine speeds [rpm], intake air [°C] and cell pressure [kPa].

    Restriction lowers the inlet density; heat gained on the way to the valve softens the effect of intake
    temperature (about the power 0.7 of absolute temperature).
    """
    reference = pressure * 1000.0 / (287.05 * 298.15)
    density = reference * (298.15 / (np.asarray(air) + 273.15)) ** 0.7
    airflow = full_airflow(vehicle, rpm, density)
    airflow = airflow * (1.0 - pressure_drop(configuration, airflow) / pressure)
    indicated = airflow / 12.8 * 43.0e3 * 0.355
    result: Array = (indicated - friction_power(vehicle, rpm)) / (rpm * np.pi / 30.0)
    return result


def dyno_pull(vehicle: Vehicle, configuration: Configuration, order: int, rng: np.random.Generator) -> PullResult:
    """Return one pull; the intake warms from pull to pull, the more the more under-hood air it draws."""
    rpm = np.arange(2000.0, 6401.0, 50.0)
    cell = 23.0 + 0.25 * order + rng.normal(0.0, 0.1)
    soak = 4.0 + 14.0 * configuration.draw_idle + 0.8 * order
    air = cell + soak * (0.55 + 0.45 * np.exp(-(rpm - 2000.0) / 1500.0))
    torque = engine_torque(vehicle, configuration, rpm, air, CELL_PRESSURE)
    drift = 1.0 + rng.normal(0.0, 0.004)
    wobble = np.convolve(rng.standard_normal(len(rpm) + 8), np.ones(9) / 9.0, mode="valid") * 0.9
    wheel = torque * DRIVELINE * drift + wobble
    power = wheel * rpm * np.pi / 30.0 / 1000.0
    coolant = 88.0 + 0.6 * order + 4.0 * (rpm - 2000.0) / 4400.0
    rows = tuple(
        f"{r:.0f},{t:.1f},{p:.2f},{a:.0f},{c:.0f}"
        for r, t, p, a, c in zip(rpm, wheel, power, np.floor(air), np.floor(coolant), strict=True)
    )
    return PullResult(rows, cell, 44.0 + rng.normal(0.0, 1.0))


def warm_up_pull(vehicle: Vehicle, configuration: Configuration, rng: np.random.Generator) -> PullResult:
    """Return a first pull on cold rollers: coolant below its working temperature, more drag."""
    pull = dyno_pull(vehicle, configuration, 1, rng)
    rows = []
    for row in pull.rows:
        rpm, torque, power, air, coolant = row.split(",")
        rows.append(f"{rpm},{0.97 * float(torque):.1f},{0.97 * float(power):.2f},{air},{float(coolant) - 17.0:.0f}")
    return replace(pull, rows=tuple(rows))


def restriction_points(configuration: Configuration, rng: np.random.Generator) -> tuple[tuple[float, float], ...]:
    """Return bench points: airflow [m³/h] and pressure drop [kPa] with 1 % noise (bench air 1.19 kg/m³)."""
    out = []
    for flow in (100.0, 150.0, 200.0, 250.0, 300.0, 350.0):
        mass = flow / 3600.0 * 1.19 * 1000.0
        drop = float(pressure_drop(configuration, np.array(mass))) * (1.0 + rng.normal(0.0, 0.01))
        out.append((flow, drop))
    return tuple(out)


@dataclass(frozen=True)
class Trial:
    """One exposure trial."""

    configuration: str
    condition: str
    minutes: int
    observation: str
    adverse: bool
    before: float | None = None
    after: float | None = None


TRIALS: tuple[Trial, ...] = (
    *(Trial("sealed-snorkel", "wet", 30, "element dry to the touch, no drops in the box", False) for _ in range(6)),
    *(Trial("open-cone", "wet", 30, "element dry on the engine side", False) for _ in range(4)),
    Trial("open-cone", "wet", 30, "moisture on the engine side of the element", True),
    Trial("open-cone", "wet", 30, "outer pleats wet, engine side dry", False),
    Trial("sealed-snorkel", "dusty", 45, "no dust past the element", False, 412.0, 415.1),
    Trial("open-cone", "dusty", 45, "no dust past the element", False, 268.0, 272.6),
    Trial("stock", "dusty", 45, "no dust past the element", False, 231.0, 233.8),
    Trial("sealed-snorkel", "hot", 60, "no softening of the box or its gasket", False),
)

TASKS: tuple[tuple[str, str, tuple[float, ...]], ...] = (
    ("stock", "change the element", (3.1, 2.7, 2.9)),
    ("open-cone", "change the element", (4.8, 4.1, 4.4)),
    ("sealed-snorkel", "change the element", (5.9, 5.2, 5.0)),
)
"""Configuration, task, times [min]."""
