"""Tables of a weather station (delimited text) into a record."""

import csv
import io
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import pandas as pd

from intake_report.campaign.fields import FIRST_YEAR, LAST_YEAR
from intake_report.errors import DataError, nearest, placed
from intake_report.loaders.base import read_text
from intake_report.loaders.dialect import MISSING
from intake_report.units import conversion
from intake_report.weather.observations import Kind, WeatherObservation, WeatherRecord, build_record, completed

# Name in a column mapping -> key of `units.QUANTITIES`, None for text.
COLUMN_QUANTITIES: dict[str, str | None] = {
    "time": None, "date": None, "temperature": "temperature", "dew_point": "temperature", "humidity": "ratio",
    "station_pressure": "pressure", "altimeter": "pressure", "sea_level_pressure": "pressure", "wind_speed": "speed",
    "wind_gust": "speed", "wind_direction": "angle", "rain": "length", "cloud": "ratio", "sky": None,
}  # fmt: skip
_PRESSURE_KINDS = {"station_pressure": "station", "altimeter": "altimeter", "sea_level_pressure": "sea-level"}
_MISSING = frozenset({*map(str.lower, MISSING), "m", "/", "//", "///"})  # the last as in reports
_DELIMITERS = (",", ";", "\t", "|")
_TARGET = re.compile(r"^\s*([\w-]+)\s*(?:\[(.*)\])?\s*$")
# float() alone would take "nan", "inf" and "1_000"; a reading is digits, a sign, a mark and an exponent.
_NUMBER = re.compile(r"[-+−]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_EPOCH = {"s": 1.0, "ms": 1e-3}
_EXAMPLES = {"temperature": "degC", "ratio": "%", "pressure": "hPa", "speed": "km/h", "angle": "deg", "length": "mm"}


class _Column(NamedTuple):
    header: str
    name: str
    at: int  # its place in a row
    scale: float
    offset: float
    epoch: bool  # a time in seconds or milliseconds since 1970


def station_table(
    table: Path | str,
    columns: Mapping[str, str],
    *,
    source: str,
    kind: Kind = "station",
    elevation: float | None = None,
    timezone: str | None = None,
    resolution: float | None = None,
    rising: bool = False,
) -> WeatherRecord:
    """Read a table of observations, one row per time.

    `table`: delimited file, or the text of one. A decimal comma is read where the delimiter is another sign; `columns`:
    header in the table -> "quantity [unit]"; quantities are the keys of `COLUMN_QUANTITIES`. A pressure is mapped to
    "station_pressure", "altimeter" or "sea_level_pressure": its kind has to be declared; `source`, `kind`, `elevation`:
    as in `WeatherRecord`; elevation [m]; `timezone`: of times without an offset ("Europe/Madrid"); `resolution`: step
    of the temperature reading [K]; the last decimal that the table writes when not given; `rising`: times must rise. Raises
    DataError: if a header is not in the table, a unit or a cell cannot be read, or a reading is impossible; says which line.
    """
    file = table if isinstance(table, Path) else None
    text = read_text(table) if isinstance(table, Path) else table.lstrip("\ufeff")
    rows, decimals = _rows(text, columns, file)
    if not rows:
        raise DataError("the weather table has no row.", file=file, remedy="Give a table with a header line and rows.")
    with placed(file=file):
        mapped = _mapped_columns(rows[0][1], columns)
    try:
        zone = None if timezone is None else ZoneInfo(timezone)
    except (ValueError, OSError, KeyError):
        what = f"“{timezone}” is not a time zone."
        raise DataError(what, file=file, remedy="Write one such as Europe/Madrid.") from None
    if resolution is None:
        resolution = _written_step([cells for _, cells in rows[1:]], mapped, decimals)
    observations = []
    for line, cells in rows[1:]:
        with placed(file=file, where=f"line {line}"):
            read = _observation(cells, mapped, zone, decimals, source, resolution)
            observations.append(completed(read, elevation))
            if rising and len(observations) > 1 and observations[-1].time <= observations[-2].time:
                raise DataError("its times do not rise.", remedy="Sort the table, each time once.")
    if not observations:
        raise DataError("the weather table has a header but no row.", file=file, remedy="Give at least one row.")
    return build_record(source, kind, elevation, observations)


def _rows(text: str, columns: Mapping[str, str], file: Path | None) -> tuple[list[tuple[int, list[str]]], str]:
    """Return line numbers and cells of the rows that are not empty, and the decimal marks that their numbers may have."""
    header = next((line for line in text.splitlines() if line.strip()), "")
    wanted = {h.strip() for h in columns}

    def mapped(delimiter: str) -> int:
        return len(wanted & {c.strip() for c in next(csv.reader([header], delimiter=delimiter), [])})

    delimiter = max(_DELIMITERS, key=mapped)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        rows = [(reader.line_num, [c.strip() for c in cells]) for cells in reader if any(c.strip() for c in cells)]
    except csv.Error as error:
        what = f"the weather table is not delimited text ({error})."
        raise DataError(what, file=file, where=f"line {reader.line_num}") from None
    return rows, "." if delimiter == "," else ".,"


def _mapped_columns(header: list[str], columns: Mapping[str, str]) -> list[_Column]:
    mapped: list[_Column] = []
    for head, target in columns.items():
        if head.strip() not in header:
            hint = nearest(head, header, "Its columns are")
            raise DataError(f"the weather table has no column “{head}”.", where="line 1", remedy=hint)
        if header.count(head.strip()) > 1:
            raise DataError(f"the weather table has several columns “{head}”.", where="line 1", remedy="Rename one.")
        match = _TARGET.match(target)
        name = match[1].replace("-", "_") if match else ""
        if match is None or name not in COLUMN_QUANTITIES:
            what = f"the column “{head}” is mapped to “{target}”, which is no quantity of the weather."
            hint = "Declare the kind of the pressure: station_pressure, altimeter or sea_level_pressure."
            if "press" not in name and name not in ("baro", "qnh", "qfe", "slp"):
                hint = nearest(name or target, COLUMN_QUANTITIES, "Quantities are")
            raise DataError(what, remedy=hint)
        if any(name == other.name for other in mapped):
            raise DataError(f"two columns are mapped to {name}.", remedy="Map one column to each quantity.")
        scale, offset = _column_conversion(head, name, match[2])
        epoch = name == "time" and match[2] is not None
        mapped.append(_Column(head, name, header.index(head.strip()), scale, offset, epoch))
    names = {c.name for c in mapped}
    if "time" not in names:
        raise DataError("no column is mapped to time.", remedy="Map the column of the observation times.")
    if len(names & set(_PRESSURE_KINDS)) > 1:
        raise DataError("more than one pressure is mapped.", remedy="Map the station pressure only, if there is one.")
    return mapped


def _written_step(rows: Sequence[list[str]], mapped: Sequence[_Column], decimals: str) -> float | None:
    """Return the step of the last decimal that any temperature cell is written with [K]; None without a plain one."""
    plain = re.compile(rf"[-+−]?\d+(?:[{decimals}](\d*))?")
    columns = [column for column in mapped if column.name == "temperature"]
    cells = (cells[column.at] for column in columns for cells in rows if column.at < len(cells))
    places = [len(match[1] or "") for cell in cells if (match := plain.fullmatch(cell))]
    return columns[0].scale * 10.0 ** -max(places) if places else None


def _column_conversion(head: str, name: str, unit: str | None) -> tuple[float, float]:
    quantity = COLUMN_QUANTITIES[name]
    if quantity is None:
        if unit is not None and not (name == "time" and unit.strip() in _EPOCH):
            raise DataError(f"the column “{head}” is mapped to {name}, which has no unit “{unit}”.")
        return (_EPOCH[unit.strip()] if unit else 1.0), 0.0
    if unit is None:
        what = f"the column “{head}” is mapped to {name} without a unit."
        raise DataError(what, remedy=f"Write the unit in brackets, for example “{name} [{_EXAMPLES[quantity]}]”.")
    with placed(f"column “{head}”: "):
        return conversion(unit, quantity)


def _observation(
    cells: list[str],
    mapped: Sequence[_Column],
    zone: ZoneInfo | None,
    decimals: str,
    source: str,
    resolution: float | None,
) -> WeatherObservation:
    values: dict[str, Any] = {}
    texts: dict[str, str] = {}
    time: datetime | None = None
    for column in mapped:
        if column.at >= len(cells):
            what = f"the row has {len(cells)} cells, too few for the column “{column.header}”."
            raise DataError(what, remedy="Fill the row or remove it.")
        cell = cells[column.at]
        if column.epoch:
            time = _moment(_number(cell, decimals, column.header) * column.scale, cell)
        elif COLUMN_QUANTITIES[column.name] is None:
            texts[column.name] = cell
        elif cell.lower() not in _MISSING:
            values[column.name] = _number(cell, decimals, column.header) * column.scale + column.offset
    for name, kind in _PRESSURE_KINDS.items():
        if name in values:
            values |= {"pressure": values.pop(name), "pressure_kind": kind}
    stamp = pd.Timestamp(time if time is not None else _time(texts, zone))
    if not FIRST_YEAR <= stamp.year <= LAST_YEAR:
        raise DataError(f"the year {stamp.year} is not one of {FIRST_YEAR} to {LAST_YEAR}.", remedy="Check the times.")
    raining = values.pop("rain") > 0.0 if "rain" in values else None
    sky = texts.get("sky") or None
    return WeatherObservation(stamp, source=source, raining=raining, sky=sky, resolution=resolution, **values)


def _number(cell: str, decimals: str, header: str) -> float:
    text = cell.replace(",", ".") if "," in decimals else cell
    if not _NUMBER.fullmatch(text):
        comma = " A decimal comma needs another delimiter than the comma." if "," in cell else ""
        what = f"“{cell}” in the column “{header}” is not a number."
        raise DataError(what, remedy=f"Correct it, or leave it empty.{comma}")
    return float(text.replace("−", "-"))


def _moment(seconds: float, cell: str) -> datetime:
    try:
        return datetime.fromtimestamp(seconds, UTC)
    except (OverflowError, ValueError, OSError):
        what = f"the time “{cell}” is outside the calendar."
        raise DataError(what, remedy="Check its unit: s or ms since 1970.") from None


def _time(texts: Mapping[str, str], zone: ZoneInfo | None) -> datetime:
    text = " ".join(part for part in (texts.get("date"), texts["time"]) if part)
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        what = f"the time “{text}” cannot be read as ISO 8601 (2026-05-12T14:53+02:00)."
        raise DataError(what, remedy="Write the times in that format; the date may have a column of its own.") from None
    if time.tzinfo is not None:
        return time
    if zone is None:
        remedy = "Name the time zone of the table, for example “UTC”."
        raise DataError(f"the time “{text}” has no time zone.", remedy=remedy)
    first, second = (time.replace(tzinfo=zone, fold=fold).utcoffset() or timedelta() for fold in (0, 1))
    if first != second:
        why = "does not exist" if first < second else "exists twice"
        what = f"the time “{text}” {why} in {zone.key}, where the clock changes."
        raise DataError(what, remedy="Write it with its offset.")
    return time.replace(tzinfo=zone)
