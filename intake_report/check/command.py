"""`intake-report check`: arguments, output and exit status."""

from __future__ import annotations

import argparse
import math
import os
import shutil
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from intake_report.errors import IntakeReportError

if TYPE_CHECKING:
    from intake_report.check.model import LogCheck
    from intake_report.check.text import Line

ACCEPTED, REPEAT, USAGE = 0, 1, 2
_PLAIN = str.maketrans(
    "▁▂▃▄▅▆▇█▒·•…≥≤–−├╌▲─\N{NO-BREAK SPACE}“”°", "__..--=#+.*.><--|-^- \"\"d"
)  # fmt: skip


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> argparse.ArgumentParser:
    """Add the command to the parser of all commands."""
    check = commands.add_parser(
        "check",
        help="say whether a log is good enough, while the vehicle is still instrumented",
        description="Say what a log is and whether the run can be accepted. Exit status: 0 every log accepted, with or "
        "without limitation; 1 a run has to be repeated or a log is unreadable; 2 wrong usage or a mistake in the campaign.",
    )
    check.add_argument("logs", nargs="+", type=Path, metavar="LOG", help="a log file; with --run, the parts of the run")
    check.add_argument(
        "--campaign", type=Path, help="the campaign that the run belongs to: its folder or campaign.toml"
    )
    check.add_argument("--run", dest="run_id", metavar="ID", help="the run of the campaign that the log is")
    check.add_argument("--json", action="store_true", help="one JSON object per log and line, for machines")
    check.set_defaults(run=run)
    return check


def run(arguments: argparse.Namespace) -> int:
    """Check the logs and say what was found; return the exit status."""
    from intake_report.check.chain import check_logs
    from intake_report.check.model import to_json

    if arguments.run_id and arguments.campaign is None:
        print("intake-report: --run names a run of a campaign: give --campaign as well.", file=sys.stderr)
        return USAGE
    found: list[LogCheck] = []
    try:
        for check in check_logs(arguments.logs, arguments.campaign, arguments.run_id, debug=arguments.debug):
            if arguments.json:
                print(to_json(check), flush=True)
            else:
                from intake_report.check.text import page

                _print(([] if not found else _rule()) + page(check, _width(), _height(arguments.logs)))
            found.append(check)
        if len(found) > 1 and not arguments.json:
            from intake_report.check.text import summary

            _print([*_rule(), *summary(found, _width())])
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
    return ACCEPTED if all(check.accepted for check in found) else REPEAT


def _width() -> int:
    """Return the columns of the terminal; of the one behind a pipe (`| less`) where output itself has none."""
    behind = 80
    for stream in (sys.__stderr__, sys.__stdin__):
        try:
            behind = os.get_terminal_size(stream.fileno()).columns if stream is not None else behind
            break
        except (OSError, ValueError):
            continue
    return shutil.get_terminal_size((behind, 24)).columns


def _height(logs: Sequence[Path]) -> float:
    """Return the rows of a terminal on which one log is shown; in a pipe, and before a summary, nothing scrolls away."""
    return shutil.get_terminal_size().lines - 2 if len(logs) == 1 and sys.stdout.isatty() else math.inf


def _rule() -> list[Line]:
    from intake_report.check.text import NARROWEST, WIDEST, Line

    return [Line(""), Line("─" * min(max(_width(), NARROWEST), WIDEST), "dim"), Line("")]


def _print(lines: Iterable[Line]) -> None:
    """Print with styles on a terminal, as plain text elsewhere."""
    encoding = (sys.stdout.encoding or "ascii").lower().replace("-", "")
    blocks = encoding.startswith("utf")
    if sys.stdout.isatty() and blocks:
        from rich.console import Console
        from rich.text import Text

        console = Console(highlight=False, soft_wrap=True)
        for line in lines:
            console.print(Text(line.text, style=line.style), soft_wrap=True)
        return
    for line in lines:
        text = line.text if blocks else line.text.translate(_PLAIN).encode("ascii", "replace").decode()
        print(text)
