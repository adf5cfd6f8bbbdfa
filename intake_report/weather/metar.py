"""METAR and SPECI reports (WMO FM 15) into observations; the decoding is the `metar` package's."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from intake_report.errors import DataError
from intake_report.units import to_internal
from intake_report.weather.metar_text import ReportText, split_reports
from intake_report.weather.readings import make_observation
from intake_report.weather.records import Observation, WeatherNotice, WeatherRecord, build_record, located

_BODY_TEMPERATURE = re.compile(r"(?:^|\s)(M?\d\d)/(M?\d\d|//|XX|MM)?(?=\s|$)")
_TENTHS = re.compile(r"\sT([01])(\d{3})(?:([01])(\d{3}))?(?=\s|$)")
_WIND_WITHOUT_UNIT = re.compile(r"Z\s+(?:AUTO\s+|COR\s+)*(\d{3}|VRB)P?\d{2,3}(G\d{2,3})?(?=\s)")
_FALLING = ("DZ", "RA", "SN", "SG", "IC", "PL", "GR", "GS", "UP")
_INCH = 25.4  # mm, exact


def decode_metar(
    report: str,
    *,
    year: int,
    month: int,
    elevation: float | None = None,
    file: Path | str | None = None,
    where: str | None = None,
) -> Observation | None:
    """Decode one report.

    Parameters
    ----------
    report : str
        METAR or SPECI; the leading word may be absent.
    year, month : int
        Of the observation: a report carries only the day of the month.
    elevation : float, optional
        Of the station [m]; without it the altimeter setting cannot become a station pressure.
    file, where : optional
        Said in errors.

    Returns
    -------
    Observation or None
        None for a report that says it has no content (NIL).

    Raises
    ------
    DataError
        If it does not parse: names the report and the group.

    Notes
    -----
    Tenths of the remarks group (T02270215) replace the whole degrees of the body (FMH-1 12.7). A missing wind
    (/////KT) is None, not calm. An altimeter setting is taken with its own unit, so that 29.87 inHg stays exact.
    """
    from metar.Metar import Metar

    text = " ".join(report.replace("=", " ").split())
    try:
        # The package joins its own error arguments and may trip over them: every exception means "did not parse".
        decoded: Any = Metar(text, month=month, year=year, strict=True)
    except Exception as error:
        raise DataError(
            f"the METAR report “{text}” does not parse: {_reason(error)}.",
            file=file,
            where=where,
            remedy="Correct the group or remove the report.",
        ) from None
    for name, value in (("station identifier", decoded.station_id), ("time (DDHHMMZ)", decoded.time)):
        if value is None:
            raise DataError(
                f"the METAR report “{text}” does not parse: it has no {name}.",
                file=file,
                where=where,
                remedy="Give the report in full.",
            )
    if decoded.mod == "NO DATA":
        return None
    notices = _body_notices(text)
    speed, gust = _speed(decoded.wind_speed), _speed(decoded.wind_gust)
    direction = None if decoded.wind_dir is None else float(decoded.wind_dir.value())
    if _WIND_WITHOUT_UNIT.search(text):
        notices.append(WeatherNotice("wind-without-unit", "the wind group has no unit; the wind is taken as missing."))
        speed, gust, direction = None, None, None
    pressure, kind = _pressure(decoded)
    try:
        observation = make_observation(
            pd.Timestamp(decoded.time, tz="UTC"),
            decoded.station_id,
            "metar",
            temperature=_celsius(decoded.temp),
            dew_point=_celsius(decoded.dewpt),
            pressure=pressure,
            pressure_kind=kind,
            elevation=elevation,
            wind_speed=speed,
            wind_direction=direction,
            wind_gust=gust,
            wind_variable=speed is not None and speed > 0.0 and direction is None,
            wind_range=_wind_range(decoded),
            rain=None if decoded.precip_1hr is None else float(decoded.precip_1hr.value("IN")) * _INCH,
            raining=_raining(decoded.weather),
            sky="no significant cloud, visibility 10 km or more" if "CAVOK" in text.split() else _sky(decoded),
            present=_present(decoded.weather),
            resolution=0.1 if _TENTHS.search(_remarks(text)) else 1.0,
            raw=text,
        )
    except DataError as error:
        raise DataError(
            f"the METAR report “{text}” cannot be right: {error.what}", file=file, where=where, remedy=error.remedy
        ) from None
    if observation.temperature is None:
        notices.append(WeatherNotice("no-temperature", "the report has no temperature."))
    return replace(observation, notices=tuple(notices) + observation.notices)


def metar_record(
    reports: str | Path | Sequence[str],
    *,
    year: int,
    month: int,
    elevation: float | None = None,
    station: str | None = None,
    source: str | None = None,
) -> WeatherRecord:
    """Decode reports of one station into a record.

    Parameters
    ----------
    reports : str, Path or sequence of str
        Reports as one text, a text file, or one string each.
    year, month : int
        Of the first report. Each later report is put into the month that brings it nearest to the one before it, so a
        list may pass the end of a month, in either order of time; a date line in the text has the last word.
    elevation : float, optional
        Of the station [m].
    station : str, optional
        Take only this station's reports; without it all reports have to be of one station.
    source : str, optional
        Name of the record; the station identifier when not given.

    Returns
    -------
    WeatherRecord

    Raises
    ------
    DataError
        If a report does not parse, or reports of several stations are mixed, or there is none.
    """
    file = reports if isinstance(reports, Path) else None
    parts = _cut(reports)
    if not parts:
        raise DataError("there is no METAR report.", file=file, remedy="Give at least one report.")
    observations: list[Observation] = []
    notices: list[WeatherNotice] = []
    near: pd.Timestamp | None = None
    for part in parts:
        observation = _decode_near(part, near, (year, month), elevation, file)
        if observation is None:
            notices.append(WeatherNotice("nil-report", f"“{part.text}” has no content.", part.where))
            continue
        near = observation.time
        observations.append(
            replace(observation, notices=tuple(replace(n, where=part.where) for n in observation.notices))
        )
    return _one_station(observations, notices, station, source, elevation, file)


def _cut(reports: str | Path | Sequence[str]) -> list[ReportText]:
    if isinstance(reports, Path):
        try:
            text = reports.read_text(encoding="utf-8-sig", errors="strict")
        except (OSError, UnicodeDecodeError) as error:
            raise DataError(
                "the METAR file cannot be read.", file=reports, remedy=f"{type(error).__name__}: give a text file."
            ) from None
        return list(split_reports(text))
    if isinstance(reports, str):
        return list(split_reports(reports))
    cut: list[ReportText] = []
    for number, text in enumerate(reports, start=1):
        cut.extend(replace(part, where=f"report {number}") for part in split_reports(text))
    return cut


def _decode_near(
    part: ReportText,
    near: pd.Timestamp | None,
    first: tuple[int, int],
    elevation: float | None,
    file: Path | None,
) -> Observation | None:
    def decode(year: int, month: int) -> Observation | None:
        return decode_metar(part.text, year=year, month=month, elevation=elevation, file=file, where=part.where)

    if part.month is not None:
        return decode(*part.month)
    if near is None:
        return decode(*first)
    # The day alone decides the month; a candidate month may lack the day, which is no error while another has it.
    candidates: list[Observation] = []
    failure: DataError | None = None
    for shift in (0, 1, -1):
        year, month = divmod(near.year * 12 + near.month - 1 + shift, 12)
        try:
            observation = decode(year, month + 1)
        except DataError as error:
            failure = failure or error
            continue
        if observation is None:
            return None
        candidates.append(observation)
    if not candidates:
        assert failure is not None
        raise failure
    return min(candidates, key=lambda o: abs(o.time - near))


def _one_station(
    observations: list[Observation],
    notices: Iterable[WeatherNotice],
    station: str | None,
    source: str | None,
    elevation: float | None,
    file: Path | None,
) -> WeatherRecord:
    names = sorted({o.source for o in observations})
    if station is not None:
        kept = [o for o in observations if o.source == station]
        if not kept:
            raise DataError(
                f"there is no METAR report of station “{station}”.",
                file=file,
                remedy=f"Stations in it are {', '.join(names)}." if names else "All its reports are empty (NIL).",
            )
    elif len(names) > 1:
        raise DataError(
            f"the METAR reports are of several stations ({', '.join(names)}), at different places and elevations.",
            file=file,
            remedy="Name the station to use, or give each its own list.",
        )
    else:
        kept = observations
    if not kept:
        raise DataError("all METAR reports are empty (NIL).", file=file, remedy="Give at least one report.")
    try:
        return build_record(source or kept[0].source, "metar", elevation, kept, notices)
    except DataError as error:
        raise located(error, file=file, where=None) from None


def round_half_up(tenths: int) -> int:
    """Round tenths of a degree to whole degrees as reports do: half toward +∞, so −1.5 becomes −1 (FMH-1 2.6.3)."""
    return (tenths + 5) // 10


def _body_notices(text: str) -> list[WeatherNotice]:
    body = _BODY_TEMPERATURE.search(text.partition(" RMK")[0])
    tenths = _TENTHS.search(_remarks(text))
    if body is None or tenths is None:
        return []
    exact = int(tenths[2]) * (-1 if tenths[1] == "1" else 1)
    whole = int(body[1].replace("M", "-"))
    if round_half_up(exact) == whole:
        return []
    return [
        WeatherNotice(
            "body-contradicts-remarks",
            f"the body says {whole} °C and the remarks {exact / 10:.1f} °C, which does not round to it; "
            "the remarks are used.",
        )
    ]


def _remarks(text: str) -> str:
    return text.partition(" RMK")[2]


def _reason(error: Exception) -> str:
    message = " ".join(str(error).split())
    unparsed = re.match(r"Unparsed groups in body '(.*?)' while", message)
    if unparsed:
        return f"the group “{unparsed[1]}” is not understood"
    failed = re.match(r"_handle(\w+) failed while processing '(\S*).*' ?(.*)$", message)
    if failed:
        detail = f" ({failed[3].strip()})" if failed[3].strip() else ""
        return f"the {failed[1].lower()} group “{failed[2]}” is not valid{detail}"
    return message or type(error).__name__


def _celsius(temperature: Any) -> float | None:
    # Adding zero turns the −0.0 of "M00" into 0.0.
    return None if temperature is None else float(temperature.value("C")) + 0.0


def _speed(speed: Any) -> float | None:
    """Return [km/h]; the unit is read from the package's text because its own factors have six digits."""
    if speed is None:
        return None
    unit = {"knots": "knot", "mps": "m/s", "km/h": "km/h", "mph": "mph"}[speed.string().split()[-1]]
    return float(to_internal(float(speed.value()), unit, "speed"))


def _pressure(decoded: Any) -> tuple[float | None, Any]:
    """Return the pressure [kPa] and its kind; altimeter setting first, whose reduction needs no temperature."""
    if decoded.press is not None:
        unit = "inHg" if decoded.press.string().endswith("inches") else "hPa"
        return float(to_internal(float(decoded.press.value()), unit, "pressure")), "altimeter"
    if decoded.press_sea_level is not None:
        return float(to_internal(float(decoded.press_sea_level.value("HPA")), "hPa", "pressure")), "sea-level"
    return None, None


def _wind_range(decoded: Any) -> tuple[float, float] | None:
    if decoded.wind_dir_from is None:
        return None
    return float(decoded.wind_dir_from.value()), float(decoded.wind_dir_to.value())


def _raining(weather: Sequence[tuple[str | None, ...]]) -> bool | None:
    """Tell whether something falls at the station; None where the present weather is reported as missing (//)."""
    if any("/" in (group[2] or "") + (group[4] or "") for group in weather):
        return None
    return any(
        any(code in (precipitation or "") for code in _FALLING) and "VC" not in (intensity or "")
        for intensity, _, precipitation, _, _ in weather
    )


def _present(weather: Sequence[tuple[str | None, ...]]) -> str | None:
    words = ["".join(part or "" for part in group) for group in weather]
    return " ".join(word for word in words if word.strip("/")) or None


def _sky(decoded: Any) -> str | None:
    return decoded.sky_conditions() or None
