"""Runs onto one route distance; stops, launches, phases, highway entry; comparability."""

from intake_report.align.chain import align_runs
from intake_report.align.comparability import Check, Comparability, assess
from intake_report.align.criteria import CRITERIA, AcceptanceLimit, CriterionSpec
from intake_report.align.facts import Conditions
from intake_report.align.grid import Peak, PeakSummary, PlaceGrid, find_peaks, grid_by_place, summarise_peaks
from intake_report.align.model import (
    AlignedRun,
    Alignment,
    Creep,
    Detour,
    Finding,
    Launch,
    PhaseSpan,
    Place,
    Reference,
    RoutePath,
    Run,
    Stop,
)
from intake_report.align.propose import phases_as_text, propose_phases
from intake_report.align.settings import (
    AlignSettings,
    ChannelNames,
    EntrySettings,
    EventSettings,
    PhaseSettings,
    RouteSettings,
)

__all__ = [
    "CRITERIA",
    "AcceptanceLimit",
    "AlignSettings",
    "AlignedRun",
    "Alignment",
    "ChannelNames",
    "Check",
    "Comparability",
    "Conditions",
    "Creep",
    "CriterionSpec",
    "Detour",
    "EntrySettings",
    "EventSettings",
    "Finding",
    "Launch",
    "Peak",
    "PeakSummary",
    "PhaseSettings",
    "PhaseSpan",
    "Place",
    "PlaceGrid",
    "Reference",
    "RoutePath",
    "RouteSettings",
    "Run",
    "Stop",
    "align_runs",
    "assess",
    "find_peaks",
    "grid_by_place",
    "phases_as_text",
    "propose_phases",
    "summarise_peaks",
]
