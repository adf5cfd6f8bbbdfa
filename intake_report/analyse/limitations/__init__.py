"""Limitations: predicates on what was found; each has a code, a sentence with its numbers, and what would remove it."""

from __future__ import annotations

from intake_report.analyse.limitations import comparisons, conditions, design, inputs, traffic
from intake_report.analyse.limitations.findings import Findings, Predicate
from intake_report.results import Limitation

PREDICATES: tuple[Predicate, ...] = (
    *inputs.PREDICATES, *design.PREDICATES, *traffic.PREDICATES, *comparisons.PREDICATES, *conditions.PREDICATES
)  # fmt: skip
"""In the order of the report."""


def derive_limitations(findings: Findings) -> tuple[Limitation, ...]:
    """Return every limitation that holds."""
    return tuple(found for predicate in PREDICATES for found in predicate(findings))


__all__ = ["PREDICATES", "Findings", "derive_limitations"]
