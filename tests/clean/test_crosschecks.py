"""Cross checks on made runs with known answers."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from intake_report.clean import clean, cross_checks
from intake_report.clean.crosschecks import lag_and_scale
from intake_report.messages import said
from intake_report.units import from_internal, to_internal

from .support import check, log_of, text

TIME = np.arange(1800.0)
RNG = np.random.default_rng(21)


def profile(time):
    """A drive with stops: smooth, aperiodic speed [km/h]."""
    return np.clip(50 + 30 * np.sin(time / 37) + 25 * np.sin(time / 61 + 1) + 15 * np.sin(time / 17), 0, 130)


GPS, FLAT = profile(TIME), np.full(1800, 80.0) + RNG.normal(0, 0.5, 1800)  # a flat speed has no lag


def run_of(columns, time=TIME):
    return clean(log_of(columns, time))


@settings(max_examples=25)
@given(st.floats(0.7, 1.7), st.floats(-8, 8), st.sampled_from([0.2, 1.0, 5.0]))
def test_lag_and_scale_are_recovered(scale, lag, interval):
    t = np.arange(0, 1800, interval)
    found = lag_and_scale(t, scale * profile(t - lag), TIME, GPS)
    assert found[0] == pytest.approx(lag, abs=0.1)
    assert found[1] == pytest.approx(scale, rel=0.005)


@pytest.mark.parametrize(
    ("speed", "gps", "status", "words"),
    [
        (1.04 * profile(TIME - 1.8), GPS, "agrees", ""),
        (1.055 * GPS, GPS, "flagged", "+5.5 %"),
        (GPS / 1.609344, GPS, "flagged", "mph labelled km/h"),
        (profile(TIME - 2.2), GPS, "flagged", "comes +2.2 s later"),
        (FLAT, FLAT, "not-possible", "hardly changes"),
    ],
)
def test_speed_agrees_or_is_flagged_with_its_cause(speed, gps, status, words):
    found = check(run_of({"speed": speed, "gps_speed": gps}), "speed-against-gps")
    assert found.status == status and words in text(found.evidence)


def test_checks_that_are_not_possible_say_why():
    for c in cross_checks(run_of({"iat": 20 + RNG.random(1800)})):
        assert c.status == "not-possible" and c.evidence.code and c.numbers == {}


WARM = {"iat": 27.0 + 8.0 * np.sin(TIME / 200), "ambient": 21.0 + TIME / 900, "coolant": 90.0 + 2.0 * np.sin(TIME / 50)}
FAHRENHEIT = dict.fromkeys(WARM, "degF")


@pytest.mark.parametrize(
    ("holds", "read", "words"),
    [  # units by channel, those of all others are degC: what the log holds, in what it is read
        (
            {},
            FAHRENHEIT,
            "“iat” and “coolant” hold °C and are read in °F: coolant settles at 32 °C; “iat” holds numbers that",
        ),
        ({}, {"iat": "degF"}, "“iat” holds °C and is read in °F: intake air stays"),
        (
            FAHRENHEIT,
            {},
            "“iat”, “ambient” and “coolant” hold °F and are read in °C: coolant settles at 194 °C; the air ",
        ),
        (FAHRENHEIT, FAHRENHEIT, "nothing shows"),
        ({}, {"ambient": "degF"}, "nothing shows"),  # this may be a hot intake
    ],
)
def test_a_unit_is_wrong_where_facts_of_two_kinds_agree(holds, read, words):
    named, columns = {name: (name, read.get(name, "degC")) for name in WARM}, {"speed": GPS}
    for name, (_, unit) in named.items():
        numbers = np.round(from_internal(np.round(WARM[name]), holds.get(name, "degC"), "temperature"))
        columns[name] = to_internal(numbers, unit, "temperature")
    found = check(run_of(columns), "temperature-unit", columns=named, resolution={"iat": 1.0, "ambient": 1.0})
    assert text(found.evidence).startswith(words) and found.status == ("agrees" if "nothing" in words else "flagged")


def test_distance_by_trapezoids_over_the_common_time_only():
    gps = np.full(1800, 36.0)
    gps[600:900] = np.nan
    both = check(run_of({"speed": np.full(1800, 36.36), "gps_speed": gps}), "distance-by-both")
    # 10 m/s over 1799 s without the 301 s between the samples at 599 s and 900 s
    assert both.numbers["gps_m"] == pytest.approx(10.0 * (1799 - 301))
    assert both.numbers["ratio"] == pytest.approx(1.01)


def test_drift_between_speed_clocks():
    t = np.arange(0.0, 3600.0)
    gps = profile(t)
    fast = check(run_of({"speed": profile(t / 1.001), "gps_speed": gps}, t), "clock-drift")
    assert fast.status == "flagged" and fast.numbers["drift_ppm"] == pytest.approx(1000, abs=60)
    late = np.repeat(np.random.default_rng(1).normal(0, 0.15, 4), 900)  # parts that scatter leave 250 ppm open
    for time in (t / 1.00009, t / 1.00025 + late):
        assert check(run_of({"speed": profile(time), "gps_speed": gps}, t), "clock-drift").status == "agrees"


def test_ambient_sensor_reads_high_at_rest():
    speed = np.where((TIME // 300) % 2 == 0, 90.0, 0.0)

    def against(record, rise):
        ambient, outside = 20.0 + np.where(speed > 0, 0.0, rise), pd.Series([record, record], index=[-600.0, 2400.0])
        return check(run_of({"speed": speed, "ambient": ambient}), "ambient-against-record", weather=outside)

    high = against(19.5, 2.2)
    assert high.status == "flagged"
    assert high.numbers == pytest.approx({"all_K": 1.6, "at_speed_K": 0.5, "at_rest_K": 2.7})
    # The same sentence for the two readers
    assert "above 60 km/h" in text(high.evidence) and "above 37\N{NO-BREAK SPACE}mph" in said(high.evidence, "us")
    assert [against(*other).status for other in ((17.2, 1.8), (16.8, 0.0))] == ["agrees", "flagged"]


def soak(coolant, iat, ambient):
    rpm, warming = np.where(TIME < 10, 0.0, 900.0), np.minimum(coolant + TIME / 20, 90)
    air = {"iat": np.full(1800, iat), "ambient": np.full(1800, ambient)}
    return run_of({"rpm": rpm, "coolant": np.where(TIME < 10, coolant, warming), **air})


def test_offset_of_the_sensor_pair_after_a_soak():
    pair = check(soak(15.5, 13.5, 11.0), "intake-against-ambient")
    assert pair.status == "agrees" and pair.numbers["offset_K"] == 2.5
    assert check(soak(12.0, 14.5, 11.0), "intake-against-ambient").status == "flagged"
    warm = check(soak(16.5, 25.0, 11.0), "intake-against-ambient")
    assert warm.status == "not-possible" and warm.evidence.code == "not-soaked"


def test_manifold_against_barometer():
    def against(run, pressure=None):
        return check(run, "manifold-against-barometer", station_pressure=pressure)

    rpm = np.where((TIME > 900) & (TIME < 960), 0.0, 1500.0)
    manifold = np.where(rpm == 0, 97.0, 45.0)
    run = run_of({"rpm": rpm, "map": manifold})
    assert against(run, 99.5).status == "agrees"
    off = against(run, 100.5)
    assert off.status == "flagged" and off.numbers["difference_kPa"] == pytest.approx(-3.5)
    assert against(run).status == "not-possible"
    assert against(run_of({"rpm": rpm, "map": manifold, "baro": np.full(1800, 97.0)})).status == "agrees"


def engine_air(factor):
    """1.6 l, filling 0.85, wide range of speeds; `factor` is what a wrong unit does to the numbers."""
    rpm = 1500 + 1000 * (1 + np.sin(TIME / 50))
    manifold = 60 + 30 * np.sin(TIME / 33)
    density = manifold * 1000 / (287.058 * (25 + 273.15))
    maf = factor * 0.85 * 1.6 * rpm / 120 * density
    return {"rpm": rpm, "map": manifold, "iat": np.full(1800, 25.0), "maf": maf}


def test_airflow_by_filling():
    right = check(run_of(engine_air(1.0)), "airflow-unit", displacement=1.6)
    assert right.status == "agrees" and right.numbers["filling"] == pytest.approx(0.85, abs=1e-3)
    wrong = check(run_of(engine_air(3.6)), "airflow-unit", displacement=1.6)
    assert wrong.status == "flagged" and "kg/h" in text(wrong.evidence)
    assert check(run_of(engine_air(1.0)), "airflow-unit").status == "not-possible"


def test_coolant_in_fahrenheit():
    hot = check(run_of({"coolant": np.minimum(60 + TIME / 10, 195.0)}), "coolant-unit")
    assert hot.status == "flagged" and "°F" in text(hot.evidence)
    assert check(run_of({"coolant": np.minimum(20 + TIME / 20, 92.0)}), "coolant-unit").status == "agrees"


@pytest.mark.parametrize("ppm", [-400.0, -20.0, 0.0, 20.0, 400.0])
@pytest.mark.parametrize("late", [0.0, 0.4])
def test_clock_of_the_log_against_gps_time(ppm, late):
    time = np.arange(0.0, 1500.0)
    gps = 1.78e9 + time / (1.0 + ppm * 1e-6)  # some day in 2026
    gps[::5] += late  # Theil-Sen resists 29 % of wrong stamps
    clock = check(run_of({"gps_time": gps}, time), "clock-against-gps")
    # doubles near 1.8e9 resolve 0.24 us: over 1500 s that is far below 1 ppm
    assert clock.numbers["drift_ppm"] == pytest.approx(ppm, abs=1.0 if late else 0.5)
    assert clock.numbers["gained_s"] == pytest.approx(ppm * 1e-6 * 1500.0, abs=1e-2)
    assert clock.status == ("flagged" if abs(ppm) > 100.0 else "agrees")
