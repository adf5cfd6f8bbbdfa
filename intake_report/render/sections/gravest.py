"""The limitations that bound a report most, each in a few words for the cover."""

from __future__ import annotations

from intake_report.results import ReportResult
from intake_report.results.compared import gravest as gravest_of


def gravest(result: ReportResult, most: int) -> tuple[str, ...]:
    """Return the gravest limitations in words, at most so many; see `results.compared.gravest`."""
    return gravest_of(result.limitations, any(c.difference is not None for c in result.comparisons), most)
