"""Conditions during a run by interpolation in time, and what the campaign declares beside them."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from intake_report import air
from intake_report.errors import DataError
from intake_report.messages import Message, Part, Value, message
from intake_report.weather.observations import LOWEST_HUMID, WeatherObservation, WeatherRecord, utc

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from intake_report.campaign import Run

# Routine reports come hourly or half-hourly, so inside a gapless record the nearest one is at most 30 min away;
# an hour lets one report be missing (common practice) [s].
MAX_AGE = 3600.0
LEAST_MEAN_WIND = 0.1  # share of the mean speed: winds whose mean vector is shorter oppose each other (own choice)
_DRY_WORDS = ("dry", "none", "no", "no rain")


@dataclass(frozen=True)
class RunConditions:
    """Weather of one source during one run; what cannot be said is None and has its reason in `absent`."""

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
    absent: tuple[tuple[str, Part], ...] = ()  # field and reason
    notes: tuple[Message, ...] = ()  # contradictions between declared and reported


def _age(known: NDArray[np.float64], times: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the time from each of `times` to the nearest of `known`, before or after [s]; inf without any."""
    if not len(known):
        return np.full(times.shape, np.inf)
    after = np.clip(np.searchsorted(known, times), 0, len(known) - 1)
    before = np.clip(after - 1, 0, None)
    age: NDArray[np.float64] = np.minimum(np.abs(known[after] - times), np.abs(times - known[before]))
    return age


def epoch_seconds(times: Sequence[datetime] | pd.DatetimeIndex | NDArray[np.float64]) -> NDArray[np.float64]:
    """Return `times` as seconds since 1970-01-01 UTC, as float arrays are already; DataError if they have no zone."""
    if isinstance(times, np.ndarray) and times.dtype.kind == "f":
        return times.astype(np.float64)
    index = pd.DatetimeIndex(list(times))
    if index.tz is None:
        raise DataError("the times have no time zone.", remedy="Localize them before asking for the weather.")
    return np.asarray((index - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(seconds=1), dtype=np.float64)


def ambient_at(
    record: WeatherRecord, times: Sequence[datetime] | pd.DatetimeIndex | NDArray[np.float64], max_age: float = MAX_AGE
) -> NDArray[np.float64]:
    """Return the ambient temperature of a record at any times.

    `record`: of one source; `times` (n,): floats are seconds since 1970-01-01 UTC; `max_age`: longest time to the
    nearest report [s]. Returns (n,): [°C], linear between reports, held constant before the first and after the last;
    NaN farther than `max_age` from every report.
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
    declared: Run | None = None,
) -> RunConditions:
    """Return the conditions between `start` and `end`, interpolated in time between reports.

    `record`: of one source; `start`, `end`: of the run, aware, start before end; `max_age`: longest time from any
    moment of the run to the nearest report that has the quantity [s]. Beyond it the quantity is None with a reason, not
    a number; `declared`: what the reports may contradict. Raises DataError: if the run does not end after it starts, or
    its times have no zone.
    """
    first, last = utc(start, "the start of the run"), utc(end, "the end of the run")
    if last <= first:
        raise DataError(
            f"the run ends ({last.isoformat()}) before it starts ({first.isoformat()}).", remedy="Check its times."
        )
    window = (first.timestamp(), last.timestamp())
    absent: dict[str, Part] = {}

    def line(field: str, known: NDArray[np.float64], values: NDArray[np.float64]) -> _Line | None:
        drawn = _drawn(record.source, known, values, window, max_age)
        if isinstance(drawn, Message):
            absent[field] = drawn
            return None
        return drawn

    pressure = line("station_pressure", *record.series("station_pressure"))
    # Vapour pressure is interpolated, not humidity: it stays when the air only warms up.
    vapour = line("humidity", *record.vapour)
    known, temperatures = record.series("temperature")
    temperature = line("ambient_mean", known, temperatures)
    concerned = _reports_near(record, window, max_age)
    fields = _wind(concerned, absent) | _air(temperature, pressure, vapour, absent)
    rain_reports = [o.raining for o in concerned if o.raining is not None]
    if not rain_reports:
        absent["raining"] = "no report near the run tells"
    return RunConditions(
        age_worst=_worst_age(known, window) if len(known) else None,
        raining=any(rain_reports) if rain_reports else None,
        sky=tuple(dict.fromkeys(o.sky for o in concerned if o.sky)),
        notes=_contradictions(declared, concerned) if declared else (),
        absent=tuple(absent.items()),
        **fields,
    )


@dataclass(frozen=True)
class _Line:
    """A quantity on its nodes within a run: times [s] from start to end, readings there."""

    times: NDArray[np.float64]
    readings: NDArray[np.float64]

    def at(self, times: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.interp(times, self.times, self.readings)


def _mean(lines: Sequence[_Line], of: Callable[..., Any]) -> float:
    """Return the time-weighted mean of a function of lines, taken on all their nodes."""
    nodes = np.unique(np.concatenate([line.times for line in lines]))
    return float(np.trapezoid(of(*(line.at(nodes) for line in lines)), nodes) / (nodes[-1] - nodes[0]))


def _worst_age(known: NDArray[np.float64], window: tuple[float, float]) -> float:
    middles = (known[1:] + known[:-1]) / 2.0
    inside = middles[(middles > window[0]) & (middles < window[1])]
    return float(_age(known, np.concatenate([np.array(window), inside])).max())


def _drawn(
    source: str, known: NDArray[np.float64], values: NDArray[np.float64], window: tuple[float, float], max_age: float
) -> _Line | Message:
    """Return the line through a quantity's reports, or the reason why there is none."""
    if not len(known):
        return message("{source} does not report it", code="not-reported", source=source)
    worst = _worst_age(known, window)
    if worst > max_age:
        text = "the nearest report is {worst} away at worst, more than {limit}"
        return message(text, code="too-old", worst=Value(worst, "duration", 0), limit=Value(max_age, "duration", 0))
    inside = known[(known > window[0]) & (known < window[1])]
    times = np.concatenate([[window[0]], inside, [window[1]]])
    return _Line(times, np.interp(times, known, values))


def _air(
    temperature: _Line | None, pressure: _Line | None, vapour: _Line | None, absent: dict[str, Part]
) -> dict[str, Any]:
    """Return ambient, pressures, humidity and density of `RunConditions`."""
    fields: dict[str, Any] = {}
    if temperature is not None:
        fields |= {"ambient_mean": _mean([temperature], np.asarray), "ambient_high": float(temperature.readings.max())}
    if pressure is not None:
        fields["station_pressure"] = _mean([pressure], np.asarray)
    if vapour is not None:
        with contextlib.suppress(DataError):  # below −40 °C, or no vapour at all: no dew point to name
            fields["dew_point"] = float(air.dew_point_from_vapour(_mean([vapour], np.asarray)))
    if temperature is not None and vapour is not None and temperature.readings.min() >= LOWEST_HUMID:
        fields["humidity"] = _mean(
            [temperature, vapour], lambda t, e: np.minimum(100.0, 100.0 * e / air.saturation_pressure(t))
        )
    if pressure is None or vapour is None:
        absent["dry_pressure"] = f"there is no {'station pressure' if pressure is None else 'humidity'}"
    else:
        fields["dry_pressure"] = _mean([pressure, vapour], np.subtract)
    if temperature is None or pressure is None or vapour is None:
        absent["air_density"] = "it needs temperature, station pressure and humidity"
    else:
        fields["air_density"] = _mean([temperature, pressure, vapour], air.density_ideal)
    return fields


def _reports_near(record: WeatherRecord, window: tuple[float, float], max_age: float) -> list[WeatherObservation]:
    """Return the reports within the run and the nearest one on either side that is not too old."""
    times = np.array([o.time.timestamp() for o in record.observations])
    first = max(int(np.searchsorted(times, window[0], side="right")) - 1, 0)
    last = min(int(np.searchsorted(times, window[1], side="left")), len(times) - 1)
    return [
        record.observations[k] for k in range(first, last + 1) if window[0] - max_age <= times[k] <= window[1] + max_age
    ]


def _wind(concerned: Sequence[WeatherObservation], absent: dict[str, Part]) -> dict[str, Any]:
    """Return the wind of `RunConditions`; a reason goes into `absent` when no report has it."""
    speeds = [o.wind_speed for o in concerned if o.wind_speed is not None]
    gusts = [o.wind_gust for o in concerned if o.wind_gust is not None]
    variable = any(o.wind_variable for o in concerned)
    fields: dict[str, Any] = {"wind_variable": variable, "wind_gust": max(gusts, default=None)}
    if not speeds:
        absent["wind_speed"] = "no report near the run has the wind; missing is not calm"
        return fields
    fields["wind_speed"] = float(np.mean(speeds))
    directed = [(o.wind_speed, o.wind_direction) for o in concerned if o.wind_speed and o.wind_direction is not None]
    if directed and not variable:
        speed, angle = np.array(directed, dtype=np.float64).T
        east, north = (speed * np.sin(np.radians(angle))).mean(), (speed * np.cos(np.radians(angle))).mean()
        if np.hypot(east, north) > LEAST_MEAN_WIND * speed.mean():
            fields["wind_direction"] = float(np.degrees(np.arctan2(east, north)) % 360.0)
    return fields


def _contradictions(declared: Run, concerned: Sequence[WeatherObservation]) -> tuple[Message, ...]:
    """Return what the campaign declares against what the reports near the run say."""
    wet = next((o for o in concerned if o.raining), None)
    dry_road = declared.road == "dry"
    if wet is None or not (dry_road or (declared.rain or "").strip().lower() in _DRY_WORDS):
        return ()
    return (
        message(
            "Declared as {declared}, but {source} reported “{present}” at {time} UTC.",
            code="declared-contradicts",
            declared="a dry road" if dry_road else "without rain",
            source=wet.source,
            present=wet.present or "precipitation",
            time=f"{wet.time:%H:%M}",
        ),
    )
