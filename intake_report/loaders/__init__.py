"""Readers of log files: whatever open format a log came in, its columns with their own sample times."""

from intake_report.loaders.base import RawLog, ReadOptions, RunLog
from intake_report.loaders.delimited import read_columns
from intake_report.loaders.propose import Proposal, format_mapping, propose_mapping, propose_weather
from intake_report.loaders.run import UNIT_OVERRIDDEN, load_run, map_run, read_log, read_parts
