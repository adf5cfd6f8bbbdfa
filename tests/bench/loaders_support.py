"""Large logs for the speed ratios, and peak memory measured in a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

CHANNELS = (
    ("Intake Air Temperature [°C]", "iat", 30.0, 8.0, 1),
    ("Ambient Temperature [°C]", "ambient", 18.0, 3.0, 1),
    ("Engine Coolant Temperature [°C]", "coolant", 88.0, 4.0, 0),
    ("Vehicle Speed [km/h]", "speed", 60.0, 40.0, 1),
    ("Engine RPM [rpm]", "rpm", 2000.0, 900.0, 0),
    ("Engine Load [%]", "load", 40.0, 30.0, 2),
    ("Throttle Position [%]", "throttle", 20.0, 15.0, 2),
    ("Intake Manifold Pressure [kPa]", "map", 60.0, 30.0, 1),
    ("Barometric Pressure [kPa]", "baro", 98.0, 0.5, 1),
    ("Mass Air Flow [g/s]", "maf", 15.0, 12.0, 2),
    ("Timing Advance [deg]", "timing", 15.0, 10.0, 1),
    ("Module Voltage [V]", "voltage", 13.8, 0.4, 3),
)
MAPPING = {header: name for header, name, *_ in CHANNELS}


def write_log(path: Path, hours: float, rate: float) -> int:
    """Write a text log of twelve channels, in blocks; return its rows."""
    import numpy as np
    import pyarrow as pa
    from pyarrow import csv

    rows = int(hours * 3600 * rate)
    generator = np.random.default_rng(20250502)
    with path.open("wb") as file:
        file.write(("Time [s]," + ",".join(header for header, *_ in CHANNELS) + "\n").encode())
        for start in range(0, rows, 500_000):
            count = min(500_000, rows - start)
            columns = [np.round((start + np.arange(count)) / rate, 3)]
            for _, _, middle, spread, decimals in CHANNELS:
                columns.append(np.round(middle + spread * (generator.random(count) * 2 - 1), decimals))
            table = pa.table([pa.array(c) for c in columns], names=[str(i) for i in range(len(columns))])
            csv.write_csv(table, file, csv.WriteOptions(include_header=False))
    return rows


_CHILD = """
import json, sys, time
from pathlib import Path
path, what = Path(sys.argv[1]), sys.argv[2]
import numpy, pandas, pyarrow, pyarrow.csv, pyarrow.compute
from intake_report.loaders import load_run
sys.path.insert(0, sys.argv[3])
from loaders_support import MAPPING
def peak_bytes():  # not ru_maxrss, which a process inherits from the one that starts it
    return 1024 * next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM"))
before = peak_bytes()
began, worked = time.perf_counter(), time.process_time()
if what == "bare":
    size = pyarrow.csv.read_csv(path).nbytes
else:
    frame = load_run("bench", [path], MAPPING).frame
    size = int(frame.memory_usage().sum())
seconds, cpu = time.perf_counter() - began, time.process_time() - worked
peak = peak_bytes() - before
print(json.dumps({"seconds": seconds, "cpu": cpu, "peak": peak, "size": size}))
"""


def measure(path: Path, what: str) -> dict[str, float]:
    """Run one load in a process of its own; seconds, peak bytes beyond the start, bytes of the result."""
    done = subprocess.run(
        [sys.executable, "-c", _CHILD, str(path), what, str(Path(__file__).parent)],
        check=True,
        capture_output=True,
        text=True,
    )
    result: dict[str, float] = json.loads(done.stdout)
    return result
