"""Humid air, standard atmosphere and power correction: pure equations, each with its source and validity range."""

from intake_report.air.atmosphere import *  # noqa: F403
from intake_report.air.power import *  # noqa: F403
