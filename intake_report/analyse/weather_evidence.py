"""Weather of the campaign as evidence: sources against each other, air during each run, forecasts beside what came."""

from __future__ import annotations

import numpy as np
import pandas as pd

from intake_report import air
from intake_report.analyse.ambient import AmbientReference
from intake_report.analyse.inputs import Drive
from intake_report.campaign import Campaign
from intake_report.errors import DataError
from intake_report.messages import said
from intake_report.results import Conditions
from intake_report.results.evidence import (
    EvidenceNotice,
    ForecastValue,
    RunWeather,
    SourceOffset,
    WeatherEvidence,
    WeatherSource,
)
from intake_report.units import UnitSystem
from intake_report.weather import (
    KIND_LABELS,
    RULE,
    SPREAD_LIMIT,
    Declared,
    ReferenceCandidate,
    RunConditions,
    WeatherRecord,
    compare_pressures,
    conditions_during,
)


def run_weather(
    campaign: Campaign, drives: tuple[Drive, ...], ambient: AmbientReference, records: dict[str, WeatherRecord]
) -> tuple[RunWeather, ...]:
    """Return air and wind during each run, and what the campaign declares of it.

    Pressure, humidity and density come from one source: the ambient reference where it reports them, else the first
    source in campaign order that does; wind likewise.

    Parameters
    ----------
    campaign : Campaign
        Longest age of each source's reports.
    drives : tuple of Drive
        All runs.
    ambient : AmbientReference
        Reference of the campaign.
    records : dict
        Weather records by source id.
    """
    found = []
    for drive in drives:
        pairs = ((id, _during(campaign, drive, record)) for id, record in records.items())
        found.append(
            _run(drive, ambient, {id: during for id, during in pairs if during is not None}, campaign.about.units)
        )
    return tuple(found)


def weather_evidence(
    campaign: Campaign,
    drives: tuple[Drive, ...],
    ambient: AmbientReference,
    records: dict[str, WeatherRecord],
    runs: tuple[RunWeather, ...],
    conditions: tuple[Conditions, ...],
    forecasts: dict[str, WeatherRecord],
) -> WeatherEvidence:
    """Return everything that the report says about weather.

    Parameters
    ----------
    campaign : Campaign
        Time zone, and the longest age of a forecast.
    drives : tuple of Drive
        All runs.
    ambient : AmbientReference
        Reference of the campaign.
    records, forecasts : dict
        Weather records and recorded forecasts by source id.
    runs : tuple of RunWeather
        As of `run_weather`.
    conditions : tuple of Conditions
        Ambient of each run by the reference, one per drive: what came.
    """
    choice = ambient.choice
    return WeatherEvidence(
        chosen_by=choice.chosen_by,
        rule=said(RULE, campaign.about.units),
        uncertainty=choice.uncertainty,
        uncertainty_between=choice.uncertainty_between,
        contributions=choice.contributions,
        sources=tuple(_source(campaign, c, records.get(c.source), choice.source) for c in choice.candidates),
        offsets=tuple(
            SourceOffset(
                c.first,
                c.second,
                len(c.runs),
                c.offset,
                c.low,
                c.high,
                c.sd,
                c.level,
                said(c.reason or "", campaign.about.units),
            )
            for c in choice.comparisons
        ),
        runs=runs,
        forecasts=tuple(
            row
            for drive, actual in zip(drives, conditions, strict=True)
            for record in forecasts.values()
            for row in _forecast(campaign, drive, record, actual)
        ),
        forecast_limit=SPREAD_LIMIT,
    )


def span_of(drive: Drive) -> tuple[pd.Timestamp, pd.Timestamp] | None:
    """Return start and end of a run; None where its start is not known or it is empty."""
    start, frame = drive.clean.start, drive.clean.frame
    if start is None or frame.empty or float(frame.index[-1]) <= 0.0:
        return None
    return start, start + pd.Timedelta(seconds=float(frame.index[-1]))


def _during(campaign: Campaign, drive: Drive, record: WeatherRecord) -> RunConditions | None:
    span = span_of(drive)
    if span is None:
        return None
    run = drive.entry
    age = next(w.max_age for w in campaign.weather if w.id == record.source)
    return conditions_during(record, *span, age, Declared(run.sun or run.sky, run.rain, run.road))


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
        id=candidate.source,
        kind=KIND_LABELS[candidate.kind],
        elevation=None if record is None else record.elevation,
        reports=len(times),
        first=first,
        last=last,
        resolution=_step(candidate) if record is None else record.resolution,
        covered=len(candidate.covered),
        uncertainty=candidate.uncertainty,
        uncertainty_between=candidate.uncertainty_between,
        chosen=candidate.source == chosen,
    )


def _step(candidate: ReferenceCandidate) -> float | None:
    """Return the step behind the resolution's contribution [K] (rectangular distribution)."""
    return next((c.value * float(np.sqrt(12.0)) for c in candidate.contributions if c.name == "resolution"), None)


def _run(drive: Drive, ambient: AmbientReference, during: dict[str, RunConditions], units: UnitSystem) -> RunWeather:
    run = drive.entry
    order = sorted(during, key=lambda id: id != ambient.choice.source)
    whole = next((id for id in order if during[id].air_density is not None), None)
    part = whole or next((id for id in order if during[id].station_pressure is not None), None)
    found = during[part] if part else None
    windy = next((id for id in order if during[id].wind_speed is not None), "")
    aged = ambient.choice.source if ambient.choice.source in during else (order[0] if order else "")
    density = found.air_density if found else None
    wind = during[windy] if windy else None
    return RunWeather(
        run=run.id,
        source=part or "",
        ambient_change=_change(drive, ambient),
        age=during[aged].age_worst if aged else None,
        age_source=aged or "",
        pressure=found.station_pressure if found else None,
        dry_pressure=found.dry_pressure if found else None,
        humidity=found.humidity if found else None,
        dew_point=found.dew_point if found else None,
        density=density,
        density_altitude=_density_altitude(density),
        wind_source=windy,
        wind_speed=wind.wind_speed if wind else None,
        wind_gust=wind.wind_gust if wind else None,
        wind_direction=wind.wind_direction if wind else None,
        wind_variable=wind.wind_variable if wind else False,
        raining=_raining(during),
        reported_sky=tuple(dict.fromkeys(text for id in order for text in during[id].sky)),
        road=run.road or "",
        sky=run.sky or "",
        sun=run.sun,
        rain=run.rain or "",
        notes=tuple(dict.fromkeys(said(note, units) for id in order for note in during[id].notes)),
        absent=_absent(during, order, density is None, units),
    )


def _raining(during: dict[str, RunConditions]) -> bool | None:
    told = [c.raining for c in during.values() if c.raining is not None]
    return any(told) if told else None


def _absent(during: dict[str, RunConditions], order: list[str], no_density: bool, units: UnitSystem) -> tuple[str, ...]:
    if not order:
        return ("no weather source covers a known time of the run",)
    if not no_density:
        return ()
    reasons = [(id, dict(during[id].absent)) for id in order]
    wanted = ("station_pressure", "humidity", "ambient_mean")
    return tuple(
        f"{name.replace('ambient_mean', 'ambient').replace('_', ' ')}: {said(reason[name], units)}"
        for _, reason in reasons
        for name in wanted
        if name in reason
    )


def _density_altitude(density: float | None) -> float | None:
    if density is None:
        return None
    try:
        return float(air.density_altitude(density))
    except DataError:  # colder and denser than the standard atmosphere at its lowest level
        return None


def _change(drive: Drive, ambient: AmbientReference) -> float | None:
    series, index = ambient.series.get(drive.entry.id), drive.clean.frame.index
    if series is None or not len(index):
        return None
    first, last = series.at(np.array([0.0, float(index[-1])]))
    return float(last - first)


def _forecast(campaign: Campaign, drive: Drive, record: WeatherRecord, actual: Conditions) -> tuple[ForecastValue, ...]:
    span = span_of(drive)
    if span is None:
        return ()
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
        within = None
        if difference is not None and what == "mean ambient":
            within = abs(difference) <= SPREAD_LIMIT + 1e-9
        reason = "" if came is not None else "not recorded"
        rows.append(
            ForecastValue(drive.entry.id, record.source, what, quantity, forecast, came, difference, within, reason)
        )
    return tuple(rows)


def weather_notices(
    records: dict[str, WeatherRecord], forecasts: dict[str, WeatherRecord], weather: WeatherEvidence, units: UnitSystem
) -> tuple[EvidenceNotice, ...]:
    """Return what was noticed while reading and comparing the sources, and where reports contradict what is declared."""
    found = [
        EvidenceNotice(id, notice.code, said(notice, units))
        for id, record in (*records.items(), *forecasts.items())
        for notice in record.notices
    ]
    items = list(records.items())
    for i, (_, first) in enumerate(items):
        for _, second in items[i + 1 :]:
            if (notice := compare_pressures(first, second)) is not None:
                found.append(EvidenceNotice(f"{first.source}, {second.source}", notice.code, said(notice, units)))
    found += [EvidenceNotice(run.run, "declared-contradicts", note) for run in weather.runs for note in run.notes]
    return tuple(found)
