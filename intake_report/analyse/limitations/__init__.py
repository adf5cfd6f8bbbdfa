"""Limitations: predicates on the results; each kind declares code, rank, words for the cover, sentence and remedy."""

from __future__ import annotations

from intake_report.analyse.limitations import comparisons, conditions, covariates, kept, layout, models
from intake_report.analyse.limitations.conditions import acceptance_limitations
from intake_report.analyse.limitations.findings import Findings, Predicate, kinds
from intake_report.results import Limitation

PREDICATES: tuple[Predicate, ...] = (
    conditions.unit_overridden, *layout.PREDICATES, *comparisons.PREDICATES, *covariates.PREDICATES,
    *conditions.PREDICATES, *models.PREDICATES, kept.plan_kept,
)  # fmt: skip
"""In the order of the report."""


def derive_limitations(findings: Findings) -> tuple[Limitation, ...]:
    """Return every limitation that holds."""
    return tuple(limitation for predicate in PREDICATES for limitation in predicate(findings))
