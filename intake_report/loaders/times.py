"""Times of the rows of a log: which belong to it, midnights, dates in either order, and the offset of their zone."""

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pyarrow as pa

from intake_report.errors import DataError
from intake_report.loaders.base import BoolArray, FloatArray, Notice, RawColumn, ReadOptions, TimeKind, notice
from intake_report.messages import Count

UNIX = datetime(1970, 1, 1, tzinfo=UTC)
DAY = 86400.0
LONGEST = 7 * DAY
"""A time further than this [s] from the middle of a log is none of it: a drive lasts hours (a choice of this package)."""
MOST_UNREADABLE = 0.2
"""Largest share of rows without a readable time; a log that loses more is not the drive (a choice of this package)."""
# Times of a vehicle log: from 1990, when such logs first appeared, to a century later.
EARLIEST, LATEST = 631_152_000.0, 3_786_912_000.0
_SAMPLE = 10_000  # rows from which the middle of a log is told
_BACK_OVER_MIDNIGHT = 23 * 3600.0  # a small step back from just after midnight shows as nearly a day ahead
_SPIKE = 60.0  # [s] between the rows around one that is half a day off
_DATE_PARTS = re.compile(r"(\d{4})(\d{2})(\d{2})$|(\d+)[-/. ](\d+|[A-Za-z]+)[-/. ](\d+)$")
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_FILE_DATE = re.compile(r"(?<!\d)((?:19|20)\d\d)[-_. ]?(0[1-9]|1[0-2])[-_. ]?(0[1-9]|[12]\d|3[01])(?!\d)")


class TimeAxis(NamedTuple):
    """Times of the rows of a log, (n,) [s]; NaN where one cannot be read or is no time of this log. See `RawLog`."""

    seconds: FloatArray
    origin: datetime | None
    kind: TimeKind
    notices: tuple[Notice, ...] = ()


class TimeContext(NamedTuple):
    """What the times of one log are read with."""

    name: str
    unit: str | None
    path: Path
    options: ReadOptions
    preamble: str  # text in which a date may stand


def in_utc(stamp: datetime) -> datetime:
    """Return a time in UTC, which it is taken for without a zone."""
    return (stamp if stamp.tzinfo else stamp.replace(tzinfo=UTC)).astimezone(UTC)


def to_float(values: pa.ChunkedArray) -> FloatArray:
    """Return a numeric column as float64 with NaN for null."""
    if values.type != pa.float64():
        values = values.cast(pa.float64(), safe=False)
    array: FloatArray = values.to_numpy()
    return array


def one_drive(seconds: FloatArray) -> FloatArray:
    """Return the times (n,) [s] with NaN for those further than `LONGEST` from their middle; the same array without any."""
    with np.errstate(over="ignore", invalid="ignore"):
        if np.nanmax(seconds) - np.nanmin(seconds) <= LONGEST:
            return seconds
        good = np.isfinite(seconds)
        middle = np.median(seconds[good]) if good.any() else np.nan
        return np.where(np.abs(seconds - middle) <= LONGEST, seconds, np.nan)


def rows_with_time(seconds: FloatArray, what: str, text: Callable[[int], str]) -> tuple[BoolArray | None, list[Notice]]:
    """Return which rows have a time (n,) [s] that is finite, None for all, and say how many have none.

    `what` names the times in messages, `text` gives one as it is written. Refuses when too many rows have no time.
    """
    good = np.isfinite(seconds)
    bad = len(good) - int(good.sum())
    if not bad:
        return None, []
    first = int(np.flatnonzero(~good)[0])
    example = text(first).strip()[:40]
    if bad > MOST_UNREADABLE * len(good):
        raise DataError(
            f"{bad:,} of {len(good):,} times{what} cannot be read or are none of this log, the first of them “{example}”.",
            remedy="Use ISO 8601, clock time, seconds since 1970 or elapsed seconds, and one log for each drive; "
            f"at most {MOST_UNREADABLE:.0%} of the rows are left out.",
        )
    template = "{count} left out: no readable time{what}, or none of this log (first: row {row}, “{example}”)."
    count = Count(bad, "row")
    return good, [notice("rows-without-time", template, count=count, what=what, row=first + 1, example=example)]


def rows_of_log(
    seconds: FloatArray, columns: tuple[RawColumn, ...], base: datetime | None, notices: Sequence[Notice]
) -> tuple[FloatArray, datetime | None, tuple[RawColumn, ...], tuple[Notice, ...], TimeKind]:
    """Return fields of `RawLog` for times (n,) [s] since `base`, elapsed without it; rows out of reach are left out."""
    good, dropped = rows_with_time(one_drive(seconds), "", lambda row: f"{seconds[row]:g}")
    if good is not None:
        columns = tuple(replace(column, values=column.values[good]) for column in columns)
        seconds = seconds[good]
    everything = (*notices, *dropped)
    if base is None:
        return seconds, None, columns, everything, "elapsed"
    return seconds - seconds[0], base + timedelta(seconds=float(seconds[0])), columns, everything, "absolute"


def middle_of(seconds: FloatArray, context: TimeContext) -> float:
    """Return the median of the times; refuse a column without any."""
    finite = seconds[np.isfinite(seconds)]
    if not finite.size:
        what = f"No time in “{context.name}” can be read."
        raise DataError(what, remedy="Use ISO 8601, clock time, seconds since 1970 or elapsed seconds.")
    return float(np.median(finite))


def absolute(seconds: FloatArray, base: float, context: TimeContext) -> TimeAxis:
    """Count `seconds` since 1970 + `base` from the first sample; times that are none of this log become NaN."""
    middle = middle_of(seconds[:: max(1, len(seconds) // _SAMPLE)], context)
    if not EARLIEST <= base + middle <= LATEST:
        what = f"The times in “{context.name}” are about {base + middle:.0f} s after 1970, which is no date of a vehicle log."
        raise DataError(what, remedy="Set the logger's clock, or state time_unit if the column is elapsed time.")
    seconds = one_drive(seconds)
    known = seconds[np.isfinite(seconds)]
    if not known.size:  # as many on one side of the middle as on the other
        what = f"The times in “{context.name}” lie more than {LONGEST / DAY:.0f} days apart, none near their middle."
        raise DataError(what, remedy="Split the log where another drive begins.")
    first = float(known[0])
    return TimeAxis(seconds - first, UNIX + timedelta(seconds=base) + timedelta(seconds=first), "absolute")


def unroll_midnight(seconds: FloatArray) -> tuple[FloatArray, int]:
    """Add a day to clock times [s] after each step back of more than twelve hours; return them and the midnights passed.

    Smaller backward steps are left for the cleaning to find. A lone row half a day off its neighbours is a damaged one and
    becomes NaN.
    """
    result = seconds.copy()
    finite = np.flatnonzero(np.isfinite(seconds))
    steps = np.diff(seconds[finite])
    away = np.abs(steps[:-1])
    lone = (away > DAY / 2) & (away < DAY - _SPIKE) & (np.abs(steps[:-1] + steps[1:]) < _SPIKE)
    result[finite[1:-1][lone]] = np.nan
    finite = np.flatnonzero(np.isfinite(result))
    steps = np.diff(result[finite], prepend=result[finite[:1]])
    turns = np.cumsum((steps < -DAY / 2).astype(float) - (steps > _BACK_OVER_MIDNIGHT))
    result[finite] += turns * DAY
    return result, int(turns.max(initial=0.0))


def date_elsewhere(path: Path, options: ReadOptions, preamble: str) -> tuple[date | None, str]:
    """Return a date stated by the user, above the header or in the file name, and where it was found."""
    if options.date is not None:
        return options.date, ""
    for text, where in ((preamble, "the lines above the header"), (path.name, "the file name")):
        days = {_day(*map(int, match)) for match in _FILE_DATE.findall(text)} - {None}
        if len(days) == 1:
            return days.pop(), where
    return None, ""


def encoded(values: pa.Array) -> tuple[np.ndarray, list[Any]]:
    """Return the distinct texts and the place of each row among them, -1 for none."""
    found = values.dictionary_encode()
    return found.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int64), found.dictionary.to_pylist()


def _day(year: int, month: int, day: int) -> date | None:
    try:
        return date(year + 2000 if year < 100 else year, month, day)
    except ValueError:
        return None


def days_of_dates(texts: pa.Array, context: TimeContext) -> tuple[FloatArray, tuple[Notice, ...]]:
    """Return days since 1970 of dates, NaN where there is no such day; day or month first is decided by evidence."""
    codes, distinct = encoded(texts)
    rows = np.bincount(codes[codes >= 0], minlength=len(distinct))
    days: dict[int, date | None] = {}
    readings: dict[bool, dict[int, date | None]] = {True: {}, False: {}}  # of dates in either order, by day first
    for index, match in enumerate(map(_DATE_PARTS.match, distinct)):
        if match is None:
            continue
        first, second, third = (part for part in match.groups() if part is not None)
        if second[:3].lower() in _MONTHS:
            days[index] = _day(int(third), _MONTHS.index(second[:3].lower()) + 1, int(first))
        elif second.isdecimal() and len(first) == 4:  # ISO 8601
            days[index] = _day(int(first), int(second), int(third))
        elif second.isdecimal():
            readings[True][index] = _day(int(third), int(second), int(first))
            readings[False][index] = _day(int(third), int(first), int(second))
    notices: tuple[Notice, ...] = ()
    if readings[True]:
        day_first, notices = _order(readings, rows, all("." in distinct[index] for index in readings[True]), context)
        days |= readings[day_first]
    numbers = [float((day - UNIX.date()).days) if (day := days.get(i)) else np.nan for i in range(len(distinct))]
    return np.array([*numbers, np.nan])[codes], notices


def _order(
    readings: dict[bool, dict[int, date | None]], rows: np.ndarray, points: bool, context: TimeContext
) -> tuple[bool, tuple[Notice, ...]]:
    """Decide whether dates are day first, from the file itself, its name or what the user states; else refuse."""
    if context.options.day_first is not None:
        return context.options.day_first, ()

    def decided(day_first: bool, because: str) -> tuple[bool, tuple[Notice, ...]]:
        order = "day first" if day_first else "month first"
        template = "Dates of “{column}” are {order}: {because}."
        return day_first, (notice("date-order", template, context.name, order=order, because=because),)

    only = {
        order: sum(int(rows[i]) for i, day in readings[order].items() if day and not readings[not order][i])
        for order in (True, False)
    }
    if min(only.values()) > MOST_UNREADABLE * rows.sum():
        what = f"Dates of “{context.name}” are day first in some rows and month first in others."
        raise DataError(what, remedy="Export the log with dates as 2025-04-03.")
    if only[True] != only[False]:
        return decided(only[True] > only[False], "a number above 12 shows it")
    possible = {order: {day for day in days.values() if day} for order, days in readings.items()}
    if possible[True] == possible[False]:
        return True, ()
    known, where = date_elsewhere(context.path, context.options, "")
    if known is not None:
        near = [order for order, days in possible.items() if any(abs((day - known).days) <= 1 for day in days)]
        if len(near) == 1:
            return decided(near[0], f"{where or 'the given date'} shows it")
    if points:
        return decided(True, "they are written with points (common practice)")
    what = f"The dates of “{context.name}” can be read day first or month first, and nothing in the log decides it."
    remedy = "State it under [log] of campaign.toml: day_first = true for 14/06/2026, false for 06/14/2026."
    raise DataError(what, remedy=remedy)


def localise(seconds: FloatArray, base: float, context: TimeContext) -> TimeAxis:
    """Count wall-clock `seconds` since 1970 + `base` from the first sample, each row with the offset in force then.

    Raises DataError: if rows lie in an hour that the zone's clocks skip or show twice, and their order does not tell the offset.
    """
    stated = context.options.timezone
    try:
        zone = ZoneInfo(stated or "UTC")
    except (ZoneInfoNotFoundError, ValueError):
        what = f"There is no time zone “{stated}”."
        raise DataError(what, remedy='Use an IANA name such as "Europe/Madrid".') from None
    axis = absolute(seconds, base, context)  # wall-clock times as if they were UTC: masks and precision
    assert axis.origin is not None
    notices: tuple[Notice, ...] = ()
    if stated is None:
        notices = (notice("time-zone-assumed", "The times carry no offset and no zone is given; UTC is assumed."),)
    ends = (axis.origin + timedelta(seconds=s) for s in (np.nanmin(axis.seconds) - DAY, np.nanmax(axis.seconds) + DAY))
    before, after = (end.astimezone(zone).utcoffset() or timedelta() for end in ends)
    if before == after:
        return axis._replace(origin=axis.origin - before, notices=notices)
    offsets = _offsets(axis.seconds, axis.origin, zone, context)
    known = offsets[np.isfinite(axis.seconds)]
    if np.ptp(known) > 0.0:
        text = "The clocks of {zone} change during the log; every row has the offset in force at its time."
        notices = (*notices, notice("clock-change", text, zone=zone.key))
    origin = axis.origin - timedelta(seconds=float(known[0]))
    return TimeAxis(axis.seconds - (offsets - known[0]), origin, "absolute", notices)


def _offsets(seconds: FloatArray, origin: datetime, zone: ZoneInfo, context: TimeContext) -> FloatArray:
    """Return the offset of each row (n,) [s] where the clocks change near the log; an hour shown twice by order of rows."""
    import pandas as pd

    wall = pd.Timestamp(origin).tz_localize(None) + pd.to_timedelta(seconds, unit="s")

    def shift(early: bool) -> FloatArray:
        local = wall.tz_localize(zone, ambiguous=np.full(len(wall), early), nonexistent="NaT")
        return np.asarray((wall - local.tz_convert("UTC").tz_localize(None)).total_seconds(), dtype=np.float64)

    early, late = shift(True), shift(False)
    rows = np.flatnonzero(np.isfinite(seconds))
    unclear = rows[early[rows] != late[rows]]  # shown twice, or never (NaN)
    if not unclear.size:
        return early
    change, steps = early[unclear[0]] - late[unclear[0]], np.diff(seconds[rows])
    beside = np.isin(rows[1:], unclear) | np.isin(rows[:-1], unclear)
    turns = np.flatnonzero(beside & (steps < -change / 2.0) & (steps > -1.5 * change))
    if turns.size:
        return np.where(np.arange(len(seconds)) > rows[turns[0]], late, early)
    begins_before, ends_after = unclear[0] > rows[0], unclear[-1] < rows[-1]
    if begins_before != ends_after and np.abs(steps).max() < change / 2.0:
        return early if begins_before else late
    raise DataError(
        f"Times in “{context.name}” fall into the hour of {wall[unclear[0]]:%Y-%m-%d} in which the clocks of {zone.key} "
        "change, and nothing in the log tells which offset they have.",
        remedy='State the logger\'s own offset under [log], as in timezone = "Etc/GMT-2" for UTC+2, or log in UTC.',
    )
