"""Whatever a log holds, the alignment names it or says why not; it does not fall over."""

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from align.roads import LOOP, ONE_WAY, drive, length
from align.support import StubRun, loop_runs, make_run
from intake_report.align import AlignSettings, align_runs, assess, grid_by_place, propose_phases
from intake_report.errors import DataError


def parked(name: str) -> StubRun:
    latitude, longitude = np.array([[48.2], [11.6]]) + np.random.default_rng(1).normal(0, 3e-5, (2, 200))
    return make_run(name, np.arange(200), latitude=latitude, longitude=longitude, speed=np.zeros(200))


@pytest.mark.parametrize("left_out, alone", [((), "shorter than 30 m"), (("latitude", "longitude"), "did not move")])
def test_a_vehicle_that_never_moved(left_out, alone) -> None:
    runs = [parked("parked"), *(drive(f"r{k}", ONE_WAY, seed=k)[0] for k in range(3))]
    still, *moving = [replace(run, frame=run.frame.drop(columns=list(left_out))) for run in runs]
    alignment = align_runs([still, *moving])
    assert alignment.run("parked").grade == "refused"
    assert left_out or all(run.grade == "good" for run in alignment.runs[1:])
    with pytest.raises(DataError, match=alone):
        align_runs([still])


def test_gps_speed_serves_where_there_is_no_other() -> None:
    run, _ = drive("run", ONE_WAY, stops=[(2000, 60)], seed=1)
    aligned = align_runs([replace(run, frame=run.frame.rename(columns={"speed": "gps_speed"}))]).runs[0]
    assert [stop.duration for stop in aligned.stops if 1900 < stop.distance < 2100] == [pytest.approx(60, abs=2)]


def test_nothing_to_go_by_is_a_user_error() -> None:
    with pytest.raises(DataError, match="no run"):
        align_runs([])
    with pytest.raises(DataError, match="neither position nor speed"):
        align_runs([make_run("bare", np.arange(100), iat=np.full(100, 25.0))])
    with pytest.raises(DataError, match="not among the runs"):
        align_runs([drive("a", ONE_WAY)[0]], AlignSettings(run="b"))


def test_gpx_reference(tmp_path) -> None:
    run, true = drive("run", ONE_WAY, seed=1)
    quiet, _ = drive("quiet", ONE_WAY, noise=0.0, seed=2)
    places = zip(quiet.frame["latitude"], quiet.frame["longitude"], strict=True)
    points = "".join(f'<trkpt lat="{a:.8f}" lon="{b:.8f}"/>' for a, b in places)
    file = tmp_path / "route.gpx"
    head = '<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">'
    file.write_text(f"{head}<trk><trkseg>{points}</trkseg></trk></gpx>", encoding="utf-8")
    alignment = align_runs([run], AlignSettings(gpx=file))
    assert alignment.reference.source == "route.gpx"
    assert alignment.reference.length == pytest.approx(length(ONE_WAY), rel=0.002)
    assert np.nanmax(np.abs(alignment.runs[0].distance.to_numpy() - true)) < 25
    file.write_text(f"{head}</gpx>", encoding="utf-8")
    with pytest.raises(DataError, match="no track or route"):
        align_runs([run], AlignSettings(gpx=file))
    for place in ("nan", "inf", "95"):
        odd = f'<trkpt lat="{place}" lon="1"/><trkpt lat="1" lon="1"/><trkpt lat="1" lon="1.01"/>'
        file.write_text(f"{head}<trk><trkseg>{odd}</trkseg></trk></gpx>", encoding="utf-8")
        with pytest.raises(DataError, match="no place on the earth"):
            align_runs([run], AlignSettings(gpx=file))
    file.write_text("not xml", encoding="utf-8")
    with pytest.raises(DataError, match="cannot be read"):
        align_runs([run], AlignSettings(gpx=file))


def test_a_reference_that_runs_past_its_own_start_is_cut_to_one_loop() -> None:
    alignment = align_runs([drive(f"r{k}", [*LOOP, (400, 0)], seed=k)[0] for k in range(3)])
    assert alignment.reference.closed
    assert alignment.reference.length == pytest.approx(length(LOOP), rel=0.01)
    assert all(run.coverage > 0.99 and not run.findings for run in alignment.runs)


def test_a_real_lap_driven_in_reverse_is_not_taken_for_a_lap(drives: Path) -> None:
    """Out and back on one road, the carriageways some 10 m apart: only the side of the road tells the direction."""
    laps = loop_runs(drives, [7, 10, 13, 16])
    backward = laps[0].frame.iloc[::-1].set_index(laps[0].frame.index)
    alignment = align_runs([*laps, StubRun("backward", backward)], AlignSettings(run=laps[1].run))
    forward = max(run.cross_track.abs().median() for run in alignment.runs[:4])  # type: ignore[union-attr]
    reverse = alignment.run("backward")
    assert reverse.cross_track is not None
    assert reverse.grade != "good"
    assert "beside-path" in [finding.text.code for finding in reverse.findings]
    assert not any(run.findings for run in alignment.runs[:4])
    assert reverse.cross_track.abs().median() > 3 * forward


def test_two_real_laps_in_one_log(drives: Path) -> None:
    laps = loop_runs(drives, [7, 8, 10, 11])
    second = laps[1].frame.copy()
    second.index = second.index + laps[0].frame.index[-1] + 120.0
    joined = StubRun("both", pd.concat([laps[0].frame, second]))
    alignment = align_runs([*laps, joined], AlignSettings(run=laps[2].run))
    assert [finding.text.code for finding in alignment.run("both").findings if finding.hard] == ["several-laps"]


@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 10_000), st.booleans(), st.booleans(), st.sampled_from([2, 3, 10, 200]))
def test_noise_never_breaks_it(seed: int, position: bool, speed: bool, rows: int) -> None:
    rng = np.random.default_rng(seed)
    base = [drive(f"r{k}", ONE_WAY, seed=k, step=5.0)[0] for k in range(2)]
    channels = {}
    if position:
        channels |= {"latitude": 48.2 + rng.normal(0, 0.02, rows), "longitude": 11.6 + rng.normal(0, 0.03, rows)}
    if speed:
        channels["speed"] = np.where(rng.random(rows) < 0.2, np.nan, rng.uniform(0, 150, rows))
    run = make_run("noise", np.cumsum(rng.uniform(0.1, 20.0, rows)), **channels, iat=rng.normal(30, 3, rows))
    try:
        alignment = align_runs([*base, run])
    except DataError:
        return
    assert (np.diff(alignment.run("noise").distance.dropna().to_numpy()) >= 0).all()
    assert 0.0 <= alignment.run("noise").coverage <= 1.0
    grid_by_place(alignment, {run.run: run.clean.good("iat") for run in alignment.runs if run.clean.has("iat")})
    propose_phases(alignment)
    assess(alignment, AlignSettings())


def test_import_is_light() -> None:
    code = "import sys, intake_report.align; print([m for m in ('shapely', 'pyproj', 'scipy', 'gpxpy') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
