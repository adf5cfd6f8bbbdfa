"""Time columns: elapsed numbers, epochs, ISO 8601, clock times, and dates in either order, decided by evidence."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from intake_report.errors import DataError
from intake_report.loaders.base import FloatArray, Notice, ReadOptions, TimeKind, plural
from intake_report.loaders.clock import DAY, clock_seconds, offset_seconds, quick_clock, to_float, unroll_midnight
from intake_report.loaders.dates import date_elsewhere, days_of_dates
from intake_report.loaders.header import words

if TYPE_CHECKING:
    import pyarrow as pa

UNIX = datetime(1970, 1, 1, tzinfo=UTC)
# Times of a vehicle log: from 1990, when such logs first appeared, to a century later.
_EARLIEST, _LATEST = 631_152_000.0, 3_786_912_000.0
_EPOCH_SCALES = (("seconds", 1.0), ("milliseconds", 1e3), ("microseconds", 1e6), ("nanoseconds", 1e9))
_UNITS = {
    "s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0,
    "ms": 1e-3, "msec": 1e-3, "millis": 1e-3, "milliseconds": 1e-3, "millisecond": 1e-3,
    "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "usec": 1e-6, "micros": 1e-6, "microseconds": 1e-6,
    "ns": 1e-9, "nanoseconds": 1e-9,
    "min": 60.0, "minute": 60.0, "minutes": 60.0, "h": 3600.0, "hr": 3600.0, "hour": 3600.0, "hours": 3600.0,
}  # fmt: skip

_DATE = r"(?P<a>\d{1,4})(?P<sep>[-/. ])(?P<b>\d{1,2}|[A-Za-z]{3,9})[-/. ](?P<c>\d{1,4})"
_CLOCK = (
    r"(?P<h>\d{1,4}):(?P<m>\d{2})(?::(?P<s>\d{2}(?:[.,:]\d+)?))?"
    r"\s*(?P<p>[AaPp]\.?[Mm]\.?)?\s*(?P<z>Z|UTC|GMT|[+-]\d{2}:?\d{2}|[+-]\d{2})?"
)
_COMPACT = (
    r"(?P<a>\d{4})(?P<b>\d{2})(?P<c>\d{2})[T_ ]?(?P<h>\d{2})(?P<m>\d{2})(?P<s>\d{2}(?:[.,]\d+)?)"
    r"(?P<z>Z|[+-]\d{2}:?\d{2})?"
)


@dataclass(frozen=True)
class TimeAxis:
    """Times of the rows of a log.

    Parameters
    ----------
    seconds : numpy.ndarray
        (n,) [s] since `origin`, since the first midnight ("clock") or as written ("elapsed"); NaN where unreadable.
    origin : datetime or None
        Aware (UTC).
    kind : {"absolute", "clock", "elapsed"}
    notices : tuple of Notice
    """

    seconds: FloatArray
    origin: datetime | None
    kind: TimeKind
    notices: tuple[Notice, ...] = ()


def time_axis(
    values: pa.ChunkedArray, name: str, unit: str | None, path: Path, options: ReadOptions, *, preamble: str = ""
) -> TimeAxis:
    """Read the time column of a log, whatever it is written in.

    Parameters
    ----------
    values : pyarrow.ChunkedArray
        (n,) numbers, timestamps or text.
    name, unit : str
        Of the column.
    path : Path
        The log: for messages, and for a date in its name.
    options : ReadOptions
        Date, time zone, order of day and month, unit.
    preamble : str
        Text above the header, where a date may stand.

    Raises
    ------
    DataError
        If the times cannot be read, or only by guessing.
    """
    import pyarrow as pa

    kind = values.type
    if pa.types.is_timestamp(kind):
        return _from_timestamps(values, path, options)
    if pa.types.is_date(kind):
        raise DataError(
            f"The time column “{name}” holds dates without a time of day.",
            file=path,
            remedy="Name the column with the time as time_column.",
        )
    if pa.types.is_time(kind):
        scale = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}[kind.unit]
        whole = values.cast(pa.int32() if kind.bit_width == 32 else pa.int64())
        return _from_clock(to_float(whole) * scale, path, options, preamble)
    if pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        return _from_numbers(values, name, unit, path, options)
    if pa.types.is_null(kind):
        raise DataError(f"The time column “{name}” is empty.", file=path)
    return _from_text(values.cast(pa.string()), name, unit, path, options, preamble)


def join_date(dates: pa.ChunkedArray, clock: pa.ChunkedArray) -> pa.ChunkedArray:
    """Return text "date clock" from two columns."""
    import pyarrow as pa
    import pyarrow.compute as pc

    return pc.binary_join_element_wise(dates.cast(pa.string()), clock.cast(pa.string()), " ")


def unit_scale(unit: str | None, name: str) -> float | None:
    """Return the seconds per unit of a numeric time column, from its unit or the words of its name."""
    if unit and unit.strip().lower() in _UNITS:
        return _UNITS[unit.strip().lower()]
    for word in reversed(words(name)):
        if word in _UNITS and word not in ("h", "min", "minute", "hour"):
            return _UNITS[word]
    return None


def _zone(options: ReadOptions, path: Path) -> ZoneInfo:
    try:
        return ZoneInfo(options.timezone or "UTC")
    except (ZoneInfoNotFoundError, ValueError):
        raise DataError(
            f"There is no time zone “{options.timezone}”.",
            file=path,
            remedy='Use an IANA name such as "Europe/Madrid".',
        ) from None


def _first(seconds: FloatArray, path: Path) -> float:
    finite = seconds[np.isfinite(seconds)]
    if not finite.size:
        raise DataError("No row has a readable time.", file=path, remedy="Name the time column as time_column.")
    return float(finite[0])


def _absolute(seconds: FloatArray, base: float, path: Path) -> TimeAxis:
    """Count `seconds` since 1970 + `base` from the first sample."""
    first = _first(seconds, path)
    if not _EARLIEST <= base + first <= _LATEST:
        raise DataError(
            f"The first time of the log is {base + first:.0f} s after 1970, which is no date of a vehicle log.",
            file=path,
            remedy="Set the logger's clock, or state time_unit if the column is elapsed time.",
        )
    return TimeAxis(seconds - first, UNIX + timedelta(seconds=base) + timedelta(seconds=first), "absolute")


def _localise(seconds: FloatArray, base: float, path: Path, options: ReadOptions) -> TimeAxis:
    """Count wall-clock `seconds` since 1970 + `base` from the first sample, in the zone that is given."""
    axis = _absolute(seconds, base, path)
    assert axis.origin is not None
    naive = axis.origin.replace(tzinfo=None)
    try:
        zone = ZoneInfo(options.timezone or "UTC")
    except (ZoneInfoNotFoundError, ValueError):
        raise DataError(
            f"There is no time zone “{options.timezone}”.", file=path, remedy='Use a name such as "Europe/Madrid".'
        ) from None
    local = naive.replace(tzinfo=zone)
    notices: list[Notice] = []
    if options.timezone is None:
        notices.append(Notice("time-zone-assumed", "The times carry no offset and no zone is given; UTC is assumed."))
    if local.utcoffset() != local.replace(fold=1).utcoffset():
        notices.append(
            Notice("clock-change", f"{naive:%Y-%m-%d %H:%M} falls on a change of the clocks of {options.timezone}.")
        )
    return TimeAxis(axis.seconds, local.astimezone(UTC), "absolute", tuple(notices))


def _from_timestamps(values: pa.ChunkedArray, path: Path, options: ReadOptions) -> TimeAxis:
    import pyarrow as pa
    import pyarrow.compute as pc

    per_second = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}[values.type.unit]
    ticks = values.cast(pa.int64())
    valid = ticks.drop_null()
    if len(valid) == 0:
        raise DataError("The time column is empty.", file=path)
    # Whole seconds are taken off before the numbers become floats: 1.7e18 ns leave no room for fractions.
    base = int(valid[0].as_py()) // per_second
    seconds = to_float(pc.subtract(ticks, base * per_second))
    if per_second > 1:
        seconds = seconds / per_second
    if values.type.tz is not None:
        return _absolute(seconds, base, path)
    return _localise(seconds, base, path, options)


def _from_numbers(values: pa.ChunkedArray, name: str, unit: str | None, path: Path, options: ReadOptions) -> TimeAxis:
    import pyarrow as pa
    import pyarrow.compute as pc

    first = next((float(v.as_py()) for chunk in values.chunks for v in chunk.drop_null()[:1]), None)
    if first is None:
        raise DataError(f"The time column “{name}” is empty.", file=path)
    if 19_000_101_000_000 <= first < 21_000_101_000_000 and first == int(first):
        return _from_text(_compact_text(values), name, unit, path, options, "")
    if options.time_unit is None or options.time_unit == "epoch":
        for what, scale in _EPOCH_SCALES:
            if _EARLIEST <= first / scale <= _LATEST:
                base = int(first // scale)
                exact = pc.subtract(values, int(base * scale) if pa.types.is_integer(values.type) else base * scale)
                axis = _absolute(to_float(exact) / scale, base, path)
                note = Notice("epoch-time", f"“{name}” holds {what} since 1970 (UTC).", name)
                return TimeAxis(axis.seconds, axis.origin, "absolute", (note,))
    notices: list[Notice] = []
    seconds = to_float(values)
    stated = options.time_unit
    scale_found = _UNITS.get(stated.lower()) if stated else unit_scale(unit, name)
    if stated and scale_found is None:
        raise DataError(f"“{stated}” is no unit of time.", file=path, remedy="Use s, ms, us, ns, min or h.")
    if scale_found is None:
        step = float(np.nanmedian(np.abs(np.diff(seconds[:10_000])))) if len(seconds) > 1 else 1.0
        if step > 30.0:
            raise DataError(
                f"The time column “{name}” has no unit and steps of {step:g}, too long for seconds.",
                file=path,
                remedy='State it, for example time_unit = "ms".',
            )
        scale_found = 1.0
        notices.append(Notice("time-unit-assumed", f"“{name}” carries no unit; seconds are assumed.", name))
    return TimeAxis(seconds if scale_found == 1.0 else seconds * scale_found, None, "elapsed", tuple(notices))


def _compact_text(values: pa.ChunkedArray) -> pa.ChunkedArray:
    """Return numbers such as 20250403100001.5 as text; as float64 they are good to 4 ms."""
    import pyarrow as pa

    if pa.types.is_integer(values.type):
        return values.cast(pa.string())
    text = [None if number is None else f"{number:.3f}" for number in values.to_pylist()]
    return pa.chunked_array([pa.array(text, pa.string())])


def _from_clock(seconds: FloatArray, path: Path, options: ReadOptions, preamble: str) -> TimeAxis:
    first = _first(seconds, path)
    notices: list[Notice] = []
    seconds, midnights = unroll_midnight(seconds)
    if midnights:
        notices.append(Notice("midnight", f"The clock passes midnight {plural(midnights, 'time')}.", count=midnights))
    day, found = date_elsewhere(path, options, preamble)
    if first < 1.0 and options.date is None:
        notices.append(Notice("stopwatch", "The clock starts at zero and is read as elapsed time."))
        return TimeAxis(seconds, None, "elapsed", tuple(notices))
    if day is None:
        return TimeAxis(seconds, None, "clock", tuple(notices))
    if found:
        notices.append(Notice("date-elsewhere", f"The date {day} is taken from {found}."))
    base = (day - date(1970, 1, 1)).days * DAY
    axis = _localise(seconds, base, path, options)
    return TimeAxis(axis.seconds, axis.origin, "absolute", (*notices, *axis.notices))


def _from_text(
    values: pa.ChunkedArray, name: str, unit: str | None, path: Path, options: ReadOptions, preamble: str
) -> TimeAxis:
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pc.utf8_trim_whitespace(values)
    filled = pc.and_kleene(pc.is_valid(text), pc.greater(pc.utf8_length(text), 0)).combine_chunks().fill_null(False)
    quick = quick_clock(text)
    if quick is not None:
        return _from_clock(quick, path, options, preamble)
    for pattern in (_COMPACT, rf"{_DATE}(?:[T ,]+{_CLOCK})?", _CLOCK):
        parts = pc.extract_regex(text, f"^(?:{pattern})$").combine_chunks()
        read = pc.and_(filled, parts.is_valid())
        if pc.sum(read).as_py() * 2 > (pc.sum(filled).as_py() or 0):
            break
    else:
        return _numbers_in_text(values, name, unit, path, options)
    fields = {field.name: parts.field(index) for index, field in enumerate(parts.type)}
    seconds = clock_seconds(fields, np.asarray(parts.is_valid()))
    if "a" not in fields:
        if fields["s"].null_count == len(seconds):
            raise DataError(
                f"The time column “{name}” has hours and minutes only.", file=path, remedy="Log the seconds as well."
            )
        return _from_clock(seconds, path, options, preamble)
    if np.isnan(seconds).all():
        raise DataError(
            f"The time column “{name}” holds dates without a time of day.",
            file=path,
            remedy="Name the column with the time as time_column.",
        )
    days, order = days_of_dates(fields, name, path, options)
    wall = days * DAY + seconds
    zones = pc.fill_null(fields["z"], "") if "z" in fields else pa.array([""] * len(wall))
    offsets = {zone: offset_seconds(zone) for zone in pc.unique(zones).to_pylist()}
    with_zone = [zone for zone in offsets if zone]
    base = float(np.floor(_first(wall, path)))
    if with_zone:
        shift = np.array([offsets[zone] for zone in zones.to_pylist()]) if len(offsets) > 1 else offsets[with_zone[0]]
        axis = _absolute(wall - base - shift, base, path)
    else:
        axis = _localise(wall - base, base, path, options)
    return TimeAxis(axis.seconds, axis.origin, "absolute", (*order, *axis.notices))


def _numbers_in_text(
    values: pa.ChunkedArray, name: str, unit: str | None, path: Path, options: ReadOptions
) -> TimeAxis:
    """Read elapsed times of a column in which some cells are not numbers."""
    import pandas as pd
    import pyarrow as pa

    numbers = pd.to_numeric(values.to_pandas().str.replace(",", ".", regex=False), errors="coerce").to_numpy(float)
    good = int(np.isfinite(numbers).sum())
    if good * 2 <= len(numbers):
        bad = np.flatnonzero(~np.isfinite(numbers))
        example = values[int(bad[0])].as_py() or ""
        raise DataError(
            f"{len(bad):,} of {len(numbers):,} times in “{name}” cannot be read, the first of them “{example[:40]}”.",
            file=path,
            remedy="Use ISO 8601, clock time, seconds since 1970 or elapsed seconds.",
        )
    return _from_numbers(pa.chunked_array([pa.array(numbers, from_pandas=True)]), name, unit, path, options)
