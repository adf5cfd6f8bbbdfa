"""Rendering a campaign, cold, against the least that a cold papermill run of the same libraries takes."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

import nbformat
import pytest

DATA = Path(__file__).parents[2] / "data"
FLOOR = (
    "import sys, numpy, pandas, scipy.stats, scipy.optimize, matplotlib.pyplot, papermill\n"
    "papermill.execute_notebook(sys.argv[1], sys.argv[2], kernel_name='python3', progress_bar=False)\n"
)
TIMES = int(os.environ.get("INTAKE_REPORT_BENCH_TIMES", "5"))


def seconds(*command: str) -> tuple[float, float]:
    """Return wall and processor time of a command and its children [s]."""
    start, before = time.perf_counter(), os.times()
    subprocess.run(command, check=True, capture_output=True)
    after = os.times()
    spent = after.children_user - before.children_user + after.children_system - before.children_system
    return time.perf_counter() - start, spent


@pytest.mark.bench
@pytest.mark.parametrize(("name", "aim"), [("ramp-trial", 2.5), ("three-days", 2.0)])
def test_render_against_floor(tmp_path: Path, name: str, aim: float) -> None:
    """Print the ratios; a benchmark, not a timed test: it fails only if a report is missing."""
    empty = tmp_path / "empty.ipynb"
    nbformat.write(nbformat.v4.new_notebook(), empty)
    render = [sys.executable, "-m", "intake_report", "render", str(DATA / name), "--date", "2026-06-30"]
    floors, renders = [], []
    for i in range(TIMES):  # alternating, so that what else the machine does falls on both
        floors.append(seconds(sys.executable, "-c", FLOOR, str(empty), str(tmp_path / "ran.ipynb")))
        renders.append(seconds(*render, "--out", str(tmp_path / f"out-{i}")))
    for kind, pick in (("wall", 0), ("processor", 1)):
        floor, rendered = (statistics.median(times[pick] for times in of) for of in (floors, renders))
        print(
            f"\n{name}, {kind}: floor {floor:.2f} s, render {rendered:.2f} s, ratio {rendered / floor:.2f} (aim {aim})"
        )
    print(f"load {os.getloadavg()[0]:.1f}")
    assert all((tmp_path / f"out-{i}" / name / "2026-06-30" / "report.pdf").is_file() for i in range(TIMES))
