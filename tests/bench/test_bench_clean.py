"""Speed of cleaning against a bare read of the same log as text.

A day at 100 Hz with 12 channels; `INTAKE_REPORT_BENCH_ROWS` makes it smaller. Ratios, not seconds, since machines differ.
"""

from __future__ import annotations

import os
import time
import tracemalloc
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv
import pytest

from intake_report.clean import clean
from intake_report.loaders.base import RunLog
from intake_report.loaders.run import load_run

pytestmark = pytest.mark.bench

ROWS = int(os.environ.get("INTAKE_REPORT_BENCH_ROWS", str(24 * 3600 * 100)))
UNITS = {
    "iat": "degC", "ambient": "degC", "coolant": "degC", "speed": "km/h", "gps_speed": "km/h", "rpm": "rpm", "load": "%",
    "throttle": "%", "map": "kPa", "maf": "g/s", "latitude": "deg", "longitude": "deg",
}  # fmt: skip


def day(rows: int) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Make a day of driving: smooth signals with noise, written as a logger writes them."""
    rng = np.random.default_rng(1)
    t = np.arange(rows) / 100.0
    speed = 60 + 40 * np.sin(t / 60)
    smooth = {
        "iat": 25 + 5 * np.sin(t / 100), "ambient": 15 + np.sin(t / 1e4), "coolant": 90 + 3 * np.sin(t / 200), "speed": speed,
        "gps_speed": speed, "rpm": 1500 + 20 * speed, "load": 30 + 0.3 * speed, "throttle": 10 + 0.5 * speed,
        "map": 60 + 0.4 * speed, "maf": 5 + 0.2 * speed,
    }  # fmt: skip
    data = {name: np.round(values + rng.normal(0, 0.1, rows), 1) for name, values in smooth.items()}
    # A path of tens of kilometres, to the sixth decimal.
    data["latitude"] = np.round(50 + 0.1 * np.sin(t / 3600) + rng.normal(0, 1e-6, rows), 6)
    data["longitude"] = np.round(7 + 0.1 * np.cos(t / 3600) + rng.normal(0, 1e-6, rows), 6)
    return t, data


@pytest.fixture(scope="module")
def log_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the day as text."""
    path = tmp_path_factory.mktemp("day") / "day.csv"
    t, data = day(ROWS)
    columns = {"time [s]": np.round(t, 2)} | {f"{name} [{UNITS[name]}]": values for name, values in data.items()}
    pa.csv.write_csv(pa.table(columns), path)
    return path


def seconds(*actions, repeats=3):
    """Best time of each action over a few rounds of all, since other work on the machine only ever adds.

    Prints the processor times too, all threads counted.
    """
    best, spent = [np.inf] * len(actions), [np.inf] * len(actions)
    for _ in range(repeats):
        for k, action in enumerate(actions):
            start, used = time.perf_counter(), time.process_time()
            action()
            best[k] = min(best[k], time.perf_counter() - start)
            spent[k] = min(spent[k], time.process_time() - used)
    print("\nprocessor:", ", ".join(f"{time:.2f} s" for time in spent), end="")
    return best


def test_loaded_and_cleaned_within_twice_a_bare_read(log_file):
    mapping = {f"{name} [{unit}]": f"{name} [{unit}]" for name, unit in UNITS.items()}
    log = load_run("day", [log_file], mapping)
    bare, loading, cleaning = seconds(
        lambda: pa.csv.read_csv(log_file), lambda: load_run("day", [log_file], mapping), lambda: clean(log)
    )
    print(
        f"\n{ROWS} rows: bare {bare:.2f} s, load {loading:.2f} s, clean {cleaning:.2f} s, ratio"
        f" {(loading + cleaning) / bare:.2f} (clean alone {cleaning / bare:.2f})"
    )
    run = clean(log)
    assert all(s.samples == ROWS for s in run.sampling.values())
    assert loading + cleaning <= 2.0 * bare


@pytest.mark.parametrize("hold", [10, 20])
def test_held_channels_are_reduced_within_a_bare_read(log_file, hold):
    """The slow path: every channel repeats its value over `hold` rows, each at another row."""
    t, data = day(ROWS)
    held = {}
    for j, (name, values) in enumerate(data.items()):
        held[name] = values[np.maximum((np.arange(ROWS) - j) // hold * hold + j, 0).clip(max=ROWS - 1)]
    log = RunLog("day", pd.DataFrame(held, index=pd.Index(t, name="time"), copy=False), None, ())
    bare, cleaning = seconds(lambda: pa.csv.read_csv(log_file), lambda: clean(log))
    print(f"\n{ROWS} rows held over {hold}: bare {bare:.2f} s, clean {cleaning:.2f} s, ratio {cleaning / bare:.2f}")
    tracemalloc.start()
    run = clean(log)
    peak = tracemalloc.get_traced_memory()[1] / log.frame.memory_usage().sum()
    tracemalloc.stop()
    print(f"peak memory of cleaning: {peak:.2f} times the frame, beside the frame itself")
    for sampling in run.sampling.values():
        assert sampling.interval == pytest.approx(hold / 100, rel=1e-6)
    assert cleaning <= 0.8 * bare
    assert peak <= 2.0  # three times the frame in all
