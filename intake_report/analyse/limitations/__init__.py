"""Limitations: each module declares what they say (code, rank, templates) and derives those that hold."""

from intake_report.analyse.limitations.comparisons import COMPARISONS
from intake_report.analyse.limitations.conditions import CONDITIONS, acceptance_limitations
from intake_report.analyse.limitations.findings import KINDS, Findings, limitation
from intake_report.analyse.limitations.layout import LAYOUT
from intake_report.results import Limitation


def derive_limitations(findings: Findings) -> tuple[Limitation, ...]:
    """Return every limitation that holds, in the order of the report."""
    return tuple(found for derive in (*LAYOUT, *COMPARISONS, *CONDITIONS) for found in derive(findings))
