"""From a table with columns of several types to a log; Parquet and Arrow files, which are such tables."""

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TypeAlias

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from intake_report.errors import DataError, nearest
from intake_report.loaders import base, times
from intake_report.loaders.base import BoolArray, FloatArray, Notice, RawColumn, RawLog, ReadOptions, notice
from intake_report.loaders.dialect import Dialect, clean_header, place_of, split_header, words
from intake_report.messages import Count, Listing
from intake_report.units import known_unit, spelling

_NAMED, _SHOWN = 5, 30  # columns that a sentence names, signs of a cell that it shows
_INDEX = "__index_level_0__"
_PLAIN = dict.fromkeys((pa.large_string(), pa.string_view()), pa.string())
_PLAIN |= dict.fromkeys((pa.large_binary(), pa.binary_view()), pa.binary())
_CELL = re.compile(r"^([-+−]?(?:\d[\d.,' \u00a0\u202f]*|[.,]\d+)(?:[eE][-+]?\d+)?)\s*([^\d\s].*)?$")
# Names of a column that is the time: whole, or a word of them; words of another time, and of a date beside it.
_PHRASES = {
    "whole": "time timestamp datetime zeit t seconds secs elapsed clock uhrzeit temps hora",
    "word": "time timestamp timestamps datetime elapsed zeit secs seconds clock offset epoch uhrzeit heure hora utc",
    "other": "run engine since start gps trip cleared device lap delay distance",
    "date": "date datum day fecha",
}
_WORDS = {kind: frozenset(text.split()) for kind, text in _PHRASES.items()}
# How much a column looks like the time: by its whole name, a word of it, its type, a word for date, its place; less by a word
# for another time; a little more by a type that can be read, and as the first column.
_WHOLE, _WORD, _TEMPORAL, _DATED, _ALONE, _ANOTHER, _READABLE, _FIRST = 10.0, 6.0, 4.0, 2.0, 1.0, 5.0, 1.0, 0.5

Column: TypeAlias = pa.ChunkedArray


def read_parquet(path: Path, options: ReadOptions) -> RawLog:
    """Read one Parquet file."""
    from pyarrow import parquet

    with _intact("Parquet"), parquet.ParquetFile(path) as file:
        refuse_large(path, file.metadata.num_rows * max(file.metadata.num_columns, 1))
        table = file.read()
    return _log(table, path, "parquet", options)


def read_arrow(path: Path, options: ReadOptions) -> RawLog:
    """Read one Arrow IPC file or stream (also known as Feather)."""
    with pa.memory_map(str(path)) as source:
        with _intact("Arrow"):
            kept, cells = [], 0
            if source.read(6) == b"ARROW1":
                reader = pa.ipc.open_file(source)
                batches = map(reader.get_batch, range(reader.num_record_batches))
            else:
                source.seek(0)
                batches = reader = pa.ipc.open_stream(source)
            for batch in batches:
                cells += batch.num_rows * max(batch.num_columns, 1)
                refuse_large(path, cells)
                kept.append(batch)
            table = pa.Table.from_batches(kept, reader.schema)
        return _log(table, path, "arrow", options)


@contextmanager
def _intact(form: str) -> Iterator[None]:
    try:
        yield
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        raise DataError(f"The {form} file is damaged or incomplete.", remedy="Export the log again.") from error


def refuse_large(path: Path, cells: int) -> None:
    """Refuse a file of so many numbers that no log of its size holds them."""
    if cells * 8 > base.expansion_limit(path.stat().st_size):
        what = f"The file expands to {cells * 8 / base.MEBIBYTE:.0f} MiB, which no log of its size does."
        raise DataError(what, remedy="If the log is right, save it without compression.")


def _log(table: pa.Table, path: Path, form: str, options: ReadOptions) -> RawLog:
    if table.num_rows == 0 or table.num_columns == 0:
        raise DataError("The file has no row of data.")
    with _intact(form.capitalize()):  # a flipped bit must not be read as a number
        table.validate(full=True)
        fields = list(table.schema)
    headers = [clean_header("time" if field.name == _INDEX else field.name) for field in fields]
    split = [split_header(header) for header in headers]
    written = [(field.metadata or {}).get(b"unit", (field.metadata or {}).get(b"units", b"")) for field in fields]
    stated = [unit.decode("utf-8", "replace").strip() for unit in written]
    units = [own or unit for own, (_, unit) in zip(stated, split, strict=True)]
    dialect = Dialect("", ".", tuple(headers), tuple(units), tuple(name for name, _ in split))
    # Dictionary, wide and view types are brought to the plain ones that the other steps know.
    columns = [c.cast(c.type.value_type) if pa.types.is_dictionary(c.type) else c for c in table.columns]
    return log_of_table([c.cast(_PLAIN.get(c.type, c.type)) for c in columns], dialect, path, form, options, ())


def log_of_table(
    table: list[Column], dialect: Dialect, path: Path, form: str, options: ReadOptions, notices: Sequence[Notice]
) -> RawLog:
    """Turn a parsed table into a log; its columns (n,), one for each of `dialect.headers`, are emptied on the way."""
    time = _time_column(dialect, table, options)
    day = _date_beside(time, dialect, table)
    values = table[time]
    if day is not None:
        values = pc.binary_join_element_wise(table[day].cast(pa.string()), values.cast(pa.string()), " ")
    name = dialect.names[time]
    axis = times.time_axis(values, times.TimeContext(name, dialect.units[time], path, options, dialect.preamble))

    def written(row: int, texts: Column = values) -> str:
        return str(texts[row].as_py() or "")

    keep, dropped = rows_with_time(axis.seconds, f" in “{name}”", written)
    del values, written
    named, _ = times.date_elsewhere(path, ReadOptions(), "")
    if axis.origin is not None and named is not None and abs((axis.origin.date() - named).days) > 1:
        template = "The log begins on {begin} (UTC); the file name says {named}."  # one of the two clocks was wrong
        dropped.insert(0, notice("date-differs", template, begin=f"{axis.origin:%Y-%m-%d}", named=f"{named}"))
    columns, converted = _columns(table, dialect, {time, day}, keep)
    seconds = axis.seconds if keep is None else axis.seconds[keep]
    everything = (*notices, *axis.notices, *dropped, *converted)
    header = dialect.headers[time] if day is None else ""
    return RawLog(path, form, seconds, axis.origin, columns, everything, axis.kind, header)


def _time_column(dialect: Dialect, table: Sequence[Column], options: ReadOptions) -> int:
    if options.time_column is not None:
        places = place_of(options.time_column, dialect.headers, dialect.names)
        if len(places) == 1:
            return places[0]
        known = nearest(clean_header(options.time_column), dialect.headers, "Columns are", cutoff=0.4)
        raise DataError(f"The log has no column “{options.time_column}”, or several.", where="time", remedy=known)
    scores = [_score(index, dialect, table[index].type) for index in range(len(dialect.headers))]
    if not scores or max(scores) <= 0:
        named = ", ".join(f"“{header}”" for header in dialect.headers[:8])
        where = None if dialect.header_line is None else f"line {dialect.header_line + 1}"
        what = f"No time column was recognised among the columns {named}."
        raise DataError(what, where=where, remedy='Name it under [log]: time = "…".')
    return scores.index(max(scores))


def _score(index: int, dialect: Dialect, kind: pa.DataType) -> float:
    name, unit = dialect.names[index], dialect.units[index]
    if pa.types.is_null(kind) or pa.types.is_boolean(kind):
        return 0.0
    if times.is_number(kind) and unit and base.converts(unit, "time") is None:
        return 0.0  # "time" in another unit than time: a distance, an angle
    name_words = set(words(name))
    temporal = pa.types.is_timestamp(kind) or pa.types.is_time(kind)
    if name.lower() in _WORDS["whole"]:
        score = _WHOLE
    elif name_words & _WORDS["word"]:
        score = _WORD
    elif name_words & _WORDS["date"] and (temporal or not pa.types.is_date(kind)):
        score = _DATED
    elif temporal:
        score = _TEMPORAL
    elif dialect.header_line is None and index == 0:
        score = _ALONE
    else:
        return 0.0
    if name_words & _WORDS["other"]:
        score -= _ANOTHER
    if temporal or pa.types.is_string(kind):
        score += _READABLE
    return score + (_FIRST if index == 0 and score > 0 else 0.0)


def _date_beside(time: int, dialect: Dialect, table: Sequence[Column]) -> int | None:
    kind = table[time].type
    if pa.types.is_string(kind):
        first = next((v.as_py() for v in table[time] if v.as_py()), "")
        if len(first) > 8 and any(first.count(sign) >= 2 for sign in "-/."):
            return None
    elif not pa.types.is_time(kind):
        return None
    dates = (pa.types.is_date, pa.types.is_string, pa.types.is_integer)
    beside = (i for i, name in enumerate(dialect.names) if i != time and set(words(name)) & _WORDS["date"])
    return next((i for i in beside if any(is_kind(table[i].type) for is_kind in dates)), None)


def rows_with_time(seconds: FloatArray, what: str, text: Callable[[int], str]) -> tuple[BoolArray | None, list[Notice]]:
    """Return which rows have a time (n,) [s], None for all; refuse too many without. `text` gives one as written."""
    good = np.isfinite(seconds)
    bad = len(good) - int(good.sum())
    if not bad:
        return None, []
    first = int(np.flatnonzero(~good)[0])
    example = text(first).strip()[:40]
    if bad > times.MOST_UNREADABLE * len(good):
        raise DataError(
            f"{bad:,} of {len(good):,} times{what} cannot be read or are none of this log, the first of them “{example}”.",
            remedy="Use ISO 8601, clock time, seconds since 1970 or elapsed seconds, and one log for each drive; "
            f"at most {times.MOST_UNREADABLE:.0%} of the rows are left out.",
        )
    template = "{count} left out: no readable time{what}, or none of this log (first: row {row}, “{example}”)."
    count = Count(bad, "row")
    return good, [notice("rows-without-time", template, count=count, what=what, row=first + 1, example=example)]


def _columns(
    table: list[Column | None], dialect: Dialect, used: set[int | None], keep: BoolArray | None
) -> tuple[tuple[RawColumn, ...], tuple[Notice, ...]]:
    columns: list[RawColumn] = []
    notices: list[Notice] = []
    texts: list[str] = []
    for index, (header, name, unit) in enumerate(zip(dialect.headers, dialect.names, dialect.units, strict=True)):
        raw, table[index] = table[index], None
        if index in used:
            continue
        values = _numbers(raw, name or header, unit, dialect.decimal, notices)
        del raw
        if not header and (values is None or np.isnan(values).all()):
            continue  # a trailing delimiter
        if values is None:
            texts.append(header)
            continue
        label = header or f"column {index + 1}"
        columns.append(RawColumn(name or label, unit, values if keep is None else values[keep], label))
    if texts:
        names = Listing((*(f"“{name}”" for name in texts[:_NAMED]), *(["others"] if len(texts) > _NAMED else ())))
        count = Count(len(texts), "column")
        notices.append(notice("text-columns", "{count} of text left out: {names}.", count=count, names=names))
    if not columns:
        raise DataError("No column beside the time holds numbers.")
    return tuple(columns), (*notices, *repeated_names([column.header for column in columns]))


def repeated_names(headers: Sequence[str]) -> list[Notice]:
    """Return a notice for each header that several columns have."""
    twice = sorted(header for header, number in Counter(headers).items() if number > 1)
    return [notice("repeated-column", "Several columns are called “{column}”.", header) for header in twice]


def _numbers(values: Column, name: str, unit: str | None, decimal: str, notices: list[Notice]) -> FloatArray | None:
    """Return a column as float64, or None when it is text, time or a list; add to `notices` what is left out of it."""
    kind = values.type
    if pa.types.is_null(kind):
        return np.full(len(values), np.nan)
    if pa.types.is_string(kind) or pa.types.is_binary(kind):
        return _from_text(values, name, unit, decimal, notices)
    if not (times.is_number(kind) or pa.types.is_boolean(kind)):
        return None
    numbers = times.to_float(values.cast(pa.int8()) if pa.types.is_boolean(kind) else values)
    if count := int(np.isinf(numbers).sum()):
        notices.append(notice("infinite", "{count} of “{column}” left out.", name, Count(count, "infinite value")))
        numbers = np.where(np.isinf(numbers), np.nan, numbers)
    return numbers


def _from_text(values: Column, name: str, unit: str | None, decimal: str, notices: list[Notice]) -> FloatArray | None:
    """Read a text column cell by distinct cell; None when most are no numbers. One in another unit than most is left out."""
    codes, texts = times.encoded(values.combine_chunks())
    cells = [(text.decode("cp1252", "replace") if isinstance(text, bytes) else text).strip() for text in texts]
    counts = np.bincount(codes[codes >= 0], minlength=len(cells))
    parsed = [number_of_cell(cell, decimal) for cell in cells]
    numbers = np.array([np.nan if number is None else number for number, _ in parsed], dtype=np.float64)
    good = np.isfinite(numbers)
    filled, readable = int(counts.sum()), int(counts[good].sum())
    if readable * 2 < filled or not readable:
        return None
    units = np.array([spelling(written or unit or "") for _, written in parsed])
    rows_of = {key: int(counts[good & (units == key)].sum()) for key in dict.fromkeys(units[good])}
    usual = spelling(unit) if unit and spelling(unit) in rows_of else max(rows_of, key=lambda key: rows_of[key])
    other = good & (units != usual)
    if other.any():
        template = "“{column}” mixes units ({units}); {count} not in the usual one left out."
        kinds = Listing(tuple(sorted(key or "none" for key in rows_of)))
        notices.append(notice("mixed-units", template, name, Count(int(counts[other].sum()), "cell"), units=kinds))
    if filled > readable:
        example = cells[int(np.flatnonzero(~good)[0])][:_SHOWN]
        template = "{count} of “{column}” left out: not a number (“{example}”)."
        notices.append(notice("text-cells", template, name, Count(filled - readable, "cell"), example=example))
    numbers[other] = np.nan
    return np.asarray(np.append(numbers, np.nan)[codes])  # the last entry serves code -1


def number_of_cell(cell: str, decimal: str) -> tuple[float | None, str | None]:
    """Return the number of a cell and the unit behind it; None where it is no number or the unit is not known.

    "1.234,5" and "1,234.5" are both 1234.5; a lone comma is decimal unless it groups three digits and `decimal` is ".".
    """
    match = _CELL.match(cell)
    if not match or (match[2] and not known_unit(match[2])):
        return None, None
    number = re.sub(r"[' \u00a0\u202f]", "", match[1]).replace("−", "-")
    group = "." if decimal == "," else ","
    if "," in number and "." in number:
        group = min(",.", key=number.rfind)
    elif not re.fullmatch(rf"[-+]?\d{{1,3}}({re.escape(group)}\d{{3}})+", number):
        group = ""
    try:
        return float((number.replace(group, "") if group else number).replace(",", ".")), match[2]
    except ValueError:
        return None, None
