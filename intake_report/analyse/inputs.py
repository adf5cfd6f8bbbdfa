"""From the campaign file to loaded, cleaned and aligned runs: settings are mapped here and nowhere else."""

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import pandas as pd

from intake_report import align
from intake_report.align import AlignedRun, Alignment, AlignSettings
from intake_report.campaign import Campaign, Log, Run, Weather, WeatherReading
from intake_report.channels import channel
from intake_report.clean import CleanRun, clean
from intake_report.errors import CampaignError, DataError, IntakeReportError, nearest
from intake_report.loaders import ReadOptions, RunLog, load_run
from intake_report.results.text import DIFFERENCES
from intake_report.units import parse_quantity
from intake_report.weather import WeatherObservation, WeatherRecord, handheld_record, metar_record, station_table

T = TypeVar("T")


class ByRun(tuple[T, ...]):
    """A tuple of objects with an attribute `run`, whose elements are found by that id too: ``logs["tue-1"]``."""

    __slots__ = ()

    def __getitem__(self, item: Any) -> Any:
        """Return the element of this run, or at this position."""
        if not isinstance(item, str):
            return super().__getitem__(item)
        ids = [element.run for element in self]  # type: ignore[attr-defined]
        if item not in ids:
            raise DataError(f"There is no run “{item}”.", remedy=nearest(item, ids, "There is:"))
        return super().__getitem__(ids.index(item))

    def _repr_html_(self) -> str:
        """Return one line per run for a notebook: id, length, channels with their number of samples."""
        rows = []
        for element in self:
            frame = getattr(element, "frame", pd.DataFrame())
            length = f"{(frame.index[-1] - frame.index[0]) / 60.0:.1f} min" if len(frame) else ""
            samples = ", ".join(f"{name} {count}" for name, count in frame.count().items())
            rows.append((element.run, length, samples))  # type: ignore[attr-defined]
        return str(pd.DataFrame(rows, columns=["run", "length", "channels and samples"]).to_html(index=False))


BEYOND_ROUTE = 0.05  # share of the route by which a phase may end beyond it: what odometers differ by (common practice)


@dataclass(frozen=True)
class Drive:
    """One run in all its states: its entry in the campaign file, cleaned, and on the route."""

    entry: Run
    clean: CleanRun
    aligned: AlignedRun


def read_logs(campaign: Campaign) -> ByRun[RunLog]:
    """Read the log of every run, then of every control drive beside one, and map its columns to channels [internal units]."""
    return ByRun(load_one(campaign, run) for run in (*campaign.runs, *control_entries(campaign)))


def control_id(run: str) -> str:
    """Return the id of the control drive beside a run; no id of a campaign file can hold the sign."""
    return f"{run}~control"


def control_entries(campaign: Campaign) -> tuple[Run, ...]:
    """Return the control drives as runs of their own, with their partner's settings."""
    with_one = [(run, {"id": control_id(run.id), "files": run.control}) for run in campaign.runs if run.control]
    return tuple(run.model_copy(update={**own, "control": ()}) for run, own in with_one)


def load_one(campaign: Campaign, run: Run) -> RunLog:
    """Read the log of one run of `campaign`."""
    log, paths = campaign.log_of(run), [campaign.folder / file for file in run.files]
    try:
        return load_run(run.id, paths, log.columns, read_options(campaign, log), start=run_start(campaign, run))
    except DataError as error:
        raise cited(error, campaign, run) from None


def cited(error: DataError, campaign: Campaign, run: Run, file: Path | None = None) -> DataError:
    """Return an error of the mapping with both places, the key of the campaign file and the log; others as they are."""
    if error.where is None or not error.where.startswith("columns") or error.file is None:
        return error
    number = next((i for i, r in enumerate(campaign.runs, 1) if run.id in (r.id, control_id(r.id))), None)
    own = run.log is not None and "columns" in run.log.model_fields_set
    key = f"run[{number}].log.{error.where}" if own else f"log.{error.where}"
    path = Path(error.file).resolve()
    log = path.relative_to(campaign.folder).as_posix() if path.is_relative_to(campaign.folder) else str(path)
    return DataError(f"{log}: {error.what}", file=file or campaign.file, where=key, remedy=error.remedy)


def run_start(campaign: Campaign, run: Run) -> dt.datetime | None:
    """Return the stated start of a run as an aware time; a time without offset is in the campaign's zone."""
    return None if run.start is None else _aware(run.start, campaign.about.timezone)


def read_options(campaign: Campaign, log: Log) -> ReadOptions:
    """Map [log] to what the readers take."""
    return ReadOptions(
        format=log.format, encoding=log.encoding, delimiter=log.delimiter, decimal=log.decimal, time_column=log.time,
        header_line=log.header_line, time_unit=log.time_unit, date=log.date, day_first=log.day_first,
        timezone=log.timezone or campaign.about.timezone, dbc=(campaign.folder / log.dbc,) if log.dbc else (),
    )  # fmt: skip


def clean_logs(campaign: Campaign, logs: tuple[RunLog, ...]) -> ByRun[CleanRun]:
    """Clean every run; see `clean.clean`."""
    resolution = declared_resolution(campaign)
    return ByRun(clean(log, resolution) for log in logs)


def declared_resolution(campaign: Campaign) -> dict[str, float]:
    """Return the declared resolution of each channel [internal unit]."""
    steps = {name: entry.resolution for name, entry in campaign.instrument.channels.items() if entry.resolution}
    quantities = {name: DIFFERENCES.get(channel(name).quantity, channel(name).quantity) for name in steps}
    return {name: parse_quantity(step, quantities[name]) for name, step in steps.items()}


def align_logs(campaign: Campaign, runs: tuple[CleanRun, ...]) -> Alignment:
    """Put all runs onto one route distance, with stops, phases and entry; CampaignError if a phase is beyond the route."""
    alignment = align.align_runs(runs, align_settings(campaign))
    length, closed = alignment.reference.length, alignment.reference.closed
    ends_by = length * (2.0 if closed else 1.0 + BEYOND_ROUTE)  # a stretch of a loop may pass its start
    for number, phase in enumerate(campaign.route.phases, 1):
        for key, verb, at, limit in (("start", "begins", phase.start, length), ("end", "ends", phase.end, ends_by)):
            if at >= limit:
                what = f"“{phase.id}” {verb} at {at:.0f} m, and the route is {length:.0f} m long."
                where = f"route.phase[{number}].{key}"
                raise CampaignError(what, file=campaign.given, where=where, remedy="Correct the distance or its unit.")
    return alignment


def pair(campaign: Campaign, runs: tuple[CleanRun, ...], alignment: Alignment) -> tuple[Drive, ...]:
    """Put the three states of each run side by side, in campaign order."""
    cleaned = {run.run: run for run in runs}
    return tuple(Drive(run, cleaned[run.id], alignment.run(run.id)) for run in campaign.runs)


def align_settings(campaign: Campaign) -> AlignSettings:
    """Map [route] and [metrics] to what the alignment takes."""
    route = campaign.route
    gpx = campaign.folder / route.reference if route.reference else None
    of_kind = {phase.kind: phase.id for phase in reversed(route.phases)}
    enters = of_kind.get("ramp", of_kind.get("highway"))
    phases, entry = tuple(align.PhaseSettings(p.id, p.kind, p.start, p.end) for p in route.phases), route.highway_entry
    return AlignSettings(gpx, route.reference_run, route.closed, phases, enters, entry.speed, entry.hold)


def weather_records(campaign: Campaign, *, forecasts: bool = False) -> dict[str, WeatherRecord]:
    """Read every weather source of the campaign except forecasts, or the recorded forecasts; DataError names the source."""
    return {w.id: _weather_record(campaign, w) for w in campaign.weather if (w.kind == "forecast") == forecasts}


def _weather_record(campaign: Campaign, source: Weather) -> WeatherRecord:
    zone = source.timezone or campaign.about.timezone
    about: dict[str, Any] = {"kind": source.kind, "elevation": source.elevation, "resolution": source.resolution}
    try:
        if source.kind == "metar":
            if source.month is None:
                raise DataError("METAR reports give only the day of the month.", remedy='Add `month = "2026-07"`.')
            year, month = (int(part) for part in source.month.split("-"))
            reports = campaign.folder / source.file if source.file else source.reports
            return metar_record(reports, year=year, month=month, elevation=source.elevation, source=source.id)
        if source.readings:
            return handheld_record(source.id, (_reading(reading, zone) for reading in source.readings), **about)
        file = campaign.folder / str(source.file)  # the one of file, reports and readings that is left
        return station_table(file, source.columns, source=source.id, timezone=zone, **about)
    except IntakeReportError as error:
        if error.file is not None:
            raise
        where = f"weather “{source.id}”" + (f": {error.where}" if error.where else "")
        raise DataError(error.what, file=campaign.file, where=where, remedy=error.remedy) from None


def _reading(reading: WeatherReading, zone: str) -> WeatherObservation:
    reduced = reading.station_pressure is None
    pressure = reading.altimeter if reduced else reading.station_pressure
    return WeatherObservation(
        time=pd.Timestamp(_aware(reading.time, zone)), temperature=reading.temperature, dew_point=reading.dew_point,
        humidity=reading.humidity, pressure=pressure,
        pressure_kind=None if pressure is None else "altimeter" if reduced else "station",
        wind_speed=reading.wind_speed, wind_direction=reading.wind_direction, sky=reading.sky or None,
    )  # fmt: skip


def _aware(time: dt.datetime, zone: str) -> dt.datetime:
    return time if time.tzinfo is not None else time.replace(tzinfo=ZoneInfo(zone))
