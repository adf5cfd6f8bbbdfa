"""Delimited text: logs, with pyarrow's CSV reader as the fast path, and the small tables of bench and dyno."""

import mmap
import re
from collections.abc import Callable, Mapping
from itertools import accumulate, islice
from pathlib import Path

import pyarrow as pa
from pyarrow import csv

from intake_report.errors import DataError, placed
from intake_report.loaders.base import MEBIBYTE, FloatArray, Notice, RawLog, ReadOptions, notice
from intake_report.loaders.columnar import log_of_table, number_of_cell
from intake_report.loaders.content import Buffer, open_bytes, to_utf8
from intake_report.loaders.dialect import MISSING, SAMPLE_LINES, Dialect, find_dialect, split_line
from intake_report.loaders.times import to_float
from intake_report.messages import Count, said
from intake_report.units import to_internal

_SAMPLE = MEBIBYTE
_LINES = re.compile(rb"[^\r\n]*(?:\r\n?|\n)|[^\r\n]+")
_ODD_QUOTES = re.compile(rb'^[^"\r\n]*"(?:[^"\r\n]*"[^"\r\n]*")*[^"\r\n]*(?=[\r\n]|\Z)', re.MULTILINE)
_BLOCK, _LARGEST_BLOCK = 4 * MEBIBYTE, 1024 * MEBIBYTE
_RAGGED_ENOUGH = 100
_RELEASE_ABOVE = 64 * MEBIBYTE
_TRUE, _FALSE = ("true True TRUE on On ON yes Yes YES", "false False FALSE off Off OFF no No NO")
_TARGET = re.compile(r"^\s*([a-z_]+)\s*\[\s*([^\]]+?)\s*\]\s*$")
_ROW_FAULTS = {
    "short": ("ragged-rows", "{count} with too few fields filled up with empty ones (first: line {line})."),
    "long": ("long-rows", "{count} with too many fields left out (first: line {line})."),
    "cut": ("cut-row", "{count} cut at the end of the file left out (first: line {line})."),
}


def read(path: Path, options: ReadOptions) -> RawLog:
    """Read one log: plain, gzip, zip or zstandard; any delimiter, encoding, decimal sign and header position.

    Raises DataError: if it is no table, or could only be read by guessing.
    """
    data, packed = open_bytes(path)
    columns, dialect, notices = _table(data, options, path)
    return log_of_table(columns, dialect, path, "delimited", options, (*packed, *notices))


def read_columns(path: Path, columns: Mapping[str, str], known: Mapping[str, str]) -> dict[str, FloatArray]:
    """Read declared columns (n,) of a small table, in internal units, NaN for empty fields; nothing in it is repaired.

    `path`: delimited text with one line of column names; lines that begin with # are comments; `columns`: their header to
    "name [unit]", empty where the headers themselves have that form; `known`: names that can be asked for, and quantities.

    Raises DataError: a file that cannot be read, a header that is not there, a field that is no number, an unknown name or
    unit.
    """
    with placed(file=path):
        return _declared_columns(path, columns, known)


def _declared_columns(path: Path, columns: Mapping[str, str], known: Mapping[str, str]) -> dict[str, FloatArray]:
    data, _ = open_bytes(path)
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
    """Return a column as numbers; a cell that is none is refused, with its row."""
    if pa.types.is_temporal(values.type):
        values = values.cast(pa.string())
    if not pa.types.is_string(values.type):
        return to_float(values)
    cells = [(None, None) if cell is None else number_of_cell(cell.strip(), decimal) for cell in values.to_pylist()]
    for row, (number, unit) in enumerate(cells, 1):
        if values[row - 1].as_py() is not None and (number is None or unit):
            what = f"'{values[row - 1].as_py()}' is not a number."
            raise DataError(what, where=f"row {row}, column {header}", remedy="Correct it or leave the field empty.")
    return to_float(pa.chunked_array([pa.array([number for number, _ in cells], pa.float64())]))


def _table(data: Buffer, options: ReadOptions, path: Path) -> tuple[list[pa.ChunkedArray], Dialect, tuple[Notice, ...]]:
    text, start, decoded = to_utf8(data, options.encoding)
    lines, offsets, whole = _sample_lines(text, start, SAMPLE_LINES + (options.header_line or 0))
    dialect = find_dialect(lines, options, whole=whole)
    columns, parsed = _rows(text, offsets[dialect.data_line], dialect, path)
    return columns, dialect, (*decoded, *dialect.notices, *parsed)


def _sample_lines(text: Buffer, start: int, limit: int) -> tuple[list[str], list[int], bool]:
    """Return the first lines, the byte offset of each, and whether they are all."""
    whole = len(text) <= start + _SAMPLE
    pieces = [line[0] for line in islice(_LINES.finditer(text, start, start + _SAMPLE), limit + 1)]
    if not whole and len(pieces) > 1:
        pieces.pop()  # the last may be cut
    if not whole and len(pieces) < 2:
        what = f"The first line is longer than {_SAMPLE // MEBIBYTE} MiB."
        raise DataError(what, where="line 1", remedy="Check that the file is a log with one row per line.")
    offsets = [start, *(start + end for end in accumulate(map(len, pieces)))]
    lines = [piece.rstrip(b"\r\n").decode("utf-8", "replace") for piece in pieces[:limit]]
    return lines, offsets, whole and len(pieces) <= limit


def _rows(text: Buffer, offset: int, dialect: Dialect, path: Path) -> tuple[list[pa.ChunkedArray], tuple[Notice, ...]]:
    """Parse the rows; a second pass repairs rows of another width when there are any."""
    text, offset, quotes, unpaired = _pair_quotes(text, offset)
    notices: list[Notice] = []
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
        repaired, notices = _repaired_rows(body.to_pybytes(), dialect)
        columns, _ = _parse(lambda: pa.BufferReader(pa.py_buffer(repaired)), dialect, quotes)
    if not columns or len(columns[0]) == 0:
        raise DataError("The log has column names but no row of data.")
    return columns, (*unpaired, *notices)


def _parse(source: Callable[[], pa.NativeFile], dialect: Dialect, quotes: bool) -> tuple[list[pa.ChunkedArray], int]:
    """Return the columns and how many rows of another width were passed over."""
    ragged = 0

    def skip(_row: object) -> str:
        nonlocal ragged
        ragged += 1
        return "skip" if ragged < _RAGGED_ENOUGH else "error"  # enough to know that the rows need repair

    names = [str(index) for index in range(len(dialect.headers))]
    parsing = csv.ParseOptions(
        delimiter=dialect.delimiter, invalid_row_handler=skip, quote_char='"' if quotes else False
    )
    converting = csv.ConvertOptions(
        null_values=list(MISSING), strings_can_be_null=True, decimal_point=dialect.decimal, true_values=_TRUE.split(),
        false_values=_FALSE.split(),
    )  # fmt: skip
    block = _BLOCK
    while True:
        ragged = 0
        reading = csv.ReadOptions(column_names=names, block_size=block)
        try:
            table = csv.read_csv(source(), read_options=reading, parse_options=parsing, convert_options=converting)
        except pa.ArrowInvalid as error:
            if ragged >= _RAGGED_ENOUGH:
                return [], ragged
            if "straddl" in str(error) and block < _LARGEST_BLOCK:  # a row longer than a block
                block *= 16
                continue
            what = f"The text cannot be parsed as a table ({str(error).splitlines()[0][:120]})."
            remedy = "Open it in a text editor and look for an unclosed quotation mark or an endless line."
            raise DataError(what, remedy=remedy) from error
        if table.nbytes > _RELEASE_ABOVE:
            pa.default_memory_pool().release_unused()  # the parser's own needs, as much again as the table
        return list(table.columns), ragged


def _pair_quotes(text: Buffer, start: int) -> tuple[Buffer, int, bool, tuple[Notice, ...]]:
    """Remove unpaired quotation marks, which would swallow lines; return text, its first row, whether quotes are in use, notices."""
    if text.find(b'"', start) < 0:
        return text, start, False, ()
    if _ODD_QUOTES.search(text, start) is None:
        return text, start, True, ()
    repaired, lines = _ODD_QUOTES.subn(lambda match: match.group().replace(b'"', b""), bytes(text[start:]))
    template = "{count} with an unpaired quotation mark repaired."
    return repaired, 0, b'"' in repaired, (notice("stray-quotes", template, count=Count(lines, "line")),)


def _repaired_rows(body: bytes, dialect: Dialect) -> tuple[bytes, list[Notice]]:
    """Bring every row to the width of the header, and say how many were touched and where the first was.

    Short rows are filled up with empty fields: loggers leave trailing empty fields out. A short last row without line
    end is left out, for its last number may be cut. Longer rows are cut when the surplus is empty, else left out.
    """
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
