"""Small logs made by code."""

import gzip
import json
import subprocess
import sys
import zipfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
from pyarrow import parquet

BASE = 1_700_000_000.0  # first second of a capture


def write(path: Path, text: str | bytes) -> Path:
    """Write a file and return its path."""
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def packed(path: Path, text: str | bytes, method: int = zipfile.ZIP_DEFLATED) -> Path:
    """Write a file packed as its suffix says."""
    data = text if isinstance(text, bytes) else text.encode()
    if path.suffix == ".zip":
        with zipfile.ZipFile(path, "w", method) as archive:
            archive.writestr("log.csv", data)
        return path
    if path.suffix == ".zst":
        return write(path, pa.compress(data, "zstd", asbytes=True))
    return write(path, gzip.compress(data) if path.suffix == ".gz" else data)


def columnar(path: Path, table: pa.Table) -> Path:
    """Write a table as Parquet, or as an Arrow file or stream, as its suffix says."""
    if path.suffix == ".parquet":
        parquet.write_table(table, path)
    else:
        with (pa.ipc.new_file if path.suffix == ".arrow" else pa.ipc.new_stream)(path, table.schema) as file:
            file.write_table(table)
    return path


def capture(*frames: str, at: Iterable[float] | None = None) -> bytes:
    """Return a capture, its frames `at` these seconds after `BASE` or 0.1 s apart."""
    seconds = [i * 0.1 for i in range(len(frames))] if at is None else at
    return "".join(f"({BASE + t:.6f}) can0 {frame}\n" for t, frame in zip(seconds, frames, strict=True)).encode()


def gpx(stamps: Sequence[str], latitudes: Sequence[float] | None = None, more: Sequence[str] = ()) -> bytes:
    """Return a track due north with a point for each stamp, and `more` of each point."""
    points = zip(
        latitudes if latitudes is not None else [50 + i / 1e4 for i in range(len(stamps))],
        [f"<time>{stamp}</time>" if stamp else "" for stamp in stamps],
        more or [""] * len(stamps),
        strict=True,
    )
    text = "".join(f'<trkpt lat="{lat:.9f}" lon="8">{time}{rest}</trkpt>' for lat, time, rest in points)
    head = '<?xml version="1.0"?><gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">'
    return f"{head}<trk><trkseg>{text}</trkseg></trk></gpx>".encode()


_CHILD = """
import json, sys, time
from pathlib import Path
from intake_report.errors import DataError
from intake_report.loaders import read_log
began = time.process_time()  # of the processor: other work on the machine does not count
try:
    log = read_log(Path(sys.argv[1])); outcome = f"{len(log.time)} x {len(log.columns)}"
except DataError as error:
    outcome = str(error)
# Not ru_maxrss, which a process inherits from the one that starts it.
peak = 1024 * next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(json.dumps({"seconds": time.process_time() - began, "peak": peak, "outcome": outcome}))
"""


def read_apart(path: Path) -> dict[str, Any]:
    """Read a log in a process of its own: the seconds and bytes it took, and what came of it."""
    return json.loads(subprocess.check_output([sys.executable, "-c", _CHILD, path], text=True))
