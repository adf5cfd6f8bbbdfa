"""The route by place: what all runs did there, and what is said of those that take part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from intake_report.align import Alignment, PhaseSettings, Place, PlaceGrid, grid_by_place, peak_summary, propose_phases
from intake_report.analyse.describe import rounded
from intake_report.campaign import Campaign
from intake_report.metrics import RunSeries
from intake_report.metrics.registry import place as place_of
from intake_report.metrics.road import peak_iat, peak_over_ambient
from intake_report.results import Parameter
from intake_report.results.evidence import PeakPlace, PlaceCurve, Places, PlaceTraffic, StopPlace
from intake_report.statistics import cell_design, linked_to
from intake_report.units import UnitSystem, from_internal


@dataclass(frozen=True)
class PlaceFacts:
    """What all runs did by place: their grid, their peaks, where they stopped, and phases proposed where none are stated."""

    grid: PlaceGrid
    quantity: str
    peaks: tuple[PeakPlace, ...]
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
    sound = replace(placed, runs=tuple(run for run in placed.runs if not any(finding.hard for finding in run.findings)))
    return PlaceFacts(
        grid=grid_by_place(placed, values, max_gap=max(run.max_gap for run in with_values)),
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
    nowhere = dict.fromkeys(("peak_centre", "peak_spread", "peak_share", "peak_within")) | {"one_place": False}
    dwell = tuple(round(float(v), 2) for v in np.median(grid.dwell[rows], axis=0))
    return Places(
        quantity=facts.quantity,
        step=float(grid.edges[1] - grid.edges[0]),
        centres=tuple(round(float(x), 1) for x in grid.centres),
        curves=_curves(campaign, grid, rows),
        traffic=PlaceTraffic(dwell, tuple(int(v) for v in grid.passes[rows].max(axis=0))),
        peaks=tuple(peaks),
        **(peak_summary([peak.distance for peak in peaks]) if peaks else nowhere),
        stops=_stops(facts.stops, used),
        proposed=phases_text(facts.proposed, campaign.about.units),
    )


def _peaks(series: list[RunSeries], over: bool) -> tuple[PeakPlace, ...]:
    """Return the highest value of each run and where it was: that of the metric, not the mean of a cell."""
    found = []
    for run in series:
        metric = peak_over_ambient(run, Parameter()) if over else peak_iat(run, Parameter())
        where = None if metric.time is None else place_of(run, metric.time)
        if where is not None:
            found.append(PeakPlace(run.run, where, float(metric.value)))
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
    driven = {run.id: run for run in campaign.runs}
    ids = [driven[grid.runs[i]].configuration for i in rows]
    blocks = [driven[grid.runs[i]].block or "" for i in rows]
    every, curves = grid.mean[rows], []
    means = _within_blocks(every, ids, blocks)
    for c in campaign.configurations:
        values = pd.DataFrame(every[[id == c.id for id in ids]])
        low, high = (rounded(found.to_numpy(dtype=np.float64)) for found in (values.min(), values.max()))
        counts = tuple(values.count().tolist())
        if any(counts):
            curves.append(PlaceCurve(c.id, rounded(means[c.id]), low, high, counts))
    return tuple(curves)


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


def _stops(places: Sequence[Place], used: set[str]) -> tuple[StopPlace, ...]:
    rows = []
    for place in places:
        if durations := tuple((run, float(seconds)) for run, seconds in place.durations if run in used):
            share = len({run for run, _ in durations}) / len(used)
            rows.append(StopPlace(place.name, float(place.distance), share, durations))
    return tuple(rows)
