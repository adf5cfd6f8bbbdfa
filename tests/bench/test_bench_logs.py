"""Speed and memory of loading and cleaning, each against a bare read of the same log as text.

A day at 100 Hz with 12 channels; `INTAKE_REPORT_BENCH_ROWS` makes it smaller. Ratios, not seconds, since machines differ.
"""

import json
import os
import subprocess
import sys
import tracemalloc

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv
import pytest
from timing import seconds

from intake_report.clean import clean
from intake_report.loaders import read_log
from intake_report.loaders.base import RunLog
from intake_report.loaders.run import load_run

pytestmark = pytest.mark.bench

ROWS = int(os.environ.get("INTAKE_REPORT_BENCH_ROWS", str(24 * 3600 * 100)))
UNITS = {
    "iat": "degC", "ambient": "degC", "coolant": "degC", "speed": "km/h", "gps_speed": "km/h", "rpm": "rpm", "load": "%",
    "throttle": "%", "map": "kPa", "maf": "g/s", "latitude": "deg", "longitude": "deg",
}  # fmt: skip
MAPPING = {f"{name} [{unit}]": f"{name} [{unit}]" for name, unit in UNITS.items()}


def day(rows):
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
def log_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("day") / "day.csv"
    t, data = day(ROWS)
    columns = {"time [s]": np.round(t, 2)} | {f"{name} [{UNITS[name]}]": values for name, values in data.items()}
    pa.csv.write_csv(pa.table(columns), path)
    return path


def test_loaded_and_cleaned_within_twice_a_bare_read(log_file):
    log = load_run("day", [log_file], MAPPING)
    reads = lambda: pa.csv.read_csv(log_file), lambda: load_run("day", [log_file], MAPPING), lambda: clean(log)
    bare, loading, cleaning = seconds(*reads)
    print(f"{ROWS} rows: bare {bare:.2f} s, load {loading:.2f} s, clean {cleaning:.2f} s")
    assert all(s.samples == ROWS for s in clean(log).sampling.values())
    assert loading + cleaning <= 2.0 * bare


LOAD = """
import json, sys
import numpy, pandas, pyarrow, pyarrow.csv, pyarrow.compute
from pathlib import Path
from intake_report.loaders import load_run
def peak_bytes():  # not ru_maxrss, which a process inherits from the one that starts it
    return 1024 * next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM"))
before = peak_bytes()
frame = load_run("bench", [Path(sys.argv[1])], json.loads(sys.argv[2])).frame
print((peak_bytes() - before) / frame.memory_usage().sum())
"""


def test_loading_takes_three_times_the_memory_of_the_frame(log_file):
    command = [sys.executable, "-c", LOAD, str(log_file), json.dumps(MAPPING)]
    ratio = float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    print(f"\npeak memory of loading: {ratio:.2f} times the frame")
    assert ratio <= 3.0


@pytest.mark.parametrize("hold", [10, 20])
def test_held_channels_are_reduced_within_a_bare_read(log_file, hold):
    """The slow path: every channel repeats its value over `hold` rows, each at another row."""
    t, data = day(ROWS)
    held = {}
    for j, (name, values) in enumerate(data.items()):
        held[name] = values[np.maximum((np.arange(ROWS) - j) // hold * hold + j, 0).clip(max=ROWS - 1)]
    log = RunLog("day", pd.DataFrame(held, index=pd.Index(t, name="time"), copy=False), None, ())
    bare, cleaning = seconds(lambda: pa.csv.read_csv(log_file), lambda: clean(log))
    tracemalloc.start()
    run = clean(log)
    peak = tracemalloc.get_traced_memory()[1] / log.frame.memory_usage().sum()
    tracemalloc.stop()
    print(f"{ROWS} rows, held for {hold}: bare {bare:.2f} s, clean {cleaning:.2f} s; peak {peak:.2f} x the frame")
    for sampling in run.sampling.values():
        assert sampling.interval == pytest.approx(hold / 100, rel=1e-6)
    assert cleaning <= 0.8 * bare
    assert peak <= 2.0  # three times the frame in all


def test_real_drives_load_within_three_times_the_bare_parser(real_logs):
    assert len(real_logs) == 49

    def each(read):
        return lambda: [read(path) for path in real_logs]

    bare, ours = seconds(each(pa.csv.read_csv), each(read_log), repeats=6)  # the first imports and fills caches
    print(f"49 real drives: {ours:.3f} s, {ours / bare:.2f} x bare pyarrow ({bare:.3f} s)")
    assert ours <= 3.0 * bare
