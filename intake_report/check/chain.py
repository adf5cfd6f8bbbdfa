"""The check of each log: look, judge, conclude. Whatever goes wrong with one log stays with it."""

import argparse
import io
import itertools
import os
import re
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from intake_report import loaders
from intake_report.channels import CHANNELS, mapped_columns
from intake_report.check import logs as looking
from intake_report.check import page
from intake_report.check.logs import NEEDED, LogCheck
from intake_report.check.work import Work
from intake_report.clean import CleanRun, CrossCheck, clean, cross_checks
from intake_report.errors import IntakeReportError
from intake_report.loaders import ReadOptions
from intake_report.messages import said

ACCEPTED, REPEAT, USAGE = 0, 1, 2
_SHOWN_HEADERS = 8  # columns named where none was recognised
_TRACK = (
    "This is a position track without engine data: name it together with its log, as the parts of a run of a campaign."
)


def run(arguments: argparse.Namespace) -> int:
    """Check the logs and say what was found; return the exit status."""
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
                print(looking.to_json(check), flush=True)
            else:
                page.show(check, first=not checks)
            checks.append(check)
        if len(checks) > 1 and not arguments.json:
            page.show_summary(checks)
        if len(keep) > 1 and not arguments.json:
            from intake_report.check.runs import draft_text

            page.show_draft(draft_text(keep, next(c.mapping_text for c in checks if c.accepted)))
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


def check_logs(
    paths: Sequence[Path],
    campaign: Path | None = None,
    run: str | None = None,
    *,
    debug: bool = False,
    keep: dict[Path, CleanRun] | None = None,
) -> Iterator[LogCheck]:
    """Check logs, each on its own, in the order given; with `run`, the id of one of the campaign, they are its parts.

    `keep` is filled with the cleaned runs of logs that need not be repeated, where no campaign is given. CampaignError or
    DataError if the campaign, its weather or its limits cannot be used, or there is no such run.
    """
    if campaign is not None:
        from intake_report.check.runs import check_in_campaign

        yield from check_in_campaign(paths, campaign, run, debug)
        return
    keep = {} if keep is None else keep
    for path in paths:
        work = Work(LogCheck((str(path),), "unreadable"), debug)
        work.read((path,), ReadOptions())
        if not work.failed:
            stem = re.sub(r"[^A-Za-z0-9_-]+", "-", path.name.partition(".")[0]).strip("-_")[:40] or "log"
            taken = {run.run for run in keep.values()}
            ids = itertools.chain([stem], (f"{stem}-{n}" for n in itertools.count(2)))
            _look_alone(work, next(id for id in ids if id not in taken))
        check = work.concluded()
        if check.accepted and work.run is not None:
            keep[path] = work.run
        yield check


def _look_alone(work: Work, id: str) -> None:
    mapping = looking.proposed(work.proposals)
    described, text = looking.describe_columns(work.proposals, None, table=True)
    taken = (p for p in work.proposals if p.header in mapping and not p.certain)
    doubtful = (f"“{p.header}” was taken as {p.channel}, which is doubtful: {said(p.reason, 'si')}." for p in taken)
    weather = loaders.propose_weather(work.logs[0], f"logs/{work.logs[0].path.name}")
    text = "\n".join(filter(None, (text, weather)))
    work.learn(mapping_from="proposal", mapping_text=text, columns=described, notes=tuple(doubtful))
    if work.logs[0].format == "gpx":
        work.failed = _TRACK
    elif absent := [name for name in NEEDED if not any(t.startswith(f"{name} [") for t in mapping.values())]:
        names = " and ".join(CHANNELS[name].label.lower() for name in absent)
        columns = work.logs[0].columns
        headers = ", ".join(f"“{column.header}”" for column in columns[:_SHOWN_HEADERS])
        more = f" and {len(columns) - _SHOWN_HEADERS} more" if len(columns) > _SHOWN_HEADERS else ""
        work.failed = (
            f"No column was recognised as {names}. If the log has it under another name, state it in [log.columns] of a "
            f"campaign; if it has not, log it and repeat the run. Columns: {headers}{more}."
        )
        if not mapping:
            return

    def crossed(run: CleanRun) -> list[CrossCheck]:
        suspect = looking.suspect_airflow(work.logs, work.proposals)
        checks = cross_checks(run, columns=mapped_columns(mapping))
        return [suspect if suspect is not None and c.name == suspect.name else c for c in checks]

    work.look(mapping, lambda: clean(loaders.map_run(id, work.logs, mapping)), crossed)
