"""A log without a campaign: what it is, its channels, the proposed mapping, the verdict."""

import gzip
import subprocess
import sys
import tomllib
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd
import pytest
import roadlog
from corpus.broken import stamps
from loaders.support import gpx

from intake_report import cli
from intake_report.campaign import load_campaign
from intake_report.check.logs import missing_share
from intake_report.clean import clean
from intake_report.loaders.base import RunLog

from .support import check_json, criterion, plain_log


def test_what_the_file_is(tmp_path, capsys):
    status, (check,) = check_json(capsys, path := plain_log(tmp_path / "a.csv"))
    assert status == 0 and check["verdict"] == "accept" and check["campaign"] is None and check["found_by"] == ""
    assert check["format"] == "delimited" and check["rows"] == 422 and check["duration"] == 421.0
    assert check["start"] is None
    channels = {c["channel"]: c for c in check["channels"]}
    assert channels["iat"]["interval"] == 1.0 and channels["iat"]["header"] == "Intake Temp (C)"
    assert channels["speed"]["high"] == 105.0 and channels["iat"]["step"] == 1.0
    assert channels["iat"]["missing"] == 0.0 and channels["iat"]["bad"] == 0
    assert "route and comparability were not judged" in check["reasons"][0]
    # the proposal is printed ready to paste and said to be a guess
    assert cli.main(["check", str(path)]) == 0
    out = capsys.readouterr().out
    assert "for this look only" in " ".join(out.split())
    pasted = tomllib.loads(out[out.index("[log.columns]") :])
    assert pasted["log"]["columns"]["Speed (km/h)"] == "speed [km/h]"
    assert pasted["log"]["columns"]["Intake Temp (C)"] == "iat [degC]"


def test_a_log_without_a_known_intake_temperature_cannot_be_judged(tmp_path, capsys):
    path = tmp_path / "a.csv"
    path.write_text("Time [s],Gear,Speed [km/h]\n" + "".join(f"{i},{i % 5},{i % 90}\n" for i in range(300)))
    status, (check,) = check_json(capsys, path)
    assert status == 1 and check["verdict"] == "unreadable"
    assert "No column was recognised as intake air temperature." in check["reasons"][0]
    assert "“Gear”" in check["reasons"][0]
    assert [c["channel"] for c in check["channels"]] == ["speed"]  # what is there is shown all the same


@pytest.mark.parametrize(("rows", "code"), [(slice(0, 40), "duration"), (slice(0, 80), "driven")])
def test_a_drive_that_hardly_began_has_to_be_repeated(tmp_path, capsys, rows, code):
    status, (check,) = check_json(capsys, plain_log(tmp_path / "a.csv", rows=rows))
    assert status == 1 and check["verdict"] == "repeat the run"
    assert criterion(check, code)["outcome"] == "fail" and criterion(check, code)["hard"]
    assert check["reasons"]


def test_a_track_alone_cannot_be_judged(tmp_path, capsys):
    path = tmp_path / "t.gpx"
    path.write_bytes(gpx(stamps(50)))
    status, (check,) = check_json(capsys, path)
    assert status == 1 and check["verdict"] == "unreadable" and check["rows"] == 50
    assert check["start"] == "2025-05-02T10:00:00+00:00"
    assert "position track" in check["reasons"][0]


def with_rows(path: Path, change) -> Path:
    """Change the cells (time, speed, intake, ambient) of each row of a log; a row of which nothing is left is dropped."""
    head, *lines = plain_log(path).read_text("utf-8").splitlines()
    changed = [row for i, line in enumerate(lines) if (row := change(i, line.split(",")))]
    path.write_text("\n".join([head, *(",".join(row) for row in changed)]) + "\n", "utf-8")
    return path


@pytest.mark.parametrize("value", ["", "-40"])
@pytest.mark.parametrize("share, verdict", [(0.05, "accept"), (0.3, "accept with limitation"), (0.6, "repeat the run")])
def test_missing_and_fault_values_of_the_intake_temperature(tmp_path, capsys, value, share, verdict):
    first = round(422 * (1.0 - share))
    path = with_rows(tmp_path / "a.csv", lambda i, row: [*row[:2], value, row[3]] if i >= first else row)
    status, (check,) = check_json(capsys, path)
    assert check["verdict"] == verdict and status == (verdict == "repeat the run")
    assert criterion(check, "valid-iat")["value"] == pytest.approx(1.0 - share, abs=0.01)
    if value == "-40":
        bad = next(c for c in check["channels"] if c["channel"] == "iat")["bad"]
        assert bad == pytest.approx(422 * share, abs=1)
        assert any(q["step"] == "fault-code" and q["fault"] for q in check["quality"])


def test_pauses_and_one_long_gap_are_reasons_of_the_verdict(tmp_path, capsys):
    def paused(i, row):
        return None if i % 20 < 6 else [str(float(row[0]) + 604.0 * (i > 210)), *row[1:]]

    status, (check,) = check_json(capsys, with_rows(tmp_path / "a.csv", paused))
    assert check["verdict"] != "accept" and status == (check["verdict"] == "repeat the run")
    assert criterion(check, "pauses")["value"] > 18 and criterion(check, "pauses")["outcome"] == "fail"
    assert criterion(check, "longest-pause")["value"] == pytest.approx(604.0, abs=6.0)
    assert "pauses" in " ".join(check["limitations"])


@pytest.mark.parametrize(
    ("change", "verdict", "words"),
    [
        (lambda i, row: [*row[:2], "90", row[3]] if i % 60 == 5 else row, "accept with limitation", "impossible rate"),
        (lambda i, row: [*row[:2], "90", row[3]] if i % 10 == 5 else row, "accept with limitation", "too many for"),
        # a single fault and short pauses
        (lambda i, row: None if i % 150 < 6 else [*row[:2], "90", row[3]] if i == 60 else row, "accept", "criteria"),
        (lambda _, row: [*row[:2], "20", row[3]], "repeat the run", "iat read one value over the whole run"),
        (lambda _, row: [*row[:3], ""], "accept with limitation", "no ambient temperature"),
    ],
)
def test_what_is_wrong_or_lacks_is_a_reason_of_the_verdict(tmp_path, capsys, change, verdict, words):
    _, (check,) = check_json(capsys, with_rows(tmp_path / "a.csv", change))
    assert check["verdict"] == verdict and words in " ".join(check["reasons"])


def test_airflow_with_a_label_that_cannot_be_right_is_flagged(tmp_path, capsys):
    """Petrol burns 14.7 times its mass of air: numbers that fit as g/s cannot be l/s."""
    speed = np.clip(60 + 40 * np.sin(np.arange(900) / 30), 0, None)
    fuel = 2.0 + speed / 20.0  # l/h
    airflow = fuel * 745.0 / 3600.0 * 14.7  # g/s
    cells = enumerate(zip(speed, fuel, airflow, strict=True))
    rows = "".join(f"{i},{v:.0f},{25 + i % 9},20,{q:.3f},{m:.3f}\n" for i, (v, q, m) in cells)
    head = "Time [s],Speed [km/h],Intake Temperature [C],Ambient [C],Fuel Rate [l/h],MAF [{}]\n"
    for label, status in (("g/s", "agrees"), ("l/s", "flagged")):
        path = tmp_path / f"{label[0]}.csv"
        path.write_text(head.format(label) + rows)
        _, (check,) = check_json(capsys, path)
        found = next(c for c in check["cross_checks"] if c["name"] == "airflow-unit")
        assert found["status"] == status, found
    assert "only in g/s" in found["evidence"]
    assert "airflow" not in {c["channel"] for c in check["channels"]}
    assert check["verdict"] == "accept with limitation"


def test_several_logs_give_a_campaign_to_paste(tmp_path, capsys):
    logs = [plain_log(tmp_path / f"logs {i}.csv", ambient=20.0 + i) for i in range(3)]
    assert cli.main(["check", *map(str, logs)]) == 0
    out = capsys.readouterr().out
    pasted = tomllib.loads(out[out.rindex("[log.columns]") :])
    assert pasted["log"]["columns"]["Intake Temp (C)"] == "iat [degC]"
    assert [run["id"] for run in pasted["run"]] == ["logs-0", "logs-1", "logs-2"]
    assert [run["files"] for run in pasted["run"]] == [["logs/logs 0.csv"], ["logs/logs 1.csv"], ["logs/logs 2.csv"]]
    assert [phase["kind"] for phase in pasted["route"]["phase"]] == ["city", "ramp", "highway"]
    # with a file of `new` around it and its configurations named, it is a campaign
    assert cli.main(["new", str(tmp_path / "trial")]) == 0
    file = tmp_path / "trial/campaign.toml"
    for path in logs:
        path.rename(tmp_path / "trial/logs" / path.name)
    head = file.read_text("utf-8").partition("\n[[run]]")[0]
    file.write_text(head + "\n" + out[out.rindex("[log.columns]") :].replace('"…"', '"stock"'), "utf-8")
    assert [run.id for run in load_campaign(file).runs] == ["logs-0", "logs-1", "logs-2"]


def test_each_log_is_on_its_own(tmp_path, capsys):
    good, empty = plain_log(tmp_path / "good.csv"), tmp_path / "empty.csv"
    empty.write_text("")
    status, checks = check_json(capsys, empty, tmp_path / "absent.csv", good, tmp_path)
    assert status == 1
    assert [c["verdict"] for c in checks] == ["unreadable", "unreadable", "accept", "unreadable"]
    assert "no such file" in checks[1]["reasons"][0] and "folder" in checks[3]["reasons"][0]
    cli.main(["check", str(good), str(empty)])
    last = capsys.readouterr().out.splitlines()[-2:]
    assert last[0].split() == ["good.csv", "accept"] and last[1].startswith("empty.csv  unreadable")


def test_a_fault_of_the_program_stays_with_its_log(tmp_path, capsys, monkeypatch):
    broken = mock.Mock(side_effect=ZeroDivisionError("made for the test"))
    monkeypatch.setattr("intake_report.check.logs.timeline", broken)
    status, (check,) = check_json(capsys, plain_log(tmp_path / "a.csv"))
    assert status == 1 and "ZeroDivisionError: made for the test" in check["reasons"][0]
    with pytest.raises(ZeroDivisionError):
        cli.main(["check", "--debug", str(tmp_path / "a.csv")])


@pytest.mark.parametrize(("coolant", "proposed"), [(25.0, True), (26.0, True), (27.0, False), (88.0, False)])
def test_a_log_that_begins_soaked_proposes_its_soak_check(tmp_path, capsys, coolant, proposed):
    """Intake and ambient read 25; one step apart is what rounding explains, two are a difference."""
    made = roadlog.drive(roadlog.Intake(soak=0.3), 21.0)  # the drive begins 4 K above its ambient
    made["ambient"], made["coolant"] = made["ambient"] + 4.0, coolant + 0.05 * made["time"] * (made["time"] > 20.0)
    names = {"time": "Time (s)", "speed": "Vehicle Speed (km/h)", "iat": "Intake Temp (C)", "ambient": "Ambient (C)"}
    path = tmp_path / "cold.csv"
    pd.DataFrame(made).rename(columns=names | {"coolant": "Coolant (C)"}).to_csv(path, index=False, float_format="%.0f")
    _, (check,) = check_json(capsys, path)
    assert bool(check["soak_text"]) == proposed, check["soak_text"]
    if proposed:
        (entry,) = tomllib.loads(check["soak_text"])["soak_check"]
        assert entry["readings"] == {"iat": "25 degC", "ambient": "25 degC", "coolant": f"{coolant:.0f} degC"}
        cli.main(["check", str(path)])
        assert "[[soak_check]]" in capsys.readouterr().out


def test_missing_share_counts_pauses_beyond_the_limit_and_the_ends():
    time = [0.0, *np.arange(10.0, 41.0), *np.arange(60.0, 91.0), 100.0]
    frame = pd.DataFrame({"speed": 30.0, "rpm": 900.0 + np.arange(len(time))}, index=pd.Index(time, name="time"))
    frame.iloc[[0, -1], 0] = np.nan
    run = clean(RunLog("r", frame, None, (Path("r.csv"),)))
    # 10 s before the first sample, 20 s in the middle, 10 s after the last; the channel's limit is 5 s
    assert missing_share(run, "speed") == pytest.approx(0.4)
    assert missing_share(run, "iat") == 1.0


def test_no_campaign_no_heavy_imports(tmp_path):
    """A look at a log has to be there at once: nothing that only a campaign needs is imported."""
    heavy = {"matplotlib", "shapely", "pyproj", "intake_report.analyse", "intake_report.align"}
    code = f"import sys; from intake_report.cli import main; main(['check', sys.argv[1]]); print({heavy} & set(sys.modules))"
    out = subprocess.check_output([sys.executable, "-c", code, plain_log(tmp_path / "a.csv")], text=True)
    assert out.splitlines()[-1] == "set()"


def judge_real(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, (check,) = check_json(capsys, path)
    assert status == 0, check["reasons"]
    assert check["verdict"].startswith("accept")
    text = (gzip.open if path.suffix == ".gz" else open)(path, "rb").read()
    assert check["rows"] == len(text.splitlines()) - 1  # all lines but the header
    commute = path.parent.name == "commute"
    assert {"iat", "speed", *(("ambient", "coolant") if commute else ())} <= {c["channel"] for c in check["channels"]}
    if not commute:
        assert {c["name"]: c["status"] for c in check["cross_checks"]}["speed-against-gps"] == "agrees"
        wrong = next(c for c in check["columns"] if c["channel"] == "gps_accuracy")
        assert wrong["unit"] is None and not wrong["certain"]  # its label is %
    assert cli.main(["check", str(path)]) == 0
    text = capsys.readouterr().out
    assert text.startswith("ACCEPT") and "▁" in text


@pytest.mark.parametrize("name", ["commute/2017-07-05_congested.csv.gz", "loop/2017-03-28_0457.csv"])
def test_real_drives(drives, name, capsys):
    judge_real(drives / name, capsys)


@pytest.mark.slow
def test_all_real_drives(real_logs, capsys, part):
    assert len(real_logs) == 49
    for path in real_logs[:: part(1, 7)]:
        judge_real(path, capsys)
