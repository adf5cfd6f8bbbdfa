"""The command line: exit status 0, 1 or 2, one sentence per mistake, each campaign on its own, quiet in a pipe."""

import datetime as dt
import functools
import json
import re
import shutil
import subprocess
import sys
import threading
import tomllib
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
import roadlog
from conftest import DATE, Small, start_command
from rich.console import Console

from intake_report import cli
from intake_report import publish as module
from intake_report.analyse import analyse, load_logs
from intake_report.campaign import Campaign, load_campaign
from intake_report.errors import CampaignError, DataError
from intake_report.kernel import as_user_error
from intake_report.metrics import REGISTRY
from intake_report.render import sections
from intake_report.render.document import report_date
from intake_report.results.text import results_json

GOOD = roadlog.campaign(units="us")


def several(small: Small, folder: Path, *names: str) -> Path:
    """Return a folder with copies of the small campaign under other ids."""
    for name in names:
        shutil.copytree(small.file.parent, folder / name)
        spoil(folder / name, "campaign.id", name)
    return folder


def spoil(folder: Path, key: str = "run.0.configuration", value: object = "seeled") -> None:
    data = roadlog.changed(roadlog.changed(GOOD, "campaign.id", folder.name), key, value)
    (folder / "campaign.toml").write_text(roadlog.toml(data))


@pytest.fixture
def spoilt(small: Small, tmp_path: Path) -> Path:
    """A copy of the small campaign, to be spoilt."""
    return several(small, tmp_path, "spoilt") / "spoilt"


@pytest.mark.parametrize(
    "arguments",
    ["", "rendre x", "render", "render x --dat", "render x --format pdf", "render x --date 31/07/2026",
     "render x --date 2026-02-30", "demo"],
)  # fmt: skip
def test_wrong_usage_is_2_with_the_usage_shown(arguments, capsys):
    with pytest.raises(SystemExit) as stopped:
        cli.main(arguments.split())
    out, err = capsys.readouterr()
    assert (stopped.value.code, out) == (2, "")
    assert err.startswith("usage: intake-report") and "Traceback" not in err


@pytest.mark.parametrize("command", ["", "render", "check", "schema", "demo", "nightly", "reproduce"])
def test_help_of_each_command_says_what_it_does(command, capsys):
    with pytest.raises(SystemExit) as stopped:
        cli.main([*command.split(), "--help"])
    usage, description, *_ = capsys.readouterr().out.split("\n\n")
    assert stopped.value.code == 0 and usage.startswith("usage: ") and description.rstrip().endswith(".")


def test_done_is_0_and_one_line_that_names_the_report(small, tmp_path, finished, capsys):
    twice = str(small.file.parent), str(small.file)
    assert cli.main(["render", *twice, "--date", DATE, "--out", str(tmp_path)]) == 0
    assert capsys.readouterr() == (f"published: {tmp_path / 'small-trial' / DATE}\n", "")
    assert cli.main(["render", str(small.file), "--date", DATE, "--out", str(tmp_path)]) == 0
    assert capsys.readouterr().out == f"unchanged: {tmp_path / 'small-trial' / DATE}\n"


def test_a_copy_of_a_campaign_is_refused_beside_it_and_replaces_no_draft(small, tmp_path, finished, capsys):
    copy = shutil.copytree(small.file.parent, tmp_path / "copy")
    assert cli.main(["render", str(small.file), str(copy), "--date", DATE, "--out", str(tmp_path / "out")]) == 1
    assert f"campaign.id: the id “small-trial” is that of {small.file} too." in capsys.readouterr().err


def test_a_terminal_sees_the_steps_and_no_thread_stands_in_the_way_of_a_fork(small, tmp_path, monkeypatch, capsys):
    threads = [threading.active_count()]

    def make(campaign, scratch, meta, previous, progress, *_, **__):
        progress("loading")
        threads.append(threading.active_count())
        raise DataError("no.")

    monkeypatch.setattr(module, "make_report", make)
    monkeypatch.setattr("rich.console.Console", functools.partial(Console, force_terminal=True, width=100))
    assert cli.main(["render", str(small.file), "--out", str(tmp_path)]) == 1
    assert "campaign: loading" in capsys.readouterr().err
    assert threads[1] == threads[0]


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("run.0.files", ["logs/none.csv"], "the file “logs/none.csv” does not exist."),
        ("campaign.titel", "x", "campaign.titel: the key “titel” is not known. Did you mean “title”?"),
        ("run.0.files", ["../outside.csv"], "“../outside.csv” leaves the campaign folder"),
    ],
)
def test_bad_campaign_is_1_and_one_sentence(spoilt, tmp_path, capsys, key, value, said):
    spoil(spoilt, key, value)
    assert cli.main(["render", str(spoilt), "--out", str(tmp_path / "out")]) == 1
    out, err = capsys.readouterr()
    assert out == "" and err.startswith(f"intake-report: {spoilt / 'campaign.toml'}: ")
    assert said in err and err.count("\n") == 1
    assert not (tmp_path / "out").exists()


def claim(id, metric, **more):
    return {"id": id, "text": "x", "metric": metric, "configuration": "sealed", "relation": "lower"} | more


MISTAKES = {
    "run.0.configuration": "seeled",
    "claim": [claim("1", "peek_iat"), claim("2", "recovery_time"), claim("3", "over_ambient_mean", phase="citty")],
    "acceptance": {"coverag": "95 %"},
    "metrics.equivalence": {"peak_iatt": "1 degC"},
}


def test_mistakes_of_claims_and_limits_come_with_all_others_before_a_log_is_read(spoilt, tmp_path, monkeypatch, capsys):
    data = GOOD
    for key, value in MISTAKES.items():
        data = roadlog.changed(data, key, value)
    (spoilt / "campaign.toml").write_text(roadlog.toml(data))
    (spoilt / "logs" / "b1-stock.csv").write_text("no log at all")
    monkeypatch.chdir(tmp_path)
    assert cli.main(["render", "spoilt", "--out", "out"]) == 1
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 6, lines
    assert all(line.startswith("intake-report: spoilt/campaign.toml: ") for line in lines)
    claims = "claim[1].metric", "claim[2]", "claim[3]"
    for place in ("run[1].configuration", *claims, "acceptance.coverag", "metrics.equivalence.peak_iatt"):
        assert sum(f"campaign.toml: {place}" in line for line in lines) == 1, place


def test_a_misspelt_column_is_said_with_the_path_as_given(spoilt, tmp_path, monkeypatch, capsys):
    def run(campaign, *_, **__):  # what the kernel does up to the mistake
        try:
            load_logs(campaign)
        except CampaignError as error:
            raise as_user_error(type(error).__name__, str(error)) from None

    monkeypatch.setattr(module, "run_notebook", run)
    spoil(spoilt, "log.columns", {"Intaek (C)": "iat [degC]"})
    monkeypatch.chdir(tmp_path)
    assert cli.main(["render", "spoilt", "--out", "out"]) == 1
    place = 'log.columns."Intaek (C)": logs/b1-stock.csv'
    said = "The log has no column “Intaek (C)”. Did you mean “Intake (C)”?"
    assert capsys.readouterr().err == f"intake-report: spoilt/campaign.toml: {place}: {said}\n"


@pytest.mark.slow
def test_bad_weather_through_the_whole_command(spoilt, tmp_path):
    """What only the notebook's kernel finds out is the user's one sentence, with the paths as given, and publishes nothing."""
    (spoilt / "logs/air.csv").write_text("Time,Temp\n2026-05-11T09:00Z,warm\n")
    columns = {"Time": "time", "Temp": "temperature [degC]"}
    spoil(spoilt, "weather", [{"id": "air", "kind": "station", "file": "logs/air.csv", "columns": columns}])
    run = start_command("render", "spoilt", "--out", "out", cwd=tmp_path)
    out, said = run.communicate(timeout=180)
    where = "spoilt/campaign.toml: weather[1]: logs/air.csv: line 2: “warm” in"
    assert said.startswith(f"intake-report: {where}") and (out, said.count("\n"), run.returncode) == ("", 1, 1)
    assert not (tmp_path / "out" / "spoilt").exists()


def test_debug_shows_where(spoilt, tmp_path, capsys):
    spoil(spoilt)
    assert cli.main(["render", str(spoilt), "--debug", "--out", str(tmp_path / "out")]) == 1
    err = capsys.readouterr().err
    assert "Traceback (most recent call last)" in err and "intake_report.errors.CampaignError" in err


@pytest.mark.parametrize("empty", [True, False])
def test_nothing_to_render_is_1_and_says_so(tmp_path, capsys, empty):
    path = tmp_path if empty else tmp_path / "nowhere"
    assert cli.main(["render", str(path)]) == 1
    err = capsys.readouterr().err
    assert err.startswith(f"intake-report: {path}: there is no ") and "Name a folder with a campaign.toml." in err


def fail_at(id, error, monkeypatch):
    make = module.make_report

    def sometimes(campaign, *rest):
        if campaign.about.id == id:
            raise error
        return make(campaign, *rest)

    monkeypatch.setattr(module, "make_report", sometimes)


def test_what_goes_wrong_with_one_does_not_stop_the_rest(small, tmp_path, finished, monkeypatch, capsys):
    above = several(small, tmp_path / "campaigns", "alpha", "beta", "delta", "gamma")
    spoil(above / "beta")
    fail_at("delta", MemoryError, monkeypatch)
    paths = str(tmp_path / "nowhere"), str(above)
    assert cli.main(["render", *paths, "--date", DATE, "--out", str(tmp_path / "out")]) == 1
    out, err = capsys.readouterr()
    lines = out.splitlines()
    assert [line.split()[:2] for line in lines] == [
        ["nowhere", "failed"], ["alpha", "published"], ["beta", "failed"], ["delta", "failed"], ["gamma", "published"],
    ]  # fmt: skip
    assert len({line.index(line.split()[1]) for line in lines}) == 1
    assert str(tmp_path / "out" / "alpha" / DATE) in lines[1] and "seeled" in lines[2]
    nowhere, spoilt, fault = err.splitlines()
    assert f"{tmp_path / 'nowhere'}: there is no such file or folder" in nowhere and "seeled" in spoilt
    assert "a fault of the program (MemoryError: ); --debug shows where." in fault and "Traceback" not in err
    assert {p.name for p in (tmp_path / "out").iterdir()} == {"alpha", "gamma"}


def test_campaigns_that_share_an_id_do_not_become_revisions_of_each_other(small, tmp_path, finished, capsys):
    above = several(small, tmp_path / "campaigns", "alpha", "copy-of-alpha")
    file = above / "copy-of-alpha" / "campaign.toml"
    file.write_text(file.read_text().replace('"copy-of-alpha"', '"alpha"').replace("Small trial", "Another trial"))
    assert cli.main(["render", str(above), "--date", DATE, "--out", str(tmp_path / "out")]) == 1
    out, err = capsys.readouterr()
    assert [line.split()[1] for line in out.splitlines()] == ["published", "failed"]
    assert "“alpha”" in err
    assert [p.name for p in (tmp_path / "out" / "alpha").glob("[!.]*")] == [DATE]


def test_nothing_compared_and_phases_to_state_are_said_on_the_terminal(tmp_path, capsys, monkeypatch):
    """Said from the results alone, so that they do in place of the whole report."""

    def make(campaign, scratch, meta, *_, **__):
        (scratch / "report").mkdir()
        result = analyse(campaign)
        (scratch / "report" / "results.json").write_text(results_json(result, meta.date, meta.revision))
        blocks.extend(sections.places(result))

    monkeypatch.setattr(module, "make_report", make)
    blocks = []
    data = roadlog.changed(roadlog.campaign(), "route", None)
    for run in (1, 2):  # both of the candidate
        data = roadlog.changed(data, f"run.{run}.exclude", "wrong part fitted")
    file = roadlog.write(tmp_path / "campaign", data)
    arguments = ["render", str(file), "--date", DATE, "--out", str(tmp_path / "out")]
    assert cli.main(arguments) == 0
    place, nothing, phases = capsys.readouterr().out.splitlines()
    assert place == f"published: {tmp_path / 'out' / 'small-trial' / DATE}"
    assert nothing == "published, but nothing could be compared: only one configuration has runs left"
    assert "[[route.phase]]" in phases and "section “The same place”" in phases
    assert "suggests these" in str(blocks)  # the phases are there
    assert cli.main(arguments) == 0
    assert "unchanged, but nothing could be compared: only" in capsys.readouterr().out


@pytest.mark.parametrize("inside", [True, False])
def test_a_log_in_place_of_its_campaign_is_told(small, tmp_path, capsys, inside):
    folder = several(small, tmp_path, "alpha") / "alpha"
    file = folder / "logs" / "b1-stock.csv"
    if not inside:
        file = shutil.copy(file, tmp_path / "x.csv")
    assert cli.main(["render", str(file), "--out", str(tmp_path / "out")]) == 1
    name = f"name the campaign folder{f', {folder}' if inside else ''}"
    said = f"intake-report: {file}: this is no campaign file; {name}. A log alone: intake-report check {file}.\n"
    assert capsys.readouterr().err == said


def test_a_folder_of_reports_that_cannot_be_written_comes_with_what_to_do(small, tmp_path, capsys):
    (tmp_path / "taken").write_text("a file")
    assert cli.main(["render", str(small.file), "--out", str(tmp_path / "taken")]) == 1
    err = capsys.readouterr().err
    assert "cannot be written" in err and "Name a folder that you may write to: --out FOLDER." in err


def test_interrupt_says_what_was_done_and_what_was_not(small, tmp_path, finished, monkeypatch, capsys):
    above = several(small, tmp_path / "campaigns", "alpha", "beta", "gamma")
    fail_at("beta", KeyboardInterrupt, monkeypatch)
    assert cli.main(["render", str(above), "--date", DATE, "--out", str(tmp_path / "out")]) == 130
    lines = [line.split(maxsplit=2) for line in capsys.readouterr().out.splitlines()]
    assert [line[:2] for line in lines] == [["alpha", "published"], ["beta", "stopped"], ["gamma", "stopped"]]
    assert lines[1][2] == "no report was made or changed"
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["alpha"]


def test_a_new_campaign_lacks_nothing_but_its_logs(tmp_path, capsys):
    folder = tmp_path / "my-trial"
    assert cli.main(["new", str(folder)]) == 0
    assert capsys.readouterr().out == f"{folder / 'campaign.toml'}\n"
    for name in ("stock", "changed"):
        (folder / f"logs/day1-{name}.csv").write_text(f"Time,Speed\n0,1\n1,{name}\n")
    assert load_campaign(folder).about.id == "my-trial"
    text = (folder / "campaign.toml").read_text("utf-8")
    for name, table in Campaign.model_json_schema(by_alias=True)["$defs"].items():
        keys = table.get("properties", {}) if name != "Limit" else ()
        assert [key for key in keys if f"{key} = " not in text and not re.search(rf"\b{key}[]. ]", text)] == []
    # what stands in comments is TOML as well: each line alone, uncommented
    for line in re.findall(r"^# (\w+ = .*)$", text, flags=re.MULTILINE):
        tomllib.loads(line)
    assert cli.main(["schema"]) == 0
    assert json.loads(capsys.readouterr().out) == Campaign.model_json_schema(by_alias=True)
    assert cli.main(["new", str(folder)]) == 1 and "there already" in capsys.readouterr().err
    for name in ("a b", "con", "trial."):
        assert cli.main(["new", str(tmp_path / name)]) == 1 and not (tmp_path / name).exists()


def test_seed_below_zero_is_wrong_usage(capsys):
    with pytest.raises(SystemExit, match="2"):
        cli.main(["plan", "trial", "--seed", "-5"])
    assert "“-5” is not a whole number of 0 or more" in capsys.readouterr().err


def test_metrics_are_listed_with_what_a_claim_has_to_say_of_each(capsys):
    assert cli.main(["metrics"]) == 0
    text = capsys.readouterr().out
    assert all(text.count(f"\n{id} ") == 1 for id in REGISTRY)
    lines = {line.split()[0]: line for line in text.splitlines() if line and not line.startswith(" ")}
    assert "margin" in lines["recovery_time"] and "lower" in lines["recovery_time"]


def test_help_is_there_at_once():
    """Without the scientific stack, or anything else that only a command needs."""
    code = (
        "import sys; from intake_report.cli import parser; parser().format_help();"
        "print([m for m in ('numpy', 'pandas', 'scipy', 'pydantic', 'rich', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_date_defaults_to_today_in_the_zone_of_the_campaign(small):
    campaign = load_campaign(small.file)
    before, given, after = dt.datetime.now(dt.UTC).date(), report_date(campaign), dt.datetime.now(dt.UTC).date()
    assert before.isoformat() <= given <= after.isoformat()
    far = campaign.model_copy(update={"about": campaign.about.model_copy(update={"timezone": "Pacific/Kiritimati"})})
    assert report_date(far) == dt.datetime.now(ZoneInfo("Pacific/Kiritimati")).date().isoformat()
    with pytest.raises(DataError):
        report_date(campaign, "tomorrow")
