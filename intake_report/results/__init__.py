"""Frozen result types."""

from intake_report.results.compared import ClaimResult, Comparison, ControlDrive, ControlEffect, Limitation, ModelCheck
from intake_report.results.types import (
    GROUPS,
    BudgetRow,
    CommonDriveResult,
    ConfigurationResult,
    InstrumentDifference,
    InstrumentUncertainty,
    MetricKey,
    MetricResult,
    Metrics,
    MetricSpec,
    MetricSummary,
    MetricValues,
    Parameter,
    PhaseResult,
    ReportResult,
    RunCurve,
    RunResult,
    SourceRow,
    StopResult,
)
