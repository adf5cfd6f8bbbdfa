"""Runs onto one route distance; stops, phases, highway entry; comparability."""

from intake_report.align.chain import align_runs
from intake_report.align.comparability import Check, Comparability, assess
from intake_report.align.criteria import CRITERIA, FIRST, AcceptanceLimit, CriterionSpec, RunSurroundings
from intake_report.align.grid import Peak, PlaceGrid, grid_by_place, propose_phases, summarise_peaks
from intake_report.align.model import (
    AlignedRun,
    Alignment,
    AlignSettings,
    EntrySettings,
    PhaseSettings,
    Place,
    RoutePath,
    RouteSettings,
    RouteStop,
)

__all__ = [
    "CRITERIA",
    "FIRST",
    "AcceptanceLimit",
    "AlignSettings",
    "AlignedRun",
    "Alignment",
    "Check",
    "Comparability",
    "CriterionSpec",
    "EntrySettings",
    "Peak",
    "PhaseSettings",
    "Place",
    "PlaceGrid",
    "RoutePath",
    "RouteSettings",
    "RouteStop",
    "RunSurroundings",
    "align_runs",
    "assess",
    "grid_by_place",
    "propose_phases",
    "summarise_peaks",
]
