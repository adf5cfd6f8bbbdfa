"""Mutated logs: every one is read or refused in one sentence, soon, and within bounds of memory."""

import gzip
import random
import warnings
from pathlib import Path

import pyarrow as pa
import pytest
from loaders.support import capture, columnar, gpx, read_apart

from intake_report.errors import DataError
from intake_report.loaders import format_mapping, propose_mapping, read_log
from intake_report.loaders.run import UNEXPECTED

from .broken import GOOD, stamps

HEAD_BYTES = 60_000
CAPTURE = ("capture.log", capture(*["7E8#03410D50", "7E8#1009416801480000", "7E8#2100000000"] * 40))
MADE = [("made.csv", GOOD), ("track.gpx", gpx(stamps(60)))]


def heads(drives: Path) -> list[tuple[str, bytes]]:
    """Return heads of real drives to mutate."""
    found = [("loop.csv", path.read_bytes()[:HEAD_BYTES]) for path in sorted(drives.glob("loop/*.csv"))[::6]]
    packed = sorted(drives.glob("commute/*.gz"))[::5]
    found += [("2018-02-14.csv", gzip.decompress(path.read_bytes())[:HEAD_BYTES]) for path in packed]
    return [*found, ("2018-02-14.csv.gz", gzip.compress(found[-1][1]))]


def columnar_seeds(folder: Path) -> list[tuple[str, bytes]]:
    table = pa.table({"time": [float(i) for i in range(50)], "iat [degC]": [20.0 + i % 5 for i in range(50)]})
    return [(name, columnar(folder / name, table).read_bytes()) for name in ("seed.parquet", "seed.arrow")]


TEXTS = (b'"', b"\0" * 8, b"\r", b"\n\n", b",,,", b";", b"\xff\xfe", "Â°".encode(), b"1e999", b"-", b"25:61:99", b"\t")
SIGNS = (b",", b";", b".", b":", b"-", b" ", b"\n", b"0", b"[", b"T")


def mutated(data: bytes, r: random.Random) -> bytes:
    """Return the data with bytes flipped, its end cut off, a part dropped, repeated or inserted, lines or signs changed."""
    start = r.randrange(len(data))
    match r.choice(("flip", "cut", "drop", "repeat", "insert", "shuffle", "swap")):
        case "flip":
            changed = bytearray(data)
            for _ in range(r.choice([1, 3, 30])):
                changed[r.randrange(len(data))] = r.randrange(256)
            return bytes(changed)
        case "cut":
            return data[: max(start, 1)]
        case "drop":
            return data[:start] + data[start + r.choice([1, 10, 1000]) :]
        case "repeat":
            part = data[start : start + r.choice([5, 200, 5000])]
            return data[:start] + part * r.choice([2, 20]) + data[start:]
        case "insert":
            for _ in range(r.choice([1, 5, 50])):
                at = r.randrange(len(data))
                data = data[:at] + r.choice(TEXTS) + data[at:]
            return data
        case "shuffle":
            lines = data.split(b"\n")
            return b"\n".join(r.sample(lines, len(lines)))
        case _:
            return data.replace(*r.sample(SIGNS, 2))


def mutants(count: int, seed: int, sources: list[tuple[str, bytes]]) -> list[tuple[str, bytes]]:
    r = random.Random(seed)
    made = []
    for number in range(count):
        name, data = sources[number % len(sources)]
        for _ in range(r.choice([1, 1, 2, 4])):
            data = mutated(data, r) if data else data
        made.append((name, data))
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


@pytest.mark.parametrize("count, kind, read, bad", [(28, "made", 5, 5), (32, "drives", 10, 0), (25, "capture", 5, -1)])
def test_a_few_mutants_are_read_or_refused(tmp_path, request, count, kind, read, bad) -> None:
    seeds = [CAPTURE] if kind == "capture" else MADE + columnar_seeds(tmp_path)
    if kind == "drives":
        seeds = heads(request.getfixturevalue("drives"))
    outcome = survive(tmp_path, mutants(count, 2 if kind == "capture" else 1, seeds))
    assert outcome[0] > read and outcome[1] > bad


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(10, 20))
def test_many_mutants_are_read_or_refused(tmp_path: Path, drives: Path, seed: int, part) -> None:
    number = part(400, 100)
    sources = [*MADE, CAPTURE, *heads(drives), *columnar_seeds(tmp_path)]
    read, refused = survive(tmp_path, mutants(number, seed, sources))
    assert read > number / 8 and refused > number / 20


SIZE = 20_000_000


HEADER = b"time,IAT [degC],Speed [km/h]\n"
BIG = {  # head and rows
    "empty cells": (
        b",".join([b"time", *(b"c%d" % i for i in range(9_999))]) + b"\n",
        lambda i: b"0" + b"," * 9_999 + b"\n",
    ),
    "distinct words": (HEADER, lambda i: b"%d,w%d,%d\n" % (i, random.Random(i).getrandbits(40), i)),
    "ragged": (HEADER, lambda i: b"%d,20\n" % i if i % 2 else b"%d,20,50\n" % i),
    "stray quotes": (HEADER, lambda i: b'%d,"20,50\n' % i),
    "one line": (HEADER, lambda i: b"1,2,"),
    "short rows": (b"t,a\n", lambda i: b"1,2\n"),
    "UTF-16": (HEADER, lambda i: b"%d,20.5,50\n" % i),
    "blanks": (b"time  iat  speed\n", lambda i: b"%d   20.5    50\n" % i),
    "capture": (
        b"",
        lambda i: b"(%d.%02d) can0 7E8#04410C%04X555555\n" % (1_700_000_000 + i // 100, i % 100, i % 65536),
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", BIG)
def test_a_file_of_20_mb_takes_neither_2_gb_nor_long(tmp_path: Path, kind: str) -> None:
    head, row = BIG[kind]
    size = SIZE // 2 if kind == "UTF-16" else SIZE
    data = head + b"".join(map(row, range(size // len(row(1_000_000)))))
    path = tmp_path / ("a.log" if kind == "capture" else "a.csv")
    path.write_bytes(data.decode().encode("utf-16") if kind == "UTF-16" else data)
    result = read_apart(path)
    print(f"\n{kind}: {result}")
    assert result["peak"] < 2_000_000_000 and result["seconds"] < 30.0
