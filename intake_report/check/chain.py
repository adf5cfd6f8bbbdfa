"""The check of each log: look, judge, conclude. Whatever goes wrong with one log stays with it."""

import argparse
import io
import itertools
import os
import re
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from intake_report import loaders
from intake_report.channels import CHANNELS
from intake_report.check import logs as looking
from intake_report.check import page
from intake_report.check.logs import NEEDED, CriterionCheck, LogCheck
from intake_report.clean import CleanRun, CrossCheck, clean, cross_checks
from intake_report.errors import IntakeReportError
from intake_report.formatting import usual
from intake_report.loaders import Proposal, RawLog, ReadOptions
from intake_report.messages import said

ACCEPTED, REPEAT, USAGE = 0, 1, 2
_SHOWN_HEADERS = 8  # columns named where none was recognised
_EITHER = "One of the two is wrong: correct the unit under [log.columns], or the label in the logger."
_TRACK = (
    "This is a position track without engine data: name it together with its log, as the parts of a run of a campaign."
)
Crossed = Callable[[CleanRun, str], Sequence[CrossCheck]]  # by run and label of the airflow


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


@dataclass
class Work:
    """What is known of a log so far; `failed` is the sentence that ended it."""

    check: LogCheck
    debug: bool
    logs: tuple[RawLog, ...] = ()
    proposals: tuple[Proposal, ...] = ()
    run: CleanRun | None = None
    ambient_elsewhere: bool = False
    failed: str = ""

    @contextmanager
    def attempt(self) -> Iterator[None]:
        """Take one step; where it fails, what is known so far stays: a fault with one log must not take the others with it."""
        try:
            yield
        except Exception as error:
            if self.debug:
                raise
            fault = f"A fault of the program ({type(error).__name__}: {error}); --debug shows where."
            text = str(error) if isinstance(error, IntakeReportError) else fault
            self.failed = self.failed or " ".join(text.split())

    def learn(self, **known: object) -> None:
        """Add what is known to the check."""
        self.check = replace(self.check, **known)  # type: ignore[arg-type]

    def read(self, files: Sequence[Path], options: ReadOptions, start: datetime | None = None) -> None:
        """Read the log or the parts of the run, and propose what its columns are."""
        with self.attempt():
            self.logs = loaders.read_parts(files, options, start)
            first = self.logs[0]
            begin = first.origin and first.origin + timedelta(seconds=float(first.time[0]))
            kinds = " + ".join(dict.fromkeys(log.format for log in self.logs))
            rows = sum(len(log.time) for log in self.logs)
            self.learn(format=kinds, rows=rows, start=begin and begin.isoformat(timespec="seconds"))
            self.proposals = loaders.propose_mapping(first) if first.format != "gpx" else ()
            self.learn(columns=looking.describe_columns(self.proposals, None, table=True)[0])

    def look(self, mapping: Mapping[str, str], cleaned: Callable[[], CleanRun], crossed: Crossed) -> None:
        """Map and clean the log; add its channels, faults, cross checks and timeline."""
        with self.attempt():
            run, units = cleaned(), self.check.units
            self.run = run
            start = self.check.start if run.start is None else run.start.isoformat(timespec="seconds")
            flow = next((t.partition("[")[2].rstrip("] ") for t in mapping.values() if t.startswith("maf")), "g/s")
            told, checks = looking.DESCRIBES, crossed(run, flow)
            quality = ({**vars(q), "reason": said(q.reason, units), "fault": q.step not in told} for q in run.quality)
            numbers = ({name: n for name, n in c.numbers.items() if np.isfinite(n)} for c in checks)
            crossing = zip(checks, numbers, strict=True)
            self.learn(
                start=start,
                duration=looking.duration_of(run),
                channels=looking.describe_channels(run, mapping),
                quality=tuple(quality),
                timeline=looking.timeline(run),
                soak_text=looking.soak_check_text(run, start),
                cross_checks=tuple({**vars(c), "numbers": n, "evidence": said(c.evidence, units)} for c, n in crossing),
            )

    def concluded(self) -> LogCheck:
        """Apply the criteria of the log itself and give the verdict."""
        if self.run is not None and not self.failed:
            with self.attempt():
                return self._verdict(self.run)
        return replace(self.check, verdict="unreadable", reasons=(self.failed,))

    def _verdict(self, run: CleanRun) -> LogCheck:
        known = self.check
        own = looking.log_criteria(run, known.cross_checks, self.ambient_elsewhere, known.units)
        criteria = (*own, *known.criteria)
        failed = [(c.hard, sentence(c, known)) for c in criteria if c.outcome == "fail"]
        hard = tuple(text for is_hard, text in failed if is_hard)
        soft = [text for is_hard, text in failed if not is_hard]
        labels = (q.reason for q in run.quality if q.step == loaders.UNIT_OVERRIDDEN)
        overridden = (f"{said(label, known.units)} {_EITHER}" for label in labels)
        limitations = tuple(dict.fromkeys((*overridden, *soft, *known.limitations)))
        known = replace(known, criteria=criteria, limitations=limitations)
        if hard:
            return replace(known, verdict="repeat the run", reasons=hard)
        if limitations:
            return replace(known, verdict="accept with limitation", reasons=limitations)
        met = sum(c.outcome == "pass" for c in criteria)
        alone = f"The log meets all {met} criteria that need no campaign; route and comparability were not judged."
        accepted = alone if known.campaign is None else f"All {met} criteria that could be applied are met."
        return replace(known, verdict="accept", reasons=(accepted,))


def sentence(check: CriterionCheck, known: LogCheck) -> str:
    """Return one sentence on a criterion that was not met, with the run that is farthest in it."""
    if check.complete or (check.quantity == "count" and check.limit == 0.0 and check.group == "route" and check.reason):
        return check.reason
    if check.code == "rain":
        return "Rain: not as on the other runs."
    found, value, limit = page.texts_of(check, known.units)
    if check.group != "alike":
        return f"{check.title}: {found} (limit {limit}). {check.reason if check.group == 'log' else ''}".strip()
    apart = (p for p in known.pairs if p["code"] == check.code)
    pair = max(apart, key=lambda p: p["value"] or 0.0, default=None)
    farthest = f"; farthest from {pair['other']}, {usual(pair['value'], pair['quantity'], known.units)}" if pair else ""
    own = f" {found}," if found else ""
    return f"{check.title}:{own} {value} from the median of the runs (limit {limit}){farthest}."


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

    def crossed(run: CleanRun, flow: str) -> list[CrossCheck]:
        suspect = looking.suspect_airflow(work.logs, work.proposals)
        checks = cross_checks(run, airflow_label=flow)
        return [suspect if suspect is not None and c.name == suspect.name else c for c in checks]

    work.look(mapping, lambda: clean(loaders.map_run(id, work.logs, mapping)), crossed)
