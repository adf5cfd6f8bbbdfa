"""Delimited text logs, with pyarrow's CSV reader as the fast path."""

from __future__ import annotations

import mmap
import re
from collections.abc import Callable, Sequence
from itertools import accumulate
from pathlib import Path
from typing import TYPE_CHECKING

from intake_report.errors import DataError
from intake_report.loaders.base import MEBIBYTE, Notice, RawLog, ReadOptions, plural
from intake_report.loaders.compression import Buffer, open_bytes
from intake_report.loaders.dialect import MISSING, SAMPLE_LINES, Dialect, find_dialect
from intake_report.loaders.encoding import to_utf8
from intake_report.loaders.ragged import repair_rows, single_blanks
from intake_report.loaders.table import log_of_table

if TYPE_CHECKING:
    import pyarrow as pa

_SAMPLE = MEBIBYTE
_SMALL_SAMPLE = MEBIBYTE // 16
_ENOUGH_LINES = 60
_ODD_QUOTES = re.compile(rb'^[^"\r\n]*"(?:[^"\r\n]*"[^"\r\n]*")*[^"\r\n]*(?=[\r\n]|\Z)', re.MULTILINE)
_BLOCK = 4 * MEBIBYTE
_RAGGED_ENOUGH = 100
_RELEASE_ABOVE = 64 * MEBIBYTE


class DelimitedReader:
    """Reader of delimited text: any delimiter, encoding, decimal sign and header position."""

    name = "delimited"
    suffixes: Sequence[str] = (".csv", ".txt", ".tsv", ".log", ".dat", ".asc")

    def recognises(self, head: bytes) -> bool:  # noqa: ARG002 - text has none
        """Text has no signature; the registry falls back on this reader."""
        return False

    def read(self, path: Path, options: ReadOptions) -> RawLog:
        """Read one log.

        Parameters
        ----------
        path : Path
            Plain, gzip, zip or zstandard.
        options : ReadOptions
            What the file does not tell.

        Raises
        ------
        DataError
            If it is no table, or could only be read by guessing.
        """
        data, packed = open_bytes(path, options)
        return read_text(data, path, options, packed)


def read_text(data: Buffer, path: Path, options: ReadOptions, packed: tuple[Notice, ...] = ()) -> RawLog:
    """Read a log from bytes already in memory; see `DelimitedReader.read`."""
    text, start, _, decoded = to_utf8(data, path, options.encoding)
    limit = SAMPLE_LINES + (options.header_line or 0)
    lines, offsets, whole = _sample_lines(text, start, path, limit)
    dialect = find_dialect(lines, path, options, whole=whole)
    columns, parsed = _read_table(text, offsets[dialect.data_line], dialect, path)
    return log_of_table(columns, dialect, path, "delimited", options, (*packed, *decoded, *dialect.notices, *parsed))


def _sample_lines(text: Buffer, start: int, path: Path, limit: int) -> tuple[list[str], list[int], bool]:
    """Return the first lines, the byte offset of each, and whether they are all."""
    for size in (_SMALL_SAMPLE, _SAMPLE):
        whole = len(text) <= start + size
        pieces = bytes(text[start : start + size]).splitlines(keepends=True)
        if not whole and len(pieces) > 1:
            pieces.pop()  # the last may be cut
        if whole or len(pieces) >= (_ENOUGH_LINES if limit == SAMPLE_LINES else limit):
            break
    if not whole and len(pieces) < 2:
        raise DataError(
            f"The first line is longer than {_SAMPLE // MEBIBYTE} MiB.",
            file=path,
            where="line 1",
            remedy="Check that the file is a log with one row per line.",
        )
    offsets = [start, *(start + end for end in accumulate(map(len, pieces)))]
    lines = [piece.rstrip(b"\r\n").decode("utf-8", "replace") for piece in pieces[:limit]]
    return lines, offsets, whole and len(pieces) <= limit


def _read_table(
    text: Buffer, offset: int, dialect: Dialect, path: Path
) -> tuple[list[pa.ChunkedArray], tuple[Notice, ...]]:
    """Parse the rows; a second pass repairs rows of another width when there are any."""
    import pyarrow as pa

    text, offset, quotes, unpaired = _pair_quotes(text, offset)
    notices: list[Notice] = []
    body = pa.py_buffer(text).slice(offset)
    if dialect.delimiter == " ":
        body = pa.py_buffer(single_blanks(body))
    if isinstance(text, mmap.mmap) and dialect.delimiter != " ":
        text.madvise(mmap.MADV_DONTNEED)  # pages seen so far; the parser reads the file block by block instead
        columns, ragged = _parse(lambda: _file_from(path, offset), body.size, dialect, path, quotes=quotes)
    else:
        columns, ragged = _parse(lambda: pa.BufferReader(body), body.size, dialect, path, quotes=quotes)
    if ragged:
        columns.clear()
        repaired, notices = repair_rows(body, dialect, len(dialect.headers))
        columns, _ = _parse(
            lambda: pa.BufferReader(pa.py_buffer(repaired)), len(repaired), dialect, path, quotes=quotes
        )
    if not columns or len(columns[0]) == 0:
        raise DataError("The log has column names but no row of data.", file=path)
    return columns, (*unpaired, *notices)


def _file_from(path: Path, offset: int) -> pa.NativeFile:
    import pyarrow as pa

    file = pa.OSFile(str(path))
    file.seek(offset)
    return file


def _parse(
    source: Callable[[], pa.NativeFile], size: int, dialect: Dialect, path: Path, *, quotes: bool
) -> tuple[list[pa.ChunkedArray], int]:
    """Return the columns and how many rows of another width were passed over."""
    import pyarrow as pa
    from pyarrow import csv

    ragged = 0

    def skip(_row: object) -> str:
        nonlocal ragged
        ragged += 1
        return "skip" if ragged < _RAGGED_ENOUGH else "error"  # enough to know that the rows need repair

    block = _BLOCK
    while True:
        ragged = 0
        try:
            table = csv.read_csv(
                source(),
                read_options=csv.ReadOptions(
                    column_names=[str(index) for index in range(len(dialect.headers))], block_size=block
                ),
                parse_options=csv.ParseOptions(
                    delimiter=dialect.delimiter, invalid_row_handler=skip, quote_char='"' if quotes else False
                ),
                convert_options=csv.ConvertOptions(
                    null_values=list(MISSING),
                    strings_can_be_null=True,
                    decimal_point=dialect.decimal,
                    true_values=["true", "True", "TRUE", "on", "On", "ON", "yes", "Yes", "YES"],
                    false_values=["false", "False", "FALSE", "off", "Off", "OFF", "no", "No", "NO"],
                ),
            )
        except pa.ArrowInvalid as error:
            if ragged >= _RAGGED_ENOUGH:
                return [], ragged
            if "straddl" in str(error) and block < size:
                block = min(block * 16, size + 1, 1 << 30)
                continue
            raise DataError(
                f"The text cannot be parsed as a table ({str(error).splitlines()[0][:120]}).",
                file=path,
                remedy="Open it in a text editor and look for an unclosed quotation mark or an endless line.",
            ) from error
        if table.nbytes > _RELEASE_ABOVE:
            pa.default_memory_pool().release_unused()  # the parser's own needs, as much again as the table
        return list(table.columns), ragged


def _pair_quotes(text: Buffer, start: int) -> tuple[Buffer, int, bool, tuple[Notice, ...]]:
    """Remove quotation marks of lines where they cannot be paired: one would swallow the lines behind it.

    Returns
    -------
    text : bytes or mmap
    start : int
        Where the rows begin in it.
    quotes : bool
        Whether quotes are in use.
    notices : tuple of Notice
    """
    if text.find(b'"', start) < 0:
        return text, start, False, ()
    if _ODD_QUOTES.search(text, start) is None:
        return text, start, True, ()
    count = 0

    def strip(match: re.Match[bytes]) -> bytes:
        nonlocal count
        count += 1
        return match.group().replace(b'"', b"")

    repaired = _ODD_QUOTES.sub(strip, bytes(text[start:]))
    note = Notice("stray-quotes", f"{plural(count, 'line')} with an unpaired quotation mark repaired.", count=count)
    return repaired, 0, b'"' in repaired, (note,)
