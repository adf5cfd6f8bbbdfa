"""Runs onto one route distance; stops, phases, highway entry; comparability."""

from intake_report.align.chain import align_runs
from intake_report.align.comparability import *  # noqa: F403
from intake_report.align.grid import PlaceGrid, grid_by_place, peak_summary, propose_phases
from intake_report.align.model import *  # noqa: F403
