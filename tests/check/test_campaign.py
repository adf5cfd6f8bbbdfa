"""A log in its campaign: which run it is, every criterion, and the verdict."""

import shutil
import tomllib

import numpy as np
import pytest
from conftest import run_chain

from intake_report import cli
from intake_report.align import CRITERIA
from intake_report.analyse.acceptance import acceptance_limits
from intake_report.campaign import load_campaign
from intake_report.check.runs import open_campaign
from intake_report.errors import CampaignError

from .support import ROOT, check_json, criterion, log, planned_campaign

CLAIM = {"id": "c", "text": "c", "metric": "peak_iat", "configuration": "sealed", "relation": "lower", "value": "-3"}


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    return planned_campaign(tmp_path_factory.mktemp("small"))


def test_a_run_is_found_by_its_file(campaign, capsys):
    status, (check,) = check_json(capsys, campaign.parent / "logs/b1-sealed.csv", "--campaign", campaign)
    assert status == 0 and check["verdict"] == "accept", check["reasons"]
    assert check["run"] == "b1-sealed" and check["found_by"] == "file" and check["configuration"] == "Sealed box"
    assert check["compared"] == ["b1-stock", "b2-sealed", "b2-stock"]
    assert check["mapping_from"] == "campaign" and check["mapping_text"] == ""
    assert {c["code"] for c in check["criteria"]} >= set(CRITERIA)
    assert check["start"] == "2026-05-11T10:00:00+00:00"
    for one in check["criteria"]:
        assert (one["value"] is None) == (one["outcome"] == "unknown"), one
        assert one["reason"] or one["outcome"] != "unknown", one
    assert {p["other"] for p in check["pairs"]} == {"b1-stock"}  # the other run of its block


def test_a_planned_run_is_judged_before_its_log_is_in_the_folder(campaign, tmp_path, capsys):
    path = log(tmp_path / "fresh.csv")
    status, (check,) = check_json(capsys, path, "--campaign", campaign, "--run", "b3-stock")
    assert status == 0 and check["run"] == "b3-stock" and check["found_by"] == "option"
    assert len(check["compared"]) == 4
    assert check["drive"]["stops"] == 4 and check["drive"]["highway_entry"] > 0
    with pytest.raises(CampaignError, match="does not exist"):
        load_campaign(campaign)  # rendering needs the log


def test_a_planned_run_is_recognised_by_the_name_of_its_log_and_any_other_is_a_candidate(campaign, tmp_path, capsys):
    _, (check,) = check_json(capsys, log(tmp_path / "b3-stock.csv"), "--campaign", campaign)
    assert check["run"] == "b3-stock" and check["found_by"] == "name"
    _, (check,) = check_json(capsys, log(tmp_path / "b1-stock.csv"), "--campaign", campaign)
    assert check["run"] is None and check["found_by"] == "candidate" and check["configuration"] is None
    assert len(check["compared"]) == 4  # also with the run whose id its name would have given


def test_parts_make_one_run(campaign, tmp_path, capsys):
    whole = log(tmp_path / "whole.csv")
    parts = [log(tmp_path / "1.csv", rows=slice(0, 200)), log(tmp_path / "2.csv", rows=slice(200, None))]
    _, (one,) = check_json(capsys, whole, "--campaign", campaign, "--run", "b3-stock")
    _, (two,) = check_json(capsys, *parts, "--campaign", campaign, "--run", "b3-stock")
    assert len(two["files"]) == 2 and two["rows"] == one["rows"]
    assert two["criteria"] == one["criteria"] and two["verdict"] == one["verdict"]


def test_a_log_in_place_of_another_is_said_and_not_compared_with_it(campaign, tmp_path, capsys):
    _, (check,) = check_json(capsys, log(tmp_path / "again.csv"), "--campaign", campaign, "--run", "b1-stock")
    assert check["compared"] == ["b1-sealed", "b2-sealed", "b2-stock"]
    assert any("in place of" in note for note in check["notes"])


def test_one_drive_cannot_be_two_runs(tmp_path, capsys):
    """A copy of a log with other bytes, and a run that began while another was driven; a reference may be another vehicle."""
    file, stock, sealed = planned_campaign(tmp_path), tmp_path / "logs/b1-stock.csv", tmp_path / "logs/b1-sealed.csv"
    (again := tmp_path / "again.csv").write_bytes(stock.read_bytes() + b"\n")
    status, (check,) = check_json(capsys, again, "--campaign", file, "--run", "b3-stock")
    assert (status, check["verdict"]) == (1, "correct the entry")
    assert "This run holds the readings of b1-stock: one drive would count as two." in check["reasons"][0]
    file.write_text(text := file.read_text("utf-8").replace("11T10:00", "11T09:05"), "utf-8")  # for 2 of 7 minutes
    _, (check,) = check_json(capsys, sealed, "--campaign", file)
    assert "was driven while b1-stock was, 2026-05-11 09:05 to 09:07" in check["reasons"][0]
    again.rename(tmp_path / "logs/b3-stock.csv")
    with pytest.raises(CampaignError) as caught:
        run_chain(file)
    assert [error.where for error in caught.value.errors] == ["run[2]", "run[5]"]
    shutil.copy(stock, tmp_path / "logs/b3-stock.csv")  # byte for byte no log has to be read
    said = "“b3-stock” is the same as “logs/b1-stock.csv” of run “b1-stock”: one drive"
    with pytest.raises(CampaignError, match=said):
        load_campaign(file)
    (tmp_path / "logs/b3-stock.csv").unlink()
    file.write_text(text.replace('"candidate"', '"reference"'), "utf-8")
    assert criterion(check_json(capsys, sealed, "--campaign", file)[1][0], "one-drive")["outcome"] == "pass"


def test_half_a_route_has_to_be_repeated(campaign, tmp_path, capsys):
    path = log(tmp_path / "half.csv", rows=slice(0, 230))
    status, (check,) = check_json(capsys, path, "--campaign", campaign)
    assert status == 1 and check["verdict"] == "repeat the run"
    covered = criterion(check, "coverage")
    assert covered["outcome"] == "fail" and covered["hard"] and covered["value"] < covered["limit"]


def test_another_day_is_a_limitation_with_the_farthest_run(campaign, tmp_path, capsys):
    status, (check,) = check_json(capsys, log(tmp_path / "hot.csv", ambient=27.0), "--campaign", campaign)
    assert status == 0 and check["verdict"] == "accept with limitation"
    ambient = criterion(check, "ambient")
    # a quarter of a step is added where the way of rounding is not known
    # four runs at 20.0, 20.4, 20.8, 21.2 °C (read in whole degrees) and this one: their median is about 21
    assert ambient["own"] == 27.25 and ambient["value"] == pytest.approx(6.0, abs=0.5)
    assert ambient["outcome"] == "fail" and not ambient["hard"]
    assert any(reason.startswith("Ambient: 27") and "farthest from b1-" in reason for reason in check["reasons"])


def test_the_campaigns_limit_decides(tmp_path, capsys):
    hard = {"limit": "2 degF", "hard": True}
    for limit, verdict, status in (("20 delta_degC", "accept", 0), (hard, "repeat the run", 1)):
        folder = tmp_path / verdict.replace(" ", "-")
        file = planned_campaign(folder, acceptance={"ambient": limit, "start-over-ambient": "20 degC"})
        found, (check,) = check_json(capsys, log(folder / "hot.csv", ambient=27.0), "--campaign", file)
        assert (check["verdict"], found) == (verdict, status), check["reasons"]
    assert criterion(check, "ambient")["limit"] == pytest.approx(2 / 1.8)


def test_limits_in_every_unit(tmp_path):
    stated = {
        "coverage": "90 %", "time-of-day": "90 min", "ramp-acceleration": "1 mph/s", "cross-track": "50 ft", "stops": 2,
        "phase-duration": {"limit": 0.1},
    }  # fmt: skip
    found = acceptance_limits(open_campaign(planned_campaign(tmp_path, acceptance=stated))[0])
    assert found["coverage"].limit == pytest.approx(0.9) and found["coverage"].hard is None
    assert found["time-of-day"].limit == pytest.approx(1.5)
    assert found["ramp-acceleration"].limit == pytest.approx(0.44704)  # 1 mile = 1609.344 m, exact by definition
    assert found["cross-track"].limit == pytest.approx(15.24)  # 1 ft = 0.3048 m, exact by definition
    assert found["stops"].limit == 2.0 and found["phase-duration"].limit == 0.1


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"acceptance": {"ambiant": "2 degF"}}, "Did you mean “ambient”?"),
        ({"claim": [CLAIM]}, "claim[1].value: “-3” has no unit"),
        ({"acceptance": {"ambient": "2 m"}}, "acceptance.ambient"),
        ({"acceptance": {"stops": "many"}}, "not a number"),
        ({"run__0__configuration": "stok"}, "Did you mean “stock”?"),
        ({"route__reference": "route.gpx"}, "“route.gpx” does not exist"),
    ],
)
def test_a_mistake_of_the_campaign_is_wrong_usage_and_only_absent_logs_are_forgiven(tmp_path, capsys, changes, text):
    file = planned_campaign(tmp_path, **changes)
    assert cli.main(["check", str(log(tmp_path / "a.csv")), "--campaign", str(file)]) == 2
    captured = capsys.readouterr()
    assert text in captured.err and captured.out == "" and "b3-stock.csv" not in captured.err


def test_a_claim_on_power_may_wait_for_its_pulls(tmp_path, capsys):
    file = planned_campaign(tmp_path, claim=[CLAIM | {"metric": "peak_power", "value": "-1 kW"}])
    assert check_json(capsys, tmp_path / "logs/b1-stock.csv", "--campaign", file)[0] == 0


def test_wrong_usage(campaign, tmp_path, capsys):
    path = str(log(tmp_path / "a.csv"))
    assert cli.main(["check", path, "--run", "b1-stock"]) == 2
    assert "--campaign" in capsys.readouterr().err
    assert cli.main(["check", path, "--campaign", str(campaign), "--run", "b3-stok"]) == 2
    assert "Did you mean “b3-stock”?" in capsys.readouterr().err
    assert cli.main(["check", path, "--campaign", str(tmp_path / "none")]) == 2


def test_weather_that_is_not_there_yet_is_said(tmp_path, capsys):
    weather = [{"id": "yard", "kind": "station", "file": "weather.csv"}]
    file = planned_campaign(tmp_path, weather=weather, ambient={"reference": "yard"})
    status, (check,) = check_json(capsys, log(tmp_path / "a.csv"), "--campaign", file)
    # by the vehicle's sensor, with a quarter of a step
    assert status == 0 and criterion(check, "ambient")["own"] == 21.25
    assert any("yard is left out: weather.csv" in note for note in check["notes"])
    assert any("ambient reference" in note for note in check["notes"])


def test_a_log_that_the_mapping_does_not_fit_gets_a_proposal(campaign, tmp_path, capsys):
    path = log(tmp_path / "other.csv")
    path.write_text(path.read_text().replace("Intake (C)", "Oil").replace("Outside (C)", "Ambient Air (C)"))
    _, (check,) = check_json(capsys, path, "--campaign", campaign)
    # the ambient is never proposed as intake air
    assert "Did you mean" not in check["reasons"][0] and "Columns are" in check["reasons"][0]
    path.write_text(path.read_text().replace("Oil", "Intake Air Temp [C]"))
    status, (check,) = check_json(capsys, path, "--campaign", campaign)
    assert status == 1 and check["verdict"] == "unreadable" and check["mapping_from"] == ""
    assert "Intake (C)" in check["reasons"][0]
    assert '"Intake Air Temp [C]" = "iat [degC]"' in check["mapping_text"]


def test_columns_that_the_campaign_leaves_out_are_proposed_not_applied(campaign, tmp_path, capsys):
    path = log(tmp_path / "more.csv")
    head, *lines = path.read_text("utf-8").splitlines()
    path.write_text("\n".join([f"{head},Coolant (C)", *(f"{line},88" for line in lines)]) + "\n")
    _, (check,) = check_json(capsys, path, "--campaign", campaign)
    assert "coolant" not in {c["channel"] for c in check["channels"]}
    assert '"Coolant (C)" = "coolant [degC]"' in check["mapping_text"] and "speed" not in check["mapping_text"]
    # pasted where the text says, the campaign reads the channel
    file = tmp_path / "campaign.toml"
    shutil.copytree(campaign.parent / "logs", tmp_path / "logs")
    text = campaign.read_text("utf-8")
    assert text.count("[log.columns]\n") == 1
    file.write_text(text.replace("[log.columns]\n", "[log.columns]\n" + check["mapping_text"]), "utf-8")
    _, (check,) = check_json(capsys, path, "--campaign", file)
    assert "coolant" in {c["channel"] for c in check["channels"]} and check["mapping_text"] == ""


def test_the_only_run_has_no_route_to_be_judged_by(tmp_path, capsys):
    file = planned_campaign(tmp_path)
    for name in ("b1-stock", "b1-sealed", "b2-stock", "b2-sealed"):
        (tmp_path / f"logs/{name}.csv").unlink()
    status, (check,) = check_json(capsys, log(tmp_path / "a.csv"), "--campaign", file)
    assert status == 0 and check["compared"] == []
    assert criterion(check, "coverage")["outcome"] == "unknown"
    assert "this run alone" in criterion(check, "coverage")["reason"]
    assert criterion(check, "ambient")["outcome"] == "unknown"


def test_the_demo_campaign(demo, capsys):
    """One run of each configuration and block, with positions and weather: aligned and judged with the eight others."""
    file = ROOT / "data/ramp-trial/campaign.toml"
    logs = sorted((file.parent / "logs").iterdir())[::4]
    status, checks = check_json(capsys, *logs, "--campaign", file)
    assert status == 0
    assert [check["run"] for check in checks] == [path.name.partition(".")[0] for path in logs]
    for check in checks:
        assert len(check["compared"]) == 8 and check["drive"]["coverage"] > 0.99
        crossed = {c["name"]: c["status"] for c in check["cross_checks"]}
        assert crossed["speed-against-gps"] == "agrees" and crossed["airflow-unit"] == "agrees"
        assert crossed["ambient-against-record"] != "not-possible"
        assert criterion(check, "wind")["value"] is not None and criterion(check, "rain")["value"] == 0.0
        # the same values as in the report
        mine = {c["code"]: (c["value"], c["limit"], c["hard"], c["outcome"]) for c in check["criteria"]}
        report = [c for c in demo.chain.measured.comparability.checks if c.runs == (check["run"],)]
        assert len(report) == len(CRITERIA)
        assert {c.code: (c.value, c.limit, c.hard, c.outcome) for c in report}.items() <= mine.items()


def test_reference_and_the_runs_that_do_not_count_are_named_with_the_reason(tmp_path, capsys):
    file = planned_campaign(tmp_path)
    path = tmp_path / "logs/b1-stock.csv"
    speed = np.abs(np.cumsum(np.random.default_rng(1).normal(0.0, 1.5, 420)))  # it has nothing of the route
    rows = [f"{t},{v:.0f},{24 + t % 3},20" for t, v in enumerate(speed)]
    path.write_text("\n".join([path.read_text("utf-8").splitlines()[0], *rows]) + "\n", "utf-8")
    (tmp_path / "logs/b1-sealed.csv").write_text("nothing", "utf-8")
    _, (check,) = check_json(capsys, tmp_path / "logs/b2-stock.csv", "--campaign", file)
    notes = check["notes"]
    assert any(note.startswith("Route distance is the distance that b2-sealed drove") for note in notes)
    assert "Compared with b1-stock and b2-sealed." in notes
    (left,) = [note for note in notes if "b1-stock does not count" in note]
    assert "do not tell where it lies on the route" in left
    assert any("b1-sealed could not be read" in note for note in notes)
    assert "The run b3-stock does not count: its log is not there yet." in notes
    status, (check,) = check_json(capsys, path, "--campaign", file)
    assert status == 1 and "do not tell where it lies on the route" in check["reasons"][0]
    assert "log units" not in str(check)


def test_a_campaign_without_phases_says_what_they_are_needed_for(tmp_path, capsys):
    file = planned_campaign(tmp_path, route=None, campaign__decides=["peak_over_ambient", "recovery_time: 3 degF"])
    _, (check,) = check_json(capsys, tmp_path / "logs/b1-stock.csv", "--campaign", file)
    (text,) = (reason for reason in check["reasons"] if reason.startswith("It gives no value for recovery time"))
    assert (
        check["verdict"] == "accept with limitation"
        and "(the run has no highway entry), which the campaign asks" in text
    )
    assert any("states no [[route.phase]]" in note for note in check["notes"])
    phases = tomllib.loads(check["phases_text"])["route"]["phase"]
    assert [phase["kind"] for phase in phases] == ["city", "ramp", "highway"]
    # pasted, the campaign states phases, and the highway entry is found
    file.write_text(file.read_text("utf-8") + "\n" + check["phases_text"], "utf-8")
    _, (again,) = check_json(capsys, tmp_path / "logs/b1-stock.csv", "--campaign", file)
    assert again["phases_text"] == "" and again["drive"]["highway_entry"] is not None


def test_all_wrong_limits_are_said_at_once_with_the_path_as_given(tmp_path, capsys, monkeypatch):
    planned_campaign(tmp_path, acceptance={"coverag": "95 %", "ambient": 2})
    monkeypatch.chdir(tmp_path)
    assert cli.main(["check", "logs/b1-stock.csv", "--campaign", "."]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert [line.partition(": there")[0].partition(": 2 has")[0] for line in lines] == [
        "intake-report: campaign.toml: acceptance.coverag",
        "intake-report: campaign.toml: acceptance.ambient",
    ]
