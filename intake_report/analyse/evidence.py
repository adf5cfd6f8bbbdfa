"""Evidence beside the road logs, joined: weather, air, dyno, restriction, exposure, service, full throttle."""

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from intake_report import air, bench
from intake_report.analyse.inputs import Drive
from intake_report.analyse.measure import beside
from intake_report.campaign import Campaign
from intake_report.dyno import DynoResult, dyno_evidence
from intake_report.messages import Count, Listing, Part, Value, message
from intake_report.metrics import RunSeries
from intake_report.metrics.series import weights
from intake_report.report_table import rows_of
from intake_report.results import evidence as results
from intake_report.results.evidence import EvidenceNotice, RunWeather
from intake_report.statistics import mean_interval

Array = NDArray[np.float64]

UNIT_VOLUME = 1.0  # L; where the displacement is not declared
POINTS = 61  # of the drawn curve of mass against temperature
BEYOND, ROUND = 10.0, 5.0  # K; how far the curve reaches beyond the temperatures met, to the next multiple

WIDE_OPEN = 80.0  # %; least throttle reading that counts as wide open (a choice of this package)
LEAST_SAMPLES = 8  # at wide-open throttle that a power law needs (a choice of this package)
LEAST_RANGE = 1.3  # highest over lowest airflow that a power law needs (a choice of this package)


def gather_evidence(
    campaign: Campaign,
    drives: tuple[Drive, ...],
    series: tuple[RunSeries, ...],
    weather: results.WeatherEvidence,
    notices: tuple[EvidenceNotice, ...],
    conditions: pd.DataFrame,
) -> results.Evidence:
    """Read and summarise all evidence beside the road logs; `series` are of the comparison, all else of all runs.

    DataError if a pull, a curve or a trial cannot be used; the file and the line or key are named.
    """
    dyno, on_bench = dyno_evidence(campaign), bench.bench_evidence(campaign)
    tried = {entry.condition for entry in campaign.exposures}
    has = {"power on a dyno": bool(campaign.pulls), "restriction": bool(campaign.restrictions)}
    has |= {f"{condition} exposure": condition in tried for condition in ("wet", "dusty", "hot")}
    has["time to service"] = any(o.time is not None for o in campaign.observations)
    used = {run.run for run in series}
    if dyno is not None:
        notices += tuple(EvidenceNotice("dyno", "pull", note) for note in dyno.notes)
    return results.Evidence(
        weather=weather,
        air=_air(campaign, series, conditions, weather.runs),
        dyno=dyno,
        bench=on_bench,
        road=_road(campaign, tuple(drive for drive in drives if drive.entry.id in used), weather.runs),
        theoretical=_theoretical(campaign, dyno, on_bench),
        tested=tuple(kind for kind, there in has.items() if there),
        untested=tuple(kind for kind, there in has.items() if not there),
        notices=notices,
    )


def _theoretical(
    campaign: Campaign, dyno: DynoResult | None, on_bench: bench.BenchResult | None
) -> results.TheoreticalAirflow | None:
    """Return what the engine displaces at the highest engine speed that all pulls reach."""
    displacement = campaign.vehicle.displacement
    if dyno is None or dyno.grid is None or not displacement:
        return None
    airflow = air.theoretical_volume_flow(displacement, dyno.grid.high)
    common = next((s.airflow for s in on_bench.restrictions if s.airflow is not None), None) if on_bench else None
    return results.TheoreticalAirflow(dyno.grid.high, airflow, None if common is None else 100.0 * common / airflow)


def _air(
    campaign: Campaign, series: tuple[RunSeries, ...], conditions: pd.DataFrame, weather: tuple[RunWeather, ...]
) -> results.AirEvidence | None:
    """Return mass of air in a fixed volume against its temperature, with the configurations; None without temperatures.

    The state of the air is the mean over the runs, the same for all configurations; `source` says what is not known of it.
    """
    kinds: dict[str, str] = {phase.id: phase.kind for phase in campaign.route.phases}
    in_city = "city" in kinds.values()
    mean_of = {run.run: _mean_iat(run, kinds if in_city else {}) for run in series}
    used = {run for run, mean in mean_of.items() if mean is not None}
    iat = {
        c.id: [mean for run in series if run.configuration == c.id and (mean := mean_of[run.run]) is not None]
        for c in campaign.configurations
    }
    ambient = [c.ambient_mean for c in rows_of(conditions) if c.run in used and c.ambient_mean is not None]
    if not ambient:
        return None
    state = [w for w in weather if w.run in used]
    pressures = [w.pressure for w in state if w.pressure is not None]
    humidities = [w.humidity for w in state if w.humidity is not None]
    temperature = float(np.mean(ambient))
    pressure = float(np.mean(pressures)) if pressures else air.P0
    humidity = float(np.mean(humidities)) if humidities else 0.0
    template = "the standard atmosphere at sea level with dry air, because no station pressure was recorded"
    source = message(template, "standard-atmosphere")
    if pressures:
        names = Listing(tuple(dict.fromkeys(w.source for w in state if w.source)))
        dry = "" if humidities else " (no humidity was recorded: dry air is taken)"
        source = message("the mean over the runs by {names}{dry}", "mean-of-runs", names=names, dry=dry)
    volume = campaign.vehicle.displacement or UNIT_VOLUME

    def mass(at: float) -> float:
        ambient_air = {"ambient_temperature": temperature, "ambient_pressure": pressure, "ambient_humidity": humidity}
        return float(air.mass_in_volume(at, volume, **ambient_air))

    means = {id: float(np.mean(values)) for id, values in iat.items() if values}
    base = means.get(campaign.baseline.id)
    points: list[tuple[object, ...]] = []
    for id, mean in means.items():
        against: tuple[object, object] = (None, ())
        if base is not None and id != campaign.baseline.id:
            against = 100.0 * (mass(mean) / mass(base) - 1.0), air.expected_power(mean, base)
        points.append((id, len(iat[id]), mean, mass(mean), *against))
    low = float(np.floor((min(temperature, *means.values()) - BEYOND) / ROUND) * ROUND)
    high = float(np.ceil((max(temperature, *means.values()) + BEYOND) / ROUND) * ROUND)
    curve = np.linspace(low, high, POINTS).tolist()
    valid = air.cipm_in_range(temperature, pressure)
    return results.AirEvidence(
        volume=volume,
        displacement=campaign.vehicle.displacement is not None,
        where="in the city" if in_city else "over the whole run",
        ambient=temperature,
        pressure=pressure,
        humidity=humidity,
        density=mass(temperature) / volume,
        density_cipm=air.density_cipm(temperature, pressure, humidity) if valid else None,
        ambient_mass=mass(temperature),
        source=source,
        temperatures=tuple(curve),
        masses=tuple(mass(t) for t in curve),
        points=pd.DataFrame(points, columns=["configuration", "n", "iat", "mass", "change", "expected"], dtype=object),
    )


def _mean_iat(run: RunSeries, kinds: dict[str, str]) -> float | None:
    """Return the time-weighted mean intake air temperature [°C] of one run in its city phases, or over all of it."""
    if run.time.size < 2:
        return None
    spans = [(span.start, span.end) for span in run.phases if kinds.get(span.label) == "city"]
    if not kinds:
        spans = [(float(run.time[0]), float(run.time[-1]))]
    weight = np.sum([weights(run.time, start, end, run.max_gap) for start, end in spans], axis=0)
    total = float(np.sum(weight))
    return float(np.sum(run.iat * weight) / total) if total > 0.0 else None


class _FullThrottleRun(NamedTuple):
    """One run at wide-open throttle: airflow [m³/s] with its drop [kPa], samples with engine speed, efficiency [%]."""

    configuration: str
    airflow: Array
    drop: Array
    turning: int
    efficiency: float | None


def _road(campaign: Campaign, drives: tuple[Drive, ...], weather: tuple[RunWeather, ...]) -> results.RoadAirflow | None:
    """Return restriction and volumetric efficiency at wide-open throttle; None without the channels for either.

    Pressure before the throttle (airbox) is taken where it was logged, else manifold pressure, which contains the
    throttle body and so bounds the intake's own restriction from above; a boosted engine's manifold pressure says
    nothing about restriction. Barometric pressure is the vehicle's own reading, else the station pressure of the
    weather; with steps of 1 kPa it is coarse against a drop of a few kPa.
    """
    if not (with_flow := [drive for drive in drives if all(drive.clean.has(c) for c in ("maf", "throttle"))]):
        return None
    in_airbox = any(drive.clean.has("airbox_pressure") for drive in with_flow)
    channel, place = ("airbox_pressure", "airbox") if in_airbox else ("map", "manifold")
    pressure = f"{place} pressure against barometric pressure"
    usable = in_airbox or (campaign.vehicle.aspiration or "natural") == "natural"
    of_run = {w.run: w for w in weather}
    runs = (
        _full_throttle(campaign, drive, of_run.get(drive.entry.id), channel if usable else "") for drive in with_flow
    )
    samples = [run for run in runs if run is not None]
    full, fits, level = [], [], campaign.metrics.confidence
    for c in campaign.configurations:
        if own := [s for s in samples if s.configuration == c.id]:
            means = [s.efficiency for s in own if s.efficiency is not None]
            mean = mean_interval(means, level) if means else None
            limits = (mean.mean, mean.low, mean.high) if mean else (None, None, None)
            full.append((c.id, len(own), sum(s.turning for s in own), *limits))
            flow, drop = (np.concatenate([getattr(s, x) for s in own]) for x in ("airflow", "drop"))
            if flow.size >= LEAST_SAMPLES and float(flow.max() / flow.min()) >= LEAST_RANGE:
                fits.append(bench.fit_restriction(c.id, flow, drop, level=level, file=str(campaign.file)))
    curves, reason = None, _no_samples(with_flow, of_run) if not samples else ""
    if samples and not usable:
        reason = message("the engine is boosted: its manifold pressure says nothing about restriction", code="boosted")
    elif fits:
        curves = bench.restriction_set(f"road, {pressure}", fits, campaign.baseline.id)
    elif samples:
        template = (
            "no configuration has {least} samples at wide-open throttle with a pressure below barometric over a "
            "sufficient range of airflow"
        )
        reason = message(template, code="few-samples", least=LEAST_SAMPLES)
    columns = ["configuration", "runs", "samples", "efficiency", "low", "high"]
    table = pd.DataFrame(full, columns=columns, dtype=object)
    return results.RoadAirflow(pressure, WIDE_OPEN, curves, table, reason)


def _no_samples(drives: list[Drive], weather: dict[str, RunWeather]) -> Part:
    known = [weather[drive.entry.id].density for drive in drives if drive.entry.id in weather]
    if all(density is None for density in known):
        return message("no air density is known for the runs", code="no-density")
    readings = [drive.clean.good("throttle") for drive in drives]
    top = max((float(values.max()) for values in readings if len(values)), default=0.0)
    template = "the throttle was never wide open in {runs}: the highest reading is {top}, and {limit} or more counts"
    runs, highest, limit = Count(len(drives), "run"), Value(top, "ratio", 0), Value(WIDE_OPEN, "ratio", 0)
    return message(template, "never-wide-open", runs=runs, top=highest, limit=limit)


def _full_throttle(
    campaign: Campaign, drive: Drive, weather: RunWeather | None, channel: str
) -> _FullThrottleRun | None:
    """Return one run at wide-open throttle, on the times of the airflow channel."""
    run = drive.clean
    if weather is None or weather.density is None:
        return None
    time, mass = run.samples("maf")
    throttle = beside(time, run.good("throttle"), lowest=True)
    wide = np.isfinite(throttle) & (throttle >= WIDE_OPEN)
    if not wide.any():
        return None
    time, mass = time[wide], mass[wide]
    airflow, drop = mass / 1000.0 / weather.density, np.full(time.shape, np.nan)
    barometric = float(run.good("baro").median()) if run.has("baro") and len(run.good("baro")) else weather.pressure
    if channel and barometric is not None:
        drop = barometric - beside(time, run.good(channel))
    used = (airflow > 0.0) & (drop > 0.0)
    speed, displacement = beside(time, run.good("rpm")), campaign.vehicle.displacement
    turning, efficiency = np.isfinite(speed) & (speed > 0.0), None
    if displacement and turning.any():
        flows = zip(mass[turning], speed[turning], strict=True)
        shares = [air.volumetric_efficiency(flow, displacement, rpm, weather.density) for flow, rpm in flows]
        efficiency = float(np.mean(shares))
    return _FullThrottleRun(drive.entry.configuration, airflow[used], drop[used], int(turning.sum()), efficiency)
