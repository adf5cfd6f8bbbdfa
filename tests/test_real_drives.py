"""Real logs, end to end: laps of one road with two arbitrary configurations, and commutes without a position.

No configuration changed between these drives: whatever the report says about a difference has to stay within what the
intervals allow, and what was not logged has to be named. The logs are copied into a temporary campaign.
"""

import csv
import datetime as dt
import gzip
import random
import shutil
from pathlib import Path
from typing import Any

import pytest
import roadlog
from conftest import DATE, Report, start_command

LAP_COLUMNS = {
    "longitude [deg]": "longitude [deg]",
    "latitude [deg]": "latitude [deg]",
    "GPS Speed [km/h]": "gps_speed [km/h]",
    "Intake Temperature [c]": "iat [degC]",
    "Rpm [u/min]": "rpm [rpm]",
    "Speed [km/h]": "speed [km/h]",
    "Intake Pressure [kPa]": "map [kPa]",
    "GPS HDOP [precision]": "hdop [1]",
}
COMMUTE_COLUMNS = {
    "Engine Coolant Temperature [{}]": "coolant [degC]",
    "Intake Manifold Absolute Pressure [kPa]": "map [kPa]",
    "Engine RPM [RPM]": "rpm [rpm]",
    "Vehicle Speed Sensor [km/h]": "speed [km/h]",
    "Intake Air Temperature [{}]": "iat [degC]",
    "Air Flow Rate from Mass Flow Sensor [g/s]": "maf [g/s]",
    "Ambient Air Temperature [{}]": "ambient [degC]",
}
SHOWN = ("shown", "exploratory")
OVER_AMBIENT = {"peak_over_ambient", "mean_over_ambient", "recovery_time", "charge_density_ratio"}


def write_campaign(folder: Path, id: str, runs: list[dict[str, Any]], **more: Any) -> Path:
    """Write a campaign over real logs; `runs` as the file has them, each with its log as the only one of `files`."""
    (folder / "logs").mkdir(parents=True)
    for run in runs:
        shutil.copy(run["files"][0], folder / "logs")
        run["files"] = [f"logs/{run['files'][0].name}"]
    data = {
        "schema": 1,
        "campaign": {"id": id, "title": "Real drives", "question": "Is there a difference where nothing was changed?"},
        "vehicle": {"description": "passenger car of a public record"},
        "configuration": [
            {"id": "a", "name": "Label A", "role": "baseline"},
            {"id": "b", "name": "Label B", "role": "candidate", "description": "drawn by lot; nothing was changed"},
        ],
        "instrument": {"logger": "diagnostic-port adapter with a phone"},
        "metrics": {"draws": 200},  # enough for what is asked here
        "run": runs,
    }
    (folder / "campaign.toml").write_text(roadlog.toml(data | more), "utf-8")
    return folder / "campaign.toml"


def lap_campaign(folder: Path, laps: list[Path]) -> Path:
    """Write a campaign over laps, half of them drawn by a fixed seed for each of two labels; a block is a session."""
    labels = ["a", "b"] * (len(laps) // 2)
    random.Random(20260701).shuffle(labels)
    runs = []
    for lap, label in zip(laps, labels, strict=True):
        session = f"{lap.stem[:10]}-{'am' if lap.stem[11:13] < '12' else 'pm'}"
        runs.append({"id": lap.stem, "configuration": label, "block": session, "files": [lap]})
    return write_campaign(folder, "laps", runs, log={"time": "time", "columns": LAP_COLUMNS})


def commute_campaign(drives: Path, folder: Path, names: list[str], labels: str = "ab") -> Path:
    runs = []
    for name, label in zip(names, labels, strict=True):
        file = drives / "commute" / f"{name}.csv.gz"
        header = gzip.decompress(file.read_bytes()).splitlines()[0].decode("utf-8")
        degree = "Â°C" if "Â°C" in header else "°C"
        columns = {key.format(degree): target for key, target in COMMUTE_COLUMNS.items()}
        date = dt.date.fromisoformat(name[:10])
        log = {"time": "Time", "date": date, "timezone": "Europe/Berlin", "columns": columns}
        runs.append({"id": name, "configuration": label, "files": [file], "log": log})
    return write_campaign(folder, "commute", runs)


def rendered(*files: Path) -> list[Report]:
    """Render campaigns at the same time, each in a process of its own."""
    runs = [start_command("render", file, "--date", DATE, "--out", file.parent.parent / "out") for file in files]
    for run in runs:
        _, err = run.communicate(timeout=600)
        assert run.returncode == 0, err
    return [Report(file.parent.parent / "out" / file.parent.name / DATE) for file in files]


def claims_no_more_than_the_intervals(report: Report) -> None:
    comparisons = report.results["comparisons"]
    assert comparisons
    for c in comparisons:
        inside = c["low"] is None or c["low"] <= 0.0 <= c["high"]
        if inside or c["basis"] == "instruments":
            assert c["call"] not in SHOWN
            assert c["verdict"] in ("no difference shown", "indication only", "not compared"), c
    shown = {c["verdict"] for c in comparisons if c["call"] in SHOWN}
    for verdict in ("closer to ambient", "further from ambient", "faster", "slower", "cooler", "warmer"):
        if verdict not in shown:
            assert f"which is {verdict}" not in report.html_text


def of(report: Report, key: str) -> dict[str, Any]:
    return {v["run"]: v["value"] for v in report.results["values"] if v["key"] == key}


def codes(report: Report) -> set[str]:
    return {limitation["code"] for limitation in report.results["limitations"]}


def used(report: Report) -> list[dict[str, Any]]:
    return [run for run in report.results["runs"] if run["decision"] != "excluded"]


@pytest.fixture(scope="module")
def laps(drives: Path) -> list[Path]:
    return sorted((drives / "loop").glob("*.csv"))


@pytest.fixture(scope="module")
def reports(laps, drives, tmp_path_factory) -> list[Report]:
    """Laps of two mornings (28 and 29 March before noon), and two commutes, one in July and one in February."""
    folder = tmp_path_factory.mktemp("real")
    return rendered(
        lap_campaign(folder / "laps", laps[:3] + laps[6:9]),
        commute_campaign(drives, folder / "commute", ["2017-07-07_normal", "2018-02-22_normal"]),
    )


@pytest.fixture
def six_laps(reports) -> Report:
    return reports[0]


@pytest.fixture
def commutes(reports) -> Report:
    return reports[1]


def test_laps_have_no_ambient_and_the_report_says_why(six_laps):
    for text in (six_laps.html_text, six_laps.pdf_text):
        assert "No ambient temperature was recorded" in text
    assert "no-ambient" in codes(six_laps)
    checked = [v for v in six_laps.results["values"] if v["key"].split(":")[0] in OVER_AMBIENT]
    assert len({v["key"].split(":")[0] for v in checked}) >= 3
    for value in checked:
        assert (value["status"], value["value"]) == ("not computed", None)
        assert "no ambient temperature was recorded" in value["reason"]


def test_everything_else_of_the_laps_is_computed(six_laps):
    assert len(used(six_laps)) >= 5
    peaks = of(six_laps, "peak_iat")
    for run in used(six_laps):
        assert run["method"] == "position"
        assert 16_000.0 < run["length"] < 18_500.0  # a loop of about 17 km
        assert run["stops"] > 0 and run["start"].startswith("2017-03-2")
        assert 20.0 < peaks[run["id"]] < 80.0
    assert any(value is not None for value in of(six_laps, "heat_soak_rate").values())
    assert (six_laps.folder / "figures" / "fig-route.svg").is_file()
    assert "Peak intake air temperature" in six_laps.annex.html
    claims_no_more_than_the_intervals(six_laps)


def test_values_of_the_laps_agree_with_the_logs(six_laps, drives):
    """The highest reading in the file, found without the package, bounds the peak to half a step.

    A quarter of a step more where nobody knows whether the reading is rounded or cut off: the peak is an expectation.
    """
    (sampling,) = [row for row in six_laps.results["sampling"] if row["channel"] == "iat"]
    assert 4.5 < sampling["interval_low"] < 5.5  # one row each 5 s
    peaks = of(six_laps, "peak_iat")
    close = 0
    for run in used(six_laps):
        with (drives / "loop" / f"{run['id']}.csv").open(encoding="utf-8") as file:
            cells = [row["Intake Temperature [c]"] for row in csv.DictReader(file)]
        highest = max(float(cell) for cell in cells if cell)
        assert peaks[run["id"]] <= highest + 0.5 + 0.25  # off the route it may have been higher
        close += peaks[run["id"]] >= highest - 1.0
    assert close >= len(peaks) // 2


def test_commutes_have_no_position_and_are_an_indication_at_most(commutes):
    assert {run["method"] for run in commutes.results["runs"]} == {"speed"}
    assert "no-position" in codes(commutes)
    for text in (commutes.html_text, commutes.pdf_text):
        assert "comes from integrated speed, without a position" in text
    assert commutes.results["ambient_reference"] == "vehicle"
    for value in of(commutes, "peak_over_ambient").values():
        assert value is not None and 0.0 < value < 100.0
    claims_no_more_than_the_intervals(commutes)
    assert {c["verdict"] for c in commutes.results["comparisons"]} <= {"indication only", "not compared"}
    assert "one-run" in codes(commutes)
    assert "indication" in commutes.html_text


def test_true_sampling_of_the_commutes_is_found(commutes):
    rows = {row["channel"]: row for row in commutes.results["sampling"]}
    for channel in ("iat", "speed", "rpm"):
        # one of ten channels is refreshed per row of 0.09 s (the record's description)
        assert 0.5 < rows[channel]["interval_low"] < 1.6
        assert rows[channel]["rows_per_sample"] > 5.0


@pytest.mark.slow
def test_all_thirty_laps(laps, tmp_path, part):
    """Thirty laps under two labels drawn by lot: an A/A comparison, so hardly anything may be called a difference."""
    assert len(laps) == 30
    (report,) = rendered(lap_campaign(tmp_path / "laps", laps[: part(30, 12)]))
    claims_no_more_than_the_intervals(report)
    assert len(used(report)) >= part(25, 10)
    assert "No ambient temperature was recorded" in report.html_text
    tested = [c for c in report.results["comparisons"] if c["p_value"] is not None]
    assert tested
    # labels drawn by lot: at 95 % one in twenty is called different by chance
    assert sum(c["call"] in SHOWN for c in tested) <= 1
