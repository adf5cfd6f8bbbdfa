"""What is no log is refused at once, by kind and size; no number of a log decides how much memory is taken."""

import errno
import gzip
import os
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import IO

import numpy as np
import pytest

from intake_report.errors import DataError
from intake_report.loaders import read_log
from intake_report.loaders.base import LIMIT_VARIABLE, MEBIBYTE, open_bytes

from .support import BASE, capture, gpx, packed, read_apart, write

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
    result = read_apart(path)
    assert "no text" in result["outcome"] and result["peak"] < 400 * MEBIBYTE


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


@pytest.mark.parametrize("absurd", [1e10, 5.0 - BASE, "9999-12-31T23:59:59Z", "1970-01-01T00:00:00Z"])
def test_an_absurd_time_of_a_capture_or_track_costs_its_row(tmp_path: Path, absurd: float | str) -> None:
    if isinstance(absurd, str):
        path = write(tmp_path / "t.gpx", gpx([absurd, *(f"2025-05-02T10:00:{i:02d}Z" for i in range(50))]))
    else:
        path = write(tmp_path / "c.log", capture(*["7E8#03410D50"] * 51, at=[*range(50), absurd]))
    log = read_log(path)
    np.testing.assert_allclose(log.time, np.arange(50.0), atol=1e-6)
    assert log.origin is not None and log.origin.year in (2023, 2025)
    (notice,) = [notice for notice in log.notices if notice.code == "rows-without-time"]
    assert notice.count == 1


def timed(path: Path, times: list[object]) -> Path:
    """Write a log with these times."""
    return write(path, HEAD + "".join(f"{time},{20 + i % 3},{i % 90}\n" for i, time in enumerate(times)).encode())


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
        paths.append(timed(tmp_path / f"{number}.csv", [absurd if i == 100 else i for i in range(300)]))
    paths.append(timed(tmp_path / "half.csv", [i if i % 2 else i * 1e9 for i in range(300)]))
    done = subprocess.run(
        [sys.executable, "-c", _BOUNDED, *map(str, paths)],
        check=True, capture_output=True, text=True, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )  # fmt: skip
    *read, half_absurd = done.stdout.splitlines()
    assert read == ["read 299 299"] * 6
    assert half_absurd.startswith("refused") and "of 300 times" in half_absurd


def test_times_of_two_drives_weeks_apart_are_refused(tmp_path: Path) -> None:
    """As many of one as of the other: no time is near the middle of them all."""
    path = timed(tmp_path / "two.csv", [1_199_000_000 + i + 40 * 86_400 * (i // 150) for i in range(300)])
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
def test_a_failing_disk_is_not_called_a_damaged_archive(tmp_path, monkeypatch, form: str) -> None:
    path = packed(tmp_path / f"log.csv.{form}", HEAD + np.random.default_rng(1).bytes(400_000).hex().encode())
    module, name, real = (gzip, "open", gzip.GzipFile) if form == "gz" else (zipfile, "ZipFile", zipfile.ZipFile)
    failing = {"fileobj" if form == "gz" else "file": _FailingDisk(path.open("rb"), 100_000)}
    monkeypatch.setattr(module, name, lambda _: real(**failing))  # type: ignore[arg-type]
    with pytest.raises(DataError, match=r"cannot be read \(Input/output error\)"):
        open_bytes(path)


ZIPS = [("zip", method) for method in (zipfile.ZIP_DEFLATED, zipfile.ZIP_LZMA, zipfile.ZIP_BZIP2, 97)]


@pytest.mark.parametrize(("suffix", "method"), [("gz", 0), ("zst", 0), *ZIPS])
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
