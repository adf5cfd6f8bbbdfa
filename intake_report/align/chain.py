"""Align all runs of a campaign: reference, route distance, events, phases."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from intake_report.align.events import events, find_places, name_stops
from intake_report.align.fixes import has_position
from intake_report.align.model import AlignedRun, Alignment, Finding, Grade, Reference, Run
from intake_report.align.odometer import driven, frame_time, speed_samples
from intake_report.align.path import medoid, path_from_gpx, path_from_run
from intake_report.align.phases import find_phases, highway_entry
from intake_report.align.position import Located, locate
from intake_report.align.settings import AlignSettings
from intake_report.errors import DataError


def align_runs(runs: Sequence[Run], settings: AlignSettings | None = None) -> Alignment:
    """Align runs onto one route distance.

    Parameters
    ----------
    runs : sequence of Run
        Cleaned runs, at least one.
    settings : AlignSettings, optional
        Default: path from the runs, no phases.

    Returns
    -------
    Alignment
        The reference and the runs in the order given.

    Raises
    ------
    DataError
        If there is no run, the reference run does not exist, or a run has neither position nor speed.
    """
    settings = settings or AlignSettings()
    if not runs:
        raise DataError("There is no run to align.", remedy="Add at least one [[run]].")
    reference, notes = find_reference(runs, settings)
    aligned = tuple(align_run(run, reference, settings) for run in runs)
    radius = settings.events.place_radius
    usable = [run for run in aligned if run.grade != "refused"]
    places = find_places([(run.run, stop) for run in usable for stop in run.stops], [r.run for r in usable], radius)
    aligned = tuple(replace(run, stops=name_stops(run.stops, places, radius)) for run in aligned)
    return Alignment(reference=reference, runs=aligned, places=places, notes=notes)


def find_reference(runs: Sequence[Run], settings: AlignSettings) -> tuple[Reference, tuple[str, ...]]:
    """Return what route distance is measured along, with notes on how it was found."""
    route, channels = settings.route, settings.channels
    chosen = next((run for run in runs if run.run == route.run), None)
    if route.run is not None and chosen is None:
        raise DataError(f'The reference run "{route.run}" is not among the runs.', remedy="Name one of the runs.")
    if route.use_position and route.gpx is not None:
        path = path_from_gpx(route.gpx, route)
        return Reference("position", route.gpx.name, path.length, path.closed, path), ()
    found = medoid([chosen] if chosen is not None else runs, route, channels) if route.use_position else None
    if found is not None:
        run, centre = found
        path = path_from_run(run, centre, route, channels)
        return Reference("position", run.run, path.length, path.closed, path), ()
    candidates = [chosen] if chosen is not None else list(runs)
    lengths = []
    for run in candidates:
        speed = speed_samples(run, channels)
        if speed is None:
            raise DataError(f'Run "{run.run}" has neither position nor speed.', remedy="Map its speed channel.")
        lengths.append(float(driven(*speed, np.array([speed[0][-1]]))[0]))
    middle = int(np.argsort(lengths)[len(lengths) // 2])
    return Reference("speed", candidates[middle].run, lengths[middle], False), ()


def align_run(run: Run, reference: Reference, settings: AlignSettings) -> AlignedRun:
    """Align one run onto a reference; `find_places` has yet to name its stops."""
    if reference.path is not None and has_position(run, settings.channels):
        located = locate(run, reference.path, settings.route, settings.channels)
        method = "position"
    else:
        located = locate_by_speed(run, reference, settings)
        method = "speed"
    speed = speed_samples(run, settings.channels)
    stops, launches, creeps = events(*speed, located.distance, settings.events) if speed else ((), (), ())
    spans = find_phases(located.distance, settings.phases, reference.length if reference.closed else None)
    entry, reason = highway_entry(*speed, spans, settings.entry) if speed else (None, "The run has no speed.")
    notes = located.notes + ((reason,) if reason and settings.phases else ())
    coverage = min(sum(b - a for a, b in located.covered) / reference.length, 1.0)
    own = located.covered[-1][1] - located.covered[0][0] if located.covered else 0.0
    return AlignedRun(
        run=run.run,
        clean=run,
        distance=located.distance,
        on_route=located.on_route,
        cross_track=located.cross_track if method == "position" else None,
        coverage=coverage,
        covered=located.covered,
        own_coverage=min(coverage * reference.length / own, 1.0) if own > 0 else 0.0,
        grade=_grade(coverage, located),
        detours=located.detours,
        speed_scale=located.scale,
        speed_offset=0.0,
        residual=located.residual,
        stops=stops,
        launches=launches,
        creeps=creeps,
        phases=spans,
        highway_entry=entry,
        method="position" if method == "position" else "speed",
        findings=located.findings,
        notes=notes,
    )


def locate_by_speed(run: Run, reference: Reference, settings: AlignSettings) -> Located:
    """Return route distance from integrated speed alone."""
    speed = speed_samples(run, settings.channels)
    if speed is None:
        raise DataError(f'Run "{run.run}" has neither position nor speed.', remedy="Map its speed channel.")
    way = driven(*speed, frame_time(run))
    way = way - way[0]
    return Located(
        distance=pd.Series(way, index=run.frame.index, name="route_distance"),
        on_route=np.ones(len(way), dtype=bool),
        cross_track=pd.Series(dtype=np.float64),
        covered=((0.0, min(float(way[-1]), reference.length)),),
        detours=(),
        scale=1.0,
        residual=0.0,
        findings=(),
        notes=("Route distance is integrated speed, not registered to the other runs.",),
    )


def _grade(coverage: float, located: Located) -> Grade:
    if coverage < 0.5 or any(finding.hard for finding in located.findings):
        return "refused"
    wide = float(located.cross_track.abs().median()) if len(located.cross_track) else 0.0
    if coverage >= 0.97 and wide <= 5.0 and not located.findings:
        return "good"
    return "fair" if coverage >= 0.9 and wide <= 15.0 else "poor"


__all__ = ["Finding", "align_run", "align_runs", "find_reference", "locate_by_speed"]
