"""The one ambient reference of a campaign, as a series on each run's own clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd

from intake_report import weather
from intake_report.analyse.inputs import Drive, declared_resolution
from intake_report.analyse.zeroing import ASSUMED_STEP, NOT_ZEROED, Zeroing, channel_step, rounding_mode
from intake_report.campaign import Campaign, Run
from intake_report.clean import CleanRun
from intake_report.messages import Part, message
from intake_report.metrics.series import Floats
from intake_report.units import parse_quantity
from intake_report.weather import ReferenceChoice as Choice
from intake_report.weather import RunConditions, WeatherRecord

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


def end_of(run: CleanRun) -> float | None:
    """Return the elapsed time of the last row of a run [s]; None without rows."""
    return None if run.frame.empty else float(run.frame.index[-1])


def time_span(run: CleanRun) -> tuple[pd.Timestamp, pd.Timestamp] | None:
    """Return when a run began and ended; None where that is not known."""
    end = end_of(run)
    if run.start is None or end is None or end <= 0.0:
        return None
    return run.start, run.start + pd.Timedelta(seconds=end)


def sources_during(
    campaign: Campaign, run: CleanRun, records: Mapping[str, WeatherRecord], entry: Run | None = None
) -> dict[str, RunConditions]:
    """Return what each weather source says of one run, in campaign order; none where the run's times are not known."""
    span, known = time_span(run), [w for w in campaign.weather if w.id in records]
    return {w.id: weather.conditions_during(records[w.id], *span, w.max_age, entry) for w in known} if span else {}


def first_known(during: Mapping[str, RunConditions], what: str) -> float | None:
    """Return one quantity from the first source that has it; None where none has."""
    known = (getattr(conditions, what) for conditions in during.values())
    return next((float(value) for value in known if value is not None), None)


def vehicle_input(run: CleanRun, correction: float = 0.0) -> weather.VehicleAmbient:
    """Return the vehicle's ambient and speed channels of one run, with the correction of its sensor [K]."""
    time, temperature = run.samples("ambient")
    return weather.VehicleAmbient(run.run, run.start or NO_START, time, temperature + correction, *run.samples("speed"))


def vehicle_series(run: CleanRun, correction: float = 0.0) -> AmbientSeries | None:
    """Return ambient from the vehicle's own sensor, from readings at speed only; None without an ambient channel.

    At standstill that sensor reads the heat of the engine bay. Readings at speed are condensed to medians of two
    minutes; before the first and after the last the nearest is taken. Without any reading at speed the lowest tenth of
    all readings is used, and said.
    """
    sensor = vehicle_input(run, correction)
    if sensor.time.size == 0:
        return None
    use = ~weather.too_slow(sensor)
    if not use.any():
        text = "the vehicle was never at speed long enough: the lowest tenth of the ambient readings is taken"
        note = message(text, code="ambient-at-rest")
        return AmbientSeries(sensor.time[:1], np.quantile(sensor.temperature, [0.1]), note)
    time, value = sensor.time[use], sensor.temperature[use]
    grouped = pd.DataFrame({"time": time, "value": value}).groupby(np.floor((time - time[0]) / BIN))
    return AmbientSeries(grouped["time"].mean().to_numpy(), grouped["value"].median().to_numpy())


def record_series(run: CleanRun, record: WeatherRecord, max_age: float) -> AmbientSeries | None:
    """Return ambient from a weather record on the run's clock; None where the record does not cover the run."""
    end = end_of(run)
    if run.start is None or end is None:
        return None
    time = np.arange(0.0, end + 30.0, 30.0)
    values = weather.ambient_at(record, run.start.timestamp() + time, max_age=max_age)
    return AmbientSeries(time, np.asarray(values, dtype=np.float64)) if np.isfinite(values).all() else None


def choose_ambient(
    campaign: Campaign, drives: tuple[Drive, ...], records: dict[str, WeatherRecord], zeroing: Zeroing = NOT_ZEROED
) -> AmbientReference:
    """Choose the ambient reference: the one that the campaign names, else by the rule of `weather.choose_reference`.

    Without series when nothing was recorded. The vehicle's own sensor counts as corrected by `zeroing`.
    """
    runs, ages = [drive.clean for drive in drives], {w.id: w.max_age for w in campaign.weather}
    steps = {run.run: channel_step(campaign, run, "ambient") or ASSUMED_STEP for run in runs}
    shifts = {run: zeroing.correction(campaign, "ambient", step) for run, step in steps.items()}
    found = {VEHICLE: {run.run: vehicle_series(run, shifts[run.run]) for run in runs}}
    found |= {id: {run.run: record_series(run, record, ages[id]) for run in runs} for id, record in records.items()}
    series = {id: {run: one for run, one in of.items() if one is not None} for id, of in found.items()}
    candidates = [_candidate(campaign, id, tuple(of), records.get(id), zeroing) for id, of in series.items()]
    wanted = campaign.ambient.reference
    choice = weather.choose_reference(
        [c for c in candidates if c.covered or c.source == wanted],
        [run.run for run in runs],
        _comparisons(runs, records, shifts),
        None if wanted == "auto" else wanted,
    )
    return AmbientReference(choice, series.get(choice.source or "", {}))


def _candidate(
    campaign: Campaign, id: str, covered: tuple[str, ...], record: WeatherRecord | None, zeroing: Zeroing
) -> weather.ReferenceCandidate:
    if record is None:
        declared = campaign.instrument.channels.get("ambient")
        known = declared is not None and declared.accuracy
        contributions = weather.reference_contributions(
            "vehicle",
            accuracy=parse_quantity(known, "temperature_difference") if known else None,
            resolution=declared_resolution(campaign).get("ambient", ASSUMED_STEP),
            zeroed=zeroing.u("ambient"),
            rounding_known=rounding_mode(campaign, "ambient") != "unknown",
        )
        return weather.ReferenceCandidate(id, "vehicle", covered, contributions)
    accuracy, between = next(w.accuracy for w in campaign.weather if w.id == id), weather.interpolation_error(record)
    contributions = weather.reference_contributions(
        record.kind, accuracy=accuracy, resolution=record.resolution, interpolation=between
    )
    return weather.ReferenceCandidate(id, record.kind, covered, contributions)


def _comparisons(
    runs: list[CleanRun], records: dict[str, WeatherRecord], shifts: Mapping[str, float]
) -> list[weather.SourceComparison]:
    """Compare the vehicle's sensor, at speed and at rest, with every record, and the records among themselves."""
    windows = {run.run: span for run in runs if (span := time_span(run))}
    sensors = [vehicle_input(run, shifts[run.run]) for run in runs if run.run in windows and run.has("ambient")]
    places: tuple[Literal["speed", "rest"], ...] = ("speed", "rest")
    found = [weather.compare_vehicle(sensors, record, at=at) for at in places for record in records.values() if sensors]
    return found + [weather.compare_records(*pair, windows) for pair in combinations(records.values(), 2) if windows]
