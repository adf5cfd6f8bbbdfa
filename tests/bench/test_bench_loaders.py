"""Speed and memory of loading, each against a bare ``pyarrow.csv.read_csv`` of the same files.

Run with ``pytest -m bench tests/bench/test_bench_loaders.py -s``; INTAKE_REPORT_BENCH_HOURS shortens the long log.
Other work may run on the machine, so each side counts with the best of its rounds.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from loaders_support import measure, write_log

HOURS = float(os.environ.get("INTAKE_REPORT_BENCH_HOURS", "24"))

pytestmark = pytest.mark.bench


@pytest.fixture(scope="module")
def long_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("bench") / "long.csv"
    write_log(path, HOURS, 100.0)
    return path


def test_a_day_at_100_hz_loads_within_twice_the_bare_parser(long_log: Path, benchmark: Any) -> None:
    bare: list[dict[str, float]] = []
    ours: list[dict[str, float]] = []
    benchmark.pedantic(
        lambda: ours.append(measure(long_log, "load")),
        setup=lambda: bare.append(measure(long_log, "bare")),  # in turn: the load of the machine changes
        rounds=4,
        iterations=1,
    )
    ratio = min(run["seconds"] for run in ours) / min(run["seconds"] for run in bare)
    processor = min(run["cpu"] for run in ours) / min(run["cpu"] for run in bare)
    memory = max(run["peak"] for run in ours) / ours[0]["size"]
    benchmark.extra_info.update(time_ratio=ratio, processor_ratio=processor, memory_ratio=memory)
    print(
        f"\n{HOURS:g} h: time {ratio:.2f} x bare pyarrow, processor {processor:.2f} x, peak memory {memory:.2f} x frame"
    )
    assert ratio <= 2.0
    assert memory <= 3.0


def test_real_drives_load_within_three_times_the_bare_parser(real_logs: list[Path], benchmark: Any) -> None:
    from pyarrow import csv

    from intake_report.loaders import read_log

    assert len(real_logs) == 49

    def timed(read: Callable[[Path], object]) -> float:
        began = time.perf_counter()
        for path in real_logs:
            read(path)
        return time.perf_counter() - began

    timed(csv.read_csv), timed(read_log)  # imports and caches
    bare = min(timed(csv.read_csv) for _ in range(5))
    ours: list[float] = []
    benchmark.pedantic(lambda: ours.append(timed(read_log)), rounds=5, iterations=1)
    ratio = min(ours) / bare
    benchmark.extra_info.update(time_ratio=ratio)
    print(f"\n49 real drives: {min(ours):.3f} s, {ratio:.2f} x bare pyarrow ({bare:.3f} s)")
    assert ratio <= 3.0
