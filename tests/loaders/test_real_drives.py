"""All real drives are read, and what is known of them is found."""

from __future__ import annotations

import gzip
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from intake_report.loaders import ReadOptions, load_run, propose_mapping, read_log
from intake_report.messages import said

LOCAL = ReadOptions(timezone="Europe/Berlin")


def test_all_49_drives_are_read_without_error(real_logs: list[Path]) -> None:
    paths = real_logs
    assert len(paths) == 49
    for path in paths:
        log = read_log(path, LOCAL)
        assert log.time_kind == "absolute"
        assert log.origin is not None
        assert len(log.columns) == (18 if path.parent.name == "loop" else 10)
        assert len(log.time) > 100
        assert not any("�" in column.header or "Â" in column.header for column in log.columns)


def test_loop_drives_are_utc_and_named_by_their_start(real_logs: list[Path]) -> None:
    for path in real_logs:
        if path.parent.name != "loop":
            continue
        log = read_log(path)
        assert log.origin is not None
        assert f"{log.origin:%Y-%m-%d_%H%M}" == path.name.split(".")[0]
        assert not any(notice.code == "time-zone-assumed" for notice in log.notices)


def test_commute_drives_take_the_date_from_the_file_name_and_keep_backward_steps(real_logs: list[Path]) -> None:
    stepping_back = 0
    for path in real_logs:
        if path.parent.name != "commute":
            continue
        log = read_log(path, LOCAL)
        assert log.origin is not None
        local = log.origin.astimezone(ZoneInfo("Europe/Berlin"))
        assert f"{local:%Y-%m-%d}" == path.name[:10]
        assert 5 <= local.hour < 11  # a commute in the morning
        # Counted apart from the reader: clock times of equal form sort as text.
        with gzip.open(path, "rt", encoding="utf-8", errors="replace") as text:
            clocks = [line.split(",")[0] for line in text][1:]
        back = sum(later < earlier for earlier, later in pairwise(clocks))
        assert int((np.diff(log.time) < 0).sum()) == back
        stepping_back += back > 0
    assert stepping_back == 2  # of the 19 files here; the description counts five in the whole published set


def test_doubly_encoded_headers_are_found_in_eight_files(real_logs: list[Path]) -> None:
    found = [path for path in real_logs if any(n.code == "doubly-encoded" for n in read_log(path, LOCAL).notices)]
    assert len(found) == 8
    for path in found:
        assert read_log(path, LOCAL).column("Intake Air Temperature").unit == "°C"


@pytest.mark.parametrize("name", ["udds", "hwfet", "us06", "wltc_3a", "wltc_3b"])
def test_speed_cycles_are_read(name: str, drives: Path) -> None:
    log = read_log(drives / "cycles" / f"{name}.csv")
    assert log.time_kind == "elapsed"
    assert log.columns[0].name == "cycMps"
    np.testing.assert_array_equal(np.diff(log.time), 1.0)
    # The UDDS has 1370 steps of 1 s (US EPA dynamometer drive schedules: 1369 s), the WLTC class 3 has 1800 s (UN GTR 15).
    lengths = {"udds": 1369, "wltc_3a": 1800, "wltc_3b": 1800}
    if name in lengths:
        assert log.time[-1] == lengths[name]


def test_the_proposed_mapping_of_a_real_drive_is_right_and_loads(drives: Path) -> None:
    path = drives / "commute" / "2017-07-05_congested.csv.gz"
    log = read_log(path, LOCAL)
    proposed = {item.channel: item for item in propose_mapping(log)}
    assert set(proposed) == {"iat", "ambient", "coolant", "speed", "rpm", "map", "maf", "throttle", "pedal"}
    assert all(item.certain for item in proposed.values())
    run = load_run("a", [path], {p.header: f"{p.channel} [{p.unit}]" for p in proposed.values()}, LOCAL)
    assert run.start is not None
    assert run.start.to_pydatetime() == datetime(2017, 7, 5, 7, 16, 30, 444000, ZoneInfo("Europe/Berlin"))
    assert run.frame.index[0] == 0.0
    with gzip.open(path, "rt", encoding="utf-8") as text:  # column 5 of the file, read apart from the reader
        written = [line.rstrip("\r\n").split(",")[5] for line in text if line[:1].isdigit()]
    expected = np.array([float(cell) if cell else np.nan for cell in written])
    np.testing.assert_array_equal(run.frame["iat"], expected)


def test_wrong_unit_labels_of_the_loop_are_not_proposed(drives: Path) -> None:
    log = read_log(drives / "loop" / "2017-03-28_0457.csv")
    proposed = {item.channel: item for item in propose_mapping(log)}
    assert not proposed["gps_accuracy"].certain
    assert "%" in said(proposed["gps_accuracy"].reason, "si")
    assert proposed["gps_speed"].header == "GPS Speed [km/h]"
    assert proposed["speed"].header == "Speed [km/h]"


def test_a_drive_cut_in_parts_is_joined_the_same(tmp_path: Path, drives: Path) -> None:
    path = drives / "loop" / "2017-03-28_0603.csv"
    lines = path.read_text().splitlines(keepends=True)
    middle = len(lines) // 2
    (tmp_path / "a.csv").write_text("".join(lines[:middle]))
    (tmp_path / "b.csv").write_text("".join([lines[0], *lines[middle:]]))
    mapping = {"Speed [km/h]": "speed", "Intake Temperature [c]": "iat [degC]"}
    whole = load_run("w", [path], mapping)
    parts = load_run("p", [tmp_path / "b.csv", tmp_path / "a.csv"], mapping)  # in the wrong order
    assert parts.start == whole.start
    np.testing.assert_array_equal(parts.frame.index, whole.frame.index)
    np.testing.assert_array_equal(parts.frame.to_numpy(), whole.frame.to_numpy())
    assert any(notice.code == "parts-sorted" for notice in parts.notices)
