"""The campaigns in data/ are what the generator writes, byte for byte, valid, complete and without the truth."""

import gzip
import io
import re
from pathlib import Path

import gpxpy
import numpy as np
import pytest
from metar.Metar import Metar
from PIL import Image
from pyproj import Geod

from intake_report.campaign import load_campaign
from intake_report.demo.campaign_files import reports, write_campaign
from intake_report.demo.route import demo_route, gpx
from intake_report.demo.scenario import RAMP_TRIAL, SCENARIOS

ROUTE = demo_route()
DATA = Path(__file__).parents[2] / "data"


def contents(folder):
    # packed bytes depend on the zlib version, their content does not
    read = {".gz": gzip.decompress, ".png": lambda b: Image.open(io.BytesIO(b)).convert("RGB").tobytes()}
    files = (p for p in sorted(folder.rglob("*")) if p.is_file())
    return {p.relative_to(folder).as_posix(): read.get(p.suffix, bytes)(p.read_bytes()) for p in files}


@pytest.mark.parametrize("id", ["ramp-trial", "three-days", pytest.param("tandem", marks=pytest.mark.slow)])
def test_committed_campaign_is_what_the_generator_writes(id, tmp_path):
    assert (DATA / id / "campaign.toml").is_file(), f"data/{id} is missing: run `intake-report demo data`"
    write_campaign(SCENARIOS[id], tmp_path)
    assert contents(DATA / id) == contents(tmp_path)


@pytest.mark.parametrize("id", sorted(SCENARIOS))
def test_campaign_is_valid_and_complete_and_truth_stays_out(id):
    campaign, scenario = load_campaign(DATA / id), SCENARIOS[id]
    assert campaign.about.id == id and campaign.baseline.id == "stock"
    assert set(campaign.input_paths()) | {"campaign.toml"} == set(contents(DATA / id))
    assert [r.id for r in campaign.runs] == [p.run for p in scenario.schedule]
    assert all(bool(r.control) == scenario.control for r in campaign.runs)
    assert campaign.metrics.recovery_margins == pytest.approx((5.0 / 3.0, 25.0 / 9.0))
    for log in (DATA / id / "logs").iterdir():
        header = gzip.decompress(log.read_bytes()).partition(b"\n")[0]
        assert not re.search(rb"true|element|truth|\bseed\b", header, re.I)
    text = (DATA / id / "campaign.toml").read_text(encoding="utf-8")
    assert not re.search(r"true_air|sensor_element|\bseed\b|truth", text, re.I)


@pytest.mark.parametrize("us", [False, True])
def test_reports_decode_to_the_day(us):
    day = RAMP_TRIAL.days[0]
    texts = reports(day, 15.2, 17.6, np.random.default_rng(1), us=us)
    hours = []
    for text in texts:
        decoded = Metar(text, year=2026, month=6)
        hours.append(decoded.time.hour + decoded.time.minute / 60.0)
        assert decoded.station_id == "XXXX"
        assert decoded.temp.value("C") == pytest.approx(float(day.temperature(hours[-1])), abs=0.5)
        assert decoded.dewpt.value("C") == pytest.approx(day.dew_point, abs=0.7)
        # the altimeter setting of a station 24 m up lies about 2.9 hPa above its station pressure
        assert decoded.press.value("HPA") == pytest.approx(10.0 * day.pressure + 2.9, abs=0.6)
    assert min(hours) < 15.2 and max(hours) > 17.6 + 0.5 and np.all(np.diff(hours) == pytest.approx(1.0))


def test_geodesic_length_agrees_with_route_distance():
    length = Geod(ellps="WGS84").line_length(*ROUTE.position(ROUTE.distance)[::-1])
    assert 17_000 < ROUTE.length < 20_000
    assert length == pytest.approx(ROUTE.length, rel=3e-4)


def test_gpx_is_read_back_within_a_metre():
    track = gpxpy.parse(gpx(ROUTE))
    points = track.tracks[0].segments[0].points
    assert track.length_2d() == pytest.approx(ROUTE.length, rel=5e-3)  # spherical distance of the reader
    first, last = np.transpose(ROUTE.position(np.array([0.0, ROUTE.length])))
    for point, there in ((points[0], first), (points[-1], last)):
        assert (point.latitude, point.longitude) == pytest.approx(there, abs=1e-6)
