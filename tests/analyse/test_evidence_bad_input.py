"""Evidence that cannot be used: one sentence with the file and the line or key, and what to do; exit status 1."""

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

STATION = {
    "id": "airfield", "kind": "station", "elevation": "500 m", "file": "station.csv", "timezone": "UTC",
    "columns": {"time": "time", "temp": "temperature [degC]", "rh": "humidity [%]", "p": "station_pressure [hPa]"},
}  # fmt: skip
STATION_ROWS = "time,temp,rh,p\n2026-05-11T09:00:00Z,20.0,50,955\n2026-05-11T10:00:00Z,20.0,{rh},{p}\n"
PULL = offroad.pull_text("stock", 0).splitlines()


def sweep(keep=lambda speed: True, step: int = 1) -> str:
    """The rows of a pull at the engine speeds kept, turned round with a step of −1."""
    return "\n".join([PULL[0], *[row for row in PULL[1:] if keep(float(row.split(",")[0]))][::step]]) + "\n"


BAD_REPORT = ("weather.0.reports.3", "METAR XXXX 111050Z 24008KT 9999 FOO123 20/10 Q1013")
BAD_READING = ("weather.1.readings.1.temperature", "75 degC")
BACKWARDS = [("pull.1.id", "down"), ("pull.1.file", "down.csv")]
INTAKE_AIR = ("dyno.air", "intake")
CELLS = [(f"pull.{i}.cell_pressure", "846 hPa") for i in range(7)]
# name: (keys with what they are changed to, files beside the campaign, words of the sentence)
CASES: dict[str, tuple[list[tuple[str, Any]], dict[str, str], tuple[str, ...]]] = {
    "report": ([BAD_REPORT], {}, ("campaign.toml", "airfield", "111050Z", "FOO123")),
    "report in a file": (
        [("weather.0.reports", None), ("weather.0.file", "reports.txt")],
        {"reports.txt": "\n".join([*offroad.REPORTS[:2], "METAR XXXX 111050Z 24008KT 9999 SCT040 20/10 Q10I3"]) + "\n"},
        ("reports.txt", "line 3", "Q10I3"),
    ),
    "humid table": (
        [("weather.0", STATION)], {"station.csv": STATION_ROWS.format(rh="104", p="955")},
        ("station.csv", "line 3", "104 %", "0 to 100 %"),
    ),
    "pressure in another unit": (
        [("weather.0", STATION)], {"station.csv": STATION_ROWS.format(rh="50", p="29.9")},
        ("station.csv", "line 3", "2.99 kPa"),
    ),
    "humid cell": (
        [("pull.2.cell_humidity", "104 %")], {}, ("campaign.toml", "pull[3].cell_humidity", "104 %", "100 %"),
    ),
    "sea level pressure in the cell": (
        [("dyno.elevation", "1500 m"), *CELLS, ("pull.2.cell_pressure", "1013 hPa")], {},
        ("campaign.toml", "pull[3]", "101.3 kPa", "1500 m", "reduced to sea level"),
    ),
    "contradicting columns": (
        [("pull.2.columns", {**offroad.COLUMNS, "kw": "power [hp]"})], {}, (".csv", "contradict", "kW, not hp"),
    ),
    "backwards": (BACKWARDS, {"down.csv": sweep(step=-1)}, ("down.csv", "Pull down", "runs backwards", "row")),
    "disjoint": (
        [("pull.1.id", "slow"), ("pull.1.file", "slow.csv"), ("pull.2.id", "fast"), ("pull.2.file", "fast.csv")],
        {"slow.csv": sweep(lambda speed: speed <= 3000.0), "fast.csv": sweep(lambda speed: speed >= 4000.0)},
        ("campaign.toml", "dyno", "slow", "fast", "3000 rpm", "4000 rpm"),
    ),
    "more adverse than trials": (
        [("exposure.0.trials", 6), ("exposure.0.adverse", 7)], {},
        ("campaign.toml", "exposure[1]", "7 adverse observations in 6 trials"),
    ),
    "intake air": ([INTAKE_AIR], {}, ("campaign.toml", "dyno", "correct away the effect under test", "test cell")),
    "wheel and engine": ([("pull.2.measured_at", "engine")], {}, ("campaign.toml", "wheel", "engine", "not mixed")),
    "ambiguous correction": (
        [("dyno.correction", "SAE J1349")], {}, ("campaign.toml", "dyno", "several editions", "sae-j1349-2004"),
    ),
    "loss without a name": ([("dyno.driveline_loss", "15 %")], {}, ("campaign.toml", "dyno", "15 %", "name")),
    "lighter filter": (
        [("exposure.2.filter_mass_before", "403.5 g"), ("exposure.2.filter_mass_after", "400.0 g")], {},
        ("campaign.toml", "exposure", "lost 3.5 g"),
    ),
    "reading in another unit": ([BAD_READING], {}, ("campaign.toml", "yard", "reading 2", "75 °C")),
}  # fmt: skip


def campaign_with(folder: Path, changes: list[tuple[str, Any]], files: dict[str, str]) -> Path:
    """Write the campaign, then with these changes of its file and these files beside it."""
    data = offroad.campaign()
    file = offroad.write(folder, data)
    for key, value in changes:
        data = roadlog.changed(data, key, value)
    for name, text in files.items():
        (folder / name).write_text(text, "utf-8")
    file.write_text(roadlog.toml(data), "utf-8")
    return file


@pytest.mark.parametrize("name", CASES)
def test_refused_in_one_sentence(name: str, tmp_path: Path) -> None:
    changes, files, words = CASES[name]
    with pytest.raises(IntakeReportError) as caught:
        run_chain(campaign_with(tmp_path, changes, files))
    text = str(caught.value).replace("\u00a0", " ")
    assert "\n" not in text and all(word in text for word in words), text
    assert caught.value.file is not None


def test_all_of_them_are_said_at_once_and_before_a_log_is_read(tmp_path: Path) -> None:
    columns = {"flow": "airflow [m^3/h]", "drop": "drop [kPa]"}
    curve = {"configuration": "stock", "file": "curve.csv", "columns": columns, "source": "bench 2"}
    changes = [BAD_REPORT, BAD_READING, *BACKWARDS, INTAKE_AIR, ("restriction.0", curve)]
    files = {"down.csv": sweep(step=-1), "curve.csv": "flow,drop\n100,0.2\n200,high\n"}
    file = campaign_with(tmp_path, changes, files)
    for log in (tmp_path / "logs").iterdir():
        log.write_text(f"no log {log.name}", "utf-8")
    with pytest.raises(CampaignErrors) as caught:
        load_logs(load_campaign(file))
    said = [str(error) for error in caught.value.errors]
    expected = {"weather[1]": "FOO123", "weather[2]": "75 °C", "pull[2]": "down", "restriction[1]": "high"}
    for place, words in expected.items():
        assert sum(f"campaign.toml: {place}" in text and words in text for text in said) == 1, said
    assert all(isinstance(error, CampaignError) for error in caught.value.errors)


@pytest.mark.parametrize("name", ["more adverse than trials", "disjoint"])
def test_command_line_fails_with_the_sentence(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    changes, files, words = CASES[name]
    status = main(["render", str(campaign_with(tmp_path / "in", changes, files)), "--out", str(tmp_path / "out")])
    out, err = capsys.readouterr()
    assert status == 1 and out == "" and not list((tmp_path / "out").rglob("report.*"))
    assert len(err.strip().splitlines()) == 1 and all(word in err for word in words), err
