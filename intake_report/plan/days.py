"""The days and hours that fit, and the starts of runs in them. A forecast is read from a file, never fetched."""

import bisect
import datetime as dt
import itertools
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from intake_report.align import CRITERIA, AcceptanceLimit
from intake_report.analyse.acceptance import acceptance_limits
from intake_report.campaign import Campaign, Planning
from intake_report.errors import DataError
from intake_report.formatting import count, listing, usual
from intake_report.loaders.base import read_text
from intake_report.plan.design import SOAK_CHECK
from intake_report.plan.schedule import PlannedRun, by_block
from intake_report.statistics import Floats
from intake_report.weather import WeatherObservation, metar_record, station_table

WEEK = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")  # strftime would speak the language of the machine
MOST_DAYS = 120  # that are looked through for windows
SLOT = dt.timedelta(minutes=15)
LONGEST_GAP = dt.timedelta(hours=3)  # up to which a value of a forecast holds; they come hourly or every three hours
USUAL_HOURS = ("08:00-18:00",)  # where none are declared; assumed
CLOCK, WEATHER = "time-of-day", {"ambient": "temperature", "wind": "wind_speed"}
"""Acceptance criteria that a start decides, each against the median of its block; those of the weather with what is forecast."""
PLACES = 400  # starts of a block that are compared, on ten days or so
SUNRISE = -0.833  # ° of the sun's centre: refraction and half of its disc
NIGHT = (22, 6)  # local hours in which no forecast is warmest, unless its zone is wrong
COLUMNS = {
    "temperature": ("temperature", "degC"), "wind": ("wind_speed", "km/h"), "precipitation": ("rain", "mm"), "cloud": ("cloud", "%"),
}  # fmt: skip
J2000 = dt.datetime(2000, 1, 1, 12, tzinfo=dt.UTC).timestamp()

Forecast = tuple[WeatherObservation, ...]


class DayWindow(NamedTuple):
    """One local day."""

    day: dt.date
    stretches: tuple[tuple[dt.datetime, dt.datetime], ...]  # that fit
    lost: dict[str, float]  # hours that do not, by reason
    temperature: float | None = None  # forecast, mean of the runs that are planned [°C]


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
    """Return the stretches of a local day that fit; `place`: latitude, longitude [°]; None: daylight is not known."""
    zone = ZoneInfo(campaign.about.timezone)
    now, end = (dt.datetime.combine(day + dt.timedelta(days=n), dt.time(), zone).astimezone(dt.UTC) for n in (0, 1))
    slots = [now + n * SLOT for n in range(int((end - now) / SLOT))]
    dark = np.zeros(len(slots), dtype=bool) if place is None else sun_elevation(slots, *place) < SUNRISE
    hours = campaign.plan.hours or USUAL_HOURS
    lost: Counter[str] = Counter()
    stretches: list[tuple[dt.datetime, dt.datetime]] = []
    for slot, night in zip(slots, dark, strict=True):
        local, number = slot.astimezone(zone), bisect.bisect_right(forecast, slot, key=lambda one: one.time) - 1
        at = forecast[number] if number >= 0 and slot - forecast[number].time < LONGEST_GAP else None
        open_now = any(span[:5] <= f"{local:%H:%M}" < span[6:] for span in hours)
        unfit = _objection(campaign.plan, at) if forecast else ""
        if why := "other hours" if not open_now else "darkness" if night else unfit:
            lost[why] += 1
            continue
        if stretches and stretches[-1][1] == local:
            local = stretches.pop()[0]
        stretches.append((local, (slot + SLOT).astimezone(zone)))
    hours_lost = {why: number * (SLOT / dt.timedelta(hours=1)) for why, number in lost.items()}
    return DayWindow(day, tuple(stretches), hours_lost)


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
    if not campaign.plan.hours:
        yield f"No hours are declared (plan.hours): {USUAL_HOURS[0]} is assumed."
    if place is None:
        yield "Without route.reference the place is not known, and so no daylight: see that no run falls into the dark."
    if not forecast:
        yield "No forecast was given (--forecast TABLE): days and hours are chosen without the weather."
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
    """Return local hour, METAR reports in it, share of them that fits but for cloud; `year`, `month`: of the first."""
    record, zone = metar_record(file, year=year, month=month), ZoneInfo(campaign.about.timezone)
    planning = campaign.plan.model_copy(update={"most_cloud": None})
    fits: dict[int, list[bool]] = {}
    for at in record.observations:
        fits.setdefault(at.time.tz_convert(zone).hour, []).append(not _objection(planning, at))
    return [(hour, len(found), sum(found) / len(found)) for hour, found in sorted(fits.items())]


def days_ahead(campaign: Campaign, today: dt.date, forecast: Forecast) -> list[dt.date]:
    """Return the days that may be driven on and that a forecast covers. DataError: there is none."""
    planning = campaign.plan
    first = max(today + dt.timedelta(days=1), planning.first_day or today)
    last = planning.last_day or first + dt.timedelta(days=MOST_DAYS)
    days = [first + dt.timedelta(days=n) for n in range(min((last - first).days + 1, MOST_DAYS))]
    days = [day for day in days if not planning.weekdays or WEEK[day.weekday()] in planning.weekdays]
    if not days:
        what = f"no day is left: the last is {last}, and the next that may be driven on would be after it."
        raise DataError(what, file=campaign.given, where="plan.last_day", remedy="Set a later one, or more weekdays.")
    if not forecast:
        return days
    first, last = (one.time.tz_convert(campaign.about.timezone).date() for one in (forecast[0], forecast[-1]))
    covered = [day for day in days if first <= day <= last]
    if not covered:
        what = f"the forecast is of {first} to {last}, the days to drive are {days[0]} to {days[-1]}: they do not meet."
        raise DataError(what, where="--forecast", remedy="Save a newer one, or set plan.first_day and plan.last_day.")
    return covered


def limit_of(campaign: Campaign, code: str) -> AcceptanceLimit:
    """Return the limit of an acceptance criterion, and whether it is hard, as declared or by default."""
    spec, stated = CRITERIA[code], acceptance_limits(campaign).get(code, AcceptanceLimit(CRITERIA[code].limit))
    return AcceptanceLimit(stated.limit, spec.hard if stated.hard is None else stated.hard)


def with_starts(
    campaign: Campaign, runs: Sequence[PlannedRun], windows: Sequence[DayWindow], forecast: Forecast = ()
) -> tuple[tuple[PlannedRun, ...], dict[str, DayWindow], tuple[str, ...]]:
    """Return the runs with starts, each block on a day of its own, in order; DataError where too few days hold a block.

    Of the next starts that a block can have, those that keep best the time of day, then the weather, that its run sheets ask
    for. Also returns the day of each block, in whose stretches a run keeps the time of day, and what is not kept, in sentences.
    """
    planning, left = campaign.plan, list(windows)
    limits = {code: limit_of(campaign, code).limit for code in (CLOCK, *WEATHER)}
    each, reach = (dt.timedelta(seconds=x) for x in (planning.drive_time, 3600.0 * limits[CLOCK]))
    starts: dict[str, dt.datetime] = {}
    days: dict[str, DayWindow] = {}
    beyond: dict[str, dict[str, float]] = {}

    def missed(times: Sequence[dt.datetime]) -> dict[str, float]:
        apart = {code: np.abs(x - np.median(x)).max() for code, x in _facts(planning, times, forecast).items()}
        return {code: size for code, size in apart.items() if size > limits[code] + 1e-6}

    blocks = {name: todo for name, block in by_block(runs).items() if (todo := [run for run in block if not run.done])}
    for name, todo in blocks.items():
        left = [day for day in left if next(place(planning, len(todo), day), None)]
        if not left:
            raise _no_day(campaign, len(todo), len(days), len(blocks), windows)
        spare = left[: max(len(left) - (len(blocks) - len(days)), 0) + 1]  # later days are needed by the other blocks
        some = itertools.islice(((day, t) for day in spare for t in place(planning, len(todo), day)), PLACES)
        day, times = min(some, key=lambda one: ((amiss := missed(one[1])).get(CLOCK, 0.0), len(amiss)))
        left = left[left.index(day) + 1 :]
        starts |= {run.id: time for run, time in zip(todo, times, strict=True)}
        facts = _facts(planning, times, forecast)
        middle = times[0] + dt.timedelta(hours=float(np.median(facts[CLOCK]) - facts[CLOCK][0]))
        both = ((max(a, middle - reach), min(b, middle + reach + each)) for a, b in day.stretches)
        warm = float(facts["ambient"].mean()) if "ambient" in facts else None
        days[name] = DayWindow(day.day, tuple((a, b) for a, b in both if b - a >= each), day.lost, warm)
        for code, size in missed(times).items():
            beyond.setdefault(code, {})[name] = size
    made = (replace(r, start=starts[r.id], end=starts[r.id] + each) if r.id in starts else r for r in runs)
    begun = [run.block for run in runs if run.done]
    says = [_not_kept(campaign, code, sizes) for code, sizes in beyond.items()]
    if late := [name for name in blocks if name in begun]:
        says.append(
            f"{listing(late)}: begun on an earlier day, at other hours and in other weather, so that the runs that are left are hardly "
            "comparable. Better drive the whole block anew, under another name."
        )
    return tuple(made), days, tuple(says)


def _not_kept(campaign: Campaign, code: str, sizes: Mapping[str, float]) -> str:
    spec, limit = CRITERIA[code], limit_of(campaign, code)
    worst, asked = (usual(x, spec.shown, campaign.about.units) for x in (max(sizes.values()), limit.limit))
    return (
        f"{spec.title} in {listing(list(sizes))}: as planned, up to {worst} from the median of the block; the run sheets ask for "
        f"{asked}, and the report {'excludes such runs' if limit.hard else 'accepts such runs with limitation'}. Plan fewer runs in a block, "
        f"shorten plan.changeover or plan.stand, or state another acceptance.{code} before the first drive."
    )


def _facts(planning: Planning, starts: Sequence[dt.datetime], forecast: Forecast) -> dict[str, Floats]:
    """Return the hours of starts, and what is forecast for the middle of each run, by acceptance criterion."""
    facts = {CLOCK: np.array([t.hour + t.minute / 60.0 for t in starts])}
    middles = [t.timestamp() + 0.5 * planning.drive_time for t in starts]
    for code, field in WEATHER.items():
        known = [(at.time.timestamp(), value) for at in forecast if (value := getattr(at, field)) is not None]
        if known:
            facts[code] = np.interp(middles, *np.transpose(known))
    return facts


def place(planning: Planning, runs: int, day: DayWindow) -> Iterator[list[dt.datetime]]:
    """Yield the starts that so many runs can have in the stretches of a day, the earliest first."""
    drive = dt.timedelta(seconds=planning.drive_time)
    between = dt.timedelta(seconds=planning.changeover + planning.stand)
    for first in (a + n * SLOT for a, b in day.stretches for n in range(int((b - a) / SLOT))):
        starts: list[dt.datetime] = []
        for begin, end in day.stretches:
            now = max(begin, starts[-1] + drive + between if starts else first)
            while len(starts) < runs and now + drive <= end:
                starts.append(now)
                now = now + drive + between
        if len(starts) == runs:
            yield starts


def soak_check(planning: Planning, start: dt.datetime) -> tuple[dt.datetime, dt.datetime]:
    """Return begin and end of the soak check before a first start: a drive to warm up and the stand follow it."""
    begin = start - dt.timedelta(seconds=SOAK_CHECK + planning.drive_time + planning.stand)
    return begin, begin + dt.timedelta(seconds=SOAK_CHECK)


def _no_day(campaign: Campaign, runs: int, held: int, blocks: int, windows: Sequence[DayWindow]) -> DataError:
    planning = campaign.plan
    need = (runs * planning.drive_time + (runs - 1) * (planning.changeover + planning.stand)) / 3600.0
    lost: Counter[str] = Counter()
    for window in windows:
        lost.update(window.lost)
    del lost["other hours"]
    most = f"; most is lost to {max(lost, key=lost.__getitem__, default='the declared hours')}" * (held < len(windows))
    what = (
        f"{count(blocks, 'block')} of {count(runs, 'run')} need a day each with {need:.1f} h that fit, and of "
        f"{count(len(windows), 'day')} {held or 'none'} {'has' if held < 2 else 'have'} them{most}."
    )
    remedy = "Widen plan.hours or the weather limits, set a later plan.last_day, or plan fewer runs in a block."
    return DataError(what, file=campaign.given, where="plan", remedy=remedy)
