"""The same-day check is there in a second or two: processor time of a fresh process, so that a busy machine counts little."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CODE = "import sys; from intake_report.cli import main; sys.exit(main(['check', *sys.argv[1:]]))"
RAMP = ROOT / "data/ramp-trial"


def seconds(*arguments: object) -> float:
    """Return the least processor time of three runs of the command [s]."""
    taken = []
    for _ in range(3):
        with subprocess.Popen([sys.executable, "-c", CODE, *map(str, arguments)], stdout=subprocess.DEVNULL) as process:
            _, status, usage = os.wait4(process.pid, 0)
            process.returncode = os.waitstatus_to_exitcode(status)
        assert process.returncode == 0
        taken.append(usage.ru_utime + usage.ru_stime)
    return min(taken)


@pytest.mark.bench
@pytest.mark.parametrize(("more", "limit"), [((), 2.0), (("--campaign", RAMP), 3.0)], ids=["alone", "among nine"])
def test_a_log_of_23_minutes(more: tuple[object, ...], limit: float) -> None:
    taken = seconds(RAMP / "logs/d1r1-stock.csv.gz", *more)
    print(f"{taken:.2f} s")
    assert taken < limit
