"""Cleaning of one run: true samples on a sound time base, masks (True = bad), and an account of every step."""

from intake_report.clean.crosschecks import cross_checks
from intake_report.clean.model import CleanRun, CrossCheck
from intake_report.clean.steps import clean

__all__ = ["CleanRun", "CrossCheck", "clean", "cross_checks"]
