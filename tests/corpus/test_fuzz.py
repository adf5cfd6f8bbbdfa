"""Mutated logs: every one is read or refused in one sentence, soon, and within bounds of memory."""

import gzip
import json
import random
import subprocess
import sys
import warnings
from collections.abc import Callable
from pathlib import Path

import pytest

from intake_report.errors import DataError
from intake_report.loaders import format_mapping, propose_mapping, read_log
from intake_report.loaders.run import UNEXPECTED

from .broken import GOOD, _capture, _gpx, _points

HEAD_BYTES = 60_000


CAPTURE = ("capture.log", _capture(*["7E8#03410D50", "7E8#1009416801480000", "7E8#2100000000"] * 40))
MADE = [("made.csv", GOOD), ("track.gpx", _gpx(_points(60)))]


def heads(drives: Path) -> list[tuple[str, bytes]]:
    """Return heads of real drives to mutate."""
    found = [("loop.csv", path.read_bytes()[:HEAD_BYTES]) for path in sorted(drives.glob("loop/*.csv"))[::6]]
    packed = sorted(drives.glob("commute/*.gz"))[::5]
    found += [("2018-02-14.csv", gzip.decompress(path.read_bytes())[:HEAD_BYTES]) for path in packed]
    return [*found, ("2018-02-14.csv.gz", gzip.compress(found[-1][1]))]


def columnar_seeds(folder: Path) -> list[tuple[str, bytes]]:
    import pyarrow as pa
    from pyarrow import parquet

    table = pa.table({"time": [float(i) for i in range(50)], "iat [degC]": [20.0 + i % 5 for i in range(50)]})
    parquet.write_table(table, folder / "seed.parquet")
    with pa.ipc.new_file(folder / "seed.arrow", table.schema) as file:
        file.write_table(table)
    return [(name, (folder / name).read_bytes()) for name in ("seed.parquet", "seed.arrow")]


def _flip(data: bytearray, r: random.Random) -> bytearray:
    for _ in range(r.choice([1, 3, 30])):
        data[r.randrange(len(data))] = r.randrange(256)
    return data


def _cut(data: bytearray, r: random.Random) -> bytearray:
    return data[: r.randrange(1, len(data))]


def _drop(data: bytearray, r: random.Random) -> bytearray:
    start = r.randrange(len(data))
    del data[start : start + r.choice([1, 10, 1000])]
    return data


def _repeat(data: bytearray, r: random.Random) -> bytearray:
    start = r.randrange(len(data))
    part = data[start : start + r.choice([5, 200, 5000])]
    return data[:start] + part * r.choice([2, 20]) + data[start:]


def _insert(data: bytearray, r: random.Random) -> bytearray:
    texts = [
        b'"', b"\0" * 8, b"\r", b"\n\n", b",,,", b";", b"\xff\xfe", "Â°".encode(), b"1e999", b"-", b"25:61:99", b"\t",
    ]  # fmt: skip
    for _ in range(r.choice([1, 5, 50])):
        at = r.randrange(len(data))
        data[at:at] = r.choice(texts)
    return data


def _shuffle(data: bytearray, r: random.Random) -> bytearray:
    lines = bytes(data).split(b"\n")
    r.shuffle(lines)
    return bytearray(b"\n".join(lines))


def _swap(data: bytearray, r: random.Random) -> bytearray:
    one, other = r.sample([b",", b";", b".", b":", b"-", b" ", b"\n", b"0", b"[", b"T"], 2)
    return bytearray(bytes(data).replace(one, other))


MUTATIONS: tuple[Callable[[bytearray, random.Random], bytearray], ...] = (
    _flip, _cut, _drop, _repeat, _insert, _shuffle, _swap,
)  # fmt: skip


def mutants(count: int, seed: int, sources: list[tuple[str, bytes]]) -> list[tuple[str, bytes]]:
    r = random.Random(seed)
    made = []
    for number in range(count):
        name, data = sources[number % len(sources)]
        changed = bytearray(data)
        for _ in range(r.choice([1, 1, 2, 4])):
            if changed:
                changed = r.choice(MUTATIONS)(changed, r)
        made.append((name, bytes(changed)))
    return made


def survive(folder: Path, made: list[tuple[str, bytes]]) -> tuple[int, int]:
    """Read each mutant; return how many were read and how many refused."""
    read = refused = 0
    for number, (name, data) in enumerate(made):
        path = folder / f"{number}_{name}"
        path.write_bytes(data)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error", RuntimeWarning)
                log = read_log(path)
                assert len(log.time) > 0
                assert all(len(column.values) == len(log.time) for column in log.columns)
                format_mapping(propose_mapping(log))
            read += 1
        except DataError as error:
            assert "\n" not in str(error)
            assert UNEXPECTED not in str(error), error
            refused += 1
        path.unlink()
    return read, refused


@pytest.mark.parametrize(
    ("count", "sources", "read", "refused"), [(28, "made", 5, 5), (32, "drives", 10, 0), (25, "capture", 5, -1)]
)
def test_a_few_mutants_are_read_or_refused(
    tmp_path: Path, request: pytest.FixtureRequest, count: int, sources: str, read: int, refused: int
) -> None:
    seeds = [CAPTURE] if sources == "capture" else MADE + columnar_seeds(tmp_path)
    if sources == "drives":
        seeds = heads(request.getfixturevalue("drives"))
    outcome = survive(tmp_path, mutants(count, 2 if sources == "capture" else 1, seeds))
    assert outcome[0] > read and outcome[1] > refused


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(10, 20))
def test_many_mutants_are_read_or_refused(tmp_path: Path, drives: Path, seed: int, part) -> None:
    number = part(400, 100)
    read, refused = survive(
        tmp_path, mutants(number, seed, [*MADE, CAPTURE, *heads(drives), *columnar_seeds(tmp_path)])
    )
    assert read > number / 8
    assert refused > number / 20


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

SIZE = 20_000_000


def _big(kind: str) -> tuple[str, bytes]:
    r = random.Random(3)
    header = b"time,IAT [degC],Speed [km/h]\n"
    if kind == "empty cells":
        row = b"0" + b"," * 9_999 + b"\n"
        return "a.csv", b"time," + b",".join(b"c%d" % i for i in range(9_999)) + b"\n" + row * (SIZE // len(row))
    if kind == "distinct words":
        return "a.csv", header + b"".join(b"%d,w%d,%d\n" % (i, r.getrandbits(40), i) for i in range(SIZE // 24))
    if kind == "ragged":
        return "a.csv", header + b"".join(b"%d,20\n" % i if i % 2 else b"%d,20,50\n" % i for i in range(SIZE // 12))
    if kind == "stray quotes":
        return "a.csv", header + b"".join(b'%d,"20,50\n' % i for i in range(SIZE // 13))
    if kind == "one line":
        return "a.csv", header + b"1,2," * (SIZE // 4)
    if kind == "short rows":
        return "a.csv", b"t,a\n" + b"1,2\n" * (SIZE // 4)
    if kind == "UTF-16":
        return "a.csv", (header + b"".join(b"%d,20.5,50\n" % i for i in range(SIZE // 26))).decode().encode("utf-16")
    if kind == "blanks":
        return "a.txt", b"time  iat  speed\n" + b"".join(b"%d   20.5    50\n" % i for i in range(SIZE // 20))
    line = b"(%d.%06d) can0 7E8#04410C%04X555555\n"
    return "a.log", b"".join(line % (1_700_000_000 + i // 100, i % 100 * 10_000, i % 65536) for i in range(SIZE // 45))


@pytest.mark.slow
@pytest.mark.parametrize(
    "kind",
    [
        "empty cells",
        "distinct words",
        "ragged",
        "stray quotes",
        "one line",
        "short rows",
        "UTF-16",
        "blanks",
        "capture",
    ],
)
def test_a_file_of_20_mb_takes_neither_2_gb_nor_long(tmp_path: Path, kind: str) -> None:
    name, data = _big(kind)
    path = tmp_path / name
    path.write_bytes(data)
    done = subprocess.run([sys.executable, "-c", _CHILD, str(path)], check=True, capture_output=True, text=True)
    result = json.loads(done.stdout)
    print(
        f"\n{kind}: {len(data) / 1e6:.0f} MB, {result['seconds']:.1f} s, {result['peak'] / 1e6:.0f} MB, {result['outcome']}"
    )
    assert result["peak"] < 2_000_000_000
    assert result["seconds"] < 30.0
