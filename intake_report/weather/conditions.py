"""Conditions during a run by interpolation in time, and what the campaign declares beside them."""

import contextlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from intake_report import air
from intake_report.campaign import Run
from intake_report.errors import DataError
from intake_report.messages import Message, Value, message
from intake_report.weather.observations import LOWEST_HUMID, Array, WeatherObservation, WeatherRecord

# Routine reports come hourly or half-hourly, so inside a gapless record the nearest one is at most 30 min away;
# an hour lets one report be missing (common practice) [s].
MAX_AGE = 3600.0
LEAST_MEAN_WIND = 0.1  # share of the mean speed: winds whose mean vector is shorter oppose each other (own choice)


@dataclass(frozen=True)
class RunConditions:
    """Weather of one source during one run; what cannot be said is None."""

    ambient_mean: float | None = None  # time-weighted mean and extremes of the run [°C]
    ambient_high: float | None = None
    age_worst: float | None = None  # time to the nearest temperature report, before or after, at worst in the run [s]
    station_pressure: float | None = None  # time-weighted means [kPa]
    dry_pressure: float | None = None
    humidity: float | None = None  # [%]
    dew_point: float | None = None  # [°C]
    air_density: float | None = None  # of the humid ambient air, ideal mix [kg/m³]
    wind_speed: float | None = None  # mean of the reports concerned [km/h]
    wind_gust: float | None = None  # strongest [km/h]
    wind_direction: float | None = None  # of the mean wind vector [°]; None when calm, variable or missing
    wind_variable: bool = False  # some report concerned had a variable direction
    raining: bool | None = None  # some report concerned had precipitation
    sky: tuple[str, ...] = ()  # what the reports concerned say, in order, without repetition
    # why there is no `ambient_mean`, `station_pressure` or `humidity`, by field
    absent: Mapping[str, Message] = field(default_factory=dict)
    notes: tuple[Message, ...] = ()  # contradictions between declared and reported


def _age(known: Array, times: Array) -> Array:
    """Return the time from each of `times` to the nearest of `known`, before or after [s]."""
    after = np.clip(np.searchsorted(known, times), 0, len(known) - 1)
    before = np.clip(after - 1, 0, None)
    return np.asarray(np.minimum(np.abs(known[after] - times), np.abs(times - known[before])))


def ambient_at(record: WeatherRecord, times: Array, max_age: float = MAX_AGE) -> Array:
    """Return ambient (n,) [°C] at `times` [s since 1970]: linear, held at the ends; NaN past `max_age` from reports."""
    known, values = record.series("temperature")
    if not len(known):
        return np.full(times.shape, np.nan)
    ambient = np.interp(times, known, values)
    ambient[~(_age(known, times) <= max_age)] = np.nan
    return ambient


class _Line(NamedTuple):
    """A quantity on its nodes within a run, from start to end."""

    times: Array
    readings: Array


def conditions_during(
    record: WeatherRecord, start: pd.Timestamp, end: pd.Timestamp, max_age: float = MAX_AGE, declared: Run | None = None
) -> RunConditions:
    """Return the conditions between `start` and `end`, aware, interpolated in time between the reports of one source.

    `max_age`: to a report [s], beyond which a quantity is None with a reason; `declared`: what reports may contradict.
    """
    window = (start.timestamp(), end.timestamp())
    temperature, pressure = record.series("temperature"), record.series("station_pressure")
    # Vapour pressure is interpolated, not humidity: it stays when the air only warms up.
    reported = {"ambient_mean": temperature, "station_pressure": pressure, "humidity": record.vapour}
    drawn = {name: _drawn(record.source, *series, window, max_age) for name, series in reported.items()}
    lines = {name: line for name, line in drawn.items() if isinstance(line, _Line)}
    # the reports within the run and the nearest one on either side, unless that is too old
    at = np.array([o.time.timestamp() for o in record.observations])
    first, last = max(int(np.searchsorted(at, window[0], "right")) - 1, 0), int(np.searchsorted(at, window[1], "left"))
    near = zip(record.observations[first : last + 1], at[first : last + 1], strict=True)
    concerned = [o for o, when in near if window[0] - max_age <= when <= window[1] + max_age]
    rain_reports = [o.raining for o in concerned if o.raining is not None]
    return RunConditions(
        age_worst=_worst_age(temperature[0], window) if len(temperature[0]) else None,
        raining=any(rain_reports) if rain_reports else None,
        sky=tuple(dict.fromkeys(o.sky for o in concerned if o.sky)),
        notes=_contradictions(declared, concerned) if declared else (),
        absent={name: why for name, why in drawn.items() if isinstance(why, Message)},
        **_wind(concerned),
        **_air(*(lines.get(name) for name in reported)),
    )


def _mean(of: Callable[..., Any], *lines: _Line) -> float:
    """Return the time-weighted mean of a function of lines, taken on all their nodes."""
    nodes = np.unique(np.concatenate([line.times for line in lines]))
    readings = (np.interp(nodes, line.times, line.readings) for line in lines)
    return float(np.trapezoid(of(*readings), nodes) / (nodes[-1] - nodes[0]))


def _worst_age(known: Array, window: tuple[float, float]) -> float:
    middles = (known[1:] + known[:-1]) / 2.0
    inside = middles[(middles > window[0]) & (middles < window[1])]
    return float(_age(known, np.concatenate([np.array(window), inside])).max())


def _drawn(source: str, known: Array, values: Array, window: tuple[float, float], max_age: float) -> _Line | Message:
    if not len(known):
        return message("{source} does not report it", code="not-reported", source=source)
    worst = _worst_age(known, window)
    if worst > max_age:
        text = "the nearest report is {worst} away at worst, more than {limit}"
        return message(text, code="too-old", worst=Value(worst, "duration", 0), limit=Value(max_age, "duration", 0))
    times = np.concatenate([[window[0]], known[(known > window[0]) & (known < window[1])], [window[1]]])
    return _Line(times, np.interp(times, known, values))


def _air(temperature: _Line | None, pressure: _Line | None, vapour: _Line | None) -> dict[str, Any]:
    fields: dict[str, Any] = {}
    if temperature:
        fields |= {"ambient_mean": _mean(np.asarray, temperature), "ambient_high": float(temperature.readings.max())}
    if pressure:
        fields["station_pressure"] = _mean(np.asarray, pressure)
    if vapour:
        with contextlib.suppress(DataError):  # below −40 °C, or no vapour at all: no dew point to name
            fields["dew_point"] = float(air.dew_point_from_vapour(_mean(np.asarray, vapour)))
    if temperature and vapour and temperature.readings.min() >= LOWEST_HUMID:

        def humidity(t: Array, e: Array) -> Array:
            return np.minimum(100.0, 100.0 * e / air.saturation_pressure(t))

        fields["humidity"] = _mean(humidity, temperature, vapour)
    if pressure and vapour:
        fields["dry_pressure"] = _mean(np.subtract, pressure, vapour)
    if temperature and pressure and vapour:
        fields["air_density"] = _mean(air.density_ideal, temperature, pressure, vapour)
    return fields


def _wind(concerned: Sequence[WeatherObservation]) -> dict[str, Any]:
    """Return the wind of `RunConditions`; missing is not calm."""
    speeds = [o.wind_speed for o in concerned if o.wind_speed is not None]
    gusts = [o.wind_gust for o in concerned if o.wind_gust is not None]
    variable = any(o.wind_variable for o in concerned)
    fields: dict[str, Any] = {"wind_variable": variable, "wind_gust": max(gusts, default=None)}
    if speeds:
        fields["wind_speed"] = float(np.mean(speeds))
    directed = [(o.wind_speed, o.wind_direction) for o in concerned if o.wind_speed and o.wind_direction is not None]
    if directed and not variable:
        speed, angle = np.array(directed, dtype=np.float64).T
        east, north = (speed * np.sin(np.radians(angle))).mean(), (speed * np.cos(np.radians(angle))).mean()
        if np.hypot(east, north) > LEAST_MEAN_WIND * speed.mean():
            fields["wind_direction"] = float(np.degrees(np.arctan2(east, north)) % 360.0)
    return fields


def _contradictions(declared: Run, concerned: Sequence[WeatherObservation]) -> tuple[Message, ...]:
    wet = next((o for o in concerned if o.raining), None)
    dry_road = declared.road == "dry"
    if wet is None or not (dry_road or declared.rain == "none"):
        return ()
    text = "Declared as {declared}, but {source} reported “{present}” at {time} UTC."
    values = {"source": wet.source, "present": wet.present or "precipitation", "time": f"{wet.time:%H:%M}"}
    declares = "a dry road" if dry_road else "without rain"
    return (message(text, code="declared-contradicts", declared=declares, **values),)
