"""Intervals, comparisons and Monte Carlo; random generators are passed in, never created.

Results are frozen; what cannot be computed is None, with the reason in a note.
"""

from intake_report.statistics.censored import *  # noqa: F403
from intake_report.statistics.comparison import *  # noqa: F403
from intake_report.statistics.means import *  # noqa: F403
from intake_report.statistics.models import *  # noqa: F403
