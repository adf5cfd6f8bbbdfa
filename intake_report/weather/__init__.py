"""Weather: reports, station tables, readings by hand; conditions during a run, and which ambient counts."""

from intake_report.weather.conditions import *  # noqa: F403
from intake_report.weather.observations import *  # noqa: F403
from intake_report.weather.reference import *  # noqa: F403
from intake_report.weather.reports import *  # noqa: F403
