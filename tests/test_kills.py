"""Killed at random moments, its kernel killed: a report is complete or absent, and the next render makes it."""

import os
import random
import signal
import time

import pytest
from conftest import DATE, Report, ended, kernels_below, start_command

from intake_report.publish import ORIGIN

pytestmark = pytest.mark.slow

KILLS, KERNELS = 25, 10


def command(small, out):
    return start_command("render", small.file, "--date", DATE, "--out", out, start_new_session=True)


def whole(small, out) -> None:
    """Every report in the folder is the one that an undisturbed render makes."""
    for folder in (out / "small-trial").glob("[!.]*"):
        assert Report(folder).files() == small.report.files(), folder


def ends(small, out) -> float:
    """The next render has its report and nothing else; it takes these seconds."""
    start, process = time.monotonic(), command(small, out)
    _, err = process.communicate(timeout=300)
    assert process.returncode == 0, err
    assert sorted(p.name for p in (out / "small-trial").iterdir()) == [ORIGIN, DATE]
    whole(small, out)
    return time.monotonic() - start


def test_killed_at_random_moments(small, tmp_path, part):
    rng, longest = random.Random(20260801), ends(small, tmp_path / "first")
    for number in range(part(KILLS, 1)):
        out = tmp_path / f"out-{number}"
        process = command(small, out)
        time.sleep(rng.uniform(0.0, longest))
        kernels = kernels_below(process.pid)
        os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        whole(small, out)
        ends(small, out)
        assert all(map(ended, kernels))


def test_kernel_killed_at_random_moments(small, tmp_path, part):
    rng, out = random.Random(20260802), tmp_path / "out"
    for _ in range(part(KERNELS, 1)):
        process = command(small, out)
        while not (kernels := kernels_below(process.pid)) and process.poll() is None:
            time.sleep(0.02)
        time.sleep(rng.uniform(0.0, 1.5))
        for kernel in kernels:
            kernel.kill()
        _, err = process.communicate(timeout=120)
        assert process.returncode == 1, err
        assert err.startswith("intake-report: ") and "Traceback" not in err
        assert not (out / "small-trial").exists()
    ends(small, out)
