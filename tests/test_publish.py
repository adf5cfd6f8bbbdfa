"""Publishing: complete or absent whatever kills the process, never overwritten, no-op or next revision."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import nbformat
import psutil
import pytest
import roadlog
from conftest import DATE, Report, Small, start_command

from intake_report import publish as module
from intake_report.campaign import load_campaign
from intake_report.cli import main
from intake_report.errors import CampaignError, DataError
from intake_report.kernel import as_user_error
from intake_report.publish import issued_reports, publish, put_in_place

WHOLE = {
    "report.html",
    "report.pdf",
    "annex.html",
    "annex.pdf",
    "results.json",
    "executed.ipynb",
    "manifest.json",
    "summary.md",
    "slides",
    "figures",
    "tables",
}


@pytest.fixture
def copy(small: Small, tmp_path: Path) -> Small:
    """The small campaign and its issued report, free to change."""
    shutil.copytree(small.file.parent, tmp_path / "campaign")
    shutil.copytree(small.out, tmp_path / "out", ignore=shutil.ignore_patterns(module.ORIGIN))
    folder = tmp_path / "out" / small.published.folder.relative_to(small.out)
    return Small(tmp_path / "campaign" / "campaign.toml", tmp_path / "out", module.Published(
        small.published.campaign, folder, DATE, 1, "published",
    ))  # fmt: skip


@pytest.fixture
def no_kernel(small: Small, monkeypatch: pytest.MonkeyPatch) -> None:
    """Take the notebook that ran for the small campaign instead of running it again."""
    executed = nbformat.read(small.report.folder / "executed.ipynb", as_version=4)
    monkeypatch.setattr(module, "run_notebook", lambda *a, **more: executed)


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
    figures = {p.suffix for p in (small.report.folder / "figures").iterdir()}
    assert figures == {".svg", ".png"}
    assert {p.suffix for p in (small.report.folder / "tables").rglob("*") if p.is_file()} == {".csv"}


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
    second, same = (publish(copy.file, out, DATE) for out in (copy.out, deep))
    assert (second.state, second.folder.name, second.revision) == ("published", f"{DATE}-r2", 2)
    assert copy.report.files() == before  # the issued report is untouched
    report = Report(second.folder)
    assert report.results["revision"] == 2
    for text in (report.all_html, report.all_pdf):
        assert "Changes since the report before" in text
        assert f"What changed since the report of {DATE}, revision 1" in text
        assert "Run: b2-stock accepted excluded" in text
    assert "Changes since the report before" not in copy.report.all_html
    # a revision is byte-identical too, and leaves nothing in the folder for temporary files
    first, again = report.files(), Report(same.folder).files()
    assert [name for name in first if first[name] != again.get(name)] == []
    assert list(temporary.iterdir()) == []
    assert publish(copy.file, copy.out, DATE).state == "unchanged"


def test_next_date_is_a_new_report_that_compares_itself_with_the_one_before(copy, no_kernel, monkeypatch):
    results = (copy.report.folder / "results.json").read_bytes()
    run, compared = module.run_notebook, []
    monkeypatch.setattr(module, "run_notebook", lambda *a, **more: (compared.append(a[4]), run(*a, **more))[1])
    later = publish(copy.file, copy.out, "2026-07-02")
    assert (later.state, later.folder.name, later.revision) == ("published", "2026-07-02", 1)
    earlier = publish(copy.file, copy.out, "2026-06-30")
    assert (earlier.state, earlier.revision) == ("published", 1)
    between = publish(copy.file, copy.out, "2026-07-01")  # there already
    assert between.state == "unchanged"
    edit(copy, "crew")
    publish(copy.file, copy.out, DATE)
    # the one before, never one of a later date: none before the first of all
    assert compared == [results, None, results]
    assert [r["date"] for r in issued_reports(copy.out / "small-trial")[0]] == ["2026-06-30", DATE, DATE, "2026-07-02"]


def test_revisions_count_on_beyond_nine(copy, no_kernel):
    home = copy.report.folder.parent
    for number in range(2, 12):
        edit(copy, f"crew {number}")
        assert publish(copy.file, copy.out, DATE).revision == number
    assert [r["revision"] for r in issued_reports(home)[0]] == list(range(1, 12))
    assert publish(copy.file, copy.out, DATE).state == "unchanged"


def test_inputs_that_were_reported_before_need_no_new_report(copy, no_kernel):
    first = copy.file.read_bytes()
    edit(copy, "crew")
    assert publish(copy.file, copy.out, DATE).revision == 2
    copy.file.write_bytes(first)
    again = publish(copy.file, copy.out, DATE)
    assert (again.state, again.revision) == ("unchanged", 1)
    today = publish(copy.file, copy.out)  # no date asked for: any day's report will do
    assert (today.state, today.date) == ("unchanged", DATE)


@pytest.mark.parametrize("what", ["source_hash", "package_versions"])
def test_another_program_is_another_report(copy, no_kernel, monkeypatch, what):
    from intake_report import provenance

    other = "0" * 64 if what == "source_hash" else {**provenance.package_versions(), "six": "99"}
    monkeypatch.setattr(provenance, what, lambda: other)
    assert publish(copy.file, copy.out, DATE).revision == 2


def test_the_source_hash_sees_every_file_of_the_package(tmp_path, monkeypatch):
    from intake_report import provenance

    package = tmp_path / "intake_report"
    shutil.copytree(Path(provenance.__file__).parent, package, symlinks=False)
    monkeypatch.setattr("intake_report.__file__", str(package / "__init__.py"))
    before = provenance.source_hash()
    seen = set()
    for name in ("errors.py", "render/templates/blocks.css", "template/campaign_report.ipynb", "clean/__init__.py"):
        (package / name).write_text((package / name).read_text() + "\n")
        seen.add(provenance.source_hash())
    assert len(seen | {before}) == 5
    assert set(metadata_names()) <= set(provenance.package_versions())


def metadata_names() -> list[str]:
    from importlib import metadata

    return [item.name.lower() for item in metadata.distributions() if item.name]


# ---- identity and chain ------------------------------------------------------------------------------------------


def test_the_id_of_another_campaign_is_refused_in_a_later_command_too(copy, no_kernel, tmp_path):
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


def test_a_copy_with_the_same_inputs_is_the_same_campaign(copy, no_kernel, tmp_path):
    publish(copy.file, copy.out, "2026-07-02")
    shutil.copytree(copy.file.parent, tmp_path / "checkout")
    assert publish(tmp_path / "checkout", copy.out, DATE).state == "unchanged"


def test_manifests_form_a_chain(copy, no_kernel):
    edit(copy, "crew")
    second = publish(copy.file, copy.out, DATE)
    first, last = (json.loads((f / "manifest.json").read_text()) for f in (copy.report.folder, second.folder))
    assert first["predecessor"] is None
    digest = hashlib.sha256((copy.report.folder / "manifest.json").read_bytes()).hexdigest()
    assert last["predecessor"] == {"folder": DATE, "manifest": digest}
    assert last["campaign_key"] == first["campaign_key"]


def tampered(folder: Path, how: str) -> None:
    path = folder / "results.json"
    if how == "edited":
        path.write_text(path.read_text().replace("1", "2", 1))
    elif how == "missing":
        path.unlink()
    else:
        (folder / "manifest.json").write_text("[" if how == "manifest" else "{}")


@pytest.mark.parametrize("how", ["edited", "missing"])
def test_damaged_results_of_the_report_before_are_named_and_not_compared_with(copy, how):
    tampered(copy.report.folder, how)
    edit(copy, "crew")
    second = publish(copy.file, copy.out, DATE)
    assert second.revision == 2
    assert str(copy.report.folder / "results.json") in second.notes[0]
    report = Report(second.folder)
    for text in (report.all_html, report.all_pdf):
        assert f"The report before, {DATE}, is missing or was changed after it was issued" in text


@pytest.mark.parametrize("how", ["manifest", "empty manifest"])
def test_a_damaged_manifest_is_named_and_blocks_nothing(copy, no_kernel, how):
    tampered(copy.report.folder, how)
    again = publish(copy.file, copy.out, DATE)
    assert (again.state, again.revision) == ("published", 2)  # the damaged folder is not overwritten
    assert f"{copy.report.folder / 'manifest.json'}: the manifest of a report is damaged" in again.notes[0]


def test_verify_finds_every_change(copy, no_kernel, capsys):
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


def test_folders_of_a_report_follow_the_umask_alike(small):
    before = os.umask(0)
    os.umask(before)
    for path in [small.report.folder, *small.report.folder.rglob("*")]:
        assert path.stat().st_mode & 0o777 == (0o777 if path.is_dir() else 0o666) & ~before, path


# ---- failures ----------------------------------------------------------------------------------------------------

LOGS = [
    ("", "has no rows|is empty"),
    ("Elapsed (s),Speed (km/h),Intake (C),Outside (C)\n", "no row"),
    ("Elapsed (s),Speed (km/h),Intake air,Outside (C)\n0,0,20,20\n1,0,20,20\n", r"Intake \(C\)"),
    ("Elapsed (s),Speed (km/h),Intake (C),Outside (C)\nsoon,0,20,20\nlater,0,20,20\n", "time"),
    ("Seconds,Speed (km/h),Intake (C),Outside (C)\n0,0,20,20\n1,0,20,20\n", r"Elapsed \(s\)"),
    ("\x00\x01\x02\x03", "."),
]


@pytest.mark.parametrize(("text", "said"), LOGS)
def test_bad_log_is_one_sentence_with_its_file(tmp_path, text, said):
    from intake_report.analyse import analyse

    file = roadlog.write(tmp_path)
    (tmp_path / "logs" / "b1-stock.csv").write_text(text)
    with pytest.raises(DataError, match=said) as caught:
        analyse(load_campaign(file))
    assert "logs/b1-stock.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_bad_log_publishes_nothing_and_leaves_the_earlier_report(copy):
    before = copy.report.files()
    (copy.file.parent / "logs" / "b1-stock.csv").write_text(LOGS[1][0])
    with pytest.raises(DataError, match=r"logs/b1-stock\.csv") as caught:
        publish(copy.file, copy.out, DATE)
    assert "Traceback" not in str(caught.value)
    assert visible(copy.out / "small-trial") == [DATE]
    assert copy.report.files() == before


def test_failure_of_a_first_render_leaves_no_folder(tmp_path, monkeypatch):
    file = roadlog.write(tmp_path / "campaign")

    def broken(*_, **__):
        raise DataError("no.")

    monkeypatch.setattr(module, "run_notebook", broken)
    with pytest.raises(DataError):
        publish(file, tmp_path / "out", DATE)
    assert not (tmp_path / "out" / "small-trial").exists()


@pytest.mark.parametrize("step", ["export_html", "export_pdf"])
def test_failure_of_an_exporter_publishes_nothing(copy, no_kernel, monkeypatch, step):
    import intake_report.render.html
    import intake_report.render.typst

    def broken(*_, **__):
        raise DataError("the page cannot be made.")

    for where in (intake_report.render.html, intake_report.render.typst):
        if hasattr(where, step):
            monkeypatch.setattr(where, step, broken)
    with pytest.raises(DataError, match="the page cannot be made"):
        publish(copy.file, copy.out, "2026-07-03")
    assert visible(copy.out / "small-trial") == [DATE]


def test_a_full_disk_is_a_sentence(copy, monkeypatch):
    def full(*a, **more):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(module, "run_notebook", full)
    with pytest.raises(
        DataError, match=r"the disk is full; 0\.0 MB of the report were written\. Free some ten megabytes"
    ):
        publish(copy.file, copy.out, "2026-07-03")
    assert visible(copy.out / "small-trial") == [DATE]


def test_out_that_is_a_file_is_named(tmp_path):
    file = roadlog.write(tmp_path / "campaign")
    (tmp_path / "out").write_text("")
    with pytest.raises(DataError, match="the report folder cannot be written"):
        publish(file, tmp_path / "out", DATE)


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
    fault = as_user_error("ZeroDivisionError", "division by zero")
    assert "ZeroDivisionError" in str(fault) and "--debug" in str(fault)


def test_bad_date_is_refused_before_anything_is_written(copy):
    with pytest.raises(DataError, match=r"“31/07/2026” is not a date\. Write it as 2026-07-31"):
        publish(copy.file, copy.out, "31/07/2026")


# ---- killed ------------------------------------------------------------------------------------------------------

# A child that takes the notebook run before, and kills itself without warning at the named step.
CHILD = """
import os, signal, sys
import nbformat
from intake_report import publish as module
campaign, out, executed, moment = sys.argv[1:]
module.run_notebook = lambda *_, **__: nbformat.read(executed, as_version=4)
def die():
    os.kill(os.getpid(), signal.SIGKILL)
if moment == "after the move":
    rename = os.rename
    def renamed(a, b):
        rename(a, b)
        die()
    os.rename = renamed
module.publish(campaign, out, "2026-07-01", lambda step: die() if step == moment else None)
"""
MOMENTS = [
    "writing HTML, PDF and slides",
    "writing figures and tables",
    "putting the report in place",
    "after the move",
]


def kill_at(moment: str, small: Small, out: Path) -> None:
    executed = small.report.folder / "executed.ipynb"
    done = subprocess.run(
        [sys.executable, "-c", CHILD, small.file, out, executed, moment], capture_output=True, timeout=120
    )
    assert done.returncode == -signal.SIGKILL, done.stderr.decode()


@pytest.mark.parametrize("moment", MOMENTS)
def test_killed_at_any_step_a_report_is_absent_or_complete(small, tmp_path, moment):
    kill_at(moment, small, tmp_path)
    home = tmp_path / "small-trial"
    if moment == "after the move":
        assert Report(home / DATE).files() == small.report.files()
    else:
        assert visible(home) == []
        assert issued_reports(home) == ([], [])


def test_next_render_after_a_kill_publishes_and_clears_away(small, tmp_path, no_kernel):
    kill_at("putting the report in place", small, tmp_path)
    home = tmp_path / "small-trial"
    left = list(home.iterdir())
    assert left and all(p.name.startswith(".") for p in left)
    assert publish(small.file, tmp_path, DATE).state == "published"
    assert visible(home) == [DATE]
    assert Report(home / DATE).files() == small.report.files()


def test_killed_while_the_notebook_runs(small, tmp_path):
    """kill -9 of the command while its kernel works: nothing is published, and the kernel does not stay behind."""
    process = start_command("render", small.file, "--date", DATE, "--out", tmp_path, start_new_session=True)
    try:
        kernels = wait_for(lambda: [c for c in psutil.Process(process.pid).children(recursive=True) if is_kernel(c)])
        time.sleep(0.5)
    finally:
        os.kill(process.pid, signal.SIGKILL)
        process.communicate()
    assert visible(tmp_path / "small-trial") == []
    wait_for(lambda: not any(k.is_running() and k.status() != psutil.STATUS_ZOMBIE for k in kernels))


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_asked_to_stop_says_what_was_done_and_leaves_nothing(small, tmp_path, how):
    """The first of two campaigns is there already; the second is being made when the command is asked to stop."""
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
        kernels = wait_for(lambda: [c for c in psutil.Process(process.pid).children(recursive=True) if is_kernel(c)])
        time.sleep(0.5)
    finally:
        process.send_signal(how)
        out, err = process.communicate(timeout=30)
    assert process.returncode == 130
    assert "unchanged" in out and "second" in out and "stopped" in out
    assert "Traceback" not in err + out
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["small-trial"]
    assert list(temporary.iterdir()) == []
    wait_for(lambda: not any(k.is_running() and k.status() != psutil.STATUS_ZOMBIE for k in kernels))


def is_kernel(process: psutil.Process) -> bool:
    try:
        return any("ipykernel" in part for part in process.cmdline())
    except psutil.Error:
        return False


def wait_for(found, seconds: float = 60.0):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        result = found()
        if result:
            return result
        time.sleep(0.05)
    raise AssertionError("it did not happen in time")


def test_two_renders_at_once_give_one_report_each_complete(small, tmp_path):
    """The same campaign rendered twice at once: both succeed or one is refused, and what is there is complete."""
    executed = small.report.folder / "executed.ipynb"
    arguments = [sys.executable, "-c", CHILD, small.file, tmp_path, executed, "never"]
    runs = [subprocess.Popen(arguments, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    errors = [run.communicate(timeout=120)[1] for run in runs]
    assert 0 in [run.returncode for run in runs]
    home = tmp_path / "small-trial"
    for name in visible(home):
        assert {p.name for p in (home / name).iterdir()} == WHOLE
    assert all(not e or "a report is there already" in e for e in errors)
    assert json.loads((home / DATE / "manifest.json").read_text())["revision"] == 1
