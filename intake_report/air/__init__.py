"""Humid air, standard atmosphere and power correction: pure equations, each with its source and validity range.

Temperature [°C], pressure [kPa], relative humidity [%], density [kg/m³], height [m] throughout.
"""

from intake_report.air.atmosphere import *  # noqa: F403
from intake_report.air.power import *  # noqa: F403
