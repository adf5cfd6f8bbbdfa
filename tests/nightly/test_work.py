"""The process that renders: same bytes as a render on its own, limits, and nothing left behind, however it ends."""

import os
import shutil
import signal
import time
from concurrent.futures import ThreadPoolExecutor
from importlib.util import find_spec
from pathlib import Path

import psutil
import pytest
import roadlog
from conftest import DATE, Report, kernels_below, start_command, wait_for

from intake_report import kernel, publish
from intake_report.nightly import find, outcome, work
from intake_report.provenance import damages, report_folders

POOL = ThreadPoolExecutor(2)
METRIC = roadlog.changed(roadlog.campaign(), "campaign.units", "metric")  # a campaign at fault


def job(file: Path, out: Path, **limits: object) -> dict[str, object]:
    out.mkdir(exist_ok=True)
    usual = {"seconds": 300.0, "memory": 4 << 30, "date": DATE}
    return {"file": str(file), "out": str(out), "log": str(out / "one.log"), **usual, **limits}


@pytest.fixture(scope="module")
def attempt():
    """The loaded process, once for all tests here; at the end nothing of it is left."""
    yield work.attempt
    # not all children of this process: kernels that other tests left waiting are none of it
    loaded = [psutil.Process(one.process.pid) for one in work.current if one.process.poll() is None]
    mine = [*loaded, *(child for one in loaded for child in one.children(recursive=True))]
    work.close()
    _, alive = psutil.wait_procs(mine, timeout=5)
    assert alive == []


def test_a_loaded_process_that_ends_takes_no_campaign_with_it(attempt, tmp_path):
    """Two attempts wait for a process that is killed while it loads: both are made with a new one."""
    file = roadlog.write(tmp_path / "campaign", METRIC)
    work.close()
    made = [POOL.submit(attempt, job(file, tmp_path / name)) for name in ("a", "b")]
    first = wait_for(lambda: work.current[:])[0]
    first.process.kill()
    for one in made:
        assert "campaign.units" in one.result(60)["reason"]
    assert first not in work.current


def test_a_campaign_at_fault_is_told_with_what_it_was(attempt, tmp_path, monkeypatch):
    file = roadlog.write(tmp_path / "campaign", METRIC)
    told = attempt(job(file, tmp_path / "out"))
    assert told["state"] == "failed" and "campaign.units" in told["reason"] and told["whole"]
    assert "campaign.units" in (tmp_path / "out" / "one.log").read_text()
    for young, files in ((0, 5), (10**15, 0)):  # files so young that they may have changed unseen are not believed
        monkeypatch.setattr(find, "YOUNG", young)
        told = outcome.render_campaign(job(file, tmp_path / "out"))
        assert told["whole"] and len(told["files"]) == files


def test_what_is_loaded_ahead_is_there():
    assert [name for name in (*kernel.MODULES, *work.MODULES) if find_spec(name) is None] == []


def test_a_waiting_kernel_that_is_gone(tmp_path):
    """Its preparation failed: it is ended. It was killed before its order, and nobody kept how: no error of pipe or child."""
    spare = kernel.SpareKernel(tmp_path)
    with pytest.raises(FileNotFoundError):
        kernel.run_notebook(None, tmp_path / "absent", None, None, spare=spare)
    assert spare.returncode == -signal.SIGKILL
    spare = kernel.SpareKernel(tmp_path)
    spare.send_signal(signal.SIGKILL)
    os.waitpid(spare.pid, 0)
    spare.start(cwd="/")
    assert spare.poll() == 0


def test_the_time_limit_ends_everything(attempt, tmp_path, monkeypatch):
    """It counts from the moment at which the work begins; the loading of a new process has a limit of its own."""
    file = roadlog.write(tmp_path / "campaign")
    work.close()
    with monkeypatch.context() as patch:
        patch.setattr(work, "LOADING", 0.03)
        told = attempt(job(file, tmp_path / "out"))
    assert told == work.failed("the process that renders was not ready after 0.0005 min, and was ended.")
    assert work.current[-1].process.wait(5) == -signal.SIGKILL
    told = attempt(job(file, tmp_path / "out", seconds=1.2))
    assert told == work.failed("it was not done after 0.02 min, the time limit, and was ended.")
    assert "reading the campaign" in (tmp_path / "out" / "one.log").read_text()
    wait_for(lambda: not kernels_below(work.current[-1].process.pid))
    assert report_folders(tmp_path / "out") == []


def test_a_clock_set_back_is_a_state(attempt, small, tmp_path):
    later = tmp_path / "out" / "small-trial" / "2999-01-01"
    shutil.copytree(small.report.folder, later)
    (later / "manifest.json").write_text((later / "manifest.json").read_text().replace(DATE, "2999-01-01"))
    told = attempt(job(small.file, tmp_path / "out", date=""))
    assert "the last report is dated 2999-01-01, after today" in told["reason"]


def test_an_input_that_changes_while_it_is_read_publishes_nothing(small, tmp_path, monkeypatch):
    shutil.copytree(small.file.parent, tmp_path / "campaign")
    log = tmp_path / "campaign" / "logs" / "b1-stock.csv"
    for change, said in (
        (lambda *_: log.write_text("other"), "the file changed while the report was made"),
        (lambda *_: log.unlink(), "the file vanished"),
    ):
        monkeypatch.setattr(publish, "make_report", change)
        told = outcome.render_campaign(job(tmp_path / "campaign" / "campaign.toml", tmp_path / "out"))
        assert told["reason"].startswith(f"{log}: {said}") and report_folders(tmp_path / "out") == []


@pytest.mark.slow
def test_work_that_was_stopped_is_not_begun_again(attempt, tmp_path):
    work.close()
    told = POOL.submit(attempt, job(roadlog.write(tmp_path / "campaign"), tmp_path / "out"))
    wait_for(lambda: work.current[:])
    begun = time.monotonic()
    work.close()
    assert told.result(10) == work.failed("the process that renders has ended; memory may have run out.")
    assert work.current == [] and time.monotonic() - begun < 4.0


@pytest.mark.slow
def test_same_bytes_as_a_render_on_its_own(attempt, small, tmp_path):
    told = attempt(job(small.file, tmp_path / "out"))
    assert told["state"] == "published", told
    assert Report(tmp_path / "out" / told["report"]["folder"]).files() == small.report.files()
    assert attempt(job(small.file, tmp_path / "out"))["state"] == "unchanged"
    assert told["summary"]["answer"] and len(told["files"]) == 5


@pytest.mark.parametrize("limit", [0.0, *(pytest.param(mib, marks=pytest.mark.slow) for mib in (230.0, 280.0))])
def test_the_memory_limit_ends_everything(attempt, small, tmp_path, limit):
    """What is loaded, the kernel, the pages: whoever needs more than the limit [MiB]."""
    told = attempt(job(small.file, tmp_path / "out", memory=limit * (1 << 20)))
    assert told == work.failed(f"it needed more than {limit / 1024:.3g} GiB of memory, the limit, and was ended.")
    wait_for(lambda: not kernels_below(work.current[-1].process.pid))
    assert report_folders(tmp_path / "out") == []


@pytest.mark.slow
def test_a_killed_attempt_is_told(attempt, small, tmp_path):
    told = POOL.submit(attempt, job(small.file, tmp_path / "out"))
    loaded = wait_for(lambda: work.current[:])[0].process.pid
    wait_for(wait_for(lambda: kernels_below(loaded))[0].children)[0].kill()
    assert told.result(60) == work.failed("its process was killed by signal 9; memory may have run out.")


@pytest.mark.slow
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_a_night_that_is_stopped_leaves_no_process(small, tmp_path, how):
    heard = {"preexec_fn": lambda: signal.signal(signal.SIGINT, signal.SIG_DFL)}
    night = start_command("nightly", small.file, "--date", DATE, "--out", tmp_path, start_new_session=True, **heard)
    wait_for(lambda: len(kernels_below(night.pid)) >= 3)  # the loaded process, the attempt, its kernel
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
