"""The curves that the figures draw: thinned to what a reader can see."""

from __future__ import annotations

import numpy as np

from intake_report.metrics import RunSeries
from intake_report.metrics.series import Floats
from intake_report.results import Curve

ROUTE_GRID = 25.0  # m
BEFORE_ENTRY = 30.0  # s
AFTER_ENTRY = 300.0  # s
DIGITS = 3


def _rounded(values: Floats) -> tuple[float | None, ...]:
    return tuple(round(float(v), DIGITS) if np.isfinite(v) else None for v in values)


def _x(values: Floats) -> tuple[float, ...]:
    return tuple(round(float(v), DIGITS) for v in values)


def route_curve(series: RunSeries) -> Curve | None:
    """Return IAT (y) and ambient (y2) as time-weighted means in steps of route distance; None without IAT."""
    if series.time.size < 2:
        return None
    place = np.floor(series.distance / ROUTE_GRID).astype(np.int64)
    cells, index = np.unique(place, return_inverse=True)
    weight = np.clip(np.gradient(series.time), 0.0, series.max_gap)
    total = np.bincount(index, weight)
    iat = np.bincount(index, weight * series.iat) / total
    ambient = None if series.ambient is None else np.bincount(index, weight * series.ambient) / total
    x: Floats = (cells.astype(np.float64) + 0.5) * ROUTE_GRID
    y2 = () if ambient is None else _rounded(ambient)
    return Curve(series.run, series.configuration, _x(x), _rounded(iat), y2)


def recovery_curve(series: RunSeries) -> Curve | None:
    """Return over-ambient temperature against time since the highway entry; None without an entry or ambient."""
    over = series.over
    if over is None or series.entry is None or series.entry_end is None:
        return None
    end = min(series.entry_end, series.entry + AFTER_ENTRY)
    inside = (series.time >= series.entry - BEFORE_ENTRY) & (series.time <= end)
    return Curve(series.run, series.configuration, _x(series.time[inside] - series.entry), _rounded(over[inside]))


def stop_curves(series: RunSeries) -> list[Curve]:
    """Return the rise of IAT since each stop began, for stops that are long enough."""
    curves = []
    for stop in series.stops:
        inside = (series.time >= stop.start) & (series.time <= stop.end)
        if stop.duration < series.minimum_stop or np.count_nonzero(inside) < 2:
            continue
        time, iat = series.time[inside], series.iat[inside]
        curves.append(Curve(series.run, series.configuration, _x(time - stop.start), _rounded(iat - iat[0])))
    return curves
