"""The engine's steady operating points of each run, from channels that are polled in turn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from intake_report.analyse.inputs import Drive
from intake_report.campaign import Campaign
from intake_report.clean import CleanRun
from intake_report.metrics import EngineSamples, RunSeries, shared_points
from intake_report.metrics.series import Floats
from intake_report.weather import WeatherRecord, conditions_during

# Common practice: slow enough that channels sampled a second apart belong to one operating point.
STEADY_RPM = 150.0  # rpm/s
STEADY_LOAD = 10.0  # %/s
NEIGHBOUR = 2.5  # s; longest time between the two samples that a value is interpolated between, or two usual intervals


def add_operating_points(
    campaign: Campaign, drives: tuple[Drive, ...], records: dict[str, WeatherRecord], series: tuple[RunSeries, ...]
) -> tuple[RunSeries, ...]:
    """Return the series with their engine samples and with the operating points that all runs share.

    Parameters
    ----------
    campaign : Campaign
        Names the weather sources: barometric pressure where the log has none.
    drives, series
        All runs, in campaign order.
    records : dict
        Weather records by source id.
    """
    engines = [engine_samples(drive.clean, _station_pressure(campaign, drive, records)) for drive in drives]
    points = shared_points([engine for engine in engines if engine is not None])
    return tuple(replace(one, engine=engine, points=points) for one, engine in zip(series, engines, strict=True))


def engine_samples(run: CleanRun, station_pressure: float | None = None) -> EngineSamples | None:
    """Return the steady samples of one run on the times of its load channel; None without engine speed and load.

    Parameters
    ----------
    run : CleanRun
        Cleaned run.
    station_pressure : float, optional
        Barometric pressure where the log has none [kPa].
    """
    load, rpm = run.good("load"), run.good("rpm")
    if len(load) < 3 or len(rpm) < 3:
        return None
    time = load.index.to_numpy(dtype=np.float64)
    loads = load.to_numpy(dtype=np.float64)
    speeds = _beside(time, rpm)
    steady = (np.abs(np.gradient(loads, time)) <= STEADY_LOAD) & (np.abs(np.gradient(speeds, time)) <= STEADY_RPM)
    channels = {name: _beside(time, run.good(name)) for name in ("maf", "timing") if run.has(name)}
    channels["iat"] = _beside(time, run.good("iat"))
    baro = _beside(time, run.good("baro"), 60.0) if run.has("baro") else None
    if baro is None and station_pressure is not None:
        baro = np.full(time.shape, station_pressure)
    if baro is not None and run.has("map"):
        channels["pressure_ratio"] = 100.0 * _beside(time, run.good("map")) / baro
    usable = steady & np.isfinite(speeds)
    return EngineSamples(speeds[usable], loads[usable], {name: values[usable] for name, values in channels.items()})


def _beside(time: Floats, channel: pd.Series[float], longest: float = NEIGHBOUR) -> Floats:
    """Return a channel at `time`, interpolated between near samples; NaN where there are none."""
    at, values = channel.index.to_numpy(dtype=np.float64), channel.to_numpy(dtype=np.float64)
    if at.size < 2:
        return np.full(time.shape, np.nan)
    right = np.clip(np.searchsorted(at, time), 1, at.size - 1)
    near = at[right] - at[right - 1] <= max(longest, 2.0 * float(np.median(np.diff(at))))
    inside = (time >= at[0]) & (time <= at[-1])
    return np.where(near & inside, np.interp(time, at, values), np.nan)


def _station_pressure(campaign: Campaign, drive: Drive, records: dict[str, WeatherRecord]) -> float | None:
    """Return the mean station pressure during the run from the first source that has it [kPa]."""
    start, index = drive.clean.start, drive.clean.frame.index
    if start is None or not len(index):
        return None
    end = start + pd.Timedelta(seconds=float(index[-1]))
    for source in campaign.weather:
        record = records.get(source.id)
        if record is not None:
            pressure = conditions_during(record, start, end, source.max_age).station_pressure
            if pressure is not None:
                return float(pressure)
    return None
