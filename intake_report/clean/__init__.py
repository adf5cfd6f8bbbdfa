"""Cleaning of one run: true samples on a sound time base, masks (True = bad), and an account of every step."""

from __future__ import annotations

from intake_report.clean.crosschecks import cross_checks
from intake_report.clean.model import (
    CleanRun,
    CleanSettings,
    CrossCheck,
    QualityEntry,
    Sampling,
    gap_limit,
    interpolate,
)
from intake_report.clean.steps import clean

__all__ = [
    "CleanRun",
    "CleanSettings",
    "CrossCheck",
    "QualityEntry",
    "Sampling",
    "clean",
    "cross_checks",
    "gap_limit",
    "interpolate",
]
