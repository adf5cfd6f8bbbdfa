"""Evidence that cannot be used: one sentence with the file and the line or key, and what to do; exit status 1."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import offroad
import pytest
import roadlog
from conftest import run_chain

from intake_report.analyse import load_logs
from intake_report.campaign import load_campaign
from intake_report.cli import main
from intake_report.errors import CampaignError, CampaignErrors, IntakeReportError

STATION_COLUMNS = {"time": "time", "temp": "temperature [degC]", "rh": "humidity [%]", "p": "station_pressure [hPa]"}
STATION_ROWS = "time,temp,rh,p\n2026-05-11T09:00:00Z,20.0,50,955\n2026-05-11T10:00:00Z,20.0,{rh},{p}\n"


def bad_report(folder: Path, data: dict[str, Any]) -> None:
    data["weather"][0]["reports"][3] = "METAR XXXX 111050Z 24008KT 9999 FOO123 20/10 Q1013"


def bad_report_in_a_file(folder: Path, data: dict[str, Any]) -> None:
    reports = [*offroad.REPORTS[:2], "METAR XXXX 111050Z 24008KT 9999 SCT040 20/10 Q10I3"]
    (folder / "reports.txt").write_text("\n".join(reports) + "\n", "utf-8")
    del data["weather"][0]["reports"]
    data["weather"][0]["file"] = "reports.txt"


def station(folder: Path, data: dict[str, Any], rh: str = "50", p: str = "955") -> None:
    (folder / "station.csv").write_text(STATION_ROWS.format(rh=rh, p=p), "utf-8")
    data["weather"][0] = {
        "id": "airfield", "kind": "station", "elevation": "500 m", "file": "station.csv", "columns": STATION_COLUMNS,
        "timezone": "UTC",
    }  # fmt: skip


def too_humid_in_a_table(folder: Path, data: dict[str, Any]) -> None:
    station(folder, data, rh="104")


def pressure_in_another_unit(folder: Path, data: dict[str, Any]) -> None:
    station(folder, data, p="29.9")


def too_humid_cell(folder: Path, data: dict[str, Any]) -> None:
    data["pull"][2]["cell_humidity"] = "104 %"


def sea_level_pressure_in_the_cell(folder: Path, data: dict[str, Any]) -> None:
    data["dyno"]["elevation"] = "1500 m"
    for entry in data["pull"]:
        entry["cell_pressure"] = "846 hPa"
    data["pull"][2]["cell_pressure"] = "1013 hPa"


def contradicting_columns(folder: Path, data: dict[str, Any]) -> None:
    data["pull"][2]["columns"] = {**offroad.PULL_COLUMNS, "kw": "power [hp]"}


def backwards(folder: Path, data: dict[str, Any]) -> None:
    lines = offroad.pull_text("stock", 0).splitlines()
    data["pull"][1] |= {"id": "down", "file": "down.csv"}
    (folder / "down.csv").write_text("\n".join([lines[0], *reversed(lines[1:])]) + "\n", "utf-8")


def disjoint(folder: Path, data: dict[str, Any]) -> None:
    lines = offroad.pull_text("stock", 0).splitlines()
    low = [line for line in lines[1:] if float(line.split(",")[0]) <= 3000.0]
    high = [line for line in lines[1:] if float(line.split(",")[0]) >= 4000.0]
    for index, (name, rows) in enumerate((("slow", low), ("fast", high)), 1):
        data["pull"][index] |= {"id": name, "file": f"{name}.csv"}
        (folder / f"{name}.csv").write_text("\n".join([lines[0], *rows]) + "\n", "utf-8")


def more_adverse_than_trials(folder: Path, data: dict[str, Any]) -> None:
    data["exposure"][0] |= {"trials": 6, "adverse": 7}


def intake_air(folder: Path, data: dict[str, Any]) -> None:
    data["dyno"]["air"] = "intake"


def wheel_and_engine(folder: Path, data: dict[str, Any]) -> None:
    data["pull"][2]["measured_at"] = "engine"


def ambiguous_correction(folder: Path, data: dict[str, Any]) -> None:
    data["dyno"]["correction"] = "SAE J1349"


def loss_without_a_name(folder: Path, data: dict[str, Any]) -> None:
    data["dyno"]["driveline_loss"] = "15 %"


def lighter_filter(folder: Path, data: dict[str, Any]) -> None:
    data["exposure"][2] |= {"filter_mass_before": "403.5 g", "filter_mass_after": "400.0 g"}


def reading_without_kind(folder: Path, data: dict[str, Any]) -> None:
    data["weather"][1]["readings"][1]["temperature"] = "75 degC"


Change = Callable[[Path, dict[str, Any]], None]
CASES: list[tuple[Change, tuple[str, ...]]] = [
    (bad_report, ("campaign.toml", "airfield", "111050Z", "FOO123")),
    (bad_report_in_a_file, ("reports.txt", "line 3", "Q10I3")),
    (too_humid_in_a_table, ("station.csv", "line 3", "104 %", "0 to 100 %")),
    (pressure_in_another_unit, ("station.csv", "line 3", "2.99 kPa")),
    (too_humid_cell, ("campaign.toml", "pull[3].cell_humidity", "104 %", "100 %")),
    (
        sea_level_pressure_in_the_cell,
        ("campaign.toml", "pull[3]", "101.3\N{NO-BREAK SPACE}kPa", "1500\N{NO-BREAK SPACE}m", "reduced to sea level"),
    ),
    (contradicting_columns, (".csv", "contradict", "kW, not hp")),
    (backwards, ("down.csv", "Pull down", "runs backwards", "row")),
    (disjoint, ("campaign.toml", "dyno", "slow", "fast", "3000 rpm", "4000 rpm")),
    (more_adverse_than_trials, ("campaign.toml", "exposure[1]", "7 adverse observations in 6 trials")),
    (intake_air, ("campaign.toml", "dyno", "correct away the effect under test", "test cell")),
    (wheel_and_engine, ("campaign.toml", "wheel", "engine", "not mixed")),
    (ambiguous_correction, ("campaign.toml", "dyno", "several editions", "sae-j1349-2004")),
    (loss_without_a_name, ("campaign.toml", "dyno", "15 %", "name")),
    (lighter_filter, ("campaign.toml", "exposure", "lost 3.5 g")),
    (reading_without_kind, ("campaign.toml", "yard", "reading 2", "75 °C")),
]


def campaign_with(change: Change, folder: Path) -> Path:
    data = offroad.campaign()
    file = offroad.write(folder, data)
    change(folder, data)
    for entry in data["pull"]:
        entry.setdefault("file", "")
    file.write_text(roadlog.toml(data), "utf-8")
    return file


@pytest.mark.parametrize(("change", "words"), CASES, ids=lambda x: x.__name__ if callable(x) else "")
def test_refused_in_one_sentence(change: Change, words: tuple[str, ...], tmp_path: Path) -> None:
    file = campaign_with(change, tmp_path)
    with pytest.raises(IntakeReportError) as caught:
        run_chain(file)
    text = str(caught.value)
    assert "\n" not in text
    for word in words:
        assert word in text, text
    assert caught.value.file is not None


def test_all_of_them_are_said_at_once_and_before_a_log_is_read(tmp_path: Path) -> None:
    data = offroad.campaign()
    file = offroad.write(tmp_path, data)
    for change in (bad_report, reading_without_kind, backwards, intake_air):
        change(tmp_path, data)
    (tmp_path / "curve.csv").write_text("flow,drop\n100,0.2\n200,high\n", "utf-8")
    columns = {"flow": "airflow [m^3/h]", "drop": "drop [kPa]"}
    data["restriction"][0] = {"configuration": "stock", "file": "curve.csv", "columns": columns, "source": "bench 2"}
    file.write_text(roadlog.toml(data), "utf-8")
    for log in (tmp_path / "logs").iterdir():
        log.write_text(f"no log {log.name}", "utf-8")
    with pytest.raises(CampaignErrors) as caught:
        load_logs(load_campaign(file))
    said = [str(error) for error in caught.value.errors]
    for place, words in {
        "weather[1]": "FOO123",
        "weather[2]": "75 °C",
        "pull[2]": "down",
        "restriction[1]": "high",
    }.items():
        assert sum(f"campaign.toml: {place}" in text and words in text for text in said) == 1, said
    assert all(isinstance(error, CampaignError) for error in caught.value.errors)


@pytest.mark.parametrize("change", [more_adverse_than_trials, disjoint], ids=lambda x: x.__name__)
def test_command_line_fails_with_the_sentence(
    change: Change, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = dict(CASES)[change]
    status = main(["render", str(campaign_with(change, tmp_path / "in")), "--out", str(tmp_path / "out")])
    out, err = capsys.readouterr()
    assert status == 1 and out == "" and not list((tmp_path / "out").rglob("report.*"))
    assert len(err.strip().splitlines()) == 1 and all(word in err for word in words), err


@pytest.mark.slow
@pytest.mark.parametrize(("change", "words"), CASES, ids=lambda x: x.__name__ if callable(x) else "")
def test_command_line_fails_for_every_case(
    change: Change, words: tuple[str, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status = main(["render", str(campaign_with(change, tmp_path / "in")), "--out", str(tmp_path / "out")])
    err = capsys.readouterr().err
    assert status == 1 and len(err.strip().splitlines()) == 1 and all(word in err for word in words), err
