"""`intake-report nightly`, `archive`, `reproduce`: many campaigns unattended, and one to keep.

Only what reads the arguments is imported here.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

USAGE = 2


def run_nightly(arguments: argparse.Namespace) -> int:
    """Render what changed below the roots; return the exit status."""
    from intake_report.nightly.night import Settings, run_night

    missing = [root for root in arguments.roots if not root.exists()]
    for root in missing:
        print(f"intake-report: {root}: there is no such file or folder.", file=sys.stderr)
    if missing:
        return USAGE
    seconds, memory = 60.0 * arguments.time_limit, int(arguments.memory_limit * (1 << 30))
    settings = Settings(arguments.out, arguments.jobs, seconds, memory, arguments.date, arguments.dask)
    status = run_night(arguments.roots, settings)
    for entry in status.campaigns:
        lines = entry.reason.splitlines() if entry.state == "failed" else []
        if lines and entry.report:
            lines.append(f"the report of {entry.report.date} is stale.")
        for line in lines:
            print(f"intake-report: {entry.id}: {line}", file=sys.stderr)
    counts = ", ".join(f"{number} {state}" for state, number in status.counts.items())
    print(f"{counts or 'no campaign'}: {arguments.out / 'index.html'}")
    return status.exit_status


def run_archive(arguments: argparse.Namespace) -> int:
    """Write the last report of a campaign and its inputs into one zip."""
    from intake_report.nightly.archive import write_archive

    usual = Path(".ci/requirements.lock")
    lock = arguments.lock or (usual if usual.is_file() else None)
    if lock is not None and not lock.is_file():
        print(f"intake-report: {lock}: there is no such file.", file=sys.stderr)
        return USAGE
    print(write_archive(arguments.campaign, arguments.out, arguments.to, lock))
    return 0


def run_reproduce(arguments: argparse.Namespace) -> int:
    """Make the report of an archive again and say, file by file, whether it is the same."""
    from intake_report.nightly.archive import reproduce

    software, compared = reproduce(arguments.archive)
    for line in software:
        print(f"not as it was: {line}")
    for one in compared:
        print(f"{one.state:<8} {one.path}")
        for line in one.moved:
            print(f"         {line}")
    return int(any(one.state != "same" for one in compared))
