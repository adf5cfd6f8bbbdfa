"""Weather of a campaign: the one ambient reference as a series on each run's clock; air, wind, forecasts as evidence."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Literal

import numpy as np
import pandas as pd

from intake_report import air, weather
from intake_report.analyse.inputs import Drive, declared_resolution
from intake_report.analyse.zeroing import ASSUMED_STEP, NOT_ZEROED, Zeroing, channel_step, rounding_mode
from intake_report.campaign import Campaign, Run
from intake_report.clean import CleanRun
from intake_report.errors import DataError
from intake_report.messages import Part, message
from intake_report.metrics.series import Floats
from intake_report.report_table import frame_of, rows_of
from intake_report.results.evidence import EvidenceNotice, RunWeather, WeatherEvidence
from intake_report.statistics import mean_interval
from intake_report.units import parse_quantity
from intake_report.weather import ReferenceChoice as Choice
from intake_report.weather import RunConditions, WeatherRecord
from intake_report.weather.observations import Kind

VEHICLE = "vehicle"
Records = dict[str, WeatherRecord]
BIN = 120.0  # s over which readings of the vehicle's sensor are condensed to one
NO_START = pd.Timestamp(0, tz="UTC")  # stands for an unknown start where only elapsed time matters


@dataclass(frozen=True)
class AmbientSeries:
    """Ambient temperature of one run: interpolated linearly, constant beyond the ends."""

    time: Floats  # (n,): elapsed time [s]
    value: Floats  # (n,) [°C]
    note: Part = ""  # what a reader must know about it

    def at(self, time: Floats) -> Floats:
        """Return the ambient at `time` [°C]."""
        return np.interp(time, self.time, self.value)


@dataclass(frozen=True)
class AmbientReference:
    """The ambient reference of a campaign."""

    choice: Choice  # which source, why, how uncertain
    series: dict[str, AmbientSeries]  # by run id; a run without one has no over-ambient metrics


def _end_of(run: CleanRun) -> float | None:
    return None if run.frame.empty else float(run.frame.index[-1])


def _span(run: CleanRun) -> tuple[pd.Timestamp, pd.Timestamp] | None:
    """Return when a run began and ended; None where that is not known."""
    end = _end_of(run)
    if run.start is None or end is None or end <= 0.0:
        return None
    return run.start, run.start + pd.Timedelta(seconds=end)


def sources_during(
    campaign: Campaign, run: CleanRun, records: Mapping[str, WeatherRecord], entry: Run | None = None
) -> dict[str, RunConditions]:
    """Return what each weather source says of one run, in campaign order; none where the run's times are not known."""
    span, known = _span(run), [w for w in campaign.weather if w.id in records]
    return {w.id: weather.conditions_during(records[w.id], *span, w.max_age, entry) for w in known} if span else {}


def first_known(during: Mapping[str, RunConditions], what: str) -> float | None:
    """Return one quantity from the first source that has it; None where none has."""
    known = (getattr(conditions, what) for conditions in during.values())
    return next((float(value) for value in known if value is not None), None)


def _vehicle_input(run: CleanRun, correction: float) -> weather.VehicleAmbient:
    """Return the vehicle's ambient and speed channels of one run, with the correction of its sensor [K]."""
    time, temperature = run.samples("ambient")
    return weather.VehicleAmbient(run.run, run.start or NO_START, time, temperature + correction, *run.samples("speed"))


def _vehicle_series(run: CleanRun, correction: float) -> AmbientSeries | None:
    """Return ambient from the vehicle's own sensor, from readings at speed only; None without an ambient channel.

    At standstill that sensor reads the heat of the engine bay. Readings at speed are condensed to medians of two minutes.
    Without any reading at speed the lowest tenth of all readings is used, and said.
    """
    sensor = _vehicle_input(run, correction)
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
    end = _end_of(run)
    if run.start is None or end is None:
        return None
    time = np.arange(0.0, end + 30.0, 30.0)
    values = weather.ambient_at(record, run.start.timestamp() + time, max_age=max_age)
    return AmbientSeries(time, np.asarray(values, dtype=np.float64)) if np.isfinite(values).all() else None


def choose_ambient(
    campaign: Campaign, drives: tuple[Drive, ...], records: Records, zeroing: Zeroing = NOT_ZEROED
) -> AmbientReference:
    """Choose the reference that the campaign names, else by rule; the vehicle's own sensor counts as corrected."""
    runs, ages = [drive.clean for drive in drives], {w.id: w.max_age for w in campaign.weather}
    steps = {run.run: channel_step(campaign, run, "ambient") or ASSUMED_STEP for run in runs}
    shifts = {run: zeroing.correction(campaign, "ambient", step) for run, step in steps.items()}
    found = {VEHICLE: {run.run: _vehicle_series(run, shifts[run.run]) for run in runs}}
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
        kind: Kind = "vehicle"
        declared = campaign.instrument.channels.get("ambient")
        known = declared is not None and declared.accuracy
        told: dict[str, Any] = {
            "accuracy": parse_quantity(known, "temperature_difference") if known else None,
            "resolution": declared_resolution(campaign).get("ambient", ASSUMED_STEP),
            "zeroed": zeroing.u("ambient"),
            "rounding_known": rounding_mode(campaign, "ambient") != "unknown",
        }
    else:
        accuracy = next(w.accuracy for w in campaign.weather if w.id == id)
        kind, between = record.kind, weather.interpolation_error(record)
        told = {"accuracy": accuracy, "resolution": record.resolution, "interpolation": between}
    return weather.ReferenceCandidate(id, kind, covered, weather.reference_contributions(kind, **told))


def _comparisons(runs: list[CleanRun], records: Records, shifts: Mapping[str, float]) -> list[weather.SourceComparison]:
    """Compare the vehicle's sensor, at speed and at rest, with every record, and the records among themselves."""
    windows = {run.run: span for run in runs if (span := _span(run))}
    sensors = [_vehicle_input(run, shifts[run.run]) for run in runs if run.run in windows and run.has("ambient")]
    places: tuple[Literal["speed", "rest"], ...] = ("speed", "rest")
    found = [weather.compare_vehicle(sensors, record, at=at) for at in places for record in records.values() if sensors]
    return found + [weather.compare_records(*pair, windows) for pair in combinations(records.values(), 2) if windows]


WANTED = {"station_pressure": "station pressure", "humidity": "humidity", "ambient_mean": "ambient"}
"""What the density of the air rests on, in words."""
STATISTICS: dict[str, Callable[[Floats], Any]] = {"mean": np.mean, "low": np.min, "high": np.max}


def describe_weather(
    campaign: Campaign, drives: tuple[Drive, ...], ambient: AmbientReference, records: Records, forecasts: Records
) -> tuple[pd.DataFrame, WeatherEvidence, tuple[EvidenceNotice, ...]]:
    """Return ambient by drive [°C], what the report says about weather but for `source_offsets`, and what was noticed."""
    runs = tuple(_run_weather(campaign, drive, ambient, records) for drive in drives)
    conditions, choice = _conditions(drives, ambient, runs), ambient.choice
    came = zip(drives, rows_of(conditions), strict=True)
    beside = [_forecast(campaign, drive, record, actual) for drive, actual in came for record in forecasts.values()]
    evidence = WeatherEvidence(
        chosen_by=choice.chosen_by,
        rule=weather.RULE,
        uncertainty=choice.uncertainty,
        uncertainty_between=choice.picked.uncertainty_between if choice.picked else None,
        contributions=choice.contributions,
        sources=frame_of(_source(campaign, c, records.get(c.source), choice.source) for c in choice.candidates),
        offsets=pd.DataFrame(),
        runs=runs,
        forecasts=frame_of(row for rows in beside for row in rows),
        forecast_limit=weather.SPREAD_LIMIT,
    )
    every = (*records.items(), *forecasts.items())
    found = [EvidenceNotice(id, notice.code, notice) for id, record in every for notice in record.notices]
    for first, second in combinations(records.values(), 2):
        if (notice := weather.compare_pressures(first, second)) is not None:
            found.append(EvidenceNotice(f"{first.source}, {second.source}", notice.code, notice))
    found += [EvidenceNotice(run.run, "declared-contradicts", note) for run in runs for note in run.notes]
    return conditions, evidence, tuple(found)


def _conditions(drives: tuple[Drive, ...], ambient: AmbientReference, of_runs: tuple[RunWeather, ...]) -> pd.DataFrame:
    rows = []
    for drive, air_of_run in zip(drives, of_runs, strict=True):
        series, end = ambient.series.get(drive.entry.id), _end_of(drive.clean)
        row: dict[str, Any] = {"run": drive.entry.id, "source": ambient.choice.source or "none"}
        row |= dict.fromkeys(f"ambient_{name}" for name in STATISTICS)
        note: Part = message("no ambient temperature for this run", code="no-ambient")
        if series is not None and end is not None:
            values, note = series.at(np.arange(0.0, end + 1.0, 10.0)), series.note
            row |= {f"ambient_{name}": float(f(values)) for name, f in STATISTICS.items()}
        row |= {name: getattr(air_of_run, name) for name in ("pressure", "humidity", "wind_speed", "age")}
        rows.append(row | {"reason": note})
    return frame_of(rows)


def source_offsets(comparisons: Iterable[weather.SourceComparison], level: float) -> pd.DataFrame:
    """Return the mean offsets between the sources with their intervals at `level`, where two runs or more allow one."""
    rows = []
    for c in comparisons:
        mean = mean_interval(list(c.offsets.values()), level) if c.offsets else None
        found = (mean.mean, mean.low, mean.high, mean.sd) if mean else (None, None, None, None)
        rows.append((c.first, c.second, len(c.offsets), *found, level, c.reason))
    columns = ["first", "second", "runs", "offset", "low", "high", "sd", "level", "reason"]
    return pd.DataFrame(rows, columns=columns, dtype=object)


def _source(
    campaign: Campaign, candidate: weather.ReferenceCandidate, record: WeatherRecord | None, chosen: str | None
) -> dict[str, Any]:
    times = [] if record is None else [o.time for o in record.observations if o.temperature is not None]
    local = [f"{t.tz_convert(campaign.about.timezone):%Y-%m-%d %H:%M}" for t in times[:1] + times[-1:]]
    first, last = local or (None, None)
    # the step behind the vehicle's resolution is that of its contribution (rectangular distribution)
    steps = (c.value * float(np.sqrt(12.0)) for c in candidate.contributions if c.name == "resolution")
    return {
        "id": candidate.source, "kind": weather.KIND_LABELS[candidate.kind],
        "elevation": None if record is None else record.elevation, "reports": len(times), "first": first, "last": last,
        "resolution": next(steps, None) if record is None else record.resolution, "covered": len(candidate.covered),
        "uncertainty": candidate.uncertainty, "uncertainty_between": candidate.uncertainty_between,
        "chosen": candidate.source == chosen,
    }  # fmt: skip


def _run_weather(campaign: Campaign, drive: Drive, ambient: AmbientReference, records: Records) -> RunWeather:
    """Return air and wind during one run, and what the campaign declares of it.

    Pressure, humidity and density come from one source: the ambient reference, else the first that has them; wind likewise.
    """
    run, during = drive.entry, sources_during(campaign, drive.clean, records, drive.entry)
    order = sorted(during, key=lambda id: id != ambient.choice.source)

    def first_with(*quantities: str) -> str:
        """Return the first source that knows the first quantity, else the second; empty where none does."""
        return next((id for what in quantities for id in order if getattr(during[id], what) is not None), "")

    def of(id: str, *names: str) -> dict[str, Any]:
        return {name: getattr(during.get(id), name, None) for name in names}

    source, windy = first_with("air_density", "station_pressure"), first_with("wind_speed")
    aged = next(iter(order), None)
    density = during[source].air_density if source else None
    series, end = ambient.series.get(run.id), _end_of(drive.clean)
    change = None if series is None or end is None else float(np.diff(series.at(np.array([0.0, end])))[0])
    raining = [conditions.raining for conditions in during.values() if conditions.raining is not None]
    return RunWeather(
        run=run.id, source=source, ambient_change=change, age=during[aged].age_worst if aged else None,
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


def _forecast(campaign: Campaign, drive: Drive, record: WeatherRecord, actual: Any) -> Iterator[dict[str, Any]]:
    expected = sources_during(campaign, drive.clean, {record.source: record}).get(record.source)
    if expected is None:
        return
    for what, quantity, name in (
        ("mean ambient", "temperature", "ambient_mean"),
        ("highest ambient", "temperature", "ambient_high"),
        ("wind speed", "speed", "wind_speed"),
    ):
        forecast, came = getattr(expected, name), getattr(actual, name)
        if forecast is not None:
            difference = None if came is None else came - forecast
            judged = difference is not None and what == "mean ambient"
            within = abs(difference or 0.0) <= weather.SPREAD_LIMIT + 1e-9 if judged else None
            of = {"run": drive.entry.id, "source": record.source, "what": what, "quantity": quantity}
            known = {"reason": "" if came is not None else "not recorded"}
            yield of | {"forecast": forecast, "actual": came, "difference": difference, "within": within} | known
