"""CAN captures, DBC files, GPX tracks and their place in a run."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from intake_report.errors import DataError
from intake_report.loaders import ReadOptions, load_run, read_log
from intake_report.messages import said

from .support import BASE, capture, gpx, packed, write

DBC = """VERSION ""
BU_: ENGINE
BO_ 291 Engine: 8 ENGINE
 SG_ AirTemperature : 0|8@1+ (0.5,-40) [-40|87.5] "degC" ENGINE
 SG_ Speed : 8|16@1+ (0.01,0) [0|655.35] "rpm" ENGINE
"""


def test_answers_of_a_capture(tmp_path: Path) -> None:
    text = capture("7DF#02010F5555555555", "7E8#03410F48AAAAAAAA", "7DF#02010D", "7E8#03410D50", "7E9#03410D51")
    log = read_log(write(tmp_path / "c.log", text))
    assert log.format == "candump" and log.origin == datetime.fromtimestamp(BASE + 0.1, UTC)
    assert {column.header for column in log.columns} == {"iat [degC]", "speed [km/h]", "speed@7E9 [km/h]"}
    np.testing.assert_array_equal(log.column("iat").values, [32.0, np.nan, np.nan])
    np.testing.assert_array_equal(log.column("speed@7E9").values, [np.nan, np.nan, 81.0])
    np.testing.assert_allclose(log.time, [0.0, 0.2, 0.3], atol=1e-6)
    assert any(notice.code == "several-control-units" for notice in log.notices)
    assert load_run("a", [log.path], {"iat": "iat", "speed": "speed"}).frame["iat"].iloc[0] == 32.0


def test_screen_form_and_29_bit_identifiers(tmp_path: Path) -> None:
    text = f" ({BASE:.6f})  can0  18DAF110   [8]  03 41 0F 48 00 00 00 00   '.A.H....'\n"
    assert read_log(write(tmp_path / "c.txt", text)).column("iat").values[0] == 32.0


@pytest.mark.parametrize("suffix", [".gz", ".zip", ".zst"])
def test_compressed_captures_and_tracks(tmp_path: Path, suffix: str) -> None:
    stamps = [f"2025-05-02T10:00:0{i}Z" for i in range(5)]
    for name, text in (("candump", capture("7E8#03410D50")), ("gpx", gpx(stamps))):
        assert read_log(packed(tmp_path / (name + suffix), text)).format == name


def test_several_parameters_in_one_answer_and_full_scale(tmp_path: Path) -> None:
    # 41 0C 1A F8 0D 50 in one frame; then parameter 50 states a full scale of 1310 g/s for parameter 10:
    # 5.00 g/s becomes 5.00 * 1310 / 655.35.
    text = capture("7E8#06410C1AF80D50", "7E8#06415083000000", "7E8#04411001F4")
    log = read_log(write(tmp_path / "c.log", text))
    assert log.column("rpm").values[0] == 1726.0 and log.column("speed").values[0] == 80.0
    assert log.column("maf").values[-1] == pytest.approx(5.0 * 1310.0 / 655.35)
    assert any(notice.code == "full-scale" for notice in log.notices)


def test_other_frames_through_a_dbc_file(tmp_path: Path) -> None:
    pytest.importorskip("cantools", reason="the extra can is not installed")
    dbc = write(tmp_path / "net.dbc", DBC)
    text = capture("123#90A00F0000000000", "7E8#03410F48", "123#92", "124#00", "123#94A00F0000000000")
    log = read_log(write(tmp_path / "c.log", text), ReadOptions(dbc=(dbc,)))
    # 0x90 = 144 counts of 0.5 degC from −40; 0x0FA0 = 4000 counts of 0.01
    np.testing.assert_array_equal(log.column("Engine.AirTemperature").values, [32.0, np.nan, 33.0, 34.0])
    np.testing.assert_array_equal(log.column("Engine.Speed").values, [40.0, np.nan, np.nan, 40.0])
    np.testing.assert_array_equal(log.column("iat").values, [np.nan, 32.0, np.nan, np.nan])
    with pytest.raises(DataError, match="cannot be read"):
        read_log(log.path, ReadOptions(dbc=(write(tmp_path / "bad.dbc", "nothing of the kind"),)))


def test_backward_steps_of_a_capture_are_kept(tmp_path: Path) -> None:
    log = read_log(write(tmp_path / "c.log", capture("7E8#03410D50", "7E8#03410D51", at=(5, 4))))
    np.testing.assert_allclose(log.time, [0.0, -1.0], atol=1e-6)


def speeds(seconds: np.ndarray) -> np.ndarray:
    return 50 + 30 * np.sin(seconds / 17.0) + 15 * np.sin(seconds / 5.3 + 1.0)


def track(path: Path, count: int, shift: float = 0.0, recorded: bool = False) -> Path:
    """Write a track due north at `speeds`, its clock `shift` seconds ahead."""
    seconds = np.arange(count, dtype=float)
    fine = np.linspace(0, count - 1, (count - 1) * 10 + 1)
    metres = np.concatenate([[0.0], np.cumsum((speeds(fine)[1:] + speeds(fine)[:-1]) / 2 / 3.6 * 0.1)])[::10]
    stamps = [f"{START + timedelta(seconds=s + shift):%Y-%m-%dT%H:%M:%S.%f}Z" for s in seconds]
    more = [f"<extensions><speed>{v / 3.6:.4f}</speed></extensions>" if recorded else "" for v in speeds(seconds)]
    return write(path, gpx(stamps, 48.0 + np.degrees(metres / 6_371_008.8), [f"<ele>100</ele>{m}" for m in more]))


START = datetime(2025, 5, 2, 10, 0, tzinfo=UTC)


def road_log(path: Path, absolute: bool) -> Path:
    seconds = np.arange(400.0)
    stamps = [f"{START + timedelta(seconds=s):%Y-%m-%dT%H:%M:%S}Z" if absolute else f"{s:g}" for s in seconds]
    rows = "".join(f"{t},{v:.2f}\n" for t, v in zip(stamps, speeds(seconds), strict=True))
    return write(path, f"{'Time' if absolute else 'Time [s]'},Speed [km/h]\n{rows}")


@pytest.mark.parametrize("shift", [0.0, 7.0, -23.0])
@pytest.mark.parametrize("recorded", [False, True])
def test_a_track_is_joined_by_speed_whatever_its_clock_says(tmp_path: Path, shift: float, recorded: bool) -> None:
    sources = road_log(tmp_path / "run.csv", absolute=True), track(tmp_path / "run.gpx", 400, shift, recorded)
    run = load_run("a", sources, {"Speed": "speed"})
    positions = run.frame["latitude"].dropna()
    assert abs(positions.index[0]) < 0.3  # the track began with the run; its clock was `shift` off
    assert len(positions) >= 398 and run.frame["speed"].notna().sum() == 400
    assert run.frame.index.is_monotonic_increasing
    assert ("gps_speed" in run.frame) == recorded
    (notice,) = [notice for notice in run.notices if notice.code == "track-joined"]
    assert "correlation 1.00" in said(notice.text, "si")
    assert run.sources == sources


def test_a_track_is_joined_to_a_run_without_date(tmp_path: Path) -> None:
    sources = road_log(tmp_path / "run.csv", absolute=False), track(tmp_path / "run.gpx", 300)
    assert abs(load_run("a", sources, {"Speed": "speed"}).frame["latitude"].dropna().index[0]) < 0.3


def test_a_track_of_another_drive_is_not_joined_by_speed(tmp_path: Path) -> None:
    rows = "".join(f"{i},{v:.1f}\n" for i, v in enumerate(np.random.default_rng(4).uniform(0, 100, 400)))
    sources = write(tmp_path / "run.csv", "Time [s],Speed [km/h]\n" + rows), track(tmp_path / "run.gpx", 300)
    with pytest.raises(DataError, match="cannot be placed"):
        load_run("a", sources, {"Speed": "speed"})
    run = load_run("a", sources, {"Speed": "speed"}, start=START)
    assert any(notice.code == "track-by-clock" for notice in run.notices)


def test_a_track_alone_is_a_run(tmp_path: Path) -> None:
    run = load_run("a", [track(tmp_path / "run.gpx", 20, recorded=True)], {})
    assert list(run.frame.columns) == ["latitude", "longitude", "altitude", "gps_speed"]
    assert run.start is not None and run.start.to_pydatetime() == START
    np.testing.assert_allclose(run.frame["gps_speed"], speeds(np.arange(20.0)), atol=0.01)
