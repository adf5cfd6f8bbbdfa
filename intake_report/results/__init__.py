"""Frozen result types."""

from intake_report.results.compared import ClaimResult, Comparison, ControlDrive, ControlEffect, Limitation, ModelCheck
from intake_report.results.types import (
    GROUPS,
    BudgetRow,
    CommonDriveResult,
    ConfigurationResult,
    Group,
    InstrumentDifference,
    InstrumentUncertainty,
    MetricKey,
    MetricResult,
    MetricSpec,
    MetricSummary,
    Parameter,
    ParameterKind,
    PhaseResult,
    ReportResult,
    RunCurve,
    RunResult,
    SourceRow,
    StopResult,
)
