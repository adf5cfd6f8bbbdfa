"""Stops, launches and creeping of one run; places where runs stop."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from intake_report.align.grouping import group
from intake_report.align.model import Creep, Floats, Launch, Place, Stop
from intake_report.align.odometer import KMH, driven
from intake_report.align.settings import EventSettings


def find_stops(time: Floats, speed: Floats, settings: EventSettings) -> list[tuple[float, float]]:
    """Return the stops of a run as (start, end) in elapsed s.

    Parameters
    ----------
    time, speed : ndarray, shape (n,)
        True samples of speed [s], [km/h]; rows that repeat the last value are not samples.
    settings : EventSettings
        Hysteresis `stop_below`, `stop_above` [km/h] and `least_stop` [s].

    Notes
    -----
    A stop lasts from the first to the last sample at or below `stop_below` between two crossings of `stop_above`, so a
    creep below `stop_above` does not split it. Its ends are known to one sampling interval.
    """
    still = speed <= settings.stop_below
    moving = speed > settings.stop_above
    out: list[tuple[float, float]] = []
    first: int | None = None
    last = 0
    for i in np.flatnonzero(still | moving).tolist():
        if still[i]:
            first = i if first is None else first
            last = i
        elif first is not None:
            out.append((float(time[first]), float(time[last])))
            first = None
    if first is not None:
        out.append((float(time[first]), float(time[last])))
    return [(a, b) for a, b in out if b - a >= settings.least_stop]


def crossing(time: Floats, speed: Floats, i: int, threshold: float) -> float:
    """Return the time [s] at which speed crosses a threshold between samples i and i + 1 (linear)."""
    v0, v1 = float(speed[i]), float(speed[i + 1])
    share = (threshold - v0) / (v1 - v0) if v1 != v0 else 0.0
    return float(time[i] + share * (time[i + 1] - time[i]))


def find_launches(
    time: Floats, speed: Floats, stops: Sequence[tuple[float, float]], settings: EventSettings
) -> list[tuple[float, float, float]]:
    """Return (start, end, mean acceleration [m/s²]) of the starts that reach launch speed before the next stop."""
    out: list[tuple[float, float, float]] = []
    for k, (_, leave) in enumerate(stops):
        until = stops[k + 1][0] if k + 1 < len(stops) else np.inf
        inside = np.flatnonzero((time >= leave) & (time <= until))
        fast = inside[speed[inside] >= settings.launch_speed]
        if len(fast) == 0 or fast[0] == 0:
            continue
        reached = crossing(time, speed, int(fast[0]) - 1, settings.launch_speed)
        if reached > leave:
            gain = settings.launch_speed - float(np.interp(leave, time, speed))
            out.append((leave, reached, gain / KMH / (reached - leave)))
    return out


def find_creeps(
    time: Floats, speed: Floats, stops: Sequence[tuple[float, float]], settings: EventSettings
) -> list[tuple[float, float]]:
    """Return (start, end) of crawling between stops: below `creep_below` for `least_creep` or longer."""
    slow = speed < settings.creep_below
    for a, b in stops:
        slow &= ~((time >= a) & (time <= b))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], slow, [False]]).astype(int)))
    return [
        (float(time[i]), float(time[j - 1]))
        for i, j in zip(edges[::2], edges[1::2], strict=True)
        if time[j - 1] - time[i] >= settings.least_creep
    ]


def events(
    time: Floats, speed: Floats, distance: pd.Series[float], settings: EventSettings
) -> tuple[tuple[Stop, ...], tuple[Launch, ...], tuple[Creep, ...]]:
    """Return stops, launches and creeps of a run with their route distance (NaN off the route)."""
    spans = find_stops(time, speed, settings)
    stops = tuple(Stop(start=a, end=b, distance=distance_at(distance, (a + b) / 2)) for a, b in spans)
    launches = tuple(
        Launch(start=a, end=b, distance=distance_at(distance, a), acceleration=gain)
        for a, b, gain in find_launches(time, speed, spans, settings)
    )
    creeps = []
    for a, b in find_creeps(time, speed, spans, settings):
        way = driven(time, speed, np.array([a, b]))
        creeps.append(Creep(start=a, end=b, distance=distance_at(distance, a), driven=float(way[1] - way[0])))
    return stops, launches, tuple(creeps)


def distance_at(distance: pd.Series[float], when: float) -> float:
    """Return route distance [m] at an elapsed time, NaN if either neighbouring row is off the route."""
    time = distance.index.to_numpy(dtype=np.float64)
    return float(np.interp(when, time, distance.to_numpy(dtype=np.float64)))


def find_places(stops: Sequence[tuple[str, Stop]], runs: Sequence[str], radius: float) -> tuple[Place, ...]:
    """Group the stops of all runs into places.

    Parameters
    ----------
    stops : sequence of (run, Stop)
        Stops with a known route distance.
    runs : sequence of str
        All runs that could have stopped, for the share.
    radius : float
        Largest distance of a stop from the centre of its place [m].

    Returns
    -------
    tuple of Place
        By route distance; no place is wider than two radii.
    """
    known = [(run, stop) for run, stop in stops if np.isfinite(stop.distance)]
    if not known:
        return ()
    at = np.array([stop.distance for _, stop in known])
    label = group(at, 2 * radius)
    places = []
    for which in np.unique(label):
        members = [known[i] for i in np.flatnonzero(label == which)]
        total: dict[str, float] = {}
        for run, stop in members:
            total[run] = total.get(run, 0.0) + stop.duration
        centre = float(np.median([stop.distance for _, stop in members]))
        places.append(
            Place(
                name=f"{centre / 1000:.2f} km",
                distance=centre,
                share=len(total) / max(len(runs), 1),
                durations=tuple(sorted(total.items())),
            )
        )
    return tuple(sorted(places, key=lambda place: place.distance))


def name_stops(stops: Sequence[Stop], places: Sequence[Place], radius: float) -> tuple[Stop, ...]:
    """Return the stops with the name of the nearest place within two radii."""
    out = []
    for stop in stops:
        near = min(places, key=lambda place: abs(place.distance - stop.distance), default=None)
        fits = near is not None and abs(near.distance - stop.distance) <= 2 * radius
        out.append(replace(stop, place=near.name if near is not None and fits else None))
    return tuple(out)
