"""Readers of log files: whatever open format a log came in, its columns with their own sample times."""

from intake_report.loaders.base import Notice, RawColumn, RawLog, ReadOptions, RunLog
from intake_report.loaders.mapping import UNIT_OVERRIDDEN
from intake_report.loaders.propose import Proposal, format_mapping, mapping_of, propose_mapping
from intake_report.loaders.registry import read_log
from intake_report.loaders.run import load_run, map_run

__all__ = [
    "UNIT_OVERRIDDEN",
    "Notice",
    "Proposal",
    "RawColumn",
    "RawLog",
    "ReadOptions",
    "RunLog",
    "format_mapping",
    "load_run",
    "map_run",
    "mapping_of",
    "propose_mapping",
    "read_log",
]
