"""Align all runs of a campaign: reference, route distance, events, phases."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from intake_report.align import model, speed_only
from intake_report.align import path as paths
from intake_report.align.landmarks import IN_PLACE
from intake_report.align.model import AlignedRun, Alignment, AlignSettings, Located, PhaseSpan, Place, RouteStop
from intake_report.align.position import CORRIDOR, diagnose, locate
from intake_report.clean import CleanRun
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
SLACK_OF_PHASE = 50.0  # m of a phase that may be missing at an end of a complete one: two cells of the grid

# What route distance is measured along, a note on how it was found, and runs that were located on the way
_Found = tuple[model.Reference, Message, dict[str, Located]]


def align_runs(runs: Sequence[CleanRun], settings: AlignSettings | None = None) -> Alignment:
    """Align cleaned runs onto one route distance; by default on a path from the runs, without phases.

    Raises DataError: if there is no run, the reference run does not exist, or a run has neither position nor speed.
    """
    settings = settings or AlignSettings()
    if not runs:
        raise DataError("There is no run to align.", remedy="Add at least one [[run]].")
    reference, note, located = _find_reference(runs, settings)
    if (path := reference.path) is not None:
        located |= {run.run: diagnose(run, locate(run, path), path) for run in runs if paths.has_position(run)}
    placed = [(run, located[run.run]) for run in runs if run.run in located and not located[run.run].refused]
    located |= speed_only.locate_by_speed([run for run in runs if run.run not in located], reference, placed)
    aligned = [_described(run, located[run.run], reference, settings) for run in runs]
    usable = [run for run in aligned if run.grade != "refused"]
    places = find_places([(run.run, stop) for run in usable for stop in run.stops], len(usable))
    named = tuple(replace(run, stops=tuple(_named(stop, places) for stop in run.stops)) for run in aligned)
    return Alignment(reference=reference, runs=named, places=places, notes=(note,))


def _find_reference(runs: Sequence[CleanRun], route: AlignSettings) -> _Found:
    chosen = next((run for run in runs if run.run == route.run), None)
    if route.run is not None and chosen is None:
        raise DataError(f'The reference run "{route.run}" is not among the runs.', remedy="Name one of the runs.")
    if route.gpx is not None:
        text = "Route distance is measured along {source}, {length}."
        return _found(text, route.gpx.name, paths.path_from_gpx(route.gpx, route.closed))
    candidates = runs if chosen is None else [chosen]
    middle = paths.medoid(candidates)
    if middle is None:
        return _majority_reference(runs, candidates)
    run, centre = middle
    fixes = paths.fixes_of(run, centre)
    path, used = paths.path_through(fixes.driven, fixes.x, fixes.y, centre, route.closed), 0
    which = "the run nearest to all others" if chosen is None else "the reference run"
    text = f"Route distance is measured along the path of {{source}}, {which}, {{length}}."
    if len(runs) >= LEAST_POOLED:
        path, used = _refined(path, runs)
        text += " The path was drawn through the fixes of {used} runs."
    return _found(text, run.run, path, used=used)


def _refined(path: model.RoutePath, runs: Sequence[CleanRun]) -> tuple[model.RoutePath, int]:
    """Return the path through the fixes of all runs (40 at most) pooled by route distance, and the number of runs used.

    A path from one run cuts the bends between its fixes and follows its lane changes; the runs together do not.
    """
    pool = [run for run in runs[:: max(1, math.ceil(len(runs) / paths.MOST_RUNS))] if paths.has_position(run)]
    fixes_by_run = [paths.fixes_of(run, path.centre) for run in pool]
    wider = max(1.0, CUT * float(np.median([fixes.spacing() for fixes in fixes_by_run])) / CORRIDOR)
    pooled = []
    for run, fixes in zip(pool, fixes_by_run, strict=True):
        located = locate(run, path, wider)
        if located.refused or not located.on_route.any():
            continue
        at = np.interp(fixes.time, model.frame_time(run), located.distance.to_numpy(dtype=np.float64))
        known = np.isfinite(at)
        pooled.append((at[known], fixes.x[known], fixes.y[known]))
    if len(pooled) < LEAST_POOLED:
        return path, len(pooled)
    s, x, y = (np.concatenate(values) for values in zip(*pooled, strict=True))
    return paths.path_through(s, x, y, path.centre, path.closed, path.length if path.closed else None), len(pooled)


def _majority_reference(runs: Sequence[CleanRun], candidates: Sequence[CleanRun]) -> _Found:
    """Return the reference by speed, the candidate of median length.

    That run may have driven the other way, or another road: while less than half of the runs are placed onto it, one of
    the candidates that are not is tried; that onto which most are placed is kept.
    """
    most = -1
    text = "Route distance is the distance that {source} drove by its speed, {length}."
    for _ in range(TRIES):
        lengths = [speed_only.length_by_speed(run) for run in candidates]
        median = int(np.argsort(lengths, kind="stable")[len(lengths) // 2])
        source, length = candidates[median].run, lengths[median]
        if length < MOVED:
            raise DataError(f'Run "{source}" did not move, by its speed.', remedy="Check its speed channel.")
        found = _found(text, source, length=length)
        located = speed_only.locate_by_speed(runs, found[0])
        placed = [run.run for run in runs if not located[run.run].refused]
        if len(placed) > most:
            most, best = len(placed), (*found[:2], located)
        long = [run for run, n in zip(candidates, lengths, strict=True) if n >= speed_only.SHORTEST]
        candidates = [run for run in long if run.run not in placed]
        if 2 * most >= len(runs) or not candidates:
            break
    return best


def _found(text: str, source: str, path: model.RoutePath | None = None, *, length: float = 0, used: int = 0) -> _Found:
    length = path.length if path else length
    reference = model.Reference("position" if path else "speed", source, length, path is not None and path.closed, path)
    return reference, message(text, code="reference", source=source, length=Value(length, "distance", 2), used=used), {}


def _described(run: CleanRun, located: Located, reference: model.Reference, settings: AlignSettings) -> AlignedRun:
    """Return a located run with its events and phases; its stops have yet to be named."""
    speed, notes, distance = model.speed_samples(run), located.notes, located.distance
    spans = find_phases(distance, settings.phases, reference.length if reference.closed else None)
    entry, reason = highway_entry(*speed, spans, settings) if speed else (None, None)
    if reason is not None and settings.phases:
        notes = (*notes, reason)
    stops = model.find_stops(*speed) if speed else ()
    coverage = min(located.metres / reference.length, 1.0)
    by_position = reference.path is not None and paths.has_position(run)
    return AlignedRun(
        **vars(located) | {"notes": notes},
        run=run.run,
        clean=run,
        coverage=coverage,
        grade=_grade(coverage, located, by_likeness=not by_position and run.run != reference.source),
        method="position" if by_position else "speed",
        stops=tuple(RouteStop(a, b, model.distance_at(distance, (a + b) / 2)) for a, b in stops),
        phases=spans,
        highway_entry=entry,
    )


def _grade(coverage: float, located: Located, *, by_likeness: bool) -> model.Grade:
    """Return how well a run follows the route; a place by likeness of speeds is some tens of metres wide, so never good."""
    if located.refused or coverage < LEAST_COVERED:
        return "refused"
    wide = located.away or 0.0
    if coverage >= GOOD[0] and wide <= GOOD[1] and not located.findings and not by_likeness:
        return "good"
    if coverage < FAIR[0] or wide > FAIR[1] or any(finding.text.code in DOUBTS for finding in located.findings):
        return "poor"
    verified = not by_likeness or (located.residual is not None and located.residual <= IN_PLACE)
    return "fair" if verified else "place not verified"


def find_places(stops: Sequence[tuple[str, RouteStop]], runs: int) -> tuple[Place, ...]:
    """Group the stops of all runs, each with its run, into places by route distance; `runs` could have stopped."""
    known = [(run, stop) for run, stop in stops if np.isfinite(stop.distance)]
    label = model.group(np.array([stop.distance for _, stop in known]))
    places = []
    for which in np.unique(label):
        members = [known[i] for i in np.flatnonzero(label == which)]
        total = dict.fromkeys((run for run, _ in members), 0.0)
        for run, stop in members:
            total[run] += stop.duration
        centre = float(np.median([stop.distance for _, stop in members]))
        places.append(Place(f"{centre / 1000:.2f} km", centre, len(total) / max(runs, 1), tuple(sorted(total.items()))))
    return tuple(sorted(places, key=lambda place: place.distance))


def _named(stop: RouteStop, places: Sequence[Place]) -> RouteStop:
    """Return a stop with the name of the nearest place within two radii."""
    away, name = min(((abs(place.distance - stop.distance), place.name) for place in places), default=(np.inf, ""))
    return replace(stop, place=name if away <= 2 * model.PLACE_RADIUS else None)


def find_phases(
    distance: "pd.Series[float]", phases: Sequence[model.PhaseSettings], lap: float | None = None
) -> tuple[PhaseSpan, ...]:
    """Return the passage of a run through each phase that it covers at all.

    `distance` [m] by elapsed second never falls; `lap`: length of a closed route [m].
    """
    known = distance.dropna()
    if known.empty:
        return ()
    time, s = (np.asarray(values, dtype=np.float64) for values in (known.index, known))
    first, last = float(s[0]), float(s[-1])

    def reached(at: float) -> float:
        k = int(np.searchsorted(s, at, side="left"))
        if k == 0 or s[k] == at:
            return float(time[k])
        return float(time[k - 1] + (at - s[k - 1]) / (s[k] - s[k - 1]) * (time[k] - time[k - 1]))

    spans = []
    for phase in phases:
        # on a loop the passage may lie one lap on or back: the one of which most is covered
        passages = [(phase.from_m + shift, phase.to_m + shift) for shift in ((0.0, lap, -lap) if lap else (0.0,))]
        begin, stop = max(passages, key=lambda passage: min(last, passage[1]) - max(first, passage[0]))
        a, b = max(first, begin), min(last, stop)
        if b > a:
            complete = max(a - begin, stop - b) <= SLACK_OF_PHASE
            spans.append(PhaseSpan(reached(a), reached(b), phase.name, phase.kind, complete))
    return tuple(spans)


def highway_entry(
    time: model.Floats, speed: model.Floats, spans: Sequence[PhaseSpan], settings: AlignSettings
) -> tuple[float | None, Message | None]:
    """Return the elapsed time [s] of the highway entry, or None and the reason, from samples of speed (n,) [s], [km/h].

    The first upward crossing of the threshold within the phase (default: the first ramp) after which speed stays at or
    above it for `hold`.
    """
    name = settings.entry_phase
    ramp = next((span for span in spans if (span.phase == name if name else span.kind == "ramp")), None)
    if ramp is None:
        return None, message("The run does not pass the ramp.", code="entry-no-ramp")
    above = speed >= settings.threshold
    for i in np.flatnonzero(~above[:-1] & above[1:]).tolist():
        when = model.crossing(time, speed, i, settings.threshold)
        held = (time > when) & (time <= when + settings.hold)
        if ramp.start <= when <= ramp.end and time[-1] >= when + settings.hold and above[held].all():
            return when, None
    values = {"threshold": Value(settings.threshold, "speed", 0), "hold": Value(settings.hold, "time", 0)}
    text = "Speed does not rise through {threshold} within the ramp to stay above it for {hold}"
    if (inside := above[(time >= ramp.start) & (time <= ramp.end)]).size and inside.all():
        return None, message(text + ": it is above it already where the ramp begins.", code="entry-above", **values)
    return None, message(text + ".", code="entry-not-held", **values)
