"""Frozen result types."""

from intake_report.results.compared import ClaimResult, Comparison, ControlDrive, ControlEffect, Limitation, ModelCheck
from intake_report.results.rows import (
    RunResult,
    StopResult,
)
from intake_report.results.types import (
    GROUPS,
    BudgetRow,
    ConfigurationResult,
    Curve,
    Group,
    InstrumentDifference,
    InstrumentUncertainty,
    MetricKey,
    MetricResult,
    MetricSpec,
    Parameter,
    ParameterKind,
    PhaseResult,
    ReportResult,
    SourceRow,
    Summary,
)

__all__ = [
    "GROUPS",
    "BudgetRow",
    "ClaimResult",
    "Comparison",
    "ConfigurationResult",
    "ControlDrive",
    "ControlEffect",
    "Curve",
    "Group",
    "InstrumentDifference",
    "InstrumentUncertainty",
    "Limitation",
    "MetricKey",
    "MetricResult",
    "MetricSpec",
    "ModelCheck",
    "Parameter",
    "ParameterKind",
    "PhaseResult",
    "ReportResult",
    "RunResult",
    "SourceRow",
    "StopResult",
    "Summary",
]
