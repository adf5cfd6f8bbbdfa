"""Limitations: predicates on the results; each kind declares code, rank, words for the cover, sentence and remedy."""

from intake_report.analyse.limitations import layout  # isort: skip  # what is declared first is said first
from intake_report.analyse.limitations import comparisons, conditions
from intake_report.analyse.limitations.conditions import acceptance_limitations
from intake_report.analyse.limitations.findings import KINDS, PREDICATES, Findings
from intake_report.results import Limitation


def derive_limitations(findings: Findings) -> tuple[Limitation, ...]:
    """Return every limitation that holds, in the order of the report."""
    return tuple(limitation for predicate in PREDICATES for limitation in predicate(findings))
