"""The process that renders: same bytes as a render on its own, limits, and nothing left behind, however it ends."""

from __future__ import annotations

import os
import shutil
import signal
import time
from pathlib import Path

import psutil
import pytest
import roadlog
from conftest import DATE, Report, start_command

from intake_report.nightly import forge
from intake_report.provenance import damages, report_folders


def job(file: Path, out: Path, **limits: object) -> dict[str, object]:
    out.mkdir(exist_ok=True)
    usual = {"seconds": 300.0, "memory": 4 << 30, "date": DATE}
    return {"file": str(file), "out": str(out), "log": str(out / "one.log"), **usual, **limits}


@pytest.fixture(scope="module")
def attempt():
    """The loaded process, once for all tests here; at the end nothing of it is left."""
    yield forge.attempt
    mine = psutil.Process().children(recursive=True)
    forge.close()
    _, alive = psutil.wait_procs(mine, timeout=5)
    assert alive == []


def kernels(below: int) -> list[psutil.Process]:
    """Processes below one that lead their own group: each attempt, and each kernel once it runs."""
    return [p for p in psutil.Process(below).children(recursive=True) if os.getpgid(p.pid) == p.pid]


def wait_for(found, seconds: float = 60.0):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if result := found():
            return result
        time.sleep(0.05)
    raise AssertionError("it did not happen in time")


def test_a_campaign_at_fault_is_told_with_what_it_was(attempt, tmp_path, monkeypatch):
    from intake_report.nightly import find, work

    file = roadlog.write(tmp_path / "campaign", roadlog.changed(roadlog.campaign(), "campaign.units", "metric"))
    told = attempt(job(file, tmp_path / "out"))
    assert told["state"] == "failed" and "campaign.units" in told["reason"] and told["whole"]
    assert "campaign.units" in (tmp_path / "out" / "one.log").read_text()
    for young, files in ((0, 5), (10**15, 0)):  # files so young that they may have changed unseen are not believed
        monkeypatch.setattr(find, "YOUNG", young)
        told = work.render_campaign(job(file, tmp_path / "out"))
        assert told["whole"] and len(told["files"]) == files


def test_the_time_limit_ends_everything(attempt, tmp_path):
    file = roadlog.write(tmp_path / "campaign")
    told = attempt(job(file, tmp_path / "out", seconds=1.5))
    assert told == forge.failed("it was not done after 0.025 min, the time limit, and was ended.")
    wait_for(lambda: not kernels(forge._current[-1]._process.pid))
    assert report_folders(tmp_path / "out") == []


def test_a_clock_set_back_is_a_state(attempt, small, tmp_path):
    shutil.copytree(small.out, tmp_path / "out")
    (tmp_path / "out" / "small-trial" / DATE).rename(tmp_path / "out" / "small-trial" / "2999-01-01")
    manifest = tmp_path / "out" / "small-trial" / "2999-01-01" / "manifest.json"
    manifest.write_text(manifest.read_text().replace(DATE, "2999-01-01"))
    told = attempt(job(small.file, tmp_path / "out", date=""))
    assert "the last report is dated 2999-01-01, after today" in told["reason"]


def test_an_input_that_changes_while_it_is_read_publishes_nothing(small, tmp_path, monkeypatch):
    from intake_report import publish
    from intake_report.nightly.work import render_campaign

    shutil.copytree(small.file.parent, tmp_path / "campaign")
    log = tmp_path / "campaign" / "logs" / "b1-stock.csv"
    monkeypatch.setattr(publish, "make_report", lambda *a: log.write_text("other"))
    told = render_campaign(job(tmp_path / "campaign" / "campaign.toml", tmp_path / "out"))
    assert told["reason"].startswith(f"{log}: the file changed while the report was made")
    monkeypatch.setattr(publish, "make_report", lambda *a: log.unlink())
    told = render_campaign(job(tmp_path / "campaign" / "campaign.toml", tmp_path / "out"))
    assert told["reason"].startswith(f"{log}: the file vanished") and report_folders(tmp_path / "out") == []


@pytest.mark.slow
def test_same_bytes_as_a_render_on_its_own(attempt, small, tmp_path):
    told = attempt(job(small.file, tmp_path / "out"))
    assert told["state"] == "published", told
    assert Report(tmp_path / "out" / told["report"]["folder"]).files() == small.report.files()
    assert attempt(job(small.file, tmp_path / "out"))["state"] == "unchanged"
    assert told["summary"]["answer"] and len(told["files"]) == 5


@pytest.mark.slow
def test_the_memory_limit_holds_for_the_kernel(attempt, small, tmp_path):
    told = attempt(job(small.file, tmp_path / "out", memory=420 << 20))
    assert told["state"] == "failed" and "memory" in told["reason"].lower(), told
    assert report_folders(tmp_path / "out") == []


@pytest.mark.slow
def test_a_killed_attempt_is_told(attempt, small, tmp_path):
    import threading

    told: list[dict[str, object]] = []
    worker = threading.Thread(target=lambda: told.append(attempt(job(small.file, tmp_path / "out"))))
    worker.start()
    for process in wait_for(lambda: kernels(forge._current[-1]._process.pid)):
        process.kill()
    worker.join(60)
    assert "was killed (SIGKILL)" in str(told[0]["reason"])


@pytest.mark.slow
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_a_night_that_is_stopped_leaves_no_process(small, tmp_path, how):
    heard = {"preexec_fn": lambda: signal.signal(signal.SIGINT, signal.SIG_DFL)}
    night = start_command("nightly", small.file, "--date", DATE, "--out", tmp_path, start_new_session=True, **heard)
    wait_for(lambda: len(kernels(night.pid)) >= 3)  # the loaded process, the attempt, its kernel
    all_of_them = psutil.Process(night.pid).children(recursive=True)
    begun = time.monotonic()
    night.send_signal(how)
    out, err = night.communicate(timeout=30)
    assert time.monotonic() - begun < 5.0
    if how == signal.SIGINT:
        assert night.returncode == 130 and "1 stopped" in out and err == ""
    _, alive = psutil.wait_procs(all_of_them, timeout=5)
    assert alive == []
    night = start_command("nightly", small.file, "--date", DATE, "--out", tmp_path)
    assert night.wait(300) == 0
    assert sorted(p.name for p in (tmp_path / "small-trial").iterdir()) == [".campaign.json", DATE]
    assert list(damages(tmp_path / "small-trial" / DATE)) == []
