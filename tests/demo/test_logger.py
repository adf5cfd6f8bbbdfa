import csv
import gzip
import io
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from intake_report.channels import CHANNELS
from intake_report.demo.logger import COLUMNS, POLLED, column_mapping, control_unit, log_run, packed, quantise
from intake_report.demo.simulate import SPEED_SCALE, control_plan, simulate_runs
from intake_report.units import to_internal


@pytest.fixture(scope="module")
def table(run):
    return log_run(run, 5)


def numbers(table, header):
    return np.array([float(c) if c else np.nan for c in table[header]])


def tenths(table):
    return np.round(numbers(table, "Time (s)") * 10.0).astype(int)


def test_row_each_tenth_of_a_second_with_gaps(run, table):
    steps = np.diff(tenths(table))
    assert set(steps[steps < 20]) == {1} and 1 <= np.count_nonzero(steps > 18) <= 2 and steps.max() < 141
    assert table["Time (s)"][:3] == ["0.0", "0.1", "0.2"] and tenths(table)[-1] <= 10.0 * run.time[-1]


def test_each_channel_is_polled_once_a_second_and_repeated_between(run, table):
    """What changes between two rows, outside the gaps, has its own tenth of the second; temperatures are those of then."""
    whole, turns = np.diff(tenths(table)) == 1, {}
    for name in POLLED:
        column = np.array(table[COLUMNS["si"][name].header])
        changed = tenths(table)[1:][(column[1:] != column[:-1]) & whole]
        (turns[name],) = set((changed % 10).tolist())
    assert sorted(turns.values()) == list(range(10))
    polled = tenths(table) % 10 == turns["iat"]
    element = np.interp(tenths(table) / 10.0, run.time, run.sensor_element)
    right = numbers(table, "Intake Air Temperature (°C)")[polled] == np.floor(element[polled])
    assert 0.99 < np.mean(right) < 1.0  # answers fail now and then


@pytest.mark.parametrize("rounding", ["floor", "round"])
def test_temperatures_are_whole_degrees_of_the_element(run, rounding):
    offered = control_unit(run, rounding, np.random.default_rng(1))
    off = offered["iat"] - run.sensor_element
    assert np.all(offered["iat"] == np.round(offered["iat"]))
    low, high = (-1.0, 0.0) if rounding == "floor" else (-0.5, 0.5)
    assert off.min() >= low and off.max() <= high
    assert offered["speed"] == pytest.approx(run.speed * SPEED_SCALE, abs=0.5)


def test_us_units_hold_the_same_readings(run):
    si, us = log_run(run, 5), log_run(run, 5, units="us")
    tolerance = {"speed": 0.09, "gps_speed": 0.14, "map": 0.02}
    for name in COLUMNS["si"]:
        a, b = (
            to_internal(numbers(log, c.header), c.spelling, CHANNELS[name].quantity)
            for log, c in ((si, COLUMNS["si"][name]), (us, COLUMNS["us"][name]))
        )
        assert np.array_equal(np.isnan(a), np.isnan(b))
        assert np.nanmax(np.abs(a - b)) <= tolerance.get(name, 0.03), name


def test_position_follows_the_route_within_metres_and_drops_out_once(run, table):
    latitude, longitude = numbers(table, "Latitude (°)"), numbers(table, "Longitude (°)")
    at = tenths(table) / 10.0
    s = np.interp(at, run.time, run.distance)
    a, o = run.route.position(s)
    metres = np.hypot((latitude - a) * 110_600.0, (longitude - o) * 110_100.0)
    still = np.interp(at, run.time, run.speed) < 1.0
    assert np.nanmedian(metres[still]) < 5.0 and np.nanmax(metres[still]) < 15.0
    missing = np.isnan(latitude)
    missing[: np.flatnonzero(~missing)[0]] = False
    edges = np.flatnonzero(np.diff(missing.astype(int)) == 1)
    assert len(edges) == 1 and 8.0 < np.count_nonzero(missing) * 0.1 < 36.0


def test_clock_time_is_local(run):
    times = log_run(run, 5, clock=ZoneInfo("Etc/GMT+2"))["Device Time"]
    first = datetime.strptime(times[0], "%Y-%m-%d %H:%M:%S.%f").replace(tzinfo=ZoneInfo("Etc/GMT+2"))
    assert first == datetime(2026, 6, 9, 16, 0, tzinfo=UTC)
    assert times[15].endswith("01.5")


def test_text_reads_back_and_packs_without_a_date(run, table):
    data = packed(table)
    assert data[4:8] == b"\0\0\0\0"  # RFC 1952: modification time
    head, *rows = csv.reader(io.StringIO(gzip.decompress(data).decode()))
    assert head == list(table) == ["Time (s)", *column_mapping("si")]
    assert [list(column) for column in zip(*rows, strict=True)] == list(table.values())
    assert packed(log_run(run, 5)) == data != packed(log_run(run, 6))


def test_control_vehicle_meets_the_same_day(run):
    plan = control_plan(run.plan, np.random.default_rng(9))
    (control,) = simulate_runs([(run.configuration, run.day, plan)], run.vehicle)
    n = min(len(control.time), len(run.time))
    assert abs(control.time[-1] - run.time[-1]) < 60.0
    assert np.mean(np.abs(control.ambient[:n] - run.ambient[:n])) < 0.15
    assert not np.array_equal(control.sensor_element[:n], run.sensor_element[:n])


def test_quantise_keeps_missing_values():
    assert np.array_equal(quantise(np.array([1.6, np.nan, -0.4])), [1.0, np.nan, -1.0], equal_nan=True)
    assert np.array_equal(quantise(np.array([1.6, -0.4]), "round"), [2.0, 0.0])
