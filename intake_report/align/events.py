"""What a run did: distance driven, stops and their places, phases, and the highway entry."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from intake_report.align.model import AlignSettings, Floats, Ints, PhaseSettings, PhaseSpan, Place, RouteStop, RunData
from intake_report.messages import Message, Value, message

KMH = 3.6  # km/h per m/s, exact
BEYOND = 5.0  # s for which the first and the last speed are taken to hold outside the samples: the longest usual pause
SLACK_OF_PHASE = 50.0  # m of a phase that may be missing at an end of a complete one: two cells of the grid
STOP_BELOW, STOP_ABOVE = 1.0, 4.0  # km/h at which a stop begins, and above which it ends: a creep does not split it
LEAST_STOP = 2.0  # s; a shorter stop is not counted
PLACE_RADIUS = 60.0  # m about a common centre within which stops of different runs are at one place
SPEEDS = ("speed", "gps_speed")  # channels of speed, the second where a run lacks the first


def driven(time: Floats, speed: Floats, at: Floats) -> Floats:
    """Return the distance driven since the first sample at times `at` (m,) [s]; (m,) [m].

    `time`, `speed` (n,): true samples [s], [km/h], time strictly increasing. Exact for speed that is linear between the
    samples; outside them speed holds for `BEYOND`.
    """
    v = np.maximum(speed, 0.0) / KMH
    steps = np.diff(time)
    total = np.concatenate([[0.0], np.cumsum(steps * (v[1:] + v[:-1]) / 2)])
    inside = np.clip(at, time[0], time[-1])
    i = np.clip(np.searchsorted(time, inside, side="right") - 1, 0, max(len(time) - 2, 0))
    tau = inside - time[i]
    slope = (np.diff(v) / steps)[i] if len(time) > 1 else np.zeros(len(at))
    distance = total[i] + v[i] * tau + slope * tau**2 / 2
    before, after = np.maximum(time[0] - at, 0.0), np.maximum(at - time[-1], 0.0)
    outside = np.minimum(after, BEYOND) * v[-1] - np.minimum(before, BEYOND) * v[0]
    return np.asarray(distance + outside, dtype=np.float64)


def speed_samples(run: RunData) -> tuple[Floats, Floats] | None:
    """Return the true speed samples of a run as (time [s], speed [km/h]), or None if there are fewer than two.

    They are of the first of `SPEEDS` with two valid samples.
    """
    good = next((good for name in SPEEDS if run.has(name) and len(good := run.good(name)) >= 2), None)
    return None if good is None else (good.index.to_numpy(dtype=np.float64), good.to_numpy(dtype=np.float64))


def frame_time(run: RunData) -> Floats:
    """Return the elapsed seconds of a run's rows, shape (n,)."""
    return run.frame.index.to_numpy(dtype=np.float64)


def spans_of(mask: np.ndarray) -> list[tuple[int, int]]:
    """Return the first and one past the last index of every run of True in a mask."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int))).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))


def find_stops(time: Floats, speed: Floats) -> list[tuple[float, float]]:
    """Return the stops of a run as (start, end) in elapsed s, from its true samples of speed (n,) [s], [km/h].

    A stop lasts from the first to the last sample at or below `STOP_BELOW` between two crossings of `STOP_ABOVE`. Its ends
    are known to one sampling interval.
    """
    stops = []
    for i, j in spans_of(speed <= STOP_ABOVE):
        still = np.flatnonzero(speed[i:j] <= STOP_BELOW) + i
        if len(still) and time[still[-1]] - time[still[0]] >= LEAST_STOP:
            stops.append((float(time[still[0]]), float(time[still[-1]])))
    return stops


def crossing(time: Floats, speed: Floats, i: int, threshold: float) -> float:
    """Return the time [s] at which speed crosses a threshold between samples i and i + 1 (linear)."""
    v0, v1 = float(speed[i]), float(speed[i + 1])
    share = (threshold - v0) / (v1 - v0) if v1 != v0 else 0.0
    return float(time[i] + share * (time[i + 1] - time[i]))


def distance_at(distance: "pd.Series[float]", when: float) -> float:
    """Return route distance [m] at an elapsed time, NaN if either neighbouring row is off the route."""
    return float(np.interp(when, distance.index.to_numpy(dtype=np.float64), distance.to_numpy(dtype=np.float64)))


def group(at: Floats, width: float) -> Ints:
    """Return the group of each of the positions `at` (n,) [m], numbered along the line, none wider than `width` [m].

    The window that holds most points is a group, then the fullest of the rest, and so on: a queue along a street does
    not chain two junctions together, and a junction is not cut where its stops are densest. Of windows equally full the
    narrowest counts. Time grows with points times groups.
    """
    label = np.full(len(at), -1, dtype=np.intp)
    rest = np.argsort(at, kind="stable")
    begins: list[float] = []
    while len(rest):
        s = at[rest]
        last = np.searchsorted(s, s + width, side="right")
        count = last - np.arange(len(s))
        full = np.flatnonzero(count == count.max())
        i = int(full[np.argmin(s[last[full] - 1] - s[full])])
        label[rest[i : last[i]]] = len(begins)
        begins.append(float(s[i]))
        rest = np.concatenate([rest[:i], rest[last[i] :]])
    rank = np.argsort(np.argsort(begins, kind="stable"), kind="stable")
    return rank[label] if len(at) else label


def find_places(stops: Sequence[tuple[str, RouteStop]], runs: int) -> tuple[Place, ...]:
    """Group the stops of all runs into places no wider than two `PLACE_RADIUS`, by route distance.

    `stops`: run and stop; `runs`: how many could have stopped, for the share.
    """
    known = [(run, stop) for run, stop in stops if np.isfinite(stop.distance)]
    label = group(np.array([stop.distance for _, stop in known]), 2 * PLACE_RADIUS)
    places = []
    for which in np.unique(label):
        members = [known[i] for i in np.flatnonzero(label == which)]
        total = dict.fromkeys((run for run, _ in members), 0.0)
        for run, stop in members:
            total[run] += stop.duration
        centre = float(np.median([stop.distance for _, stop in members]))
        places.append(Place(f"{centre / 1000:.2f} km", centre, len(total) / max(runs, 1), tuple(sorted(total.items()))))
    return tuple(sorted(places, key=lambda place: place.distance))


def name_stops(stops: Sequence[RouteStop], places: Sequence[Place]) -> tuple[RouteStop, ...]:
    """Return the stops with the name of the nearest place within two radii."""
    named = []
    for stop in stops:
        away, name = min(((abs(place.distance - stop.distance), place.name) for place in places), default=(np.inf, ""))
        named.append(replace(stop, place=name if away <= 2 * PLACE_RADIUS else None))
    return tuple(named)


def _passing_time(time: Floats, s: Floats, at: float) -> float:
    """Return the elapsed time [s] at which a run first reaches a route distance that lies on its way, between samples."""
    k = int(np.searchsorted(s, at, side="left"))
    if k == 0 or s[k] == at:
        return float(time[k])
    return float(time[k - 1] + (at - s[k - 1]) / (s[k] - s[k - 1]) * (time[k] - time[k - 1]))


def find_phases(
    distance: "pd.Series[float]", phases: Sequence[PhaseSettings], lap: float | None = None
) -> tuple[PhaseSpan, ...]:
    """Return the passage of a run through each phase that it covers at all.

    `distance` [m] by elapsed second never falls; `lap`: length of a closed route [m]: a run that began elsewhere passes the
    phase one lap further on.
    """
    known = distance.dropna()
    if known.empty:
        return ()
    time, s = (np.asarray(values, dtype=np.float64) for values in (known.index, known))
    first, last = float(s[0]), float(s[-1])
    spans = []
    for phase in phases:
        # on a loop the passage may lie one lap on or back: the one of which most is covered
        shifts = (0.0,) if lap is None else (0.0, lap, -lap)
        passages = [(phase.from_m + shift, phase.to_m + shift) for shift in shifts]
        begin, stop = max(passages, key=lambda passage: min(last, passage[1]) - max(first, passage[0]))
        a, b = max(first, begin), min(last, stop)
        if b > a:
            missing = max(a - begin, stop - b)
            start, end = (_passing_time(time, s, at) for at in (a, b))
            spans.append(PhaseSpan(phase.name, start, end, kind=phase.kind, complete=missing <= SLACK_OF_PHASE))
    return tuple(spans)


def highway_entry(
    time: Floats, speed: Floats, spans: Sequence[PhaseSpan], settings: AlignSettings
) -> tuple[float | None, Message | None]:
    """Return the elapsed time [s] of the highway entry, or None and the reason.

    The first upward crossing of the threshold within the phase (default: the first ramp) after which speed stays at or above
    it for `hold`, between two of the true samples of speed (n,) [s], [km/h].
    """
    name = settings.entry_phase
    ramp = next((span for span in spans if (span.phase == name if name else span.kind == "ramp")), None)
    if ramp is None:
        return None, message("The run does not pass the ramp.", code="entry-no-ramp")
    above = speed >= settings.threshold
    for i in np.flatnonzero(~above[:-1] & above[1:]).tolist():
        when = crossing(time, speed, i, settings.threshold)
        if not ramp.start <= when <= ramp.end:
            continue
        held = (time > when) & (time <= when + settings.hold)
        if time[-1] >= when + settings.hold and bool(above[held].all()):
            return when, None
    text = "Speed does not rise through {threshold} within the ramp to stay above it for {hold}."
    values = {"threshold": Value(settings.threshold, "speed", 0), "hold": Value(settings.hold, "time", 0)}
    return None, message(text, code="entry-not-held", **values)
