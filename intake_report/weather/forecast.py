"""A forecast beside what came."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from intake_report.weather.conditions import MAX_AGE, conditions_during
from intake_report.weather.records import WeatherRecord


@dataclass(frozen=True)
class Forecast:
    """What was forecast for a time span, as recorded when the run was planned.

    Parameters
    ----------
    label : str
        What it was for ("run day 2").
    start, end : datetime
        Span it speaks of, aware.
    high, low, mean : float or None
        Ambient temperature [°C].
    wind_speed : float or None
        [km/h].
    source : str or None
        Who forecast.
    issued : datetime or None
        When.
    """

    label: str
    start: datetime
    end: datetime
    high: float | None = None
    low: float | None = None
    mean: float | None = None
    wind_speed: float | None = None
    source: str | None = None
    issued: datetime | None = None


def forecast_from_record(
    record: WeatherRecord, label: str, start: datetime, end: datetime, max_age: float = MAX_AGE
) -> Forecast:
    """Return what a recorded forecast series (a table of kind "forecast") says of one span.

    Parameters
    ----------
    record : WeatherRecord
        The forecast, read like a station table.
    label : str
        What the span is ("run 3").
    start, end : datetime
        Aware.
    max_age : float
        As in `conditions_during` [s]; quantities that the forecast does not cover are None.
    """
    said = conditions_during(record, start, end, max_age)
    return Forecast(
        label, start, end, said.ambient_high, said.ambient_low, said.ambient_mean, said.wind_speed, record.source
    )


@dataclass(frozen=True)
class ForecastRow:
    """One forecast quantity beside the actual one; `difference` is actual less forecast."""

    label: str
    quantity: Literal["high", "low", "mean", "wind_speed"]
    forecast: float
    actual: float | None
    difference: float | None
    reason: str | None


def forecast_against_actual(
    forecast: Forecast, record: WeatherRecord, max_age: float = MAX_AGE
) -> tuple[ForecastRow, ...]:
    """Return each forecast quantity beside what the record says of the same span.

    Parameters
    ----------
    forecast : Forecast
        With at least one quantity to give a row.
    record : WeatherRecord
        Actual weather.
    max_age : float
        As in `conditions_during` [s].

    Returns
    -------
    tuple of ForecastRow
        `actual` is None with the reason where the record does not cover the span.
    """
    actual = conditions_during(record, forecast.start, forecast.end, max_age)
    reasons = dict(actual.absent)
    rows = []
    found: tuple[tuple[Literal["high", "low", "mean", "wind_speed"], float | None, float | None], ...] = (
        ("high", forecast.high, actual.ambient_high),
        ("low", forecast.low, actual.ambient_low),
        ("mean", forecast.mean, actual.ambient_mean),
        ("wind_speed", forecast.wind_speed, actual.wind_speed),
    )
    for quantity, expected, came in found:
        if expected is None:
            continue
        reason = None if came is not None else reasons.get("wind_speed" if quantity == "wind_speed" else "ambient_mean")
        difference = None if came is None else came - expected
        rows.append(ForecastRow(forecast.label, quantity, expected, came, difference, reason))
    return tuple(rows)
