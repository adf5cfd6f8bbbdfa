"""Conditions during a run by interpolation in time, and a forecast beside what came."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from intake_report import air
from intake_report.errors import DataError
from intake_report.weather.nearby import Declared, contradictions_near, precipitation_near, reports_near, wind_near
from intake_report.weather.records import KIND_LABELS, Kind, WeatherRecord, epoch_seconds, utc

if TYPE_CHECKING:
    from numpy.typing import NDArray

Status = Literal["ok", "too-old", "no-data"]

# Routine reports come hourly or half-hourly, so inside a gapless record the nearest one is at most 30 min away;
# an hour lets one report be missing (common practice).
MAX_AGE = 3600.0
LOWEST_HUMID = air.SATURATION[air.DEFAULT_SATURATION].lowest


@dataclass(frozen=True)
class RunConditions:
    """Weather of one source during one run; what cannot be said is None and has its reason in `absent`.

    Parameters
    ----------
    source, kind
        Of the record.
    start, end : pandas.Timestamp
        Of the run, UTC.
    status : {"ok", "too-old", "no-data"}
        Of the ambient temperature.
    reason : str or None
        Why the status is not "ok".
    max_age : float
        Limit used [s].
    ambient_mean, ambient_low, ambient_high, ambient_start, ambient_end : float or None
        Time-weighted mean, extremes, first and last ambient of the run [°C].
    ambient_change : float or None
        Last less first [K].
    age_start, age_end, age_worst : float or None
        Time to the nearest temperature report, before or after, at start, at end and at worst within the run [s].
    reports : int
        Temperature reports within the run.
    station_pressure, vapour_pressure, dry_pressure : float or None
        Time-weighted means [kPa].
    humidity : float or None
        [%].
    dew_point : float or None
        [°C].
    air_density : float or None
        Of the humid ambient air, ideal mix [kg/m³].
    wind_speed, wind_gust : float or None
        Mean speed and strongest gust of the reports concerned [km/h].
    wind_direction : float or None
        Direction of the mean wind vector [°]; None when calm, variable or missing.
    wind_variable : bool
        Some report concerned had a variable direction.
    raining : bool or None
        Whether any report concerned had precipitation.
    rain : float or None
        Greatest reported depth of the reports concerned [mm].
    sky : tuple of str
        What the reports concerned say, in order, without repetition.
    declared : Declared
        As the campaign states it.
    absent : tuple of (str, str)
        Field and reason, for each field that is None though a record might have had it.
    notes : tuple of str
        Contradictions between declared and reported.
    """

    source: str
    kind: Kind
    start: pd.Timestamp
    end: pd.Timestamp
    status: Status
    reason: str | None
    max_age: float
    ambient_mean: float | None = None
    ambient_low: float | None = None
    ambient_high: float | None = None
    ambient_start: float | None = None
    ambient_end: float | None = None
    ambient_change: float | None = None
    age_start: float | None = None
    age_end: float | None = None
    age_worst: float | None = None
    reports: int = 0
    station_pressure: float | None = None
    vapour_pressure: float | None = None
    dry_pressure: float | None = None
    humidity: float | None = None
    dew_point: float | None = None
    air_density: float | None = None
    wind_speed: float | None = None
    wind_gust: float | None = None
    wind_direction: float | None = None
    wind_variable: bool = False
    raining: bool | None = None
    rain: float | None = None
    sky: tuple[str, ...] = ()
    declared: Declared = field(default_factory=Declared)
    absent: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()


def report_age(
    record: WeatherRecord, times: Sequence[datetime] | pd.DatetimeIndex | NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the time from each of `times` to the nearest temperature report, before or after [s]; inf without any."""
    known, _ = record.series("temperature")
    return _age(known, epoch_seconds(times))


def _age(known: NDArray[np.float64], times: NDArray[np.float64]) -> NDArray[np.float64]:
    if not len(known):
        return np.full(times.shape, np.inf)
    after = np.clip(np.searchsorted(known, times), 0, len(known) - 1)
    before = np.clip(after - 1, 0, None)
    age: NDArray[np.float64] = np.minimum(np.abs(known[after] - times), np.abs(times - known[before]))
    return age


def ambient_at(
    record: WeatherRecord,
    times: Sequence[datetime] | pd.DatetimeIndex | NDArray[np.float64],
    max_age: float = MAX_AGE,
) -> NDArray[np.float64]:
    """Return the ambient temperature of a record at any times.

    Parameters
    ----------
    record : WeatherRecord
        Of one source.
    times : sequence of aware datetime, or ndarray of float, shape (n,)
        Floats are seconds since 1970-01-01 UTC.
    max_age : float
        Longest time to the nearest report [s].

    Returns
    -------
    ndarray of float64, shape (n,)
        [°C], linear between reports, held constant before the first and after the last; NaN farther than `max_age`
        from every report.
    """
    known, values = record.series("temperature")
    at = epoch_seconds(times)
    if not len(known):
        return np.full(at.shape, np.nan)
    ambient = np.interp(at, known, values)
    ambient[~(_age(known, at) <= max_age)] = np.nan
    return ambient


def conditions_during(
    record: WeatherRecord,
    start: datetime | pd.Timestamp,
    end: datetime | pd.Timestamp,
    max_age: float = MAX_AGE,
    declared: Declared | None = None,
) -> RunConditions:
    """Return the conditions between `start` and `end`, interpolated in time between reports.

    Parameters
    ----------
    record : WeatherRecord
        Of one source.
    start, end : datetime
        Of the run, aware, start before end.
    max_age : float
        Longest time from any moment of the run to the nearest report that has the quantity [s]. Beyond it the quantity
        is None with a reason, not a number.
    declared : Declared, optional
        Passed through.

    Returns
    -------
    RunConditions

    Raises
    ------
    DataError
        If the run does not end after it starts, or its times have no zone.
    """
    first, last = utc(start, "the start of the run"), utc(end, "the end of the run")
    if last <= first:
        raise DataError(
            f"the run ends ({last.isoformat()}) before it starts ({first.isoformat()}).", remedy="Check its times."
        )
    window = (first.timestamp(), last.timestamp())
    absent: list[tuple[str, str]] = []
    pressure = _span(record, "station_pressure", window, max_age, absent)
    vapour = _vapour_span(record, window, max_age, absent)
    temperature = _span(record, "temperature", window, max_age, absent)
    stated = declared or Declared()
    concerned = reports_near(record, window, max_age)
    known, _ = record.series("temperature")
    ages = _age(known, np.array(window))
    status, reason = _status(record, temperature, known, absent)
    values = (
        wind_near(concerned, absent)
        | precipitation_near(concerned, absent)
        | _moments(temperature, pressure, vapour, absent)
    )
    return RunConditions(
        source=record.source,
        kind=record.kind,
        start=first,
        end=last,
        status=status,
        reason=reason,
        max_age=max_age,
        age_start=float(ages[0]) if len(known) else None,
        age_end=float(ages[1]) if len(known) else None,
        age_worst=_worst_age(known, window) if len(known) else None,
        reports=int(((known >= window[0]) & (known <= window[1])).sum()),
        declared=stated,
        sky=tuple(dict.fromkeys(o.sky for o in concerned if o.sky)),
        notes=contradictions_near(stated, concerned),
        absent=tuple(absent),
        **values,
    )


@dataclass(frozen=True)
class _Span:
    """A quantity on its nodes within a run: times [s] from start to end, values there."""

    times: NDArray[np.float64]
    readings: NDArray[np.float64]

    def at(self, times: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.interp(times, self.times, self.readings)


def _mean(times: NDArray[np.float64], values: NDArray[np.float64]) -> float:
    return float(np.trapezoid(values, times) / (times[-1] - times[0]))


def _worst_age(known: NDArray[np.float64], window: tuple[float, float]) -> float:
    middles = (known[1:] + known[:-1]) / 2.0
    inside = middles[(middles > window[0]) & (middles < window[1])]
    return float(_age(known, np.concatenate([np.array(window), inside])).max())


def _interpolate(
    known: NDArray[np.float64], values: NDArray[np.float64], window: tuple[float, float], max_age: float
) -> _Span | str:
    """Return the span, or the reason why there is none."""
    worst = _worst_age(known, window)
    if worst > max_age:
        return f"the nearest report is {worst / 60.0:.0f} min away at worst, more than {max_age / 60.0:.0f} min"
    inside = known[(known > window[0]) & (known < window[1])]
    times = np.concatenate([[window[0]], inside, [window[1]]])
    return _Span(times, np.interp(times, known, values))


def _span(
    record: WeatherRecord, field: str, window: tuple[float, float], max_age: float, absent: list[tuple[str, str]]
) -> _Span | None:
    known, values = record.series(field)
    name = "ambient_mean" if field == "temperature" else field
    if not len(known):
        absent.append((name, f"{record.source} does not report it"))
        return None
    span = _interpolate(known, values, window, max_age)
    if isinstance(span, str):
        absent.append((name, span))
        return None
    return span


def _vapour_span(
    record: WeatherRecord, window: tuple[float, float], max_age: float, absent: list[tuple[str, str]]
) -> _Span | None:
    """Vapour pressure is interpolated, not humidity: it stays when the air only warms up."""
    pairs = [
        (o.time.timestamp(), float(air.vapour_pressure(o.temperature, o.humidity)))
        for o in record.observations
        if o.temperature is not None and o.humidity is not None and o.temperature >= LOWEST_HUMID
    ]
    if not pairs:
        absent.append(("humidity", f"{record.source} does not report it"))
        return None
    known, values = (np.array(column) for column in zip(*pairs, strict=True))
    span = _interpolate(known, values, window, max_age)
    if isinstance(span, str):
        absent.append(("humidity", span))
        return None
    return span


def _status(
    record: WeatherRecord,
    temperature: _Span | None,
    known: NDArray[np.float64],
    absent: list[tuple[str, str]],
) -> tuple[Status, str | None]:
    if temperature is not None:
        return "ok", None
    reason = dict(absent)["ambient_mean"]
    label = KIND_LABELS[record.kind]
    if not len(known):
        return "no-data", f"No ambient temperature from the {label} {record.source}: {reason}."
    return "too-old", f"No ambient temperature from the {label} {record.source}: {reason}."


def _moments(
    temperature: _Span | None, pressure: _Span | None, vapour: _Span | None, absent: list[tuple[str, str]]
) -> dict[str, Any]:
    values: dict[str, Any] = {}
    if temperature is not None:
        t = temperature.readings
        values |= {
            "ambient_mean": _mean(temperature.times, t),
            "ambient_low": float(t.min()),
            "ambient_high": float(t.max()),
            "ambient_start": float(t[0]),
            "ambient_end": float(t[-1]),
            "ambient_change": float(t[-1] - t[0]),
        }
    if pressure is not None:
        values["station_pressure"] = _mean(pressure.times, pressure.readings)
    if vapour is not None:
        mean = _mean(vapour.times, vapour.readings)
        values["vapour_pressure"] = mean
        with contextlib.suppress(DataError):  # below −40 °C, or no vapour at all: no dew point to name
            values["dew_point"] = float(air.dew_point_from_vapour(mean))
    if temperature is not None and vapour is not None and temperature.readings.min() >= LOWEST_HUMID:
        nodes = np.union1d(temperature.times, vapour.times)
        saturation = air.saturation_pressure(temperature.at(nodes))
        values["humidity"] = _mean(nodes, np.minimum(100.0, 100.0 * vapour.at(nodes) / saturation))
    if pressure is None or vapour is None:
        missing = "station pressure" if pressure is None else "humidity"
        absent.append(("dry_pressure", f"there is no {missing}"))
    else:
        nodes = np.union1d(pressure.times, vapour.times)
        values["dry_pressure"] = _mean(nodes, pressure.at(nodes) - vapour.at(nodes))
    if temperature is None or pressure is None or vapour is None:
        absent.append(("air_density", "it needs temperature, station pressure and humidity"))
    else:
        nodes = np.union1d(np.union1d(temperature.times, pressure.times), vapour.times)
        density = air.density_ideal(temperature.at(nodes), pressure.at(nodes), vapour.at(nodes))
        values["air_density"] = _mean(nodes, density)
    return values
