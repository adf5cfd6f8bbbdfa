"""Route distance of runs without a position: registered onto the others by the shape of their speed.

The usual speeds of each place are learnt from the placed runs, each run is placed by them, and so on; common stops
settle the last metres.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from intake_report.align import landmarks, model
from intake_report.align.landmarks import IN_PLACE, LEAST_FELLOWS, STEP, Likeness, Line, Placement, Profile
from intake_report.align.model import Finding, Floats, Ints, Located, Reference, distance_at, driven, find_stops
from intake_report.align.position import off_route
from intake_report.clean import CleanRun
from intake_report.errors import DataError
from intake_report.messages import Interval, Message, Value, message

# Choices of this package, set as those of `landmarks`.
SHORTEST = 1000.0  # m of driving that can be placed by its shape: two or three independent stretches of road
END_SLACK = 0.5  # m beyond an end of the reference that are rounding
MOST_DISPLACED = 0.5  # share of the route that lies elsewhere beyond doubt, from which a run is not placed
REPEAT = 10.0  # m within which stops have to repeat (median) to be landmarks; queues of stop-and-go do not
QUEUE = 15.0  # m, standard deviation of a stop about its place: two or three vehicles ahead
FREEDOM = 30.0  # m, standard deviation of what stops may move a run by: the error of the registration before them
LEAST_STOPS = 3  # stops of one run at common places that may move it
LEAST_RUNS = 3  # runs that have to share a place
SETTLE_ROUNDS, HUBER_ROUNDS = 4, 5  # more change nothing by a metre
NEAR_MILE = 0.05  # logarithm of a ratio of lengths from that of mile and kilometre that tells of a mistaken unit
PASSES = 5  # rounds of learning and placing; later ones change nothing on the drives of the tests
ALONE = message("Route distance is integrated speed: there is no other run to register it to.", code="alone")
OWN = Likeness(0.0, np.inf), Likeness(0.0, 0.0, -np.inf)  # of the reference, as it is and backwards
Placed = Sequence[tuple[CleanRun, Located]]
Lines = dict[int, Line]


class Registration(NamedTuple):
    """Where a run without a position lies: route distance = `scale` · driven + `offset` [m]."""

    scale: float
    offset: float
    likeness: Likeness
    backward: Likeness  # of the run driven the other way
    placement: Placement | None  # stretch by stretch, None where it covers none
    fellows: tuple[float, ...]  # scales of the other runs, none where there are too few

    @property
    def apart(self) -> float:
        """How far the scale is from the nearest one of another run, 0 where there are too few."""
        return min((abs(self.scale - scale) for scale in self.fellows), default=0.0)

    def route(self, way: Floats) -> Floats:
        """Return route distance [m] of driven distance [m]."""
        return np.asarray(self.scale * way + self.offset, dtype=np.float64)


def samples(run: CleanRun) -> tuple[Floats, Floats]:
    """Return the speed samples of a run (time [s], speed [km/h]); DataError if it has none."""
    pair = model.speed_samples(run)
    if pair is None:
        raise DataError(f'Run "{run.run}" has neither position nor speed.', remedy="Map its speed channel.")
    return pair


def length_by_speed(run: CleanRun) -> float:
    """Return the length of a run by integrated speed [m]."""
    time, speed = samples(run)
    return float(driven(time, speed, time[-1:])[0])


def locate_by_speed(runs: Sequence[CleanRun], reference: Reference, placed: Placed = ()) -> dict[str, Located]:
    """Return the route distance of runs by the shape of their speed.

    With a reference by speed, its run is among `runs`; `placed`: runs already placed by their position.
    """
    source = reference.source if reference.method == "speed" else None
    lengths = {run.run: length_by_speed(run) for run in runs}
    # what is too short to have a shape cannot be placed, and would only disturb the others
    use = [run for run in runs if lengths[run.run] >= SHORTEST or run.run == source]
    registered = dict(zip((run.run for run in use), _register(use, reference, placed), strict=True)) if use else {}
    alone = len(runs) + len(placed) == 1
    text = "The run drove {length}, too little to tell where on the route ({needed} needed)."
    found = {}
    for run in runs:
        if run.run in registered:
            found[run.run] = _located(run, registered[run.run], reference, alone)
        else:
            values = {"length": Value(lengths[run.run], "length", 0), "needed": Value(SHORTEST, "length", 0)}
            found[run.run] = off_route(run, message(text, code="too-short", **values))
    return found


def _register(runs: Sequence[CleanRun], reference: Reference, placed: Placed) -> tuple[Registration, ...]:
    speeds = [samples(run) for run in runs]
    profiles = [landmarks.speed_profile(*pair) for pair in speeds]
    stops = [driven(*pair, np.array([start for start, _ in find_stops(*pair)])) for pair in speeds]
    if reference.method == "speed":
        return register(profiles, stops, [next(i for i, run in enumerate(runs) if run.run == reference.source)])
    placed = [(run, located) for run, located in placed if located.on_route.any() and model.speed_samples(run)]
    if not placed:
        raise DataError(
            "No run with position and speed lies on the reference path, so that the others cannot be placed.",
            remedy="Check the reference path, or align by speed alone.",
        )
    cells = np.arange(0.0, reference.length, STEP, dtype=np.float64)
    for run, located in placed:
        pair, known = samples(run), located.distance.dropna()
        when = np.interp(cells, known.to_numpy(float), known.index.to_numpy(float), left=np.nan, right=np.nan)
        profiles.append(Profile(np.interp(when, *pair, left=np.nan, right=np.nan), STEP))
        at = np.array([distance_at(located.distance, start) for start, _ in find_stops(*pair)])
        stops.append(at[np.isfinite(at)])
    return register(profiles, stops, range(len(runs), len(profiles)))[: len(runs)]


def _located(run: CleanRun, registration: Registration, reference: Reference, alone: bool) -> Located:
    pair, placement = samples(run), registration.placement
    if not alone and (why := unplaced(registration, length_by_speed(run) / reference.length)):
        return off_route(run, why)
    distance = registration.route(driven(*pair, model.frame_time(run)))
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
        residual=None if placement is None else placement.residual,
        findings=findings,
        notes=(ALONE if alone else _match_note(registration),),
    )


def unplaced(registration: Registration, ratio: float) -> Message | None:
    """Return why a run is not placed, from its likeness as it is and backwards, and its length in routes; None if it is."""
    if registration.likeness.told:
        return None
    if registration.backward.told:
        text = "The run drove the route in reverse: only turned round are its speeds like those of the other runs."
        return message(text, code="reversed")
    text = (
        "The speeds of the run do not tell where it lies on the route: they do not fit one place and direction well and "
        "{needed} times better than any other."
    )
    if abs(abs(math.log(ratio)) - math.log(1.609)) < NEAR_MILE:
        text += " It drove {ratio} times the route, as if mph were read as km/h or the reverse: check its unit in [log.columns]."
    needed = Value(math.exp(landmarks.TOLD_APART), "number", 0)
    return message(text, code="not-registered", needed=needed, ratio=Value(ratio, "number", 2))


def _doubts(registration: Registration) -> tuple[Finding, ...]:
    """Return what speaks against the place of a run that is told apart as a whole."""
    texts = []
    if registration.placement is not None and registration.placement.misplaced:
        start, end, shift = max(registration.placement.misplaced, key=lambda stretch: abs(stretch[2]))
        text = "Placed by its speeds, the run is misplaced from {start} to {end}: it would lie {shift} {way} there."
        values = {"start": Value(start, "distance", 1), "end": Value(end, "distance", 1)}
        way = "further on" if shift > 0.0 else "further back"
        texts.append(message(text, code="misplaced", **values, shift=Value(abs(shift), "length", 0), way=way))
    if registration.apart > landmarks.SCALE_ALONE:
        text = "The run may be misplaced: by its speed the route is {apart} longer or shorter than by any other run's."
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
    text += " By stretches it may be off by {residual} (RMS); {share} of its way lies within {near} of there, 20 to 1."
    share = Value(float(np.mean(placement.inside >= 1.0 - landmarks.DOUBT)), "share")
    values = {"residual": Value(placement.residual, "length", 0), "share": share, "near": Value(IN_PLACE, "length", 0)}
    return message(text, code="speed-match", scale=scale, others=others, **values)


def register(profiles: Sequence[Profile], stops: Sequence[Floats], known: Sequence[int]) -> tuple[Registration, ...]:
    """Register runs onto the route distance of those that are `known`; the work is linear in the number of runs.

    `stops`: driven distance at each run's stops [m]; `known`: runs whose driven distance is the route distance: the one
    reference by speed, or all runs with a position, NaN where they do not cover the route.
    """
    grid = np.arange(len(profiles[known[0]].speed), dtype=np.float64) * STEP
    lines: Lines = dict.fromkeys(known, (1.0, 0.0))
    told: dict[int, tuple[Likeness, Likeness]] = dict.fromkeys(known, OWN)

    def learnt() -> tuple[dict[int, Floats], Floats]:
        tallies = {i: landmarks.place(profiles[i], grid, lines[i]) for i in lines if i in known or told[i][0].told}
        return tallies, np.sum(list(tallies.values()), axis=0)

    for turn in range(PASSES):
        tallies, total = learnt()
        for i, profile in enumerate(profiles):
            if i in known and (len(known) > 1 or turn == 0 or len(tallies) < LEAST_RUNS):
                continue
            table = landmarks.usual_speeds(total - tallies.get(i, 0.0))
            lines[i], forward, backward = landmarks.place_best(profile, table, [lines[j][0] for j in tallies if j != i])
            told[i] = forward, backward
        lines = _anchored(lines, known)
    lines = settle(lines, stops, profiles, known)
    tallies, total = learnt()
    own = {i: landmarks.evidence(profiles[i], landmarks.usual_speeds(total - tallies[i]), lines[i]) for i in tallies}
    placements = dict(zip(own, landmarks.place_all(list(own.values())), strict=True))
    rows = []
    for i in range(len(profiles)):
        fellows = tuple(lines[j][0] for j in tallies if j != i)
        fellows = fellows if len(fellows) >= LEAST_FELLOWS else ()
        rows.append(Registration(*lines[i], *told[i], placements.get(i), fellows))
    return tuple(rows)


def _anchored(lines: Lines, known: Sequence[int]) -> Lines:
    """Return all lines changed alike so that the one reference, if there is one, keeps its own driven distance."""
    if len(known) > 1:
        return lines
    scale, offset = lines[known[0]]
    return {i: (k / scale, (c - offset) / scale) for i, (k, c) in lines.items()}


def settle(lines: Lines, stops: Sequence[Floats], profiles: Sequence[Profile], known: Sequence[int]) -> Lines:
    """Return the lines corrected by the stops that three runs or more share.

    Huber weights keep a run that stopped elsewhere from pulling. Kept only where stops then repeat within `REPEAT`: in
    dense traffic they do not. Several `known` runs do not move; with one, at last all move alike so that it keeps its
    own.
    """
    before = lines
    owner = np.concatenate([np.full(len(stops[i]), i) for i in lines])
    way = np.concatenate([stops[i] for i in lines])
    for _ in range(SETTLE_ROUNDS):
        misses = _misses(lines, stops, owner)
        lines = dict(lines)
        for i in lines:
            own = (owner == i) & np.isfinite(misses)
            if (i in known and len(known) > 1) or own.sum() < LEAST_STOPS:
                continue
            middle = profiles[i].length / 2
            basis = np.column_stack([np.ones(int(own.sum())), way[own] / middle - 1.0])
            miss = misses[own]
            weight = np.ones(len(miss))
            for _ in range(HUBER_ROUNDS):
                w = weight / QUEUE**2
                normal = basis.T @ (w[:, None] * basis) + np.eye(2) / FREEDOM**2
                move, tilt = np.linalg.solve(normal, basis.T @ (w * miss))
                weight = np.minimum(1.0, QUEUE / np.maximum(np.abs(miss - basis @ np.array([move, tilt])), 1e-9))
            lines[i] = (lines[i][0] + float(tilt) / middle, lines[i][1] + float(move - tilt))
        lines = _anchored(lines, known)
    misses = np.abs(_misses(lines, stops, owner))
    known_misses = misses[np.isfinite(misses)]
    return lines if len(known_misses) and np.median(known_misses) <= REPEAT else before


def _misses(lines: Lines, stops: Sequence[Floats], owner: Ints) -> Floats:
    """Return how far each stop is from the median of its place [m]; NaN where fewer than three runs share it."""
    at = np.concatenate([scale * stops[i] + offset for i, (scale, offset) in lines.items()])
    label, miss = model.group(at), np.full(len(at), np.nan)
    for which in np.unique(label):
        members = label == which
        if len(np.unique(owner[members])) >= LEAST_RUNS:
            miss[members] = np.median(at[members]) - at[members]
    return miss
