"""Runs onto one route distance; stops, phases, highway entry; comparability."""

from intake_report.align.chain import align_runs
from intake_report.align.comparability import Check, Comparability, assess
from intake_report.align.criteria import CRITERIA, FIRST, AcceptanceLimit, CriterionSpec, Facts, RunSurroundings
from intake_report.align.grid import Peak, PeakSummary, PlaceGrid, grid_by_place, propose_phases, summarise_peaks
from intake_report.align.model import (
    AlignedRun,
    Alignment,
    AlignSettings,
    EntrySettings,
    Finding,
    PhaseSettings,
    PhaseSpan,
    Place,
    Reference,
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
    "Facts",
    "Finding",
    "Peak",
    "PeakSummary",
    "PhaseSettings",
    "PhaseSpan",
    "Place",
    "PlaceGrid",
    "Reference",
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
