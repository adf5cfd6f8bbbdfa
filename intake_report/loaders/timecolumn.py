"""Which column of a delimited log is the time."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from intake_report.errors import DataError
from intake_report.loaders.base import ReadOptions
from intake_report.loaders.dialect import Dialect
from intake_report.loaders.header import clean_header, words
from intake_report.loaders.timestamps import unit_scale

if TYPE_CHECKING:
    import pyarrow as pa

_EXACT = {
    "time",
    "timestamp",
    "datetime",
    "zeit",
    "t",
    "seconds",
    "secs",
    "elapsed",
    "clock",
    "uhrzeit",
    "temps",
    "hora",
}
_TIME_WORDS = {
    "time",
    "timestamp",
    "timestamps",
    "datetime",
    "elapsed",
    "zeit",
    "secs",
    "seconds",
    "clock",
    "offset",
    "epoch",
}
_TIME_WORDS |= {"uhrzeit", "heure", "hora", "utc"}
_OTHER = {"run", "engine", "since", "start", "gps", "trip", "cleared", "device", "lap", "delay", "distance"}
_DATE_WORDS = {"date", "datum", "day", "fecha"}


def find_time_columns(
    dialect: Dialect, table: Sequence[pa.ChunkedArray], path: Path, options: ReadOptions
) -> tuple[int, int | None]:
    """Return the index of the time column and that of a separate date column, if there is one.

    Raises
    ------
    DataError
        If a stated column is absent, or none can be recognised.
    """
    if options.time_column is not None:
        time = find_column(options.time_column, dialect, path, "time_column")
    else:
        ranked = sorted((-_score(index, dialect, table), index) for index in range(len(dialect.headers)))
        if not ranked or -ranked[0][0] <= 0:
            raise DataError(
                "No time column was recognised among the columns "
                + ", ".join(f"“{h}”" for h in dialect.headers[:8])
                + ".",
                file=path,
                where=None if dialect.header_line is None else f"line {dialect.header_line + 1}",
                remedy="Name it as time_column.",
            )
        time = ranked[0][1]
    if options.date_column is not None:
        return time, find_column(options.date_column, dialect, path, "date_column")
    return time, _date_beside(time, dialect, table)


def find_column(name: str, dialect: Dialect, path: Path, key: str) -> int:
    """Return the index of a column that the user names.

    Raises
    ------
    DataError
        If there is none; the nearest is suggested.
    """
    wanted = clean_header(name)
    for candidates in (dialect.headers, dialect.names):
        for index, header in enumerate(candidates):
            if header == wanted:
                return index
    lowered = [header.lower() for header in dialect.headers]
    if wanted.lower() in lowered:
        return lowered.index(wanted.lower())
    near = difflib.get_close_matches(wanted, dialect.headers, n=1, cutoff=0.4)
    hint = f"Did you mean “{near[0]}”?" if near else "Columns are " + ", ".join(dialect.headers[:10]) + "."
    raise DataError(f"The log has no column “{name}”.", file=path, where=key, remedy=hint)


def _score(index: int, dialect: Dialect, table: Sequence[pa.ChunkedArray]) -> float:
    import pyarrow as pa

    name = dialect.names[index]
    found = words(name)
    kind = table[index].type
    if pa.types.is_null(kind) or pa.types.is_boolean(kind):
        return 0.0
    temporal = pa.types.is_timestamp(kind) or pa.types.is_time(kind)
    score = 0.0
    if name.lower() in _EXACT:
        score = 10.0
    elif set(found) & _TIME_WORDS:
        score = 6.0
    elif set(found) & _DATE_WORDS and (temporal or not pa.types.is_date(kind)):
        score = 2.0
    elif temporal:
        score = 4.0
    elif dialect.header_line is None and index == 0:
        score = 1.0
    if score and set(found) & _OTHER:
        score -= 5.0
    if score and (temporal or pa.types.is_string(kind)):
        score += 1.0
    numeric = pa.types.is_integer(kind) or pa.types.is_floating(kind)
    if numeric and score and dialect.units[index] and unit_scale(dialect.units[index], "") is None:
        return 0.0  # "time" in another unit than time: a distance, an angle
    return score + (0.5 if index == 0 and score > 0 else 0.0)


def _date_beside(time: int, dialect: Dialect, table: Sequence[pa.ChunkedArray]) -> int | None:
    """Return the column of dates that completes a clock time."""
    import pyarrow as pa

    kind = table[time].type
    if not (pa.types.is_time(kind) or pa.types.is_string(kind)):
        return None
    if pa.types.is_string(kind) and _holds_date(table[time]):
        return None
    for index, name in enumerate(dialect.names):
        other = table[index].type
        if index == time or not (pa.types.is_date(other) or pa.types.is_string(other) or pa.types.is_integer(other)):
            continue
        if set(words(name)) & _DATE_WORDS:
            return index
    return None


def _holds_date(values: pa.ChunkedArray) -> bool:
    first = next((v.as_py() for v in values if v.as_py()), "")
    return len(first) > 8 and any(first.count(sign) >= 2 for sign in "-/.")
