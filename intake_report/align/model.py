"""What the alignment takes and returns, and what it reads of a run: its speed, the distance driven, its stops."""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from intake_report.clean import CleanRun
from intake_report.messages import Message

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]
Grade = Literal["good", "fair", "place not verified", "poor", "refused"]
Method = Literal["position", "speed"]
PhaseKind = Literal["city", "ramp", "highway"]

KMH = 3.6  # km/h per m/s, exact
BEYOND = 5.0  # s for which the first and the last speed are taken to hold outside the samples: the longest usual pause
STOP_BELOW, STOP_ABOVE = 1.0, 4.0  # km/h at which a stop begins, and above which it ends: a creep does not split it
LEAST_STOP = 2.0  # s; a shorter stop is not counted
PLACE_RADIUS = 60.0  # m about a common centre within which stops of different runs are at one place
SPEEDS = ("speed", "gps_speed")  # channels of speed, the second where a run lacks the first


@dataclass(frozen=True)
class PhaseSettings:
    """One named stretch of the route, from `from_m` to `to_m` of route distance [m]."""

    name: str
    kind: PhaseKind
    from_m: float
    to_m: float


@dataclass(frozen=True)
class AlignSettings:
    """How the reference path is found, the phases, and the highway entry."""

    gpx: Path | None = None  # file with the path; default: built from the runs
    run: str | None = None  # the run that serves as the reference; default: the medoid run
    closed: bool | None = None  # whether the route is a loop; default: decided from the gap between start and end
    phases: tuple[PhaseSettings, ...] = ()
    entry_phase: str | None = None  # default: the first ramp
    threshold: float = 80.0  # km/h that speed crosses upward there ...
    hold: float = 5.0  # ... to stay above it for so many s: choices of this package, no standard


@dataclass(frozen=True)
class RoutePath:
    """A path in local metres; a closed one repeats its first vertex at the end."""

    x: Floats  # east (n,) [m]
    y: Floats  # north
    s: Floats  # distance along the path
    centre: tuple[float, float]  # latitude and longitude of the centre of the local projection [°]
    closed: bool

    @property
    def length(self) -> float:
        """Length of the path [m]."""
        return float(self.s[-1])


@dataclass(frozen=True)
class Reference:
    """What route distance is measured along; `source` names the run or file."""

    method: Method
    source: str
    length: float
    closed: bool
    path: RoutePath | None = None  # None where distance comes from speed alone


@dataclass(frozen=True)
class Finding:
    """Something found while aligning a run; `hard` means that the run cannot be compared."""

    text: Message
    hard: bool


@dataclass(frozen=True)
class _Span:
    start: float  # elapsed s, as `end`
    end: float

    @property
    def duration(self) -> float:
        """Duration [s]."""
        return self.end - self.start


@dataclass(frozen=True)
class RouteStop(_Span):
    """A standstill at a route distance [m]; `place` is shared by the runs that stopped there."""

    distance: float
    place: str | None = None


@dataclass(frozen=True)
class PhaseSpan(_Span):
    """The passage of a run through a phase; `complete` is False where the run covers only part of it."""

    phase: str
    kind: PhaseKind = "city"
    complete: bool = True


@dataclass(frozen=True)
class Place:
    """Where runs stopped: centre [m], the share of runs that did, and each one's duration (run, s)."""

    name: str
    distance: float
    share: float
    durations: tuple[tuple[str, float], ...]


@dataclass(frozen=True, kw_only=True)
class Located:
    """Where one run was on the route; on a loop it may run past the length, when it began elsewhere on it."""

    distance: "pd.Series[float]"  # m at every frame time, never falling, NaN off the route
    cross_track: "pd.Series[float] | None" = None  # m from the path at the fixes on the route, positive to the left
    covered: tuple[tuple[float, float], ...] = ()  # stretches of the reference [m]
    residual: float | None = None  # uncertainty of a `distance` by likeness of speeds, RMS [m]
    findings: tuple[Finding, ...] = ()  # what departs from one clean pass
    notes: tuple[Message, ...] = ()  # how the run was located

    @property
    def on_route(self) -> Bools:
        """True where `distance` is known, shape (n,)."""
        return self.distance.notna().to_numpy()

    @property
    def refused(self) -> bool:
        """Whether a finding keeps the run out of every comparison."""
        return any(finding.hard for finding in self.findings)

    @property
    def away(self) -> float | None:
        """Median distance of the fixes on the route from the path [m]; None without any."""
        return None if self.cross_track is None or self.cross_track.empty else float(self.cross_track.abs().median())

    @property
    def metres(self) -> float:
        """Metres of the reference that are covered."""
        return sum(b - a for a, b in self.covered)


@dataclass(frozen=True, kw_only=True)
class AlignedRun(Located):
    """One run on the route distance with its events."""

    run: str
    clean: CleanRun
    coverage: float  # share of the reference, 0 to 1
    grade: Grade
    method: Method  # what `distance` was found by
    stops: tuple[RouteStop, ...]
    phases: tuple[PhaseSpan, ...]
    highway_entry: float | None  # elapsed s


@dataclass(frozen=True)
class Alignment:
    """All runs on one route distance."""

    reference: Reference
    runs: tuple[AlignedRun, ...]
    places: tuple[Place, ...] = ()
    notes: tuple[Message, ...] = ()

    def run(self, run: str) -> AlignedRun:
        """Return one run by its identity; KeyError if there is none."""
        return {aligned.run: aligned for aligned in self.runs}[run]


def driven(time: Floats, speed: Floats, at: Floats) -> Floats:
    """Return the distance driven [m] at times `at` (m,) [s] since the first of the samples of speed (n,) [s], [km/h].

    Exact for speed that is linear between the samples; outside them speed holds for `BEYOND`.
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


def speed_samples(run: CleanRun) -> tuple[Floats, Floats] | None:
    """Return the time [s] and speed [km/h] of the first of `SPEEDS` with two true samples, or None without one."""
    good = next((good for name in SPEEDS if run.has(name) and len(good := run.good(name)) >= 2), None)
    return None if good is None else (good.index.to_numpy(dtype=np.float64), good.to_numpy(dtype=np.float64))


def frame_time(run: CleanRun) -> Floats:
    """Return the elapsed seconds of a run's rows, shape (n,)."""
    return run.frame.index.to_numpy(dtype=np.float64)


def spans_of(mask: np.ndarray) -> list[tuple[int, int]]:
    """Return the first and one past the last index of every run of True in a mask."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int))).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))


def find_stops(time: Floats, speed: Floats) -> list[tuple[float, float]]:
    """Return the stops of a run as (start, end) [s], from its true samples of speed (n,) [s], [km/h].

    From the first to the last sample at or below `STOP_BELOW` between two crossings of `STOP_ABOVE`.
    """
    stops = []
    for i, j in spans_of(speed <= STOP_ABOVE):
        still = time[i:j][speed[i:j] <= STOP_BELOW].tolist()
        if still and still[-1] - still[0] >= LEAST_STOP:
            stops.append((still[0], still[-1]))
    return stops


def crossing(time: Floats, speed: Floats, i: int, threshold: float) -> float:
    """Return the time [s] at which speed crosses a threshold between samples i and i + 1 (linear)."""
    v0, v1 = float(speed[i]), float(speed[i + 1])
    share = (threshold - v0) / (v1 - v0) if v1 != v0 else 0.0
    return float(time[i] + share * (time[i + 1] - time[i]))


def distance_at(distance: "pd.Series[float]", when: float) -> float:
    """Return route distance [m] at an elapsed time, NaN if either neighbouring row is off the route."""
    return float(np.interp(when, distance.index.to_numpy(dtype=np.float64), distance.to_numpy(dtype=np.float64)))


def group(at: Floats, width: float = 2 * PLACE_RADIUS) -> Ints:
    """Return the group of each of the positions `at` (n,) [m], numbered along the line, none wider than `width` [m].

    The window that holds most points is a group (of windows equally full the narrowest), then the fullest of the rest,
    and so on: a queue along a street does not chain two junctions, and a junction is not cut where stops are densest.
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
    return np.argsort(np.argsort(begins, kind="stable"), kind="stable")[label] if len(at) else label
