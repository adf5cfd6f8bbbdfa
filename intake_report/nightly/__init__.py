"""`intake-report nightly`, `archive`, `reproduce`: many campaigns unattended, and one to keep.

Only what reads the arguments is imported here.
"""

from __future__ import annotations

import argparse
import sys
from contextlib import suppress
from pathlib import Path

USAGE = 2


def add_nightly(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `nightly`."""
    parser.add_argument("roots", nargs="+", type=Path, metavar="ROOT", help="a campaign folder, or a folder above")
    reports = "folder of all reports, index.html and status.json (default: build/reports)"
    parser.add_argument("--out", type=Path, default=Path("build/reports"), help=reports)
    parser.add_argument("--jobs", type=_count, default=1, help="campaigns rendered at the same time (default: 1)")
    limit = "time limit of one campaign in minutes (default: 15)"
    parser.add_argument("--time-limit", type=_positive, default=15.0, metavar="MINUTES", help=limit)
    memory = "data that each process of a campaign may have (default: 4)"
    parser.add_argument("--memory-limit", type=_positive, default=4.0, metavar="GIB", help=memory)
    cluster = "render on this dask.distributed cluster, whose machines see the same files, in place of --jobs"
    parser.add_argument("--dask", default="", metavar="ADDRESS", help=cluster)


def _positive(text: str) -> float:
    with suppress(ValueError):
        if 0.0 < float(text) < 1e6:
            return float(text)
    raise argparse.ArgumentTypeError(f"“{text}” is not a number above 0")


def _count(text: str) -> int:
    if text.isdigit() and 0 < int(text) < 1000:
        return int(text)
    raise argparse.ArgumentTypeError(f"“{text}” is not a whole number from 1 to 999")


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


def add_archive(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `archive`."""
    parser.add_argument("campaign", type=Path, metavar="CAMPAIGN", help="a campaign folder or its campaign file")
    reports = "folder of all reports (default: build/reports)"
    parser.add_argument("--out", type=Path, default=Path("build/reports"), help=reports)
    parser.add_argument("--to", type=Path, metavar="FILE", help="the zip (default: <id>-<date>.zip here)")
    lock = "the lock of the environment, kept in the archive (default: .ci/requirements.lock, where it is)"
    parser.add_argument("--lock", type=Path, default=None, help=lock)


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


def add_reproduce(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `reproduce`."""
    parser.add_argument("archive", type=Path, metavar="ARCHIVE", help="a zip that archive wrote")


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
