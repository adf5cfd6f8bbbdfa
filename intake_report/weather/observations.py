"""Observations and records of the weather: one vocabulary for reports, tables and handheld readings."""

import contextlib
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from intake_report import air
from intake_report.errors import DataError, placed
from intake_report.messages import Message, Part, Value, message

Array = NDArray[np.float64]
LOWEST_HUMID = air.SATURATION_RANGE[0]  # °C; no vapour pressure below
Kind = Literal["metar", "station", "handheld", "vehicle", "forecast"]
PressureKind = Literal["station", "altimeter", "qnh", "sea-level"]

KIND_LABELS: dict[str, str] = {
    "metar": "METAR reports", "station": "weather station", "handheld": "handheld instrument",
    "vehicle": "vehicle ambient sensor", "forecast": "forecast",
}  # fmt: skip
_PRESSURE_LABELS = {
    "station": "station pressure", "altimeter": "altimeter setting", "qnh": "altimeter setting",
    "sea-level": "sea-level pressure",
}  # fmt: skip

# Readings outside are not weather at a place where vehicles are tested; generous round numbers from memory. The pressure is
# that at any road, reduced to sea level or not.
_POSSIBLE: dict[str, tuple[float, float, str]] = {
    "temperature": (-90.0, 60.0, "°C"), "dew_point": (-90.0, 60.0, "°C"), "humidity": (0.0, 100.0, "%"),
    "pressure": (50.0, 110.0, "kPa"), "wind_speed": (0.0, 500.0, "km/h"), "wind_gust": (0.0, 500.0, "km/h"),
    "wind_direction": (0.0, 360.0, "°"),
}  # fmt: skip
# Pressure reduced to sea level: 1083.8 hPa is the record below 750 m (WMO archive of weather extremes, 1968) and lows
# under 950 hPa belong to storms; outside this range [kPa] the kind of the pressure is questioned, not the weather.
ALTIMETER_RANGE = (95.0, 106.0)
# Both readings of a pair are rounded, so a dew point may be read above the temperature by this much in fog [K].
SATURATION_TOLERANCE = 0.6
HUMIDITY_TOLERANCE = 5.0  # %: a humidity and a dew point that are farther apart contradict each other (own choice)
PRESSURES_AGREE = 0.5  # kPa at sea level: largest usual difference between neighbouring stations; common practice


@dataclass(frozen=True)
class WeatherObservation:
    """The state of the weather at one time; None is missing."""

    time: pd.Timestamp  # aware; UTC once `completed`
    temperature: float | None = None  # [°C]
    dew_point: float | None = None  # [°C]
    humidity: float | None = None  # relative, over water [%]
    pressure: float | None = None  # as reported [kPa]
    pressure_kind: PressureKind | None = None  # "altimeter" by the tables of 1951, "qnh" by the standard atmosphere
    wind_speed: float | None = None  # [km/h]; 0 is calm
    wind_direction: float | None = None  # where the wind comes from [°]; None when calm, variable or missing
    wind_gust: float | None = None  # [km/h]
    sky: str | None = None  # in words or in the report's own code
    present: str | None = None  # present weather
    wind_variable: bool = False  # the direction was reported as variable
    raining: bool | None = None  # None when the source cannot tell
    cloud: float | None = None  # cover of a forecast [%]
    resolution: float | None = None  # step of the temperature reading [K]
    station_pressure: float | None = None  # of `completed`: at the station, never reduced to sea level [kPa]
    source: str = ""  # who reported it (station identifier, name of an instrument)
    notices: tuple[Message, ...] = ()  # what was noticed while reading it


@dataclass(frozen=True)
class WeatherRecord:
    """The observations of one source, strictly increasing in time; `elevation` of the station [m], or None."""

    source: str
    kind: Kind
    elevation: float | None
    observations: tuple[WeatherObservation, ...]
    notices: tuple[Message, ...] = ()  # of the record and of its observations

    def series(self, field: str) -> tuple[Array, Array]:
        """Return (seconds since 1970-01-01 UTC, values) of the observations that have `field`."""
        return _series((o.time, getattr(o, field)) for o in self.observations)

    @cached_property
    def vapour(self) -> tuple[Array, Array]:
        """As `series`: vapour pressure [kPa] of the observations that tell it."""
        return _series(
            (o.time, air.vapour_pressure(o.temperature, o.humidity))
            for o in self.observations
            if o.temperature is not None and o.humidity is not None and o.temperature >= LOWEST_HUMID
        )

    @property
    def resolution(self) -> float | None:
        """Coarsest step of the temperature readings [K], or None if no reading states one."""
        return max((o.resolution for o in self.observations if o.resolution is not None), default=None)


def _series(pairs: Iterable[tuple[pd.Timestamp, float | None]]) -> tuple[Array, Array]:
    known = [(time.timestamp(), float(value)) for time, value in pairs if value is not None]
    times, values = np.array(known, dtype=np.float64).reshape(-1, 2).T
    return times, values


def completed(o: WeatherObservation, elevation: float | None) -> WeatherObservation:
    """Check one set of readings and complete it: humidity from dew point or back, station pressure from a reduced one.

    A reduced pressure needs the `elevation` [m]. DataError: a reading is impossible, a pressure of no declared kind.
    """
    for name, (low, high, unit) in _POSSIBLE.items():
        value = getattr(o, name)
        if value is not None and not low <= value <= high:
            what = f"a {name.replace('_', ' ')} of {value:g} {unit} is impossible (it has to lie in {low:g} to {high:g} {unit})."
            raise DataError(what, remedy="Check the unit; leave the cell empty if there was no reading.")
    dew_point, humidity, contradictions = _humidity(o)
    station, questions = _station_pressure(o, elevation)
    return replace(
        o,
        time=o.time.tz_convert("UTC"),
        dew_point=dew_point,
        humidity=humidity,
        station_pressure=station,
        wind_direction=None if o.wind_variable or o.wind_speed == 0.0 else o.wind_direction,
        notices=(*o.notices, *contradictions, *questions),
    )


def _humidity(o: WeatherObservation) -> tuple[float | None, float | None, tuple[Message, ...]]:
    dew_point, humidity, temperature, by_dew_point = o.dew_point, o.humidity, o.temperature, None
    if temperature is None:
        return dew_point, humidity, ()
    if dew_point is not None:
        if dew_point > temperature + SATURATION_TOLERANCE:
            what = f"the dew point {dew_point:.1f} °C is above the temperature {temperature:.1f} °C."
            raise DataError(what, remedy="Check that the two are not exchanged and share a unit.")
        with contextlib.suppress(DataError):  # air colder than −40 °C is outside the formulation: left out
            by_dew_point = min(100.0, float(air.relative_humidity(temperature, min(dew_point, temperature))))
    elif humidity:
        with contextlib.suppress(DataError):  # a dew point below −40 °C is outside the formulation: left out
            dew_point = float(air.dew_point(temperature, humidity))
    if humidity is None or by_dew_point is None or abs(by_dew_point - humidity) <= HUMIDITY_TOLERANCE:
        return dew_point, by_dew_point if humidity is None else humidity, ()
    notice = message(
        "the humidity {humidity} and the dew point {dew_point} ({by_dew_point}) differ; the humidity is used.",
        code="humidity-contradicts-dew-point", humidity=Value(humidity, "ratio"),
        dew_point=Value(dew_point, "temperature", 1), by_dew_point=Value(by_dew_point, "ratio"),
    )  # fmt: skip
    return dew_point, humidity, (notice,)


def _station_pressure(o: WeatherObservation, elevation: float | None) -> tuple[float | None, list[Message]]:
    """Return the station pressure [kPa] and what is questionable about the reported one."""
    if o.pressure is None:
        return None, []
    if o.pressure_kind is None:
        what = f"the kind of the pressure {o.pressure:.2f} kPa is not declared."
        raise DataError(what, remedy="Say whether it is station, altimeter or sea-level pressure.")
    question = None if elevation is None else air.question_pressure(o.pressure, elevation)
    if o.pressure_kind == "station":
        text = "{what} {remedy}"
        return o.pressure, [message(text, code="pressure-questioned", **question._asdict())] if question else []
    kind, (low, high), notices = _PRESSURE_LABELS[o.pressure_kind], ALTIMETER_RANGE, []
    if not low <= o.pressure <= high:
        usual = ", but would be usual as station pressure at {elevation}" if elevation and question is None else ""
        text = f"{{pressure}} as {{kind}} is outside {{low}} to {{high}}{usual}."
        values: dict[str, Part] = {"pressure": Value(o.pressure, "pressure", 2), "kind": kind}
        values |= {"low": Value(low, "pressure"), "high": Value(high, "pressure")}
        notices.append(message(text, code="pressure-questioned", **values, elevation=Value(elevation, "length", 0)))
    if elevation is not None and o.pressure_kind != "sea-level":
        form: air.AltimeterForm = "isa" if o.pressure_kind == "qnh" else "smithsonian"
        return float(air.station_pressure(o.pressure, elevation, form)), notices
    if elevation is not None and o.temperature is not None:
        return float(air.station_from_sea_level(o.pressure, elevation, o.temperature)), notices
    lacking = "the elevation" if elevation is None else "a temperature"
    text = "the {kind} cannot be brought to station pressure without {lacking}."
    return None, [*notices, message(text, code="pressure-not-reduced", kind=kind, lacking=lacking)]


def handheld_record(
    source: str,
    readings: Iterable[WeatherObservation],
    *,
    elevation: float | None = None,
    resolution: float | None = None,
    kind: Kind = "handheld",
) -> WeatherRecord:
    """Return the record of readings taken by hand, in any order, in internal units; DataError says which is impossible.

    `source`, `kind`: of the instrument; `elevation`: where they were taken [m]; `resolution`: of its temperature [K].
    """
    observations = []
    for number, reading in enumerate(readings, start=1):
        with placed(where=f"{source}, reading {number}"):
            observations.append(completed(replace(reading, source=source, resolution=resolution), elevation))
    return build_record(source, kind, elevation, observations)


def build_record(
    source: str, kind: Kind, elevation: float | None, observations: Iterable[WeatherObservation]
) -> WeatherRecord:
    """Return the record of completed `observations`, in order of time, with one observation per time.

    Of several at one time the last given stays (a correction follows what it corrects), with a notice unless they are
    equal. Notices that all observations share are given once, with their number. DataError if there is no observation.
    """
    by_time: dict[pd.Timestamp, WeatherObservation] = {}
    gathered: list[Message] = []
    for observation in observations:
        if by_time.get(observation.time, observation) != observation:
            text, at = "{source} has several observations at {time} UTC; the last is used.", observation.time
            gathered.append(message(text, code="repeated-time", source=source, time=f"{at:%Y-%m-%d %H:%M}"))
        by_time[observation.time] = observation
    if not by_time:
        raise DataError(f"{source} has no observation.", remedy="Give at least one report or row.")
    ordered, by_code = tuple(by_time[time] for time in sorted(by_time)), defaultdict(list)
    for observation in ordered:
        for notice in observation.notices:
            by_code[notice.code].append((observation, notice))
    for code, ((first, notice), *others) in by_code.items():
        more = " The same holds for {more} more of its {all} observations." if others else ""
        text, time = f"{{source}} {{time}} UTC: {{notice}}{more}", f"{first.time:%Y-%m-%d %H:%M}"
        numbers = {"more": len(others), "all": len(ordered)}
        gathered.append(message(text, code, source=first.source, time=time, notice=notice, **numbers))
    return WeatherRecord(source, kind, elevation, ordered, tuple(gathered))


def compare_pressures(first: WeatherRecord, second: WeatherRecord) -> Message | None:
    """Question two sources whose pressures, brought to sea level, differ by more than `PRESSURES_AGREE`; None else."""
    at_sea_level = []
    for record in (first, second):
        times, values = record.series("station_pressure")
        if record.elevation is None or not len(times):
            return None
        # The ratio to the standard atmosphere is within 0.1 kPa of a reduction to sea level.
        at_sea_level.append((times, values / float(air.isa_pressure(record.elevation)) * air.P0))
    (times_a, a), (times_b, b) = at_sea_level
    shared = (times_a >= times_b[0] - 3600.0) & (times_a <= times_b[-1] + 3600.0)
    if not shared.any():
        return None
    difference = float(np.mean(a[shared] - np.interp(times_a[shared], times_b, b)))
    if abs(difference) <= PRESSURES_AGREE:
        return None
    return message(
        "brought to sea level, the pressure of {first} is {difference} from that of {second} (more than {limit}): one of "
        "the two may be declared as the wrong kind or with the wrong elevation.",
        code="pressures-differ", first=first.source, second=second.source,
        difference=Value(difference, "pressure", 2, signed=True), limit=Value(PRESSURES_AGREE, "pressure", 1),
    )  # fmt: skip
