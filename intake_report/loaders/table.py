"""From a parsed table to a log: the time axis, numbers from every kind of column, and what was left out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from intake_report.errors import DataError
from intake_report.loaders.base import FloatArray, Notice, RawColumn, RawLog, ReadOptions, plural
from intake_report.loaders.cells import numbers_of_text
from intake_report.loaders.clock import to_float
from intake_report.loaders.dates import date_elsewhere
from intake_report.loaders.dialect import Dialect
from intake_report.loaders.timecolumn import find_time_columns
from intake_report.loaders.timestamps import TimeAxis, join_date, time_axis

if TYPE_CHECKING:
    import pyarrow as pa


def log_of_table(
    table: list[pa.ChunkedArray],
    dialect: Dialect,
    path: Path,
    form: str,
    options: ReadOptions,
    notices: Sequence[Notice],
) -> RawLog:
    """Turn a parsed table into a log.

    Parameters
    ----------
    table : list of pyarrow.ChunkedArray
        m columns (n,) in the order of `dialect.headers`; emptied on the way, so that no number is held twice for long.
    dialect : Dialect
        Names and units of the columns.
    path : Path
        The file.
    form : str
        Name of the reader.
    options : ReadOptions
        What the file does not tell.
    notices : sequence of Notice
        What was noticed up to here.

    Raises
    ------
    DataError
        If there is no time column or no column of numbers.
    """
    axis, used = _time(table, dialect, path, options)
    keep, dropped = _rows_with_time(axis)
    columns, converted = _columns(table, dialect, used, keep, path)
    seconds = axis.seconds if keep is None else axis.seconds[keep]
    if not len(seconds):
        raise DataError("No row has a readable time.", file=path, remedy="Name the time column as time_column.")
    everything = (*notices, *axis.notices, *_other_date(axis, path), *dropped, *converted)
    return RawLog(path, form, seconds, axis.origin, columns, everything, axis.kind)


def _time(
    table: Sequence[pa.ChunkedArray], dialect: Dialect, path: Path, options: ReadOptions
) -> tuple[TimeAxis, set[int]]:
    time, day = find_time_columns(dialect, table, path, options)
    values = table[time]
    if day is not None:
        values = join_date(table[day], values)
    axis = time_axis(values, dialect.names[time], dialect.units[time], path, options, preamble=dialect.preamble)
    return axis, {time} if day is None else {time, day}


def _other_date(axis: TimeAxis, path: Path) -> tuple[Notice, ...]:
    """Say when the file name holds a date more than a day from that of the log: one of the two clocks was wrong."""
    named, _ = date_elsewhere(path, ReadOptions(), "")
    if axis.origin is None or named is None or abs((axis.origin.date() - named).days) <= 1:
        return ()
    text = f"The log begins on {axis.origin:%Y-%m-%d} (UTC); the file name says {named}."
    return (Notice("date-differs", text),)


def _rows_with_time(axis: TimeAxis) -> tuple[np.ndarray | None, tuple[Notice, ...]]:
    good = np.isfinite(axis.seconds)
    count = int(len(good) - good.sum())
    if not count:
        return None, ()
    return good, (
        Notice("rows-without-time", f"{plural(count, 'row')} without a readable time left out.", count=count),
    )


def _columns(
    table: list[pa.ChunkedArray | None], dialect: Dialect, used: set[int], keep: np.ndarray | None, path: Path
) -> tuple[tuple[RawColumn, ...], tuple[Notice, ...]]:
    columns: list[RawColumn] = []
    notices: list[Notice] = []
    text_columns: list[str] = []
    for index, (header, name, unit) in enumerate(zip(dialect.headers, dialect.names, dialect.units, strict=True)):
        if index in used:
            continue
        raw, table[index] = table[index], None
        values, noticed = _numbers(raw, name or header, unit, dialect.decimal)
        del raw
        if not header and (values is None or np.isnan(values).all()):
            continue  # a trailing delimiter
        if values is None:
            text_columns.append(header)
            continue
        notices.extend(noticed)
        label = header or f"column {index + 1}"
        columns.append(RawColumn(name or label, unit, values if keep is None else values[keep], label))
    if text_columns:
        shown = ", ".join(f"“{name}”" for name in text_columns[:5])
        notices.append(
            Notice(
                "text-columns",
                f"{plural(len(text_columns), 'column')} of text left out: {shown}.",
                count=len(text_columns),
            )
        )
    if not columns:
        raise DataError("No column beside the time holds numbers.", file=path)
    return tuple(columns), (*notices, *_repeated(columns))


def _numbers(
    values: pa.ChunkedArray, name: str, unit: str | None, decimal: str
) -> tuple[FloatArray | None, tuple[Notice, ...]]:
    """Return a column as float64, or None when it is text, date or time."""
    import pyarrow as pa

    kind = values.type
    if pa.types.is_null(kind):
        return np.full(len(values), np.nan), ()
    if pa.types.is_string(kind) or pa.types.is_binary(kind):
        return numbers_of_text(values, name, unit, decimal)
    if pa.types.is_temporal(kind):
        return None, ()
    numbers = to_float(values.cast(pa.int8()) if pa.types.is_boolean(kind) else values)
    infinite = np.isinf(numbers)
    count = int(infinite.sum())
    if count:
        numbers = np.where(infinite, np.nan, numbers)
        return numbers, (Notice("infinite", f"{plural(count, 'infinite value')} of “{name}” left out.", name, count),)
    return numbers, ()


def _repeated(columns: Sequence[RawColumn]) -> tuple[Notice, ...]:
    headers = [column.header for column in columns]
    twice = (
        sorted({header for header in headers if headers.count(header) > 1}) if len(set(headers)) < len(headers) else []
    )
    return tuple(Notice("repeated-column", f"Several columns are called “{header}”.", header) for header in twice)
