"""Weather of the campaign as evidence: sources against each other, air during each run, forecasts beside what came."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from intake_report import air
from intake_report.analyse.ambient import AmbientReference, sources_during
from intake_report.analyse.inputs import Drive
from intake_report.campaign import Campaign
from intake_report.errors import DataError
from intake_report.messages import Part, message
from intake_report.metrics.series import Floats
from intake_report.report_table import frame_of, rows_of
from intake_report.results.evidence import (
    EvidenceNotice,
    ForecastValue,
    RunWeather,
    SourceOffset,
    WeatherEvidence,
    WeatherSource,
)
from intake_report.statistics import mean_interval
from intake_report.weather import (
    KIND_LABELS,
    RULE,
    SPREAD_LIMIT,
    ReferenceCandidate,
    RunConditions,
    SourceComparison,
    WeatherRecord,
    compare_pressures,
    conditions_during,
)

WANTED = {"station_pressure": "station pressure", "humidity": "humidity", "ambient_mean": "ambient"}
"""What the density of the air rests on, in words."""


def run_weather(
    campaign: Campaign, drives: tuple[Drive, ...], ambient: AmbientReference, records: dict[str, WeatherRecord]
) -> tuple[RunWeather, ...]:
    """Return air and wind during each run, and what the campaign declares of it.

    Pressure, humidity and density come from one source: the ambient reference where it reports them, else the first
    source in campaign order that does; wind likewise.
    """
    return tuple(_run(drive, ambient, sources_during(campaign, drive.clean, records, drive.entry)) for drive in drives)


def describe_conditions(
    drives: tuple[Drive, ...], ambient: AmbientReference, weather: tuple[RunWeather, ...]
) -> pd.DataFrame:
    """Return the weather during each run, one row per drive: ambient [°C] from the reference, the rest of `run_weather`."""
    rows = []
    for drive, air_of_run in zip(drives, weather, strict=True):
        series = ambient.series.get(drive.entry.id)
        index = drive.clean.frame.index.to_numpy(dtype=np.float64)
        values: Floats = np.empty(0)
        note: Part = message("no ambient temperature for this run", code="no-ambient")
        if series is not None and index.size:
            values, note = series.at(np.arange(0.0, index[-1] + 1.0, 10.0)), series.note
        mean, low, high = (float(f(values)) if values.size else None for f in (np.mean, np.min, np.max))
        named = {name: getattr(air_of_run, name) for name in ("pressure", "humidity", "wind_speed", "age")}
        rows.append(
            {"run": drive.entry.id, "source": ambient.choice.source or "none", "ambient_mean": mean, "ambient_low": low,
             "ambient_high": high, **named, "reason": note}
        )  # fmt: skip
    return frame_of(rows)


def weather_evidence(
    campaign: Campaign,
    drives: tuple[Drive, ...],
    ambient: AmbientReference,
    records: dict[str, WeatherRecord],
    runs: tuple[RunWeather, ...],
    conditions: pd.DataFrame,
    forecasts: dict[str, WeatherRecord],
) -> WeatherEvidence:
    """Return everything that the report says about weather, but the intervals of `source_offsets`.

    `campaign`: time zone, and the longest age of a forecast; `drives`: all runs; `ambient`: reference of the campaign;
    `records`, `forecasts`: weather records and recorded forecasts by source id; `runs`: as of `run_weather`;
    `conditions`: ambient of each run by the reference, one row per drive: what came.
    """
    choice = ambient.choice
    return WeatherEvidence(
        chosen_by=choice.chosen_by,
        rule=RULE,
        uncertainty=choice.uncertainty,
        uncertainty_between=choice.uncertainty_between,
        contributions=choice.contributions,
        sources=tuple(_source(campaign, c, records.get(c.source), choice.source) for c in choice.candidates),
        offsets=(),
        runs=runs,
        forecasts=tuple(
            row
            for drive, actual in zip(drives, rows_of(conditions), strict=True)
            for record in forecasts.values()
            for row in _forecast(campaign, drive, record, actual)
        ),
        forecast_limit=SPREAD_LIMIT,
    )


def source_offsets(comparisons: Iterable[SourceComparison], level: float) -> tuple[SourceOffset, ...]:
    """Return the mean offsets between the sources with their intervals at `level`, where two runs or more allow one."""
    rows = []
    for c in comparisons:
        values = list(c.offsets.values())
        mean = mean_interval(values, level) if len(values) > 1 else None
        offset = mean.mean if mean is not None else (values[0] if values else None)
        low, high, sd = (mean.low, mean.high, mean.sd) if mean is not None else (None, None, None)
        rows.append(SourceOffset(c.first, c.second, len(values), offset, low, high, sd, level, c.reason))
    return tuple(rows)


def _source(
    campaign: Campaign, candidate: ReferenceCandidate, record: WeatherRecord | None, chosen: str | None
) -> WeatherSource:
    times = [] if record is None else [o.time for o in record.observations if o.temperature is not None]
    first, last = (
        (f"{t.tz_convert(campaign.about.timezone):%Y-%m-%d %H:%M}" for t in (times[0], times[-1]))
        if times
        else (None, None)
    )
    return WeatherSource(
        id=candidate.source, kind=KIND_LABELS[candidate.kind], elevation=None if record is None else record.elevation,
        reports=len(times), first=first, last=last,
        resolution=_step(candidate) if record is None else record.resolution, covered=len(candidate.covered),
        uncertainty=candidate.uncertainty, uncertainty_between=candidate.uncertainty_between,
        chosen=candidate.source == chosen,
    )  # fmt: skip


def _step(candidate: ReferenceCandidate) -> float | None:
    """Return the step behind the resolution's contribution [K] (rectangular distribution)."""
    return next((c.value * float(np.sqrt(12.0)) for c in candidate.contributions if c.name == "resolution"), None)


def _run(drive: Drive, ambient: AmbientReference, during: dict[str, RunConditions]) -> RunWeather:
    run = drive.entry
    order = sorted(during, key=lambda id: id != ambient.choice.source)

    def first_with(*quantities: str) -> str:
        """Return the first source that knows the first quantity, else the second; empty where none does."""
        known = (id for what in quantities for id in order if getattr(during[id], what) is not None)
        return next(known, "")

    source, windy = first_with("air_density", "station_pressure"), first_with("wind_speed")
    aged = ambient.choice.source if ambient.choice.source in during else next(iter(order), None)
    air_of_source, wind = during.get(source), during.get(windy)
    density = air_of_source.air_density if air_of_source else None
    raining = [conditions.raining for conditions in during.values() if conditions.raining is not None]

    def of(conditions: RunConditions | None, *names: str) -> dict[str, Any]:
        return {name: getattr(conditions, name, None) for name in names}

    return RunWeather(
        run=run.id, source=source, ambient_change=_change(drive, ambient), age=during[aged].age_worst if aged else None,
        age_source=aged or "", pressure=air_of_source.station_pressure if air_of_source else None,
        **of(air_of_source, "dry_pressure", "humidity", "dew_point"),
        density=density, density_altitude=_density_altitude(density),
        wind_source=windy, **of(wind, "wind_speed", "wind_gust", "wind_direction"),
        wind_variable=wind.wind_variable if wind else False, raining=any(raining) if raining else None,
        reported_sky=tuple(dict.fromkeys(text for id in order for text in during[id].sky)),
        road=run.road or "", sky=run.sky or "", sun=run.sun, rain=run.rain or "",
        notes=tuple(dict.fromkeys(note for id in order for note in during[id].notes)),
        absent=() if density is not None else _absent(during, order),
    )  # fmt: skip


def _absent(during: dict[str, RunConditions], order: list[str]) -> tuple[Part, ...]:
    """Return why there is no density of the air: what no source says."""
    if not order:
        return (message("no weather source covers a known time of the run", code="no-source"),)
    return tuple(
        message("{what}: {reason}", code="no-density", what=what, reason=reasons[name])
        for reasons in (dict(during[id].absent) for id in order)
        for name, what in WANTED.items()
        if name in reasons
    )


def _density_altitude(density: float | None) -> float | None:
    try:
        return None if density is None else float(air.density_altitude(density))
    except DataError:  # colder and denser than the standard atmosphere at its lowest level
        return None


def _change(drive: Drive, ambient: AmbientReference) -> float | None:
    """Return the reference ambient at the end of the run less that at its start [K]."""
    series, index = ambient.series.get(drive.entry.id), drive.clean.frame.index
    if series is None or not len(index):
        return None
    first, last = series.at(np.array([0.0, float(index[-1])]))
    return float(last - first)


def _forecast(campaign: Campaign, drive: Drive, record: WeatherRecord, actual: Any) -> tuple[ForecastValue, ...]:
    start, index = drive.clean.start, drive.clean.frame.index
    if start is None or not len(index) or float(index[-1]) <= 0.0:
        return ()
    span = start, start + pd.Timedelta(seconds=float(index[-1]))
    age = next(w.max_age for w in campaign.weather if w.id == record.source)
    expected = conditions_during(record, *span, age)
    pairs = (
        ("mean ambient", "temperature", expected.ambient_mean, actual.ambient_mean),
        ("highest ambient", "temperature", expected.ambient_high, actual.ambient_high),
        ("wind speed", "speed", expected.wind_speed, actual.wind_speed),
    )
    rows = []
    for what, quantity, forecast, came in pairs:
        if forecast is None:
            continue
        difference = None if came is None else came - forecast
        within = None if difference is None or what != "mean ambient" else abs(difference) <= SPREAD_LIMIT + 1e-9
        known = "" if came is not None else "not recorded"
        row = ForecastValue(drive.entry.id, record.source, what, quantity, forecast, came, difference, within, known)
        rows.append(row)
    return tuple(rows)


def weather_notices(
    records: dict[str, WeatherRecord], forecasts: dict[str, WeatherRecord], weather: WeatherEvidence
) -> tuple[EvidenceNotice, ...]:
    """Return what was noticed while reading and comparing the sources, and where reports contradict what is declared."""
    found = [
        EvidenceNotice(id, notice.code, notice)
        for id, record in (*records.items(), *forecasts.items())
        for notice in record.notices
    ]
    items = list(records.items())
    for i, (_, first) in enumerate(items):
        for _, second in items[i + 1 :]:
            if (notice := compare_pressures(first, second)) is not None:
                found.append(EvidenceNotice(f"{first.source}, {second.source}", notice.code, notice))
    found += [EvidenceNotice(run.run, "declared-contradicts", note) for run in weather.runs for note in run.notes]
    return tuple(found)
