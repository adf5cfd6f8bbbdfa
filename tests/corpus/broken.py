"""Broken logs, made by code: each with what must come of it.

A case is either *read*, with the notices that must be among those of the log, or *refused* with one sentence that
holds a given text.
"""

import gzip
import io
import random
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
from loaders.support import capture, gpx
from pyarrow import parquet

from intake_report.loaders import ReadOptions

HEAD = "Time [s],Intake Air Temperature [°C],Vehicle Speed [km/h]\n"


@dataclass(frozen=True)
class Case:
    """One broken log: its name, its bytes, and what must come of it."""

    name: str
    content: Callable[[], bytes]
    notices: tuple[str, ...] | None = None  # read, with these codes
    refusal: str | None = None  # refused, with this text
    file: str = "log.csv"
    options: ReadOptions = field(default_factory=ReadOptions)
    rows: int | None = None
    absent: tuple[str, ...] = ()  # codes that must not be there


def good(rows: int = 50, line_end: str = "\n", step: float = 1.0) -> str:
    """Return a sound log."""
    return HEAD + "".join(f"{i * step:g},{20 + i % 7}.5,{(i * 3) % 90}{line_end}" for i in range(rows))


def _clock(rows: int, first: int, step: int = 1) -> str:
    body = "".join(
        f"{(first + i * step) // 3600 % 24:02d}:{(first + i * step) // 60 % 60:02d}:{(first + i * step) % 60:02d},{i % 9},50\n"
        for i in range(rows)
    )
    return "Time,IAT [degC],Speed [km/h]\n" + body


def _dates(texts: list[str]) -> bytes:
    return ("Date time,IAT [degC]\n" + "".join(f"{text},{i}\n" for i, text in enumerate(texts))).encode()


def _seconds(day: str, start: int, count: int = 20) -> list[str]:
    return [f"{day} 10:{start // 60:02d}:{(start + i) % 60:02d}" for i in range(count)]


def _zip(**members: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name.replace("__", "."), data)
    return buffer.getvalue()


def _bomb() -> bytes:
    squeeze = zlib.compressobj(9, zlib.DEFLATED, 31)
    chunk = (b"1,20.5,50\n" * 104858)[: 1 << 20]
    return squeeze.compress(HEAD.encode()) + b"".join(squeeze.compress(chunk) for _ in range(80)) + squeeze.flush()


def _zstd(data: bytes) -> bytes:
    return bytes(pa.compress(data, codec="zstd", asbytes=True))


def _lines(text: str, **changes: str) -> bytes:
    """Return the text with lines replaced: l5="..." replaces line 5."""
    lines = text.splitlines(keepends=True)
    for key, line in changes.items():
        lines[int(key[1:]) - 1] = line
    return "".join(lines).encode()


def _noise() -> bytes:
    return random.Random(1).randbytes(20_000)


def stamps(count: int = 5) -> list[str]:
    return [f"2025-05-02T10:00:{i:02d}Z" for i in range(count)]


def _parquet(**columns: list[object]) -> bytes:
    buffer = io.BytesIO()
    parquet.write_table(pa.table(columns), buffer)
    return buffer.getvalue()


def _rows(row: Callable[[int], str], head: str = HEAD) -> Callable[[], bytes]:
    """Return what makes a log of 50 rows below a head."""
    return lambda: (head + "".join(f"{row(i)}\n" for i in range(50))).encode()


def _damage(data: bytes) -> bytes:
    middle = len(data) // 2
    return data[:middle] + b"\xff" * 64 + data[middle + 64 :]


GOOD = good().encode()
BODY = GOOD[len(HEAD.encode()) :]
ZEROS = np.zeros(5_000_000)

CASES: tuple[Case, ...] = (
    # Nothing, or nothing that is a log
    Case("empty", lambda: b"", refusal="empty"),
    Case("blank lines only", lambda: b"\n\n  \n\r\n", refusal="no text"),
    Case("one newline", lambda: b"\n", refusal="no text"),
    Case("header only", HEAD.encode, refusal="no row of data"),
    Case("header without line end", HEAD.strip().encode, refusal="no row of data"),
    Case("binary noise", _noise, refusal="not text"),
    Case("zero bytes only", lambda: bytes(5000), refusal="no text"),
    Case("prose", lambda: b"This is a letter.\nIt holds no table.\n" * 20, refusal="No delimiter"),
    Case("picture", lambda: b"\x89PNG\r\n\x1a\n" + _noise(), refusal="not text"),
    Case("page of the web", lambda: b"<!DOCTYPE html>\n<html>\n<body>\n<p>Not found</p>\n" * 5, refusal="web page"),
    Case("office document", lambda: _zip(**{"[Content_Types]__xml": b"<x/>", "sheet__xml": b"<x/>"}), refusal="office"),
    Case("one number per line", lambda: b"1\n2\n3\n4\n5\n", refusal="No delimiter"),
    Case("one endless line", lambda: b"1,2,3," * 500_000, refusal="line is longer"),
    Case("endless line further down", lambda: GOOD + b"9" * 9_000_000 + b"\n" + b"51,20,3\n", notices=()),
    # Compression
    Case("truncated gzip", lambda: gzip.compress(good(5000).encode())[:-2000], ("truncated-archive",), file="log.csv.gz"),
    Case("gzip header only", lambda: gzip.compress(GOOD)[:12], refusal="damaged", file="log.csv.gz"),
    Case("gzip with damaged middle", lambda: _damage(gzip.compress(good(5000).encode())), refusal="damaged", file="l.gz"),
    Case("gzip of nothing", lambda: gzip.compress(b""), refusal="empty", file="log.csv.gz"),
    Case("two gzip members", lambda: gzip.compress(GOOD) + gzip.compress(b"50,20.5,3\n"), (), file="log.csv.gz", rows=51),
    Case("gzip twice", lambda: gzip.compress(gzip.compress(GOOD)), refusal="not text", file="log.csv.gz"),
    Case("gzip bomb", _bomb, refusal="expands to more than", file="log.csv.gz"),
    Case("zip bomb", lambda: _zip(log__csv=HEAD.encode() + b"1,20.5,50\n" * 8_000_000), refusal="expands", file="l.zip"),
    Case("zstandard bomb", lambda: _zstd(HEAD.encode() + b"1,20.5,50\n" * 8_000_000),
         refusal="expands to more than", file="log.csv.zst"),
    Case("zip of several logs", lambda: _zip(a__csv=GOOD, b__csv=GOOD), refusal="holds 2 files", file="l.zip"),
    Case("zip of nothing", lambda: _zip(), refusal="holds 0 files", file="l.zip"),
    Case("zip by an unknown method", lambda: _zip(log__csv=GOOD).replace(b"\0\0\x08\0", b"\0\0\x61\0"), refusal="packed by a method", file="l.zip"),
    Case("truncated zip", lambda: _zip(log__csv=GOOD)[:-30], refusal="damaged", file="l.zip"),
    Case("truncated zstandard", lambda: _zstd(GOOD)[:-20], refusal="damaged", file="l.csv.zst"),
    Case("plain text named gz", lambda: GOOD, (), file="log.csv.gz", rows=50),
    # Encodings
    Case("byte-order mark", lambda: b"\xef\xbb\xbf" + GOOD, (), rows=50, absent=("encoding-found",)),
    Case("UTF-16 with mark", lambda: good().encode("utf-16"), (), rows=50),
    Case("UTF-16 without mark", lambda: good().encode("utf-16-le"), ("encoding-found",), rows=50),
    Case("UTF-16 big-endian, odd byte lost", lambda: good().encode("utf-16-be")[:-1], ("encoding-found",)),
    Case("Latin-1", lambda: good().encode("latin-1"), ("encoding-found",), rows=50),
    Case("Latin-1 said to be UTF-16", lambda: good().encode("latin-1"), refusal="not utf-16",
         options=ReadOptions(encoding="utf-16-le")),
    Case("unknown encoding", lambda: GOOD, refusal="no text encoding", options=ReadOptions(encoding="klingon")),
    Case("degree sign encoded twice", lambda: good().replace("°", "Â°").encode(), ("doubly-encoded",), rows=50),
    Case("NUL bytes", lambda: GOOD.replace(b"20.5", b"20\0.5", 3), ("nul-bytes",), rows=50),
    Case("NUL-filled end", lambda: GOOD + bytes(4096), ("nul-bytes",), rows=50),
    Case("bad byte in a cell", lambda: GOOD.replace(b"21.5", b"2\xff.5", 1), ("encoding-errors", "text-cells"), rows=50),
    # Table shape
    Case("ragged rows", lambda: _lines(good(), l5="3,20.5\n", l9="7\n"), ("ragged-rows",), rows=50),
    Case("rows too long", lambda: _lines(good(), l5="3,20.5,40,extra\n"), ("long-rows",), rows=49),
    Case("no line end at the end", lambda: GOOD[:-1], (), rows=50),
    Case("last row cut inside a field", lambda: good().rstrip().rsplit(",", 1)[0].encode(), ("cut-row",), rows=49),
    Case("trailing delimiter", lambda: good().replace("\n", ",\n").encode(), (), rows=50),
    Case("trailing delimiter in rows only", lambda: HEAD.encode() + BODY.replace(b"\n", b",\n"), (), rows=50),
    Case("mixed line ends", lambda: good(25).encode() + good(50, "\r\n")[len(HEAD):].encode(), (), rows=75),
    Case("carriage returns only", lambda: good().replace("\n", "\r").encode(), (), rows=50),
    Case("blank lines between", lambda: good().replace("\n", "\n\n").encode(), (), rows=50),
    Case("no header", lambda: BODY, ("no-header",), rows=50),
    Case("preamble", lambda: b"Recorder 7\nDate: 2025-05-02\n\n" + GOOD, (), rows=50),
    Case("header again in the middle", lambda: GOOD + GOOD, ("rows-without-time", "text-cells"), rows=100),
    Case("units row", lambda: b"time,iat,speed\ns,degC,km/h\n" + BODY, (), rows=50),
    Case("commas before the units", lambda: "Time, s,IAT, °C,Speed, km/h\n".encode() + BODY, (), rows=50),
    Case("more names than fields", lambda: b"Time [s],IAT,Gear,Speed\n" + BODY, refusal="3 fields under 4 column names"),
    Case("10,000 columns", lambda: ("time," + ",".join(f"c{i}" for i in range(10_000)) + "\n"
         + "".join(f"{t}," + ",".join(["1"] * 10_000) + "\n" for t in range(20))).encode(), (), rows=20),
    Case("line ends lost", lambda: GOOD.replace(b"\n", b" "), refusal="no row of data"),
    Case("30,000 fields", lambda: b"9," * 30_000 + b"\n", refusal="more than any log"),
    Case("two columns with one name", lambda: b"time,IAT [degC],IAT [degC]\n" + BODY, ("repeated-column",), rows=50),
    Case("stray quotation mark", lambda: GOOD.replace(b"21.5", b'"21.5', 1), ("stray-quotes",), rows=50),
    Case("unclosed quotation marks", lambda: GOOD.replace(b"21.5", b'"21.5', 2), ("stray-quotes",), rows=50),
    Case("delimiter changes", lambda: GOOD + BODY.replace(b",", b";"), refusal="50 of 100 times"),
    # Numbers
    Case("decimal comma with semicolon", lambda: good().replace(",", ";").replace(".", ",").encode(), (), rows=50),
    Case("decimal comma with comma delimiter", _rows(lambda i: f"{i},0,2{i % 9},5,3{i % 7},1"),
         refusal="both the delimiter and the decimal sign"),
    Case("decimal comma in quotes", _rows(lambda i: f'{i},"2{i % 9},5",4'), (), rows=50),
    Case("all NaN", _rows(lambda i: f"{i},NaN,nan"), (), rows=50),
    Case("all empty", _rows(lambda i: f"{i},,"), (), rows=50),
    Case("infinite values", lambda: _lines(good(), l7="5,inf,40\n", l8="6,20,-inf\n"), ("infinite",), rows=50),
    Case("words between numbers", lambda: _lines(good(), l7="5,overflow,40\n"), ("text-cells",), rows=50),
    Case("mixed units in one column", _rows(lambda i: f"{i},20.5 {'°C' if i < 40 else '°F'},50"), ("mixed-units",), rows=50),
    Case("units behind numbers", _rows(lambda i: f"{i},20.5 °C,50 km/h"), (), rows=50),
    Case("only words", _rows(lambda i: f"{i},cold,slow"), refusal="No table of numbers"),
    Case("column of words", _rows(lambda i: f"{i},20,neutral", "time,IAT [degC],gear\n"), ("text-columns",), rows=50),
    Case("numbers of 400 digits", lambda: _lines(good(), l7=f"5,{'9' * 400},40\n"), ()),
    # Time
    Case("no time column", lambda: good().replace("Time [s]", "Gear").encode(), refusal="No time column"),
    Case("time column that is absent", lambda: GOOD, refusal="Did you mean", options=ReadOptions(time_column="Tim [s]")),
    Case("empty time column", _rows(lambda i: f",{i},5"), refusal="No time column"),
    Case("clock running backwards", _rows(lambda i: f"{50 - i},20,5"), (), rows=50),
    Case("some rows without time", lambda: GOOD.replace(b"\n7,", b"\n,"), ("rows-without-time",), rows=49),
    Case("clock past midnight", lambda: _clock(60, 86370).encode(), ("midnight", "date-elsewhere"), file="2025-05-02.csv"),
    Case("clock without any date", lambda: _clock(60, 36000).encode(), (), rows=60),
    Case("clock of 25 hours", lambda: _clock(60, 36000).replace("10:00:05", "25:61:05").encode(), ("rows-without-time",), rows=59),
    Case("day or month first", lambda: _dates(_seconds("03/04/2025", 0)), refusal="day first or month first"),
    Case("day first", lambda: _dates(_seconds("23/04/2025", 0)), ("date-order",)),
    Case("day first, then month first", lambda: _dates(_seconds("23/04/2025", 0) + _seconds("04/23/2025", 20)),
         refusal="day first in some rows"),
    Case("day first by file name", lambda: _dates(_seconds("03/04/2025", 0)), ("date-order",), file="run_2025-04-03.csv"),
    Case("30 February", lambda: _dates(_seconds("2025-02-30", 0)), refusal="No date in"),
    Case("year 1899", lambda: _dates(_seconds("1899-12-30", 0)), refusal="no date of a vehicle log"),
    Case("far future", lambda: _dates(_seconds("2199-01-01", 0)), refusal="no date of a vehicle log"),
    Case("clock of the logger years ahead", lambda: _dates(_seconds("2031-05-02", 0)), ("date-differs",),
         file="run_2025-05-02.csv"),
    Case("logger's clock never set", lambda: _dates(_seconds("1970-01-01", 0)), refusal="no date of a vehicle log"),
    Case("milliseconds without a unit", _rows(lambda i: f"{i * 100},20", "time,IAT [degC]\n"), refusal="State it"),
    Case("epoch in milliseconds", _rows(lambda i: f"{1_746_180_000_000 + i * 100},2", "time,IAT [degC]\n"), ("epoch-time",), rows=50),
    Case("dates without time of day", lambda: b"date,IAT [degC]\n" + b"2025-05-02,20\n" * 20, refusal="No time column"),
    # Other formats
    Case("truncated Parquet", lambda: _parquet(time=[0.0, 1.0], iat=[1.0, 2.0])[:-10], refusal="damaged", file="l.parquet"),
    Case("Parquet without rows", lambda: _parquet(time=[], iat=[]), refusal="no row", file="l.parquet"),
    Case("Parquet of words", lambda: _parquet(time=[0.0, 1.0], gear=["a", "b"]), refusal="holds numbers", file="l.parquet"),
    Case("Parquet bomb", lambda: _parquet(time=ZEROS, iat=ZEROS), refusal="expands to", file="l.parquet"),
    Case("damaged Arrow file", lambda: b"ARROW1\0\0" + _noise(), refusal="damaged", file="l.arrow"),
    Case("damaged MDF", lambda: b"MDF     4.10    " + _noise(), refusal="damaged", file="l.mf4"),
    Case("cut MDF", lambda: b"MDF     4.10    ", refusal="damaged", file="l.mf4"),
    Case("GPX without points", lambda: gpx([]), refusal="no track points", file="t.gpx"),
    Case("GPX without times", lambda: gpx([""] * 5), refusal="no time", file="t.gpx"),
    Case("GPX cut", lambda: gpx(stamps())[:-60], refusal="not well-formed", file="t.gpx"),
    Case("GPX with entities", lambda: b'<!DOCTYPE x [<!ENTITY a "b">]>' + gpx(stamps()), refusal="entities", file="t.gpx"),
    Case("capture without answers", lambda: capture("123#0011", "456#22"), refusal="None of the 2 frames", file="c.log"),
    Case("capture with broken lines", lambda: capture("7E8#03410D50", "7E8#0341", "xyz") + b"(17000",
         ("malformed-lines",), file="c.log"),
    Case("capture with a missing frame", lambda: capture("7E8#03410D50", "7E8#1009416801480000", "7E8#2200000000"),
         ("incomplete-answers",), file="c.log"),
    Case("capture with negative answers", lambda: capture("7E8#037F0112", "7E8#03410D50"), ("negative-answers",),
         file="c.log", rows=1),
    Case("text said to be Parquet", lambda: GOOD, refusal="damaged", options=ReadOptions(format="parquet")),
)  # fmt: skip
