"""Evidence from off the road: restriction and airflow, exposure trials, serviceability."""

from intake_report.bench.evidence import *  # noqa: F403
from intake_report.bench.restriction import *  # noqa: F403
