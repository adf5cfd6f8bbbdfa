"""Delimited text: logs, with pyarrow's CSV reader as the fast path, and the small tables of bench and dyno."""

import mmap
import re
from collections.abc import Callable, Mapping
from itertools import islice
from pathlib import Path

import numpy as np
import pyarrow as pa
from pyarrow import csv

from intake_report.errors import DataError, placed
from intake_report.loaders import base
from intake_report.loaders.base import Buffer, FloatArray, Notice, RawLog, ReadOptions, notice
from intake_report.loaders.columnar import log_of_table, number_of_cell
from intake_report.loaders.dialect import MISSING, SAMPLE_LINES, Dialect, find_dialect, split_line
from intake_report.loaders.times import to_float
from intake_report.messages import Count, said
from intake_report.units import to_internal

_SAMPLE = base.MEBIBYTE
_LINES = re.compile(rb"[^\r\n]*(?:\r\n?|\n)|[^\r\n]+")
_ODD_QUOTES = re.compile(rb'^[^"\r\n]*"(?:[^"\r\n]*"[^"\r\n]*")*[^"\r\n]*(?=[\r\n]|\Z)', re.MULTILINE)
_LARGEST_BLOCK = 1024 * base.MEBIBYTE
_RAGGED_ENOUGH = 100
_RELEASE_ABOVE = 64 * base.MEBIBYTE
_TRUE, _FALSE = ("true True TRUE on On ON yes Yes YES", "false False FALSE off Off OFF no No NO")
_TARGET = re.compile(r"^\s*([a-z_]+)\s*\[\s*([^\]]+?)\s*\]\s*$")
_ROW_FAULTS = {
    "short": ("ragged-rows", "{count} with too few fields filled up with empty ones (first: line {line})."),
    "long": ("long-rows", "{count} with too many fields left out (first: line {line})."),
    "cut": ("cut-row", "{count} cut at the end of the file left out (first: line {line})."),
}


def read(path: Path, options: ReadOptions) -> RawLog:
    """Read one log of any delimiter, encoding, decimal sign and header position; DataError rather than a guess."""
    data, packed = base.open_bytes(path)
    columns, dialect, notices = _table(data, options, path)
    return log_of_table(columns, dialect, path, "delimited", options, (*packed, *notices))


def read_columns(path: Path, columns: Mapping[str, str], known: Mapping[str, str]) -> dict[str, FloatArray]:
    """Read declared columns (n,) of a small table, in internal units, NaN for empty fields; nothing in it is repaired.

    `path`: delimited text with one line of column names; lines that begin with # are comments; `columns`: their header to
    "name [unit]", empty where the headers themselves have that form; `known`: names that can be asked for, and quantities.
    DataError: a header that is not there, a field that is no number, an unknown name or unit.
    """
    with placed(file=path):
        data, _ = base.open_bytes(path)
        table, dialect, notices = _table(re.sub(rb"(?m)^#.*$", b"", bytes(data)), ReadOptions(), path)
        faults = {code for code, _ in _ROW_FAULTS.values()}
        for fault in notices:
            if fault.code in faults:
                raise DataError(said(fault.text, "si"), remedy="Export the table again.")
        wanted = dict(columns) or {header: header for header in dialect.headers if _TARGET.match(header)}
        if not wanted:
            raise DataError("No column is mapped.", remedy='Map headers, as in "RPM" = "rpm [rpm]".')
        result: dict[str, FloatArray] = {}
        for header, target in wanted.items():
            match = _TARGET.match(target)
            if match is None or match[1] not in known:
                what = f"'{target}' is not a column of this table."
                raise DataError(what, where=header, remedy=f'Write "name [unit]" with one of {", ".join(known)}.')
            name, unit = match.groups()
            if dialect.headers.count(header) != 1:
                absent = header not in dialect.headers
                what = f"There is no column '{header}'." if absent else f"The header '{header}' occurs twice."
                raise DataError(what, where=header, remedy=f"The file has {', '.join(dialect.headers)}.")
            if name in result:
                raise DataError(f"Two columns are mapped to {name}.", where=header, remedy="Map one of them.")
            numbers = _plain_numbers(table[dialect.headers.index(header)], dialect.decimal, header)
            with placed(where=header):
                result[name] = to_internal(numbers, unit, known[name])
        return result


def _plain_numbers(values: pa.ChunkedArray, decimal: str, header: str) -> FloatArray:
    if pa.types.is_temporal(values.type):
        values = values.cast(pa.string())
    if not pa.types.is_string(values.type):
        return to_float(values)
    numbers = np.full(len(values), np.nan)
    for row, cell in enumerate(values.to_pylist()):
        if cell is not None:
            number, unit = number_of_cell(cell.strip(), decimal)
            if number is None or unit:
                what, where = f"'{cell}' is not a number.", f"row {row + 1}, column {header}"
                raise DataError(what, where=where, remedy="Correct it or leave the field empty.")
            numbers[row] = number
    return numbers


def _table(data: Buffer, options: ReadOptions, path: Path) -> tuple[list[pa.ChunkedArray], Dialect, tuple[Notice, ...]]:
    text, start, decoded = base.to_utf8(data, options.encoding)
    whole, limit = len(text) <= start + _SAMPLE, SAMPLE_LINES + (options.header_line or 0)
    pieces = [line[0] for line in islice(_LINES.finditer(text, start, start + _SAMPLE), limit + 1)]
    if not whole and len(pieces) > 1:
        pieces.pop()  # the last may be cut
    if not whole and len(pieces) < 2:
        what = f"The first line is longer than {_SAMPLE // base.MEBIBYTE} MiB."
        raise DataError(what, where="line 1", remedy="Check that the file is a log with one row per line.")
    lines = [piece.rstrip(b"\r\n").decode("utf-8", "replace") for piece in pieces[:limit]]
    dialect = find_dialect(lines, options, whole=whole and len(pieces) <= limit)
    columns, parsed = _rows(text, start + sum(map(len, pieces[: dialect.data_line])), dialect, path)
    return columns, dialect, (*decoded, *dialect.notices, *parsed)


def _rows(text: Buffer, offset: int, dialect: Dialect, path: Path) -> tuple[list[pa.ChunkedArray], list[Notice]]:
    """Parse the rows; a second pass repairs rows of another width when there are any."""
    notices: list[Notice] = []
    quotes = text.find(b'"', offset) >= 0
    if quotes and _ODD_QUOTES.search(text, offset):  # an unpaired quotation mark would swallow lines
        text, lines = _ODD_QUOTES.subn(lambda match: match.group().replace(b'"', b""), bytes(text[offset:]))
        offset, quotes = 0, b'"' in text
        template = "{count} with an unpaired quotation mark repaired."
        notices.append(notice("stray-quotes", template, count=Count(lines, "line")))
    if dialect.delimiter == " ":
        single = re.sub(rb"[ \t]+", b" ", bytes(text[offset:]))
        text, offset = re.sub(rb"^ | (?=\r|\n|$)", b"", single, flags=re.MULTILINE), 0
    body = pa.py_buffer(text).slice(offset)
    if isinstance(text, mmap.mmap):
        text.madvise(mmap.MADV_DONTNEED)  # pages seen so far; the parser reads the file block by block instead

    def source() -> pa.NativeFile:
        if isinstance(text, bytes):
            return pa.BufferReader(body)
        file = pa.OSFile(str(path))
        file.seek(offset)
        return file

    columns, ragged = _parse(source, dialect, quotes)
    if ragged:
        columns.clear()
        repaired, told = _repaired_rows(body.to_pybytes(), dialect)
        notices += told
        columns, _ = _parse(lambda: pa.BufferReader(pa.py_buffer(repaired)), dialect, quotes)
    if not columns or len(columns[0]) == 0:
        raise DataError("The log has column names but no row of data.")
    return columns, notices


def _parse(
    source: Callable[[], pa.NativeFile], dialect: Dialect, quotes: bool, block: int = 4 * base.MEBIBYTE
) -> tuple[list[pa.ChunkedArray], int]:
    """Return the columns and how many rows of another width were passed over."""
    ragged = 0

    def skip(_row: object) -> str:
        nonlocal ragged
        ragged += 1
        return "skip" if ragged < _RAGGED_ENOUGH else "error"  # enough to know that the rows need repair

    names = [str(index) for index in range(len(dialect.headers))]
    quote = '"' if quotes else False
    parsing = csv.ParseOptions(delimiter=dialect.delimiter, invalid_row_handler=skip, quote_char=quote)
    converting = csv.ConvertOptions(
        null_values=list(MISSING), strings_can_be_null=True, decimal_point=dialect.decimal, true_values=_TRUE.split(),
        false_values=_FALSE.split(),
    )  # fmt: skip
    reading = csv.ReadOptions(column_names=names, block_size=block)
    try:
        table = csv.read_csv(source(), read_options=reading, parse_options=parsing, convert_options=converting)
    except pa.ArrowInvalid as error:
        if ragged >= _RAGGED_ENOUGH:
            return [], ragged
        if "straddl" in str(error) and block < _LARGEST_BLOCK:  # a row longer than a block
            return _parse(source, dialect, quotes, block * 16)
        what = f"The text cannot be parsed as a table ({str(error).splitlines()[0][:120]})."
        remedy = "Open it in a text editor and look for an unclosed quotation mark or an endless line."
        raise DataError(what, remedy=remedy) from error
    if table.nbytes > _RELEASE_ABOVE:
        pa.default_memory_pool().release_unused()  # the parser's own needs, as much again as the table
    return list(table.columns), ragged


def _repaired_rows(body: bytes, dialect: Dialect) -> tuple[bytes, list[Notice]]:
    """Fill up short rows and cut empty surplus; leave out other long rows and a cut last one; count them by fault."""
    width, sign = len(dialect.headers), dialect.delimiter.encode()
    out: list[bytes] = []
    bad: dict[str, list[int]] = {"short": [], "long": [], "cut": []}
    lines = body.splitlines()
    last = dialect.data_line + len(lines)
    for number, line in enumerate(lines, dialect.data_line + 1):
        fields = line.count(sign) + 1
        if fields != width and b'"' in line:
            fields = len(split_line(line.decode("utf-8", "replace"), dialect.delimiter))
        if fields == width or not line.strip():
            out.append(line)
        elif fields > width:
            parts = line.split(sign)
            if b'"' in line or any(part.strip() for part in parts[width:]):
                bad["long"].append(number)
            else:
                out.append(sign.join(parts[:width]))
        elif number == last and not body.endswith((b"\n", b"\r")):
            bad["cut"].append(number)
        else:
            bad["short"].append(number)
            out.append(line + sign * (width - fields))
    notices = [notice(*_ROW_FAULTS[fault], count=Count(len(at), "row"), line=at[0]) for fault, at in bad.items() if at]
    return b"\n".join(out) + b"\n", notices
