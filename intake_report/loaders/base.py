"""What a reader starts from, bytes and text, and what it hands over: columns of a log, channels of a run, notices."""

from __future__ import annotations

import codecs
import gzip
import lzma
import mmap
import os
import re
import stat
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from intake_report.errors import DataError, placed
from intake_report.messages import Count, Message, Part, message
from intake_report.units import conversion

Buffer = bytes | mmap.mmap
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
TimeKind = Literal["absolute", "clock", "elapsed"]

MEBIBYTE = 1 << 20

LIMIT_VARIABLE = "INTAKE_REPORT_LARGEST_LOG"
_LARGEST = 8 * 1024  # [MiB] of a log, unpacked: a week of a dozen channels at 100 Hz
_RATIO = 60.0  # text of numbers packs to a tenth, of a standing vehicle to a fiftieth (measured on drives)
_RATIO_FREE = 64 * MEBIBYTE  # below this any ratio is harmless
_MAP_ABOVE = 64 * MEBIBYTE
_SAMPLE = 256 * 1024
_KINDS = {b"PK\x03\x04": "zip", b"PK\x05\x06": "zip", b"\x1f\x8b": "gzip", b"\x28\xb5\x2f\xfd": "zstandard"}
COMPRESSED_SUFFIXES = (".gz", ".zip", ".zst")
_OFFICE_FILES = ("[Content_Types].xml", "mimetype", "META-INF/manifest.xml")
_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
# Choices of this package, as all shares below: of zero bytes in the one and the other half of UTF-16 text, signs (and their
# share) that may be unreadable in text of a stated encoding, and the least share of digits, delimiters and blanks in a log.
_ZEROS, _MOST_ZEROS, _LOST, _LOST_SHARE, _PLAIN = 0.7, 0.1, 16, 0.02, 0.1
_CONTROL = bytes(set(range(1, 32)) - {9, 10, 12, 13})


@dataclass(frozen=True)
class Notice:
    """Something that a reader noticed; it becomes an entry of the quality log."""

    code: str
    text: Message
    column: str | None = None  # the column or channel it concerns
    count: int | None = None  # rows or samples that it touches


def notice(code: str, template: str, column: str | None = None, count: Count | None = None, **values: Part) -> Notice:
    """Return a notice; ``{column}`` and ``{count}`` in its template are the column and the number with its noun."""
    if column is not None:
        values["column"] = column
    if count is not None:
        values["count"] = count
    return Notice(code, message(template, code, **values), column, None if count is None else count.number)


def converts(unit: str, quantity: str) -> tuple[float, float] | None:
    """Return scale and offset of a unit, see `units.conversion`; None where it does not measure the quantity."""
    try:
        return conversion(unit, quantity)
    except DataError:
        return None


@dataclass(frozen=True)
class ReadOptions:
    """How to read a log, where the file itself does not tell; everything absent is found from the file."""

    format: str | None = None  # "delimited", "parquet", "arrow", "mdf4", "candump" or "gpx"
    encoding: str | None = None  # this and the next three: of delimited text
    delimiter: str | None = None
    decimal: str | None = None
    header_line: int | None = None  # line of the column names, counted from 1; 0: the file has none
    time_column: str | None = None
    time_unit: str | None = None  # of a numeric time column: "s", "ms", "us", "ns", "min" or "h"
    date: date | None = None  # of the first sample of a log that holds only clock times
    day_first: bool | None = None  # whether 03/04/2025 is the third of April
    timezone: str | None = None  # IANA name for times without an offset; UTC is assumed, and said, when absent
    dbc: tuple[Path, ...] = ()  # databases that describe the frames of a CAN capture


@dataclass(frozen=True)
class RawColumn:
    """One column of a log as the file has it: `values` (n,) float64, NaN where there is no sample."""

    name: str  # without its unit
    unit: str | None  # as written in the file
    values: FloatArray = field(repr=False)
    header: str = ""  # the whole header, encoding repaired; name and unit when not given

    def __post_init__(self) -> None:
        if not self.header:
            object.__setattr__(self, "header", f"{self.name} [{self.unit}]" if self.unit else self.name)


@dataclass(frozen=True)
class RawLog:
    """What one file holds, before any meaning is given to it."""

    path: Path
    format: str
    time: FloatArray = field(repr=False)  # (n,) [s] from `origin`; may step backwards as in the file
    # UTC; without a date times count from the first midnight ("clock") or as written ("elapsed")
    origin: datetime | None
    columns: tuple[RawColumn, ...]
    notices: tuple[Notice, ...] = ()
    time_kind: TimeKind = "absolute"
    time_header: str = ""  # of the time column, where one column of a table holds it

    def column(self, name: str) -> RawColumn:
        """Return the column of that name or header; KeyError when there is none."""
        for column in self.columns:
            if name in (column.name, column.header):
                return column
        raise KeyError(name)


@dataclass(frozen=True)
class RunLog:
    """One run, mapped to channels in internal units, still uncleaned."""

    run: str
    # By "time" [s] from `start`, not yet monotone; NaN where there is no sample.
    frame: pd.DataFrame = field(repr=False)
    start: pd.Timestamp | None  # aware
    sources: tuple[Path, ...]
    notices: tuple[Notice, ...] = ()


def read_head(path: Path, size: int) -> tuple[bytes, bytes]:
    """Return the first bytes of a file as they are, and unpacked; DataError if it is no file or cannot be opened."""
    with _readable():
        _refuse_special(path)
        with path.open("rb") as file:
            head = file.read(size)
    try:
        with _unpacked(path, head) as stream:
            return head, bytes(stream.read(size))
    except (zlib.error, lzma.LZMAError, zipfile.BadZipFile, OSError, ValueError, RuntimeError, EOFError, DataError):
        return head, b"" if _kind(head) else head  # the reader that takes the file will say what is wrong with it


def open_bytes(path: Path) -> tuple[Buffer, tuple[Notice, ...]]:
    """Return the content of a file, unpacked, or mapped into memory where large; DataError if it cannot be had."""
    with _readable():
        size = _refuse_special(path)
        with path.open("rb") as file:
            head = file.read(4)
            if kind := _kind(head):
                return _expand(path, head, kind, expansion_limit(size))
            if size >= _MAP_ABOVE:
                return mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ), ()
            return head + file.read(), ()


def largest_log() -> int:
    """Return the most bytes that a log may hold, unpacked; DataError if the variable that raises it is no number."""
    stated = os.environ.get(LIMIT_VARIABLE, "")
    if stated and not stated.isdecimal():
        raise DataError(f"{LIMIT_VARIABLE} is “{stated}”.", remedy="Give a number of MiB, for example 16384.")
    return (int(stated) if stated else _LARGEST) * MEBIBYTE


def expansion_limit(compressed: int) -> int:
    """Return the most bytes that a file of that compressed size may expand to."""
    return min(largest_log(), max(_RATIO_FREE, int(compressed * _RATIO)))


def _refuse_special(path: Path) -> int:
    status = path.stat()
    if stat.S_ISDIR(status.st_mode):
        raise DataError("This is a folder, not a log.", remedy="Name the log files inside it.")
    if not stat.S_ISREG(status.st_mode):
        raise DataError("This is a pipe or a device, not a file.", remedy="Save the log to a file first.")
    if status.st_size > largest_log():
        size, limit = (f"{bytes_ / MEBIBYTE:,.0f} MiB" for bytes_ in (status.st_size, largest_log()))
        remedy = f"Cut the log, or raise the limit with the environment variable {LIMIT_VARIABLE} (in MiB)."
        raise DataError(f"The file is larger than a log may be ({size}): the limit is {limit}.", remedy=remedy)
    return status.st_size


@contextmanager
def _readable() -> Iterator[None]:
    try:
        yield
    except FileNotFoundError:
        raise DataError("There is no such file.", remedy="Check the name and the folder.") from None
    except OSError as error:
        raise DataError(f"The file cannot be read ({error.strerror or error}).") from None


def _kind(head: bytes) -> str:
    return next((kind for mark, kind in _KINDS.items() if head.startswith(mark)), "")


def _unpacked(path: Path, head: bytes) -> Any:
    kind = _kind(head)
    if kind == "gzip":
        return gzip.open(path)
    if kind == "zstandard":
        return pa.CompressedInputStream(pa.OSFile(str(path)), "zstd")
    if not kind:
        return path.open("rb")
    archive = zipfile.ZipFile(path)
    files = [info for info in archive.infolist() if not info.is_dir() and not Path(info.filename).name.startswith(".")]
    files = [info for info in files if "__MACOSX" not in info.filename]
    if any(info.filename in _OFFICE_FILES for info in files):
        raise DataError("This is an office document.", remedy="Save the sheet as delimited text.")
    if len(files) != 1:
        what = f"The zip archive holds {len(files)} files; one log is expected."
        raise DataError(what, remedy="Unpack it and name the parts of the run one by one.")
    if files[0].flag_bits & 1:
        raise DataError("The zip archive is encrypted.", remedy="Unpack it first.")
    return archive.open(files[0])


def _expand(path: Path, head: bytes, kind: str, limit: int) -> tuple[bytes, tuple[Notice, ...]]:
    content = bytearray()
    try:
        with _unpacked(path, head) as stream:
            while part := stream.read1(MEBIBYTE):
                content += part
                if len(content) > limit:
                    what = f"The compressed log expands to more than {limit / MEBIBYTE:.0f} MiB, which no log of its size does."
                    raise DataError(what, remedy="Unpack it by hand and look at what it holds.")
    # NotImplementedError is zipfile's answer to a method of compression that it does not know
    except (EOFError, NotImplementedError, zipfile.BadZipFile, zlib.error, lzma.LZMAError, OSError) as error:
        if isinstance(error, OSError) and error.errno is not None:
            raise  # a system call failed; of content, gzip, bz2 and Arrow raise it without a number
        if not (isinstance(error, EOFError) and content and kind == "gzip"):
            what = f"The {kind} archive is damaged, or packed by a method that cannot be read."
            raise DataError(what, remedy="Copy the log from the logger again, or unpack it.") from error
        template = "The compressed file {file} ends before its archive does; {bytes} bytes of text could be read."
        return bytes(content), (notice("truncated-archive", template, file=path.name, bytes=len(content)),)
    return bytes(content), ()


def to_utf8(data: Buffer, encoding: str | None = None) -> tuple[Buffer, int, tuple[Notice, ...]]:
    """Return the text of a log as UTF-8 bytes (the same object when it already was) and where it starts; DataError if it is none."""
    notices: list[Notice] = []
    head = bytes(data[:_SAMPLE])
    marks = ((len(m), n) for m, n in _BOMS if head.startswith(m) and not (len(m) == 4 and len(head) % 4))
    mark, found = next(marks, (0, None))
    chosen = encoding or found or _wide_without_mark(head)
    try:
        codec = codecs.lookup(chosen or "utf-8").name
    except LookupError:
        what = f"There is no text encoding “{chosen}”."
        raise DataError(what, remedy='Use for example "utf-8" or "latin-1".') from None
    if chosen is not None and codec not in ("utf-8", "ascii"):
        text = bytes(data[mark:]).decode(chosen, "replace")
        lost, plain = text.count("\ufffd"), sum(text.count(sign) for sign in "0123456789.,;\t\n\r -")
        if lost > max(_LOST, _LOST_SHARE * len(text)) or plain < _PLAIN * len(text):
            raise DataError(f"The file is not {chosen} text.", remedy="Leave the encoding out to have it found.")
        text = text.replace("\ufffd", "?")
        if lost:
            count = Count(lost, "character")
            notices.append(notice("encoding-errors", "{count} could not be read as {name}.", count=count, name=chosen))
        if found is None and encoding is None:
            notices.append(notice("encoding-found", "The text is {name} without a byte-order mark.", name=chosen))
        data, mark = text.encode("utf-8", "replace"), 0
    else:
        _refuse_binary(head[mark:], len(data))
        if chosen is None:
            data, mark = _repaired(data, head, mark, notices)
    first = data.find(b"\0")
    if first >= 0:
        if isinstance(data, mmap.mmap):  # a file that large is not copied to be repaired
            what = f"The file holds zero bytes, which are no text, from byte {first:,} on."
            raise DataError(what, remedy="Remove them in a copy, or copy the log from the logger again.")
        count = Count(data.count(b"\0"), "NUL byte")
        notices.append(notice("nul-bytes", "{count} removed from the text.", count=count))
        data = data.replace(b"\0", b"")
    return data, mark, tuple(notices)


def read_text(path: Path) -> str:
    """Return the text of a small file, unpacked, in whatever encoding it is; DataError as `open_bytes` and `to_utf8`."""
    with placed(file=path):
        text, start, _ = to_utf8(open_bytes(path)[0])
    return bytes(text[start:]).decode("utf-8", "replace")


def _wide_without_mark(head: bytes) -> str | None:
    """Recognise UTF-16 without a mark: every other byte of plain text is zero."""
    even, odd = head[0::2], head[1::2]
    for name, zero, other in (("utf-16-le", odd, even), ("utf-16-be", even, odd)):
        if len(head) >= 8 and zero.count(0) > _ZEROS * len(zero) and other.count(0) < _MOST_ZEROS * len(other):
            return name
    return None


def _repaired(data: Buffer, head: bytes, start: int, notices: list[Notice]) -> tuple[Buffer, int]:
    """Read text that is not valid UTF-8: damaged UTF-8 when most of its signs are, else Windows-1252."""
    whole = bytes(data) if len(data) <= _MAP_ABOVE else head
    with suppress(UnicodeDecodeError):
        if whole.isascii() or codecs.getincrementaldecoder("utf-8")().decode(whole):
            return data, start
    data = bytes(data[start:])
    text = data.decode("utf-8", "replace")
    bad = text.count("\ufffd")
    if sum(sign > "\x7f" for sign in text if sign != "\ufffd") >= bad:
        notices.append(notice("encoding-errors", "{count} could not be read as UTF-8.", count=Count(bad, "sign")))
    else:
        notices.append(notice("encoding-found", "The text is not UTF-8; it was read as Windows-1252 (Latin-1)."))
        text = data.decode("cp1252", "replace")
    return text.replace("\ufffd", "?").encode("utf-8"), 0


def _refuse_binary(head: bytes, size: int) -> None:
    if re.match(rb"\s*<(!doctype html|html)", head[:512], re.IGNORECASE):
        raise DataError("This is a web page, not a log.", remedy="Download the log itself.")
    head = head.rstrip(b"\0")  # a logger that loses power leaves the rest of its last block zero
    if not head.strip(b"\0 \t\r\n"):
        raise DataError("The file is empty." if not size else "The file holds no text.")
    control = len(head) - len(head.translate(None, _CONTROL))
    if control > max(2, len(head) // 100) or head.count(0) > len(head) // 3:
        what = "The file is not text and has no known signature."
        raise DataError(what, remedy="Export the log as delimited text, Parquet, MDF 4 or GPX.")
