"""Times of the rows of a log: which belong to it, midnights, dates in either order, and clocks that change."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from intake_report.errors import DataError
from intake_report.loaders.base import BoolArray, FloatArray, Notice, RawColumn, ReadOptions, TimeKind, notice
from intake_report.messages import Count

if TYPE_CHECKING:
    import pyarrow as pa

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
_MONTH = 20  # [days] that dates of a drive over midnight lie apart at least when read in the wrong order
_SPIKE = 60.0  # [s] between the rows around one that is half a day off
_FLOWING = 60.0  # [s] between rows; with longer pauses a clock that did not change is not told from one that did
_CLOCK_CHANGE = {
    "followed": "The clocks of {zone} change during the log; every row has the offset in force at its time.",
    "not": "The clocks of {zone} change during the log, the logger's does not: the offset stays that of its start.",
    "twice": "The log lies in the hour that the clocks of {zone} show twice, or beside it; the rows tell which is meant.",
}
_DATE_PARTS = re.compile(r"(\d{4})(\d{2})(\d{2})$|(\d+)[-/. ](\d+|[A-Za-z]+)[-/. ](\d+)$")
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_FILE_DATE = re.compile(r"(?<!\d)((?:19|20)\d\d)[-_. ]?(0[1-9]|1[0-2])[-_. ]?(0[1-9]|[12]\d|3[01])(?!\d)")


@dataclass(frozen=True)
class TimeAxis:
    """Times of the rows of a log, (n,) [s]; NaN where one cannot be read or is no time of this log. See `RawLog`."""

    seconds: FloatArray
    origin: datetime | None
    kind: TimeKind
    notices: tuple[Notice, ...] = ()


@dataclass(frozen=True)
class TimeContext:
    """What the times of one log are read with."""

    name: str
    unit: str | None
    path: Path
    options: ReadOptions
    preamble: str


def in_utc(stamp: datetime) -> datetime:
    """Return a time in UTC, which it is taken for without a zone."""
    return (stamp if stamp.tzinfo else stamp.replace(tzinfo=UTC)).astimezone(UTC)


def to_float(values: pa.ChunkedArray) -> FloatArray:
    """Return a numeric column as float64 with NaN for null."""
    import pyarrow as pa

    if values.type != pa.float64():
        values = values.cast(pa.float64(), safe=False)
    array: FloatArray = values.to_numpy()
    return array


def within_reach(seconds: FloatArray) -> BoolArray:
    """Tell which times are finite and no further than `LONGEST` from the middle of the log; (n,) [s]."""
    good = np.isfinite(seconds)
    with np.errstate(over="ignore"):
        if good.any() and np.ptp(seconds[good]) > LONGEST:
            good &= np.abs(np.where(good, seconds, np.inf) - np.median(seconds[good])) <= LONGEST
    return good


def one_drive(seconds: FloatArray) -> FloatArray:
    """Return the times [s] with NaN for those out of reach; the same array where there are none."""
    with np.errstate(over="ignore", invalid="ignore"):
        if np.nanmax(seconds) - np.nanmin(seconds) <= LONGEST:
            return seconds
    return np.where(within_reach(seconds), seconds, np.nan)


def rows_with_time(
    seconds: FloatArray, what: str, text_of: Callable[[int], str]
) -> tuple[BoolArray | None, list[Notice]]:
    """Return which rows have a time (n,) [s] that is finite, None for all, and say how many have none.

    `what` names the times in messages, `text_of` gives one as it is written. Refuses when too many rows have no time.
    """
    good = np.isfinite(seconds)
    bad = len(good) - int(good.sum())
    if not bad:
        return None, []
    first = int(np.flatnonzero(~good)[0])
    example = text_of(first).strip()[:40]
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
    seconds: FloatArray, columns: tuple[RawColumn, ...]
) -> tuple[FloatArray, tuple[RawColumn, ...], list[Notice]]:
    """Leave out the rows whose time (n,) [s] lies out of reach; see `rows_with_time`."""
    good, dropped = rows_with_time(one_drive(seconds), "", lambda row: f"{seconds[row]:g}")
    if good is None:
        return seconds, columns, []
    return seconds[good], tuple(replace(column, values=column.values[good]) for column in columns), dropped


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
        what = (
            f"The times in “{context.name}” lie more than {LONGEST / DAY:.0f} days apart, and none near their middle."
        )
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
    lone = (
        (np.abs(steps[:-1]) > DAY / 2) & (np.abs(steps[:-1] + steps[1:]) < _SPIKE) & (np.abs(steps[:-1]) < DAY - _SPIKE)
    )
    if lone.any():
        result[finite[1:-1][lone]] = np.nan
        finite = np.flatnonzero(np.isfinite(result))
        steps = np.diff(result[finite])
    turns = np.zeros(len(finite))
    turns[1:] = np.cumsum((steps < -DAY / 2).astype(float) - (steps > _BACK_OVER_MIDNIGHT).astype(float))
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


def encoded(values: pa.Array) -> tuple[np.ndarray, list[str]]:
    """Return the distinct texts and the place of each row among them, -1 for none."""
    encoded = values.dictionary_encode()
    codes = encoded.indices.fill_null(-1).to_numpy(zero_copy_only=False)
    return codes.astype(np.int64), encoded.dictionary.to_pylist()


def _day(year: int, month: int, day: int) -> date | None:
    try:
        return date(year + 2000 if year < 100 else year, month, day)
    except ValueError:
        return None


def days_of_dates(texts: pa.Array, context: TimeContext) -> tuple[FloatArray, tuple[Notice, ...]]:
    """Return days since 1970 of dates, NaN where there is no such day; day or month first is decided by evidence."""
    codes, distinct = encoded(texts)
    rows = np.bincount(codes[codes >= 0], minlength=len(distinct))
    days: list[date | None] = [None] * len(distinct)
    open_dates: dict[int, tuple[int, int, int]] = {}  # either order
    for index, text in enumerate(distinct):
        match = _DATE_PARTS.match(text)
        if match is None:
            continue
        first, second, third = (part for part in match.groups() if part is not None)
        if second[:3].lower() in _MONTHS:
            days[index] = _day(int(third), _MONTHS.index(second[:3].lower()) + 1, int(first))
        elif second.isdecimal() and len(first) == 4:  # ISO 8601
            days[index] = _day(int(first), int(second), int(third))
        elif second.isdecimal():
            open_dates[index] = int(first), int(second), int(third)
    notices: tuple[Notice, ...] = ()
    if open_dates:
        readings = {
            True: {i: _day(year, month, day) for i, (day, month, year) in open_dates.items()},
            False: {i: _day(year, month, day) for i, (month, day, year) in open_dates.items()},
        }
        points = all("." in distinct[index] for index in open_dates)
        day_first, notices = _order(readings, rows, points, context)
        for index, day in readings[day_first].items():
            days[index] = day
    numbers = [np.nan if day is None else float((day - UNIX.date()).days) for day in days]
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
    spans = {order: (max(days) - min(days)).days for order, days in possible.items()}
    if min(spans.values()) == 1 and max(spans.values()) > _MONTH:  # one day, not one month, has gone by
        return decided(spans[True] == 1, "the log passes midnight")
    if points:
        return decided(True, "they are written with points (common practice)")
    raise DataError(
        f"The dates of “{context.name}” can be read day first or month first, and nothing in the log decides it.",
        remedy="State it under [log] of campaign.toml: day_first = true for 14/06/2026, false for 06/14/2026.",
    )


def localise(seconds: FloatArray, base: float, context: TimeContext) -> TimeAxis:
    """Count wall-clock `seconds` since 1970 + `base` from the first sample, each row with the offset in force then."""
    options = context.options
    try:
        zone = ZoneInfo(options.timezone or "UTC")
    except (ZoneInfoNotFoundError, ValueError):
        raise DataError(
            f"There is no time zone “{options.timezone}”.", remedy='Use an IANA name such as "Europe/Madrid".'
        ) from None
    axis = absolute(seconds, base, context)  # wall-clock times as if they were UTC: masks and precision
    assert axis.origin is not None
    notices: tuple[Notice, ...] = ()
    if options.timezone is None:
        notices = (notice("time-zone-assumed", "The times carry no offset and no zone is given; UTC is assumed."),)
    hours = np.arange(np.nanmin(axis.seconds) - DAY, np.nanmax(axis.seconds) + DAY + 3600.0, 3600.0)
    offsets = {(axis.origin + timedelta(seconds=float(hour))).astimezone(zone).utcoffset() for hour in hours}
    if len(offsets) > 1:
        shift, change = _offsets(axis, zone, context)
        notices = (*notices, *change)
    else:
        shift = np.array((offsets.pop() or timedelta()).total_seconds())
    first = float(shift if shift.ndim == 0 else shift[np.isfinite(axis.seconds)][0])
    moved = axis.seconds if shift.ndim == 0 else axis.seconds - (shift - first)
    return TimeAxis(moved, axis.origin - timedelta(seconds=first), "absolute", notices)


def _offsets(axis: TimeAxis, zone: ZoneInfo, context: TimeContext) -> tuple[FloatArray, tuple[Notice, ...]]:
    """Return the offset of each row [s] where the clocks change near the log; an hour shown twice by order of rows."""
    import pandas as pd

    assert axis.origin is not None
    wall = pd.DatetimeIndex(pd.Timestamp(axis.origin).tz_localize(None) + pd.to_timedelta(axis.seconds, unit="s"))
    good = np.isfinite(axis.seconds)

    def shift(early: BoolArray) -> FloatArray:
        utc = wall.tz_localize(zone, ambiguous=early, nonexistent="NaT").tz_convert("UTC").tz_localize(None)
        return np.asarray((wall - utc).total_seconds(), dtype=np.float64)

    early, late = shift(np.ones(len(wall), dtype=bool)), shift(np.zeros(len(wall), dtype=bool))
    first_row = int(np.flatnonzero(good)[0])
    begin = wall[first_row].to_pydatetime().replace(tzinfo=zone).utcoffset() or timedelta()

    def noted(kind: str) -> tuple[Notice, ...]:
        return (notice("clock-change", _CLOCK_CHANGE[kind], zone=zone.key),)

    if (np.isnan(early) & good).any():  # an hour that does not exist: the logger's clock went on
        return np.array(begin.total_seconds()), noted("not")
    twice = np.flatnonzero(good & (early != late))
    if not twice.size:
        changed = early[good].min() != early[good].max()
        return early, noted("followed") if changed else ()
    change = float(early[twice[0]] - late[twice[0]])
    rows = np.flatnonzero(good)
    steps = np.diff(axis.seconds[rows])
    beside = np.isin(rows[1:], twice) | np.isin(rows[:-1], twice)
    turns = np.flatnonzero(beside & (steps < -change / 2) & (steps > -1.5 * change))
    if turns.size:
        later = np.arange(len(wall)) >= rows[turns[0] + 1]
        return np.where(later, late, early), noted("followed")
    before = twice[0] > first_row
    after = twice[-1] < rows[-1]
    inside = steps[np.searchsorted(rows, twice[0]) - before : np.searchsorted(rows, twice[-1]) + after]
    longest = float(inside.max(initial=0.0))
    if before and after and longest <= _FLOWING:
        return np.array(begin.total_seconds()), noted("not")
    if before != after and longest < change / 2:
        return (early if before else late), noted("twice")
    start = context.options.start
    if start is not None and isinstance(start.tzinfo, timezone):
        stated = (start.utcoffset() or timedelta()).total_seconds()
        if stated in (early[twice[0]], late[twice[0]]) and not (before or after):
            return np.array(stated), noted("twice")
    raise DataError(
        f"Times in “{context.name}” fall into the hour of {wall[twice[0]]:%Y-%m-%d} that the clocks of {zone.key} show twice, "
        "and nothing in the log tells which is meant.",
        remedy="State the start of the run with its offset, as in start = 2025-10-26T02:30:00+02:00, or log in UTC.",
    )
