"""The route by place: what all runs did there, and what is said of those that take part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from intake_report.align import (
    Alignment,
    Peak,
    PhaseSettings,
    Place,
    PlaceGrid,
    grid_by_place,
    propose_phases,
    summarise_peaks,
)
from intake_report.analyse.describe import rounded
from intake_report.campaign import Campaign
from intake_report.metrics import RunSeries
from intake_report.metrics.registry import Reading
from intake_report.metrics.road import peak_iat, peak_over_ambient
from intake_report.results import Parameter
from intake_report.results.types import PeakPlace, PlaceCurve, Places, PlaceTraffic, StopPlace
from intake_report.units import UnitSystem, from_internal

NAME = "warmth"  # of the derived series: over-ambient, or IAT where there is no ambient


@dataclass(frozen=True)
class PlaceFacts:
    """What all runs did by place: their grid, their peaks, where they stopped, and phases proposed where none are stated."""

    grid: PlaceGrid
    quantity: str
    peaks: tuple[Peak, ...]
    stops: tuple[Place, ...]
    proposed: tuple[PhaseSettings, ...]


def gather_places(campaign: Campaign, alignment: Alignment, series: tuple[RunSeries, ...]) -> PlaceFacts | None:
    """Return what all runs did by place; None when no run has intake air temperature on the route."""
    with_values = [run for run in series if run.time.size > 1]
    if not with_values:
        return None
    over = all(run.over is not None for run in with_values)
    derived = {NAME: {run.run: pd.Series(run.over if over else run.iat, index=run.time) for run in with_values}}
    kept = {run.run for run in with_values}
    placed = replace(alignment, runs=tuple(run for run in alignment.runs if run.run in kept))
    sound = replace(placed, runs=tuple(run for run in placed.runs if not any(finding.hard for finding in run.findings)))
    return PlaceFacts(
        grid=grid_by_place(placed, derived=derived, max_gap=max(run.max_gap for run in with_values)),
        quantity="temperature_difference" if over else "temperature",
        peaks=_peaks(with_values, over),
        stops=alignment.places,
        proposed=() if campaign.route.phases or not sound.runs else tuple(propose_phases(sound)),
    )


def describe_places(campaign: Campaign, facts: PlaceFacts | None, used: set[str]) -> Places | None:
    """Return what the report says by place over `used`, the runs that take part; None where none has a value."""
    rows = [] if facts is None else [i for i, run in enumerate(facts.grid.runs) if run in used]
    if facts is None or not rows:
        return None
    grid = facts.grid
    used = {grid.runs[i] for i in rows}
    peaks = [peak for peak in facts.peaks if peak.run in used]
    summary = summarise_peaks(peaks) if peaks else None
    return Places(
        quantity=facts.quantity,
        step=float(grid.edges[1] - grid.edges[0]),
        centres=tuple(round(float(x), 1) for x in grid.centres),
        curves=_curves(campaign, grid, rows),
        traffic=PlaceTraffic(
            tuple(round(float(v), 2) for v in np.median(grid.dwell[rows], axis=0)),
            tuple(int(v) for v in grid.passes[rows].max(axis=0)),
        ),
        peaks=tuple(PeakPlace(p.run, p.distance, p.value) for p in peaks),
        peak_centre=summary.centre if summary else None,
        peak_spread=summary.spread if summary else None,
        peak_share=summary.share if summary else None,
        peak_within=summary.within if summary else None,
        one_place=summary.one_place if summary else False,
        stops=_stops(facts.stops, used),
        proposed=phases_text(facts.proposed, campaign.about.units),
    )


def _peaks(series: list[RunSeries], over: bool) -> tuple[Peak, ...]:
    """Return the highest value of each run and where it was: that of the metric, not the mean of a cell."""
    found = []
    for run in series:
        metric = peak_over_ambient(run, Parameter()) if over else peak_iat(run, Parameter())
        if isinstance(metric, Reading) and metric.distance is not None:
            found.append(Peak(run.run, metric.distance, float(metric.value)))
    return tuple(found)


def phases_text(phases: Sequence[PhaseSettings], units: UnitSystem) -> str:
    """Return phases as entries of the campaign file, their limits in the reader's unit of distance."""

    def limit(metres: float) -> str:
        return f"{from_internal(round(metres), 'mi', 'distance'):.3f} mi" if units == "us" else f"{metres:.0f} m"

    return "\n".join(
        f'[[route.phase]]\nid = "{phase.name}"\nkind = "{phase.kind}"\n'
        f'start = "{limit(phase.from_m)}"\nend = "{limit(phase.to_m)}"\n'
        for phase in phases
    )


def _curves(campaign: Campaign, grid: PlaceGrid, rows: list[int]) -> tuple[PlaceCurve, ...]:
    configuration = {run.id: run.configuration for run in campaign.runs}
    curves = []
    for c in campaign.configurations:
        values = grid.channels[NAME][[i for i in rows if configuration[grid.runs[i]] == c.id]]
        known = np.isfinite(values)
        some = known.any(axis=0)
        if not some.any():
            continue
        mean, low, high = (np.full(values.shape[1], np.nan) for _ in range(3))
        mean[some], low[some], high[some] = (f(values[:, some], axis=0) for f in (np.nanmean, np.nanmin, np.nanmax))
        counts = tuple(int(n) for n in known.sum(axis=0))
        curves.append(PlaceCurve(c.id, rounded(mean), rounded(low), rounded(high), counts))
    return tuple(curves)


def _stops(places: Sequence[Place], used: set[str]) -> tuple[StopPlace, ...]:
    rows = []
    for place in places:
        durations = tuple((run, float(seconds)) for run, seconds in place.durations if run in used)
        if durations:
            share = len({run for run, _ in durations}) / len(used)
            rows.append(StopPlace(place.name, float(place.distance), share, durations))
    return tuple(rows)
