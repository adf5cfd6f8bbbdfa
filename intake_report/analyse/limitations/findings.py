"""What limitations are derived from, and their registry."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pandas as pd

from intake_report import formatting
from intake_report.analyse.ambient import AmbientReference
from intake_report.analyse.inputs import Drive
from intake_report.campaign import Campaign
from intake_report.results import (
    Comparison,
    ControlEffect,
    Limitation,
    MetricKey,
    MetricResult,
    ModelCheck,
    RunResult,
)


@dataclass(frozen=True)
class Findings:
    """Everything that a limitation may be derived from."""

    campaign: Campaign
    drives: tuple[Drive, ...]
    runs: tuple[RunResult, ...]
    ambient: AmbientReference
    conditions: pd.DataFrame
    sampling: pd.DataFrame
    metrics: tuple[MetricKey, ...]
    values: tuple[MetricResult, ...]
    comparisons: tuple[Comparison, ...]
    checks: tuple[ModelCheck, ...] = ()
    control: tuple[ControlEffect, ...] = ()

    @property
    def used(self) -> tuple[RunResult, ...]:
        """Runs that take part in the comparison."""
        return tuple(run for run in self.runs if run.decision != "excluded")

    def temperature_difference(self, value: float) -> str:
        """Format a temperature difference [K] for the reader."""
        return formatting.with_unit(value, "temperature_difference", self.campaign.about.units, 1)


Predicate = Callable[[Findings], Iterator[Limitation]]
