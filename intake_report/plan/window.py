"""When to drive: weather limits, declared hours, daylight and local time; from a forecast that somebody saved, never fetched."""

import bisect
import datetime as dt
import itertools
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from intake_report.campaign import Campaign, Planning
from intake_report.errors import DataError
from intake_report.formatting import count
from intake_report.loaders.base import read_text
from intake_report.statistics import Floats
from intake_report.weather import WeatherObservation, metar_record, station_table

SLOT = dt.timedelta(minutes=15)
LONGEST_GAP = dt.timedelta(hours=3)  # up to which a value of a forecast holds; they come hourly or every three hours
USUAL_HOURS = ("08:00-18:00",)  # where neither hours nor a place are known; assumed
SUNRISE = -0.833  # ° of the sun's centre: refraction and half of its disc
NIGHT = (22, 6)  # local hours in which no forecast is warmest, unless its zone is wrong
COLUMNS = {
    "temperature": ("temperature", "degC"), "wind": ("wind_speed", "km/h"), "precipitation": ("rain", "mm"), "cloud": ("cloud", "%"),
}  # fmt: skip
J2000 = dt.datetime(2000, 1, 1, 12, tzinfo=dt.UTC).timestamp()

Forecast = tuple[WeatherObservation, ...]


class DayWindow(NamedTuple):
    """One local day: stretches that fit, as aware times; hours that do not by reason; mean temperature of what fits [°C]."""

    day: dt.date
    stretches: tuple[tuple[dt.datetime, dt.datetime], ...]
    lost: dict[str, float]
    temperature: float | None


def read_forecast(file: Path) -> Forecast:
    """Read a forecast table: columns time, temperature, wind, precipitation, cloud, each with its unit in brackets.

    Without a unit: °C, km/h, mm, %. Times carry an offset, or the header names their zone: ``time [Europe/Madrid]``.
    Raises DataError: no such file or column, and whatever `station_table` refuses; times must rise.
    """
    first = read_text(file).partition("\n")[0]
    columns, zone = {}, ""
    for head in map(str.strip, first.split(";" if first.count(";") > first.count(",") else ",")):
        name, unit = head.partition("[")[0].strip().lower(), head.partition("[")[2].removesuffix("]").strip()
        if name == "time":
            columns[head], zone = name, unit
        elif name in COLUMNS:
            columns[head] = f"{COLUMNS[name][0]} [{unit or COLUMNS[name][1]}]"
    for needed in ("time", "temperature"):
        if not any(target.startswith(needed) for target in columns.values()):
            remedy = "Head the columns time, temperature [degC], wind [km/h], precipitation [mm], cloud [%]."
            raise DataError(f"the forecast has no column “{needed}”.", file=file, where="line 1", remedy=remedy)
    table = station_table(file, columns, source="the forecast", kind="forecast", timezone=zone or None, rising=True)
    return table.observations


def sun_elevation(times: Sequence[dt.datetime], latitude: float, longitude: float) -> Floats:
    """Return the height of the sun's centre above the horizon [°] at aware `times` (n,), without refraction.

    Low-precision formulas of The Astronomical Almanac (page C5 of its editions; from memory), 0.01° from 1950 to 2050.
    """
    days = (np.array([time.timestamp() for time in times]) - J2000) / 86400.0
    mean, anomaly = np.radians(280.460 + 0.9856474 * days), np.radians(357.528 + 0.9856003 * days)
    along = mean + np.radians(1.915) * np.sin(anomaly) + np.radians(0.020) * np.sin(2.0 * anomaly)
    tilt = np.radians(23.439 - 4e-7 * days)
    ascension = np.arctan2(np.cos(tilt) * np.sin(along), np.cos(along))
    declination = np.arcsin(np.sin(tilt) * np.sin(along))
    hour = np.radians(280.46062 + 360.98564737 * days + longitude) - ascension
    place = np.radians(latitude)
    height = np.sin(place) * np.sin(declination) + np.cos(place) * np.cos(declination) * np.cos(hour)
    return np.asarray(np.degrees(np.arcsin(height)))


def day_window(campaign: Campaign, day: dt.date, forecast: Forecast, place: tuple[float, float] | None) -> DayWindow:
    """Return the stretches of a local day in which a run may be driven.

    `forecast`: empty where there is none; `place`: latitude and longitude [°] for daylight, None where not known.
    """
    zone = ZoneInfo(campaign.about.timezone)
    now, end = (dt.datetime.combine(day + dt.timedelta(days=n), dt.time(), zone).astimezone(dt.UTC) for n in (0, 1))
    slots = [now + n * SLOT for n in range(int((end - now) / SLOT))]
    dark = np.zeros(len(slots), dtype=bool) if place is None else sun_elevation(slots, *place) < SUNRISE
    hours = campaign.plan.hours or (() if place is not None else USUAL_HOURS)
    lost: Counter[str] = Counter()
    stretches: list[tuple[dt.datetime, dt.datetime]] = []
    temperatures = []
    for slot, night in zip(slots, dark, strict=True):
        local, number = slot.astimezone(zone), bisect.bisect_right(forecast, slot, key=lambda one: one.time) - 1
        at = forecast[number] if number >= 0 and slot - forecast[number].time < LONGEST_GAP else None
        open_now = not hours or any(span[:5] <= f"{local:%H:%M}" < span[6:] for span in hours)
        unfit = _objection(campaign.plan, at) if forecast else ""
        if why := "other hours" if not open_now else "darkness" if night else unfit:
            lost[why] += 1
            continue
        if stretches and stretches[-1][1] == local:
            local = stretches.pop()[0]
        stretches.append((local, (slot + SLOT).astimezone(zone)))
        temperatures += [] if at is None or at.temperature is None else [at.temperature]
    hours_lost = {why: number * (SLOT / dt.timedelta(hours=1)) for why, number in lost.items()}
    return DayWindow(day, tuple(stretches), hours_lost, float(np.mean(temperatures)) if temperatures else None)


def _objection(planning: Planning, at: WeatherObservation | None) -> str:
    """Return why the weather is against driving; empty where it is not."""
    if at is None or at.temperature is None:
        return "no forecast"
    against = {
        "too cold": planning.coldest is not None and at.temperature < planning.coldest,
        "too warm": planning.warmest is not None and at.temperature > planning.warmest,
        "wind": planning.most_wind is not None and (at.wind_speed is None or at.wind_speed > planning.most_wind),
        "precipitation": planning.dry and at.raining,
        "cloud": planning.most_cloud is not None and (at.cloud is None or at.cloud > planning.most_cloud),
    }
    return next((why for why, holds in against.items() if holds), "")


def window_notes(campaign: Campaign, days: Sequence[dt.date], forecast: Forecast, place: object) -> Iterator[str]:
    """Yield the traps: clocks that change, a forecast with gaps or of a wrong zone, daylight that is not known."""
    zone = ZoneInfo(campaign.about.timezone)
    for day in days:
        noon = [dt.datetime.combine(day + dt.timedelta(days=n), dt.time(3), zone) for n in (-1, 0)]
        if noon[0].utcoffset() != noon[1].utcoffset():
            yield f"The clocks of {campaign.about.timezone} change on {day}: the logger and the run sheets may differ by an hour."
    if campaign.about.timezone == "UTC":
        yield "The campaign states no time zone: all times are UTC. Set campaign.timezone."
    if place is None:
        hours = "the declared hours stand alone" if campaign.plan.hours else f"{USUAL_HOURS[0]} is assumed"
        yield f"Without route.reference the place is not known, and so no daylight: {hours}."
    if not forecast:
        yield "No forecast was given (--forecast TABLE): days and hours rest on the declared hours alone."
        return
    gaps = sum(b.time - a.time > LONGEST_GAP for a, b in itertools.pairwise(forecast))
    if gaps:
        yield f"The forecast has {count(gaps, 'gap')} of more than 3 h; nothing is planned in them."
    known = [one for one in forecast if one.temperature is not None]
    if known and known[-1].time - known[0].time >= dt.timedelta(hours=23):
        warmest = max(known, key=lambda one: one.temperature or 0.0).time.astimezone(zone)
        if warmest.hour >= NIGHT[0] or warmest.hour < NIGHT[1]:
            yield f"The forecast is warmest at {warmest:%H:%M} local time: check that its zone is right."


def climate(campaign: Campaign, file: Path, year: int, month: int) -> list[tuple[int, int, float]]:
    """Return for each local hour of the day: the hour, METAR reports in it, and the share of them that fit the limits.

    `year`, `month` of the first report, where no line of the file dates it. Cloud is not judged. Raises DataError: as
    `metar_record`.
    """
    record, zone = metar_record(file, year=year, month=month), ZoneInfo(campaign.about.timezone)
    planning = campaign.plan.model_copy(update={"most_cloud": None})
    fits: dict[int, list[bool]] = {}
    for at in record.observations:
        fits.setdefault(at.time.tz_convert(zone).hour, []).append(not _objection(planning, at))
    return [(hour, len(found), sum(found) / len(found)) for hour, found in sorted(fits.items())]
