"""Cleaning of one run: true samples on a sound time base, masks (True = bad), and an account of every step."""

from __future__ import annotations

from intake_report.clean.model import CleanRun, CleanSettings, QualityEntry, Sampling
from intake_report.clean.steps import clean

__all__ = ["CleanRun", "CleanSettings", "QualityEntry", "Sampling", "clean"]
