"""Dyno pulls: checked, corrected to common conditions, on one engine-speed grid, compared with their scatter."""

from intake_report.dyno.pulls import read_pulls
from intake_report.dyno.session import DynoResult, dyno_evidence
