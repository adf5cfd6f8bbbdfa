"""Simulated runs: one in full at the logger's rate, or whole campaigns at once for Monte Carlo studies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from intake_report.demo.articles import STOCK, Configuration, Vehicle
from intake_report.demo.powertrain import Engine, manifold_pressure, run_engine, spark_advance, throttle
from intake_report.demo.route import Array, Route, demo_route
from intake_report.demo.thermal_truth import Surroundings, Temperatures, heat
from intake_report.demo.traffic import NOISE_STEP, Day, Motion, RunPlan, draw_plan, drive

LOG_STEP = 0.1
"""Time step of a full simulation [s]: the logger writes a row each step."""

SPEED_SCALE = 1.012
"""Vehicle speed reading over true speed: speedometers read a little high (common practice)."""

FAST_STEP = 0.5
"""Time step of the fast path [s]; it keeps every second sample (1 Hz)."""


@dataclass(frozen=True)
class SimulatedRun:
    """One run's continuous truth on a uniform grid (all arrays (t,)).

    Temperatures named `true_air` and `sensor_element` are the two that metrics are defined on: the air at the sensor's
    location, which no sensor shows, and the sensor's element before the control unit rounds it.

    Attributes
    ----------
    time : array
        Seconds since the start of the log.
    distance : array
        Route distance [m].
    speed : array
        [km/h].
    true_air, sensor_element : arrays
        Intake air temperature, see above [°C].
    ambient : array
        Free-stream air temperature at the vehicle [°C]: the reference of every true over-ambient.
    ambient_element : array
        The vehicle's own ambient sensor before rounding [°C].
    coolant, under_hood, duct_wall, drawn_air : arrays
        [°C].
    rpm, airflow, manifold_pressure, throttle, load, spark_advance : arrays
        [rpm], [g/s], [kPa], [%], [%], [° before top dead centre].
    """

    configuration: Configuration
    day: Day
    plan: RunPlan
    route: Route
    vehicle: Vehicle
    step: float
    time: Array
    distance: Array
    speed: Array
    true_air: Array
    sensor_element: Array
    ambient: Array
    ambient_element: Array
    coolant: Array
    under_hood: Array
    duct_wall: Array
    drawn_air: Array
    rpm: Array
    airflow: Array
    manifold_pressure: Array
    throttle: Array
    load: Array
    spark_advance: Array


@dataclass(frozen=True)
class SimulatedBatch:
    """Many runs on one 1 Hz grid, runs first; NaN after a run's end.

    Attributes
    ----------
    time : array, (t,)
        Seconds since the start of each log.
    distance, speed, true_air, sensor_element, ambient, ambient_element, airflow : arrays, (n, t)
        As in `SimulatedRun` (speed in km/h).
    station : array, (n, t)
        Air temperature at a station outside the city [°C], without the fluctuation that the vehicle meets.
    samples : int array, (n,)
        Number of valid samples of each run.
    """

    time: Array
    distance: Array
    speed: Array
    true_air: Array
    sensor_element: Array
    ambient: Array
    ambient_element: Array
    airflow: Array
    station: Array
    samples: NDArray[np.int64]

    def readings(self, rounding: str = "floor") -> dict[str, Array]:
        """Return what a 1 Hz logger shows: "iat", "ambient" and "speed" in the control unit's steps, (n, t) each."""
        return {
            "iat": quantise(self.sensor_element, rounding),
            "ambient": quantise(self.ambient_element, rounding),
            "speed": quantise(self.speed * SPEED_SCALE, "round"),
        }


@dataclass(frozen=True)
class _Raw:
    motion: Motion
    station: Array
    engine: Engine
    around: Surroundings
    temperatures: Temperatures


def _air_density(celsius: Array, pressure: Array | float) -> Array:
    result: Array = pressure * 1000.0 / (287.05 * (celsius + 273.15))
    return result


def urban_excess(route: Route, distance: Array) -> Array:
    """Return how much warmer the city's air is than the countryside's [K] at route distances [m]."""
    rise = 1.0 / (1.0 + np.exp(-(distance - 500.0) / 250.0))
    fall = 1.0 / (1.0 + np.exp((distance - route.ramp_start + 200.0) / 350.0))
    result: Array = 0.5 * rise * fall
    return result


def _simulate(runs: Sequence[tuple[Configuration, Day, RunPlan]], route: Route, vehicle: Vehicle, dt: float) -> _Raw:
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
    ambient += urban_excess(route, s)
    index = np.minimum(s.astype(np.int64), len(route.distance) - 1)
    towards = np.radians(270.0 - np.array([day.wind_from for _, day, _ in runs]))  # direction of flow, from east
    wind = np.array([day.wind_speed for _, day, _ in runs])
    head = -(wind + gust) * np.cos(towards - route.heading[index]) * 0.6  # sheltered near the ground
    pressure = np.array([day.pressure for _, day, _ in runs])
    engine = run_engine(vehicle, v, dt, np.where(v > 0, route.grade[index], 0.0), head, _air_density(ambient, pressure))
    around = Surroundings(ambient, np.abs(v + head), np.array([day.sun for _, day, _ in runs]))
    plans = [p for _, _, p in runs]
    temperatures = heat(
        configurations,
        v,
        engine,
        around,
        np.array([p.coolant for p in plans]),
        np.array([p.soak for p in plans]),
        np.array([p.metal for p in plans]),
        dt,
    )
    return _Raw(motion, station, engine, around, temperatures)


def simulate_run(
    configuration: Configuration,
    day: Day,
    seed: int | np.random.Generator,
    *,
    start: float = 17.0,
    route: Route | None = None,
    vehicle: Vehicle | None = None,
    plan: RunPlan | None = None,
    step: float = LOG_STEP,
) -> SimulatedRun:
    """Simulate one drive of the route.

    Parameters
    ----------
    configuration, day
        What is fitted, and the day's weather and traffic.
    seed : int or numpy Generator
        Source of the run's randomness (not used where a `plan` is given).
    start : float
        Start of the log [h after midnight UTC]; a given plan brings its own.
    route, vehicle
        Defaults: the demo's.
    plan : RunPlan, optional
        Traffic, driver and start state already drawn.
    step : float
        Time step [s], 0.05 to 1.

    Returns
    -------
    SimulatedRun
    """
    route = route or demo_route()
    vehicle = vehicle or Vehicle()
    plan = plan or draw_plan(route, day, start, np.random.default_rng(seed))
    raw = _simulate([(configuration, day, plan)], route, vehicle, step)
    count = int(raw.motion.samples[0])
    t, e = raw.temperatures, raw.engine
    engine = Engine(*(a[:count, 0] for a in (e.rpm, e.airflow, e.fuel_power, e.load, e.torque)))
    element = t.element[:count, 0]
    pressure = manifold_pressure(vehicle, configuration, engine, element, day.pressure)
    return SimulatedRun(
        configuration=configuration,
        day=day,
        plan=plan,
        route=route,
        vehicle=vehicle,
        step=step,
        time=raw.motion.time[:count],
        distance=raw.motion.distance[:count, 0],
        speed=3.6 * raw.motion.speed[:count, 0],
        true_air=t.air[:count, 0],
        sensor_element=element,
        ambient=raw.around.ambient[:count, 0],
        ambient_element=t.ambient_element[:count, 0],
        coolant=t.coolant[:count, 0],
        under_hood=t.under_hood[:count, 0],
        duct_wall=t.wall[:count, 0],
        drawn_air=t.drawn[:count, 0],
        rpm=engine.rpm,
        airflow=engine.airflow,
        manifold_pressure=pressure,
        throttle=throttle(engine, pressure, day.pressure),
        load=engine.load,
        spark_advance=spark_advance(engine, element),
    )


def simulate_batch(
    runs: Sequence[tuple[Configuration, Day, RunPlan]],
    *,
    route: Route | None = None,
    vehicle: Vehicle | None = None,
    step: float = FAST_STEP,
) -> SimulatedBatch:
    """Simulate many runs in step and keep the channels that the analysis needs, at 1 Hz.

    Parameters
    ----------
    runs : sequence of (Configuration, Day, RunPlan)
        One entry per run; runs of many campaigns may go into one call.
    route, vehicle
        Defaults: the demo's.
    step : float
        Time step [s]; 1 must be a multiple of it.

    Returns
    -------
    SimulatedBatch
    """
    route, vehicle = route or demo_route(), vehicle or Vehicle()
    parts = [_part(runs[i : i + _AT_ONCE], route, vehicle, step) for i in range(0, len(runs), _AT_ONCE)]
    longest = max(parts, key=lambda part: len(part.time))
    joined = {}
    for name in _SERIES:
        out = np.full((len(runs), len(longest.time)), np.nan)
        row = 0
        for part in parts:
            values: Array = getattr(part, name)
            out[row : row + values.shape[0], : values.shape[1]] = values
            row += values.shape[0]
        joined[name] = out
    return SimulatedBatch(time=longest.time, samples=np.concatenate([part.samples for part in parts]), **joined)


_AT_ONCE = 180  # runs simulated in step: enough to fill numpy's loops, few enough to bound the memory
_SERIES = ("distance", "speed", "true_air", "sensor_element", "ambient", "ambient_element", "airflow", "station")


def _part(
    runs: Sequence[tuple[Configuration, Day, RunPlan]], route: Route, vehicle: Vehicle, step: float
) -> SimulatedBatch:
    stride = round(1.0 / step)
    raw = _simulate(runs, route, vehicle, step)
    samples = (raw.motion.samples - 1) // stride + 1
    time = raw.motion.time[::stride]
    after = np.arange(len(time))[None, :] >= samples[:, None]

    def kept(values: Array) -> Array:
        out = np.ascontiguousarray(values[::stride].T)
        out[after] = np.nan
        return out

    t = raw.temperatures
    return SimulatedBatch(
        time=time,
        distance=kept(raw.motion.distance),
        speed=kept(3.6 * raw.motion.speed),
        true_air=kept(t.air),
        sensor_element=kept(t.element),
        ambient=kept(raw.around.ambient),
        ambient_element=kept(t.ambient_element),
        airflow=kept(raw.engine.airflow),
        station=kept(raw.station),
        samples=samples,
    )


def quantise(values: Array, mode: str = "floor", step: float = 1.0) -> Array:
    """Return what the control unit sends: temperatures in whole steps.

    Parameters
    ----------
    values : array
        [°C]; NaN stays.
    mode : {"floor", "round"}
        Control units differ in this, and a log does not say which was used.
    step : float
        Resolution [°C].
    """
    scaled = values / step
    return step * (np.floor(scaled) if mode == "floor" else np.round(scaled))


def control_run(run: SimulatedRun, seed: int | np.random.Generator, headway: float = 4.0) -> SimulatedRun:
    """Simulate the unmodified control vehicle that follows a run in tandem.

    Same day, same lights, same fluctuations of ambient; its own driver and start state, and the baseline intake.
    """
    rng = np.random.default_rng(seed)
    p = run.plan
    plan = RunPlan(
        start=p.start,
        idle=p.idle + headway,
        stop_place=np.concatenate([p.stop_place[:1], p.stop_place[1:] - 8.0]),
        stop_hold=p.stop_hold + rng.normal(0.0, 0.6, len(p.stop_hold)).clip(-2.0, 2.0),
        pace=p.pace * float(rng.normal(1.0, 0.004)),
        acceleration=p.acceleration * float(rng.normal(1.0, 0.03)),
        ramp_acceleration=p.ramp_acceleration * float(rng.normal(1.0, 0.03)),
        coolant=float(rng.uniform(84.0, 93.0)),
        soak=float(rng.uniform(9.0, 20.0)),
        metal=float(rng.uniform(12.0, 20.0)),
        noise=p.noise,
        gust=p.gust,
    )
    return simulate_run(STOCK, run.day, rng, route=run.route, vehicle=run.vehicle, plan=plan, step=run.step)
