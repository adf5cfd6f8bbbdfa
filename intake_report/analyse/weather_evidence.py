"""Weather of the campaign as evidence: sources against each other, air during each run, forecasts beside what came."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from intake_report import air, weather
from intake_report.analyse.ambient import AmbientReference, end_of, sources_during, time_span
from intake_report.analyse.inputs import Drive
from intake_report.campaign import Campaign
from intake_report.errors import DataError
from intake_report.messages import Part, message
from intake_report.metrics.series import Floats
from intake_report.report_table import frame_of, rows_of
from intake_report.results import evidence as results
from intake_report.results.evidence import EvidenceNotice, RunWeather, WeatherEvidence
from intake_report.statistics import mean_interval
from intake_report.weather import RunConditions, WeatherRecord

WANTED = {"station_pressure": "station pressure", "humidity": "humidity", "ambient_mean": "ambient"}
"""What the density of the air rests on, in words."""
STATISTICS: dict[str, Callable[[Floats], Any]] = {"mean": np.mean, "low": np.min, "high": np.max}


def describe_conditions(
    drives: tuple[Drive, ...], ambient: AmbientReference, of_runs: tuple[RunWeather, ...]
) -> pd.DataFrame:
    """Return the weather during each run, one row per drive: ambient [°C] from the reference, the rest of `run_weather`."""
    rows = []
    for drive, air_of_run in zip(drives, of_runs, strict=True):
        series, end = ambient.series.get(drive.entry.id), end_of(drive.clean)
        row: dict[str, Any] = {"run": drive.entry.id, "source": ambient.choice.source or "none"}
        row |= dict.fromkeys(("ambient_mean", "ambient_low", "ambient_high"))
        note: Part = message("no ambient temperature for this run", code="no-ambient")
        if series is not None and end is not None:
            values, note = series.at(np.arange(0.0, end + 1.0, 10.0)), series.note
            row |= {f"ambient_{name}": float(f(values)) for name, f in STATISTICS.items()}
        row |= {name: getattr(air_of_run, name) for name in ("pressure", "humidity", "wind_speed", "age")}
        rows.append(row | {"reason": note})
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
    came = zip(drives, rows_of(conditions), strict=True)
    beside = [_forecast(campaign, drive, record, actual) for drive, actual in came for record in forecasts.values()]
    return WeatherEvidence(
        chosen_by=choice.chosen_by,
        rule=weather.RULE,
        uncertainty=choice.uncertainty,
        uncertainty_between=choice.picked.uncertainty_between if choice.picked else None,
        contributions=choice.contributions,
        sources=tuple(_source(campaign, c, records.get(c.source), choice.source) for c in choice.candidates),
        offsets=(),
        runs=runs,
        forecasts=tuple(row for rows in beside for row in rows),
        forecast_limit=weather.SPREAD_LIMIT,
    )


def source_offsets(comparisons: Iterable[weather.SourceComparison], level: float) -> tuple[results.SourceOffset, ...]:
    """Return the mean offsets between the sources with their intervals at `level`, where two runs or more allow one."""
    rows = []
    for c in comparisons:
        mean = mean_interval(list(c.offsets.values()), level) if c.offsets else None
        offset, low, high, sd = (mean.mean, mean.low, mean.high, mean.sd) if mean else (None, None, None, None)
        rows.append(results.SourceOffset(c.first, c.second, len(c.offsets), offset, low, high, sd, level, c.reason))
    return tuple(rows)


def _source(
    campaign: Campaign, candidate: weather.ReferenceCandidate, record: WeatherRecord | None, chosen: str | None
) -> results.WeatherSource:
    times = [] if record is None else [o.time for o in record.observations if o.temperature is not None]
    local = [f"{t.tz_convert(campaign.about.timezone):%Y-%m-%d %H:%M}" for t in times[:1] + times[-1:]]
    first, last = local or (None, None)
    # the step behind the vehicle's resolution is that of its contribution (rectangular distribution)
    steps = (c.value * float(np.sqrt(12.0)) for c in candidate.contributions if c.name == "resolution")
    return results.WeatherSource(
        id=candidate.source, kind=weather.KIND_LABELS[candidate.kind], elevation=None if record is None else record.elevation,
        reports=len(times), first=first, last=last,
        resolution=next(steps, None) if record is None else record.resolution, covered=len(candidate.covered),
        uncertainty=candidate.uncertainty, uncertainty_between=candidate.uncertainty_between,
        chosen=candidate.source == chosen,
    )  # fmt: skip


def run_weather(
    campaign: Campaign, drive: Drive, ambient: AmbientReference, records: dict[str, WeatherRecord]
) -> RunWeather:
    """Return air and wind during one run, and what the campaign declares of it.

    Pressure, humidity and density come from one source: the ambient reference where it reports them, else the first
    source in campaign order that does; wind likewise.
    """
    run, during = drive.entry, sources_during(campaign, drive.clean, records, drive.entry)
    order = sorted(during, key=lambda id: id != ambient.choice.source)

    def first_with(*quantities: str) -> str:
        """Return the first source that knows the first quantity, else the second; empty where none does."""
        known = (id for what in quantities for id in order if getattr(during[id], what) is not None)
        return next(known, "")

    def of(id: str, *names: str) -> dict[str, Any]:
        return {name: getattr(during.get(id), name, None) for name in names}

    source, windy = first_with("air_density", "station_pressure"), first_with("wind_speed")
    aged = ambient.choice.source if ambient.choice.source in during else next(iter(order), None)
    density = during[source].air_density if source else None
    raining = [conditions.raining for conditions in during.values() if conditions.raining is not None]
    return RunWeather(
        run=run.id, source=source, ambient_change=_change(drive, ambient), age=during[aged].age_worst if aged else None,
        age_source=aged or "", pressure=during[source].station_pressure if source else None,
        **of(source, "dry_pressure", "humidity", "dew_point"),
        density=density, density_altitude=_density_altitude(density),
        wind_source=windy, **of(windy, "wind_speed", "wind_gust", "wind_direction"),
        wind_variable=during[windy].wind_variable if windy else False, raining=any(raining) if raining else None,
        reported_sky=tuple(dict.fromkeys(text for id in order for text in during[id].sky)),
        road=run.road or "", sky=run.sky or "", sun=run.sun, rain=run.rain or "",
        notes=tuple(dict.fromkeys(note for id in order for note in during[id].notes)),
        absent=() if density is not None else _absent(during, order),
    )  # fmt: skip


def _absent(during: dict[str, RunConditions], order: list[str]) -> tuple[Part, ...]:
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
    series, end = ambient.series.get(drive.entry.id), end_of(drive.clean)
    return None if series is None or end is None else float(np.diff(series.at(np.array([0.0, end])))[0])


def _forecast(campaign: Campaign, drive: Drive, record: WeatherRecord, actual: Any) -> Iterator[results.ForecastValue]:
    span = time_span(drive.clean)
    if span is None:
        return
    age = next(w.max_age for w in campaign.weather if w.id == record.source)
    expected = weather.conditions_during(record, *span, age)
    for what, quantity, forecast, came in (
        ("mean ambient", "temperature", expected.ambient_mean, actual.ambient_mean),
        ("highest ambient", "temperature", expected.ambient_high, actual.ambient_high),
        ("wind speed", "speed", expected.wind_speed, actual.wind_speed),
    ):
        if forecast is not None:
            difference = None if came is None else came - forecast
            judged = difference is not None and what == "mean ambient"
            within = abs(difference or 0.0) <= weather.SPREAD_LIMIT + 1e-9 if judged else None
            known, of = "" if came is not None else "not recorded", (drive.entry.id, record.source, what, quantity)
            yield results.ForecastValue(*of, forecast, came, difference, within, known)


def weather_notices(
    records: dict[str, WeatherRecord], forecasts: dict[str, WeatherRecord], evidence: WeatherEvidence
) -> tuple[EvidenceNotice, ...]:
    """Return what was noticed while reading and comparing the sources, and where reports contradict what is declared."""
    every = (*records.items(), *forecasts.items())
    found = [EvidenceNotice(id, notice.code, notice) for id, record in every for notice in record.notices]
    for first, second in combinations(records.values(), 2):
        if (notice := weather.compare_pressures(first, second)) is not None:
            found.append(EvidenceNotice(f"{first.source}, {second.source}", notice.code, notice))
    found += [EvidenceNotice(run.run, "declared-contradicts", note) for run in evidence.runs for note in run.notes]
    return tuple(found)
