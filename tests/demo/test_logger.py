import csv
import gzip
import io
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from intake_report.channels import CHANNELS
from intake_report.demo.logger import COLUMNS, POLLED, column_mapping, control_unit, log_run, quantise
from intake_report.demo.simulate import SPEED_SCALE, control_plan, simulate_runs
from intake_report.units import to_internal


@pytest.fixture(scope="module")
def table(run):
    return log_run(run, 5)


def cells(table, header):
    return table.columns[table.headers.index(header)]


def numbers(table, header):
    return np.array([float(c) if c else np.nan for c in cells(table, header)])


def test_row_each_tenth_of_a_second_with_gaps(run, table):
    steps = np.diff(table.rows)
    gaps = steps[steps > 0.15]
    assert np.median(steps) == pytest.approx(0.1)
    assert 1 <= len(gaps) <= 2 and np.all((gaps > 1.9) & (gaps < 14.1))
    assert [float(t) for t in table.columns[0][:3]] == [0.0, 0.1, 0.2]
    assert table.rows[-1] <= run.time[-1]


def test_each_channel_is_polled_about_once_a_second_and_repeated_between(table):
    for name in POLLED:
        at = table.refreshed[name].astype(int)
        assert np.median(np.diff(table.rows[at])) == pytest.approx(1.0)
        assert np.mean(np.diff(table.rows[at]) > 1.05) < 0.02
        column = cells(table, COLUMNS["si"][name].header)
        changed = [
            i for i in range(1, len(column)) if column[i] != column[i - 1] and table.rows[i] - table.rows[i - 1] < 0.15
        ]
        assert set(changed) <= set(at.tolist())  # nothing changes between two polls
        assert all(c == "" for c in column[: at[0]])
    taken = np.concatenate([table.refreshed[name] for name in POLLED])
    assert len(np.unique(taken)) == len(taken)


@pytest.mark.parametrize("rounding", ["floor", "round"])
def test_temperatures_are_whole_degrees_of_the_element(run, rounding):
    offered = control_unit(run, rounding, np.random.default_rng(1))
    off = offered["iat"] - run.sensor_element
    assert np.all(offered["iat"] == np.round(offered["iat"]))
    low, high = (-1.0, 0.0) if rounding == "floor" else (-0.5, 0.5)
    assert off.min() >= low and off.max() <= high
    assert offered["speed"] == pytest.approx(run.speed * SPEED_SCALE, abs=0.5)


def test_logged_iat_is_the_value_at_its_poll(run, table):
    iat = numbers(table, "Intake Air Temperature (°C)")
    at = table.refreshed["iat"].astype(int)
    true = np.interp(table.rows[at], run.time, run.sensor_element)
    assert np.array_equal(iat[at], np.floor(true))


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
    s = np.interp(table.rows, run.time, run.distance)
    a, o = run.route.position(s)
    metres = np.hypot((latitude - a) * 110_600.0, (longitude - o) * 110_100.0)
    still = np.interp(table.rows, run.time, run.speed) < 1.0
    assert np.nanmedian(metres[still]) < 5.0 and np.nanmax(metres[still]) < 15.0
    missing = np.isnan(latitude)
    missing[: np.flatnonzero(~missing)[0]] = False
    edges = np.flatnonzero(np.diff(missing.astype(int)) == 1)
    assert len(edges) == 1 and 8.0 < np.count_nonzero(missing) * 0.1 < 36.0


def test_clock_time_is_local(run):
    table = log_run(run, 5, clock=ZoneInfo("Etc/GMT+2"))
    first = datetime.strptime(table.columns[0][0], "%Y-%m-%d %H:%M:%S.%f").replace(tzinfo=ZoneInfo("Etc/GMT+2"))
    assert first == datetime(2026, 6, 9, 16, 0, tzinfo=UTC)
    assert table.columns[0][15].endswith("01.5")


def test_text_reads_back_and_packs_without_a_date(table):
    data = table.packed()
    assert data[4:8] == b"\0\0\0\0"  # RFC 1952: modification time
    rows = list(csv.reader(io.StringIO(gzip.decompress(data).decode())))
    assert tuple(rows[0]) == table.headers and len(rows) == len(table.rows) + 1
    assert {len(r) for r in rows} == {len(table.headers)}
    assert set(column_mapping("si")) == set(table.headers[1:])


def test_equal_seeds_give_equal_logs(run, table):
    assert log_run(run, 5).text() == table.text()
    assert log_run(run, 6).text() != table.text()


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
