"""Aligned runs to the series that metrics see, and the metrics of every run."""

import numpy as np
import pandas as pd

from intake_report import metrics as definitions
from intake_report.analyse.ambient import AmbientReference, first_known, sources_during
from intake_report.analyse.inputs import Drive
from intake_report.analyse.zeroing import NOT_ZEROED, Zeroing, channel_step
from intake_report.campaign import Campaign
from intake_report.channels import CHANNELS
from intake_report.clean import CleanRun
from intake_report.metrics import EngineSamples, RunSeries, Span
from intake_report.metrics.series import Floats
from intake_report.results import Metrics, MetricValues, StopResult
from intake_report.weather import WeatherRecord

# Common practice: slow enough that channels sampled a second apart belong to one operating point.
STEADY_RPM = 150.0  # rpm/s
STEADY_LOAD = 10.0  # %/s
NEIGHBOUR = 2.5  # s; longest time between the two samples that a value is interpolated between, or two usual intervals
ASSUMED_LAG = 5.0  # s; where no time constant is declared (this package's assumption for a sensor in an air stream)


def build_series(
    campaign: Campaign, drive: Drive, ambient: AmbientReference, zeroing: Zeroing = NOT_ZEROED
) -> RunSeries:
    """Return one run as the metrics see it: IAT on its true samples while on the route, corrected, ambient, events.

    Its arrays are empty when the run has no valid IAT sample.
    """
    run, aligned = drive.entry, drive.aligned
    time, reading = drive.clean.samples("iat")
    distance = np.interp(time, aligned.distance.index.to_numpy(dtype=np.float64), aligned.distance.to_numpy())
    on_route = np.isfinite(distance)
    time, reading, distance = time[on_route], reading[on_route], distance[on_route]
    interval = drive.clean.sampling["iat"].interval if "iat" in drive.clean.sampling else None
    step = channel_step(campaign, drive.clean, "iat")
    shift = zeroing.correction(campaign, "iat", step)
    series, entry = ambient.series.get(run.id), aligned.highway_entry
    entry_end = None
    if entry is not None:  # then no recovery can be observed: the highway's end, the next stop, or the end of the log
        ends = [p.end for p in aligned.phases if p.kind == "highway"] + [s.start for s in aligned.stops]
        entry_end = min([float(drive.clean.frame.index[-1]), *(end for end in ends if end > entry)])
    at = (float(s.distance) if np.isfinite(s.distance) else None for s in aligned.stops)
    stops = tuple(Span(s.start, s.end, s.place or "", place) for s, place in zip(aligned.stops, at, strict=True))
    corners = () if entry is None else (entry,)
    # the time constant of the sensor [s]: only the rebuild at corners looks at it
    declared = campaign.instrument.channels.get("iat")
    lag = ASSUMED_LAG if declared is None or declared.time_constant is None else declared.time_constant
    nodes = definitions.find_nodes(time, reading, step, stops, corners, lag) if step and time.size >= 3 else None
    found = RunSeries(
        run.id, run.configuration, run.block, time, definitions.rebuilt(nodes, time, reading, step or 0.0) + shift,
        None if series is None else series.at(time), distance, stops,
        tuple(Span(p.start, p.end, p.phase) for p in aligned.phases if p.complete),
        entry, entry_end,
        max_gap=max(CHANNELS["iat"].max_gap, 3.0 * (interval or 0.0)), interval=1.0 if interval is None else interval,
        minimum_stop=campaign.metrics.minimum_stop, hold=campaign.metrics.recovery_hold,
        reading=reading, step=step, lag=lag,
    )  # fmt: skip
    found.timed("nodes", lambda: nodes)
    return found


def metric_keys(campaign: Campaign) -> Metrics:
    """Return every metric with every parameter that the campaign asks for."""
    phases = tuple((p.id, p.name or p.id) for p in campaign.route.phases)
    return definitions.keys(campaign.metrics.recovery_margins, phases, campaign.metrics.alarm_limit)


def measure(metrics: Metrics, series: tuple[RunSeries, ...]) -> MetricValues:
    """Compute every metric of every run, metric by metric in run order."""
    return tuple(definitions.evaluate(key, run) for key in metrics for run in series)


def measure_stops(series: tuple[RunSeries, ...]) -> tuple[StopResult, ...]:
    """Return every stop of every run, with its heat-soak rate where there are samples enough for one."""
    rows = []
    for run in series:
        soaking = definitions.soaking_stops(run)
        rates = dict(zip(soaking, definitions.stop_rates(run).tolist(), strict=True))
        rises = dict(zip(soaking, definitions.stop_rises(run).tolist(), strict=True))
        falls = {stop: (float(time), bool(reached)) for stop, time, reached in definitions.half_falls(run)}
        for stop in run.stops:
            fall, reached = falls.get(stop, (None, True))
            row = StopResult(
                run=run.run, start=stop.start, duration=stop.duration, distance=stop.distance, rise=rises.get(stop),
                rate=rates.get(stop), place=stop.label or None, half_fall=fall if reached else None, cut_short=not reached,
            )  # fmt: skip
            rows.append(row)
    return tuple(rows)


def add_operating_points(
    campaign: Campaign, drives: tuple[Drive, ...], records: dict[str, WeatherRecord], series: tuple[RunSeries, ...]
) -> tuple[RunSeries, ...]:
    """Return the series of all runs with their steady engine samples and the operating points that all runs share.

    Barometric pressure [kPa] comes from the first weather source that has it where the log has none.
    """
    known = ((drive.clean, sources_during(campaign, drive.clean, records)) for drive in drives)
    engines = [_engine_samples(run, first_known(of, "station_pressure")) for run, of in known]
    points = definitions.shared_points([engine for engine in engines if engine is not None])
    return tuple(one.but(engine=engine, points=points) for one, engine in zip(series, engines, strict=True))


def _engine_samples(run: CleanRun, station_pressure: float | None) -> EngineSamples | None:
    """Return the steady samples of one run on the times of its load channel; None without engine speed and load."""
    load, rpm = run.good("load"), run.good("rpm")
    if len(load) < 3 or len(rpm) < 3:
        return None
    time, loads = run.samples("load")
    speeds = beside(time, rpm)
    steady = (np.abs(np.gradient(loads, time)) <= STEADY_LOAD) & (np.abs(np.gradient(speeds, time)) <= STEADY_RPM)
    channels = {name: beside(time, run.good(name)) for name in ("maf", "timing") if run.has(name)}
    channels["iat"] = beside(time, run.good("iat"))
    baro = beside(time, run.good("baro"), 60.0) if run.has("baro") else None
    if baro is None and station_pressure is not None:
        baro = np.full(time.shape, station_pressure)
    if baro is not None and run.has("map"):
        channels["pressure_ratio"] = 100.0 * beside(time, run.good("map")) / baro
    usable = steady & np.isfinite(speeds)
    return EngineSamples(speeds[usable], loads[usable], {name: values[usable] for name, values in channels.items()})


def beside(time: Floats, channel: "pd.Series[float]", longest: float = NEIGHBOUR, *, lowest: bool = False) -> Floats:
    """Return a channel at `time`, interpolated between near samples; NaN where there are none.

    With `lowest` the smaller of the two neighbours is taken: wide open means wide open on either side.
    """
    at, values = channel.index.to_numpy(dtype=np.float64), channel.to_numpy(dtype=np.float64)
    if at.size < 2:
        return np.full(time.shape, np.nan)
    right = np.clip(np.searchsorted(at, time), 1, at.size - 1)
    near = at[right] - at[right - 1] <= max(longest, 2.0 * float(np.median(np.diff(at))))
    inside = (time >= at[0]) & (time <= at[-1])
    found = np.minimum(values[right - 1], values[right]) if lowest else np.interp(time, at, values)
    return np.where(near & inside, found, np.nan)
