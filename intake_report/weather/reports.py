"""Reports and tables of weather into records: METAR and SPECI (WMO FM 15, decoded by `metar`), delimited text."""

import csv
import io
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import pandas as pd

from intake_report.campaign.sections import FIRST_YEAR, LAST_YEAR
from intake_report.errors import DataError, nearest, placed
from intake_report.loaders.base import read_text
from intake_report.loaders.dialect import MISSING
from intake_report.messages import Message, Value, message
from intake_report.units import conversion, to_internal
from intake_report.weather.observations import Kind, WeatherObservation, WeatherRecord, build_record, completed

_BODY_TEMPERATURE = re.compile(r"(?:^|\s)(M?\d\d)/(M?\d\d|//|XX|MM)?(?=\s|$)")
_TENTHS = re.compile(r"\sT([01])(\d{3})(?:([01])(\d{3}))?(?=\s|$)")
_WIND_WITHOUT_UNIT = re.compile(r"Z\s+(?:AUTO\s+|COR\s+)*(\d{3}|VRB)P?\d{2,3}(G\d{2,3})?(?=\s)")
_VARIABLE = re.compile(r"Z\s+(?:AUTO\s+|COR\s+)*VRB")  # three slashes are a missing direction
_TIME = re.compile(r"(?:^|\s)(\d\d)(\d\d)(\d\d)Z")
_FALLING = ("DZ", "RA", "SN", "SG", "IC", "PL", "GR", "GS", "UP")
_REPORT_START = re.compile(r"^(?:(?:METAR|SPECI)\b|(?:COR\s+)?[A-Z][A-Z0-9]{3}\s+\d{6}Z?\s)")
# the full date before a report, as bulletins write it
_DATE_LINE = re.compile(r"^(\d{4})[/-](\d{2})[/-](\d{2})(?:[ T]\d{2}:?\d{2}(?::?\d{2})?Z?)?$")


def decode_metar(report: str, *, year: int, month: int, elevation: float | None = None) -> WeatherObservation | None:
    """Decode one report of a year and month; None for an empty one (NIL). DataError names report and group.

    Without the `elevation` of the station [m] the altimeter setting cannot become a station pressure. Tenths of the remarks
    group (T02270215) replace the whole degrees of the body (FMH-1 12.7). A missing wind (/////KT) is None, not calm. An
    altimeter setting is taken with its own unit, so that 29.87 inHg stays exact.
    """
    from metar.Metar import Metar

    text = " ".join(report.replace("=", " ").split())
    broken = f"the METAR report “{text}” does not parse"
    try:
        decoded: Any = Metar(text, month=month, year=year, strict=True)
    except Exception as error:  # the package joins its own error arguments and may trip over them
        raise DataError(f"{broken}: {_reason(error)}.", remedy="Correct the group or remove the report.") from None
    for name, value in (("station identifier", decoded.station_id), ("time (DDHHMMZ)", decoded.time)):
        if value is None:
            raise DataError(f"{broken}: it has no {name}.", remedy="Give the report in full.")
    if decoded.mod == "NO DATA":
        return None
    about: dict[str, Any] = {}
    if not _WIND_WITHOUT_UNIT.search(text):  # which could be knots or metres per second: missing
        speed, direction = _speed(decoded.wind_speed), decoded.wind_dir and float(decoded.wind_dir.value())
        variable = bool(speed) and direction is None and _VARIABLE.search(text) is not None
        about = {"wind_speed": speed, "wind_direction": direction, "wind_variable": variable}
        about["wind_gust"] = _speed(decoded.wind_gust)
    about |= {"temperature": _celsius(decoded.temp), "dew_point": _celsius(decoded.dewpt), **_pressure(decoded)}
    present = ["".join(part or "" for part in group) for group in decoded.weather]
    sky = "no significant cloud, visibility 10 km or more" if "CAVOK" in text.split() else decoded.sky_conditions()
    about |= {"present": " ".join(group for group in present if group.strip("/")) or None, "sky": sky or None}
    body, _, remarks = text.partition(" RMK")
    whole, tenths = _BODY_TEMPERATURE.search(body), _TENTHS.search(remarks)
    about |= {"raining": _raining(decoded.weather), "resolution": 0.1 if tenths else 1.0}
    about |= {"source": decoded.station_id, "notices": _contradiction(whole, tenths) if whole and tenths else ()}
    observation = WeatherObservation(pd.Timestamp(decoded.time, tz="UTC"), **about)
    with placed(f"the METAR report “{text}” cannot be right: "):
        return completed(observation, elevation)


def metar_record(
    reports: Path | Sequence[str], year: int, month: int, elevation: float | None = None, source: str | None = None
) -> WeatherRecord:
    """Decode reports of one station, as one text, a text file, or one string each, into a record.

    `year`, `month`: of the first report. Each later one is put into the month that brings it nearest to the one before it, so
    a list may pass the end of a month, in either order of time; a date line in the text has the last word. `elevation` of the
    station [m]; `source`: of the record, else the station. DataError: none, several stations, one that does not parse.
    """
    file = reports if isinstance(reports, Path) else None
    if isinstance(reports, str | Path):
        parts = split_reports(read_text(reports) if isinstance(reports, Path) else reports)
    else:
        each = ((f"report {number}", split_reports(text)) for number, text in enumerate(reports, 1))
        parts = [part._replace(where=where) for where, cut in each for part in cut]
    if not parts:
        raise DataError("there is no METAR report.", file=file, remedy="Give at least one report.")
    observations: list[WeatherObservation] = []
    for part in parts:
        own_year, own_month = _month_of(part, observations[-1].time if observations else None, (year, month))
        with placed(file=file, where=part.where):
            observation = decode_metar(part.text, year=own_year, month=own_month, elevation=elevation)
        observations += [] if observation is None else [observation]
    stations = sorted({o.source for o in observations})
    if len(stations) > 1:
        what = f"the METAR reports are of several stations ({', '.join(stations)}), at different places and elevations."
        raise DataError(what, file=file, remedy="Give each its own list.")
    if not observations:
        raise DataError("all METAR reports are empty (NIL).", file=file, remedy="Give at least one report.")
    return build_record(source or stations[0], "metar", elevation, observations)


class ReportText(NamedTuple):
    """One report cut out of a text: `text` on one line, `where` it began, and the month a date line before it gives."""

    text: str
    where: str
    month: tuple[int, int] | None = None


def split_reports(text: str) -> list[ReportText]:
    """Cut a text into reports at “=”, empty lines and beginnings; “#” begins a comment, a date line dates the next."""
    reports = [ReportText("", "")]
    month: tuple[int, int] | None = None
    for number, line in enumerate(text.lstrip("\ufeff").splitlines(), start=1):
        line = line.strip()
        date = _DATE_LINE.match(line)
        if not line or line.startswith("#") or date:
            line = "="
        elif _REPORT_START.match(line + " "):
            line = f"={line}"
        month = (int(date[1]), int(date[2])) if date else month
        for position, piece in enumerate(line.split("=")):
            last, words = reports[-1], " ".join(piece.split())
            if position and last.text:
                reports.append(last := ReportText("", ""))
            if words and last.text:
                reports[-1] = last._replace(text=f"{last.text} {words}")
            elif words:
                reports[-1], month = ReportText(words, f"line {number}", month), None
    return [report for report in reports if report.text]


def _month_of(part: ReportText, near: pd.Timestamp | None, first: tuple[int, int]) -> tuple[int, int]:
    """Return the month of a report: that of its date line, or the one that brings it nearest to the report before it."""
    time = _TIME.search(part.text)
    if part.month is not None or near is None or time is None:
        return part.month or first
    day, hour, minute = (int(digits) for digits in time.groups())
    before = near.tz_localize(None)
    # a month may lack the day
    months = [month for shift in (0, 1, -1) if 1 <= day <= (month := before.to_period("M") + shift).days_in_month]
    after = pd.Timedelta(days=day - 1, hours=hour, minutes=minute)
    nearest = min(months, key=lambda month: abs(month.start_time + after - before), default=before.to_period("M"))
    return nearest.year, nearest.month


def round_half_up(tenths: int) -> int:
    """Round tenths of a degree to whole degrees as reports do: half toward +∞, so −1.5 becomes −1 (FMH-1 2.6.3)."""
    return (tenths + 5) // 10


def _contradiction(body: re.Match[str], tenths: re.Match[str]) -> tuple[Message, ...]:
    exact, whole = int(tenths[2]) * (-1 if tenths[1] == "1" else 1), int(body[1].replace("M", "-"))
    if round_half_up(exact) == whole:
        return ()
    text = "the body says {whole} and the remarks {exact}, which does not round to it; the remarks are used."
    of_remarks, of_body = Value(exact / 10.0, "temperature", 1), Value(float(whole), "temperature", 0)
    return (message(text, code="body-contradicts-remarks", whole=of_body, exact=of_remarks),)


def _reason(error: Exception) -> str:
    text = " ".join(str(error).split())
    if unparsed := re.match(r"Unparsed groups in body '(.*?)' while", text):
        return f"the group “{unparsed[1]}” is not understood"
    if failed := re.match(r"_handle(\w+) failed while processing '(\S*).*' ?(.*)$", text):
        detail = f" ({failed[3].strip()})" if failed[3].strip() else ""
        return f"the {failed[1].lower()} group “{failed[2]}” is not valid{detail}"
    return text or type(error).__name__


def _celsius(temperature: Any) -> float | None:  # adding zero turns the −0.0 of "M00" into 0.0
    return None if temperature is None else float(temperature.value("C")) + 0.0


def _speed(speed: Any) -> float | None:
    """Return [km/h]; the unit is read from the package's text because its own factors have six digits."""
    if speed is None:
        return None
    unit = {"knots": "knot", "mps": "m/s", "km/h": "km/h", "mph": "mph"}[speed.string().split()[-1]]
    return float(to_internal(float(speed.value()), unit, "speed"))


def _pressure(decoded: Any) -> dict[str, Any]:
    """Return the pressure [kPa] and its kind; altimeter setting first, whose reduction needs no temperature."""
    if decoded.press is not None:
        inches = decoded.press.string().endswith("inches")  # group A; group Q is a QNH in hPa
        pressure = to_internal(float(decoded.press.value()), "inHg" if inches else "hPa", "pressure")
        return {"pressure": float(pressure), "pressure_kind": "altimeter" if inches else "qnh"}
    if decoded.press_sea_level is None:
        return {}
    pressure = to_internal(float(decoded.press_sea_level.value("HPA")), "hPa", "pressure")
    return {"pressure": float(pressure), "pressure_kind": "sea-level"}


def _raining(weather: Sequence[tuple[str | None, ...]]) -> bool | None:
    """Tell whether something falls at the station; None where the present weather is reported as missing (//)."""
    groups = [(how or "", what or "", other or "") for how, _, what, _, other in weather]
    if any("/" in what + other for _, what, other in groups):
        return None
    return any("VC" not in how and any(code in what for code in _FALLING) for how, what, _ in groups)


# Name in a column mapping -> key of `units.QUANTITIES`, None for text.
COLUMN_QUANTITIES: dict[str, str | None] = {
    "time": None, "date": None, "temperature": "temperature", "dew_point": "temperature", "humidity": "ratio",
    "station_pressure": "pressure", "altimeter": "pressure", "sea_level_pressure": "pressure", "wind_speed": "speed",
    "wind_gust": "speed", "wind_direction": "angle", "rain": "length", "cloud": "ratio", "sky": None,
}  # fmt: skip
_PRESSURE_KINDS = {"station_pressure": "station", "altimeter": "altimeter", "sea_level_pressure": "sea-level"}
_MISSING = frozenset({*map(str.lower, MISSING), "m", "/", "//", "///"})  # the last as in reports
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
    """Read a table of observations, one row per time: a delimited file, or the text of one.

    A decimal comma is read where the delimiter is another sign. `columns`: header in the table -> "quantity [unit]", one of
    `COLUMN_QUANTITIES`; the kind of a pressure has to be declared. `timezone`: of times without an offset ("Europe/Madrid");
    `resolution`: step of the temperature reading [K]; the last decimal that the table writes when not given; `rising`: times
    must rise. DataError with the line: an absent header, a unit or cell that cannot be read, an impossible reading.
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
    if resolution is None:  # the step of the last decimal that any temperature cell is written with
        plain = re.compile(rf"[-+−]?\d+(?:[{decimals}](\d*))?")
        read = [(c.scale, c.at) for c in mapped if c.name == "temperature"]
        found = ((scale, plain.fullmatch(cells[at])) for scale, at in read for _, cells in rows[1:] if at < len(cells))
        resolution = min((scale * 10.0 ** -len(match[1] or "") for scale, match in found if match), default=None)
    observations = []
    for line, cells in rows[1:]:
        with placed(file=file, where=f"line {line}"):
            observed = _observation(cells, mapped, zone, decimals, source=source, resolution=resolution)
            observations.append(completed(observed, elevation))
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

    delimiter = max((",", ";", "\t", "|"), key=mapped)
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
    cells: list[str], mapped: Sequence[_Column], zone: ZoneInfo | None, decimals: str, **about: Any
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
            try:
                time = datetime.fromtimestamp(_number(cell, decimals, column.header) * column.scale, UTC)
            except (OverflowError, ValueError, OSError):
                what = f"the time “{cell}” is outside the calendar."
                raise DataError(what, remedy="Check its unit: s or ms since 1970.") from None
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
    return WeatherObservation(stamp, raining=raining, sky=texts.get("sky") or None, **values, **about)


def _number(cell: str, decimals: str, header: str) -> float:
    text = cell.replace(",", ".") if "," in decimals else cell
    if not _NUMBER.fullmatch(text):
        comma = " A decimal comma needs another delimiter than the comma." if "," in cell else ""
        what = f"“{cell}” in the column “{header}” is not a number."
        raise DataError(what, remedy=f"Correct it, or leave it empty.{comma}")
    return float(text.replace("−", "-"))


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
