import csv
import gzip
import io

import numpy as np
import pytest

from intake_report.demo.logger import COLUMNS, POLLED, column_mapping, log_run, packed


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
        (turns[name],) = set((tenths(table)[1:][(column[1:] != column[:-1]) & whole] % 10).tolist())
    assert sorted(turns.values()) == list(range(10))
    polled = tenths(table) % 10 == turns["iat"]
    element = np.interp(tenths(table) / 10.0, run.time, run.sensor_element)
    right = numbers(table, "Intake Air Temperature (°C)")[polled] == np.floor(element[polled])
    assert 0.99 < np.mean(right) < 1.0  # answers fail now and then


def test_position_follows_the_route_within_metres_and_drops_out_once(run, table):
    latitude, longitude = numbers(table, "Latitude (°)"), numbers(table, "Longitude (°)")
    at = tenths(table) / 10.0
    a, o = run.route.position(np.interp(at, run.time, run.distance))
    metres = np.hypot((latitude - a) * 110_600.0, (longitude - o) * 110_100.0)
    still = np.interp(at, run.time, run.speed) < 1.0
    assert np.nanmedian(metres[still]) < 5.0 and np.nanmax(metres[still]) < 15.0
    missing = np.isnan(latitude)
    missing[: np.flatnonzero(~missing)[0]] = False
    edges = np.flatnonzero(np.diff(missing.astype(int)) == 1)
    assert len(edges) == 1 and 8.0 < np.count_nonzero(missing) * 0.1 < 36.0


def test_text_reads_back_and_packs_without_a_date(run, table):
    data = packed(table)
    assert data[4:8] == b"\0\0\0\0"  # RFC 1952: modification time
    head, *rows = csv.reader(io.StringIO(gzip.decompress(data).decode()))
    assert head == list(table) == ["Time (s)", *column_mapping("si")]
    assert [list(column) for column in zip(*rows, strict=True)] == list(table.values())
    assert packed(log_run(run, 5)) == data != packed(log_run(run, 6))
