"""Column headers, and the dialect of a delimited text log: delimiter, decimal sign, header and units row."""

import contextlib
import csv
import itertools
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from intake_report.errors import DataError
from intake_report.loaders.base import Notice, ReadOptions, notice
from intake_report.messages import Count
from intake_report.units import known_unit

# UTF-8 bytes read as Windows-1252 or Latin-1: a lead byte 0xC2–0xC3 or 0xE2 shows as Â, Ã or â before another sign.
_DOUBLE = re.compile("[ÂÃâ][\u0080-\u00bf\u2018-\u203a\u20ac\u2122\u0152-\u0192\u02c6\u02dc]{1,2}")
_BRACKETS = re.compile(r"^(?P<name>.*?)\s*[\[{](?P<unit>[^\[\]{}]*)[\]}]\s*$")
_PARENTHESES = re.compile(r"^(?P<name>.*?)\s*\((?P<unit>[^()]*)\)\s*$")
_COMMA = re.compile(r"^(?P<name>.*?)\s*,\s*(?P<unit>[^,]+?)\s*$")
_LAST_WORD = re.compile(r"^(?P<name>.+?)(?P<sign>[_ ])(?P<unit>[^_ ]+)$")
# Units that are more often part of a name.
_SHORT = "a b c d e f g h k l m s v w 1 - in min count pa"
_TOO_SHORT = frozenset(_SHORT.split())
_ABSENT = "NaN nan NAN -NaN -nan N/A n/a NA null NULL None none - -- --- #N/A NODATA ? ERR ERROR * #VALUE! #DIV/0!"
MISSING = frozenset(("", "NO DATA", "No Data", "no data", *_ABSENT.split()))
SAMPLE_LINES = 300
_QUICK_LINES = 50
_MOST_COLUMNS = 20_000
_SAMPLE_CELLS = 200_000
_NAMES_WHOLE, _BY_BLANKS, _NO_DATA = 0.2, 0.5, 0.01  # weights: names that stay whole, blanks, lines without data
_BLANKS = " "
_DELIMITERS = (",", ";", "\t", "|", _BLANKS)
_NUMBER = re.compile(r"[-+−]?(\d+\.?\d*|\.\d+|\d{1,3}(,\d{3})+\.\d*)([eE][-+]?\d+)?$|[-+]?(?i:inf(inity)?)$")
_COMMA_NUMBER = re.compile(r"[-+−]?(\d+(\.\d{3})*,\d*|,\d+)([eE][-+]?\d+)?$")
_TIME = re.compile(
    r"\d{1,2}:\d{2}([:.,]\d+([.,:]\d+)?)?(\s*[AaPp]\.?[Mm]\.?)?$"
    r"|(\d{1,4}[-/.](\d{1,2}|[A-Za-z]{3,9})[-/.]\d{1,4}|\d{8}(?=T))([T ,]+[\d:.,+\- APMapmZUTCG]*)?$"
)
_WITH_UNIT = re.compile(r"[-+]?\d[\d.,]*\s*([^\d\s.,:][^\s]{0,9})$")
_NUMERIC = "nctu"
_BOOLEAN = frozenset(("true", "false", "on", "off", "yes", "no"))


@dataclass(frozen=True)
class Dialect:
    """How a delimited text log is written; of a table that was never text, only names and units count."""

    delimiter: str  # one character; a blank means runs of blanks
    decimal: str
    headers: tuple[str, ...]  # one per column, as written (encoding repaired); "" for a trailing delimiter
    units: tuple[str | None, ...]
    names: tuple[str, ...]  # without unit
    data_line: int = 0  # first line of data, counted from 0
    header_line: int | None = 0
    preamble: str = ""  # text above the header
    notices: tuple[Notice, ...] = ()


def find_dialect(lines: Sequence[str], options: ReadOptions, *, whole: bool) -> Dialect:
    """Find the dialect from the first lines of a log, `whole` if they are all; DataError if there is no table."""
    widest = max((sum(map(line.count, ",;\t")) for line in lines[:_QUICK_LINES]), default=0) + 1
    sample = lines[: min(SAMPLE_LINES + (options.header_line or 0), max(4, _SAMPLE_CELLS // widest))]
    if len(sample) > 2 * _QUICK_LINES and options.header_line is None:
        quick = _attempt(sample[:_QUICK_LINES], options)
        if quick is not None and quick.start < _QUICK_LINES // 2:
            with contextlib.suppress(DataError):  # more lines may show what these do not
                return _describe(quick, options)
    table = _attempt(sample, options)
    if table is None:
        what = "No delimiter was found: the lines hold one field each."
        raise DataError(what, where="line 1", remedy="State the delimiter, or export the log as comma-separated text.")
    if table.start >= len(sample):
        named = [index for index, row in enumerate(table.rows) if len(row) > 1]
        if whole and len(named) == 1:
            raise DataError("The file has column names but no row of data.", where=f"line {named[0] + 1}")
        what = "No table of numbers was found in the first lines."
        remedy = "Name the line of the column names with header_line if the table starts further down."
        raise DataError(what, where=f"lines 1 to {len(sample)}", remedy=remedy)
    return _describe(table, options)


_Row = tuple[list[str], list[str]]  # cells and their kinds


class _Table(NamedTuple):
    lines: Sequence[str]
    rows: Sequence[list[str]]
    kinds: Sequence[list[str]]
    start: int  # first row of data
    delimiter: str


def _attempt(lines: Sequence[str], options: ReadOptions) -> _Table | None:
    delimiter = options.delimiter or _find_delimiter(lines)
    if delimiter is None:
        return None
    rows, kinds = _cells(lines, delimiter)
    data = [i for i in range(options.header_line or 0, len(rows)) if _is_data(kinds[i])]
    if options.header_line is None and data:  # a lone numeric line in a preamble is passed over
        usual = Counter(len(kinds[i]) for i in data).most_common(1)[0][0]
        data = [i for i in data if len(kinds[i]) >= min(usual, 3)]
    return _Table(lines, rows, kinds, data[0] if data else len(rows), delimiter)


def _cells(lines: Sequence[str], delimiter: str) -> tuple[list[list[str]], list[list[str]]]:
    rows = [split_line(line, delimiter) for line in lines]
    return rows, [[_kind(cell) for cell in row] for row in rows]


def split_line(line: str, delimiter: str) -> list[str]:
    """Split one line at the delimiter, with double quotes respected."""
    if delimiter == _BLANKS:
        return line.split()
    if '"' in line:
        with contextlib.suppress(csv.Error):
            return next(csv.reader([line], delimiter=delimiter), [])
    return line.split(delimiter)


def _kind(cell: str) -> str:
    """Return e (empty), n (number), c (with a comma), u (with a unit), t (time), b (on/off) or x (other text)."""
    text = cell.strip()
    if text in MISSING:
        return "e"
    for kind, pattern in (("n", _NUMBER), ("c", _COMMA_NUMBER), ("t", _TIME)):
        if pattern.match(text):
            return kind
    if (match := _WITH_UNIT.match(text)) and known_unit(match[1]):
        return "u"
    return "b" if text.lower() in _BOOLEAN else "x"


def _is_data(kinds: Sequence[str]) -> bool:
    filled = [kind for kind in kinds if kind != "e"]
    numbers = sum(kind in _NUMERIC for kind in filled)
    return len(kinds) > 1 and numbers > 0 and numbers * 2 > len(filled)


def _find_delimiter(lines: Sequence[str]) -> str | None:
    """Return the delimiter that splits most lines into the same number of numeric fields; None without any."""
    scores = dict.fromkeys(_DELIMITERS, 0.0)
    for delimiter in _DELIMITERS:
        rows, kinds = _cells([line for line in lines if line.strip()], delimiter)
        several = [row for row in kinds if len(row) > 1]
        if not several:
            continue
        counted = _NUMERIC if delimiter == _BLANKS else _NUMERIC + "b"
        cells = Counter(kind for row in several for kind in row)
        numeric = sum(cells[kind] for kind in counted) / max(cells.total() - cells["e"], 1)
        regular = Counter(map(len, several)).most_common(1)[0][1] / len(several)
        data = [_is_data(row) for row in kinds]
        score = numeric * regular * (sum(data) + _NO_DATA * len(several)) / len(lines)
        first = data.index(True) if True in data else 0
        if first and len(rows[first - 1]) == 1:
            score *= _NAMES_WHOLE  # the line of column names has to fall apart as well
        if delimiter == _BLANKS:
            score *= _BY_BLANKS  # blanks also separate date from time and words of a name
        else:
            score += 1e-6 * regular * len(several)  # column names without any row of data
        scores[delimiter] = score
    best = max(_DELIMITERS, key=lambda delimiter: scores[delimiter])
    return best if scores[best] > 0.0 else None


def _describe(table: _Table, options: ReadOptions) -> Dialect:
    rows, start = table.rows, table.start
    notices: list[Notice] = []
    data = [(row, kind) for row, kind in zip(rows[start:], table.kinds[start:], strict=True) if _is_data(kind)]
    width = Counter(len(row) for row, _ in data).most_common(1)[0][0]
    if width > _MOST_COLUMNS:
        what = f"The rows have {width:,} fields, more than any log has columns."
        raise DataError(what, where=f"line {start + 1}", remedy="Check the delimiter and the line ends.")
    header_line, units_line = _header_lines(rows, start, options)
    if header_line is None:
        headers = [f"column {index + 1}" for index in range(width)]
        text = "There is no line of column names; {columns} numbered."
        notices.append(notice("no-header", text, columns=Count(width, "column")))
    else:
        headers = [clean_header(cell) for cell in rows[header_line]]
        headers[0] = headers[0].lstrip("#/ ").strip()
        if any(cell != repair_double_encoding(cell) for cell in rows[header_line]):
            notices.append(notice("doubly-encoded", "Doubly encoded signs in the column names were repaired."))
        headers = _fitted(headers, data, width, table.delimiter, header_line)
    split = [split_header(header) for header in headers]
    below = [clean_header(cell).strip("[](){} ") for cell in rows[units_line]] if units_line is not None else []
    units = tuple(own or unit or None for (_, own), unit in itertools.zip_longest(split, below[: len(split)]))
    cells = [pair for row, kinds in data for pair in zip(row, kinds, strict=True)]
    commas, points = sum(kind == "c" for _, kind in cells), sum(kind == "n" and "." in cell for cell, kind in cells)
    decimal = options.decimal or ("," if commas > points else ".")
    names, preamble = tuple(name for name, _ in split), "\n".join(table.lines[: header_line or 0])
    return Dialect(table.delimiter, decimal, tuple(headers), units, names, start, header_line, preamble, tuple(notices))


def _header_lines(rows: Sequence[list[str]], start: int, options: ReadOptions) -> tuple[int | None, int | None]:
    if options.header_line is not None:
        header = options.header_line - 1 if options.header_line > 0 else None
        return header, next((line for line in range(options.header_line, start) if _is_units_row(rows[line])), None)
    above = [index for index in range(start) if len(rows[index]) > 1 and any(cell.strip() for cell in rows[index])]
    if not above:
        return None, None
    return (above[-2], above[-1]) if len(above) > 1 and _is_units_row(rows[above[-1]]) else (above[-1], None)


def _is_units_row(row: Sequence[str]) -> bool:
    filled = [cell for cell in row if cell.strip()]
    return bool(filled) and sum(map(_looks_like_unit, filled)) * 3 >= len(filled) * 2


def _fitted(headers: list[str], data: Sequence[_Row], width: int, delimiter: str, header_line: int) -> list[str]:
    """Return the headers at the width of the rows, or refuse when the rows cannot belong to them."""
    lengths = {len(row) for row, _ in data}
    while headers and not headers[-1] and len(headers) > width:
        headers = headers[:-1]
    if len(headers) > width and max(lengths) < len(headers) and len(joined := _with_units(headers)) == width:
        headers = joined
    if len(headers) in lengths:
        return headers
    full = [kinds for row, kinds in data if len(row) > len(headers)]
    extra = sum(any(cell != "e" for cell in kind[len(headers) :]) for kind in full)
    if full and extra * 2 <= len(full):
        return headers + [""] * (width - len(headers))
    what = f"The rows have {width} fields under {len(headers)} column names"
    if full and delimiter == "," and all(cell in "nte" for kind in full for cell in kind):
        what = f"{what}: the comma seems to be both the delimiter and the decimal sign."
        remedy = "Export the log with a semicolon between columns or a point in numbers."
        raise DataError(what, where=f"line {header_line + 2}", remedy=remedy)
    remedy = "Name the right line with header_line, or correct the column names in a copy."
    raise DataError(f"{what}.", where=f"line {header_line + 1}", remedy=remedy)


def _with_units(headers: Sequence[str]) -> list[str]:
    """Join "Speed" and "km/h" where a comma before the unit was taken for a delimiter."""
    joined: list[str] = []
    for header in headers:
        if joined and header and _looks_like_unit(header) and "," not in joined[-1]:
            joined[-1] = f"{joined[-1]}, {header}"
        else:
            joined.append(header)
    return joined


def repair_double_encoding(text: str) -> str:
    """Undo a UTF-8 text that was read as Windows-1252 and encoded again ("Â°C" becomes "°C")."""
    for _ in range(3):  # some exports do it twice
        text = _DOUBLE.sub(lambda match: _undo(match.group()), text)
    return text


def _undo(signs: str) -> str:
    for encoding in ("cp1252", "latin-1"):
        with contextlib.suppress(UnicodeError):
            return signs.encode(encoding).decode("utf-8")
    return _undo(signs[:2]) + signs[2:] if len(signs) > 2 else signs


def split_header(header: str) -> tuple[str, str | None]:
    """Split a column header into its name, empty only where the header is, and its unit as written.

    Square brackets always hold a unit; round brackets, a comma or an underscore only one that is known and more than a
    letter, a blank only what cannot be a word. "Engine RPM" keeps its name and has the unit too.
    """
    text = clean_header(header)
    if (match := _BRACKETS.match(text)) and match["name"]:
        return match["name"], match["unit"].strip() or None
    for pattern in (_PARENTHESES, _COMMA):
        if (match := pattern.match(text)) and match["name"] and _is_unit(match["unit"]):
            return match["name"], match["unit"].strip()
    if (match := _LAST_WORD.match(text)) and _is_unit(match["unit"]) and match["unit"].lower() not in _TOO_SHORT:
        unit = match["unit"]
        if unit.lower() == "rpm":
            return text, unit  # the unit is what names the quantity
        if match["sign"] == "_" or re.search("[/°%]", unit) or unit.lower().startswith("deg"):
            return match["name"], unit
    return text, None


def clean_header(header: str) -> str:
    """Return the header with its encoding repaired, quotes and repeated blanks removed."""
    return " ".join(repair_double_encoding(header).replace("\ufeff", "").strip().strip("\"'").split())


def _looks_like_unit(text: str) -> bool:
    return _is_unit(repair_double_encoding(text).strip().strip("[](){}"))


def place_of(wanted: str, headers: Sequence[str], names: Sequence[str]) -> list[int]:
    """Return which columns a text names: by whole header, by name without unit, then both without regard to case."""
    text = clean_header(wanted)
    tried = ((fold, texts) for fold in (str, str.lower) for texts in (headers, names))
    found = ([at for at, other in enumerate(texts) if fold(other) == fold(text)] for fold, texts in tried)
    return next(filter(None, found), [])


def words(name: str) -> tuple[str, ...]:
    """Return the lower-case words of a name: split at blanks, signs, and changes from lower to upper case."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", clean_header(name))
    spaced = re.sub(r"(?<=[A-Z])(?=[A-Z][a-z])", " ", spaced)
    return tuple(word for word in re.split(r"[^0-9a-zµäöüß°]+", spaced.lower()) if word)


def _is_unit(text: str) -> bool:
    return bool(text.strip()) and known_unit(text)
