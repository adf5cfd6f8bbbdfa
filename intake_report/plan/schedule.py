"""Which runs are driven when: orders, the days and hours that fit, starts, what a campaign under way still needs.

Orders are Williams designs (each configuration once at every position, each follows each other equally often) or, with
several runs of a configuration in one block, a sequence and its mirror image (a linear drift cancels). A forecast is read
from a file that somebody saved, never fetched.
"""

import bisect
import datetime as dt
import itertools
import math
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.random import Generator

from intake_report.campaign import Campaign, Planning
from intake_report.errors import DataError
from intake_report.formatting import count
from intake_report.loaders.base import read_text
from intake_report.plan.design import Design
from intake_report.statistics import Floats
from intake_report.weather import WeatherObservation, metar_record, station_table

SEARCHED = 20_000  # subsets of sequences that are compared before the first ones are taken instead; about a second
SOAK_CHECK = dt.timedelta(minutes=15)  # before the first start of a day, engine cold
WEEK = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")  # strftime would speak the language of the machine
MOST_DAYS = 120  # that are looked through for windows
SLOT = dt.timedelta(minutes=15)
LONGEST_GAP = dt.timedelta(hours=3)  # up to which a value of a forecast holds; they come hourly or every three hours
USUAL_HOURS = ("08:00-18:00",)  # where neither hours nor a place are known; assumed
SUNRISE = -0.833  # ° of the sun's centre: refraction and half of its disc
NIGHT = (22, 6)  # local hours in which no forecast is warmest, unless its zone is wrong
COLUMNS = {
    "temperature": ("temperature", "degC"), "wind": ("wind_speed", "km/h"), "precipitation": ("rain", "mm"), "cloud": ("cloud", "%"),
}  # fmt: skip
J2000 = dt.datetime(2000, 1, 1, 12, tzinfo=dt.UTC).timestamp()

Order = tuple[str, ...]
Forecast = tuple[WeatherObservation, ...]


class OrderBalance(NamedTuple):
    """How even the orders of the blocks are."""

    mean_position: dict[str, float]  # of each configuration within its blocks, from 1
    drift: float  # largest difference of mean positions; 0 where a linear drift within the day cancels
    position_balanced: bool  # every configuration stands equally often at every position
    carry_over_balanced: bool  # every ordered pair of different configurations occurs equally often
    repeats: int  # how often a configuration directly follows itself, so that nothing is refitted between two runs
    # drift, and sums of the squared counts of both, which are least when counts are equal
    uneven: tuple[float, int, int]


def order_balance(blocks: Sequence[Order]) -> OrderBalance:
    """Return how even the orders of `blocks` are; each holds two configurations or more in the order of driving."""
    names = list(dict.fromkeys(itertools.chain(*blocks)))
    places = Counter((name, index) for block in blocks for index, name in enumerate(block))
    pairs = Counter(pair for block in blocks for pair in itertools.pairwise(block))
    at = {name: [places[name, index] for index in range(max(map(len, blocks)))] for name in names}
    means = {name: 1.0 + sum(i * n for i, n in enumerate(counts)) / sum(counts) for name, counts in at.items()}
    drift = round(max(means.values()) - min(means.values()), 9)
    positions = [n for counts in at.values() for n in counts]
    follows = [pairs[pair] for pair in itertools.permutations(names, 2)]
    return OrderBalance(
        means, drift, len(set(positions)) <= 1, len(set(follows)) <= 1, sum(pairs[name, name] for name in names),
        (drift, sum(n**2 for n in positions), sum(n**2 for n in follows)),
    )  # fmt: skip


def williams(configurations: Sequence[str]) -> tuple[Order, ...]:
    """Return the sequences of a Williams design of `configurations` (k,), two or more: k for even k, 2k for odd k."""
    # E. J. Williams, Australian Journal of Scientific Research A 2 (1949) 149: first row 0, 1, k−1, 2, k−2 …, the others
    # by adding 1 modulo k; for odd k also the mirror images
    k = len(configurations)
    first = [(step + 1) // 2 if step % 2 else (k - step // 2) % k for step in range(k)]
    rows = [tuple(configurations[(index + shift) % k] for index in first) for shift in range(k)]
    return tuple(rows + [row[::-1] for row in rows] if k % 2 else rows)


def block_orders(configurations: Sequence[str], blocks: int, repeats: int, rng: Generator) -> tuple[Order, ...]:
    """Return the order of each of the `blocks`, 1 or more, in which all `configurations` are driven `repeats` times.

    `rng` draws which configuration takes which place of the design and which block which sequence. With one run each:
    sequences of the Williams design, the subset that is best balanced by drift, by position, then by what follows what.
    With several: a sequence and its mirror image in turn, so ABBA for two.
    """
    sequences = williams(rng.permutation(configurations).tolist())
    rest = blocks % len(sequences)
    subset: Sequence[Order] = sequences[:rest]
    if rest > 0 and math.comb(len(sequences), rest) <= SEARCHED:
        subset = min(itertools.combinations(sequences, rest), key=lambda some: order_balance(some).uneven)
    rows = [*sequences * (blocks // len(sequences)), *subset]
    turned = [rows[i] for i in rng.permutation(len(rows))]
    return tuple(tuple(name for turn in range(repeats) for name in row[:: (-1) ** turn]) for row in turned)


def order_notes(blocks: Sequence[Order]) -> tuple[str, ...]:
    """Return what the orders leave open, one sentence each."""
    balance, notes = order_balance(blocks), []
    if balance.drift:
        means = ", ".join(f"{name} {mean:.2f}" for name, mean in balance.mean_position.items())
        notes.append(f"A drift within the day does not cancel: mean positions are {means}.")
    elif not balance.position_balanced:
        notes.append("A linear drift within the day cancels, one that bends does not.")
    if not balance.carry_over_balanced:
        notes.append("Some configurations follow each other more often than others: let the vehicle cool between runs.")
    if balance.repeats:
        notes.append(
            f"{balance.repeats} times a configuration follows itself: take it off and fit it again, or the scatter of "
            "fitting is missing from the runs."
        )
    return tuple(notes)


@dataclass(frozen=True)
class PlannedRun:
    """One run to be driven."""

    id: str
    configuration: str
    block: str
    position: int  # within its block, from 1
    files: tuple[str, ...]
    start: dt.datetime | None = None  # local time; None where it is driven already, as the end
    end: dt.datetime | None = None
    done: bool = False


def by_block(runs: Sequence[PlannedRun]) -> dict[str, list[PlannedRun]]:
    """Return the runs of each block, in the order of driving."""
    return {block: [r for r in runs if r.block == block] for block in dict.fromkeys(run.block for run in runs)}


def planned_runs(
    campaign: Campaign, design: Design, seed: int, issued: dict[str, Any] | None, lost: Collection[str]
) -> tuple[PlannedRun, ...]:
    """Return all runs as they are driven: of the plan issued, else of the file and further blocks; `lost` ones anew."""
    if issued is not None:
        runs = [_run(campaign, run["id"], run["configuration"], run["block"], run["files"]) for run in issued["runs"]]
        return with_repeats(campaign, design, runs, lost)
    runs = [_run(campaign, run.id, run.configuration, run.block or "no-block") for run in campaign.runs]
    blocks = list(dict.fromkeys(run.block for run in runs))
    orders = block_orders(design.configurations, design.blocks, design.repeats, np.random.default_rng(seed))
    closing = design.configurations[:1] if design.closing else ()
    # a difference is made within a block: one without a configuration is none of the design
    whole = sum({*design.configurations} <= {run.configuration for run in block} for block in by_block(runs).values())
    for number in range(whole, design.blocks):
        name = next(n for i in itertools.count(len(blocks) + 1) if (n := f"day-{i}") not in blocks)
        blocks.append(name)
        order, driven = (*orders[number], *closing), Counter[str]()
        for configuration in order:
            driven[configuration] += 1
            again = f"-{driven[configuration]}" if order.count(configuration) > 1 else ""
            runs.append(_run(campaign, f"{name}-{configuration}{again}", configuration, name))
    return with_repeats(campaign, design, runs, lost)


def _run(campaign: Campaign, id: str, configuration: str, block: str, files: Sequence[str] = ()) -> PlannedRun:
    """Return a run at the first position, its files as the campaign file has them, if it has the run."""
    named = next((run for run in campaign.runs if run.id == id), None)
    suffix = ".csv" if not campaign.runs else "." + campaign.runs[0].files[0].rpartition("/")[2].partition(".")[2]
    files = named.files if named is not None else tuple(files) or (f"logs/{id}{suffix}",)
    done = named is not None and all((campaign.folder / file).is_file() for file in files)
    return PlannedRun(id, configuration, block, 1, tuple(files), done=done)


def with_repeats(
    campaign: Campaign, design: Design, runs: Sequence[PlannedRun], lost: Collection[str]
) -> tuple[PlannedRun, ...]:
    """Return the runs with those that are `lost` scheduled anew, unless one like it in the same block is left or planned.

    At the end of the same block while that is under way. Else in a block of its own, with what it is compared with: a
    difference is made within a day, so that a repeat on another day needs the baseline of that day.
    """
    made, (baseline, *candidates) = list(runs), design.configurations
    for run in runs:
        cell = [r for r in made if (r.configuration, r.block) == (run.configuration, run.block)]
        enough = sum(r.id not in lost for r in cell) >= design.repeats
        if run.id not in lost or enough or f"{run.id}-again" in {r.id for r in made}:
            continue
        under_way = any(not r.done for r in made if r.block == run.block)
        block = run.block if under_way else f"{run.block}-again"
        again = [beside(file, "again") for file in run.files]
        new = [_run(campaign, f"{run.id}-again", run.configuration, block, again)]
        if not under_way:
            others = candidates if run.configuration == baseline else [baseline]
            there = {r.configuration for r in made if r.block == block}
            new += [_run(campaign, f"{block}-{c}", c, block) for c in others if c not in there]
            # it may stand there already, as what another is compared with
            made = [r for r in made if r.id != f"{block}-{run.configuration}"]
        last = max((i for i, r in enumerate(made) if r.block == block), default=len(made) - 1)
        made[last + 1 : last + 1] = new
    places = {run.id: place for block in by_block(made).values() for place, run in enumerate(block, 1)}
    return tuple(replace(run, position=places[run.id]) for run in made)


def beside(file: str, word: str) -> str:
    """Return the name of another log with `word` added before the suffix."""
    folder, slash, name = file.rpartition("/")
    stem, dot, suffix = name.partition(".")
    return f"{folder}{slash}{stem}-{word}{dot}{suffix}"


class DayWindow(NamedTuple):
    """One local day."""

    day: dt.date
    stretches: tuple[tuple[dt.datetime, dt.datetime], ...]  # that fit
    lost: dict[str, float]  # hours that do not, by reason
    temperature: float | None  # mean of what fits [°C]


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
    """Return for each local hour of the day: the hour, METAR reports in it, share of them that fits, cloud not judged.

    `year`, `month` of the first report, where no line of the file dates it.
    """
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


def with_starts(campaign: Campaign, runs: Sequence[PlannedRun], windows: Sequence[DayWindow]) -> tuple[PlannedRun, ...]:
    """Return the runs with starts, each block on the next day whose stretches hold it. DataError: too few days do."""
    planning, made, left = campaign.plan, {}, iter(windows)
    blocks = [todo for block in by_block(runs).values() if (todo := [run for run in block if not run.done])]
    for number, todo in enumerate(blocks):
        starts = next((starts for day in left if (starts := place(planning, len(todo), day))), None)
        if starts is None:
            raise _no_day(campaign, len(todo), number, len(blocks), windows)
        each = dt.timedelta(seconds=planning.drive_time)
        made.update({run.id: replace(run, start=t, end=t + each) for run, t in zip(todo, starts, strict=True)})
    return tuple(made.get(run.id, run) for run in runs)


def place(planning: Planning, runs: int, day: DayWindow) -> list[dt.datetime] | None:
    """Return starts of so many runs in the stretches of a day; None where it does not hold them."""
    drive = dt.timedelta(seconds=planning.drive_time)
    between = dt.timedelta(seconds=planning.changeover + planning.stand)
    starts: list[dt.datetime] = []
    for begin, end in day.stretches:
        # the soak check and the stand come before the first start, in the same stretch where it is the first
        now = max(begin, starts[-1] + drive + between) if starts else begin
        while len(starts) < runs and now + drive <= end:
            starts.append(now)
            now = now + drive + between
    return starts if len(starts) == runs else None


def _no_day(campaign: Campaign, runs: int, held: int, blocks: int, windows: Sequence[DayWindow]) -> DataError:
    planning = campaign.plan
    need = (runs * planning.drive_time + (runs - 1) * (planning.changeover + planning.stand)) / 3600.0
    lost: Counter[str] = Counter()
    for window in windows:
        lost.update(window.lost)
    del lost["other hours"]
    most = max(lost, key=lost.__getitem__, default="the declared hours")
    what = (
        f"{count(blocks, 'block')} of {count(runs, 'run')} need a day each with {need:.1f} h that fit, and of "
        f"{count(len(windows), 'day')} only {held} {'has' if held == 1 else 'have'} them; most is lost to {most}."
    )
    remedy = "Widen plan.hours or the weather limits, set a later plan.last_day, or plan fewer runs in a block."
    return DataError(what, file=campaign.given, where="plan", remedy=remedy)
