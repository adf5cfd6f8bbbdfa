"""The thermal model: closed forms through its integrator, parameters and drives that are known, runs that cannot be used."""

import timeit
from dataclasses import replace
from time import process_time

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.stats import norm

from intake_report.thermal import DISCREPANCY, deviance, fit
from intake_report.thermal import model as thermal
from intake_report.thermal.model import MIDDLE, STEP, DriveInput, element, lacking, respond, trace


@pytest.mark.parametrize("step", [0.01, 1.0, 50.0, 5000.0])
def test_a_step_response_is_the_exponential_however_coarse_or_stiff(step):
    time = np.arange(40) * step
    found = respond(np.full(40, 1.0 / 30.0), np.full(40, 10.0), 0.0, step)
    assert np.abs(found - 10.0 * -np.expm1(-time / 30.0)).max() < 1e-6


def test_irregular_sampling_and_a_ramp_are_exact():
    """A ramp is followed late by rate·τ once the start is forgotten: y = r·(t − τ·(1 − exp(−t/τ)))."""
    time = np.concatenate([[0.0], np.cumsum(np.random.default_rng(1).uniform(0.05, 9.0, 300))])
    found = respond(np.full(301, 1.0 / 20.0), 0.3 * time, 0.0, np.diff(time))
    assert np.abs(found - 0.3 * (time + 20.0 * np.expm1(-time / 20.0))).max() < 1e-6
    assert 0.3 * time[-1] - found[-1] == pytest.approx(0.3 * 20.0, abs=1e-6)


def test_textbook_lumped_capacitances():
    """Two worked examples, to the digits of their sources.

    F. P. Incropera et al., Fundamentals of Heat and Mass Transfer, example 5.1 (junction of 1 s, 25 to 199 °C in gas of
    200 °C: 5.2 s); Y. A. Çengel, Heat Transfer, example 4-1 (b = 0.4632 1/s: 99 % after 10 s).
    """
    time = np.arange(0.0, 20.0, 0.001)
    bead = respond(np.ones(time.shape), np.full(time.shape, 200.0), 25.0, 0.001)
    assert np.interp(199.0, bead, time) == pytest.approx(5.2, abs=0.05)
    assert np.interp(199.0, bead, time) == pytest.approx(np.log(175.0), abs=1e-5)
    area_to_volume, film, density, heat = 6.0 / 0.001, 210.0, 8500.0, 320.0
    wire = respond(np.full(time.shape, film * area_to_volume / (density * heat)), np.ones(time.shape), 0.0, 0.001)
    assert np.interp(0.99, wire, time) == pytest.approx(10.0, rel=0.01)


@pytest.mark.parametrize("excess, within, tau, expected", [(30.0, 5.0, 60.0, 107.506), (38.0, 3.0, 75.0, 190.423)])
def test_recovery_of_one_response_is_the_logarithm(excess, within, tau, expected):
    """τ·ln(ΔT₀/N), an identity; and two in series cross later by τ·ln(τ/(τ − s)) once the faster one has died away."""
    time = np.arange(0.0, 600.0, 0.1)
    air = respond(np.full(time.shape, 1.0 / tau), np.zeros(time.shape), excess, 0.1)
    assert np.interp(-within, -air, time) == pytest.approx(expected, abs=1e-3)
    sensor = respond(np.full(time.shape, 1.0 / 8.0), air, excess, 0.1)
    assert np.interp(-within, -sensor, time) - expected == pytest.approx(tau * np.log(tau / (tau - 8.0)), abs=0.01)


def test_rates_that_change_agree_with_a_general_solver():
    time = np.arange(0.0, 300.0, STEP)
    rate, target = 0.02 + 0.3 * (np.sin(time / 15.0) > 0.0), 20.0 + 5.0 * np.sin(time / 40.0)
    middle = 0.5 * (rate[1:] + rate[:-1])

    def slope(t, x):
        return middle[min(int(t / STEP), middle.size - 1)] * (np.interp(t, time, target) - x)

    found = solve_ivp(slope, (0.0, time[-1]), [35.0], t_eval=time, max_step=0.05, rtol=1e-9, atol=1e-9)
    # the general solver steps over the jumps
    assert np.abs(respond(rate, target, 35.0, STEP) - found.y[0]).max() < 2e-3


def test_the_deviance_is_that_of_a_rounded_normal():
    model = np.linspace(-2.0, 2.0, 241)
    root, slope = deviance(model, np.zeros(241), 1.0)
    off = np.abs(model)  # on this side the difference of the two keeps its digits
    p = norm.cdf((0.5 - off) / DISCREPANCY) - norm.cdf((-0.5 - off) / DISCREPANCY)
    assert np.allclose(0.5 * root**2, np.log(p.max()) - np.log(p), atol=1e-9)
    assert np.allclose(np.gradient(root, model)[2:-2], slope[2:-2], atol=2e-3)
    assert np.all(np.sign(root) == np.sign(model))


# ---- a drive that is known ------------------------------------------------------------------------------------------

TRUE = MIDDLE + np.array([0.3, 0.2, -0.3, 0.2, 0.1, 0.1, 0.2, 0.1, 0.2, 0.1, 0.2, -0.1, 0.1])


def stop_and_go(run: str, seed: int, effects=None, seconds: float = 1500.0, **more) -> DriveInput:
    """Return 25 minutes of town and highway with readings in whole degrees, made by the model itself."""
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, seconds, STEP)
    speed, at = np.full(time.shape, 30.0), 0.0
    while at < 900.0:
        driven, stopped = rng.uniform(40.0, 90.0), rng.uniform(10.0, 80.0)
        speed[(time >= at) & (time < at + driven)] = rng.uniform(8.0, 16.0)
        speed[(time >= at + driven) & (time < at + driven + stopped)] = 0.0
        at += driven + stopped
    speed = np.convolve(speed, np.ones(5) / 5.0, "same")
    calm = np.zeros(time.shape)
    usual = thermal.usual_airflow(speed)
    drive = DriveInput(run, "a", None, time, speed, usual, calm + 90.0, calm + 22.0, calm, calm, **more)
    truth = element(TRUE, drive.expected if effects is None else effects, drive)
    return replace(drive, reading_time=time, reading=np.round(truth))


def test_known_parameters_come_back_and_a_replay_is_near_the_truth():
    """Two runs in whole degrees: the other drive is foretold to 0.3 K, and parameters lie within their stated spread."""
    fitted = fit([stop_and_go("one", 1), stop_and_go("two", 2)])
    other = stop_and_go("three", 3)
    off = element(fitted.shape, other.expected, other) - element(TRUE, other.expected, other)
    assert np.sqrt(np.mean(off**2)) < 0.2 and abs(off.max()) < 1.0
    assert np.all(np.abs(fitted.shape - TRUE) < 3.0 * np.sqrt(np.diag(fitted.covariance))[: TRUE.size])


def test_a_run_that_heats_more_has_its_own_effect():
    effects = [stop_and_go("x", 1).expected for _ in range(2)]
    effects[0][0], effects[1][0] = 0.12, -0.12
    fitted = fit([stop_and_go("one", 1, effects[0]), stop_and_go("two", 2, effects[1])])
    own = fitted.effects[:, :3].sum(axis=1)  # heat, flushing and share act alike: their sum is what a run shows
    assert own[0] > own[1] + 0.05


def test_what_was_not_driven_is_named_and_not_known_better_than_before():
    """Without a stop nothing is learnt of standing still; such runs are refused for a common drive."""
    drive, law, second = stop_and_go("one", 1), (3.0, 0.6, 0.0, 0.0), np.arange(1500.0)
    steady = trace("steady", np.array([0.0, 1500.0]), np.full(2, 25.0), law, 22.0)
    steady = replace(steady, reading_time=steady.time, reading=np.round(element(TRUE, steady.expected, steady)))
    assert {"flush", "share_still", "flush_speed"} <= set(fit([steady]).not_excited)
    assert "flush_speed" not in fit([drive]).not_excited
    town = trace("town", second, np.where(second % 90.0 < 60.0, 12.0, 0.0), law, 22.0)
    assert lacking([steady]).code == "no-stops" and lacking([town]).code == "no-highway" and lacking([drive]) is None


def test_temperatures_stay_between_what_heats_and_what_cools_them():
    rng = np.random.default_rng(4)
    drive = stop_and_go("one", 5)
    shapes = MIDDLE + rng.normal(0.0, 1.0, (200, MIDDLE.size))
    found = thermal.over_ambient(shapes, np.broadcast_to(drive.expected, (200, 7)), drive)
    assert all(np.isfinite(values).all() and values.min() >= 0.0 for values in found.values())
    assert found["bay"].max() <= 90.0 - 22.0
    assert np.all(found["air"].max(axis=1) <= found["bay"].max(axis=1) + 1e-9)
    assert np.all(thermal.natural(shapes)[:, thermal.SHARE] < 1.0) and len(thermal.COEFFICIENTS) == MIDDLE.size


def test_wind_from_ahead_acts_as_speed():
    drive = stop_and_go("one", 1)
    east = replace(drive, east=np.ones(drive.time.shape), wind=np.array([4.0, 0.0]), wind_known=True)
    faster = replace(drive, speed=drive.speed + 4.0)
    assert np.allclose(element(TRUE, east.expected, east), element(TRUE, drive.expected, faster))


def test_airflow_follows_speed_as_in_the_runs():
    drive = stop_and_go("one", 1)
    law = (2.0, 0.4, 0.3, 1.5)
    driven = replace(drive, airflow=thermal.usual_airflow(drive.speed, law))
    assert np.allclose(thermal.airflow_law([driven]), law, atol=1e-6)


@pytest.mark.bench
def test_the_banded_system_is_faster_than_a_loop_and_a_general_solver():
    rng, grid = np.random.default_rng(2), np.arange(900) * STEP
    rate, target = rng.uniform(0.01, 0.1, 900), rng.uniform(20.0, 40.0, 900)

    def banded():
        respond(rate, target, 30.0, STEP)

    def loop():
        x, out = 30.0, []
        for k in range(899):
            out.append(x)
            a = np.exp(-0.5 * (rate[k] + rate[k + 1]) * STEP)
            x = a * x + (1.0 - a) * 0.5 * (target[k] + target[k + 1])
        return out

    def slope(t, x):
        return np.interp(t, grid, rate) * (np.interp(t, grid, target) - x)

    def general():
        solve_ivp(slope, (0.0, grid[-1]), [30.0], t_eval=grid, max_step=STEP)

    ours, *others = (min(timeit.repeat(call, number=1, repeat=3)) for call in (banded, loop, general))
    slower = [other / ours for other in others]
    print(f"\n900 steps: banded {1e3 * ours:.2f} ms, loop {slower[0]:.0f}, solve_ivp {slower[1]:.0f} times as long")
    assert min(slower) > 3.0


@pytest.mark.bench
def test_three_long_runs_at_ten_readings_a_second_are_fitted_with_intervals_in_three_seconds():
    """Processor time of one configuration: 3 runs of 30 min at 10 Hz, fit and the draws of a replay."""
    fine, drives = np.arange(0.0, 1800.0, 0.1), []
    for seed in (1, 2, 3):
        drive = stop_and_go(str(seed), seed, seconds=1800.0)
        truth = np.interp(fine, drive.time, element(TRUE, drive.expected, drive))
        drives.append(replace(drive, reading_time=fine, reading=np.round(truth)))
    begin = process_time()
    fitted = fit(drives)
    shapes, effects = fitted.draws(100, np.random.default_rng(1))
    off = np.hstack([shapes, effects[0]])
    trace, slopes = thermal.sensitivity(fitted.shape, fitted.effects[0], drives[0])
    spread = (trace + off @ slopes[: off.shape[1]]).std(axis=0)
    took, spread = process_time() - begin, np.median(spread)
    print(f"\n3 runs of 30 min at 10 Hz: {took:.2f} s of processor time, median spread of the trace {spread:.2f} K")
    assert took < 3.0 and 0.0 < spread < 1.0
