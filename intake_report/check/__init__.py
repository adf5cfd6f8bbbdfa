"""`intake-report check`: what a log is, how good it is, and whether the run has to be repeated, on the same day.

Only what reads the arguments is imported here, so that a log can be looked at without waiting for what only a campaign
needs.
"""

from __future__ import annotations

import argparse
import io
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from intake_report.errors import IntakeReportError

if TYPE_CHECKING:
    from intake_report.check.model import LogCheck
    from intake_report.clean import CleanRun

ACCEPTED, REPEAT, USAGE = 0, 1, 2


def run(arguments: argparse.Namespace) -> int:
    """Check the logs and say what was found; return the exit status."""
    from intake_report.check.chain import check_logs
    from intake_report.check.model import to_json
    from intake_report.check.page import show, show_draft, show_summary

    if arguments.run_id and arguments.campaign is None:
        print("intake-report: --run names a run of a campaign: give --campaign as well.", file=sys.stderr)
        return USAGE
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal that knows no block characters
    checks: list[LogCheck] = []
    keep: dict[Path, CleanRun] = {}
    try:
        for check in check_logs(arguments.logs, arguments.campaign, arguments.run_id, debug=arguments.debug, keep=keep):
            if arguments.json:
                print(to_json(check), flush=True)
            else:
                show(check, first=not checks)
            checks.append(check)
        if len(checks) > 1 and not arguments.json:
            show_summary(checks)
        if len(keep) > 1 and not arguments.json:
            from intake_report.check.runs import draft_text

            show_draft(draft_text(keep, next(c.mapping_text for c in checks if c.accepted)))
        sys.stdout.flush()
    except IntakeReportError as error:
        if arguments.debug:
            raise
        for line in str(error).splitlines():
            print(f"intake-report: {line}", file=sys.stderr)
        return USAGE
    except BrokenPipeError:  # the reader (`| head`) has seen enough; what is left must not fail at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return REPEAT
    return ACCEPTED if all(check.accepted for check in checks) else REPEAT
