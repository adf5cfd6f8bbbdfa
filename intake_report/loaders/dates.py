"""Dates of text logs: the order of day and month decided by evidence, and dates that stand outside the table."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from intake_report.errors import DataError
from intake_report.loaders.base import FloatArray, Notice, ReadOptions

if TYPE_CHECKING:
    import pyarrow as pa

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_FILE_DATE = re.compile(r"(?<!\d)((?:19|20)\d\d)[-_. ]?(0[1-9]|1[0-2])[-_. ]?(0[1-9]|[12]\d|3[01])(?!\d)")


def date_elsewhere(path: Path, options: ReadOptions, preamble: str) -> tuple[date | None, str]:
    """Return a date stated by the user, above the header or in the file name, and where it was found."""
    if options.date is not None:
        return options.date, ""
    for text, where in ((preamble, "the lines above the header"), (path.name, "the file name")):
        days = {date(int(y), int(m), int(d)) for y, m, d in _FILE_DATE.findall(text) if _valid(int(y), int(m), int(d))}
        if len(days) == 1:
            return days.pop(), where
    return None, ""


def _valid(year: int, month: int, day: int) -> bool:
    try:
        date(year, month, day)
    except ValueError:
        return False
    return True


def floats(values: pa.Array) -> FloatArray:
    """Return text as numbers, NaN for null and empty text."""
    import pyarrow as pa
    import pyarrow.compute as pc

    empty = pc.equal(values, "")
    cleaned = pc.if_else(pc.fill_null(empty, True), None, values)
    array: FloatArray = cleaned.cast(pa.float64()).to_numpy(zero_copy_only=False)
    return array


def days_of_dates(
    fields: dict[str, pa.Array], name: str, path: Path, options: ReadOptions
) -> tuple[FloatArray, tuple[Notice, ...]]:
    """Return days since 1970 of extracted date parts, with the order of day and month decided by evidence."""
    import pyarrow.compute as pc

    middle = fields["b"]
    named = pc.fill_null(pc.match_substring_regex(middle, "^[A-Za-z]"), False)
    if pc.any(named).as_py():
        months = {text: _MONTHS.index(text[:3].lower()) + 1 for text in pc.unique(middle).to_pylist()
                  if text and text[:3].lower() in _MONTHS}  # fmt: skip
        middle_numbers = np.array([float(months.get(text, np.nan)) for text in middle.to_pylist()])
        first, last = floats(fields["a"]), floats(fields["c"])
        return _calendar(_century(last), middle_numbers, first), ()
    first, second, last = floats(fields["a"]), floats(middle), floats(fields["c"])
    if np.nanmax(first) > 31:  # the year comes first: ISO 8601
        return _calendar(first, second, last), ()
    year = _century(last)
    day_first, notice = _day_first(first, second, year, fields, name, path, options)
    days = _calendar(year, second, first) if day_first else _calendar(year, first, second)
    return days, notice


def _century(year: FloatArray) -> FloatArray:
    return np.where(year < 100, year + 2000, year)


def _calendar(year: FloatArray, month: FloatArray, day: FloatArray) -> FloatArray:
    good = np.isfinite(year) & np.isfinite(month) & np.isfinite(day)
    good &= (year >= 1970) & (year < 2200) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    y, m, d = (np.where(good, part, default).astype(np.int64) for part, default in ((year, 1970), (month, 1), (day, 1)))
    start = ((y - 1970) * 12 + m - 1).astype("datetime64[M]")
    days = start.astype("datetime64[D]").astype(np.int64) + d - 1
    good &= days < (start + 1).astype("datetime64[D]").astype(np.int64)
    return np.where(good, days.astype(float), np.nan)


def _day_first(
    first: FloatArray,
    second: FloatArray,
    year: FloatArray,
    fields: dict[str, pa.Array],
    name: str,
    path: Path,
    options: ReadOptions,
) -> tuple[bool, tuple[Notice, ...]]:
    """Decide whether dates are day first, from the file itself, its name or what the user states; else refuse."""
    if options.day_first is not None:
        return options.day_first, ()
    over_first, over_second = bool(np.nanmax(first) > 12), bool(np.nanmax(second) > 12)
    if over_first and over_second:
        raise DataError(
            f"Dates of “{name}” are day first in some rows and month first in others.",
            file=path,
            remedy="Export the log with dates as 2025-04-03.",
        )
    if over_first or over_second:
        order = "day first" if over_first else "month first"
        return over_first, (Notice("date-order", f"Dates of “{name}” are {order}: a number above 12 shows it.", name),)
    if np.array_equal(first, second, equal_nan=True):
        return True, ()
    known, where = date_elsewhere(path, options, "")
    readings = {True: _calendar(year, second, first), False: _calendar(year, first, second)}
    if known is not None:
        number = float((known - date(1970, 1, 1)).days)
        near = [order for order, days in readings.items() if np.nanmin(np.abs(days - number)) <= 1]
        if len(near) == 1:
            text = f"Dates of “{name}” are {'day' if near[0] else 'month'} first: {where or 'the given date'} shows it."
            return near[0], (Notice("date-order", text, name),)
    spans = {order: float(np.nanmax(days) - np.nanmin(days)) for order, days in readings.items()}
    if min(spans.values()) == 1.0 and max(spans.values()) > 20.0:  # past midnight: one day, not one month, has gone by
        order_found = spans[True] == 1.0
        text = f"Dates of “{name}” are {'day' if order_found else 'month'} first: the log passes midnight."
        return order_found, (Notice("date-order", text, name),)
    if all(mark in (".", None) for mark in _unique(fields["sep"])):
        # Dates with points are day first wherever they are written (common practice).
        return True, (Notice("date-order", f"Dates of “{name}” are written with points and read day first.", name),)
    raise DataError(
        f"The dates of “{name}” can be read day first or month first, and nothing in the log decides it.",
        file=path,
        remedy="State it under [log] of campaign.toml: day_first = true for 14/06/2026, false for 06/14/2026.",
    )


def _unique(values: pa.Array) -> list[str | None]:
    import pyarrow.compute as pc

    found: list[str | None] = pc.unique(values).to_pylist()
    return found
