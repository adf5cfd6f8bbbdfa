"""What is no log is refused at once, by kind and size; no number of a log decides how much memory is taken."""

import errno
import gzip
import os
import subprocess
import sys
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO

import numpy as np
import pytest

from intake_report.errors import DataError
from intake_report.loaders import read_log
from intake_report.loaders.content import LIMIT_VARIABLE, MEBIBYTE, open_bytes

from .support import packed, write

HEAD = b"Time [s],Intake temperature [degC],Vehicle speed [km/h]\n"


def test_a_pipe_and_a_device_are_refused_without_reading(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    for path in (tmp_path / "pipe.csv", Path("/dev/zero")):
        with pytest.raises(DataError, match="pipe or a device"):
            read_log(path)


@pytest.mark.parametrize("head", [b"", HEAD + b"0,20,30\n1,20,31\n"])
def test_gigabytes_of_zero_bytes_are_refused_at_once(tmp_path: Path, head: bytes) -> None:
    path = write(tmp_path / "zero.csv", head)
    os.truncate(path, 3 << 30)  # a sparse file takes no room
    code = (
        "import sys; from pathlib import Path; from intake_report.errors import DataError\n"
        "from intake_report.loaders import read_log\n"
        "try: read_log(Path(sys.argv[1]))\n"
        "except DataError as error: print(error)\n"
        "print(next(line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM')))"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], check=True, capture_output=True, text=True)
    sentence, peak = done.stdout.splitlines()
    assert "no text" in sentence
    assert int(peak) < 400 * 1024  # [KiB]


def test_the_limit_of_size_is_stated_and_can_be_raised(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path / "log.csv", HEAD + b"".join(b"%d,20,30\n" % i for i in range(200_000)))
    assert path.stat().st_size > MEBIBYTE
    monkeypatch.setenv(LIMIT_VARIABLE, "1")
    with pytest.raises(DataError, match=rf"limit is 1 MiB.*{LIMIT_VARIABLE}"):
        read_log(path)
    monkeypatch.setenv(LIMIT_VARIABLE, "4")
    assert len(read_log(path).time) == 200_000
    monkeypatch.setenv(LIMIT_VARIABLE, "much")
    with pytest.raises(DataError, match="number of MiB"):
        read_log(path)


BASE = 1_700_000_000


def capture(at: float) -> bytes:
    stamps = [*(BASE + i for i in range(50)), at]
    return "".join(f"({stamp:.6f}) can0 7E8#03410D50\n" for stamp in stamps).encode()


def gpx(at: str) -> bytes:
    start = datetime(2025, 5, 2, 10, tzinfo=UTC)
    stamps = [at, *(f"{start + timedelta(seconds=i):%Y-%m-%dT%H:%M:%SZ}" for i in range(50))]
    points = "".join(f'<trkpt lat="{50 + i / 1e4}" lon="8"><time>{s}</time></trkpt>' for i, s in enumerate(stamps))
    root = '<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
    return f"{root}{points}</trkseg></trk></gpx>".encode()


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("c.log", capture(BASE + 1e10)),
        ("c.log", capture(5.0)),
        ("t.gpx", gpx("9999-12-31T23:59:59Z")),
        ("t.gpx", gpx("1970-01-01T00:00:00Z")),
    ],
)
def test_an_absurd_time_of_a_capture_or_track_costs_its_row(tmp_path: Path, name: str, content: bytes) -> None:
    log = read_log(write(tmp_path / name, content))
    np.testing.assert_allclose(log.time, np.arange(50.0), atol=1e-6)
    assert log.origin is not None
    assert log.origin.year in (2023, 2025)
    (notice,) = [notice for notice in log.notices if notice.code == "rows-without-time"]
    assert notice.count == 1


_BOUNDED = """
import resource, sys
resource.setrlimit(resource.RLIMIT_AS, (1_500_000_000, 1_500_000_000))
from pathlib import Path
from intake_report.errors import DataError
from intake_report.loaders import load_run
for path in sys.argv[1:]:
    try:
        run = load_run("a", [Path(path)], {"Intake temperature [degC]": "iat", "Vehicle speed [km/h]": "speed"})
        print("read", len(run.frame), round(float(run.frame.index.max() - run.frame.index.min())))
    except DataError as error:
        print("refused", error)
"""


def test_absurd_times_take_no_memory(tmp_path: Path) -> None:
    """Under 1.5 GB of address space (OPENBLAS takes its share for each thread, so it gets one)."""
    paths = []
    for number, absurd in enumerate(("1e10", "9" * 40, "-1e300", "1e308", "inf", "nan")):
        rows = [f"{i},{20 + i % 3},{i % 90}" for i in range(300)]
        rows[100] = f"{absurd},20,30"
        paths.append(write(tmp_path / f"{number}.csv", HEAD + "\n".join(rows).encode() + b"\n"))
    half = [f"{i if i % 2 else i * 1e9},{20 + i % 3},{i % 90}" for i in range(300)]
    paths.append(write(tmp_path / "half.csv", HEAD + "\n".join(half).encode() + b"\n"))
    done = subprocess.run(
        [sys.executable, "-c", _BOUNDED, *map(str, paths)],
        check=True, capture_output=True, text=True, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )  # fmt: skip
    *read, half_absurd = done.stdout.splitlines()
    assert read == ["read 299 299"] * 6
    assert half_absurd.startswith("refused")
    assert "of 300 times" in half_absurd


def test_times_of_two_drives_weeks_apart_are_refused(tmp_path: Path) -> None:
    """As many of one as of the other: no time is near the middle of them all."""
    rows = [f"{1_199_000_000 + i + 40 * 86_400 * (i // 150)},{20 + i % 3},{i % 90}" for i in range(300)]
    path = write(tmp_path / "two.csv", HEAD + "\n".join(rows).encode() + b"\n")
    with pytest.raises(DataError, match=r"two\.csv: The times in “.*” lie more than 7 days apart.* Split the log"):
        read_log(path)


class _FailingDisk:
    """A file of which the disk gives nothing after the first bytes."""

    def __init__(self, file: IO[bytes], good: int) -> None:
        self.file, self.left = file, good

    def read(self, size: int = -1) -> bytes:
        self.left -= max(size, 0)
        if self.left < 0:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return self.file.read(size)

    def __getattr__(self, name: str) -> object:
        return getattr(self.file, name)


@pytest.mark.parametrize("form", ["gz", "zip"])
def test_a_failing_disk_is_not_called_a_damaged_archive(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str
) -> None:
    path = packed(tmp_path / f"log.csv.{form}", HEAD + np.random.default_rng(1).bytes(400_000).hex().encode())
    module, name, real = (gzip, "open", gzip.GzipFile) if form == "gz" else (zipfile, "ZipFile", zipfile.ZipFile)
    failing = {"fileobj" if form == "gz" else "file": _FailingDisk(path.open("rb"), 100_000)}
    monkeypatch.setattr(module, name, lambda _: real(**failing))  # type: ignore[arg-type]
    with pytest.raises(DataError, match=r"cannot be read \(Input/output error\)"):
        open_bytes(path)


@pytest.mark.parametrize(
    ("suffix", "method"),
    [
        ("gz", 0),
        ("zst", 0),
        *(("zip", method) for method in (zipfile.ZIP_DEFLATED, zipfile.ZIP_LZMA, zipfile.ZIP_BZIP2, 97)),
    ],
)
def test_a_damaged_archive_is_called_so(tmp_path: Path, suffix: str, method: int) -> None:
    text = HEAD + np.random.default_rng(1).bytes(4000).hex().encode()
    path = packed(tmp_path / f"log.csv.{suffix}", text, zipfile.ZIP_DEFLATED if method == 97 else method)
    damaged = bytearray(path.read_bytes())
    if method == 97:  # one that nobody has: where a header states the method (APPNOTE 4.3)
        for mark, offset in ((b"PK\x03\x04", 8), (b"PK\x01\x02", 10)):
            damaged[damaged.index(mark) + offset] = method
    else:
        where = slice(6, 12) if suffix == "zst" else slice(1000, 1400)  # the first block's header: there is no checksum
        damaged[where] = bytes(255 - byte for byte in damaged[where])
    path.write_bytes(damaged)
    with pytest.raises(DataError, match="archive is damaged, or packed by a method"):
        open_bytes(path)
