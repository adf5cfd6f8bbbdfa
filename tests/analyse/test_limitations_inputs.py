"""A header that names another unit than the mapping is a limitation, in the report and in the check."""

from types import SimpleNamespace

import pytest
import roadlog
from check.support import check_json
from conftest import run_chain

from intake_report.analyse.limitations.layout import unit_overridden
from intake_report.errors import CampaignError
from intake_report.messages import said


def relabelled(folder, header, target):
    """Write the small campaign with another header over one column, and a mapping that reads it as `target`."""
    old = {"iat": "Intake (C)", "speed": "Speed (km/h)"}[target.partition(" ")[0]]
    data = roadlog.campaign()
    columns = {(header if key == old else key): value for key, value in data["log"]["columns"].items()}
    data["log"]["columns"] = columns | {header: target}
    file = roadlog.write(folder, data)
    for log in (folder / "logs").glob("*.csv"):
        log.write_text(log.read_text("utf-8").replace(old, header), "utf-8")
    return file


def judged(file, capsys):
    """The limitations of this kind in the report, and what the check says of one log."""
    derived = [found for found in run_chain(file).result.limitations if found.code == "unit-overridden"]
    _, (check,) = check_json(capsys, file.parent / "logs/b1-stock.csv", "--campaign", file)
    return derived, check


@pytest.mark.parametrize(
    ("header", "target", "written", "stated"),
    [("IAT (°F)", "iat [degC]", "°F", "°C"), ("Speed [mph]", "speed [km/h]", "mph", "km/h")],
)
def test_another_unit_than_the_header_is_a_limitation(tmp_path, capsys, header, target, written, stated):
    (found,), check = judged(relabelled(tmp_path, header, target), capsys)
    text, remedy = said(found.text, "si"), said(found.remedy, "si")
    assert f"“{header}” names {written}" in text and f"in {stated}." in text and "all runs" in text
    assert "[log.columns]" in remedy and "label in the logger" in remedy
    assert check["verdict"] == "accept with limitation"
    assert f"“{header}” names {written}" in check["reasons"][0] and "[log.columns]" in check["reasons"][0]


@pytest.mark.parametrize("header", ["IAT [C]", "Intake"])
def test_the_same_unit_or_none_is_no_limitation(tmp_path, capsys, header):
    derived, check = judged(relabelled(tmp_path, header, "iat [degC]"), capsys)
    assert derived == [] and check["verdict"] == "accept"


def test_only_runs_that_take_part_count():
    def drive(id):
        entry = SimpleNamespace(step="unit-stated", reason="The header says so.", channel="iat")
        return SimpleNamespace(entry=SimpleNamespace(id=id), clean=SimpleNamespace(quality=(entry,)))

    def text(used):
        found = SimpleNamespace(used=set(used), drives=[drive("a"), drive("b")])
        return [said(limitation.text, "si") for limitation in unit_overridden(found)]

    assert "concerns run a;" in text("ac")[0]
    assert "concerns 2 runs (a and b);" in text("abc")[0]
    assert text("c") == []


def test_without_engine_speed_a_standing_engine_is_not_told_apart(tmp_path, capsys, demo):
    file = roadlog.write(tmp_path)
    codes = [found.code for found in run_chain(file).result.limitations]
    assert codes.count("engine-unknown") == 1
    _, (check,) = check_json(capsys, file.parent / "logs/b1-stock.csv", "--campaign", file)
    assert {c["code"]: c["outcome"] for c in check["criteria"]}["start-stop"] == "unknown"
    assert "engine-unknown" not in {found.code for found in demo.chain.result.limitations}


def test_intake_air_below_ambient_is_a_wrong_unit_for_certain_where_its_numbers_agree(tmp_path, capsys):
    file = relabelled(tmp_path, "Intake", "iat [degF]")
    wrong = r"log\.columns: in b1-stock, .*, “Intake” holds °C and is read in °F: intake air"
    with pytest.raises(CampaignError, match=wrong):
        run_chain(file)
    _, (check,) = check_json(capsys, file.parent / "logs/b1-stock.csv", "--campaign", file)
    assert check["verdict"] == "correct the entry" and "“Intake” holds °C" in check["reasons"][0]
    file.write_text(file.read_text("utf-8").replace('resolution = "1 degC"', ""), "utf-8")  # alone it may be a sensor
    derived, check = judged(file, capsys)
    assert derived == [] and check["verdict"] == "accept with limitation"
    assert "does not cool its air" in check["reasons"][0]
