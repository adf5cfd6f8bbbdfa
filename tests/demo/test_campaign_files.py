import gzip
import io
import re
from pathlib import Path

import numpy as np
import pytest
from metar.Metar import Metar
from PIL import Image

from intake_report.campaign import load_campaign
from intake_report.demo.articles import OPEN, SEALED, STOCK, SimulatedVehicle
from intake_report.demo.campaign_files import (
    engine_torque,
    reports,
    restriction_points,
    write_campaign,
)
from intake_report.demo.scenario import RAMP_TRIAL, SCENARIOS, TANDEM, THREE_DAYS
from intake_report.demo.simulate import pressure_drop

DATA = Path(__file__).parents[2] / "data"


def contents(folder):
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture(scope="module")
def folder(short, tmp_path_factory):
    return write_campaign(short, tmp_path_factory.mktemp("campaign")).parent


def test_campaign_file_is_valid_and_complete(folder, short):
    campaign = load_campaign(folder)
    assert campaign.about.id == "ramp-trial" and campaign.baseline.id == "stock"
    assert set(campaign.input_paths()) | {"campaign.toml"} == set(contents(folder))
    assert [r.id for r in campaign.runs] == [p.run for p in short.schedule]
    assert campaign.route.highway_entry.speed == 80.0
    assert [c.photo for c in campaign.configurations] == ["photos/stock.png"]
    assert campaign.metrics.recovery_margins == pytest.approx((5.0 / 3.0, 25.0 / 9.0))


def test_same_arguments_give_the_same_bytes(folder, short, tmp_path):
    again = write_campaign(short, tmp_path / "again").parent
    assert contents(again) == contents(folder)
    assert contents(write_campaign(short, tmp_path / "other", seed=1).parent) != contents(folder)


def test_truth_stays_out_of_the_folder(folder):
    text = (folder / "campaign.toml").read_text(encoding="utf-8").lower()
    assert not re.search(r"true_air|sensor_element|\bseed\b|truth", text)
    header = gzip.decompress((folder / "logs" / "d1r1-stock.csv.gz").read_bytes()).decode().splitlines()[0].lower()
    assert "true" not in header and "element" not in header


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


def test_dyno_torque_follows_air_and_restriction():
    rpm = np.array([2500.0, 4500.0, 6000.0])
    torque = {c.id: engine_torque(SimulatedVehicle(), c, rpm, 25.0, 101.3) for c in (STOCK, OPEN, SEALED)}
    assert np.all(torque["open-cone"] > torque["sealed-snorkel"]) and np.all(torque["sealed-snorkel"] > torque["stock"])
    assert np.all(engine_torque(SimulatedVehicle(), STOCK, rpm, 45.0, 101.3) < torque["stock"])
    assert np.all(engine_torque(SimulatedVehicle(), STOCK, rpm, 25.0, 95.0) < torque["stock"])
    power = torque["stock"] * rpm * np.pi / 30.0 / 1000.0
    assert 95.0 < power.max() < 125.0  # a two-litre engine (common practice)


def test_restriction_points_scatter_round_the_law():
    for c in (STOCK, OPEN, SEALED):
        for flow, drop in restriction_points(c, np.random.default_rng(3)):
            assert drop == pytest.approx(float(pressure_drop(c, np.array(flow * 1.19 / 3.6))), rel=0.05)


@pytest.mark.slow
@pytest.mark.parametrize("scenario", [THREE_DAYS, TANDEM], ids=lambda s: s.id)
def test_other_campaigns_are_valid(scenario, tmp_path):
    campaign = load_campaign(write_campaign(scenario, tmp_path))
    assert len(campaign.runs) == len(scenario.schedule)
    assert all(bool(r.control) == scenario.control for r in campaign.runs)


@pytest.mark.slow
@pytest.mark.parametrize("id", sorted(SCENARIOS))
def test_committed_campaign_is_what_the_generator_writes(id, tmp_path):
    assert (DATA / id / "campaign.toml").is_file(), f"data/{id} is missing: run `intake-report demo data`"
    write_campaign(SCENARIOS[id], tmp_path)

    def unpacked(folder):
        # packed bytes depend on the zlib version, their content does not
        read = {".gz": gzip.decompress, ".png": lambda b: Image.open(io.BytesIO(b)).convert("RGB").tobytes()}
        return {n: read.get(Path(n).suffix, bytes)(b) for n, b in contents(folder).items()}

    assert unpacked(DATA / id) == unpacked(tmp_path)
