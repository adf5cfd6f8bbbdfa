"""The route by place, from the runs that take part."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from intake_report.align import (
    Alignment,
    Peak,
    PhaseSettings,
    PlaceGrid,
    grid_by_place,
    phases_as_text,
    propose_phases,
    summarise_peaks,
)
from intake_report.campaign import Campaign
from intake_report.metrics import RunSeries
from intake_report.metrics.registry import Reading
from intake_report.metrics.road import peak_iat, peak_over_ambient
from intake_report.metrics.series import Floats
from intake_report.results import Parameter
from intake_report.results.places import PeakPlace, PlaceCurve, Places, PlaceTraffic, StopPlace
from intake_report.units import from_internal

DIGITS = 3
NAME = "warmth"  # of the derived series: over-ambient, or IAT where there is no ambient


def describe_places(campaign: Campaign, alignment: Alignment, series: tuple[RunSeries, ...]) -> Places | None:
    """Return what the report says by place.

    Parameters
    ----------
    campaign : Campaign
        Configurations and phases.
    alignment : Alignment
        All runs.
    series : tuple of RunSeries
        The runs that take part.

    Returns
    -------
    Places or None
        None when no run has intake air temperature on the route.
    """
    with_values = [run for run in series if run.time.size > 1]
    if not with_values:
        return None
    over = all(run.over is not None for run in with_values)
    used = {run.run for run in with_values}
    taking_part = replace(alignment, runs=tuple(run for run in alignment.runs if run.run in used))
    derived = {NAME: {run.run: _as_series(run, over) for run in with_values}}
    grid = grid_by_place(taking_part, derived=derived, max_gap=max(run.max_gap for run in with_values))
    true = _peaks(with_values, over)
    peaks = summarise_peaks(true) if true else None
    return Places(
        quantity="temperature_difference" if over else "temperature",
        step=float(grid.edges[1] - grid.edges[0]),
        centres=tuple(round(float(x), 1) for x in grid.centres),
        curves=_curves(campaign, grid, with_values),
        traffic=PlaceTraffic(
            tuple(round(float(v), 2) for v in np.median(grid.dwell, axis=0)),
            tuple(int(v) for v in grid.passes.max(axis=0)),
        ),
        peaks=tuple(PeakPlace(p.run, p.distance, p.value) for p in peaks.peaks) if peaks else (),
        peak_centre=peaks.centre if peaks else None,
        peak_spread=peaks.spread if peaks else None,
        peak_share=peaks.share if peaks else None,
        peak_within=peaks.within if peaks else None,
        one_place=peaks.one_place if peaks else False,
        stops=_stops(alignment, used),
        proposed="" if campaign.route.phases else _proposed(campaign, propose_phases(taking_part)),
    )


def _peaks(series: list[RunSeries], over: bool) -> tuple[Peak, ...]:
    """Return the highest value of each run and where it was: that of the metric, not the mean of a cell."""
    found = []
    for run in series:
        metric = peak_over_ambient(run, Parameter()) if over else peak_iat(run, Parameter())
        if isinstance(metric, Reading) and metric.distance is not None:
            found.append(Peak(run.run, metric.distance, float(metric.value)))
    return tuple(found)


def _proposed(campaign: Campaign, phases: Sequence[PhaseSettings]) -> str:
    """Return phases as entries of the campaign file, their limits in the reader's unit of distance."""
    text = phases_as_text(phases)
    if campaign.about.units == "si":
        return text

    def miles(match: re.Match[str]) -> str:
        return f'"{float(from_internal(float(match[1]), "mi", "distance")):.3f} mi"'

    return re.sub(r'"(-?\d+) m"', miles, text)


def _as_series(run: RunSeries, over: bool) -> pd.Series[float]:
    values = run.over if over else run.iat
    return pd.Series(values, index=run.time)


def _curves(campaign: Campaign, grid: PlaceGrid, series: list[RunSeries]) -> tuple[PlaceCurve, ...]:
    configuration = {run.run: run.configuration for run in series}
    curves = []
    for c in campaign.configurations:
        rows = grid.channels[NAME][[configuration.get(run) == c.id for run in grid.runs]]
        if rows.size == 0 or not np.isfinite(rows).any():
            continue
        known = np.isfinite(rows)
        some = known.any(axis=0)
        count = known.sum(axis=0)
        mean, low, high = (np.full(rows.shape[1], np.nan) for _ in range(3))
        mean[some], low[some], high[some] = (f(rows[:, some], axis=0) for f in (np.nanmean, np.nanmin, np.nanmax))
        curves.append(PlaceCurve(c.id, _plain(mean), _plain(low), _plain(high), tuple(int(n) for n in count)))
    return tuple(curves)


def _plain(values: Floats) -> tuple[float | None, ...]:
    return tuple(round(float(v), DIGITS) if np.isfinite(v) else None for v in values)


def _stops(alignment: Alignment, used: set[str]) -> tuple[StopPlace, ...]:
    rows = []
    for place in alignment.places:
        durations = tuple((run, float(seconds)) for run, seconds in place.durations if run in used)
        if durations:
            share = len({run for run, _ in durations}) / len(used)
            rows.append(StopPlace(place.name, float(place.distance), share, durations))
    return tuple(rows)
