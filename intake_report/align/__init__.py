"""Runs onto one route distance; stops, launches, phases, highway entry; comparability."""

from intake_report.align.chain import align_runs
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
from intake_report.align.settings import (
    AlignSettings,
    ChannelNames,
    EntrySettings,
    EventSettings,
    PhaseSettings,
    RouteSettings,
)

__all__ = [
    "AlignSettings",
    "AlignedRun",
    "Alignment",
    "ChannelNames",
    "Creep",
    "Detour",
    "EntrySettings",
    "EventSettings",
    "Finding",
    "Launch",
    "PhaseSettings",
    "PhaseSpan",
    "Place",
    "Reference",
    "RoutePath",
    "RouteSettings",
    "Run",
    "Stop",
    "align_runs",
]
