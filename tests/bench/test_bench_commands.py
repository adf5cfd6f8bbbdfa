"""What commands take in fresh processes: the check of one log, and a report against the least that a cold notebook takes."""

import os
import statistics
import sys
from pathlib import Path

import nbformat
import pytest
from conftest import COMMAND
from timing import of_command

pytestmark = pytest.mark.bench

DATA = Path(__file__).parents[2] / "data"
RAMP = DATA / "ramp-trial"
FLOOR = (
    "import sys, numpy, pandas, scipy.stats, scipy.optimize, matplotlib.pyplot, papermill\n"
    "papermill.execute_notebook(sys.argv[1], sys.argv[2], kernel_name='python3', progress_bar=False)\n"
)
TIMES = int(os.environ.get("INTAKE_REPORT_BENCH_TIMES", "5"))


@pytest.mark.parametrize(("more", "limit"), [((), 2.0), (("--campaign", RAMP), 3.0)], ids=["alone", "among nine"])
def test_check_of_a_log_of_23_minutes(more, limit):
    """Processor time, so that a busy machine counts little."""
    taken = min(of_command(*COMMAND, "check", RAMP / "logs/d1r1-stock.csv.gz", *more)[1] for _ in range(3))
    print(f"{taken:.2f} s")
    assert taken < limit


@pytest.mark.parametrize(("name", "aim"), [("ramp-trial", 2.5), ("three-days", 2.0)])
def test_render_against_floor(tmp_path, name, aim):
    """Print the ratios; a benchmark, not a timed test: it fails only if a report is missing."""
    empty = tmp_path / "empty.ipynb"
    nbformat.write(nbformat.v4.new_notebook(), empty)
    floors, renders = [], []
    for i in range(TIMES):  # alternating, so that what else the machine does falls on both
        floors.append(of_command(sys.executable, "-c", FLOOR, empty, tmp_path / "ran.ipynb"))
        renders.append(of_command(*COMMAND, "render", DATA / name, "--date", "2026-06-30", "--out", tmp_path / f"{i}"))
    for kind, pick in (("wall", 0), ("processor", 1)):
        floor, render = (statistics.median(times[pick] for times in of) for of in (floors, renders))
        print(f"\n{name}, {kind}: floor {floor:.2f} s, render {render:.2f} s, ratio {render / floor:.2f} (aim {aim})")
    print(f"load {os.getloadavg()[0]:.1f}")
    assert all((tmp_path / f"{i}" / name / "2026-06-30" / "report.pdf").is_file() for i in range(TIMES))
