"""What the runs did by place: curves along the route, traffic, stops, where peaks lay."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class PlaceCurve:
    """One configuration by place, over its runs."""

    configuration: str
    # mean, low, high: Mean, lowest and highest of the runs in each cell [internal unit]; None where no run has a
    # value
    mean: tuple[float | None, ...]
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]
    runs: tuple[int, ...]  # Runs with a value in each cell


@dataclass(frozen=True)
class PlaceTraffic:
    """How the runs passed a cell: median dwell time [s] and most passes of a run, one value per cell."""

    dwell: tuple[float, ...]
    passes: tuple[int, ...]


@dataclass(frozen=True)
class StopPlace:
    """A place where runs stopped: route distance [m], share of the runs that did (0 to 1), durations [s] by run."""

    name: str
    distance: float
    share: float
    durations: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class PeakPlace:
    """Where a run was hottest: route distance [m] and value of its true peak [internal unit]."""

    run: str
    distance: float
    value: float


@dataclass(frozen=True)
class Places:
    """Everything by place."""

    quantity: str  # Over-ambient, or intake air temperature where there is no ambient
    step: float  # Length of a cell [m]
    centres: tuple[float, ...]  # Middle of each cell [m]
    curves: tuple[PlaceCurve, ...]  # By configuration, in campaign order
    traffic: PlaceTraffic  # Dwell and passes
    peaks: tuple[PeakPlace, ...]  # One per run
    # peak_centre, peak_spread, peak_share, peak_within: Common place of the peaks [m], median distance from it
    # [m], share of the runs within `peak_within` [m] of it
    peak_centre: float | None
    peak_spread: float | None
    peak_share: float | None
    peak_within: float | None
    one_place: bool  # Whether the peaks fall at one place
    stops: tuple[StopPlace, ...]  # In order of route distance
    # Phases proposed from the speed profile, in campaign-file form; empty when the campaign states phases
    proposed: str = ""
