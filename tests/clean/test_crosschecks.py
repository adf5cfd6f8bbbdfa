"""Cross checks on made runs with known answers."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from intake_report.clean import clean, cross_checks
from intake_report.clean.clocks import clock_drift, distance, drift_from_speed, lag_and_scale, speed_against_gps
from intake_report.clean.crosschecks import (
    airflow_unit,
    ambient_against_record,
    coolant_unit,
    intake_against_ambient,
    manifold_against_barometer,
)

from .support import log_of

TIME = np.arange(1800.0)
RNG = np.random.default_rng(21)


def profile(time):
    """A drive with stops: smooth, aperiodic speed [km/h]."""
    wave = 50 + 30 * np.sin(time / 37) + 25 * np.sin(time / 61 + 1) + 15 * np.sin(time / 17)
    return np.clip(wave, 0, 130)


def run_of(columns, time=TIME):
    return clean(log_of(columns, time))


@settings(max_examples=25, deadline=None)
@given(st.floats(0.7, 1.7), st.floats(-8, 8), st.sampled_from([0.2, 1.0, 5.0]))
def test_lag_and_scale_are_recovered(scale, lag, interval):
    t = np.arange(0, 1800, interval)
    reference_time = np.arange(0.0, 1800.0, 1.0)
    speed = scale * profile(t - lag)
    found = lag_and_scale(t, speed, reference_time, profile(reference_time))
    assert found[0] == pytest.approx(lag, abs=0.1)
    assert found[1] == pytest.approx(scale, rel=0.005)


def test_speed_agrees_or_is_flagged_with_its_cause():
    gps = profile(TIME)
    assert speed_against_gps(run_of({"speed": 1.01 * profile(TIME - 0.5), "gps_speed": gps})).status == "agrees"
    high = speed_against_gps(run_of({"speed": 1.08 * gps, "gps_speed": gps}))
    assert high.status == "flagged" and "+8.0 %" in high.evidence
    miles = speed_against_gps(run_of({"speed": gps / 1.609344, "gps_speed": gps}))
    assert miles.status == "flagged" and "mph labelled km/h" in miles.evidence
    late = speed_against_gps(run_of({"speed": profile(TIME - 6), "gps_speed": gps}))
    assert late.status == "flagged" and late.numbers["lag_s"] == pytest.approx(6, abs=0.1)


def test_checks_that_are_not_possible_say_why():
    for check in cross_checks(run_of({"iat": 20 + RNG.random(1800)})):
        assert check.status == "not-possible" and check.evidence and check.numbers == {}


def test_constant_speed_has_no_lag():
    flat = np.full(1800, 80.0) + RNG.normal(0, 0.5, 1800)
    assert speed_against_gps(run_of({"speed": flat, "gps_speed": flat})).status == "not-possible"


def test_distance_by_trapezoids():
    run = run_of({"speed": np.full(1800, 36.0) + np.tile([0.0, 0.0], 900)})
    assert distance(run, "speed") == pytest.approx(10.0 * 1799)


def test_distance_over_the_common_time_only():
    speed, gps = profile(TIME), profile(TIME)
    gps[600:900] = np.nan
    checks = {c.name: c for c in cross_checks(run_of({"speed": speed, "gps_speed": gps}))}
    found = checks["distance-by-both"]
    assert found.numbers["ratio"] == pytest.approx(1.0, abs=1e-3)
    assert found.numbers["gps_m"] < distance(run_of({"speed": speed}), "speed")


def test_clock_drift_against_gps_time():
    gps = np.arange(0.0, 3600.0, 1.0)
    log = 5.0 + gps * (1 + 80e-6)
    # A tenth of the stamps is written late.
    late = log + np.where(RNG.random(gps.size) < 0.1, 3.0, 0.0)
    offset, drift, spread = clock_drift(late, gps)
    assert offset == pytest.approx(5.0, abs=0.01) and drift == pytest.approx(80, abs=2) and spread < 0.01
    assert np.isnan(clock_drift(gps[:2], gps[:2])).all()


def test_drift_between_speed_clocks():
    t = np.arange(0.0, 3600.0)
    gps = profile(t)
    fast = drift_from_speed(run_of({"speed": profile(t / 1.001), "gps_speed": gps}, t))
    assert fast.status == "flagged" and fast.numbers["drift_ppm"] == pytest.approx(1000, abs=60)
    same = drift_from_speed(run_of({"speed": profile(t), "gps_speed": gps}, t))
    assert same.status == "agrees"


def test_ambient_sensor_reads_high_at_rest():
    speed = np.where((TIME // 300) % 2 == 0, 90.0, 0.0)
    ambient = np.where(speed > 0, 20.0, 20.0 + np.minimum((TIME % 300) / 40, 5.0))
    record = pd.Series([19.5, 19.5], index=[-600.0, 2400.0])
    check = ambient_against_record(run_of({"speed": speed, "ambient": ambient}), record)
    assert check.numbers["at_speed_K"] == pytest.approx(0.5, abs=0.2)
    assert check.numbers["at_rest_K"] > 3
    assert check.status == "flagged"
    still = ambient_against_record(run_of({"speed": speed, "ambient": np.full(1800, 20.0)}), record)
    assert still.status == "agrees"
    assert ambient_against_record(run_of({"ambient": ambient}), None).status == "not-possible"


def soak(coolant, iat, ambient):
    rpm = np.where(TIME < 10, 0.0, 900.0)
    return run_of(
        {
            "rpm": rpm,
            "coolant": np.where(TIME < 10, coolant, np.minimum(coolant + TIME / 20, 90)),
            "iat": np.full(1800, iat),
            "ambient": np.full(1800, ambient),
        }
    )


def test_offset_of_the_sensor_pair_after_a_soak():
    check = intake_against_ambient(soak(12.0, 13.0, 11.0))
    assert check.status == "agrees" and check.numbers["offset_K"] == 2.0
    assert intake_against_ambient(soak(12.0, 16.0, 11.0)).status == "flagged"
    warm = intake_against_ambient(soak(60.0, 25.0, 11.0))
    assert warm.status == "not-possible" and "not soaked" in warm.evidence
    # The campaign may know better than the coolant.
    assert intake_against_ambient(soak(60.0, 25.0, 11.0), soaked=True).numbers["offset_K"] == 14.0
    assert intake_against_ambient(soak(12.0, 13.0, 11.0), soaked=False).status == "not-possible"


def test_manifold_against_barometer():
    rpm = np.where((TIME > 900) & (TIME < 960), 0.0, 1500.0)
    manifold = np.where(rpm == 0, 97.0, 45.0)
    run = run_of({"rpm": rpm, "map": manifold})
    assert manifold_against_barometer(run, 98.0).status == "agrees"
    off = manifold_against_barometer(run, 101.5)
    assert off.status == "flagged" and off.numbers["difference_kPa"] == pytest.approx(-4.5)
    assert manifold_against_barometer(run).status == "not-possible"
    with_channel = run_of({"rpm": rpm, "map": manifold, "baro": np.full(1800, 97.0)})
    assert manifold_against_barometer(with_channel).status == "agrees"


def engine_air(factor):
    """1.6 l, filling 0.85, wide range of speeds; `factor` is what a wrong unit does to the numbers."""
    rpm = 1500 + 1000 * (1 + np.sin(TIME / 50))
    manifold = 60 + 30 * np.sin(TIME / 33)
    density = manifold * 1000 / (287.058 * (25 + 273.15))
    return {
        "rpm": rpm,
        "map": manifold,
        "iat": np.full(1800, 25.0),
        "maf": factor * 0.85 * 1.6 * rpm / 120 * density,
    }


def test_airflow_by_filling():
    assert airflow_unit(run_of(engine_air(1.0)), displacement=1.6).status == "agrees"
    check = airflow_unit(run_of(engine_air(3.6)), displacement=1.6)
    assert check.status == "flagged" and "kg/h" in check.evidence
    assert airflow_unit(run_of(engine_air(1.0))).status == "not-possible"


def test_airflow_labelled_litres_is_only_plausible_in_grams():
    """Numbers in g/s under the label l/s are multiplied by the density of air at load: the fuel rate shows it."""
    maf = 10 + 5 * np.sin(TIME / 40)
    fuel = maf / 14.7 * 3600 / 745  # l/h of petrol at stoichiometric mixture
    run = run_of({"maf": maf * 1.2, "fuel_rate": fuel})
    check = airflow_unit(run, label="l/s")
    assert check.status == "flagged" and "only in g/s" in check.evidence
    assert airflow_unit(run_of({"maf": maf, "fuel_rate": fuel})).status == "agrees"


def test_coolant_in_fahrenheit():
    coolant = np.minimum(60 + TIME / 10, 195.0)
    check = coolant_unit(run_of({"coolant": coolant}))
    assert check.status == "flagged" and "°F" in check.evidence
    assert coolant_unit(run_of({"coolant": np.minimum(20 + TIME / 20, 92.0)})).status == "agrees"


def test_checks_alter_nothing():
    run = run_of({"speed": profile(TIME), "gps_speed": profile(TIME), "iat": np.full(1800, 25.0)} | engine_air(1.0))
    before = run.frame.copy(deep=True), run.masks.copy(deep=True)
    cross_checks(run, displacement=1.6, station_pressure=98.0)
    pd.testing.assert_frame_equal(run.frame, before[0])
    pd.testing.assert_frame_equal(run.masks, before[1])
