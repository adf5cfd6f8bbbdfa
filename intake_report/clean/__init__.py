"""Cleaning of one run: true samples on a sound time base, masks (True = bad), and an account of every step."""

from intake_report.clean.crosschecks import cross_checks
from intake_report.clean.model import CleanRun, CrossCheck
from intake_report.clean.steps import clean
from intake_report.clean.temperatures import RIGHT_UNIT, TEMPERATURE_UNIT

__all__ = ["RIGHT_UNIT", "TEMPERATURE_UNIT", "CleanRun", "CrossCheck", "clean", "cross_checks"]
