"""Which column of a table is the time, and what it is written in."""

import re
from collections.abc import Sequence

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from intake_report.errors import DataError, nearest
from intake_report.loaders import times
from intake_report.loaders.base import FloatArray, Notice, ReadOptions, converts, notice
from intake_report.loaders.dialect import Dialect, clean_header, place_of, words
from intake_report.loaders.times import TimeAxis, TimeContext, to_float
from intake_report.messages import Count

_COMPACT_DATES = (19_000_101_000_000, 21_000_101_000_000)  # numbers that are 14 digits of date and time
_EPOCH_SCALES = (("seconds", 1.0), ("milliseconds", 1e3), ("microseconds", 1e6), ("nanoseconds", 1e9))
_PER_SECOND = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}
_SAMPLE = 10_000  # rows from which the kind of a numeric time is told
_LONGEST_STEP = 30.0  # [s] between rows; a longer one without a unit is in another unit (common practice)
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
_DATE = r"(?P<date>\d{1,4}[-/. ](?:\d{1,2}|[A-Za-z]{3,9})[-/. ]\d{1,4})"
_CLOCK = (
    r"(?P<h>\d{1,4}):(?P<m>\d{2})(?::(?P<s>\d{2}(?:[.,:]\d+)?))?"
    r"\s*(?P<p>[AaPp]\.?[Mm]\.?)?\s*(?P<z>Z|UTC|GMT|[+-]\d{2}:?\d{2}|[+-]\d{2})?"
)
_COMPACT = r"(?P<date>\d{8})[T_ ]?(?P<h>\d{2})(?P<m>\d{2})(?P<s>\d{2}(?:[.,]\d+)?)(?P<z>Z|[+-]\d{2}:?\d{2})?"
_NUMERIC = (pa.types.is_integer, pa.types.is_floating, pa.types.is_decimal)
Table = Sequence[pa.ChunkedArray]
_PLAIN_CLOCK = re.compile(r"\d\d:\d\d:\d\d(\.\d+)?$")


def find_time_columns(dialect: Dialect, table: Table, options: ReadOptions) -> tuple[int, int | None]:
    """Return the index of the time column and that of a separate date column, if there is one.

    Raises DataError: if a stated column is absent, or none can be recognised.
    """
    if options.time_column is not None:
        places = place_of(options.time_column, dialect.headers, dialect.names)
        if len(places) != 1:
            known = nearest(clean_header(options.time_column), dialect.headers, "Columns are", cutoff=0.4)
            what = f"The log has no column “{options.time_column}”, or several."
            raise DataError(what, where="time", remedy=known)
        (time,) = places
    else:
        scores = [_score(index, dialect, table) for index in range(len(dialect.headers))]
        if not scores or max(scores) <= 0:
            named = ", ".join(f"“{header}”" for header in dialect.headers[:8])
            where = None if dialect.header_line is None else f"line {dialect.header_line + 1}"
            what = f"No time column was recognised among the columns {named}."
            raise DataError(what, where=where, remedy='Name it under [log]: time = "…".')
        time = scores.index(max(scores))
    return time, _date_beside(time, dialect, table)


def _score(index: int, dialect: Dialect, table: Table) -> float:
    """Weigh how much a column looks like the time: its name first, then its type, then its place."""
    name, unit, kind = dialect.names[index], dialect.units[index], table[index].type
    if pa.types.is_null(kind) or pa.types.is_boolean(kind):
        return 0.0
    name_words = set(words(name))
    temporal = pa.types.is_timestamp(kind) or pa.types.is_time(kind)
    score = 0.0
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
    if not score:
        return 0.0
    if any(is_kind(kind) for is_kind in _NUMERIC) and unit and converts(unit, "time") is None:
        return 0.0  # "time" in another unit than time: a distance, an angle
    if name_words & _WORDS["other"]:
        score -= _ANOTHER
    if temporal or pa.types.is_string(kind):
        score += _READABLE
    return score + (_FIRST if index == 0 and score > 0 else 0.0)


def _date_beside(time: int, dialect: Dialect, table: Table) -> int | None:
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


def time_axis(values: pa.ChunkedArray, context: TimeContext) -> TimeAxis:
    """Read the time column (n,) of a log, whatever it is written in; DataError if it cannot be, or only by guessing."""
    kind = values.type
    if pa.types.is_timestamp(kind):
        return _from_timestamps(values, context)
    if pa.types.is_time(kind):
        whole = values.cast(pa.int32() if kind.bit_width == 32 else pa.int64())
        return _from_clock(to_float(whole) / _PER_SECOND[kind.unit], context)
    if any(is_kind(kind) for is_kind in _NUMERIC):
        return _from_numbers(values, context)
    return _from_text(values.cast(pa.string()), context)


def _from_timestamps(values: pa.ChunkedArray, context: TimeContext) -> TimeAxis:
    per_second = _PER_SECOND[values.type.unit]
    ticks = values.cast(pa.int64())
    # Whole seconds are taken off before the numbers become floats: 1.7e18 ns leave no room for fractions.
    base = int(times.middle_of(to_float(ticks.slice(0, _SAMPLE)), context)) // per_second
    seconds = to_float(pc.subtract(ticks, base * per_second)) / per_second
    return (times.localise if values.type.tz is None else times.absolute)(seconds, base, context)


def _from_numbers(values: pa.ChunkedArray, context: TimeContext) -> TimeAxis:
    head = to_float(values.slice(0, _SAMPLE))
    typical = times.middle_of(head if np.isfinite(head).any() else to_float(values), context)
    if _COMPACT_DATES[0] <= typical < _COMPACT_DATES[1]:
        # A float is good to 4 ms.
        texts = [None if number is None else f"{number:.3f}" for number in values.to_pylist()]
        return _from_text(pa.chunked_array([pa.array(texts, pa.string())]), context)
    if context.options.time_unit is None:
        for what, scale in _EPOCH_SCALES:
            if times.EARLIEST <= typical / scale <= times.LATEST:
                base = int(typical // scale)
                exact = pc.subtract(values, int(base * scale) if pa.types.is_integer(values.type) else base * scale)
                axis = times.absolute(to_float(exact) / scale, base, context)
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
    return TimeAxis(times.one_drive(seconds if scale == 1.0 else seconds * scale), None, "elapsed", notices)


def _from_clock(seconds: FloatArray, context: TimeContext) -> TimeAxis:
    notices: list[Notice] = []
    times.middle_of(seconds, context)
    seconds, midnights = times.unroll_midnight(seconds)
    if midnights:
        notices.append(notice("midnight", "The clock passes midnight {count}.", count=Count(midnights, "time")))
    day, where = times.date_elsewhere(context.path, context.options, context.preamble)
    if seconds[np.isfinite(seconds)][0] < 1.0 and context.options.date is None:
        return TimeAxis(seconds, None, "elapsed", tuple(notices))
    if day is None:
        return TimeAxis(seconds, None, "clock", tuple(notices))
    if where:
        notices.append(notice("date-elsewhere", "The date {day} is taken from {where}.", day=f"{day}", where=where))
    axis = times.localise(seconds, (day - times.UNIX.date()).days * times.DAY, context)
    return axis._replace(notices=(*notices, *axis.notices))


def _from_text(values: pa.ChunkedArray, context: TimeContext) -> TimeAxis:
    text = pc.utf8_trim_whitespace(values)
    quick = _quick_clock(text)
    if quick is not None:
        return _from_clock(quick, context)
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
    days, notices = times.days_of_dates(fields["date"], context)
    wall = days * times.DAY + seconds
    if np.isnan(wall).all():
        example = next(v.as_py() for v in text if v.as_py())
        raise DataError(f"No date in “{context.name}” is one of the calendar, the first is “{example[:40]}”.")
    base = float(np.floor(times.middle_of(wall, context)))
    codes, zones = times.encoded(fields["z"])
    if any(zones):
        shift = np.array([*map(_offset_seconds, zones), 0.0])
        axis = times.absolute(wall - base - shift[codes], base, context)
    else:
        axis = times.localise(wall - base, base, context)
    return axis._replace(notices=(*notices, *axis.notices))


def _quick_clock(text: pa.ChunkedArray) -> FloatArray | None:
    """Return seconds since midnight when every cell is "07:16:30.444", by pyarrow's parser of ISO 8601."""
    if not _PLAIN_CLOCK.match(next((v.as_py() for v in text[:100] if v.is_valid), "")):
        return None
    try:
        stamps = pc.binary_join_element_wise("1970-01-01 ", text, "").cast(pa.timestamp("ns"))
    except pa.ArrowInvalid:
        return None
    return to_float(stamps.cast(pa.int64())) / 1e9


def _clock_seconds(fields: dict[str, pa.Array], valid: np.ndarray) -> FloatArray:
    """Return seconds since midnight of extracted clock parts, NaN where they are no time; (n,) [s]."""
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
