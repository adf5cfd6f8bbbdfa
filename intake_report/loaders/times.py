"""Times of the rows of a log: how the time column is written, midnights, order of dates, offsets of a zone."""

import contextlib
import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from intake_report.errors import DataError
from intake_report.loaders.base import FloatArray, Notice, ReadOptions, TimeKind, converts, notice
from intake_report.loaders.dialect import words
from intake_report.messages import Count

UNIX = datetime(1970, 1, 1, tzinfo=UTC)
DAY = 86400.0
_LONGEST = 7 * DAY  # [s] from the middle of a log, beyond which a time is none of it: a drive lasts hours (own choice)
MOST_UNREADABLE = 0.2  # share of rows without a readable time; a log that loses more is not the drive (own choice)
# Times of a vehicle log: from 1990, when such logs first appeared, to a century later.
EARLIEST, LATEST = 631_152_000.0, 3_786_912_000.0
_SAMPLE = 10_000  # rows from which the middle of a log is told
_BACK_OVER_MIDNIGHT = 23 * 3600.0  # a small step back from just after midnight shows as nearly a day ahead
_SPIKE = 60.0  # [s] between the rows around one that is half a day off
_DATE_PARTS = re.compile(r"(\d{4})(\d{2})(\d{2})$|(\d+)[-/. ](\d+|[A-Za-z]+)[-/. ](\d+)$")
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_FILE_DATE = re.compile(r"(?<!\d)((?:19|20)\d\d)[-_. ]?(0[1-9]|1[0-2])[-_. ]?(0[1-9]|[12]\d|3[01])(?!\d)")
_COMPACT_DATES = (19_000_101_000_000, 21_000_101_000_000)  # numbers that are 14 digits of date and time
_EPOCH_SCALES = (("seconds", 1.0), ("milliseconds", 1e3), ("microseconds", 1e6), ("nanoseconds", 1e9))
_PER_SECOND = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}
_LONGEST_STEP = 30.0  # [s] between rows; a longer one without a unit is in another unit (common practice)
_DATE = r"(?P<date>\d{1,4}[-/. ](?:\d{1,2}|[A-Za-z]{3,9})[-/. ]\d{1,4})"
_CLOCK = (
    r"(?P<h>\d{1,4}):(?P<m>\d{2})(?::(?P<s>\d{2}(?:[.,:]\d+)?))?"
    r"\s*(?P<p>[AaPp]\.?[Mm]\.?)?\s*(?P<z>Z|UTC|GMT|[+-]\d{2}:?\d{2}|[+-]\d{2})?"
)
_COMPACT = r"(?P<date>\d{8})[T_ ]?(?P<h>\d{2})(?P<m>\d{2})(?P<s>\d{2}(?:[.,]\d+)?)(?P<z>Z|[+-]\d{2}:?\d{2})?"
_PLAIN_CLOCK = re.compile(r"\d\d:\d\d:\d\d(\.\d+)?$")


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
    return np.asarray(values.cast(pa.float64(), safe=False).to_numpy())


def is_number(kind: pa.DataType) -> bool:
    """Tell whether a column of this type holds numbers."""
    return any(is_kind(kind) for is_kind in (pa.types.is_integer, pa.types.is_floating, pa.types.is_decimal))


def one_drive(seconds: FloatArray) -> FloatArray:
    """Return the times (n,) [s] with NaN for those that lie days from their middle; the same array without any."""
    with np.errstate(over="ignore", invalid="ignore"):
        if np.nanmax(seconds) - np.nanmin(seconds) <= _LONGEST:
            return seconds
        good = np.isfinite(seconds)
        middle = np.median(seconds[good]) if good.any() else np.nan
        return np.where(np.abs(seconds - middle) <= _LONGEST, seconds, np.nan)


def time_axis(values: pa.ChunkedArray, context: TimeContext) -> TimeAxis:
    """Read the time column (n,) of a log, whatever it is written in; DataError if it cannot be, or only by guessing."""
    kind = values.type
    if pa.types.is_timestamp(kind):
        ticks, per_second = values.cast(pa.int64()), _PER_SECOND[kind.unit]
        # Whole seconds are taken off before the numbers become floats: 1.7e18 ns leave no room for fractions.
        base = int(_middle_of(to_float(ticks.slice(0, _SAMPLE)), context)) // per_second
        seconds = to_float(pc.subtract(ticks, base * per_second)) / per_second
        return (_localise if kind.tz is None else _absolute)(seconds, base, context)
    if pa.types.is_time(kind):
        whole = values.cast(pa.int32() if kind.bit_width == 32 else pa.int64())
        return _from_clock(to_float(whole) / _PER_SECOND[kind.unit], context)
    return _from_numbers(values, context) if is_number(kind) else _from_text(values.cast(pa.string()), context)


def _from_numbers(values: pa.ChunkedArray, context: TimeContext) -> TimeAxis:
    head = to_float(values.slice(0, _SAMPLE))
    typical = _middle_of(head if np.isfinite(head).any() else to_float(values), context)
    if _COMPACT_DATES[0] <= typical < _COMPACT_DATES[1]:
        # A float is good to 4 ms.
        texts = [None if number is None else f"{number:.3f}" for number in values.to_pylist()]
        return _from_text(pa.chunked_array([pa.array(texts, pa.string())]), context)
    if context.options.time_unit is None:
        for what, scale in _EPOCH_SCALES:
            if EARLIEST <= typical / scale <= LATEST:
                base = int(typical // scale)
                exact = pc.subtract(values, int(base * scale) if pa.types.is_integer(values.type) else base * scale)
                axis = _absolute(to_float(exact) / scale, base, context)
                note = notice("epoch-time", "“{column}” holds {what} since 1970 (UTC).", context.name, what=what)
                return axis._replace(notices=(note,))
    return _elapsed(to_float(values), head, context)


def _elapsed(seconds: FloatArray, head: FloatArray, context: TimeContext) -> TimeAxis:
    notices: tuple[Notice, ...] = ()
    stated = context.options.time_unit
    units = [stated or context.unit or ""]
    if not stated:  # the name may tell; hours and minutes are too often part of another word's meaning
        units += [word for word in reversed(words(context.name)) if word not in ("h", "min", "minute", "hour")]
    scale = next((factors[0] for unit in units if (factors := converts(unit, "time"))), None)
    if scale is None:
        steps = np.abs(np.diff(head[np.isfinite(head)]))
        if steps.size and np.median(steps) > _LONGEST_STEP:
            step = f"{np.median(steps):g}"
            what = f"The time column “{context.name}” has no unit and steps of {step}, too long for seconds."
            raise DataError(what, remedy='State it, for example time_unit = "ms".')
        scale = 1.0
        notices = (notice("time-unit-assumed", "“{column}” carries no unit; seconds are assumed.", context.name),)
    return TimeAxis(one_drive(seconds if scale == 1.0 else seconds * scale), None, "elapsed", notices)


def _from_clock(seconds: FloatArray, context: TimeContext) -> TimeAxis:
    notices: list[Notice] = []
    _middle_of(seconds, context)
    seconds, midnights = unroll_midnight(seconds)
    if midnights:
        notices.append(notice("midnight", "The clock passes midnight {count}.", count=Count(midnights, "time")))
    day, where = date_elsewhere(context.path, context.options, context.preamble)
    from_zero = seconds[np.isfinite(seconds)][0] < 1.0 and context.options.date is None
    if from_zero or day is None:
        return TimeAxis(seconds, None, "elapsed" if from_zero else "clock", tuple(notices))
    if where:
        notices.append(notice("date-elsewhere", "The date {day} is taken from {where}.", day=f"{day}", where=where))
    axis = _localise(seconds, (day - UNIX.date()).days * DAY, context)
    return axis._replace(notices=(*notices, *axis.notices))


def _from_text(values: pa.ChunkedArray, context: TimeContext) -> TimeAxis:
    text = pc.utf8_trim_whitespace(values)
    if _PLAIN_CLOCK.match(next((v.as_py() for v in text[:100] if v.is_valid), "")):
        with contextlib.suppress(pa.ArrowInvalid):  # where every cell is "07:16:30.444", pyarrow's parser is quick
            stamps = pc.binary_join_element_wise("1970-01-01 ", text, "").cast(pa.timestamp("ns"))
            return _from_clock(to_float(stamps.cast(pa.int64())) / 1e9, context)
    filled = pc.sum(pc.greater(pc.utf8_length(text), 0)).as_py() or 0
    for pattern in (_COMPACT, rf"{_DATE}(?:[T ,]+{_CLOCK})?", _CLOCK):
        parts = pc.extract_regex(text, f"^(?:{pattern})$").combine_chunks()
        if (len(parts) - parts.null_count) * 2 > filled:
            break
    else:
        numbers = pd.to_numeric(text.to_pandas().str.replace(",", ".", regex=False), errors="coerce").to_numpy(float)
        return _from_numbers(pa.chunked_array([pa.array(numbers, from_pandas=True)]), context)
    fields = {field.name: parts.field(index) for index, field in enumerate(parts.type)}
    seconds = _clock_seconds(fields, np.asarray(parts.is_valid()))
    if "date" not in fields:
        if not pc.any(pc.greater(pc.utf8_length(fields["s"]), 0)).as_py():
            what = f"The time column “{context.name}” has hours and minutes only."
            raise DataError(what, remedy="Log the seconds as well.")
        return _from_clock(seconds, context)
    if np.isnan(seconds).all():
        what = f"The time column “{context.name}” holds dates without a time of day."
        raise DataError(what, remedy='Name the column with the time under [log]: time = "…".')
    days, notices = _days_of_dates(fields["date"], context)
    wall = days * DAY + seconds
    if np.isnan(wall).all():
        example = next(v.as_py() for v in text if v.as_py())
        raise DataError(f"No date in “{context.name}” is one of the calendar, the first is “{example[:40]}”.")
    base = float(np.floor(_middle_of(wall, context)))
    codes, zones = encoded(fields["z"])
    if any(zones):
        shift = np.array([*map(_offset_seconds, zones), 0.0])
        axis = _absolute(wall - base - shift[codes], base, context)
    else:
        axis = _localise(wall - base, base, context)
    return axis._replace(notices=(*notices, *axis.notices))


def _clock_seconds(fields: dict[str, pa.Array], valid: np.ndarray) -> FloatArray:
    hours, minutes = _floats(fields["h"]), _floats(fields["m"])
    seconds = np.nan_to_num(_floats(pc.replace_substring_regex(fields["s"], "[,:]", ".")), nan=0.0)
    if "p" in fields:
        mark = pc.utf8_lower(pc.fill_null(fields["p"], ""))
        late, early = (np.asarray(pc.starts_with(mark, letter)) for letter in ("p", "a"))
        hours = np.where(late & (hours < 12), hours + 12, np.where(early & (hours == 12), 0.0, hours))
    return np.where(~valid | (minutes > 59) | (seconds >= 61), np.nan, hours * 3600.0 + minutes * 60.0 + seconds)


def _floats(values: pa.Array) -> FloatArray:
    cleaned = pc.if_else(pc.fill_null(pc.equal(values, ""), True), None, values)
    return np.asarray(cleaned.cast(pa.float64()).to_numpy(zero_copy_only=False))


def _offset_seconds(zone: str) -> float:
    """Return the offset from UTC [s] of "+02:00", "+0200", "+02" or "Z"."""
    if zone in ("", "Z", "UTC", "GMT"):
        return 0.0
    digits = zone[1:].replace(":", "").ljust(4, "0")
    return (-1.0 if zone[0] == "-" else 1.0) * (int(digits[:2]) * 3600.0 + int(digits[2:]) * 60.0)


def _middle_of(seconds: FloatArray, context: TimeContext) -> float:
    finite = seconds[np.isfinite(seconds)]
    if not finite.size:
        what = f"No time in “{context.name}” can be read."
        raise DataError(what, remedy="Use ISO 8601, clock time, seconds since 1970 or elapsed seconds.")
    return float(np.median(finite))


def _absolute(seconds: FloatArray, base: float, context: TimeContext) -> TimeAxis:
    """Count `seconds` since 1970 + `base` from the first sample; times that are none of this log become NaN."""
    middle = _middle_of(seconds[:: max(1, len(seconds) // _SAMPLE)], context)
    if not EARLIEST <= base + middle <= LATEST:
        what = f"The times in “{context.name}” are about {base + middle:.0f} s after 1970, which is no date of a vehicle log."
        raise DataError(what, remedy="Set the logger's clock, or state time_unit if the column is elapsed time.")
    seconds = one_drive(seconds)
    known = seconds[np.isfinite(seconds)]
    if not known.size:  # as many on one side of the middle as on the other
        what = f"The times in “{context.name}” lie more than {_LONGEST / DAY:.0f} days apart, none near their middle."
        raise DataError(what, remedy="Split the log where another drive begins.")
    first = float(known[0])
    return TimeAxis(seconds - first, UNIX + timedelta(seconds=base) + timedelta(seconds=first), "absolute")


def unroll_midnight(seconds: FloatArray) -> tuple[FloatArray, int]:
    """Add a day to clock times [s] after each step back of over twelve hours; return them and the midnights passed."""
    result = seconds.copy()
    finite = np.flatnonzero(np.isfinite(seconds))
    steps = np.diff(seconds[finite])
    away = np.abs(steps[:-1])
    lone = (away > DAY / 2) & (away < DAY - _SPIKE) & (np.abs(steps[:-1] + steps[1:]) < _SPIKE)
    result[finite[1:-1][lone]] = np.nan  # half a day off the rows around it: damaged
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


def _days_of_dates(texts: pa.Array, context: TimeContext) -> tuple[FloatArray, tuple[Notice, ...]]:
    """Return days since 1970 of dates, NaN where there is no such day; day or month first is decided by evidence."""
    codes, distinct = encoded(texts)
    readings = [_readings(text) for text in distinct]
    unclear = {i: pair for i, pair in enumerate(readings) if pair[0] != pair[1]}
    rows = np.bincount(codes[codes >= 0], minlength=len(distinct))
    day_first, notices = _order(unclear, rows, all("." in distinct[i] for i in unclear), context)
    days = [day if day_first else month for day, month in readings]
    numbers = [float((day - UNIX.date()).days) if day else np.nan for day in days]
    return np.array([*numbers, np.nan])[codes], notices


_Readings = tuple[date | None, date | None]  # of one date: day first, month first
_Order = tuple[bool, tuple[Notice, ...]]  # whether day first, and what is said of it


def _readings(text: str) -> _Readings:
    match = _DATE_PARTS.match(text)
    first, second, third = (part for part in match.groups() if part is not None) if match else ("", "", "")
    if second[:3].lower() in _MONTHS:
        day = _day(int(third), _MONTHS.index(second[:3].lower()) + 1, int(first))
    elif len(first) == 4 and second.isdecimal():  # ISO 8601
        day = _day(int(first), int(second), int(third))
    elif second.isdecimal():
        return _day(int(third), int(second), int(first)), _day(int(third), int(first), int(second))
    else:
        day = None
    return day, day


def _order(readings: dict[int, _Readings], rows: np.ndarray, points: bool, context: TimeContext) -> _Order:
    """Decide whether dates are day first, from the file itself, its name or what the user states; else refuse."""
    stated = context.options.day_first
    if stated is not None or not readings:
        return stated is not False, ()

    def decided(day_first: bool, because: str) -> _Order:
        order = "day first" if day_first else "month first"
        template = "Dates of “{column}” are {order}: {because}."
        return day_first, (notice("date-order", template, context.name, order=order, because=because),)

    only = [sum(int(rows[i]) for i, pair in readings.items() if pair[k] and not pair[1 - k]) for k in (0, 1)]
    if min(only) > MOST_UNREADABLE * rows.sum():
        what = f"Dates of “{context.name}” are day first in some rows and month first in others."
        raise DataError(what, remedy="Export the log with dates as 2025-04-03.")
    if only[0] != only[1]:
        return decided(only[0] > only[1], "a number above 12 shows it")
    known, where = date_elsewhere(context.path, context.options, "")
    if known is not None:
        days = [[day for pair in readings.values() if (day := pair[k])] for k in (0, 1)]
        near = [any(abs((day - known).days) <= 1 for day in possible) for possible in days]
        if near[0] != near[1]:
            return decided(near[0], f"{where or 'the given date'} shows it")
    if points:
        return decided(True, "they are written with points (common practice)")
    what = f"The dates of “{context.name}” can be read day first or month first, and nothing in the log decides it."
    remedy = "State it under [log] of campaign.toml: day_first = true for 14/06/2026, false for 06/14/2026."
    raise DataError(what, remedy=remedy)


def _localise(seconds: FloatArray, base: float, context: TimeContext) -> TimeAxis:
    """Count wall-clock `seconds` since 1970 + `base` from the first sample, each row with the offset in force then."""
    stated = context.options.timezone
    try:
        zone = ZoneInfo(stated or "UTC")
    except (ZoneInfoNotFoundError, ValueError):
        what = f"There is no time zone “{stated}”."
        raise DataError(what, remedy='Use an IANA name such as "Europe/Madrid".') from None
    axis = _absolute(seconds, base, context)  # wall-clock times as if they were UTC: masks and precision
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
