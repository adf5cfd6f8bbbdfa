"""One simulated drive in full: motion, engine, heat, and what the sensors' elements show.

The longitudinal model gives engine speed, airflow, manifold pressure, throttle and heat; eight coupled thermal nodes with
flow-dependent conductances and a fan with hysteresis are stepped semi-implicitly (stable for any step). Nothing here is
shared with the analysis, which knows one first-order response at most.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from intake_report.demo.route import NOISE_STEP, Motion, RunPlan, SimulatedRoute, demo_route, drive
from intake_report.demo.scenario import Array, Day, Intake, SimulatedVehicle

LOG_STEP = 0.1  # time step of a full simulation [s]: the logger writes a row each step
SPEED_SCALE = 1.012  # vehicle speed reading over true speed: speedometers read a little high (common practice)
AIR_GAS_CONSTANT = 287.05  # dry air [J/(kg K)]
_FUEL_HEAT = 43.0e3  # lower heating value of petrol [J/g], common practice
_STOICHIOMETRIC = 14.6  # air to fuel by mass, common practice
_GRAVITY = 9.80665
_CP = 1.006  # air [J/(g K)]
# Capacities [J/K] and conductances [W/K] of a generic compact engine bay; invented, tuned to the trade's magnitudes.
_ENGINE, _HOT, _BAY, _METAL = 95e3, 11e3, 2600.0, 30e3
_ENGINE_BAY, _HOT_BAY, _METAL_BAY = 26.0, 4.6, 34.0
_FAN_ON, _FAN_OFF = 97.5, 93.5


class Engine(NamedTuple):
    """Engine quantities on the same grid as the motion, time first."""

    rpm: Array
    airflow: Array  # [g/s]
    fuel_power: Array  # heat of the fuel burnt [W]
    load: Array  # airflow as a share of the highest at that engine speed [%]


def friction_power(vehicle: SimulatedVehicle, rpm: Array) -> Array:
    """Return friction and pumping power [W] at engine speeds [rpm] (mean effective pressure rising with speed)."""
    pressure = 0.92e5 + 9.0e-4 * 1e5 * (rpm / 10.0) * 0.25
    return np.asarray(pressure * vehicle.displacement * rpm / 120.0)


def pressure_drop(configuration: Intake, airflow: Array) -> Array:
    """Return the intake restriction [kPa] at airflows [g/s]."""
    return np.asarray(configuration.restriction * (airflow / 100.0) ** configuration.restriction_exponent)


def run_engine(vehicle: SimulatedVehicle, speed: Array, dt: float, grade: Array, wind: Array, density: Array) -> Engine:
    """Return what the engine does for a motion (t, n): speed and head wind [m/s], slope [m/m], air density [kg/m³]."""
    # from the step before only: what follows the end of a run must not reach back into it
    acceleration = np.diff(speed, axis=0, prepend=speed[:1]) / dt
    through_air = speed + wind
    gear = np.searchsorted(np.array(vehicle.shift_up), speed.ravel()).reshape(speed.shape)
    ratio = np.array(vehicle.gear_speed)[gear]
    rpm = np.maximum(speed * ratio, vehicle.idle)
    lower = np.array(vehicle.gear_speed)[np.maximum(gear - 1, 0)]  # a driver who accelerates hard stays one gear lower
    rpm = np.where((acceleration > 0.9) & (gear > 0), np.maximum(speed * lower, vehicle.idle), rpm)
    rpm = np.where((speed > 0.3) & (acceleration > 0.3), np.maximum(rpm, 1250.0), rpm)  # slipping clutch
    force = (
        vehicle.mass * 1.06 * acceleration
        + 0.5 * density * vehicle.drag_area * through_air * np.abs(through_air)
        + np.where(speed > 0.05, vehicle.mass * _GRAVITY * (vehicle.rolling + grade), 0.0)
    )
    wheel = force * speed
    brake = np.where(wheel > 0.0, wheel / 0.91, 0.0) + 1500.0  # alternator and air conditioning [W]
    indicated = brake + friction_power(vehicle, rpm)
    overrun = (wheel < -800.0) & (rpm > 1.15 * vehicle.idle)
    fuel_power = np.where(overrun, 0.0, indicated / vehicle.indicated_efficiency)
    airflow = fuel_power / _FUEL_HEAT * _STOICHIOMETRIC
    most = full_airflow(vehicle, rpm, density)
    airflow = np.where(overrun, 0.10 * most, np.minimum(airflow, most))
    return Engine(rpm, airflow, fuel_power, 100.0 * airflow / most)


def full_airflow(vehicle: SimulatedVehicle, rpm: Array, density: Array | float) -> Array:
    """Return the airflow [g/s] at wide-open throttle, engine speeds [rpm] and inlet density [kg/m³]."""
    return np.asarray(_filling(rpm) * density * vehicle.displacement * rpm / 120.0 * 1000.0)


def _filling(rpm: Array) -> Array:
    return np.asarray(0.92 - 0.16 * ((rpm - 4200.0) / 3800.0) ** 2)


def _control(
    vehicle: SimulatedVehicle, configuration: Intake, engine: Engine, air: Array, barometric: float
) -> tuple[Array, Array, Array]:
    """Return manifold absolute pressure [kPa], throttle opening [%] and ignition advance [° before top dead centre].

    `air` [°C] as the sensor has it. The charge picks up heat on its way to the valve, the more the slower it flows; the
    restriction caps the pressure. The throttle is an orifice (common practice); hot air takes back advance.
    """
    charge = air + 273.15 + 18.0 * np.exp(-engine.airflow / 12.0)
    volume = vehicle.displacement * engine.rpm * _filling(engine.rpm)
    pressure = engine.airflow * 1e-3 * AIR_GAS_CONSTANT * charge * 120.0 / volume / 1000.0
    pressure = 10.0 + 0.90 * pressure  # residual gas raises the pressure that a small airflow needs
    pressure = np.minimum(pressure, barometric - pressure_drop(configuration, engine.airflow) - 0.6)
    r = np.clip(pressure / barometric, 0.528, 0.985)  # subsonic nozzle function, constant below the critical ratio
    nozzle = np.sqrt(np.maximum(r ** (2.0 / 1.4) - r ** (2.4 / 1.4), 1e-4)) / 0.2588
    throttle = np.clip(9.0 + 78.0 * (engine.airflow / nozzle / 420.0) ** 0.62, 0.0, 100.0)
    base = 14.0 + 24.0 * np.clip((engine.rpm - 700.0) / 2600.0, 0.0, 1.0) - 0.22 * np.maximum(engine.load - 25.0, 0.0)
    taken_back = 0.28 * np.maximum(air - 35.0, 0.0) * np.clip(engine.load / 60.0, 0.0, 1.0)
    return pressure, throttle, base - taken_back


def heat(
    configurations: tuple[Intake, ...], speed: Array, engine: Engine, ambient: Array, through_air: Array, sun: Array,
    coolant: Array, soak: Array, metal: Array, dt: float,
) -> dict[str, Array]:  # fmt: skip
    """Step the temperatures of n runs through their drives (t, n) of time step `dt` [s], at most 1.

    `speed` (t, n): vehicle speed [m/s]; `ambient`, `through_air` (t, n): free-stream air temperature where the vehicle is
    [°C] and speed through the air [m/s]; `sun` (n,): solar intensity, 0 to 1; `coolant`, `soak`, `metal` (n,): start state,
    coolant [°C], under-hood air and slow metal above ambient [K].

    Returns [°C], (t, n) each: "air" at the sensor's location, the truth that no sensor shows; the "element" of the intake
    sensor before rounding; air "drawn" into the duct; "under_hood" air; inner surface of the duct "wall"; "coolant"; the
    element of the vehicle's own ambient sensor "ambient_element"; and the "fan", 0 to 1.
    """
    steps, n = speed.shape

    def of(name: str) -> Array:
        return np.array([getattr(c, name) for c in configurations])

    flow, air_speed = np.maximum(engine.airflow, 0.4), np.maximum(through_air, 0.0)
    # --- everything that does not depend on a temperature, for all times at once
    draw = of("draw_cruise") + (of("draw_idle") - of("draw_cruise")) * np.exp(-air_speed / of("draw_speed"))
    recirculation = of("inlet_recirculation") * np.exp(-air_speed / 2.5)
    inner = of("inner_still") + of("inner_flow") * flow**0.8
    kept = np.exp(-inner / (flow * _CP))
    to_air = flow * _CP * (1.0 - kept)
    outer = of("outer") + of("outer_speed") * speed
    lag = 5.0 * (10.0 / flow) ** 0.5
    conduction = 0.10 * np.exp(-flow / 9.0)  # stem conduction from the wall, lost in a fast stream
    stagnation = 0.6 * speed**2 / (2.0 * 1006.0)  # air brought to rest in the inlet warms [K]
    ram = air_speed / 30.0
    still = np.exp(-air_speed / 3.0)
    to_engine, to_hot = 0.25 * engine.fuel_power + 350.0, 0.085 * engine.fuel_power + 250.0
    plume = 1.6 * still  # exhaust and hot road in a queue [K]
    solar = sun * (70.0 + 90.0 * still)  # through bonnet and from the road [W]
    front_lag = np.where(speed > 1.5, 38.0, 110.0)
    # the duct sits at the front of the bay, in the ram stream
    washed = of("washed") * (1.0 - np.exp(-air_speed / 12.0))
    names = ("air", "element", "drawn", "under_hood", "wall", "coolant", "ambient_element", "fan")
    outputs = {name: np.empty((steps, n)) for name in names}

    through, mount, bulk_c, surface_c = (of(name) for name in ("through", "mount", "bulk", "surface"))
    t_engine, t_bay, t_metal = coolant.copy(), ambient[0] + soak, ambient[0] + metal
    t_hot = np.full(n, 150.0)
    soaked = soak * (0.25 + 0.6 * of("draw_idle"))
    t_bulk, t_wall = ambient[0] + 1.1 * soaked, ambient[0] + soaked
    fan = np.zeros(n)
    element, front = ambient[0] + soaked, ambient[0] + 0.12 * soak
    for i in range(steps):
        outside = ambient[i]
        fan = np.where(t_engine > _FAN_ON, 1.0, np.where(t_engine < _FAN_OFF, 0.0, fan))
        at_front = outside + recirculation[i] * (t_bay - outside) + plume[i]
        radiator_flow = 55.0 + 780.0 * ram[i] + (90.0 + 330.0 * fan) * still[i]  # [g/s]; air conditioning runs its fan
        opened = np.minimum(np.maximum((t_engine - 86.0) / 8.0, 0.02), 1.0)
        g_radiator = 0.42 * _CP * radiator_flow * opened
        discharged = at_front + g_radiator * (t_engine - at_front) / (radiator_flow * _CP) * 0.55
        g_vent = (0.13 + 0.16 * ram[i]) * _CP * radiator_flow
        # engine and coolant, exhaust side, bay air, slow metal
        source = to_engine[i] + g_radiator * at_front + _ENGINE_BAY * t_bay
        t_engine = _stepped(t_engine, dt / _ENGINE, source, g_radiator + _ENGINE_BAY)
        g_hot = _HOT_BAY + 22.0 * ram[i]
        share = _HOT_BAY / g_hot
        t_hot = _stepped(t_hot, dt / _HOT, to_hot[i] + g_hot * t_bay, g_hot)
        source = _ENGINE_BAY * t_engine + g_hot * share * t_hot + _METAL_BAY * t_metal + g_vent * discharged + solar[i]
        t_bay = _stepped(t_bay, dt / _BAY, source, _ENGINE_BAY + g_hot * share + _METAL_BAY + g_vent)
        t_metal = _stepped(t_metal, dt / _METAL, _METAL_BAY * t_bay + 9.0 * t_engine, _METAL_BAY + 9.0)
        # duct: air drawn, air at the sensor, wall
        drawn = at_front + draw[i] * (t_bay - at_front) + stagnation[i]
        air = t_wall + (drawn - t_wall) * kept[i]
        t_wall = _stepped(t_wall, dt / surface_c, to_air[i] * drawn + through * t_bulk, to_air[i] + through)
        t_duct = t_bay + washed[i] * (at_front - t_bay)
        source = outer[i] * t_duct + through * t_wall + mount * t_engine
        t_bulk = _stepped(t_bulk, dt / bulk_c, source, outer[i] + through + mount)
        # sensor elements
        target = air + conduction[i] * (t_wall - air)
        element = element + (target - element) * (dt / (lag[i] + dt))
        target = outside + (0.16 * (t_bay - outside) + 2.0) * still[i] + 0.3
        front = front + (target - front) * (dt / (front_lag[i] + dt))
        for name, value in zip(names, (air, element, drawn, t_bay, t_wall, t_engine, front, fan), strict=True):
            outputs[name][i] = value
    return outputs


def _stepped(node: Array, rate: Array | float, source: Array, sink: Array | float) -> Array:
    """Return a node's temperature after a step, what leaves it by its own new temperature; `rate`: time step over capacity."""
    return np.asarray((node + rate * source) / (1.0 + rate * sink))


@dataclass(frozen=True)
class SimulatedRun:
    """One run's continuous truth on a uniform grid, arrays (t,); metrics are defined on the first two temperatures."""

    configuration: Intake
    day: Day
    plan: RunPlan
    route: SimulatedRoute
    vehicle: SimulatedVehicle
    step: float  # [s]
    time: Array  # since the start of the log [s]
    distance: Array  # route distance [m]
    speed: Array  # [km/h]
    true_air: Array  # the air at the sensor's location, which no sensor shows [°C]
    sensor_element: Array  # before the control unit rounds it [°C]
    ambient: Array  # free-stream air at the vehicle [°C]: the reference of every true over-ambient
    ambient_element: Array  # the vehicle's own ambient sensor before rounding [°C]
    coolant: Array  # [°C]
    rpm: Array
    airflow: Array  # [g/s]
    load: Array  # [%]
    manifold_pressure: Array  # [kPa]
    throttle: Array  # [%]
    spark_advance: Array  # [° before top dead centre]


class Drives(NamedTuple):
    """n runs driven in step."""

    motion: Motion
    engine: Engine
    temperatures: dict[str, Array]  # (t, n) [°C]: of `heat`, free-stream "ambient", "station" outside the city


Conditions = tuple[Intake, Day, RunPlan]


def simulate(runs: Sequence[Conditions], route: SimulatedRoute, vehicle: SimulatedVehicle, dt: float) -> Drives:
    """Drive the route once per run, all in step of `dt` [s]."""
    configurations = tuple(c for c, _, _ in runs)
    motion = drive(route, tuple(p for _, _, p in runs), dt)
    s, v = motion.distance, motion.speed
    noise_time = np.arange(len(runs[0][2].noise)) * NOISE_STEP
    hours = np.array([p.start for _, _, p in runs]) + motion.time[:, None] / 3600.0
    station, ambient, gust = np.empty_like(s), np.empty_like(s), np.empty_like(s)
    for j, (_, day, plan) in enumerate(runs):
        station[:, j] = day.temperature(hours[:, j])
        ambient[:, j] = station[:, j] + np.interp(motion.time, noise_time, plan.noise)
        gust[:, j] = np.interp(motion.time, noise_time, plan.gust)
    # the city's air is warmer than the countryside's by up to 0.5 K
    rise = 1.0 / (1.0 + np.exp(-(s - 500.0) / 250.0))
    fall = 1.0 / (1.0 + np.exp((s - route.ramp_start + 200.0) / 350.0))
    ambient += 0.5 * rise * fall
    index = np.minimum(s.astype(np.int64), len(route.distance) - 1)
    weather = [(day.wind_from, day.wind_speed, day.pressure, day.sun) for _, day, _ in runs]
    wind_from, wind, pressure, sun = np.array(weather).T
    towards = np.radians(270.0 - wind_from)  # direction of flow, from east
    head = -(wind + gust) * np.cos(towards - route.heading[index]) * 0.6  # sheltered near the ground
    density = pressure * 1000.0 / (AIR_GAS_CONSTANT * (ambient + 273.15))
    engine = run_engine(vehicle, v, dt, np.where(v > 0, route.grade[index], 0.0), head, density)
    coolant, soak, metal = np.array([(p.coolant, p.soak, p.metal) for _, _, p in runs]).T
    temperatures = heat(configurations, v, engine, ambient, np.abs(v + head), sun, coolant, soak, metal, dt)
    return Drives(motion, engine, temperatures | {"ambient": ambient, "station": station})


def simulate_runs(runs: Sequence[Conditions], vehicle: SimulatedVehicle) -> tuple[SimulatedRun, ...]:
    """Simulate drives of the demo's route, all in step of `LOG_STEP`."""
    drives, made = simulate(runs, demo_route(), vehicle, LOG_STEP), []
    for place, (configuration, day, plan) in enumerate(runs):
        count = int(drives.motion.samples[place])
        t = {name: values[:count, place] for name, values in drives.temperatures.items()}
        engine = Engine(*(values[:count, place] for values in drives.engine))
        made.append(SimulatedRun(
            configuration, day, plan, demo_route(), vehicle, LOG_STEP, drives.motion.time[:count],
            drives.motion.distance[:count, place], 3.6 * drives.motion.speed[:count, place], t["air"], t["element"],
            t["ambient"], t["ambient_element"], t["coolant"], engine.rpm, engine.airflow, engine.load,
            *_control(vehicle, configuration, engine, t["element"], day.pressure),
        ))  # fmt: skip
    return tuple(made)
