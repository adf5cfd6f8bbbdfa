"""Tables of a weather station or a handheld instrument (CSV) into a record."""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from intake_report.errors import DataError
from intake_report.units import conversion
from intake_report.weather.readings import make_observation
from intake_report.weather.records import Kind, Observation, PressureKind, WeatherRecord, build_record, located

# Name in a column mapping -> key of `units.QUANTITIES`, None for text.
COLUMN_QUANTITIES: dict[str, str | None] = {
    "time": None,
    "date": None,
    "temperature": "temperature",
    "dew_point": "temperature",
    "humidity": "ratio",
    "station_pressure": "pressure",
    "altimeter": "pressure",
    "sea_level_pressure": "pressure",
    "wind_speed": "speed",
    "wind_gust": "speed",
    "wind_direction": "angle",
    "rain": "length",
    "sky": None,
}
_PRESSURE_KINDS: dict[str, PressureKind] = {
    "station_pressure": "station",
    "altimeter": "altimeter",
    "sea_level_pressure": "sea-level",
}
MISSING = ("", "na", "n/a", "nan", "null", "none", "-", "--", "---", "m", "/", "//", "///")
_TARGET = re.compile(r"^\s*([\w-]+)\s*(?:\[(.*)\])?\s*$")
_EPOCH = {"s": 1.0, "ms": 1e-3}


@dataclass(frozen=True)
class _Column:
    header: str
    name: str
    index: int
    scale: float
    offset: float
    unit: str | None


def station_table(
    table: Path | str,
    columns: Mapping[str, str],
    *,
    source: str,
    kind: Kind = "station",
    elevation: float | None = None,
    timezone: str | None = None,
    time_format: str | None = None,
    delimiter: str | None = None,
    decimal: str = ".",
    missing: Sequence[str] = (),
    resolution: float | None = None,
) -> WeatherRecord:
    """Read a table of observations, one row per time.

    Parameters
    ----------
    table : Path or str
        CSV file, or the text of one.
    columns : mapping of str to str
        Header in the table -> "quantity [unit]"; quantities are the keys of `COLUMN_QUANTITIES`. A pressure is mapped
        to "station_pressure", "altimeter" or "sea_level_pressure": its kind has to be declared.
    source, kind, elevation
        As in `WeatherRecord`; elevation [m].
    timezone : str, optional
        Of times without an offset ("Europe/Madrid").
    time_format : str, optional
        As of `datetime.strptime`, for times that are not ISO 8601.
    delimiter : str, optional
        Found from the header line when not given.
    decimal : str
        Decimal mark, "." or ",".
    missing : sequence of str
        Further texts that mean "no reading" ("-999.9"), besides `MISSING`.
    resolution : float, optional
        Step of the temperature reading [K]; the last decimal that the table writes when not given.

    Returns
    -------
    WeatherRecord

    Raises
    ------
    DataError
        If a header is not in the table, a unit or a cell cannot be read, or a reading is impossible; says which line.
    """
    file = table if isinstance(table, Path) else None
    text = _read_text(table) if isinstance(table, Path) else table.lstrip("\ufeff")
    rows, delimiter = _rows(text, columns, delimiter, file)
    if not rows:
        raise DataError("the weather table has no row.", file=file, remedy="Give a table with a header line and rows.")
    mapped = _mapped_columns(rows[0][1], columns, file)
    absent = {*MISSING, *(m.strip().lower() for m in missing)}
    zone = _zone(timezone)
    if resolution is None:
        resolution = _written_step(rows[1:], mapped, decimal)
    observations = []
    for line, cells in rows[1:]:
        where = f"line {line}"
        try:
            observations.append(
                _row_observation(
                    cells,
                    mapped,
                    absent=absent,
                    zone=zone,
                    time_format=time_format,
                    decimal=decimal,
                    source=source,
                    kind=kind,
                    elevation=elevation,
                    resolution=resolution,
                )
            )
        except DataError as error:
            raise located(error, file=file, where=where) from None
    if not observations:
        raise DataError("the weather table has a header but no row.", file=file, remedy="Give at least one row.")
    return build_record(source, kind, elevation, observations)


def _read_text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        # Latin-1 reads anything; only the degree sign of headers needs it in practice.
        return path.read_text(encoding="latin-1")
    except OSError as error:
        raise DataError(
            "the weather table cannot be read.", file=path, remedy=f"Check the path ({type(error).__name__})."
        ) from None


def _rows(
    text: str, columns: Mapping[str, str], delimiter: str | None, file: Path | None
) -> tuple[list[tuple[int, list[str]]], str]:
    header = next((line for line in text.splitlines() if line.strip()), "")
    if delimiter is None:
        wanted = {h.strip() for h in columns}
        # The delimiter under which most of the mapped headers are found.
        delimiter = max(
            (",", ";", "\t", "|"),
            key=lambda d: len(wanted & {c.strip() for c in next(csv.reader([header], delimiter=d), [])}),
        )
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        rows = [(reader.line_num, [c.strip() for c in cells]) for cells in reader if any(c.strip() for c in cells)]
    except csv.Error as error:
        raise DataError(
            f"the weather table is not delimited text ({error}).", file=file, where=f"line {reader.line_num}"
        ) from None
    return rows, delimiter


def _mapped_columns(header: list[str], columns: Mapping[str, str], file: Path | None) -> list[_Column]:
    mapped: list[_Column] = []
    for head, target in columns.items():
        if head.strip() not in header:
            near = difflib.get_close_matches(head, header, n=1)
            hint = f"Did you mean “{near[0]}”?" if near else f"Its columns are {', '.join(header)}."
            raise DataError(f"the weather table has no column “{head}”.", file=file, where="line 1", remedy=hint)
        if header.count(head.strip()) > 1:
            raise DataError(
                f"the weather table has several columns “{head}”.", file=file, where="line 1", remedy="Rename one."
            )
        match = _TARGET.match(target)
        name = match[1].replace("-", "_") if match else ""
        if match is None or name not in COLUMN_QUANTITIES:
            raise DataError(
                f"the column “{head}” is mapped to “{target}”, which is no quantity of the weather.",
                file=file,
                remedy=_quantity_hint(name or target),
            )
        if any(name == other.name for other in mapped):
            raise DataError(f"two columns are mapped to {name}.", file=file, remedy="Map one column to each quantity.")
        scale, offset = _column_conversion(head, name, match[2], file)
        mapped.append(_Column(head, name, header.index(head.strip()), scale, offset, match[2]))
    names = {c.name for c in mapped}
    if "time" not in names:
        raise DataError("no column is mapped to time.", file=file, remedy="Map the column of the observation times.")
    if len(names & set(_PRESSURE_KINDS)) > 1:
        raise DataError(
            "more than one pressure is mapped.", file=file, remedy="Map the station pressure only, if there is one."
        )
    return mapped


def _written_step(rows: Sequence[tuple[int, list[str]]], mapped: Sequence[_Column], decimal: str) -> float | None:
    """Return the step of the last decimal that any temperature cell is written with [K]; None without a plain one."""
    column = next((c for c in mapped if c.name == "temperature"), None)
    if column is None:
        return None
    plain = re.compile(rf"[-+−]?\d+(?:{re.escape(decimal)}(\d*))?")
    found = [plain.fullmatch(cells[column.index]) for _, cells in rows if column.index < len(cells)]
    decimals = [len(match[1] or "") for match in found if match]
    return column.scale * 10.0 ** -max(decimals) if decimals else None


def _quantity_hint(name: str) -> str:
    if "press" in name or name in ("baro", "qnh", "qfe", "slp"):
        return "Declare the kind of the pressure: station_pressure, altimeter or sea_level_pressure."
    near = difflib.get_close_matches(name, COLUMN_QUANTITIES, n=1)
    return f"Did you mean “{near[0]}”?" if near else f"Quantities are {', '.join(COLUMN_QUANTITIES)}."


def _column_conversion(head: str, name: str, unit: str | None, file: Path | None) -> tuple[float, float]:
    quantity = COLUMN_QUANTITIES[name]
    if quantity is None:
        if unit is not None and not (name == "time" and unit.strip() in _EPOCH):
            raise DataError(f"the column “{head}” is mapped to {name}, which has no unit “{unit}”.", file=file)
        return (_EPOCH[unit.strip()] if unit else 1.0), 0.0
    if unit is None:
        raise DataError(
            f"the column “{head}” is mapped to {name} without a unit.",
            file=file,
            remedy=f"Write the unit in brackets, for example “{name} [{_EXAMPLES[quantity]}]”.",
        )
    try:
        scale, offset = conversion(unit, quantity)
    except DataError as error:
        raise DataError(f"column “{head}”: {error.what}", file=file, remedy=error.remedy) from None
    return (scale * 1000.0, offset) if name == "rain" else (scale, offset)


_EXAMPLES = {"temperature": "degC", "ratio": "%", "pressure": "hPa", "speed": "km/h", "angle": "deg", "length": "mm"}


def _zone(timezone: str | None) -> ZoneInfo | None:
    if timezone is None:
        return None
    try:
        return ZoneInfo(timezone)
    except (ZoneInfoNotFoundError, ValueError):
        raise DataError(
            f"the time zone “{timezone}” is not known.", remedy="Write it like “Europe/Madrid” or “UTC”."
        ) from None


def _row_observation(
    cells: list[str],
    mapped: Sequence[_Column],
    *,
    absent: set[str],
    zone: ZoneInfo | None,
    time_format: str | None,
    decimal: str,
    source: str,
    kind: Kind,
    elevation: float | None,
    resolution: float | None,
) -> Observation:
    values: dict[str, Any] = {}
    texts: dict[str, str] = {}
    epoch: float | None = None
    for column in mapped:
        if column.index >= len(cells):
            raise DataError(
                f"the row has {len(cells)} cells, too few for the column “{column.header}”.",
                remedy="Fill the row or remove it.",
            )
        cell = cells[column.index]
        if COLUMN_QUANTITIES[column.name] is None:
            texts[column.name] = cell
            if column.name == "time" and column.unit is not None:
                epoch = _number(cell, decimal, column.header) * column.scale
        elif cell.lower() not in absent:
            values[column.name] = _number(cell, decimal, column.header) * column.scale + column.offset
    time = datetime.fromtimestamp(epoch, UTC) if epoch is not None else _time(texts, zone, time_format)
    pressure_name = next((name for name in _PRESSURE_KINDS if name in values), None)
    return make_observation(
        time,
        source,
        kind,
        temperature=values.get("temperature"),
        dew_point=values.get("dew_point"),
        humidity=values.get("humidity"),
        pressure=values[pressure_name] if pressure_name else None,
        pressure_kind=_PRESSURE_KINDS[pressure_name] if pressure_name else None,
        elevation=elevation,
        wind_speed=values.get("wind_speed"),
        wind_direction=values.get("wind_direction"),
        wind_gust=values.get("wind_gust"),
        rain=values.get("rain"),
        raining=values["rain"] > 0.0 if "rain" in values else None,
        sky=texts.get("sky") or None,
        resolution=resolution,
    )


def _number(cell: str, decimal: str, header: str) -> float:
    text = cell.replace(decimal, ".") if decimal != "." else cell
    # float() alone would take "nan", "inf" and "1_000"; a reading is digits, a sign, a mark and an exponent.
    if not re.fullmatch(r"[-+−]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?", text):
        comma = " The decimal mark may be a comma: say so." if decimal == "." and "," in cell else ""
        raise DataError(
            f"“{cell}” in the column “{header}” is not a number.",
            remedy=f"Correct it, or list it among the texts that mean no reading.{comma}",
        )
    return float(text.replace("−", "-"))


def _time(texts: Mapping[str, str], zone: ZoneInfo | None, time_format: str | None) -> datetime:
    text = " ".join(part for part in (texts.get("date"), texts["time"]) if part)
    try:
        time = datetime.strptime(text, time_format) if time_format else datetime.fromisoformat(text)
    except ValueError:
        expected = f"the format {time_format}" if time_format else "ISO 8601 (2026-05-12T14:53+02:00)"
        raise DataError(
            f"the time “{text}” cannot be read as {expected}.",
            remedy="Give the format of the times, or the date in a column of its own.",
        ) from None
    if time.tzinfo is not None:
        return time
    if zone is None:
        raise DataError(
            f"the time “{text}” has no time zone.", remedy="Name the time zone of the table, for example “UTC”."
        )
    first, second = (time.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() != second.utcoffset():
        skipped = (first.utcoffset() or timedelta()) < (second.utcoffset() or timedelta())
        why = "does not exist" if skipped else "exists twice"
        raise DataError(
            f"the time “{text}” {why} in {zone.key}, where the clock changes.", remedy="Write it with its offset."
        )
    return first
