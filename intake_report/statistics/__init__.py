"""Intervals, comparisons, Monte Carlo: random generators are passed in; what cannot be computed is None."""

from intake_report.statistics.censored import *  # noqa: F403
from intake_report.statistics.comparison import *  # noqa: F403
from intake_report.statistics.means import *  # noqa: F403
from intake_report.statistics.models import *  # noqa: F403
