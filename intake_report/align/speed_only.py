"""Route distance of runs without a position, from integrated speed and landmarks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from intake_report.align.events import distance_at, find_stops
from intake_report.align.landmarks import TOLD_APART, Registration, register, register_onto
from intake_report.align.model import Finding, Floats, Reference, Run
from intake_report.align.odometer import driven, frame_time, speed_samples
from intake_report.align.position import Located
from intake_report.align.profile import speed_profile
from intake_report.align.settings import AlignSettings
from intake_report.errors import DataError

STEP = 10.0  # m
SHORTEST = 1000.0  # m of driving that can be placed by its shape
GAP = 10.0  # s without speed that are told


def samples(run: Run, settings: AlignSettings) -> tuple[Floats, Floats]:
    """Return the speed samples of a run (time [s], speed [km/h]); DataError if it has none."""
    found = speed_samples(run, settings.channels)
    if found is None:
        raise DataError(f'Run "{run.run}" has neither position nor speed.', remedy="Map its speed channel.")
    return found


def length_by_speed(run: Run, settings: AlignSettings) -> float:
    """Return the length of a run by integrated speed [m]."""
    time, speed = samples(run, settings)
    return float(driven(time, speed, time[-1:])[0])


def locate_by_speed(
    runs: Sequence[Run], reference: Reference, placed: Sequence[tuple[Run, Located]], settings: AlignSettings
) -> tuple[Located, ...]:
    """Return the route distance of runs by the shape of their speed.

    Parameters
    ----------
    runs : sequence of Run
        Runs to place; with a reference by speed, the reference run is among them.
    reference : Reference
        What route distance is measured along.
    placed : sequence of (Run, Located)
        Runs already placed by their position.
    """
    lengths = [length_by_speed(run, settings) for run in runs]
    is_reference = [reference.method == "speed" and run.run == reference.source for run in runs]
    # what is too short to have a shape cannot be placed, and would only disturb the others
    use = [k for k in range(len(runs)) if is_reference[k] or lengths[k] >= SHORTEST]
    found = _register([runs[k] for k in use], reference, placed, settings) if use else ()
    by_run = dict(zip(use, found, strict=True))
    alone = len(runs) + len(placed) == 1
    return tuple(
        _located(run, samples(run, settings), by_run[k], reference, alone)
        if k in by_run
        else _too_short(run, lengths[k])
        for k, run in enumerate(runs)
    )


def _too_short(run: Run, length: float) -> Located:
    text = f"The run drove {length:.0f} m, too little to tell where on the route ({SHORTEST:.0f} m needed)."
    return Located(
        distance=pd.Series(np.nan, index=run.frame.index, name="route_distance"),
        on_route=np.zeros(len(run.frame), dtype=bool),
        cross_track=pd.Series(dtype=np.float64),
        covered=(),
        detours=(),
        scale=None,
        offset=0.0,
        residual=None,
        findings=(Finding("too-short", text, hard=True),),
        notes=(),
    )


def _register(
    runs: Sequence[Run], reference: Reference, placed: Sequence[tuple[Run, Located]], settings: AlignSettings
) -> tuple[Registration, ...]:
    speeds = [samples(run, settings) for run in runs]
    profiles = [speed_profile(*pair, step=STEP) for pair in speeds]
    stops = [driven(*pair, _stop_times(*pair, settings)) for pair in speeds]
    if reference.method == "speed":
        index = next(i for i, run in enumerate(runs) if run.run == reference.source)
        return register(profiles, stops, index, settings.events.place_radius)
    cells = np.arange(0.0, reference.length, STEP, dtype=np.float64)
    placed = [
        (run, located) for run, located in placed if located.on_route.any() and speed_samples(run, settings.channels)
    ]
    if not placed:
        raise DataError(
            "No run with position and speed lies on the reference path, so that the others cannot be placed.",
            remedy="Check the reference path, or align by speed alone.",
        )
    known = [_speed_by_place(run, located, cells, settings) for run, located in placed]
    at = [_stop_places(run, located, settings) for run, located in placed]
    return register_onto(profiles, stops, known, at, STEP, settings.events.place_radius)


def _stop_times(time: Floats, speed: Floats, settings: AlignSettings) -> Floats:
    return np.array([start for start, _ in find_stops(time, speed, settings.events)], dtype=np.float64)


def _stop_places(run: Run, located: Located, settings: AlignSettings) -> Floats:
    at = [distance_at(located.distance, float(when)) for when in _stop_times(*samples(run, settings), settings)]
    return np.array([s for s in at if np.isfinite(s)], dtype=np.float64)


def _speed_by_place(run: Run, located: Located, cells: Floats, settings: AlignSettings) -> Floats:
    time, speed = samples(run, settings)
    known = located.distance.dropna()
    when = np.interp(
        cells, known.to_numpy(dtype=np.float64), known.index.to_numpy(dtype=np.float64), left=np.nan, right=np.nan
    )
    return np.asarray(np.interp(when, time, speed, left=np.nan, right=np.nan), dtype=np.float64)


def _located(
    run: Run,
    pair: tuple[Floats, Floats],
    found: Registration,
    reference: Reference,
    alone: bool,
) -> Located:
    distance = found.route(driven(*pair, frame_time(run)))
    distance = np.where((distance < -0.5) | (distance > reference.length + 0.5), np.nan, distance)
    distance = np.clip(distance, 0.0, reference.length)
    first = max(found.offset, 0.0)
    end = found.scale * float(driven(*pair, pair[0][-1:])[0]) + found.offset
    last = min(end, reference.length)
    findings: list[Finding] = []
    notes = []
    if not alone and (found.margin < TOLD_APART or found.gain < 0.0):
        text = (
            "The speeds of the run do not tell where it lies on the route: the second best place is "
            f"{max(found.margin, 0.0):.1f} log units less likely ({TOLD_APART:g} needed), likeness {found.gain:.2f} "
            "(0 by chance)."
        )
        findings.append(Finding("not-registered", text, hard=True))
        distance = np.full(len(distance), np.nan)
        first = last = 0.0
    elif end > reference.length + 500.0 or found.offset < -500.0:
        outside = max(-found.offset, 0.0) + max(end - reference.length, 0.0)
        notes.append(f"{outside:.0f} m of the run lie outside the reference.")
    gaps = np.diff(pair[0])
    if (gaps > GAP).any():
        notes.append(f"{gaps[gaps > GAP].sum():.0f} s have no speed; the distance driven meanwhile is interpolated.")
    if alone:
        notes.append("Route distance is integrated speed: there is no other run to register it to.")
    return Located(
        distance=pd.Series(distance, index=run.frame.index, name="route_distance"),
        on_route=np.isfinite(distance),
        cross_track=pd.Series(dtype=np.float64),
        covered=((first, last),) if last > first else (),
        detours=(),
        scale=found.scale,
        offset=found.offset,
        residual=found.residual,
        findings=tuple(findings),
        notes=tuple(notes),
    )
