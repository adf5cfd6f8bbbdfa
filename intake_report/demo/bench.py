"""Bench evidence of the demo: dyno pulls, restriction, exposure trials, timed tasks."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from intake_report.demo.articles import Configuration, Vehicle
from intake_report.demo.powertrain import friction_power, full_airflow, pressure_drop
from intake_report.demo.route import Array

PULLS = 3
DRIVELINE = 0.86
"""Wheel power over engine power, assumed for the simulated rollers."""

PULL_COLUMNS = {
    "Engine Speed (rpm)": "rpm [rpm]",
    "Wheel Torque (N·m)": "torque [N*m]",
    "Wheel Power (kW)": "power [kW]",
    "Intake Air Temperature (°C)": "iat [degC]",
    "Coolant Temperature (°C)": "coolant [degC]",
}


@dataclass(frozen=True)
class PullResult:
    """One pull: engine speed [rpm], engine torque without noise [N·m], rows of the file, cell conditions."""

    rpm: Array
    true_torque: Array
    rows: tuple[str, ...]
    cell_temperature: float
    cell_pressure: float
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


def dyno_pull(
    vehicle: Vehicle, configuration: Configuration, order: int, rng: np.random.Generator, pressure: float = 101.1
) -> PullResult:
    """Return one pull; the intake warms from pull to pull, the more the more under-hood air it draws."""
    rpm = np.arange(2000.0, 6401.0, 50.0)
    cell = 23.0 + 0.25 * order + rng.normal(0.0, 0.1)
    soak = 4.0 + 14.0 * configuration.draw_idle + 0.8 * order
    air = cell + soak * (0.55 + 0.45 * np.exp(-(rpm - 2000.0) / 1500.0))
    torque = engine_torque(vehicle, configuration, rpm, air, pressure)
    drift = 1.0 + rng.normal(0.0, 0.004)
    wobble = np.convolve(rng.standard_normal(len(rpm) + 8), np.ones(9) / 9.0, mode="valid") * 0.9
    wheel = torque * DRIVELINE * drift + wobble
    power = wheel * rpm * np.pi / 30.0 / 1000.0
    coolant = 88.0 + 0.6 * order + 4.0 * (rpm - 2000.0) / 4400.0
    rows = tuple(
        f"{r:.0f},{t:.1f},{p:.2f},{a:.0f},{c:.0f}"
        for r, t, p, a, c in zip(rpm, wheel, power, np.floor(air), np.floor(coolant), strict=True)
    )
    return PullResult(rpm, torque, rows, cell, pressure, 44.0 + rng.normal(0.0, 1.0))


def warm_up_pull(
    vehicle: Vehicle, configuration: Configuration, rng: np.random.Generator, pressure: float = 101.1
) -> PullResult:
    """Return a first pull on cold rollers: coolant below its working temperature, more drag."""
    pull = dyno_pull(vehicle, configuration, 1, rng, pressure)
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
