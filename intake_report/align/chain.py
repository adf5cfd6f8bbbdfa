"""Align all runs of a campaign: reference, route distance, events, phases."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from intake_report.align.diagnose import diagnose
from intake_report.align.events import events, find_places, name_stops
from intake_report.align.fixes import has_position
from intake_report.align.model import AlignedRun, Alignment, Grade, Reference, Run
from intake_report.align.odometer import speed_channel, speed_samples
from intake_report.align.path import medoid, path_from_gpx, path_from_run
from intake_report.align.phases import find_phases, highway_entry
from intake_report.align.position import Located, locate
from intake_report.align.refine import refine
from intake_report.align.settings import AlignSettings
from intake_report.align.speed_only import length_by_speed, locate_by_speed
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
    by_position: dict[int, Located] = {}
    if reference.path is not None:
        for i, run in enumerate(runs):
            if has_position(run, settings.channels):
                located = locate(run, reference.path, settings.route, settings.channels)
                by_position[i] = diagnose(run, located, reference.path, settings)
    rest = [i for i in range(len(runs)) if i not in by_position]
    placed = [(runs[i], located) for i, located in by_position.items() if not any(f.hard for f in located.findings)]
    by_speed = dict(zip(rest, locate_by_speed([runs[i] for i in rest], reference, placed, settings), strict=True))
    aligned = tuple(
        describe(
            run, by_position.get(i) or by_speed[i], reference, settings, "position" if i in by_position else "speed"
        )
        for i, run in enumerate(runs)
    )
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
        note = f"Route distance is measured along {route.gpx.name}, {path.length:.0f} m."
        return Reference("position", route.gpx.name, path.length, path.closed, path), (note,)
    found = medoid([chosen] if chosen is not None else runs, route, channels) if route.use_position else None
    if found is not None:
        run, centre = found
        path = path_from_run(run, centre, route, channels)
        how = "the reference run" if chosen is not None else "the run nearest to all others"
        note = f"Route distance is measured along the path of {run.run}, {how}, {path.length:.0f} m."
        if route.refine and len(runs) >= 3:
            path, used = refine(path, runs, route, channels)
            note += f" The path was drawn through the fixes of {used} runs."
        return Reference("position", run.run, path.length, path.closed, path), (note,)
    candidates = [chosen] if chosen is not None else list(runs)
    lengths = [length_by_speed(run, settings) for run in candidates]
    middle = int(np.argsort(lengths, kind="stable")[len(lengths) // 2])
    if lengths[middle] < 30.0:
        raise DataError(
            f'Run "{candidates[middle].run}" did not move, by its speed.', remedy="Check its speed channel."
        )
    note = f"Route distance is the distance that {candidates[middle].run} drove by its speed, {lengths[middle]:.0f} m."
    return Reference("speed", candidates[middle].run, lengths[middle], False), (note,)


def describe(
    run: Run, located: Located, reference: Reference, settings: AlignSettings, method: Literal["position", "speed"]
) -> AlignedRun:
    """Return a located run with its events and phases; `find_places` has yet to name its stops."""
    speed = speed_samples(run, settings.channels)
    stops, launches, creeps = events(*speed, located.distance, settings.events) if speed else ((), (), ())
    spans = find_phases(located.distance, settings.phases, reference.length if reference.closed else None)
    entry, reason = highway_entry(*speed, spans, settings.entry) if speed else (None, "The run has no speed.")
    notes = located.notes + ((reason,) if reason and settings.phases else ())
    channel = speed_channel(run, settings.channels)
    if channel not in (None, settings.channels.speed):
        notes += (f"Speed is taken from {channel}: the run has no {settings.channels.speed}.",)
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
        grade=_grade(coverage, located, by_likeness=method == "speed" and run.run != reference.source),
        detours=located.detours,
        speed_scale=located.scale,
        speed_offset=located.offset,
        residual=located.residual,
        stops=stops,
        launches=launches,
        creeps=creeps,
        phases=spans,
        highway_entry=entry,
        method=method,
        findings=located.findings,
        notes=notes,
    )


def _grade(coverage: float, located: Located, by_likeness: bool) -> Grade:
    if any(finding.hard for finding in located.findings) or coverage < 0.05:
        return "refused"
    wide = float(located.cross_track.abs().median()) if len(located.cross_track) else 0.0
    # a place by likeness of speeds is some tens of metres wide
    if coverage >= 0.97 and wide <= 5.0 and not located.findings and not by_likeness:
        return "good"
    return "fair" if coverage >= 0.9 and wide <= 15.0 else "poor"
