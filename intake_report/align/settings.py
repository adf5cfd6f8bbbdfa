"""Settings of the alignment as plain frozen values; the caller maps the campaign file onto them."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

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
    """How the reference path is found and how closely a run has to follow it.

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
    """Thresholds of stops, launches and creeping.

    A stop begins when speed falls to `stop_below` and ends when it rises above `stop_above` [km/h]; one
    shorter than `least_stop` [s] is not counted. A launch is a start from a stop that reaches `launch_speed`
    [km/h] before the next stop. Creeping is driving below `creep_below` [km/h] for `least_creep` [s] or longer.
    Stops of different runs within `place_radius` [m] of a common centre are at one place.
    """

    stop_below: float = 1.0
    stop_above: float = 4.0
    least_stop: float = 2.0
    launch_speed: float = 20.0
    creep_below: float = 12.0
    least_creep: float = 5.0
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
