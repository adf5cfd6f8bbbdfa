"""What the report says about runs, sampling, data quality, cross checks and places: frames for its tables, curves for its figures."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from intake_report.align import Alignment, PhaseSettings, Place, PlaceGrid, grid_by_place, peak_summary, propose_phases
from intake_report.analyse.ambient import first_known, record_series, sources_during
from intake_report.analyse.inputs import Drive, declared_resolution
from intake_report.campaign import Campaign
from intake_report.channels import CHANNELS, mapped_columns
from intake_report.clean import CleanRun, CrossCheck, cross_checks
from intake_report.metrics import RunSeries
from intake_report.metrics.registry import place as place_of
from intake_report.metrics.road import peak_iat, peak_over_ambient
from intake_report.metrics.series import Floats
from intake_report.results import ConfigurationResult, Parameter, RunCurve, RunResult
from intake_report.results.evidence import Places
from intake_report.statistics import cell_design, linked_to
from intake_report.units import UnitSystem, from_internal
from intake_report.weather import WeatherRecord

ROUTE_GRID = 25.0  # m
BEFORE_ENTRY = 30.0  # s
AFTER_ENTRY = 300.0  # s
DIGITS = 3  # of a curve: a tenth of what a line is wide


def describe_configurations(campaign: Campaign, runs: tuple[RunResult, ...]) -> tuple[ConfigurationResult, ...]:
    """Return the configurations with the number of runs driven and used."""
    of = campaign.configurations
    driven = [run.configuration for run in runs]
    used = [run.configuration for run in runs if run.decision != "excluded"]
    return tuple(ConfigurationResult(c.id, c.name, c.role, driven.count(c.id), used.count(c.id)) for c in of)


def describe_quality(runs: Iterable[CleanRun]) -> pd.DataFrame:
    """Return the quality logs of all runs, one row per step, channel and run."""
    rows = [(run.run, q.step, q.channel, q.touched, q.share, q.reason) for run in runs for q in run.quality]
    return pd.DataFrame(rows, columns=["run", "step", "channel", "touched", "share", "reason"], dtype=object)


def describe_sampling(campaign: Campaign, runs: Iterable[CleanRun]) -> pd.DataFrame:
    """Return the true sampling of each channel over the runs, in catalogue order: intervals [s], steps [internal unit]."""
    every, declared = [run.sampling for run in runs], declared_resolution(campaign)
    rows = []
    for name in CHANNELS:
        samplings = [s[name] for s in every if name in s and s[name].samples >= 2 and np.isfinite(s[name].interval)]
        if samplings:
            intervals, steps = [s.interval for s in samplings], [s.step for s in samplings if s.step is not None]
            per_sample = sum(s.rows for s in samplings) / sum(s.samples for s in samplings)
            step = float(np.median(steps)) if steps else None
            label, low, high = CHANNELS[name].label, min(intervals), max(intervals)
            rows.append((name, label, low, high, per_sample, step, declared.get(name)))
    columns = ["channel", "label", "interval_low", "interval_high", "rows_per_sample", "step", "resolution"]
    return pd.DataFrame(rows, columns=columns, dtype=object)


def cross_check(
    campaign: Campaign, run: CleanRun, records: Mapping[str, WeatherRecord], mapping: Mapping[str, str]
) -> tuple[CrossCheck, ...]:
    """Check one run against displacement and the first source that covers it; `mapping`: of its columns."""
    ages = {source.id: source.max_age for source in campaign.weather}
    during = sources_during(campaign, run, records)
    covering = {id: found for id in during if (found := record_series(run, records[id], ages[id])) is not None}
    weather = next((pd.Series(found.value, index=found.time) for found in covering.values()), None)
    return cross_checks(
        run, weather=weather, station_pressure=first_known({id: during[id] for id in covering}, "station_pressure"),
        displacement=campaign.vehicle.displacement, columns=mapped_columns(mapping), resolution=declared_resolution(campaign),
    )  # fmt: skip


def cross_check_frame(
    campaign: Campaign, drives: tuple[Drive, ...], records: Mapping[str, WeatherRecord]
) -> pd.DataFrame:
    """Return the cross checks of all runs; they flag, and alter nothing."""
    rows = []
    for drive in drives:
        checks = cross_check(campaign, drive.clean, records, campaign.log_of(drive.entry).columns)
        rows += [(drive.entry.id, c.name, c.channels, c.status, c.evidence) for c in checks]
    return pd.DataFrame(rows, columns=["run", "name", "channels", "status", "evidence"], dtype=object)


def route_curve(series: RunSeries) -> RunCurve | None:
    """Return IAT (y) and ambient (y2) as time-weighted means in steps of route distance; None without IAT."""
    if series.time.size < 2:
        return None
    cells, index = np.unique(np.floor(series.distance / ROUTE_GRID), return_inverse=True)
    weight = np.clip(np.gradient(series.time), 0.0, series.max_gap)
    total = np.bincount(index, weight)
    iat = np.bincount(index, weight * series.iat) / total
    ambient = None if series.ambient is None else np.bincount(index, weight * series.ambient) / total
    return _curve(series, (cells + 0.5) * ROUTE_GRID, iat, ambient)


def recovery_curve(series: RunSeries) -> RunCurve | None:
    """Return over-ambient temperature against time since the highway entry; None without an entry or ambient."""
    if series.over is None or series.entry is None or series.entry_end is None:
        return None
    end = min(series.entry_end, series.entry + AFTER_ENTRY)
    inside = (series.time >= series.entry - BEFORE_ENTRY) & (series.time <= end)
    return _curve(series, series.time[inside] - series.entry, series.over[inside])


def stop_curves(series: RunSeries) -> Iterator[RunCurve]:
    """Yield the rise of IAT since each stop began, for stops that are long enough."""
    for stop in series.stops:
        inside = series.window(stop.start, stop.end)
        time, iat = series.time[inside], series.iat[inside]  # noqa: PD009 - no pandas object
        if stop.duration >= series.minimum_stop and time.size > 1:
            yield _curve(series, time - stop.start, iat - iat[0])


def _curve(series: RunSeries, x: Floats, y: Floats, y2: Floats | None = None) -> RunCurve:
    places = tuple(round(float(v), DIGITS) for v in x)
    return RunCurve(series.run, series.configuration, places, _rounded(y), () if y2 is None else _rounded(y2))


def _rounded(values: Floats) -> tuple[float | None, ...]:
    return tuple(round(float(v), DIGITS) if np.isfinite(v) else None for v in values)


@dataclass(frozen=True)
class PlaceFacts:
    """What all runs did by place: their grid, their peaks, where they stopped, and phases proposed where none are stated."""

    grid: PlaceGrid
    quantity: str
    peaks: pd.DataFrame
    stops: tuple[Place, ...]
    proposed: tuple[PhaseSettings, ...]


def gather_places(campaign: Campaign, alignment: Alignment, series: tuple[RunSeries, ...]) -> PlaceFacts | None:
    """Return what all runs did by place; None when no run has intake air temperature on the route."""
    with_values = [run for run in series if run.time.size > 1]
    if not with_values:
        return None
    over = all(run.over is not None for run in with_values)
    # over-ambient, or IAT where there is no ambient
    values = {run.run: pd.Series(run.over if over else run.iat, index=run.time) for run in with_values}
    placed = replace(alignment, runs=tuple(run for run in alignment.runs if run.run in values))
    return PlaceFacts(
        grid=grid_by_place(placed, values, max_gap=max(run.max_gap for run in with_values)),
        quantity="temperature_difference" if over else "temperature",
        peaks=_peaks(with_values, over),
        stops=alignment.places,
        proposed=() if campaign.route.phases else propose_phases(placed),
    )


def describe_places(campaign: Campaign, facts: PlaceFacts | None, used: set[str]) -> Places | None:
    """Return what the report says by place over `used`, the runs that take part; None where none has a value."""
    rows = [] if facts is None else [i for i, run in enumerate(facts.grid.runs) if run in used]
    if facts is None or not rows:
        return None
    grid = facts.grid
    used = {grid.runs[i] for i in rows}
    peaks = facts.peaks[facts.peaks["run"].isin(used)]
    nowhere = dict.fromkeys(("peak_centre", "peak_spread", "peak_share", "peak_within")) | {"one_place": False}
    stops = [
        (place.name, float(place.distance), len({run for run, _ in durations}) / len(used), durations)
        for place in facts.stops
        if (durations := tuple((run, float(seconds)) for run, seconds in place.durations if run in used))
    ]
    dwell = tuple(round(float(v), 2) for v in np.median(grid.dwell[rows], axis=0))
    return Places(
        quantity=facts.quantity,
        step=float(grid.edges[1] - grid.edges[0]),
        centres=tuple(round(float(x), 1) for x in grid.centres),
        curves=_curves(campaign, grid, rows),
        traffic={"dwell": dwell, "passes": tuple(int(v) for v in grid.passes[rows].max(axis=0))},
        peaks=peaks,
        **(peak_summary(peaks["distance"].tolist()) if len(peaks) else nowhere),
        stops=pd.DataFrame(stops, columns=["name", "distance", "share", "durations"], dtype=object),
        proposed=phases_text(facts.proposed, campaign.about.units),
    )


def _peaks(series: list[RunSeries], over: bool) -> pd.DataFrame:
    """Return the highest value of each run and where it was: that of the metric, not the mean of a cell."""
    found = []
    for run in series:
        metric = peak_over_ambient(run, Parameter()) if over else peak_iat(run, Parameter())
        where = None if metric.time is None else place_of(run, metric.time)
        if where is not None:
            found.append((run.run, where, float(metric.value)))
    return pd.DataFrame(found, columns=["run", "distance", "value"], dtype=object)


def phases_text(phases: Sequence[PhaseSettings], units: UnitSystem) -> str:
    """Return phases as entries of the campaign file, their limits in the reader's unit of distance."""

    def limit(metres: float) -> str:
        return f"{from_internal(round(metres), 'mi', 'distance'):.3f} mi" if units == "us" else f"{metres:.0f} m"

    return "\n".join(
        f'[[route.phase]]\nid = "{phase.name}"\nkind = "{phase.kind}"\n'
        f'start = "{limit(phase.from_m)}"\nend = "{limit(phase.to_m)}"\n'
        for phase in phases
    )


def _curves(campaign: Campaign, grid: PlaceGrid, rows: list[int]) -> pd.DataFrame:
    driven = {run.id: run for run in campaign.runs}
    ids = [driven[grid.runs[i]].configuration for i in rows]
    blocks = [driven[grid.runs[i]].block or "" for i in rows]
    every, curves = grid.mean[rows], []
    means = _within_blocks(every, ids, blocks)
    for c in campaign.configurations:
        values = pd.DataFrame(every[[id == c.id for id in ids]])
        low, high = (_rounded(found.to_numpy(dtype=np.float64)) for found in (values.min(), values.max()))
        counts = tuple(values.count().tolist())
        if any(counts):
            curves.append((c.id, _rounded(means[c.id]), low, high, counts))
    return pd.DataFrame(curves, columns=["configuration", "mean", "low", "high", "runs"], dtype=object)


def _within_blocks(values: np.ndarray, ids: list[str], blocks: list[str]) -> dict[str, np.ndarray]:
    """Return the means (cells,) of each configuration over `values` (runs, cells), NaN for none, as if all met every block.

    Additive model of cell means, as the differences are made; the plain mean where blocks do not link configurations.
    """
    means = {id: np.full(values.shape[1], np.nan) for id in dict.fromkeys(ids)}
    known = np.isfinite(values)
    for pattern in np.unique(known, axis=1).T:
        cells = (known == pattern[:, None]).all(axis=0)
        there = np.flatnonzero(pattern).tolist()
        while there:
            own, of_block = [ids[i] for i in there], [blocks[i] for i in there]
            linked = linked_to(own[0], own, of_block)
            rows = [i for i in there if ids[i] in linked]
            there = [i for i in there if ids[i] not in linked]
            units, of_cell, design, candidates = cell_design([ids[i] for i in rows], [blocks[i] for i in rows], own[0])
            coefficients = np.linalg.pinv(design) @ units @ values[np.ix_(rows, cells)]
            base = coefficients[len(candidates) :].mean(axis=0)
            for id in dict.fromkeys(of_cell):
                means[str(id)][cells] = base + (coefficients[candidates.index(id)] if id in candidates else 0.0)
    return means
