"""Longitudinal vehicle model: from motion to engine speed, airflow, manifold pressure, throttle and heat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from intake_report.demo.articles import Configuration, Vehicle
from intake_report.demo.route import Array

AIR_GAS_CONSTANT = 287.05  # dry air [J/(kg K)]
_FUEL_HEAT = 43.0e3  # lower heating value of petrol [J/g], common practice
_STOICHIOMETRIC = 14.6  # air to fuel by mass, common practice
_GRAVITY = 9.80665


@dataclass(frozen=True)
class Engine:
    """Engine quantities on the same grid as the motion, time first.

    Attributes
    ----------
    rpm : array
        Engine speed [rpm].
    airflow : array
        Air mass flow [g/s].
    fuel_power : array
        Heat of the fuel burnt [W].
    load : array
        Airflow as a share of the highest at that engine speed [%].
    torque : array
        Engine torque, negative on overrun [N·m].
    """

    rpm: Array
    airflow: Array
    fuel_power: Array
    load: Array
    torque: Array


def friction_power(vehicle: Vehicle, rpm: Array) -> Array:
    """Return friction and pumping power [W] at engine speeds [rpm] (mean effective pressure rising with speed)."""
    pressure = 0.92e5 + 9.0e-4 * 1e5 * (rpm / 10.0) * 0.25
    result: Array = pressure * vehicle.displacement * rpm / 120.0
    return result


def pressure_drop(configuration: Configuration, airflow: Array) -> Array:
    """Return the intake restriction [kPa] at airflows [g/s]."""
    result: Array = configuration.restriction * (airflow / 100.0) ** configuration.restriction_exponent
    return result


def run_engine(vehicle: Vehicle, speed: Array, dt: float, grade: Array, head_wind: Array, density: Array) -> Engine:
    """Return what the engine does for a given motion.

    Parameters
    ----------
    vehicle
        The vehicle.
    speed : array, (t, n)
        Vehicle speed [m/s].
    dt : float
        Time step [s].
    grade : array, (t, n)
        Slope [m/m].
    head_wind : array, (t, n)
        Wind against the direction of travel [m/s].
    density : array, (t, n)
        Ambient air density [kg/m³].
    """
    # from the step before only: what follows the end of a run must not reach back into it
    acceleration = np.diff(speed, axis=0, prepend=speed[:1]) / dt
    through_air = speed + head_wind
    gear = np.searchsorted(np.array(vehicle.shift_up), speed.ravel()).reshape(speed.shape)
    ratio = np.array(vehicle.gear_speed)[gear]
    rpm = np.maximum(speed * ratio, vehicle.idle)
    # a driver who accelerates hard stays one gear lower
    lower = (acceleration > 0.9) & (gear > 0)
    rpm = np.where(lower, np.maximum(speed * np.array(vehicle.gear_speed)[np.maximum(gear - 1, 0)], vehicle.idle), rpm)
    rpm = np.where((speed > 0.3) & (acceleration > 0.3), np.maximum(rpm, 1250.0), rpm)  # slipping clutch
    force = (
        vehicle.mass * 1.06 * acceleration
        + 0.5 * density * vehicle.drag_area * through_air * np.abs(through_air)
        + np.where(speed > 0.05, vehicle.mass * _GRAVITY * (vehicle.rolling + grade), 0.0)
    )
    wheel = force * speed
    auxiliaries = 1500.0  # alternator and air conditioning [W]
    brake = np.where(wheel > 0.0, wheel / 0.91, 0.0) + auxiliaries
    indicated = brake + friction_power(vehicle, rpm)
    overrun = (wheel < -800.0) & (rpm > 1.15 * vehicle.idle)
    fuel_power = np.where(overrun, 0.0, indicated / vehicle.indicated_efficiency)
    airflow = fuel_power / _FUEL_HEAT * _STOICHIOMETRIC
    most = full_airflow(vehicle, rpm, density)
    airflow = np.where(overrun, 0.10 * most, np.minimum(airflow, most))
    torque = np.where(overrun, -friction_power(vehicle, rpm), brake) / (rpm * np.pi / 30.0)
    return Engine(rpm, airflow, fuel_power, 100.0 * airflow / most, torque)


def full_airflow(vehicle: Vehicle, rpm: Array, density: Array | float) -> Array:
    """Return the airflow [g/s] at wide-open throttle, engine speeds [rpm] and inlet density [kg/m³]."""
    efficiency = 0.92 - 0.16 * ((rpm - 4200.0) / 3800.0) ** 2
    result: Array = np.asarray(efficiency * density * vehicle.displacement * rpm / 120.0 * 1000.0)
    return result


def manifold_pressure(
    vehicle: Vehicle, configuration: Configuration, engine: Engine, air: Array, barometric: float
) -> Array:
    """Return manifold absolute pressure [kPa] from airflow, with air temperature [°C] at the sensor.

    The charge picks up heat on its way to the valve, the more the slower it flows; the restriction caps the pressure.
    """
    charge = air + 273.15 + 18.0 * np.exp(-engine.airflow / 12.0)
    efficiency = 0.92 - 0.16 * ((engine.rpm - 4200.0) / 3800.0) ** 2
    kg = engine.airflow * 1e-3
    pressure = kg * AIR_GAS_CONSTANT * charge * 120.0 / (vehicle.displacement * engine.rpm * efficiency) / 1000.0
    pressure = 10.0 + 0.90 * pressure  # residual gas raises the pressure that a small airflow needs
    return np.minimum(pressure, barometric - pressure_drop(configuration, engine.airflow) - 0.6)


def throttle(engine: Engine, pressure: Array, barometric: float) -> Array:
    """Return throttle opening [%] that passes the airflow at the manifold pressure [kPa] (orifice, common practice)."""
    ratio = np.clip(pressure / barometric, 0.1, 0.985)
    # subsonic nozzle function, constant below the critical ratio
    r = np.maximum(ratio, 0.528)
    nozzle = np.sqrt(np.maximum(r ** (2.0 / 1.4) - r ** (2.4 / 1.4), 1e-4)) / 0.2588
    area = engine.airflow / nozzle
    return np.clip(9.0 + 78.0 * (area / 420.0) ** 0.62, 0.0, 100.0)


def spark_advance(engine: Engine, reading: Array) -> Array:
    """Return ignition advance [° before top dead centre]; the engine control takes some back for hot intake air."""
    base = 14.0 + 24.0 * np.clip((engine.rpm - 700.0) / 2600.0, 0.0, 1.0) - 0.22 * np.maximum(engine.load - 25.0, 0.0)
    taken_back = 0.28 * np.maximum(reading - 35.0, 0.0) * np.clip(engine.load / 60.0, 0.0, 1.0)
    return base - taken_back
