"""Align all runs of a campaign: reference, route distance, events, phases."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from intake_report.align import events, model, speed_only
from intake_report.align import path as paths
from intake_report.align.match import CORRIDOR
from intake_report.align.model import (
    AlignedRun,
    Alignment,
    AlignSettings,
    Grade,
    Located,
    Reference,
    RoutePath,
    RunData,
)
from intake_report.align.placement import IN_PLACE
from intake_report.align.position import diagnose, locate
from intake_report.errors import DataError
from intake_report.messages import Message, Value, message

# Share of the route covered, and median distance from the path [m]: choices of this package. 5 m is a lane and a fix's
# error, 15 m the largest difference that another carriageway of the same road makes.
GOOD = (0.97, 5.0)
FAIR = (0.9, 15.0)
DOUBTS = ("misplaced", "scale-alone")  # findings with which a place by likeness of speeds is poor
LEAST_COVERED = 0.05  # share of the route below which a run is not on it
MOVED = 30.0  # m: a shorter drive is a parked vehicle whose speed channel is not quite 0
LEAST_POOLED = 3  # runs by which a path is drawn anew
CUT = 0.25  # of the distance of two fixes, by which a path of one run cuts a bend of 90° between them on average
TRIES = 4  # runs that are tried as the reference by speed: two directions of two roads


def align_runs(runs: Sequence[RunData], settings: AlignSettings | None = None) -> Alignment:
    """Align cleaned runs, at least one, onto one route distance; by default on a path from the runs, without phases.

    Raises
    ------
    DataError
        If there is no run, the reference run does not exist, or a run has neither position nor speed.
    """
    settings = settings or AlignSettings()
    if not runs:
        raise DataError("There is no run to align.", remedy="Add at least one [[run]].")
    reference, note, located = _find_reference(runs, settings)
    if (path := reference.path) is not None:
        located |= {run.run: diagnose(run, locate(run, path), path) for run in runs if paths.has_position(run)}
    placed = [(run, located[run.run]) for run in runs if run.run in located and not located[run.run].refused]
    rest = [run for run in runs if run.run not in located]
    located |= dict(zip((run.run for run in rest), speed_only.locate_by_speed(rest, reference, placed), strict=True))
    aligned = [_described(run, located[run.run], reference, settings) for run in runs]
    usable = [run for run in aligned if run.grade != "refused"]
    places = events.find_places([(run.run, stop) for run in usable for stop in run.stops], len(usable))
    named = tuple(replace(run, stops=events.name_stops(run.stops, places)) for run in aligned)
    return Alignment(reference=reference, runs=named, places=places, notes=(note,))


# What route distance is measured along, a note on how it was found, and runs that were located on the way
Found = tuple[Reference, Message, dict[str, Located]]


def _find_reference(runs: Sequence[RunData], route: AlignSettings) -> Found:
    chosen = next((run for run in runs if run.run == route.run), None)
    if route.run is not None and chosen is None:
        raise DataError(f'The reference run "{route.run}" is not among the runs.', remedy="Name one of the runs.")
    if route.gpx is not None:
        text = "Route distance is measured along {source}, {length}."
        return _along(paths.path_from_gpx(route.gpx, route.closed), route.gpx.name, text)
    candidates = runs if chosen is None else [chosen]
    middle = paths.medoid(candidates)
    if middle is None:
        return _majority_reference(runs, candidates)
    run, centre = middle
    path, used = paths.path_from_run(run, centre, route.closed), 0
    which = "the run nearest to all others" if chosen is None else "the reference run"
    text = f"Route distance is measured along the path of {{source}}, {which}, {{length}}."
    if route.refine and len(runs) >= LEAST_POOLED:
        path, used = refine(path, runs)
        text += " The path was drawn through the fixes of {used} runs."
    return _along(path, run.run, text, used)


def refine(path: RoutePath, runs: Sequence[RunData]) -> tuple[RoutePath, int]:
    """Return the path through the fixes of all runs pooled by route distance, and the number of runs used.

    A path from one run cuts the bends between its fixes and follows its lane changes; the runs together do not. With
    fewer than three runs the path is returned unchanged; of more than 40, as many spread over them are used.
    """
    pool = [run for run in runs[:: max(1, math.ceil(len(runs) / paths.MOST_RUNS))] if paths.has_position(run)]
    fixes_by_run = [paths.fixes_of(run, path.centre) for run in pool]
    wider = max(1.0, CUT * float(np.median([fixes.spacing() for fixes in fixes_by_run])) / CORRIDOR)
    pooled = []
    for run, fixes in zip(pool, fixes_by_run, strict=True):
        located = locate(run, path, wider)
        if located.refused or not located.on_route.any():
            continue
        time = located.distance.index.to_numpy(dtype=np.float64)
        at = np.interp(fixes.time, time, located.distance.to_numpy(dtype=np.float64))
        known = np.isfinite(at)
        pooled.append((at[known], fixes.x[known], fixes.y[known]))
    if len(pooled) < LEAST_POOLED:
        return path, len(pooled)
    s, x, y = (np.concatenate(values) for values in zip(*pooled, strict=True))
    x, y = paths.centreline(s, x, y, lap=path.length if path.closed else None)
    keep = paths.spaced(x, y, paths.SPACING)
    return paths.build_path(x[keep], y[keep], path.centre, path.closed), len(pooled)


def _majority_reference(runs: Sequence[RunData], candidates: Sequence[RunData]) -> Found:
    """Return the reference by speed, the candidate of median length.

    That run may have driven the other way, or another road: as long as less than half of the runs are placed onto it,
    one of the candidates that are not is tried, and that onto which most are placed is kept.
    """
    most = -1
    for _ in range(TRIES):
        lengths = [speed_only.length_by_speed(run) for run in candidates]
        median = int(np.argsort(lengths, kind="stable")[len(lengths) // 2])
        source, length = candidates[median].run, lengths[median]
        if length < MOVED:
            raise DataError(f'Run "{source}" did not move, by its speed.', remedy="Check its speed channel.")
        reference = Reference("speed", source, length, False)
        located = dict(zip((run.run for run in runs), speed_only.locate_by_speed(runs, reference), strict=True))
        placed = [run.run for run in runs if not located[run.run].refused]
        if len(placed) > most:
            most, best = len(placed), (reference, located)
        long = [run for run, n in zip(candidates, lengths, strict=True) if n >= speed_only.SHORTEST]
        candidates = [run for run in long if run.run not in placed]
        if 2 * most >= len(runs) or not candidates:
            break
    reference, located = best
    text = "Route distance is the distance that {source} drove by its speed, {length}."
    return reference, _note(text, reference), located


def _along(path: RoutePath, source: str, template: str, used: int = 0) -> Found:
    reference = Reference("position", source, path.length, path.closed, path)
    return reference, _note(template, reference, used), {}


def _note(template: str, reference: Reference, used: int = 0) -> Message:
    length = Value(reference.length, "distance", 2)
    return message(template, code="reference", source=reference.source, length=length, used=used)


def _described(run: RunData, located: Located, reference: Reference, settings: AlignSettings) -> AlignedRun:
    """Return a located run with its events and phases; its stops have yet to be named."""
    speed, notes, distance = events.speed_samples(run), located.notes, located.distance
    spans = events.find_phases(distance, settings.phases, reference.length if reference.closed else None)
    entry, reason = events.highway_entry(*speed, spans, settings) if speed else (None, None)
    if reason is not None and settings.phases:
        notes = (*notes, reason)
    stops = events.find_stops(*speed) if speed else ()
    coverage = min(located.metres / reference.length, 1.0)
    by_position = reference.path is not None and paths.has_position(run)
    return AlignedRun(
        **vars(located) | {"notes": notes},
        run=run.run,
        clean=run,
        coverage=coverage,
        grade=_grade(coverage, located, by_likeness=not by_position and run.run != reference.source),
        method="position" if by_position else "speed",
        stops=tuple(model.RouteStop(a, b, events.distance_at(distance, (a + b) / 2)) for a, b in stops),
        phases=spans,
        highway_entry=entry,
    )


def _grade(coverage: float, located: Located, *, by_likeness: bool) -> Grade:
    """Return how well a run follows the route; a place by likeness of speeds is some tens of metres wide, so never good."""
    if located.refused or coverage < LEAST_COVERED:
        return "refused"
    wide = located.away or 0.0
    doubtful = any(finding.code in DOUBTS for finding in located.findings)
    if coverage >= GOOD[0] and wide <= GOOD[1] and not located.findings and not by_likeness:
        return "good"
    if coverage < FAIR[0] or wide > FAIR[1] or doubtful:
        return "poor"
    verified = not by_likeness or (located.residual is not None and located.residual <= IN_PLACE)
    return "fair" if verified else "place not verified"
