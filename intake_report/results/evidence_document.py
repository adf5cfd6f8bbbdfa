"""The evidence of results.json: internal units, with the text that the report prints beside each quoted number."""

from __future__ import annotations

from typing import Any

from intake_report.results.evidence import Evidence
from intake_report.results.evidence_text import (
    DENSITY,
    HEIGHT,
    KELVINS,
    PRESSURE,
    SHARE,
    SPEED,
    TEMPERATURE,
    UNCERTAINTY,
    airflow_texts,
    comparison_texts,
    difference_texts,
    drift_texts,
    exposure_texts,
    forecast_texts,
    grams,
    mean_texts,
    offset_texts,
    percent,
    percents,
    restriction_texts,
    service_texts,
)
from intake_report.units import UnitSystem

RUN_FORMS = {
    "ambient_change": KELVINS,
    "pressure": PRESSURE,
    "humidity": SHARE,
    "dew_point": TEMPERATURE,
    "density": DENSITY,
    "density_altitude": HEIGHT,
    "wind_speed": SPEED,
}


def add_texts(document: dict[str, Any], evidence: Evidence, system: UnitSystem) -> None:
    """Put the printed texts beside the numbers of `document`, the plain form of `evidence`.

    Parameters
    ----------
    document : dict
        Changed in place.
    evidence : Evidence
        What it was made from.
    system : {"si", "us"}
        What the reader sees.
    """
    _weather(document["weather"], evidence, system)
    if evidence.air is not None:
        for row, point in zip(document["air"]["points"], evidence.air.points, strict=True):
            row["iat_text"] = TEMPERATURE.text(point.iat, system)
            row["mass_text"], row["change_text"] = grams(point.mass, 3), percent(point.change)
            for entry, model in zip(row["expected"], point.expected, strict=True):
                entry["text"] = percent(model.percent)
    if evidence.dyno is not None:
        _dyno(document["dyno"], evidence, system)
    if evidence.bench is not None:
        _bench(document["bench"], evidence, system)


def _weather(document: dict[str, Any], evidence: Evidence, system: UnitSystem) -> None:
    told = evidence.weather
    for row, source in zip(document["sources"], told.sources, strict=True):
        row["uncertainty_text"] = UNCERTAINTY.text(source.uncertainty, system)
    for row, offset in zip(document["offsets"], told.offsets, strict=True):
        row["text"], row["interval_text"] = offset_texts(offset, system)
    for row, run in zip(document["runs"], told.runs, strict=True):
        row["texts"] = {name: form.text(getattr(run, name), system) for name, form in RUN_FORMS.items()}
    for row, value in zip(document["forecasts"], told.forecasts, strict=True):
        row["forecast_text"], row["actual_text"], row["difference_text"] = forecast_texts(value, system)


def _dyno(document: dict[str, Any], evidence: Evidence, system: UnitSystem) -> None:
    found = evidence.dyno
    assert found is not None
    for row, summary in zip(document["summaries"], found.summaries, strict=True):
        for id, mean in summary.means.items():
            row["means"][id]["text"], row["means"][id]["interval_text"] = mean_texts(summary, mean, system)
        for id, difference in summary.differences.items():
            texts = difference_texts(summary, found.baseline, difference, system)
            entry = row["differences"][id]
            entry["text"], entry["interval_text"], entry["percent_text"] = texts
    for row, drift in zip(document["drifts"], found.drifts, strict=True):
        row["text"], row["interval_text"], row["over_span_text"] = drift_texts(drift, system)
    for row, expected in zip(document["expected"], found.expected, strict=True):
        row["measured_text"] = percent(expected.measured)
        row["measured_interval_text"] = percents(expected.measured_low, expected.measured_high)
        for entry, model in zip(row["models"], expected.models, strict=True):
            entry["text"] = percent(model.percent)
    for row, item in zip(document["corrections"], found.corrections, strict=True):
        row["name"] = item.correction.name


def _bench(document: dict[str, Any], evidence: Evidence, system: UnitSystem) -> None:
    found = evidence.bench
    assert found is not None
    for group, curves in zip(document["restrictions"], found.restrictions, strict=True):
        for row, value in zip(group["values"], curves.values, strict=True):
            row["text"], row["interval_text"] = restriction_texts(value, system)
        for row, comparison in zip(group["comparisons"], curves.comparisons, strict=True):
            row["text"], row["percent_text"], row["interval_text"] = comparison_texts(comparison, system)
        for row, airflow in zip(group["airflows"], curves.airflows, strict=True):
            row["text"], row["interval_text"], row["more_text"], row["more_interval_text"] = airflow_texts(
                airflow, system
            )
    for row, trials in zip(document["exposures"], found.exposures, strict=True):
        row["duration_text"], row["mass_gain_text"] = exposure_texts(trials, system)
    for row, times in zip(document["services"], found.services, strict=True):
        row["text"], row["interval_text"], row["range_text"] = service_texts(times, system)
