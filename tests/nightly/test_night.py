"""What is due, what is kept, what is said: the mechanics of a night, with a cheap stand-in for the render."""

import errno
import json
import os
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path
from xml.etree import ElementTree

import psutil
import pytest
from nights import plain_campaign

from intake_report.cli import main
from intake_report.errors import MachineError
from intake_report.nightly import find, night
from intake_report.nightly.find import Status


def age(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let time pass, so that the stamps of files are believed."""
    later = time.time_ns() + 10_000_000_000
    monkeypatch.setattr(find.time, "time_ns", lambda: later)


def test_only_what_changed_is_rendered_and_everything_is_told(nights):
    first = nights.night()
    assert (first.exit_status, first.counts) == (0, {"published": 3})
    assert nights.night().counts == {"unchanged": 3} and nights.rendered == []
    (nights.root / "c1" / "log.csv").write_text("2")
    second = nights.night()
    assert nights.rendered == ["c1"] and second.counts == {"published": 1, "unchanged": 2}
    assert Status.model_validate_json((nights.out / "status.json").read_bytes()) == second
    suite = ElementTree.parse(nights.out / "junit.xml").getroot()
    assert (suite.get("tests"), suite.get("failures"), len(suite)) == ("3", "0", 3)
    assert sorted(p.name for p in nights.out.iterdir() if p.name[0] != ".") == [
        "index.html", "junit.xml", "logs", "status.json", "trial-0", "trial-1", "trial-2",
    ]  # fmt: skip


def same_moment(nights, monkeypatch):
    """Edit a log with the same size, times and inode: what a coarse clock leaves of two edits in a row."""
    log = nights.root / "c0" / "log.csv"
    state = log.stat()
    log.write_text("2")
    os.utime(log, ns=(state.st_atime_ns, state.st_mtime_ns))
    monkeypatch.setattr(find, "stamp_of", lambda file, own=find.stamp_of: own(file) and (1, 1, 1, 1))


def no_manifest_can_be_read(_, monkeypatch):
    def refuse(file: Path, own=find.hash_file) -> str:
        if file.name == "manifest.json":
            raise PermissionError(errno.EACCES, "Permission denied", str(file))
        return own(file)

    monkeypatch.setattr(find, "hash_file", refuse)


@pytest.mark.parametrize(
    ("change", "rendered"),
    [
        (no_manifest_can_be_read, "c0 c1 c2"),
        (lambda nights, _: shutil.rmtree(nights.out / "trial-2" / "2026-07-01-r1"), "c2"),
        (lambda _, patch: patch.setattr(night, "package_versions", lambda: {"numpy": "99"}), "c0 c1 c2"),
        (lambda nights, _: (nights.out / ".nightly.json").write_text("{"), "c0 c1 c2"),
        (same_moment, "c0"),
    ],
    ids=[
        "unreadable manifests",
        "a lost report",
        "another program",
        "damaged memory",
        "an edit within the same moment",
    ],
)
def test_what_is_rendered_again(nights, monkeypatch, change, rendered):
    nights.night()
    change(nights, monkeypatch)
    nights.night()
    assert nights.rendered == rendered.split()


def test_files_that_rest_are_not_read_again(nights, monkeypatch):
    age(nights.root, monkeypatch)
    nights.night()
    read = []
    monkeypatch.setattr(find, "hash_file", lambda path, own=find.hash_file: (read.append(path.name), own(path))[1])
    assert nights.night().counts == {"unchanged": 3}
    assert set(read) == {"manifest.json"}
    os.utime(nights.root / "c0" / "log.csv", ns=(0, 0))  # touched, not changed
    assert nights.night().counts == {"unchanged": 3}
    assert read.count("log.csv") == 1


def test_a_campaign_at_fault_keeps_its_last_report_and_is_tried_again_when_something_changes(nights, monkeypatch):
    nights.night()
    (nights.root / "c1" / "log.csv").write_text("broken")
    age(nights.root, monkeypatch)
    for attempts in (["c1"], []):
        status = nights.night()
        entry = nights.of(status, "trial-1")
        assert nights.rendered == attempts
        assert (status.exit_status, status.counts) == (1, {"failed": 1, "unchanged": 2})
        assert entry.stale and entry.report.revision == 1 and entry.summary.answer and "no rows" in entry.reason
    (nights.root / "c1" / "second.csv").write_text("")
    nights.night()
    assert nights.rendered == ["c1"]
    (nights.root / "c1" / "log.csv").write_text("3")
    entry = nights.of(nights.night(), "trial-1")
    assert (entry.state, entry.stale, entry.reason, entry.report.revision) == ("published", False, "", 2)


def test_what_the_machine_was_at_fault_for_is_tried_every_night(nights):
    (nights.root / "c0" / "log.csv").write_text("passing")
    for _ in range(2):
        assert nights.night().exit_status == 1 and "c0" in nights.rendered


def test_two_campaigns_with_one_id_are_an_error_that_names_both(nights):
    nights.night()
    shutil.copytree(nights.root / "c0", nights.root / "deeper" / "copy")
    status = nights.night()
    assert nights.rendered == [] and status.counts == {"failed": 2, "unchanged": 2}
    for reason in (entry.reason for entry in status.campaigns if entry.state == "failed"):
        assert "root/c0" in reason and "deeper/copy" in reason and "id “trial-0”" in reason
    assert [entry.stale for entry in status.campaigns if entry.id == "trial-0"] == [True, False]


def test_a_broken_campaign_file_keeps_id_and_report(nights):
    nights.night()
    (nights.root / "c2" / "campaign.toml").write_text('[campaign\nid = "x')
    (nights.root / "c2" / "log.csv").write_text("broken")
    entry = nights.of(nights.night(), "trial-2")
    assert entry.state == "failed" and entry.stale and entry.report


def test_a_campaign_that_is_gone_is_told_while_its_reports_are_there(nights):
    nights.night()
    shutil.rmtree(nights.root / "c0")
    for _ in range(2):
        status = nights.night()
        assert (status.exit_status, nights.of(status, "trial-0").state) == (0, "gone")
    plain_campaign(nights.root / "c0", "trial-0")
    assert nights.of(nights.night(), "trial-0").state == "unchanged"
    shutil.rmtree(nights.root / "c0")
    shutil.rmtree(nights.out / "trial-0")
    assert len(nights.night().campaigns) == 2


def test_hidden_folders_and_the_reports_themselves_hold_no_campaigns(nights):
    plain_campaign(nights.root / ".hidden" / "x", "hidden")
    plain_campaign(nights.root / "reports" / "trial-0" / "inputs", "inside")
    nights.out = nights.root / "reports"
    assert nights.night().counts == {"published": 3}


def test_a_folder_that_cannot_be_read_is_a_failure_of_what_lies_below(nights, monkeypatch):
    nights.night()
    walk = os.walk

    def walked(top, onerror=None):
        if onerror:
            onerror(PermissionError(errno.EACCES, "Permission denied", str(nights.root / "c1")))
        yield from (one for one in walk(top) if not one[0].endswith("c1"))

    monkeypatch.setattr(find.os, "walk", walked)
    entry = nights.of(nights.night(), "trial-1")
    assert entry.state == "failed" and entry.stale and "cannot be read (Permission denied)" in entry.reason


def test_a_worker_that_falls_takes_nobody_with_it(nights):
    def falls(job):
        if job["file"].endswith("c1/campaign.toml"):
            raise RuntimeError("gone")
        return nights.attempt(job)

    assert nights.night(falls).counts == {"failed": 1, "published": 2}


def test_stopped_says_what_was_not_done_and_the_next_night_does_it(nights, monkeypatch):
    end, calls = threading.Event(), iter(range(9))

    def slow(job):
        return nights.attempt(job) if "c0" in job["file"] else end.wait(10) and {"state": "failed", "reason": "ended"}

    def wait(waiting, own=night.wait, **more):
        if next(calls):
            raise KeyboardInterrupt
        return own(waiting, **more)

    with monkeypatch.context() as patch:
        patch.setattr(night, "wait", wait)
        status = nights.night(slow)
    end.set()
    assert (status.exit_status, status.counts) == (130, {"stopped": 2, "published": 1})
    assert nights.night().counts == {"published": 2, "unchanged": 1}


def test_a_lock_is_held_by_the_living_only(nights):
    hold = (
        "import sys, time; from pathlib import Path\n"
        "from intake_report.nightly.night import the_only_night\n"
        f"with the_only_night(Path({str(nights.out)!r})):\n print('held', flush=True); time.sleep(60)"
    )
    holder = subprocess.Popen([sys.executable, "-c", hold], stdout=subprocess.PIPE, text=True)
    assert holder.stdout.readline() == "held\n"
    with pytest.raises(MachineError, match=rf"another night is at work here \(process {holder.pid} on"):
        nights.night()
    holder.kill()
    holder.wait()
    assert nights.night().exit_status == 0


def test_a_folder_that_cannot_be_written_is_a_sentence(nights, monkeypatch):
    nights.out.write_text("")
    with pytest.raises(MachineError, match="cannot be written"):
        nights.night()
    nights.out.unlink()
    nights.night()

    def full(self, data):
        raise OSError(errno.ENOSPC, "No space left on device")

    before = {p: p.read_bytes() for p in nights.out.iterdir() if p.is_file() and "lock" not in p.name}
    (nights.root / "c0" / "log.csv").write_text("2")
    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(MachineError, match="No space left on device"):
        nights.night()
    assert nights.rendered == []
    assert {p: p.read_bytes() for p in nights.out.iterdir() if p.is_file() and "lock" not in p.name} == before


def test_command_line(nights, capsys, monkeypatch):
    monkeypatch.setattr(night.run_night, "__defaults__", (nights.attempt,))
    for wrong in ([str(nights.root / "nowhere")], [str(nights.root), "--jobs", "none"]):
        with pytest.raises(SystemExit) as usage:
            main(["nightly", *wrong, "--out", str(nights.out)])
        assert usage.value.code == 2
    (nights.root / "c0" / "log.csv").write_text("broken")
    assert main(["nightly", str(nights.root), "--out", str(nights.out), "--jobs", "2"]) == 1
    told = capsys.readouterr()
    assert "trial-0  failed  0.0 s  " in told.out and "1 failed, 2 published: " in told.out
    assert "intake-report: trial-0: " in told.err
    assert main(["schema", "--status"]) == 0
    schema = json.loads(capsys.readouterr().out)
    assert schema["properties"]["campaigns"] and "stale" in schema["$defs"]["Entry"]["properties"]


@pytest.mark.slow
def test_a_thousand_unchanged_campaigns_are_decided_within_ten_seconds(nights):
    memory: list[int] = []

    def attempt(job):
        memory.append(psutil.Process().memory_info().rss)
        return nights.attempt(job)

    for number in range(1000):
        plain_campaign(nights.root / f"more-{number}", f"more-{number}", str(number))
    nights.night(attempt, jobs=2)
    assert memory[-1] - memory[-200] < 10_000_000  # byte: flat over 200 campaigns but for what it remembers of each
    time.sleep(3)
    nights.night()
    begun = time.monotonic()
    assert nights.night().counts == {"unchanged": 1003}
    spent = time.monotonic() - begun
    print(f"1003 unchanged campaigns: {spent:.1f} s")
    assert spent < 10.0
