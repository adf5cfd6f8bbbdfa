from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated import FAST_STEP, batch_truth, run_events, run_truth, simulate_batch

from intake_report.demo.route import demo_route, draw_plan, drive
from intake_report.demo.scenario import OPEN, RAMP_TRIAL, SEALED, STOCK, SimulatedVehicle
from intake_report.demo.simulate import heat, run_engine

ROUTE, DAY = demo_route(), RAMP_TRIAL.days[0]
ORDER = (SEALED, STOCK, OPEN)  # by their share of air from under the hood


def steady(configurations, kmh, *, seconds=6000.0, dt=1.0, soak=10.0):
    """Hold a speed for a long time, one speed and configuration per column; return engine and temperatures."""
    steps, n = int(seconds / dt), len(configurations)
    speed = np.full((steps, n), kmh) / 3.6
    zero = np.zeros_like(speed)
    engine = run_engine(SimulatedVehicle(), speed, dt, zero, zero, zero + 1.18)
    start = np.full(n, soak)
    warm = np.full(n, 88.0)
    return engine, heat(configurations, speed, engine, zero + 25.0, speed, np.zeros(n), warm, start, start, dt)


def test_insulated_duct_that_draws_outside_air_shows_ambient_plus_stagnation():
    still = ("draw_idle", "draw_cruise", "inlet_recirculation", "outer", "outer_speed", "mount")
    _, t = steady((replace(STOCK, **dict.fromkeys(still, 0.0)),), 108.0)
    stagnation = 0.6 * 30.0**2 / (2.0 * 1006.0)  # v²/2cp with a recovery of 0.6
    assert t["air"][-1, 0] - 25.0 == pytest.approx(stagnation, abs=1e-3)  # a plume of 1.6 exp(-10) K is left


def test_steady_state_does_not_depend_on_start_or_step():
    _, a = steady(ORDER * 3, np.repeat([40.0, 70.0, 110.0], 3), seconds=8000.0, soak=2.0)
    _, b = steady(ORDER * 3, np.repeat([40.0, 70.0, 110.0], 3), seconds=8000.0, soak=30.0, dt=0.5)
    assert a["fan"][-2000:].max() == b["fan"][-2000:].max() == 0.0  # otherwise there would be a cycle, no steady state
    for name in ("air", "element", "under_hood", "wall", "coolant"):
        assert a[name][-1] == pytest.approx(b[name][-1], abs=0.02)


SPEEDS = (0.0, 30.0, 50.0, 60.0, 110.0)


@pytest.fixture(scope="module")
def settled():
    """Engine and temperatures [speed, configuration] after 6,000 s at each of `SPEEDS`, of each of `ORDER`."""
    engine, temperatures = steady(ORDER * len(SPEEDS), np.repeat(SPEEDS, len(ORDER)))
    last = {name: values[-1].reshape(len(SPEEDS), -1) for name, values in temperatures.items()}
    return engine.airflow[-1].reshape(len(SPEEDS), -1), last


def test_temperatures_are_ordered_as_heat_flows(settled):
    flow, last = settled
    order = (last[name] for name in ("coolant", "under_hood", "wall", "air", "drawn"))
    assert all(np.all(warmer > cooler) for warmer, cooler in pairwise([*order, 25.0]))
    # heat that the air takes up on its way equals what the wall gives: effectiveness of a wall at one temperature
    inner = np.array([c.inner_still for c in ORDER]) + np.array([c.inner_flow for c in ORDER]) * flow**0.8
    kept = np.exp(-inner / (flow * 1.006))
    gained = flow * 1.006 * (last["air"] - last["drawn"])
    given_off = flow * 1.006 * (1.0 - kept) * (last["wall"] - last["drawn"])
    # the node of the wall is one step behind the air, and a fan cycle at standstill keeps it moving
    assert gained == pytest.approx(given_off, rel=0.02)


def test_over_ambient_falls_with_speed_and_rises_with_under_hood_share(settled):
    over = settled[1]["air"] - 25.0
    assert np.all(np.diff(over, axis=0) < 0)
    assert np.all(np.diff(over, axis=1) > 0)


def test_vehicle_ambient_sensor_reads_high_at_standstill(settled):
    over = settled[1]["ambient_element"][:, ORDER.index(STOCK)] - 25.0
    assert over[0] > 3.0 and 0.0 < over[-1] < 0.5


@given(kmh=st.floats(20.0, 120.0), more=st.floats(2.0, 20.0))
@settings(max_examples=30)
def test_airflow_rises_with_speed_in_one_gear_and_pays_for_the_power(kmh, more):
    v = SimulatedVehicle()
    speed = np.array([[kmh, kmh + more]] * 3) / 3.6
    zero = np.zeros_like(speed)
    engine = run_engine(v, speed, 1.0, zero, zero, zero + 1.18)
    resistance = v.mass * 9.80665 * v.rolling + 0.5 * 1.18 * v.drag_area * speed**2
    assert np.all(engine.fuel_power * v.indicated_efficiency > resistance * speed / 0.91)
    assert np.all(engine.airflow / 14.6 * 43.0e3 == pytest.approx(engine.fuel_power, rel=1e-9))
    low, high = v.gear_speed, np.searchsorted(v.shift_up, speed[0])
    if low[high[0]] == low[high[1]]:
        assert engine.airflow[0, 1] > engine.airflow[0, 0]


@pytest.mark.parametrize("dt", [0.1, 1.0])
def test_motion_keeps_to_plan_limits_and_physics(dt):
    plans = tuple(draw_plan(ROUTE, DAY, 16.0, np.random.default_rng(i)) for i in range(4))
    motion = drive(ROUTE, plans, dt)
    for i, plan in enumerate(plans):
        n = motion.samples[i]
        s, v = motion.distance[:n, i], motion.speed[:n, i]
        assert np.all(np.diff(s) >= 0) and 0.0 <= ROUTE.length - s[-1] <= 1.1 * v[-1] * dt
        acceleration = np.diff(v)[:-1] / dt
        halt = v[1:-1] == 0.0  # the last step into a halt is cut off by the grid
        assert acceleration[~halt].min() > -3.3 and acceleration.max() < 2.6
        for place, hold in zip(plan.stop_place[1:], plan.stop_hold[1:], strict=True):
            still = (v == 0.0) & (np.abs(s - place) < 3.0)
            assert np.count_nonzero(still) * dt == pytest.approx(hold, abs=2.5 * dt)
        assert v.max() < 1.04 * ROUTE.limit.max()


def test_fast_path_at_the_full_step_is_the_full_simulation(run):
    batch = simulate_batch([(run.configuration, run.day, run.plan)], step=run.step)
    n = int(batch.samples[0])
    for name in ("distance", "speed", "true_air", "sensor_element", "ambient", "ambient_element", "airflow"):
        assert getattr(batch, name)[0, :n] == pytest.approx(getattr(run, name)[::10], abs=1e-9), name


def test_same_plan_gives_nearly_the_same_run_at_the_fast_step(run):
    batch = simulate_batch([(run.configuration, run.day, run.plan)])
    n = int(batch.samples[0])
    standstills = len(run.plan.stop_place)
    assert n == pytest.approx(run.time[-1], abs=FAST_STEP * standstills + 1.0)  # each may differ by a step
    fast, full = batch_truth(batch, ROUTE, "sensor_element"), run_truth(run, "sensor_element")
    assert fast["mean_city"][0] == pytest.approx(full.mean_over_ambient["city"], abs=0.1)
    assert fast["mean_highway"][0] == pytest.approx(full.mean_over_ambient["highway"], abs=0.05)
    assert fast["peak_over_ambient"][0] == pytest.approx(full.peak_over_ambient, abs=0.3)
    entry = run_events(run).highway_entry  # temperatures at the full run's recovery agree to 0.15 K
    over = batch.sensor_element[0, :n] - batch.ambient[0, :n]
    ramp = run.route.ramp_start
    shift = np.interp(ramp, batch.distance[0, :n], batch.time[:n]) - np.interp(ramp, run.distance, run.time)
    for margin, seconds in full.recovery.items():
        assert np.interp(entry + seconds + shift, batch.time[:n], over) == pytest.approx(margin, abs=0.15)


def test_a_run_does_not_depend_on_its_companions(run):
    other = draw_plan(ROUTE, RAMP_TRIAL.days[1], 15.0, np.random.default_rng(3))
    alone = simulate_batch([(run.configuration, run.day, run.plan)])
    among = simulate_batch([(OPEN, RAMP_TRIAL.days[1], other), (run.configuration, run.day, run.plan)])
    n = alone.samples[0]
    assert among.samples[1] == n
    assert np.array_equal(among.sensor_element[1, :n], alone.sensor_element[0, :n])
    assert np.all(np.isnan(among.sensor_element[1, n:]))
