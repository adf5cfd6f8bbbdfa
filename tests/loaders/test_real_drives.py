"""All real drives are read, and what is known of them is found."""

import gzip
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from intake_report.loaders import ReadOptions, load_run, propose_mapping, read_log

LOCAL = ReadOptions(timezone="Europe/Berlin")


def test_all_49_drives_are_read_and_what_is_known_of_them_is_found(real_logs: list[Path]) -> None:
    assert len(real_logs) == 49
    stepping_back = doubly = 0
    for path in real_logs:
        loop = path.parent.name == "loop"
        log = read_log(path, ReadOptions() if loop else LOCAL)
        codes = {notice.code for notice in log.notices}
        assert log.time_kind == "absolute" and log.origin is not None and len(log.time) > 100
        assert len(log.columns) == (18 if loop else 10)
        assert not any("�" in column.header or "Â" in column.header for column in log.columns)
        if loop:  # UTC, and named by their start
            assert f"{log.origin:%Y-%m-%d_%H%M}" == path.name.split(".")[0] and "time-zone-assumed" not in codes
            continue
        local = log.origin.astimezone(ZoneInfo("Europe/Berlin"))
        assert f"{local:%Y-%m-%d}" == path.name[:10] and 5 <= local.hour < 11  # a commute in the morning
        # Counted apart from the reader: clock times of equal form sort as text.
        with gzip.open(path, "rt", encoding="utf-8", errors="replace") as text:
            clocks = [line.split(",")[0] for line in text][1:]
        back = sum(later < earlier for earlier, later in pairwise(clocks))
        assert int((np.diff(log.time) < 0).sum()) == back
        stepping_back += back > 0
        doubly += "doubly-encoded" in codes
        assert log.column("Intake Air Temperature").unit == "°C"
    assert stepping_back == 2  # of the 19 files here; the description counts five in the whole published set
    assert doubly == 8


@pytest.mark.parametrize("name", ["udds", "hwfet", "us06", "wltc_3a", "wltc_3b"])
def test_speed_cycles_are_read(name: str, drives: Path) -> None:
    log = read_log(drives / "cycles" / f"{name}.csv")
    assert log.time_kind == "elapsed" and log.columns[0].name == "cycMps"
    np.testing.assert_array_equal(np.diff(log.time), 1.0)
    # The UDDS has 1370 steps of 1 s (US EPA dynamometer drive schedules: 1369 s), the WLTC class 3 has 1800 s (UN GTR 15).
    lengths = {"udds": 1369, "wltc_3a": 1800, "wltc_3b": 1800}
    assert log.time[-1] == lengths.get(name, log.time[-1])


def test_the_proposed_mapping_of_a_real_drive_is_right_and_loads(drives: Path) -> None:
    path = drives / "commute" / "2017-07-05_congested.csv.gz"
    proposed = {item.channel: item for item in propose_mapping(read_log(path, LOCAL))}
    assert set(proposed) == {"iat", "ambient", "coolant", "speed", "rpm", "map", "maf", "throttle", "pedal"}
    assert all(item.certain for item in proposed.values())
    run = load_run("a", [path], {p.header: f"{p.channel} [{p.unit}]" for p in proposed.values()}, LOCAL)
    assert run.start.to_pydatetime() == datetime(2017, 7, 5, 7, 16, 30, 444000, ZoneInfo("Europe/Berlin"))
    assert run.frame.index[0] == 0.0
    with gzip.open(path, "rt", encoding="utf-8") as text:  # column 5 of the file, read apart from the reader
        written = [line.rstrip("\r\n").split(",")[5] for line in text if line[:1].isdigit()]
    expected = np.array([float(cell) if cell else np.nan for cell in written])
    np.testing.assert_array_equal(run.frame["iat"], expected)


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
