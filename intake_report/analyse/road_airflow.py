"""Restriction and volumetric efficiency from road logs: samples at wide-open throttle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from intake_report.analyse.inputs import Drive
from intake_report.bench import fit_restriction, restriction_set, road_restriction, volumetric_efficiency
from intake_report.campaign import Campaign
from intake_report.clean import CleanRun
from intake_report.formatting import count
from intake_report.results.evidence import FullThrottle, RoadAirflow, RunWeather
from intake_report.statistics import mean_interval

Array = NDArray[np.float64]

WIDE_OPEN = 80.0  # %; least throttle reading that counts as wide open (a choice of this package)
NEIGHBOUR = 2.5  # s; longest time between the two samples of another channel that a value is interpolated between
LEAST_SAMPLES = 8
LEAST_RANGE = 1.3  # highest over lowest airflow that a power law needs


@dataclass(frozen=True)
class _Full:
    """Samples of one run at wide-open throttle: airflow [m³/s] and [g/s], drop [kPa], engine speed [rpm]."""

    run: str
    configuration: str
    airflow: Array
    drop: Array
    mass: Array
    speed: Array
    density: float


def road_airflow(campaign: Campaign, drives: tuple[Drive, ...], weather: tuple[RunWeather, ...]) -> RoadAirflow | None:
    """Return restriction and volumetric efficiency at wide-open throttle; None without the channels for either.

    Parameters
    ----------
    campaign : Campaign
        Displacement, aspiration, baseline.
    drives : tuple of Drive
        Runs that take part in the comparison.
    weather : tuple of RunWeather
        Density and station pressure of each run.

    Notes
    -----
    Pressure before the throttle (airbox) is taken where it was logged, else manifold pressure, which contains the
    throttle body; a boosted engine's manifold pressure says nothing about restriction. Barometric pressure is the
    vehicle's own reading, else the station pressure of the weather.
    """
    with_flow = [drive for drive in drives if all(drive.clean.has(c) for c in ("maf", "throttle"))]
    if not with_flow:
        return None
    channel = "airbox_pressure" if any(drive.clean.has("airbox_pressure") for drive in with_flow) else "map"
    place = "airbox" if channel == "airbox_pressure" else "manifold"
    pressure = f"{place} pressure against barometric pressure"
    usable = channel != "map" or (campaign.vehicle.aspiration or "natural") == "natural"
    of_run = {w.run: w for w in weather}
    found = [_full(drive, of_run.get(drive.entry.id), channel if usable else "") for drive in with_flow]
    samples = [full for full in found if full is not None]
    if not samples:
        return RoadAirflow(pressure, WIDE_OPEN, None, (), _why(with_flow, of_run))
    efficiency = _efficiency(campaign, samples)
    curves, reason = None, ""
    if not usable:
        reason = "the engine is boosted: its manifold pressure says nothing about restriction"
    else:
        ready = {}
        for c in campaign.configurations:
            mine = [s for s in samples if s.configuration == c.id and s.airflow.size]
            if mine and _enough((pooled := _pool(mine))[0]):
                ready[c.id] = pooled
        if ready:
            fits = [
                fit_restriction(id, q, dp, level=campaign.metrics.confidence, file=str(campaign.file))
                for id, (q, dp) in ready.items()
            ]
            curves = restriction_set(f"road, {pressure}", fits, campaign.baseline.id)
        else:
            reason = (
                f"no configuration has {LEAST_SAMPLES} samples at wide-open throttle with a pressure below barometric "
                "over a sufficient range of airflow"
            )
    return RoadAirflow(pressure, WIDE_OPEN, curves, efficiency, reason)


def _why(drives: list[Drive], weather: dict[str, RunWeather]) -> str:
    known = [weather[drive.entry.id].density for drive in drives if drive.entry.id in weather]
    if all(density is None for density in known):
        return "no air density is known for the runs"
    readings = [drive.clean.good("throttle") for drive in drives]
    top = max((float(values.max()) for values in readings if len(values)), default=0.0)
    return (
        f"the throttle was never wide open in {count(len(drives), 'run')}: the highest reading is {top:.0f} %, "
        f"and {WIDE_OPEN:.0f} % or more counts"
    )


def _pool(samples: list[_Full]) -> tuple[Array, Array]:
    return np.concatenate([s.airflow for s in samples]), np.concatenate([s.drop for s in samples])


def _enough(airflow: Array) -> bool:
    return airflow.size >= LEAST_SAMPLES and float(airflow.max() / airflow.min()) >= LEAST_RANGE


def _full(drive: Drive, weather: RunWeather | None, channel: str) -> _Full | None:
    """Return the samples of one run at wide-open throttle, on the times of the airflow channel."""
    run = drive.clean
    if weather is None or weather.density is None:
        return None
    flow = run.good("maf")
    time, mass = flow.index.to_numpy(dtype=np.float64), flow.to_numpy(dtype=np.float64)
    throttle = _at(run, "throttle", time, lowest=True)
    wide = np.isfinite(throttle) & (throttle >= WIDE_OPEN)
    if not wide.any():
        return None
    time, mass, throttle = time[wide], mass[wide], throttle[wide]
    airflow, drop = np.empty(0), np.empty(0)
    if channel and run.has(channel):
        absolute = _at(run, channel, time)
        barometric = _barometric(run, weather, time.size)
        if barometric is not None:
            airflow, drop = road_restriction(
                barometric, absolute, mass / 1000.0 / weather.density, throttle, wide_open=WIDE_OPEN
            )
    return _Full(run.run, drive.entry.configuration, airflow, drop, mass, _at(run, "rpm", time), weather.density)


def _barometric(run: CleanRun, weather: RunWeather, size: int) -> Array | None:
    if run.has("baro") and len(run.good("baro")):
        return np.full(size, float(run.good("baro").median()))
    return None if weather.pressure is None else np.full(size, weather.pressure)


def _at(run: CleanRun, channel: str, time: Array, *, lowest: bool = False) -> Array:
    """Return a channel at other times, NaN where the samples on either side are too far apart.

    With `lowest` the smaller of the two neighbours is taken: wide open means wide open on either side.
    """
    if not run.has(channel):
        return np.full(time.shape, np.nan)
    series = run.good(channel)
    known, values = series.index.to_numpy(dtype=np.float64), series.to_numpy(dtype=np.float64)
    if known.size < 2:
        return np.full(time.shape, np.nan)
    after = np.clip(np.searchsorted(known, time), 1, known.size - 1)
    before = after - 1
    apart = (known[after] - known[before] > NEIGHBOUR) | (time < known[0]) | (time > known[-1])
    found = np.minimum(values[before], values[after]) if lowest else np.interp(time, known, values)
    return np.where(apart, np.nan, found)


def _efficiency(campaign: Campaign, samples: list[_Full]) -> tuple[FullThrottle, ...]:
    displacement, rows = campaign.vehicle.displacement, []
    for c in campaign.configurations:
        mine = [s for s in samples if s.configuration == c.id]
        if not mine:
            continue
        means, n = [], 0
        for s in mine:
            turning = np.isfinite(s.speed) & (s.speed > 0.0)
            n += int(turning.sum())
            if displacement and turning.any():
                pairs = zip(s.mass[turning].tolist(), s.speed[turning].tolist(), strict=True)
                values = [volumetric_efficiency(mass, displacement, rpm, s.density) for mass, rpm in pairs]
                means.append(float(np.mean(values)))
        found = mean_interval(means, campaign.metrics.confidence) if means else None
        rows.append(
            FullThrottle(
                c.id,
                len(mine),
                n,
                found.mean if found else None,
                found.low if found else None,
                found.high if found else None,
            )
        )
    return tuple(rows)
