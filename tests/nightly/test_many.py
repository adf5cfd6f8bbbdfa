"""Nights over real campaigns: many, broken, killed, on a full disk; nothing half-written and nothing left behind."""

import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import psutil
import pytest
import roadlog
from conftest import DATE, start_command

from intake_report.errors import MachineError
from intake_report.nightly.find import Status
from intake_report.nightly.night import Settings, run_night
from intake_report.nightly.work import cluster
from intake_report.provenance import damages, report_folders

CAMPAIGNS, KILLS = 60, 40


def campaigns(root: Path, number: int) -> None:
    """Write small campaigns with varied content."""
    for n in range(number):
        data = roadlog.changed(roadlog.campaign(units=("si", "us")[n % 2]), "campaign.id", f"trial-{n:02d}")
        roadlog.write(root / f"c{n:02d}", roadlog.changed(data, "campaign.title", f"Trial number {n}"))


def spoil(root: Path) -> None:
    """Break five campaigns, each in its own way."""
    (root / "c00" / "campaign.toml").write_text("[campaign")
    (root / "c01" / "logs" / "b1-stock.csv").unlink()
    (root / "c02" / "logs" / "b1-stock.csv").write_bytes(b"\x00\x01\x02")
    text = (root / "c03" / "campaign.toml").read_text()
    (root / "c03" / "campaign.toml").write_text(text.replace('"baseline"', '"basis"'))
    for log in (root / "c04" / "logs").iterdir():
        log.write_text(log.read_text().splitlines()[0] + "\n")


def night(root: Path, out: Path, *more: str) -> tuple[int, Status]:
    process = start_command("nightly", root, "--out", out, "--date", DATE, "--jobs", "2", *more)
    _, err = process.communicate(timeout=7200)
    assert "Traceback" not in err
    return process.returncode, Status.model_validate_json((out / "status.json").read_bytes())


def whole(out: Path) -> int:
    """Every report is as it was issued; return how many there are."""
    folders = report_folders(out)
    for folder in folders:
        assert list(damages(folder)) == []
    return len(folders)


@pytest.mark.slow
def test_five_broken_of_many(tmp_path, part):
    number = part(CAMPAIGNS, 7)
    root, out = tmp_path / "root", tmp_path / "out"
    campaigns(root, number)
    spoil(root)
    time.sleep(2.6)
    exit_status, status = night(root, out)
    assert (exit_status, status.counts) == (1, {"failed": 5, "published": number - 5})
    broken = [entry for entry in status.campaigns if entry.state == "failed"]
    assert {Path(entry.folder).name for entry in broken} == {"c00", "c01", "c02", "c03", "c04"}
    assert all(entry.reason and (out / entry.log).is_file() for entry in broken)
    assert whole(out) == number - 5
    exit_status, status = night(root, out)
    assert (exit_status, status.counts) == (1, {"failed": 5, "unchanged": number - 5})
    assert all(entry.seconds == 0.0 for entry in status.campaigns)
    log = root / "c05" / "logs" / "b1-stock.csv"
    log.write_text(log.read_text().replace(",50,", ",51,", 1))
    assert night(root, out)[1].counts == {"failed": 5, "published": 1, "unchanged": number - 6}
    assert whole(out) == number - 4


# A night that takes the finished report of another campaign in place of making one: most of its time is what is at stake.
NIGHT = """
import shutil, sys
from pathlib import Path
from intake_report import publish
from intake_report.nightly import night, outcome
root, out, finished, date = sys.argv[1:]
def make(campaign, scratch, *_):
    shutil.copytree(finished, scratch / "report", ignore=shutil.ignore_patterns("manifest.json"))
publish.make_report = make
settings = night.Settings(Path(out), jobs=2, date=date)
sys.exit(night.run_night([Path(root)], settings, outcome.render_campaign).exit_status)
"""


@pytest.mark.slow
@pytest.mark.parametrize("publishing", [True, False])
def test_killed_at_random_moments(small, tmp_path, part, publishing):
    """Kill a night over two campaigns at random moments; every report is whole, and the next night makes what lacks."""
    rng, root, out, kills = random.Random(20261125), tmp_path / "root", tmp_path / "out", part(KILLS, 2)
    campaigns(root, 2)

    def start(place: Path) -> subprocess.Popen[str]:
        if not publishing:
            return start_command("nightly", root, "--out", place, "--date", DATE, "--jobs", "2")
        command = [sys.executable, "-c", NIGHT, root, place, small.report.folder, DATE]
        return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)

    def ends(place: Path) -> float:
        begun = time.monotonic()
        process = start(place)
        _, err = process.communicate(timeout=3600)
        assert process.returncode == 0, err
        assert whole(place) == 2
        assert sorted(p.name for p in (place / "trial-00").iterdir()) == [".campaign.json", DATE]
        return time.monotonic() - begun

    longest = ends(tmp_path / "first")
    for number in range(kills):
        process = start(out)
        time.sleep(rng.uniform(0.0, longest))
        try:
            below = psutil.Process(process.pid).children(recursive=True)
        except psutil.NoSuchProcess:
            below = []
        process.kill()
        process.communicate()
        _, alive = psutil.wait_procs(below, timeout=5)
        assert alive == []
        made = whole(out)
        print(f"kill {number + 1} of {kills}: {made} whole reports", flush=True)
        if made == 2 or rng.random() < 0.4:
            ends(out)
            shutil.rmtree(out)
            longest = min(longest, ends(out))  # a machine that is less busy now would have ended before it is killed
            shutil.rmtree(out)
    ends(out)


@pytest.mark.slow
def test_a_full_disk(tmp_path):
    small = tmp_path / "small"
    small.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=9m", "tmpfs", small], capture_output=True)
    if mounted.returncode:
        pytest.skip(f"no small disk could be mounted: {mounted.stderr.decode().strip()}")
    try:
        campaigns(tmp_path / "root", 3)
        exit_status, status = night(tmp_path / "root", small / "out")
        assert exit_status == 1 and status.counts["failed"] >= 1
        assert all("disk is full" in e.reason or "space" in e.reason for e in status.campaigns if e.state == "failed")
        whole(small / "out")
        subprocess.run(["mount", "-o", "remount,size=200m", small], check=True)
        assert night(tmp_path / "root", small / "out")[0] == 0
        assert whole(small / "out") == 3
        subprocess.run(["mount", "-o", "remount,ro", small], check=True)
        process = start_command("nightly", tmp_path / "root", "--out", small / "out")
        _, err = process.communicate(timeout=60)
        assert process.returncode == 1
        assert err.startswith("intake-report: ") and "cannot be written (Read-only file system)" in err
    finally:
        subprocess.run(["umount", small], check=True)


@pytest.mark.slow
def test_a_cluster_whose_worker_is_killed(tmp_path):
    distributed = pytest.importorskip("distributed")
    campaigns(tmp_path / "root", 2)
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as workers:

        def kill_one() -> None:
            time.sleep(6)
            os.kill(next(iter(workers.workers.values())).pid, signal.SIGKILL)

        killer = threading.Thread(target=kill_one)
        killer.start()
        settings = Settings(tmp_path / "out", date=DATE, dask=workers.scheduler_address)
        status = run_night([tmp_path / "root"], settings)
        killer.join()
    assert status.counts == {"published": 2}, status
    assert whole(tmp_path / "out") == 2


@pytest.mark.slow
def test_a_cluster_that_does_not_see_the_files_is_refused(tmp_path):
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(n_workers=1, processes=False, dashboard_address=None) as workers,
        pytest.raises(MachineError, match=r"does not see .*nowhere"),
        cluster(workers.scheduler_address, tmp_path, [tmp_path / "nowhere"]),
    ):
        pass


@pytest.mark.bench
def test_speed_of_warm_renders(tmp_path):
    """Each against the other in one run, by the clock and by the processor: cold single render, one job, two jobs."""
    campaigns(tmp_path / "root", 6)

    def measured(*arguments: object) -> tuple[float, float]:
        before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
        assert start_command(*arguments, "--date", DATE).wait() == 0
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        return time.monotonic() - begun, used

    cold = measured("render", tmp_path / "root" / "c00", "--out", tmp_path / "cold")
    both = (measured("nightly", tmp_path / "root", "--out", tmp_path / jobs, "--jobs", jobs) for jobs in "12")
    one, two = ([x / 6 for x in figures] for figures in both)
    for name, (clock, used) in {"cold": cold, "one job": one, "two jobs": two}.items():
        print(f"{name}: {clock:.1f} s, {used:.1f} s of processor for each campaign")
    print(f"load of the machine: {os.getloadavg()[0]:.1f}")
    assert one[1] <= 0.5 * cold[1] and two[1] <= 1.1 * one[1]
    assert one[0] <= 0.5 * cold[0]
    assert one[0] / two[0] >= 1.8
