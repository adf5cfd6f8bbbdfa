"""Evidence beside the road through the whole chain, against answers known beforehand."""

import json
import math
from pathlib import Path

import offroad
import pytest
import roadlog
from conftest import Chain, run_chain

from intake_report import air
from intake_report.messages import said
from intake_report.render.blocks import Table
from intake_report.render.sections.bench import restriction
from intake_report.report_table import rows_of
from intake_report.results.evidence import Evidence
from intake_report.results.text import results_json


@pytest.fixture(scope="module")
def chain(tmp_path_factory: pytest.TempPathFactory) -> Chain:
    return run_chain(offroad.write(tmp_path_factory.mktemp("offroad")))


@pytest.fixture(scope="module")
def evidence(chain: Chain) -> Evidence:
    assert chain.result.evidence is not None
    return chain.result.evidence


def changed_chain(tmp_path: Path, *changes: tuple[str, object]) -> Chain:
    data = offroad.campaign()
    for key, value in changes:
        data = roadlog.changed(data, key, value)
    return run_chain(offroad.write(tmp_path, data))


def codes(chain: Chain) -> set[str]:
    return {limit.code for limit in chain.result.limitations}


def test_altimeter_setting_is_reduced_to_station_pressure(evidence: Evidence) -> None:
    # 29.92 inHg is the standard atmosphere, which has 95.461 kPa at 500 m (ISO 2533 table)
    for run in evidence.weather.runs:
        assert run.source == "airfield"
        assert run.pressure == pytest.approx(95.46, abs=0.06)
        # partial pressures over specific gas constants, with the vapour pressure of a dew point of 10 °C,
        # 1.2282 kPa (ASHRAE Fundamentals table of saturated air)
        dry = (run.pressure - 1.2282) / (0.287042 * 293.15)
        assert run.density == pytest.approx(dry + 1.2282 / (0.461524 * 293.15), rel=2e-4)
        # the standard atmosphere has 1.1117 kg/m3 at 1000 m and 1.2250 kg/m3 at sea level (ISO 2533 table)
        assert 700.0 < run.density_altitude < 1100.0


def test_sources_are_compared_at_speed_and_at_rest(evidence: Evidence) -> None:
    pairs = {(o.first, o.second): o for o in evidence.weather.offsets.itertuples()}
    # the logs hold 20, 20, 21 and 21 °C ambient, cut off or rounded, nobody knows: a quarter of a step more on average;
    # the reports 20.0 °C; the handheld 20.5 °C
    for place in ("speed", "rest"):
        offset = pairs[f"vehicle sensor at {place}", "airfield"]
        assert offset.offset == pytest.approx(0.75) and offset.runs == 4
        # t(0.975, 3) = 3.182 (table), standard deviation of 0, 0, 1, 1 is 0.5774
        assert offset.high - offset.offset == pytest.approx(3.182 * 0.57735 / 2.0, rel=1e-3)
    assert pairs["airfield", "yard"].offset == pytest.approx(-0.5)
    assert evidence.weather.sources["chosen"].sum() == 1


def test_age_and_change_within_the_run(chain: Chain, evidence: Evidence) -> None:
    # runs start on the hour and reports come at minute 50; a run lasts less than ten minutes
    for run in evidence.weather.runs:
        assert run.age_source == "airfield" and 600.0 < run.age < 1200.0
        assert run.ambient_change == pytest.approx(0.0, abs=1e-9)
    assert {r.sun for r in evidence.weather.runs} == {"full sun"}


def test_forecast_beside_actual(chain: Chain, evidence: Evidence) -> None:
    rows = [f for f in evidence.weather.forecasts.itertuples() if f.what == "mean ambient"]
    assert [f.difference for f in rows] == pytest.approx([-3.0] * 4)
    assert [f.within for f in rows] == [False] * 4  # 3 K is more than 2 °F
    assert "forecast-missed" in codes(chain)


def test_mass_of_air_goes_with_absolute_temperature(evidence: Evidence) -> None:
    found = evidence.air
    assert found is not None and found.displacement and found.volume == 2.0
    points = {p.configuration: p for p in found.points.itertuples()}
    ratio = (points["stock"].iat + 273.15) / (points["sealed"].iat + 273.15)
    assert ratio > 1.0
    assert points["sealed"].mass / points["stock"].mass == pytest.approx(ratio, rel=1e-12)
    assert points["sealed"].change == pytest.approx(100.0 * (ratio - 1.0), rel=1e-9)
    expected = {m.model: m.percent for m in points["sealed"].expected}
    assert expected["density"] == pytest.approx(100.0 * (ratio - 1.0), rel=1e-9)
    assert expected["square-root"] == pytest.approx(100.0 * (math.sqrt(ratio) - 1.0), rel=1e-9)
    # CIPM-2007 is valid at 20 °C and 95 kPa and lies 0.03 % to 0.06 % above the ideal mix
    assert 1.0002 < found.density_cipm / found.density < 1.0007


def test_pulls_in_turn_show_the_difference(chain: Chain, evidence: Evidence) -> None:
    dyno = evidence.dyno
    assert dyno is not None
    assert [x.pull for x in dyno.left_out] == ["cold"] and "60\u00a0°C" in said(dyno.left_out[0].reason, "si")
    means = {(m.figure, m.configuration): m for m in rows_of(dyno.means)}
    differences = {row.figure: row.difference for row in rows_of(dyno.comparisons)}
    raw = means["peak_torque_uncorrected", "stock"]
    assert raw.mean == pytest.approx(150.0) and raw.n == 3
    # t(0.975, 2) = 4.303 (table), standard deviation 0.3 of three
    assert raw.high == pytest.approx(150.0 + 4.303 * 0.3 / math.sqrt(3.0), abs=0.002)
    assert differences["peak_torque_uncorrected"] == pytest.approx(3.0)
    factor = air.correction("sae-j1349-2004", air.AirState(25.0, 92.0, 40.0)).factor
    assert means["peak_torque", "stock"].mean == pytest.approx(150.0 * factor, rel=1e-9)
    assert differences["peak_torque"] == pytest.approx(3.0 * factor, rel=1e-9)
    assert "pull-order" not in codes(chain)


def test_correction_far_from_one_is_a_limitation(chain: Chain) -> None:
    text = next(said(x.text, "si") for x in chain.result.limitations if x.code == "correction-range")
    # dry pressure 92.0 − 0.4·3.169 kPa (25 °C, steam tables); ((99/90.73)·√(298/298) − 0.15)/0.85 = 1.107
    factors = chain.result.evidence.dyno.figures["factor"].tolist()
    assert factors == pytest.approx([(99.0 / (92.0 - 0.4 * 3.169) - 0.15) / 0.85] * 6, rel=2e-4)
    assert "1.107" in text and "validity range" in text


def test_measured_power_beside_the_models(evidence: Evidence) -> None:
    expected = evidence.dyno.expected[0]
    assert expected.measured == pytest.approx(2.0, abs=1e-6)  # 153 over 150
    models = {m.model: m.percent for m in expected.models}
    assert models["density"] == pytest.approx(100.0 * (313.15 / 303.15 - 1.0))
    assert models["one-percent"] == pytest.approx(1.8)  # 18 °F at 1 % per 10 °F (common practice)


def test_one_series_per_configuration_is_a_fit_and_said_to_be(chain: Chain) -> None:
    """No percentage of restriction or airflow without saying that nothing was measured twice."""
    limit = next(x for x in chain.result.limitations if x.code == "one-series")
    assert "no repeat measurement" in said(limit.text, "si") and "Three series" in said(limit.remedy, "si")
    tables = {b.label: b for b in restriction(chain.result) if isinstance(b, Table)}
    for label in ("tab-restriction", "tab-airflow"):
        heads = [c.title for c in tables[label].columns if "interval" in c.title]
        assert len(heads) == 2 and all("fit only, no repeat measurement" in head for head in heads)
        assert any("fitted anew" in note for note in tables[label].notes)


def test_restriction_on_an_exact_law(evidence: Evidence) -> None:
    curves = evidence.bench.restrictions[0]
    assert curves.airflow == pytest.approx(0.10)
    stock, sealed = rows_of(curves.rows)
    assert (stock.drop, sealed.drop) == pytest.approx((3.0, 2.0))
    assert sealed.percent == pytest.approx(-100.0 / 3.0)
    assert curves.depression == pytest.approx(2.0)
    assert sealed.more == pytest.approx(100.0 * (math.sqrt(1.5) - 1.0))  # at equal depression
    assert stock.scaled == pytest.approx(math.sqrt(2.0) * stock.flow) and curves.scaling.in_range
    # four-stroke: 2.0 L · 6000 / 2 per minute
    assert evidence.theoretical.airflow == pytest.approx(0.1) and evidence.theoretical.share == pytest.approx(100.0)


def test_trials_are_counted_with_exact_bounds(chain: Chain, evidence: Evidence) -> None:
    rows = list(rows_of(evidence.bench.exposures))
    wet = {e.configuration: e for e in rows if e.condition == "wet"}
    sentence = said(wet["sealed"].sentence, "si").replace("\u00a0", " ")
    assert sentence.startswith("0 of 6 wet trials showed moisture")
    assert "up to 39 % at 95 %" in sentence  # 1 − 0.05^(1/6) = 0.393
    assert (wet["stock"].k, wet["stock"].n) == (1, 1)
    assert next(e.gain for e in rows if e.condition == "dusty") == pytest.approx(0.0035)
    assert {"few-trials", "exposure-partial"} <= codes(chain)
    assert evidence.untested == ("hot exposure",)


def test_times_to_service(evidence: Evidence) -> None:
    (time,) = rows_of(evidence.bench.services)
    assert (time.mean, time.n) == (pytest.approx(240.0), 3)
    assert time.high == pytest.approx(240.0 + 60.0 * 4.303 / math.sqrt(3.0), abs=0.06)  # t(0.975, 2) = 4.303 (table)


def test_no_evidence_is_said(tmp_path: Path) -> None:
    chain = run_chain(roadlog.write(tmp_path))
    evidence = chain.result.evidence
    assert evidence.dyno is None and evidence.bench is None and evidence.road is None and evidence.tested == ()
    text = next(said(x.text, "si") for x in chain.result.limitations if x.code == "not-tested")
    assert "power on a dyno" in text and "wet exposure" in text
    assert all(run.density is None for run in evidence.weather.runs)
    assert "no-density" in codes(chain)


def test_rain_reported_contradicts_a_dry_road_and_missing_wind_is_not_calm(tmp_path: Path) -> None:
    wet = [r.replace("9999 SCT040", "9999 -RA SCT040").replace("24008KT", "/////KT") for r in offroad.REPORTS]
    chain = changed_chain(tmp_path, ("weather.0.reports", wet))
    assert {n.code for n in chain.result.evidence.notices} == {"declared-contradicts"}
    assert "weather-contradicts" in codes(chain)
    assert {(run.raining, run.wind_speed) for run in chain.result.evidence.weather.runs} == {(True, None)}


def test_sea_level_pressure_as_station_pressure_is_questioned(tmp_path: Path) -> None:
    # 1013 hPa given as station pressure at 1500 m, where the standard atmosphere has 845.6 hPa
    readings = [
        {"time": run["start"], "temperature": "20 degC", "humidity": "50 %", "station_pressure": "1013 hPa"}
        for run in offroad.campaign()["run"]
    ]
    chain = changed_chain(tmp_path, ("weather.1.elevation", "1500 m"), ("weather.1.readings", readings))
    text = next(said(n.text, "si") for n in chain.result.evidence.notices if n.code == "pressure-questioned")
    assert "sea level" in text and "altimeter" in text and "pressure-questioned" in codes(chain)


def test_results_json_carries_everything_with_texts(chain: Chain) -> None:
    document = json.loads(results_json(chain.result, "2026-07-01", 1))["evidence"]
    means = document["dyno"]["means"][0]
    assert means["text"].endswith("kW") and " to " in means["interval_text"]
    assert document["weather"]["offsets"][0]["text"] == "+0.75\u00a0K"
    assert document["bench"]["restrictions"][0]["rows"][1]["percent_text"] == "\u221233.3\u00a0%"
    assert document["bench"]["services"][0]["text"] == "4.0\u00a0min"
    assert document["air"]["points"][0]["mass_text"].endswith("g")
    assert "39\u00a0%" in document["bench"]["exposures"][0]["sentence"]


def pull_claims(*relations: tuple[str, str | None], metric: str = "peak_torque") -> list[dict[str, object]]:
    common = {"text": "The sealed box makes more.", "metric": metric, "configuration": "sealed"}
    return [
        {"id": f"c{i}", "relation": relation, **common} | ({"value": value} if value else {})
        for i, (relation, value) in enumerate(relations)
    ]


def test_a_claim_may_name_power_or_torque(tmp_path: Path) -> None:
    higher = [("higher", limit) for limit in (None, "2 N*m", "4 N*m", "5 N*m")]
    results = changed_chain(tmp_path, ("claim", pull_claims(*higher, ("at least", "150 N*m")))).result.claims
    # +3 N·m times 1.107; standard deviation 0.3·1.107 on both sides, t(0.975, 4) = 2.776 (any t table): ± 0.75 N·m
    assert results[0].estimate == pytest.approx(3.0 * 1.107, rel=1e-3)
    assert results[0].high - results[0].estimate == pytest.approx(2.776 * 0.3 * 1.107 * math.sqrt(2.0 / 3.0), rel=1e-3)
    assert [r.verdict for r in results] == ["supported", "supported", "not shown", "not supported", "cannot be tested"]
    assert "3 pulls against 3" in said(results[0].reason, "si")
    assert "uncertainty of the dyno itself" in said(results[4].reason, "si")


def test_pulls_one_after_the_other_are_a_limitation_and_their_difference_an_indication(tmp_path: Path) -> None:
    data = offroad.campaign()
    data["pull"] = sorted((p for p in data["pull"] if p["id"] != "cold"), key=lambda p: p["id"])
    for order, entry in enumerate(data["pull"], 1):
        entry["order"] = order
        del entry["time"]
    data["claim"] = pull_claims(("higher", None), metric="mean_power")
    found = run_chain(offroad.write(tmp_path, data))
    (result,) = found.result.claims
    assert result.verdict == "indication only" and "one after the other" in said(result.reason, "si")
    assert "pull-order" in codes(found)
