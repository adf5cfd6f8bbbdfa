"""Route distance of runs without a position, from integrated speed and landmarks."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from intake_report.align.events import distance_at, driven, find_stops, frame_time, speed_samples
from intake_report.align.landmarks import SCALE_ALONE, STEP, TOLD_APART, Likeness, speed_profile
from intake_report.align.model import Finding, Floats, Located, Reference, RunData
from intake_report.align.placement import DOUBT, IN_PLACE
from intake_report.align.position import off_route
from intake_report.align.registration import Registration, register, register_onto
from intake_report.errors import DataError
from intake_report.messages import Interval, Message, Part, Value, message

SHORTEST = 1000.0  # m of driving that can be placed by its shape: two or three independent stretches of road
GAP = 10.0  # s without speed that are worth a note: 100 m and more whose distance is a guess
END_SLACK = 0.5  # m beyond an end of the reference that are rounding
MOST_DISPLACED = 0.5  # share of the route that lies elsewhere beyond doubt, from which a run is not placed
OUTSIDE = 500.0  # m beyond an end of the reference that are worth a note: parking does not count
WHOLE_ODDS = 10.0  # odds from which they are printed without decimals


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
    lengths = [length_by_speed(run) for run in runs]
    # what is too short to have a shape cannot be placed, and would only disturb the others
    use = [
        k
        for k, run in enumerate(runs)
        if lengths[k] >= SHORTEST or (reference.method == "speed" and run.run == reference.source)
    ]
    by_index = dict(zip(use, _register([runs[k] for k in use], reference, placed), strict=True)) if use else {}
    alone = len(runs) + len(placed) == 1
    return tuple(
        _located(run, by_index[k], reference, alone) if k in by_index else _too_short(run, lengths[k])
        for k, run in enumerate(runs)
    )


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
        return register(profiles, stops, next(i for i, run in enumerate(runs) if run.run == reference.source))
    cells = np.arange(0.0, reference.length, STEP, dtype=np.float64)
    placed = [(run, located) for run, located in placed if located.on_route.any() and speed_samples(run)]
    if not placed:
        raise DataError(
            "No run with position and speed lies on the reference path, so that the others cannot be placed.",
            remedy="Check the reference path, or align by speed alone.",
        )
    known = [_speed_by_place(run, located, cells) for run, located in placed]
    return register_onto(profiles, stops, known, [_stop_places(run, located) for run, located in placed])


def _stop_times(time: Floats, speed: Floats) -> Floats:
    return np.array([start for start, _ in find_stops(time, speed)], dtype=np.float64)


def _stop_places(run: RunData, located: Located) -> Floats:
    at = [distance_at(located.distance, float(when)) for when in _stop_times(*samples(run))]
    return np.array([s for s in at if np.isfinite(s)], dtype=np.float64)


def _speed_by_place(run: RunData, located: Located, cells: Floats) -> Floats:
    known = located.distance.dropna()
    when = np.interp(cells, known.to_numpy(float), known.index.to_numpy(float), left=np.nan, right=np.nan)
    return np.asarray(np.interp(when, *samples(run), left=np.nan, right=np.nan), dtype=np.float64)


def unplaced(likeness: Likeness, backward: Likeness) -> Message | None:
    """Return why a run is not placed, from its likeness as it is and driven backwards; None if it is."""
    if likeness.told:
        return None
    turned, plain = Value(backward.gain, "number", 2), Value(likeness.gain, "number", 2)
    if backward.told:
        text = (
            "The run drove the route in reverse: its speeds are like those of the other runs when it is turned round "
            "(likeness {turned}, 0 by chance), not as it is ({plain})."
        )
        return message(text, code="reversed", turned=turned, plain=plain)
    needed = Value(math.exp(TOLD_APART), "number", 0)
    if likeness.gain < 0.0:
        text = (
            "The speeds of the run do not tell where it lies on the route: they are less like those of the other runs than "
            "chance would make them."
        )
        return message(text, code="not-registered")
    if likeness.margin < TOLD_APART:
        text = (
            "The speeds of the run do not tell where it lies on the route: the second best place is only {odds} times less "
            "likely, where {needed} times would be needed to tell them apart."
        )
        return message(text, code="not-registered", odds=_odds(likeness.margin), needed=needed)
    text = (
        "The speeds of the run do not tell in which direction it drove the route: turned round it is only {odds} times less "
        "likely, where {needed} times would be needed."
    )
    return message(text, code="direction-unknown", odds=_odds(likeness.ahead), needed=needed)


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
    fellows: Message | str = ""
    if registration.fellows:
        least, most = min(registration.fellows), max(registration.fellows)
        fellows = message(" (other runs: {range})", range=Interval(least, most, "number", 4))
    text = "Placed by its speeds, route distance is {scale} times its own{fellows}"
    values: dict[str, Part] = {"scale": Value(registration.scale, "number", 4), "fellows": fellows}
    if (placement := registration.placement) is not None:
        text += (
            "; by what they say stretch by stretch it may be off by {residual} (RMS), and {share} of its way lies within {near} of "
            "there, 20 to 1."
        )
        values |= {"residual": Value(placement.residual, "length", 0), "near": Value(IN_PLACE, "length", 0)}
        values["share"] = Value(float(np.mean(placement.inside >= 1.0 - DOUBT)), "share")
    return message(text, code="speed-match", **values)


def _odds(apart: float) -> Value:
    odds = math.exp(max(apart, 0.0))
    return Value(odds, "number", 0 if odds >= WHOLE_ODDS else 1)


def _located(run: RunData, registration: Registration, reference: Reference, alone: bool) -> Located:
    pair = samples(run)
    notes: list[Message] = []
    gaps = np.diff(pair[0])
    if (gaps > GAP).any():
        text = "{gaps} have no speed; the distance driven meanwhile is interpolated."
        notes.append(message(text, code="speed-gaps", gaps=Value(float(gaps[gaps > GAP].sum()), "time", 0)))
    if alone:
        text = "Route distance is integrated speed: there is no other run to register it to."
        notes.append(message(text, code="alone"))
    elif (why := unplaced(registration.likeness, registration.backward)) is not None:
        return off_route(run, why, notes)
    distance = registration.route(driven(*pair, frame_time(run)))
    distance[(distance < -END_SLACK) | (distance > reference.length + END_SLACK)] = np.nan
    first = max(registration.offset, 0.0)
    end = float(registration.route(driven(*pair, pair[0][-1:]))[0])
    last = min(end, reference.length)
    if end > reference.length + OUTSIDE or registration.offset < -OUTSIDE:
        outside = max(-registration.offset, 0.0) + max(end - reference.length, 0.0)
        text = "{outside} of the run lie outside the reference."
        notes.insert(0, message(text, code="outside-reference", outside=Value(outside, "distance", 2)))
    findings = _doubts(registration)
    placement = registration.placement
    away = sum(b - a for a, b, _ in placement.misplaced) if placement is not None else 0.0
    if away > MOST_DISPLACED * (last - first):
        return off_route(run, findings[0].text, notes)
    if not alone:
        notes.append(_match_note(registration))
    return Located(
        distance=pd.Series(np.clip(distance, 0.0, reference.length), index=run.frame.index, name="route_distance"),
        covered=((first, last),) if last > first else (),
        speed_scale=registration.scale,
        residual=None if placement is None else placement.residual,
        findings=findings,
        notes=tuple(notes),
    )
