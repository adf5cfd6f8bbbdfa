"""Route distance of runs without a position, from integrated speed and landmarks."""

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from intake_report.align.events import distance_at, driven, find_stops, frame_time, speed_samples
from intake_report.align.landmarks import SCALE_ALONE, STEP, TOLD_APART, Likeness, Profile, speed_profile
from intake_report.align.model import Finding, Floats, Located, Reference, RunData
from intake_report.align.placement import DOUBT, IN_PLACE
from intake_report.align.position import off_route
from intake_report.align.registration import Registration, register
from intake_report.errors import DataError
from intake_report.messages import Interval, Message, Value, message

SHORTEST = 1000.0  # m of driving that can be placed by its shape: two or three independent stretches of road
END_SLACK = 0.5  # m beyond an end of the reference that are rounding
MOST_DISPLACED = 0.5  # share of the route that lies elsewhere beyond doubt, from which a run is not placed
ALONE = message("Route distance is integrated speed: there is no other run to register it to.", code="alone")


def samples(run: RunData) -> tuple[Floats, Floats]:
    """Return the speed samples of a run (time [s], speed [km/h]); DataError if it has none."""
    pair = speed_samples(run)
    if pair is None:
        raise DataError(f'Run "{run.run}" has neither position nor speed.', remedy="Map its speed channel.")
    return pair


def length_by_speed(run: RunData) -> float:
    """Return the length of a run by integrated speed [m]."""
    time, speed = samples(run)
    return float(driven(time, speed, time[-1:])[0])


def locate_by_speed(
    runs: Sequence[RunData], reference: Reference, placed: Sequence[tuple[RunData, Located]] = ()
) -> tuple[Located, ...]:
    """Return the route distance of runs by the shape of their speed.

    With a reference by speed, its run is among `runs`; `placed`: runs already placed by their position.
    """
    source = reference.source if reference.method == "speed" else None
    lengths = {run.run: length_by_speed(run) for run in runs}
    # what is too short to have a shape cannot be placed, and would only disturb the others
    use = [run for run in runs if lengths[run.run] >= SHORTEST or run.run == source]
    registered = dict(zip((run.run for run in use), _register(use, reference, placed), strict=True)) if use else {}
    alone = len(runs) + len(placed) == 1
    found = []
    for run in runs:
        own = registered.get(run.run)
        found.append(_too_short(run, lengths[run.run]) if own is None else _located(run, own, reference, alone))
    return tuple(found)


def _too_short(run: RunData, length: float) -> Located:
    text = "The run drove {length}, too little to tell where on the route ({needed} needed)."
    values = {"length": Value(length, "length", 0), "needed": Value(SHORTEST, "length", 0)}
    return off_route(run, message(text, code="too-short", **values))


def _register(
    runs: Sequence[RunData], reference: Reference, placed: Sequence[tuple[RunData, Located]]
) -> tuple[Registration, ...]:
    speeds = [samples(run) for run in runs]
    profiles = [speed_profile(*pair) for pair in speeds]
    stops = [driven(*pair, _stop_times(*pair)) for pair in speeds]
    if reference.method == "speed":
        return register(profiles, stops, [next(i for i, run in enumerate(runs) if run.run == reference.source)])
    placed = [(run, located) for run, located in placed if located.on_route.any() and speed_samples(run)]
    if not placed:
        raise DataError(
            "No run with position and speed lies on the reference path, so that the others cannot be placed.",
            remedy="Check the reference path, or align by speed alone.",
        )
    cells = np.arange(0.0, reference.length, STEP, dtype=np.float64)
    profiles += [Profile(_speed_by_place(run, located, cells), STEP) for run, located in placed]
    for run, located in placed:
        at = [distance_at(located.distance, when) for when in _stop_times(*samples(run)).tolist()]
        stops.append(np.array([s for s in at if np.isfinite(s)], dtype=np.float64))
    return register(profiles, stops, range(len(runs), len(profiles)))[: len(runs)]


def _stop_times(time: Floats, speed: Floats) -> Floats:
    return np.array([start for start, _ in find_stops(time, speed)], dtype=np.float64)


def _speed_by_place(run: RunData, located: Located, cells: Floats) -> Floats:
    known = located.distance.dropna()
    when = np.interp(cells, known.to_numpy(float), known.index.to_numpy(float), left=np.nan, right=np.nan)
    return np.asarray(np.interp(when, *samples(run), left=np.nan, right=np.nan), dtype=np.float64)


def unplaced(likeness: Likeness, backward: Likeness) -> Message | None:
    """Return why a run is not placed, from its likeness as it is and driven backwards; None if it is."""
    if likeness.told:
        return None
    if backward.told:
        text = (
            "The run drove the route in reverse: its speeds are like those of the other runs when it is turned round, not as "
            "it is."
        )
        return message(text, code="reversed")
    text = (
        "The speeds of the run do not tell where it lies on the route: they do not fit one place and direction well and "
        "{needed} times better than any other."
    )
    return message(text, code="not-registered", needed=Value(math.exp(TOLD_APART), "number", 0))


def _doubts(registration: Registration) -> tuple[Finding, ...]:
    """Return what speaks against the place of a run that is told apart as a whole."""
    texts = []
    if registration.placement is not None and registration.placement.misplaced:
        start, end, shift = max(registration.placement.misplaced, key=lambda stretch: abs(stretch[2]))
        text = "Placed by its speeds, the run is misplaced from {start} to {end}: it would lie {shift} {way} there."
        values = {"start": Value(start, "distance", 1), "end": Value(end, "distance", 1)}
        way = "further on" if shift > 0.0 else "further back"
        texts.append(message(text, code="misplaced", **values, shift=Value(abs(shift), "length", 0), way=way))
    if registration.apart > SCALE_ALONE:
        text = (
            "Placed by its speeds, the run may be misplaced: its speed makes the route {apart} longer or shorter than that of "
            "any other run does."
        )
        texts.append(message(text, code="scale-alone", apart=Value(100.0 * registration.apart, "ratio", 1)))
    return tuple(Finding(text, hard=False) for text in texts)


def _match_note(registration: Registration) -> Message:
    """Return the scale of a run against those of its fellows, and how much of it lies where that puts it."""
    scale, fellows, placement = Value(registration.scale, "number", 4), registration.fellows, registration.placement
    others: Message | str = ""
    if fellows:
        others = message(" (other runs: {range})", range=Interval(min(fellows), max(fellows), "number", 4))
    text = "Placed by its speeds, route distance is {scale} times its own{others}."
    if placement is None:
        return message(text, code="speed-match", scale=scale, others=others)
    text += (
        " By stretches it may be off by {residual} (RMS), and {share} of its way lies within {near} of there, 20 to 1."
    )
    share = Value(float(np.mean(placement.inside >= 1.0 - DOUBT)), "share")
    values = {"residual": Value(placement.residual, "length", 0), "share": share, "near": Value(IN_PLACE, "length", 0)}
    return message(text, code="speed-match", scale=scale, others=others, **values)


def _located(run: RunData, registration: Registration, reference: Reference, alone: bool) -> Located:
    pair, placement = samples(run), registration.placement
    if not alone and (why := unplaced(registration.likeness, registration.backward)) is not None:
        return off_route(run, why)
    distance = registration.route(driven(*pair, frame_time(run)))
    distance[(distance < -END_SLACK) | (distance > reference.length + END_SLACK)] = np.nan
    first = max(registration.offset, 0.0)
    last = min(float(registration.route(driven(*pair, pair[0][-1:]))[0]), reference.length)
    findings = _doubts(registration)
    away = sum(b - a for a, b, _ in placement.misplaced) if placement is not None else 0.0
    if away > MOST_DISPLACED * (last - first):
        return off_route(run, findings[0].text)
    return Located(
        distance=pd.Series(np.clip(distance, 0.0, reference.length), index=run.frame.index, name="route_distance"),
        covered=((first, last),) if last > first else (),
        speed_scale=registration.scale,
        residual=None if placement is None else placement.residual,
        findings=findings,
        notes=(ALONE if alone else _match_note(registration),),
    )
