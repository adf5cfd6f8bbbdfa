"""Uncertainty of one run's value: Monte Carlo through the whole metric with what is known about the instruments."""

from intake_report.analyse.uncertainty.runs import (
    Uncertainty,
    assess,
    instrument_differences,
    statement,
    with_uncertainty,
)
from intake_report.analyse.uncertainty.sources import Source, Sources, find_sources

__all__ = [
    "Source",
    "Sources",
    "Uncertainty",
    "assess",
    "find_sources",
    "instrument_differences",
    "statement",
    "with_uncertainty",
]
