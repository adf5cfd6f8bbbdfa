"""What the report says about runs, sampling, data quality and cross checks: frames for its tables, curves for its figures."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

import numpy as np
import pandas as pd

from intake_report.analyse.ambient import first_known, record_series, sources_during
from intake_report.analyse.inputs import Drive, declared_resolution
from intake_report.campaign import Campaign
from intake_report.channels import CHANNELS
from intake_report.clean import CleanRun, CrossCheck, cross_checks
from intake_report.messages import Part
from intake_report.metrics import RunSeries
from intake_report.metrics.series import Floats
from intake_report.report_table import frame_of
from intake_report.results import ConfigurationResult, RunCurve, RunResult
from intake_report.weather import WeatherRecord

ROUTE_GRID = 25.0  # m
BEFORE_ENTRY = 30.0  # s
AFTER_ENTRY = 300.0  # s
DIGITS = 3  # of a curve: a tenth of what a line is wide


def describe_run(campaign: Campaign, drive: Drive, reasons: tuple[Part, ...], excluded: bool) -> RunResult:
    """Return the run log's line of one run; `reasons` say why it is excluded, or accepted with limitation."""
    run, aligned, start = drive.entry, drive.aligned, drive.clean.start
    index, distance = drive.clean.frame.index, aligned.distance.dropna()
    local = None if start is None else start.tz_convert(campaign.about.timezone).isoformat(timespec="minutes")
    accepted = "accepted with limitation" if reasons else "accepted"
    return RunResult(
        id=run.id, configuration=run.configuration, block=run.block, start=local,
        duration=float(index[-1] - index[0]) if len(index) else 0.0,
        length=float(distance.iloc[-1] - distance.iloc[0]) if len(distance) else None,
        method=aligned.method, stops=len(aligned.stops), stopped_time=float(sum(stop.duration for stop in aligned.stops)),
        highway_entry=aligned.highway_entry,
        decision="excluded" if excluded else accepted,  # type: ignore[arg-type]
        reasons=reasons, files=run.files, start_condition=run.start_condition, road=run.road or "", sky=run.sky or "",
        notes=run.notes,
    )  # fmt: skip


def describe_configurations(campaign: Campaign, runs: tuple[RunResult, ...]) -> tuple[ConfigurationResult, ...]:
    """Return the configurations with the number of runs driven and used."""
    of = campaign.configurations
    driven = [run.configuration for run in runs]
    used = [run.configuration for run in runs if run.decision != "excluded"]
    return tuple(ConfigurationResult(c.id, c.name, c.role, driven.count(c.id), used.count(c.id)) for c in of)


def describe_quality(runs: Iterable[CleanRun]) -> pd.DataFrame:
    """Return the quality logs of all runs, one row per step, channel and run."""
    columns = ["run", "step", "channel", "touched", "share", "reason"]
    rows = [(run.run, q.step, q.channel, q.touched, q.share, q.reason) for run in runs for q in run.quality]
    return pd.DataFrame(rows, columns=columns, dtype=object)


def describe_sampling(campaign: Campaign, runs: Iterable[CleanRun]) -> pd.DataFrame:
    """Return the true sampling of each channel over the runs, in catalogue order: intervals [s], steps [internal unit]."""
    every, declared = [run.sampling for run in runs], declared_resolution(campaign)
    columns = ("channel", "label", "interval_low", "interval_high", "rows_per_sample", "step", "resolution")
    rows = []
    for name in CHANNELS:
        samplings = [s[name] for s in every if name in s and s[name].samples >= 2 and np.isfinite(s[name].interval)]
        if samplings:
            intervals, steps = [s.interval for s in samplings], [s.step for s in samplings if s.step is not None]
            per_sample = sum(s.rows for s in samplings) / sum(s.samples for s in samplings)
            step = float(np.median(steps)) if steps else None
            row = (name, CHANNELS[name].label, min(intervals), max(intervals), per_sample, step, declared.get(name))
            rows.append(dict(zip(columns, row, strict=True)))
    return frame_of(rows, columns)


def cross_check(
    campaign: Campaign, run: CleanRun, records: Mapping[str, WeatherRecord], airflow_label: str = "g/s"
) -> tuple[CrossCheck, ...]:
    """Check one run against what the campaign knows beside its log: weather, pressure, displacement.

    Weather and pressure come from the first source that covers the run; `airflow_label` is the unit that the log gave
    the airflow.
    """
    ages = {source.id: source.max_age for source in campaign.weather}
    during = sources_during(campaign, run, records)
    covering = {id: found for id in during if (found := record_series(run, records[id], ages[id])) is not None}
    weather = next((pd.Series(found.value, index=found.time) for found in covering.values()), None)
    pressure = first_known({id: during[id] for id in covering}, "station_pressure")
    displacement = campaign.vehicle.displacement
    return cross_checks(
        run, weather=weather, station_pressure=pressure, displacement=displacement, airflow_label=airflow_label
    )


def cross_check_frame(
    campaign: Campaign, drives: tuple[Drive, ...], records: Mapping[str, WeatherRecord]
) -> pd.DataFrame:
    """Return the cross checks of all runs; they flag, and alter nothing."""
    rows = [
        (drive.entry.id, check.name, check.channels, check.status, check.evidence)
        for drive in drives
        for check in cross_check(campaign, drive.clean, records, _airflow_label(campaign, drive))
    ]
    return pd.DataFrame(rows, columns=["run", "name", "channels", "status", "evidence"], dtype=object)


def _airflow_label(campaign: Campaign, drive: Drive) -> str:
    """Return the unit that the campaign's mapping gives the airflow."""
    targets = (target.partition("[") for target in campaign.log_of(drive.entry).columns.values())
    return next((unit.rstrip("] ") for name, _, unit in targets if name.strip() == "maf" and unit), "g/s")


def route_curve(series: RunSeries) -> RunCurve | None:
    """Return IAT (y) and ambient (y2) as time-weighted means in steps of route distance; None without IAT."""
    if series.time.size < 2:
        return None
    cells, index = np.unique(np.floor(series.distance / ROUTE_GRID), return_inverse=True)
    weight = np.clip(np.gradient(series.time), 0.0, series.max_gap)
    total = np.bincount(index, weight)
    iat = np.bincount(index, weight * series.iat) / total
    ambient = None if series.ambient is None else np.bincount(index, weight * series.ambient) / total
    return _curve(series, (cells + 0.5) * ROUTE_GRID, iat, ambient)


def recovery_curve(series: RunSeries) -> RunCurve | None:
    """Return over-ambient temperature against time since the highway entry; None without an entry or ambient."""
    if series.over is None or series.entry is None or series.entry_end is None:
        return None
    end = min(series.entry_end, series.entry + AFTER_ENTRY)
    inside = (series.time >= series.entry - BEFORE_ENTRY) & (series.time <= end)
    return _curve(series, series.time[inside] - series.entry, series.over[inside])


def stop_curves(series: RunSeries) -> Iterator[RunCurve]:
    """Yield the rise of IAT since each stop began, for stops that are long enough."""
    for stop in series.stops:
        inside = series.window(stop.start, stop.end)
        time, iat = series.time[inside], series.iat[inside]  # noqa: PD009 - no pandas object
        if stop.duration >= series.minimum_stop and time.size > 1:
            yield _curve(series, time - stop.start, iat - iat[0])


def _curve(series: RunSeries, x: Floats, y: Floats, y2: Floats | None = None) -> RunCurve:
    places = tuple(round(float(v), DIGITS) for v in x)
    return RunCurve(series.run, series.configuration, places, rounded(y), () if y2 is None else rounded(y2))


def rounded(values: Floats) -> tuple[float | None, ...]:
    """Return the values of a curve, None where there is none."""
    return tuple(round(float(v), DIGITS) if np.isfinite(v) else None for v in values)
