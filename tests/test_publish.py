"""Publishing: complete or absent whatever kills the process, never overwritten, no-op or next revision."""

import errno
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from importlib import metadata
from pathlib import Path
from unittest.mock import Mock

import pytest
import roadlog
from conftest import DATE, Report, Small, ended, kernels_below, start_command, wait_for

from intake_report import provenance
from intake_report import publish as module
from intake_report.analyse import analyse
from intake_report.campaign import load_campaign
from intake_report.cli import main
from intake_report.errors import CampaignError, DataError
from intake_report.kernel import as_user_error
from intake_report.nightly.outcome import summary_of
from intake_report.provenance import issued_reports, sha256
from intake_report.publish import publish, put_in_place
from intake_report.render.sections.stated import changes

WHOLE = {"results.json", "executed.ipynb", "manifest.json", "summary.md", "slides", "figures", "tables"}
WHOLE |= {f"{name}.{kind}" for name in ("report", "annex") for kind in ("html", "pdf")}


@pytest.fixture
def copy(small: Small, tmp_path: Path) -> Small:
    """The small campaign and its issued report, free to change."""
    shutil.copytree(small.file.parent, tmp_path / "campaign")
    shutil.copytree(small.out, tmp_path / "out", ignore=shutil.ignore_patterns(module.ORIGIN))
    published = replace(small.published, folder=tmp_path / "out" / "small-trial" / DATE)
    return Small(tmp_path / "campaign" / "campaign.toml", tmp_path / "out", published)


def edit(copy: Small, name: str) -> None:
    """Change one text of the campaign."""
    edited = roadlog.changed(roadlog.campaign(units="us"), "campaign.prepared_by", name)
    copy.file.write_text(roadlog.toml(edited), "utf-8")


def visible(home: Path) -> list[str]:
    return sorted(p.name for p in home.iterdir() if not p.name.startswith(".")) if home.is_dir() else []


def test_report_is_whole_and_nothing_else_is_left(small):
    home = small.out / "small-trial"
    assert sorted(p.name for p in home.iterdir()) == [module.ORIGIN, DATE]
    assert {p.name for p in small.report.folder.iterdir()} == WHOLE
    assert small.published == module.Published("small-trial", home / DATE, DATE, 1, "published")
    assert {p.suffix for p in (small.report.folder / "figures").iterdir()} == {".svg", ".png"}
    assert {p.suffix for p in (small.report.folder / "tables").rglob("*") if p.is_file()} == {".csv"}
    mask = os.umask(0)
    os.umask(mask)
    for path in [small.report.folder, *small.report.folder.rglob("*")]:
        assert path.stat().st_mode & 0o777 == (0o777 if path.is_dir() else 0o666) & ~mask, path


def test_unchanged_inputs_are_a_no_op(copy):
    before = copy.report.files()
    times = {p: p.stat().st_mtime_ns for p in copy.out.rglob("*")}
    again = publish(copy.file, copy.out, DATE)
    assert (again.state, again.folder, again.revision) == ("unchanged", copy.report.folder, 1)
    assert copy.report.files() == before
    assert {p: p.stat().st_mtime_ns for p in copy.out.rglob("*")} == times


def test_changed_inputs_on_the_same_date_are_the_next_revision_that_says_what_changed(copy, tmp_path, monkeypatch):
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(temporary))
    deep = tmp_path / "reports-in-a-folder-with-a-very-long-name-that-no-unix-socket-could-have-as-its-address"
    shutil.copytree(copy.out, deep)
    before = copy.report.files()
    data = roadlog.changed(roadlog.campaign(units="us"), "run.3.exclude", "driver error at the second light")
    copy.file.write_text(roadlog.toml(data), "utf-8")
    second = publish(copy.file, deep, DATE)
    assert (second.state, second.folder.name, second.revision) == ("published", f"{DATE}-r2", 2)
    assert Report(deep / "small-trial" / DATE).files() == before  # the issued report is untouched
    report = Report(second.folder)
    assert report.results["revision"] == 2
    for text in (report.all_html, report.all_pdf):
        assert "Changes since the report before" in text
        assert f"What changed since the report of {DATE}, revision 1" in text
        assert "Run: b2-stock accepted excluded" in text
    assert "Changes since the report before" not in copy.report.all_html
    told = summary_of(second, deep / "small-trial").changed
    assert "Run: b2-stock: accepted → excluded" in told
    kinds = [text.partition(":")[0] for text in told]
    assert kinds == sorted(kinds, key=["Claim", "Run", "Difference", "Limitation"].index)
    assert list(temporary.iterdir()) == []
    assert publish(copy.file, deep, DATE).state == "unchanged"


def test_next_date_is_a_new_report_that_compares_itself_with_the_one_before(copy, finished):
    results, first = (copy.report.folder / "results.json").read_bytes(), copy.file.read_bytes()
    for date in ("2026-07-02", "2026-06-30"):
        made = publish(copy.file, copy.out, date)
        assert (made.state, made.folder.name, made.revision) == ("published", date, 1)
    edit(copy, "crew")
    assert publish(copy.file, copy.out, DATE).revision == 2
    # the one before, never one of a later date: none before the first of all
    assert [previous for _, previous in finished] == [results, None, results]
    assert [r["date"] for r in issued_reports(copy.out / "small-trial")[0]] == ["2026-06-30", DATE, DATE, "2026-07-02"]
    for folder in "ab":  # two of one campaign, of which the later is meant
        (copy.out / folder).mkdir()
        (copy.out / folder / "results.json").write_text(folder)
    earlier = [{"folder": name, "outputs": {"results.json": sha256(name.encode())}} for name in "ab"]
    assert module.comparable_results(copy.out, earlier) == (b"b", ())
    copy.file.write_bytes(first)  # inputs that were reported before need no new report
    again, any_day = publish(copy.file, copy.out, DATE), publish(copy.file, copy.out)
    assert (again.state, again.date, again.revision) == ("unchanged", DATE, 1)
    assert (any_day.state, any_day.date) == ("unchanged", "2026-07-02")


def test_revisions_count_on_beyond_nine(copy, finished):
    home = copy.report.folder.parent
    manifest = json.loads((copy.report.folder / "manifest.json").read_text()) | {"revision": 9}
    shutil.copytree(copy.report.folder, home / f"{DATE}-r9")
    (home / f"{DATE}-r9" / "manifest.json").write_text(json.dumps(manifest))
    for number in (10, 11):
        edit(copy, f"crew {number}")
        assert publish(copy.file, copy.out, DATE).revision == number
    assert [r["revision"] for r in issued_reports(home)[0]] == [1, 9, 10, 11]


@pytest.mark.parametrize("what", ["source_hash", "package_versions"])
def test_another_program_is_another_report(copy, finished, monkeypatch, what):
    other = "0" * 64 if what == "source_hash" else {**provenance.package_versions(), "six": "99"}
    monkeypatch.setattr(provenance, what, lambda: other)
    assert publish(copy.file, copy.out, DATE).revision == 2


def test_the_source_hash_sees_every_file_of_the_package(tmp_path, monkeypatch):
    package = tmp_path / "intake_report"
    shutil.copytree(Path(provenance.__file__).parent, package, symlinks=False)
    monkeypatch.setattr("intake_report.__file__", str(package / "__init__.py"))
    before = provenance.source_hash.__wrapped__()
    seen = set()
    for name in ("errors.py", "render/templates/blocks.css", "template/campaign_report.ipynb", "clean/__init__.py"):
        (package / name).write_text((package / name).read_text() + "\n")
        seen.add(provenance.source_hash.__wrapped__())
    assert len(seen | {before}) == 5
    installed = {item.name.lower() for item in metadata.distributions() if item.name}
    assert installed <= set(provenance.package_versions())


def test_the_id_of_another_campaign_is_refused_in_a_later_command_too(copy, finished, tmp_path):
    publish(copy.file, copy.out, "2026-07-02")  # this machine now knows where the campaign lies
    other = tmp_path / "other"
    shutil.copytree(copy.file.parent, other)
    edited = roadlog.changed(roadlog.campaign(units="us"), "campaign.title", "Another trial with the same id")
    (other / "campaign.toml").write_text(roadlog.toml(edited), "utf-8")
    before = visible(copy.out / "small-trial")
    with pytest.raises(CampaignError, match=r"campaign\.id: the reports in .* are of the campaign in .*--moved"):
        publish(other, copy.out, DATE)
    assert visible(copy.out / "small-trial") == before
    assert publish(other, copy.out, DATE, moved=True).state == "published"
    assert publish(other, copy.out, "2026-07-05").state == "published"


def test_a_copy_with_the_same_inputs_is_the_same_campaign(copy, finished, tmp_path):
    publish(copy.file, copy.out, "2026-07-02")
    shutil.copytree(copy.file.parent, tmp_path / "checkout")
    assert publish(tmp_path / "checkout", copy.out, DATE).state == "unchanged"


def test_manifests_form_a_chain(copy, finished):
    edit(copy, "crew")
    second = publish(copy.file, copy.out, DATE)
    first, last = (json.loads((f / "manifest.json").read_text()) for f in (copy.report.folder, second.folder))
    digest = hashlib.sha256((copy.report.folder / "manifest.json").read_bytes()).hexdigest()
    assert (first["predecessor"], last["predecessor"]) == (None, {"folder": DATE, "manifest": digest})
    assert last["campaign_key"] == first["campaign_key"]


@pytest.mark.parametrize("how", ["edited", "missing"])
def test_damaged_results_of_the_report_before_are_named_and_not_compared_with(copy, finished, tmp_path, how):
    path = copy.report.folder / "results.json"
    text = path.read_text()
    path.unlink()
    if how == "edited":
        path.write_text(text.replace("1", "2", 1))
    edit(copy, "crew")
    second = publish(copy.file, copy.out, DATE)
    assert second.revision == 2 and f"{path}: the results of the report before are missing" in second.notes[0]
    (tmp_path / "previous.json").write_bytes(finished[0][1])
    _, told = changes(None, str(tmp_path / "previous.json"))
    assert f"The report before, {DATE}, is missing or was changed after it was issued" in told.text


@pytest.mark.parametrize("text", ["[", "{}"])
def test_a_damaged_manifest_is_named_and_blocks_nothing(copy, finished, text):
    (copy.report.folder / "manifest.json").write_text(text)
    again = publish(copy.file, copy.out, DATE)
    assert (again.state, again.revision) == ("published", 2)  # the damaged folder is not overwritten
    assert f"{copy.report.folder / 'manifest.json'}: the manifest of a report is damaged" in again.notes[0]


def test_verify_finds_every_change(copy, finished, capsys):
    edit(copy, "crew")
    publish(copy.file, copy.out, DATE)
    assert main(["verify", str(copy.out)]) == 0
    assert capsys.readouterr().out.count("as issued: ") == 2
    home = copy.out / "small-trial"
    (home / DATE / "report.html").write_text("better")
    (home / DATE / "manifest.json").write_text((home / DATE / "manifest.json").read_text() + "\n")
    (home / f"{DATE}-r2" / "figures" / "more.png").write_bytes(b"")
    next((home / f"{DATE}-r2" / "tables").iterdir()).unlink()
    assert main(["verify", str(copy.out)]) == 1
    told = capsys.readouterr().err
    for sentence in ("report.html: the file was changed", "more.png: the file was added", ".csv: the file is missing",
                     f"{DATE}/manifest.json: the manifest of the report before is not the one"):  # fmt: skip
        assert sentence in told
    assert main(["verify", str(copy.out / "nowhere")]) == 1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Elapsed (s),Speed (km/h),Intake air,Outside (C)\n0,0,20,20\n1,0,20,20\n", r"Intake \(C\)"),
        ("Elapsed (s),Speed (km/h),Intake (C),Outside (C)\nsoon,0,20,20\nlater,0,20,20\n", "time"),
        ("Seconds,Speed (km/h),Intake (C),Outside (C)\n0,0,20,20\n1,0,20,20\n", r"Elapsed \(s\)"),
    ],
)
def test_bad_log_is_one_sentence_with_its_file(tmp_path, text, said):
    file = roadlog.write(tmp_path)
    (tmp_path / "logs" / "b1-stock.csv").write_text(text)
    with pytest.raises(DataError, match=said) as caught:
        analyse(load_campaign(file))
    assert "logs/b1-stock.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("step", "error", "sentence"),
    [
        ("publish.run_notebook", DataError("no."), r"no\."),
        ("render.html.export_html", DataError("no."), r"no\."),
        ("render.typst.export_pdf", DataError("no."), r"no\."),
        ("publish.run_notebook", OSError(errno.ENOSPC, "No space left on device"),
         r"the disk is full; 0\.0 MB of the report were written\. Free some ten megabytes"),
    ],
)  # fmt: skip
def test_failure_leaves_no_folder_and_the_earlier_report(copy, executed, tmp_path, monkeypatch, step, error, sentence):
    before = copy.report.files()
    monkeypatch.setattr(f"intake_report.{step}", Mock(side_effect=error))
    edit(copy, "crew")
    for out in (copy.out, tmp_path / "first"):
        with pytest.raises(DataError, match=sentence):
            publish(copy.file, out, DATE)
    assert copy.report.files() == before and visible(copy.out / "small-trial") == [DATE]
    assert not (tmp_path / "first" / "small-trial").exists()


def test_an_issued_report_is_never_overwritten(copy, tmp_path):
    finished = tmp_path / "finished"
    finished.mkdir()
    (finished / "report.html").write_text("another")
    before = copy.report.files()
    with pytest.raises(DataError, match="a report is there already and will not be overwritten"):
        put_in_place(finished, copy.report.folder)
    assert copy.report.files() == before
    assert finished.is_dir()


def test_errors_of_the_notebook_keep_their_sentence():
    assert isinstance(as_user_error("CampaignErrors", "a\nb"), CampaignError)
    assert str(as_user_error("DataError", "log.csv: no rows.")) == "log.csv: no rows."
    for name in ("_ArrayMemoryError", "RuntimeError", "OSError"):
        assert "more memory was needed" in str(as_user_error(name, "can't start new thread"))
    fault = as_user_error("ZeroDivisionError", "division by zero")
    assert "ZeroDivisionError" in str(fault) and "--debug" in str(fault)


# A child that takes the finished report of before, and kills itself without warning at the named step.
CHILD = """
import os, shutil, signal, sys
from intake_report import publish as module
campaign, out, finished, moment = sys.argv[1:]
def die(step):
    if step == moment:
        os.kill(os.getpid(), signal.SIGKILL)
def make(campaign, scratch, meta, previous, progress, debug, spare=None, **_):
    (scratch / "report").mkdir()
    shutil.copy(os.path.join(finished, "report.html"), scratch / "report")
    progress("writing")
    shutil.copytree(finished, scratch / "report", ignore=shutil.ignore_patterns("manifest.json"), dirs_exist_ok=True)
def renamed(a, b, own=os.rename):
    own(a, b)
    die("after the move")
module.make_report, os.rename = make, renamed
module.publish(campaign, out, "2026-07-01", die)
"""


@pytest.mark.parametrize("moment", ["writing", "putting the report in place", "after the move"])
def test_killed_at_any_step_a_report_is_absent_or_complete(small, tmp_path, finished, moment):
    command = [sys.executable, "-c", CHILD, small.file, tmp_path, small.report.folder, moment]
    done = subprocess.run(command, capture_output=True, timeout=120)
    assert done.returncode == -signal.SIGKILL, done.stderr.decode()
    home = tmp_path / "small-trial"
    if moment == "after the move":
        assert Report(home / DATE).files() == small.report.files()
        return
    assert visible(home) == [] and issued_reports(home) == ([], [])
    assert publish(small.file, tmp_path, DATE).state == "published"  # and what was left is cleared away
    assert sorted(p.name for p in home.iterdir()) == [module.ORIGIN, DATE]
    assert Report(home / DATE).files() == small.report.files()


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL, pytest.param(signal.SIGINT, marks=pytest.mark.slow)])
def test_stopped_or_killed_while_a_notebook_runs_nothing_is_left(small, tmp_path, how):
    """The first of two campaigns is there already; the second is being made. No kernel stays behind, even of a kill -9."""
    shutil.copytree(small.out, tmp_path / "out")
    second = roadlog.write(tmp_path / "second", roadlog.changed(roadlog.campaign(), "campaign.id", "second-trial"))
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    environment = os.environ | {"TMPDIR": str(temporary)}
    arguments = ("render", small.file, second, "--date", DATE, "--out", tmp_path / "out")
    # a shell starts background jobs with the interrupt ignored; here it is as in a terminal
    heard = {"preexec_fn": lambda: signal.signal(signal.SIGINT, signal.SIG_DFL)}
    process = start_command(*arguments, start_new_session=True, env=environment, **heard)
    try:
        kernels = wait_for(lambda: kernels_below(process.pid))
        time.sleep(0.5)
    finally:
        process.send_signal(how)
        out, err = process.communicate(timeout=30)
    wait_for(lambda: all(map(ended, kernels)))
    assert visible(tmp_path / "out" / "second-trial") == []
    if how != signal.SIGKILL:  # which nobody hears: what the next render clears away
        assert process.returncode == 130
        assert "unchanged" in out and "second" in out and "stopped" in out
        assert "Traceback" not in err + out
        assert [p.name for p in (tmp_path / "out").iterdir()] == ["small-trial"]
        assert list(temporary.iterdir()) == []


def test_two_renders_at_once_give_one_report_each_complete(small, tmp_path):
    """The same campaign rendered twice at once: both succeed or one is refused, and what is there is complete."""
    arguments = [sys.executable, "-c", CHILD, small.file, tmp_path, small.report.folder, "never"]
    runs = [subprocess.Popen(arguments, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    errors = [run.communicate(timeout=120)[1] for run in runs]
    assert 0 in [run.returncode for run in runs]
    home = tmp_path / "small-trial"
    for name in visible(home):
        assert {p.name for p in (home / name).iterdir()} == WHOLE
    assert all(not e or "a report is there already" in e for e in errors)
    assert json.loads((home / DATE / "manifest.json").read_text())["revision"] == 1
