"""The one ambient reference of a campaign, as a series on each run's own clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd

from intake_report.analyse.inputs import Drive, declared_resolution
from intake_report.analyse.zeroing import ASSUMED_STEP, NOT_ZEROED, Zeroing, channel_step, rounding_mode
from intake_report.campaign import Campaign, Run
from intake_report.clean import CleanRun
from intake_report.messages import Part, message
from intake_report.metrics.series import Floats
from intake_report.units import parse_quantity
from intake_report.weather import (
    ReferenceCandidate,
    RunConditions,
    SourceComparison,
    VehicleAmbient,
    WeatherRecord,
    ambient_at,
    choose_reference,
    compare_records,
    compare_vehicle,
    conditions_during,
    interpolation_error,
    reference_contributions,
    too_slow,
)
from intake_report.weather import ReferenceChoice as Choice

VEHICLE = "vehicle"
BIN = 120.0  # s over which readings of the vehicle's sensor are condensed to one
NO_START = pd.Timestamp(0, tz="UTC")  # stands for an unknown start where only elapsed time matters


@dataclass(frozen=True)
class AmbientSeries:
    """Ambient temperature of one run.

    `time`, `value` (n,): elapsed time [s] and ambient [°C]; interpolated linearly, constant beyond the ends; `note`:
    what a reader must know about it.
    """

    time: Floats
    value: Floats
    note: Part = ""

    def at(self, time: Floats) -> Floats:
        """Return the ambient at `time` [°C]."""
        return np.interp(time, self.time, self.value)


@dataclass(frozen=True)
class AmbientReference:
    """The ambient reference of a campaign.

    `choice`: which source, why, how uncertain; `series` by run id: a run without one has no over-ambient metrics.
    """

    choice: Choice
    series: dict[str, AmbientSeries]


def sources_during(
    campaign: Campaign, run: CleanRun, records: Mapping[str, WeatherRecord], entry: Run | None = None
) -> dict[str, RunConditions]:
    """Return what each weather source says of one run, in campaign order; none where the run's times are not known."""
    start, index = run.start, run.frame.index
    if start is None or not len(index) or float(index[-1]) <= 0.0:
        return {}
    end = start + pd.Timedelta(seconds=float(index[-1]))
    return {
        w.id: conditions_during(records[w.id], start, end, w.max_age, entry)
        for w in campaign.weather
        if w.id in records
    }


def first_known(during: Mapping[str, RunConditions], what: str) -> float | None:
    """Return one quantity from the first source that has it; None where none has."""
    known = (getattr(conditions, what) for conditions in during.values())
    return next((float(value) for value in known if value is not None), None)


def vehicle_input(run: CleanRun, correction: float = 0.0) -> VehicleAmbient:
    """Return the vehicle's ambient and speed channels of one run, with the correction of its sensor [K]."""
    ambient, speed = run.good("ambient"), run.good("speed")
    return VehicleAmbient(
        run=run.run,
        start=run.start if run.start is not None else NO_START,
        time=ambient.index.to_numpy(dtype=np.float64),
        temperature=ambient.to_numpy(dtype=np.float64) + correction,
        speed_time=speed.index.to_numpy(dtype=np.float64),
        speed=speed.to_numpy(dtype=np.float64),
    )


def vehicle_series(run: CleanRun, correction: float = 0.0) -> AmbientSeries | None:
    """Return ambient from the vehicle's own sensor, from readings at speed only; None without an ambient channel.

    At standstill that sensor reads the heat of the engine bay. Readings at speed are condensed to medians of two
    minutes; before the first and after the last the nearest is taken. Without any reading at speed the lowest tenth of
    all readings is used, and said.
    """
    sensor = vehicle_input(run, correction)
    if sensor.time.size == 0:
        return None
    use = ~too_slow(sensor)
    if not use.any():
        low = float(np.quantile(sensor.temperature, 0.1))
        note = message(
            "the vehicle was never at speed long enough: the lowest tenth of the ambient readings is taken",
            code="ambient-at-rest",
        )
        return AmbientSeries(sensor.time[:1], np.array([low]), note)
    time, value = sensor.time[use], sensor.temperature[use]
    grouped = pd.DataFrame({"time": time, "value": value}).groupby(np.floor((time - time[0]) / BIN))
    return AmbientSeries(grouped["time"].mean().to_numpy(), grouped["value"].median().to_numpy())


def record_series(run: CleanRun, record: WeatherRecord, max_age: float) -> AmbientSeries | None:
    """Return ambient from a weather record on the run's clock; None where the record does not cover the run."""
    start, frame = run.start, run.frame
    if start is None or frame.empty:
        return None
    time = np.arange(0.0, float(frame.index[-1]) + 30.0, 30.0)
    values = ambient_at(record, start.timestamp() + time, max_age=max_age)
    if not np.isfinite(values).all():
        return None
    return AmbientSeries(time, np.asarray(values, dtype=np.float64))


def choose_ambient(
    campaign: Campaign,
    drives: tuple[Drive, ...],
    records: dict[str, WeatherRecord],
    zeroing: Zeroing = NOT_ZEROED,
) -> AmbientReference:
    """Choose the ambient reference: the one that the campaign names, else by the rule of `weather.choose_reference`.

    Without series when nothing was recorded. The vehicle's own sensor counts as corrected by `zeroing`.
    """
    runs = [drive.clean for drive in drives]
    ages = {w.id: w.max_age for w in campaign.weather}
    shifts = {
        run.run: zeroing.correction(campaign, "ambient", channel_step(campaign, run, "ambient") or ASSUMED_STEP)
        for run in runs
    }
    series = {VEHICLE: _present({run.run: vehicle_series(run, shifts[run.run]) for run in runs})}
    for id, record in records.items():
        series[id] = _present({run.run: record_series(run, record, ages[id]) for run in runs})
    candidates = [_candidate(campaign, id, found, records.get(id), zeroing) for id, found in series.items()]
    wanted = campaign.ambient.reference
    choice = choose_reference(
        [c for c in candidates if c.covered or c.source == wanted],
        [run.run for run in runs],
        _comparisons(runs, records, shifts),
        None if wanted == "auto" else wanted,
    )
    return AmbientReference(choice, series.get(choice.source or "", {}))


def _present(series: dict[str, AmbientSeries | None]) -> dict[str, AmbientSeries]:
    return {run: found for run, found in series.items() if found is not None}


def _candidate(
    campaign: Campaign, id: str, series: dict[str, AmbientSeries], record: WeatherRecord | None, zeroing: Zeroing
) -> ReferenceCandidate:
    covered = tuple(series)
    if record is None:
        declared = campaign.instrument.channels.get("ambient")
        known = declared is not None and declared.accuracy
        contributions = reference_contributions(
            "vehicle",
            accuracy=parse_quantity(known, "temperature_difference") if known else None,
            resolution=declared_resolution(campaign).get("ambient", ASSUMED_STEP),
            zeroed=zeroing.u("ambient"),
            rounding_known=rounding_mode(campaign, "ambient") != "unknown",
        )
        return ReferenceCandidate(id, "vehicle", covered, contributions)
    source = next(w for w in campaign.weather if w.id == id)
    contributions = reference_contributions(
        record.kind, accuracy=source.accuracy, resolution=record.resolution, interpolation=interpolation_error(record)
    )
    return ReferenceCandidate(id, record.kind, covered, contributions)


def _comparisons(
    runs: list[CleanRun], records: dict[str, WeatherRecord], shifts: Mapping[str, float]
) -> list[SourceComparison]:
    """Compare all sources with each other over the runs whose start is known.

    The vehicle's sensor at speed and at rest with every record, and the records among themselves.
    """
    known = [(run, run.start) for run in runs if run.start is not None and not run.frame.empty]
    sensors = [vehicle_input(run, shifts[run.run]) for run, _ in known if run.has("ambient")]
    places: tuple[Literal["speed", "rest"], ...] = ("speed", "rest")
    found = [compare_vehicle(sensors, record, at=at) for at in places for record in records.values() if sensors]
    windows = {run.run: (start, start + pd.Timedelta(seconds=float(run.frame.index[-1]))) for run, start in known}
    found += [compare_records(a, b, windows) for a, b in combinations(records.values(), 2) if windows]
    return found
