"""Tables with columns of several types: Parquet, Arrow and MDF 4 files, and from any such table to a log."""

import gc
import re
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from intake_report.errors import DataError
from intake_report.loaders import times
from intake_report.loaders.base import MEBIBYTE, BoolArray, FloatArray, Notice, RawColumn, RawLog, ReadOptions, notice
from intake_report.loaders.content import expansion_limit
from intake_report.loaders.dialect import Dialect, clean_header, split_header
from intake_report.loaders.timecolumn import find_time_columns, time_axis
from intake_report.messages import Count, Listing
from intake_report.units import known_unit, spelling

_NAMED, _SHOWN = 5, 30  # columns that a sentence names, signs of a cell that it shows
_INDEX = "__index_level_0__"
Column: TypeAlias = pa.ChunkedArray
_PLAIN = dict.fromkeys((pa.large_string(), pa.string_view()), pa.string())
_PLAIN |= dict.fromkeys((pa.large_binary(), pa.binary_view()), pa.binary())
_CELL = re.compile(r"^([-+−]?(?:\d[\d.,' \u00a0\u202f]*|[.,]\d+)(?:[eE][-+]?\d+)?)\s*([^\d\s].*)?$")


def read_parquet(path: Path, options: ReadOptions) -> RawLog:
    """Read one Parquet file; see `read_log`."""
    from pyarrow import parquet

    with _intact("Parquet"), parquet.ParquetFile(path) as file:
        _refuse_large(path, file.metadata.num_rows * max(file.metadata.num_columns, 1))
        table = file.read()
    return _log(table, path, "parquet", options)


def read_arrow(path: Path, options: ReadOptions) -> RawLog:
    """Read one Arrow IPC file or stream (also known as Feather); see `read_log`."""
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
                _refuse_large(path, cells)
                kept.append(batch)
            table = pa.Table.from_batches(kept, reader.schema)
        return _log(table, path, "arrow", options)


@contextmanager
def _intact(what: str) -> Iterator[None]:
    try:
        yield
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        what = f"The {what} file is damaged or incomplete."
        raise DataError(what, remedy="Export the log again.") from error


def _refuse_large(path: Path, cells: int) -> None:
    if cells * 8 > expansion_limit(path.stat().st_size):
        what = f"The file expands to {cells * 8 / MEBIBYTE:.0f} MiB, which no log of its size does."
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
    return log_of_table([_plain(column) for column in table.columns], dialect, path, form, options, ())


def _plain(values: Column) -> Column:
    """Bring dictionary, wide and view types to the plain ones that the other steps know."""
    if pa.types.is_dictionary(values.type):
        values = values.cast(values.type.value_type)
    plain = _PLAIN.get(values.type)
    return values if plain is None else values.cast(plain)


def log_of_table(
    table: list[Column], dialect: Dialect, path: Path, form: str, options: ReadOptions, notices: Sequence[Notice]
) -> RawLog:
    """Turn a parsed table into a log.

    `table` holds one column (n,) for each of `dialect.headers`; it is emptied on the way, so that no number is held twice
    for long. `form` names the reader, `notices` is what was noticed up to here.

    Raises DataError: if there is no time column, too many rows have no readable time, or no column holds numbers.
    """
    time, day = find_time_columns(dialect, table, options)
    values = table[time]
    if day is not None:
        values = pc.binary_join_element_wise(table[day].cast(pa.string()), values.cast(pa.string()), " ")
    name = dialect.names[time]
    axis = time_axis(values, times.TimeContext(name, dialect.units[time], path, options, dialect.preamble))

    def written(row: int, texts: Column = values) -> str:
        return str(texts[row].as_py() or "")

    keep, dropped = times.rows_with_time(axis.seconds, f" in “{name}”", written)
    del values, written
    columns, converted = _columns(table, dialect, {time, day}, keep)
    seconds = axis.seconds if keep is None else axis.seconds[keep]
    everything = (*notices, *axis.notices, *_other_date(axis, path), *dropped, *converted)
    header = dialect.headers[time] if day is None else ""
    return RawLog(path, form, seconds, axis.origin, columns, everything, axis.kind, header)


def _other_date(axis: times.TimeAxis, path: Path) -> tuple[Notice, ...]:
    """Say when the file name holds a date more than a day from that of the log: one of the two clocks was wrong."""
    named, _ = times.date_elsewhere(path, ReadOptions(), "")
    if axis.origin is None or named is None or abs((axis.origin.date() - named).days) <= 1:
        return ()
    template = "The log begins on {begin} (UTC); the file name says {named}."
    return (notice("date-differs", template, begin=f"{axis.origin:%Y-%m-%d}", named=f"{named}"),)


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
    """Return a column as float64, or None when it is text, date or time; add to `notices` what is left out of it."""
    kind = values.type
    if pa.types.is_null(kind):
        return np.full(len(values), np.nan)
    if pa.types.is_string(kind) or pa.types.is_binary(kind):
        return _from_text(values, name, unit, decimal, notices)
    if pa.types.is_temporal(kind):
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

    "1.234,5" and "1,234.5" are both 1234.5; a lone comma is the decimal sign unless it groups three digits and the
    table writes decimals with a point.
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


_FIRST_YEAR = 1990  # an earlier start is a clock that was never set


def read_mdf4(path: Path, options: ReadOptions) -> RawLog:  # noqa: ARG001 - a recording tells all by itself
    """Read one recording; needs the extra "mdf"."""
    try:
        import asammdf
    except ImportError:
        what = "Reading MDF needs the package asammdf."
        raise DataError(what, remedy="Install it: pip install intake-report[mdf]") from None
    try:
        with asammdf.MDF(path) as recording:
            return _recording(recording, path)
    except DataError:
        raise
    except Exception as error:  # asammdf raises whatever a damaged block makes struct, numpy or zlib raise
        what = f"The MDF file is damaged or of another version ({type(error).__name__})."
    # The destructor of a half-built recording fails: it is collected now, or Python prints a traceback about it later.
    hook, sys.unraisablehook = sys.unraisablehook, lambda _: None
    gc.collect()
    sys.unraisablehook = hook
    raise DataError(what, remedy="Export the recording again as MDF 4.")


def _recording(recording: Any, path: Path) -> RawLog:
    _refuse_large(path, sum(group.channel_group.cycles_nr * len(group.channels) for group in recording.groups))
    samples: list[tuple[RawColumn, FloatArray]] = []  # columns with times of their own
    skipped = 0
    for number, group in enumerate(recording.groups):
        for index in range(len(group.channels)):
            if index == recording.masters_db.get(number):
                continue
            signal = recording.get(group=number, index=index, ignore_invalidation_bits=False)
            values = _samples_of(signal)
            if values is None:
                skipped += 1
            elif len(values):
                column = RawColumn(clean_header(signal.name), clean_header(signal.unit or "") or None, values)
                samples.append((column, np.asarray(signal.timestamps, float)))
    if not samples:
        raise DataError("The recording holds no channel with numbers.")
    notices: list[Notice] = []
    if skipped:
        notices.append(notice("text-columns", "{count} without numbers left out.", count=Count(skipped, "channel")))
    began = recording.start_time
    origin = None if began is None or began.year < _FIRST_YEAR else times.in_utc(began)
    if origin is None:
        notices.append(notice("no-start-time", "The recording does not tell when it began."))
    time = np.unique(np.concatenate([own for _, own in samples]))
    columns = []
    for column, own in samples:  # each with a time base of its own: NaN where it has no sample
        placed = np.full(len(time), np.nan)
        placed[np.searchsorted(time, own)] = column.values
        columns.append(replace(column, values=placed))
    notices += repeated_names([column.name for column in columns])
    return RawLog(path, "mdf4", *times.rows_of_log(time, tuple(columns), origin, notices))


def _samples_of(signal: Any) -> FloatArray | None:
    samples = np.asarray(signal.samples)
    if samples.dtype.kind not in "iufb" or samples.ndim != 1:
        return None
    values = samples.astype(np.float64)
    invalid = getattr(signal, "invalidation_bits", None)
    if invalid is not None:
        values[np.asarray(invalid, dtype=bool)] = np.nan
    values[~np.isfinite(values)] = np.nan
    return values
