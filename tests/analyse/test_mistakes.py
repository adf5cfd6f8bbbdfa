"""Mistakes that need no log are refused before one is read; those of a mapping cite the campaign file and the log."""

import re

import pytest
import roadlog

from intake_report.analyse import align_logs, analyse, clean_logs, inputs, load_logs
from intake_report.campaign import load_campaign
from intake_report.errors import CampaignError, DataError


def changed(folder, key, value):
    file = roadlog.write(folder)
    file.write_text(roadlog.toml(roadlog.changed(roadlog.campaign(), key, value)), "utf-8")
    return load_campaign(file)


@pytest.mark.parametrize("chain", [analyse, load_logs])
def test_no_log_is_read_before_claims_and_limits_are_right(tmp_path, monkeypatch, chain):
    campaign = changed(tmp_path, "acceptance", {"coverag": "95 %"})
    monkeypatch.setattr(inputs, "load_run", lambda *a, **k: pytest.fail("a log was read"))
    with pytest.raises(CampaignError, match=r"acceptance\.coverag: .* Did you mean “coverage”"):
        chain(campaign)


@pytest.mark.parametrize(
    ("code", "limit", "said"),
    [
        ("ambient", "-1 degF", "“-1 degF” is not possible: it has to lie in 0 to 1e+06"),
        ("cross-track", "1e300 m", "is not possible"),
        ("stops", -3, "“-3” is not possible"),
        ("coverage", "150 %", "“150 %” is not possible: it has to lie in 0 to 100 %"),
    ],
)
def test_limits_that_cannot_be_are_refused_with_their_range(tmp_path, code, limit, said):
    with pytest.raises(CampaignError, match=re.escape(said)) as caught:
        load_logs(changed(tmp_path, "acceptance", {code: limit}))
    assert caught.value.where == f"acceptance.{code}"


@pytest.mark.parametrize(
    ("start", "end", "key", "sentence"),
    [("60 km", "70 km", "start", "begins at 60000 m"), ("5 km", "70 km", "end", "ends at 70000 m")],
)
def test_a_phase_beyond_the_route_is_refused_with_its_length(tmp_path, start, end, key, sentence):
    campaign = changed(tmp_path, "route.phase.2", {"id": "far", "kind": "highway", "start": start, "end": end})
    with pytest.raises(CampaignError, match=rf"“far” {sentence}, and the route is \d+ m long") as caught:
        align_logs(campaign, clean_logs(campaign, load_logs(campaign)))
    assert caught.value.where == f"route.phase[3].{key}"


@pytest.mark.parametrize(
    ("key", "wrap", "where", "log"),
    [
        ("log.columns", lambda columns: columns, "log.columns", "logs/b1-stock.csv"),
        ("run.1.log", lambda columns: {"columns": columns}, "run[2].log.columns", "logs/b1-sealed.csv"),
    ],
)
def test_a_misspelt_column_cites_the_key_and_the_log(tmp_path, key, wrap, where, log):
    columns = {"Speed (km/h)": "speed [km/h]", "Intaek (C)": "iat [degC]"}
    with pytest.raises(DataError) as caught:
        load_logs(changed(tmp_path, key, wrap(columns)))
    assert caught.value.file == str(tmp_path / "campaign.toml") and caught.value.where == f'{where}."Intaek (C)"'
    assert f"{log}: The log has no column “Intaek (C)”. Did you mean “Intake (C)”?" in str(caught.value)


def test_no_drive_is_read_before_the_logs_of_soak_checks_are_right(tmp_path, monkeypatch):
    """Both are named at once, by their keys."""
    (tmp_path / "soak.csv").write_text("Elapsed (s),Intake (C),Coolant (C)\n0,17,17\n60,17,17\n120,17,17\n", "utf-8")
    columns = {"Intaek (C)": "iat [degC]", "Coolant (C)": "coolant [degC]"}
    one = {"stood": "11 h", "file": "soak.csv", "log": {"columns": columns}}
    checks = [{"id": f"dawn-{n}", "time": f"2026-05-1{n}T05:00:00Z"} | one for n in (1, 2)]
    checks[1]["log"] = {"columns": {"Coolant (C)": "coolant [degC]"}}
    campaign = changed(tmp_path, "soak_check", checks)
    monkeypatch.setattr(inputs, "load_run", lambda *a, **k: pytest.fail("the log of a drive was read"))
    with pytest.raises(CampaignError) as caught:
        analyse(campaign)
    assert "Did you mean “Intake (C)”?" in str(caught.value)
    assert "holds no two temperature channels" in str(caught.value)
