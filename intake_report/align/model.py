"""What the alignment takes and returns: settings, the reference, the aligned runs and their events."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from intake_report.messages import Message

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]
Grade = Literal["good", "fair", "place not verified", "poor", "refused"]
Method = Literal["position", "speed"]
PhaseKind = Literal["city", "ramp", "highway"]


@dataclass(frozen=True)
class PhaseSettings:
    """One named stretch of the route, from `from_m` to `to_m` of route distance [m]."""

    name: str
    kind: PhaseKind
    from_m: float
    to_m: float


@dataclass(frozen=True)
class AlignSettings:
    """How the reference path is found, the phases, and the highway entry.

    Highway entry: speed crosses `threshold` [km/h] upward within `entry_phase` and stays above it for `hold` [s]. The
    default, 80 km/h held for 5 s, is a choice of this package, not a standard.
    """

    gpx: Path | None = None  # file with the path; default: built from the runs
    run: str | None = None  # the run that serves as the reference; default: the medoid run
    closed: bool | None = None  # whether the route is a loop; default: decided from the gap between start and end
    refine: bool = True  # pull the path of that run to the median of all runs
    phases: tuple[PhaseSettings, ...] = ()
    entry_phase: str | None = None  # default: the first ramp
    threshold: float = 80.0
    hold: float = 5.0


class RunData(Protocol):
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

    def good(self, channel: str) -> "pd.Series[Any]":
        """Return the valid true samples of a channel."""

    def has(self, channel: str) -> bool:
        """Tell whether the run has the channel."""


@dataclass(frozen=True)
class RoutePath:
    """A path in local metres; a closed one repeats its first vertex at the end.

    `x`, `y`, `s` (n,): east, north and distance along the path [m]; `centre`: latitude and longitude of the centre of the
    local projection [°].
    """

    x: Floats
    y: Floats
    s: Floats
    centre: tuple[float, float]
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

    @property
    def code(self) -> str:
        """What was found, for programs."""
        return self.text.code


@dataclass(frozen=True)
class RouteStop:
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


@dataclass(frozen=True, kw_only=True)
class Located:
    """Where one run was on the route.

    `distance` [m] at every frame time never falls and is NaN off the route; on a closed route it may run past the length
    when the run began elsewhere on the loop.
    """

    distance: "pd.Series[float]"
    cross_track: "pd.Series[float] | None" = None  # m from the path at the fixes on the route, positive to the left
    covered: tuple[tuple[float, float], ...] = ()  # stretches of the reference [m]
    speed_scale: float | None = None  # route metres per metre of integrated speed
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
    clean: RunData
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
