"""METAR and SPECI reports (WMO FM 15) into observations; the decoding is the `metar` package's."""

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from intake_report.errors import DataError, placed
from intake_report.loaders.base import read_text
from intake_report.messages import Message, Value, message
from intake_report.units import to_internal
from intake_report.weather.observations import PressureKind, WeatherObservation, WeatherRecord, build_record, completed

_BODY_TEMPERATURE = re.compile(r"(?:^|\s)(M?\d\d)/(M?\d\d|//|XX|MM)?(?=\s|$)")
_TENTHS = re.compile(r"\sT([01])(\d{3})(?:([01])(\d{3}))?(?=\s|$)")
_WIND_WITHOUT_UNIT = re.compile(r"Z\s+(?:AUTO\s+|COR\s+)*(\d{3}|VRB)P?\d{2,3}(G\d{2,3})?(?=\s)")
_VARIABLE = re.compile(r"Z\s+(?:AUTO\s+|COR\s+)*VRB")  # three slashes are a missing direction
_TIME = re.compile(r"(?:^|\s)(\d\d)(\d\d)(\d\d)Z")
_FALLING = ("DZ", "RA", "SN", "SG", "IC", "PL", "GR", "GS", "UP")
_REPORT_START = re.compile(r"^(?:(?:METAR|SPECI)\b|(?:COR\s+)?[A-Z][A-Z0-9]{3}\s+\d{6}Z?\s)")
# Line with the full date before a report, as bulletins of meteorological services write it.
_DATE_LINE = re.compile(r"^(\d{4})[/-](\d{2})[/-](\d{2})(?:[ T]\d{2}:?\d{2}(?::?\d{2})?Z?)?$")


def decode_metar(report: str, *, year: int, month: int, elevation: float | None = None) -> WeatherObservation | None:
    """Decode one METAR or SPECI report of a year and month; None for one that says it has no content (NIL).

    Without the `elevation` of the station [m] the altimeter setting cannot become a station pressure. DataError if it
    does not parse: names the report and the group.

    Tenths of the remarks group (T02270215) replace the whole degrees of the body (FMH-1 12.7). A missing wind
    (/////KT) is None, not calm. An altimeter setting is taken with its own unit, so that 29.87 inHg stays exact.
    """
    from metar.Metar import Metar

    text = " ".join(report.replace("=", " ").split())
    broken = f"the METAR report “{text}” does not parse"
    try:
        # The package joins its own error arguments and may trip over them: every exception means "did not parse".
        decoded: Any = Metar(text, month=month, year=year, strict=True)
    except Exception as error:
        raise DataError(f"{broken}: {_reason(error)}.", remedy="Correct the group or remove the report.") from None
    for name, value in (("station identifier", decoded.station_id), ("time (DDHHMMZ)", decoded.time)):
        if value is None:
            raise DataError(f"{broken}: it has no {name}.", remedy="Give the report in full.")
    if decoded.mod == "NO DATA":
        return None
    speed, gust = _speed(decoded.wind_speed), _speed(decoded.wind_gust)
    direction = None if decoded.wind_dir is None else float(decoded.wind_dir.value())
    if _WIND_WITHOUT_UNIT.search(text):  # which could be knots or metres per second: missing
        speed, gust, direction = None, None, None
    pressure, kind = _pressure(decoded)
    present = ["".join(part or "" for part in group) for group in decoded.weather]
    observation = WeatherObservation(
        pd.Timestamp(decoded.time, tz="UTC"),
        source=decoded.station_id,
        temperature=_celsius(decoded.temp),
        dew_point=_celsius(decoded.dewpt),
        pressure=pressure,
        pressure_kind=kind,
        wind_speed=speed,
        wind_direction=direction,
        wind_gust=gust,
        wind_variable=bool(speed) and direction is None and _VARIABLE.search(text) is not None,
        raining=_raining(decoded.weather),
        sky="no significant cloud, visibility 10 km or more"
        if "CAVOK" in text.split()
        else decoded.sky_conditions() or None,
        present=" ".join(group for group in present if group.strip("/")) or None,
        resolution=0.1 if _TENTHS.search(_remarks(text)) else 1.0,
        notices=_body_notices(text),
    )
    with placed(f"the METAR report “{text}” cannot be right: "):
        return completed(observation, elevation)


def metar_record(
    reports: str | Path | Sequence[str],
    *,
    year: int,
    month: int,
    elevation: float | None = None,
    source: str | None = None,
) -> WeatherRecord:
    """Decode reports of one station into a record.

    `reports`: reports as one text, a text file, or one string each; `year`, `month`: of the first report. Each later
    report is put into the month that brings it nearest to the one before it, so a list may pass the end of a month, in
    either order of time; a date line in the text has the last word; `elevation`: of the station [m]; `source`: name of
    the record; the station identifier when not given. Raises DataError: if a report does not parse, or reports of
    several stations are mixed, or there is none.
    """
    file = reports if isinstance(reports, Path) else None
    parts = _cut(reports)
    if not parts:
        raise DataError("there is no METAR report.", file=file, remedy="Give at least one report.")
    observations: list[WeatherObservation] = []
    for part in parts:
        near = observations[-1].time if observations else None
        own_year, own_month = _month_of(part, near, (year, month))
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


def _cut(reports: str | Path | Sequence[str]) -> list[ReportText]:
    if isinstance(reports, str | Path):
        return split_reports(read_text(reports) if isinstance(reports, Path) else reports)
    numbered = ((f"report {number}", part) for number, text in enumerate(reports, 1) for part in split_reports(text))
    return [part._replace(where=where) for where, part in numbered]


def split_reports(text: str) -> list[ReportText]:
    """Cut a text into reports.

    A report ends with "=", at an empty line, or where the next line begins like a report; other lines continue it.
    Lines that begin with "#" are comments. A line "2026/05/12 14:53" gives the date of the next report.
    """
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


def _body_notices(text: str) -> tuple[Message, ...]:
    body = _BODY_TEMPERATURE.search(text.partition(" RMK")[0])
    tenths = _TENTHS.search(_remarks(text))
    if body is None or tenths is None:
        return ()
    exact, whole = int(tenths[2]) * (-1 if tenths[1] == "1" else 1), int(body[1].replace("M", "-"))
    if round_half_up(exact) == whole:
        return ()
    text = "the body says {whole} and the remarks {exact}, which does not round to it; the remarks are used."
    of_remarks, of_body = Value(exact / 10.0, "temperature", 1), Value(float(whole), "temperature", 0)
    return (message(text, code="body-contradicts-remarks", whole=of_body, exact=of_remarks),)


def _remarks(text: str) -> str:
    return text.partition(" RMK")[2]


def _reason(error: Exception) -> str:
    text = " ".join(str(error).split())
    unparsed = re.match(r"Unparsed groups in body '(.*?)' while", text)
    if unparsed:
        return f"the group “{unparsed[1]}” is not understood"
    failed = re.match(r"_handle(\w+) failed while processing '(\S*).*' ?(.*)$", text)
    if failed:
        detail = f" ({failed[3].strip()})" if failed[3].strip() else ""
        return f"the {failed[1].lower()} group “{failed[2]}” is not valid{detail}"
    return text or type(error).__name__


def _celsius(temperature: Any) -> float | None:
    # Adding zero turns the −0.0 of "M00" into 0.0.
    return None if temperature is None else float(temperature.value("C")) + 0.0


def _speed(speed: Any) -> float | None:
    """Return [km/h]; the unit is read from the package's text because its own factors have six digits."""
    if speed is None:
        return None
    unit = {"knots": "knot", "mps": "m/s", "km/h": "km/h", "mph": "mph"}[speed.string().split()[-1]]
    return float(to_internal(float(speed.value()), unit, "speed"))


def _pressure(decoded: Any) -> tuple[float | None, PressureKind | None]:
    """Return the pressure [kPa] and its kind; altimeter setting first, whose reduction needs no temperature."""
    if decoded.press is not None:
        inches = decoded.press.string().endswith("inches")  # group A; group Q is a QNH in hPa
        pressure = float(to_internal(float(decoded.press.value()), "inHg" if inches else "hPa", "pressure"))
        return pressure, "altimeter" if inches else "qnh"
    if decoded.press_sea_level is not None:
        return float(to_internal(float(decoded.press_sea_level.value("HPA")), "hPa", "pressure")), "sea-level"
    return None, None


def _raining(weather: Sequence[tuple[str | None, ...]]) -> bool | None:
    """Tell whether something falls at the station; None where the present weather is reported as missing (//)."""
    if any("/" in (group[2] or "") + (group[4] or "") for group in weather):
        return None
    return any(
        any(code in (precipitation or "") for code in _FALLING) and "VC" not in (intensity or "")
        for intensity, _, precipitation, _, _ in weather
    )
