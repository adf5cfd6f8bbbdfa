"""What the alignment returns: the reference, the aligned runs and their events."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from intake_report.align.settings import PhaseKind

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Grade = Literal["good", "fair", "poor", "refused"]


class Run(Protocol):
    """The part of a cleaned run that the alignment uses."""

    @property
    def run(self) -> str:
        """Identity of the run."""

    @property
    def start(self) -> pd.Timestamp | None:
        """Time of elapsed second 0, with its zone."""

    @property
    def frame(self) -> pd.DataFrame:
        """Channels by elapsed second."""

    def good(self, channel: str) -> pd.Series[Any]:
        """Return the valid true samples of a channel."""

    def has(self, channel: str) -> bool:
        """Tell whether the run has the channel."""


@dataclass(frozen=True)
class RoutePath:
    """A path in local metres.

    `x`, `y`, `s` have shape (n,): east, north and distance along the path [m]; (`latitude`, `longitude`) [°] is
    the centre of the local projection. A closed path repeats its first vertex at the end.
    """

    x: Floats
    y: Floats
    s: Floats
    latitude: float
    longitude: float
    closed: bool

    @property
    def length(self) -> float:
        """Length of the path [m]."""
        return float(self.s[-1])


@dataclass(frozen=True)
class Reference:
    """What route distance is measured along.

    `source` names the run or file; `path` is None where distance comes from speed alone.
    """

    method: Literal["position", "speed"]
    source: str
    length: float
    closed: bool
    path: RoutePath | None = None

    def fold(self, distance: Floats) -> Floats:
        """Return route distance folded into [0, length) on a closed route, unchanged otherwise [m]."""
        return np.mod(distance, self.length) if self.closed else distance


@dataclass(frozen=True)
class Finding:
    """Something found while aligning a run; `hard` means that the run cannot be compared."""

    code: str
    text: str
    hard: bool


@dataclass(frozen=True)
class Detour:
    """A stretch off the route between leaving and rejoining (elapsed s; route m; driven and farthest distance m)."""

    start: float
    end: float
    from_m: float
    to_m: float
    driven: float
    farthest: float


@dataclass(frozen=True)
class Stop:
    """A standstill (elapsed s; route distance m); `place` is shared by the runs that stopped there."""

    start: float
    end: float
    distance: float
    place: str | None = None

    @property
    def duration(self) -> float:
        """Duration [s]."""
        return self.end - self.start


@dataclass(frozen=True)
class Launch:
    """A start from a stop: elapsed s from leaving standstill to the launch speed, route m, mean acceleration m/s²."""

    start: float
    end: float
    distance: float
    acceleration: float


@dataclass(frozen=True)
class Creep:
    """A stretch of crawling (elapsed s; route m at its start; metres driven)."""

    start: float
    end: float
    distance: float
    driven: float


@dataclass(frozen=True)
class PhaseSpan:
    """The passage of a run through a phase (elapsed s); `complete` is False where the run covers only part of it."""

    phase: str
    start: float
    end: float
    kind: PhaseKind = "city"
    complete: bool = True

    @property
    def duration(self) -> float:
        """Duration [s]."""
        return self.end - self.start


@dataclass(frozen=True)
class Place:
    """Where runs stopped: centre [m], the share of runs that did, and each one's duration (run, s)."""

    name: str
    distance: float
    share: float
    durations: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class AlignedRun:
    """One run on the route distance.

    Parameters
    ----------
    run : str
        Identity.
    clean : Run
        The cleaned run.
    distance : Series
        Route distance [m] at every frame time; never falls; NaN off the route. On a closed route it may run past
        the length when the run began elsewhere on the loop (`Reference.fold`).
    on_route : ndarray of bool
        (n,) True where `distance` is known.
    cross_track : Series or None
        Distance from the reference path [m] at the position fixes that lie on the route, positive to the left.
    coverage : float
        Share of the reference covered, 0 to 1.
    covered : tuple of (float, float)
        The covered stretches [m].
    own_coverage : float
        Share of the reference between the run's first and last matched position that was matched.
    grade : str
        "good", "fair", "poor" or "refused".
    speed_scale : float or None
        Route metres per metre of integrated speed.
    speed_offset : float
        Route distance at the start of the run where distance comes from speed [m].
    residual : float or None
        RMS distance [m] that one scale (and offset) would leave between the run and the reference; with positions it
        is corrected, without it is the uncertainty of `distance`.
    highway_entry : float or None
        Elapsed s.
    """

    run: str
    clean: Run
    distance: pd.Series[float]
    on_route: Bools
    cross_track: pd.Series[float] | None
    coverage: float
    covered: tuple[tuple[float, float], ...]
    own_coverage: float
    grade: Grade
    detours: tuple[Detour, ...]
    speed_scale: float | None
    speed_offset: float
    residual: float | None
    stops: tuple[Stop, ...]
    launches: tuple[Launch, ...]
    creeps: tuple[Creep, ...]
    phases: tuple[PhaseSpan, ...]
    highway_entry: float | None
    method: Literal["position", "speed"]
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]

    def phase(self, name: str) -> PhaseSpan | None:
        """Return the passage through a phase, or None."""
        return next((span for span in self.phases if span.phase == name), None)


@dataclass(frozen=True)
class Alignment:
    """All runs on one route distance."""

    reference: Reference
    runs: tuple[AlignedRun, ...]
    places: tuple[Place, ...] = ()
    notes: tuple[str, ...] = ()

    def run(self, run: str) -> AlignedRun:
        """Return one run by its identity; KeyError if there is none."""
        for aligned in self.runs:
            if aligned.run == run:
                return aligned
        raise KeyError(run)
