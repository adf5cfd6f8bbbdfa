"""Choice of the ambient reference, comparison of sources, spread between runs."""

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from intake_report import weather
from intake_report.errors import DataError
from intake_report.messages import said
from intake_report.weather import ReferenceCandidate, VehicleAmbient, choose_reference, compare_vehicle, too_slow

T0 = pd.Timestamp("2026-05-12 10:00Z")


def station(values, name="station", step=60):
    readings = [weather.WeatherObservation(T0 + pd.Timedelta(minutes=step * k), v) for k, v in enumerate(values)]
    return weather.handheld_record(name, readings, kind="station")


def drive(name, bias, hours=0):
    """A minute at 5.5 km/h, nine at 4.5, twenty at 80, at 20 °C; the sensor reads 9 K more, then 4 until 100 s after them."""
    time, clock = np.arange(0.0, 1800.0, 2.0), np.arange(0.0, 1800.0)
    reading = 20.0 + bias + np.select([time < 60.0, time < 700.0], [9.0, 4.0], 0.0)
    start = T0 + pd.Timedelta(hours=hours)
    return VehicleAmbient(name, start, time, reading, clock, np.select([clock < 60.0, clock < 600.0], [5.5, 4.5], 80.0))


def test_the_start_of_a_log_and_a_gap_in_speed_are_not_known_to_be_fast():
    clock = np.concatenate([np.arange(0.0, 300.0), np.arange(400.0, 700.0)])
    run = VehicleAmbient("a", T0, np.arange(0.0, 800.0, 10.0), np.full(80, 20.0), clock, np.full(600, 90.0))
    good = run.time[~too_slow(run)]
    assert (good.min(), good.max()) == (120.0, 700.0)
    assert not ((good > 309.0) & (good < 520.0)).any() and 520.0 in good
    nan = dataclasses.replace(run, speed=np.where(clock == 550.0, np.nan, 90.0))
    assert too_slow(nan)[(run.time >= 550.0) & (run.time < 670.0)].all()
    assert too_slow(dataclasses.replace(run, speed_time=np.empty(0), speed=np.empty(0))).all()


@given(st.lists(st.floats(0.0, 130.0), min_size=1, max_size=60), st.floats(1.0, 9.9), st.floats(0.0, 0.9))
def test_mask_agrees_with_a_plain_loop(speeds, step, offset):
    clock = step * np.arange(len(speeds))
    time = clock + offset
    run = VehicleAmbient("a", T0, time, np.zeros(len(speeds)), clock, np.array(speeds))
    for k, bad in enumerate(too_slow(run)):
        slow = [clock[j] for j in range(k + 1) if speeds[j] < 40.0]
        since = slow[-1] if slow else 0.0
        assert bad == (speeds[k] < 40.0 or time[k] - since < 120.0)


def test_runs_count_not_samples():
    biases = {"a": 0.5, "b": 0.9, "c": 1.0}
    runs = [drive(*run, hours=k) for k, run in enumerate(biases.items())]
    c = compare_vehicle(runs, station([20.0] * 4))
    # one offset per run, of its 540 samples at speed
    assert c.offsets == pytest.approx(biases)
    assert c.missing == () and said(c.reason, "si") == ""
    rest = compare_vehicle(runs, station([20.0] * 4), at="rest")
    assert sum(rest.offsets.values()) / 3 == pytest.approx(4.8) and rest.first == "vehicle sensor at rest"


def test_one_run_has_no_interval_and_uncovered_runs_are_named():
    far = drive("b", 0.0, hours=9)
    c = compare_vehicle([drive("a", 0.5), far], station([20.0] * 3))
    assert c.offsets == {"a": pytest.approx(0.5)}
    assert said(c.reason, "si") == "one run only: no interval; not compared in b"
    assert compare_vehicle([far], station([20.0] * 3)).offsets == {}


def test_two_records():
    minutes = {"a": (0, 90), "b": (10, 30)}
    windows = {run: tuple(T0 + pd.Timedelta(minutes=m) for m in ends) for run, ends in minutes.items()}
    c = weather.compare_records(station([20.0, 22.0, 24.0], "one"), station([19.0, 21.5, 23.0], "two"), windows)
    assert (c.first, c.second) == ("one", "two")
    # Run a holds two reports of "one" (differences 1.0 and 0.5), run b none: minute by minute, 1 - t/120 on average.
    assert c.offsets["a"] == pytest.approx(0.75)
    assert c.offsets["b"] == pytest.approx(1.0 - 20.0 / 120.0)


def test_interpolation_error():
    # A straight line, of which one report lacks the temperature.
    assert weather.interpolation_error(station([20.0, None, 22.0, 23.0, 24.0, 25.0])) == pytest.approx(0.0, abs=1e-12)
    # A zigzag of ±1: every report is 2 away from its neighbours' line.
    assert weather.interpolation_error(station([20.0, 22.0, 20.0, 22.0, 20.0])) == pytest.approx(2.0)
    assert weather.interpolation_error(station([20.0, 22.0, 20.0, 22.0])) is None


def test_contributions():
    c = {x.name: x for x in weather.reference_contributions("vehicle", accuracy=1.5, resolution=1.0, interpolation=0.2)}
    # Rectangular limits (GUM 4.3.7): 1.5/sqrt(3), 1/sqrt(12), 0.5/sqrt(3).
    assert c["accuracy"].value == pytest.approx(0.8660, abs=1e-4) and c["accuracy"].shared
    assert c["resolution"].value == pytest.approx(0.2887, abs=1e-4) and not c["resolution"].shared
    # zero or half a step, each with probability ½: a quarter of a step
    assert c["rounding mode"].value == pytest.approx(0.25) and c["rounding mode"].shared
    assert c["interpolation in time"].value == 0.2
    for kind, limit in (("metar", 1.0), ("vehicle", 2.5)):
        (assumed,) = weather.reference_contributions(kind)
        assert "assumed, not declared" in assumed.basis and assumed.value == pytest.approx(limit / math.sqrt(3.0))


def candidate(source, kind, covered, accuracy):
    return ReferenceCandidate(source, kind, tuple(covered), weather.reference_contributions(kind, accuracy=accuracy))


RUNS = ("r1", "r2", "r3")


def why(chosen):
    return said(chosen.reason, "si").replace("\N{NO-BREAK SPACE}", " ")


def test_the_rule():
    good = candidate("AAAA", "metar", RUNS, 0.5)
    coarse = candidate("vehicle", "vehicle", RUNS, 2.0)
    partial = candidate("probe", "handheld", RUNS[:2], 0.1)
    chosen = choose_reference([coarse, partial, good], RUNS)
    # The most accurate covers two of three runs only, so it is not taken.
    assert (chosen.source, chosen.chosen_by) == ("AAAA", "rule")
    assert chosen.uncertainty == pytest.approx(0.5 / math.sqrt(3.0)) and chosen.picked.uncertainty_between == 0.0
    assert "covers every run" in why(chosen) and "vehicle 1.15 K" in why(chosen)
    # Within 0.05 K the stated order decides.
    chosen = choose_reference([candidate("probe", "handheld", RUNS, 0.45), good], RUNS)
    assert chosen.source == "AAAA" and "within 0.05 K" in why(chosen)
    assert choose_reference([candidate("probe", "handheld", RUNS, 0.3), good], RUNS).source == "probe"
    # Nobody covers all: most, and the rest is named.
    chosen = choose_reference([partial, candidate("x", "station", RUNS[:1], 0.01)], RUNS)
    assert chosen.source == "probe" and "2 of 3" in why(chosen)
    assert why(chosen).endswith("It does not cover r3.")


def test_the_campaign_decides():
    sources = [candidate("AAAA", "metar", RUNS, 0.5), candidate("vehicle", "vehicle", RUNS[:1], 2.0)]
    chosen = choose_reference(sources, RUNS, chosen="vehicle")
    assert (chosen.source, chosen.chosen_by) == ("vehicle", "campaign")
    assert why(chosen).endswith("It does not cover r2, r3.")
    assert choose_reference(sources, RUNS, chosen="metar").source == "AAAA"
    with pytest.raises(DataError, match="“handheld” is not recorded") as caught:
        choose_reference(sources, RUNS, chosen="handheld")
    assert "AAAA, vehicle" in caught.value.remedy
    with pytest.raises(DataError, match="could be AAAA or BBBB"):
        choose_reference([sources[0], candidate("BBBB", "metar", RUNS, 0.5)], RUNS, chosen="metar")


def test_no_ambient_at_all():
    chosen = choose_reference([candidate("AAAA", "metar", (), 0.5)], RUNS)
    assert (chosen.source, chosen.chosen_by, chosen.uncertainty) == (None, "none", None)
    assert "cannot be computed" in why(chosen)


@given(st.permutations(range(4)))
def test_the_choice_does_not_depend_on_the_order_given(order):
    kinds = (("a", "metar", 0.5), ("b", "station", 0.5), ("c", "handheld", 0.46), ("d", "vehicle", 1.0))
    sources = [candidate(source, kind, RUNS, accuracy) for source, kind, accuracy in kinds]
    assert choose_reference([sources[k] for k in order], RUNS).source == "b"


def test_spread_against_two_degrees_fahrenheit():
    assert pytest.approx(10.0 / 9.0) == weather.SPREAD_LIMIT
    assert weather.ambient_apart({"d1": 27.0, "d2": 27.0 + 10.0 / 9.0, "d3": 27.5}) is None
    assert weather.ambient_apart({"d1": 27.0, "d2": 29.0, "d3": 28.2}) == ("d1", "d2", pytest.approx(2.0))
    assert weather.ambient_apart({"d1": 27.0}) is None and weather.ambient_apart({}) is None


def test_real_vehicle_sensors_read_high_at_rest(drives):
    higher = 0
    for path in sorted(drives.glob("commute/*_normal.csv.gz"))[:8]:
        frame = pd.read_csv(path)
        time = pd.to_timedelta(frame["Time"]).dt.total_seconds().to_numpy()
        if (np.diff(time) < 0).any():
            continue
        columns = (frame.filter(like=name).iloc[:, 0] for name in ("Ambient", "Speed Sensor"))
        series = [part for column in columns for part in ((time - time[0])[column.notna()], column.dropna().to_numpy())]
        run = VehicleAmbient(path.name, T0, *series)
        # Against a record that is 0 °C all along, offsets are the readings themselves.
        at_speed, at_rest = (compare_vehicle([run], station([0.0] * 4), at=at) for at in ("speed", "rest"))
        higher += at_rest.offsets[path.name] > at_speed.offsets[path.name]
    assert higher >= 6
