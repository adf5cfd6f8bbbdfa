"""What the alignment takes and returns: settings, the reference, the aligned runs and their events."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from intake_report.messages import Message

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.intp]
Grade = Literal["good", "fair", "poor", "refused"]
Method = Literal["position", "speed"]
PhaseKind = Literal["city", "ramp", "highway"]


@dataclass(frozen=True)
class ChannelNames:
    """Names of the channels that the alignment reads; `other_speed` serves where a run has no `speed`."""

    speed: str = "speed"
    other_speed: str = "gps_speed"
    latitude: str = "latitude"
    longitude: str = "longitude"


@dataclass(frozen=True)
class RouteSettings:
    """How the reference path is found and how closely a run has to follow it; the figures are choices of this package.

    Parameters
    ----------
    gpx : Path, optional
        GPX file with the reference path; default: built from the runs.
    run : str, optional
        Identity of the run that serves as the reference; default: the medoid run.
    closed : bool, optional
        Whether the route is a loop; default: decided from the gap between start and end.
    close_within : float
        Largest gap between start and end of a loop [m].
    spacing : float
        Distance between the vertices of the reference path [m].
    node_spacing : float
        Driven distance between two fixes used for matching [m].
    corridor : float
        Cross-track distance beyond which a vehicle is taken to be off the route [m].
    position_error : float
        Standard deviation of a position fix across the path [m].
    refine : bool
        Pull the path of the medoid run to the median of all runs.
    least_coverage : float
        Coverage below which a run is searched for the reason (reversed, half a route, wrong route).
    use_position : bool
        False hides the position and aligns by speed alone.
    """

    gpx: Path | None = None
    run: str | None = None
    closed: bool | None = None
    close_within: float = 100.0
    spacing: float = 15.0
    node_spacing: float = 20.0
    corridor: float = 35.0
    position_error: float = 12.0
    refine: bool = True
    least_coverage: float = 0.9
    use_position: bool = True


@dataclass(frozen=True)
class EventSettings:
    """Thresholds of stops (choices of this package).

    A stop begins when speed falls to `stop_below` and ends when it rises above `stop_above` [km/h]; one shorter than
    `least_stop` [s] is not counted. Stops of different runs within `place_radius` [m] of a common centre are at one
    place.
    """

    stop_below: float = 1.0
    stop_above: float = 4.0
    least_stop: float = 2.0
    place_radius: float = 60.0


@dataclass(frozen=True)
class EntrySettings:
    """Highway entry: speed crosses `threshold` [km/h] upward within `phase` and stays above it for `hold` [s].

    The default, 80 km/h held for 5 s, is a choice of this package, not a standard.
    """

    phase: str | None = None
    threshold: float = 80.0
    hold: float = 5.0


@dataclass(frozen=True)
class PhaseSettings:
    """One named stretch of the route, from `from_m` to `to_m` of route distance [m]."""

    name: str
    kind: PhaseKind
    from_m: float
    to_m: float


@dataclass(frozen=True)
class AlignSettings:
    """All settings of `align_runs`."""

    route: RouteSettings = field(default_factory=RouteSettings)
    events: EventSettings = field(default_factory=EventSettings)
    entry: EntrySettings = field(default_factory=EntrySettings)
    phases: tuple[PhaseSettings, ...] = ()
    channels: ChannelNames = field(default_factory=ChannelNames)


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

    method: Method
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

    text: Message
    hard: bool

    @property
    def code(self) -> str:
        """What was found, for programs."""
        return self.text.code


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

    `distance`: route distance [m] at every frame time; never falls; NaN off the route. On a closed route it may run
    past the length when the run began elsewhere on the loop (`Reference.fold`); `cross_track`: distance from the
    reference path [m] at the position fixes that lie on the route, positive to the left; `covered` (float, float): the
    covered stretches [m]; `speed_scale`: route metres per metre of integrated speed; `residual`: RMS distance [m] that
    one scale (and offset) would leave between the run and the reference; with positions it is corrected, without it is
    the uncertainty of `distance`; `findings`, `notes`: what departs from one clean pass, and how the run was located.
    """

    distance: pd.Series[float]
    cross_track: pd.Series[float] | None = None
    covered: tuple[tuple[float, float], ...] = ()
    speed_scale: float | None = None
    residual: float | None = None
    findings: tuple[Finding, ...] = ()
    notes: tuple[Message, ...] = ()

    @property
    def on_route(self) -> Bools:
        """True where `distance` is known, shape (n,)."""
        return self.distance.notna().to_numpy()

    @property
    def refused(self) -> bool:
        """Whether a finding keeps the run out of every comparison."""
        return any(finding.hard for finding in self.findings)

    @property
    def metres(self) -> float:
        """Metres of the reference that are covered."""
        return sum(b - a for a, b in self.covered)


@dataclass(frozen=True, kw_only=True)
class AlignedRun(Located):
    """One run on the route distance with its events.

    Parameters
    ----------
    run : str
        Identity.
    clean : Run
        The cleaned run.
    coverage : float
        Share of the reference covered, 0 to 1.
    grade : str
        "good", "fair", "poor" or "refused".
    method : str
        What `distance` was found by.
    highway_entry : float or None
        Elapsed s.
    """

    run: str
    clean: Run
    coverage: float
    grade: Grade
    method: Method
    stops: tuple[Stop, ...]
    phases: tuple[PhaseSpan, ...]
    highway_entry: float | None

    def phase(self, name: str) -> PhaseSpan | None:
        """Return the passage through a phase, or None."""
        return next((span for span in self.phases if span.phase == name), None)


@dataclass(frozen=True)
class Alignment:
    """All runs on one route distance."""

    reference: Reference
    runs: tuple[AlignedRun, ...]
    places: tuple[Place, ...] = ()
    notes: tuple[Message, ...] = ()

    def run(self, run: str) -> AlignedRun:
        """Return one run by its identity; KeyError if there is none."""
        for aligned in self.runs:
            if aligned.run == run:
                return aligned
        raise KeyError(run)
