"""The check of each log: look, judge, conclude. Whatever goes wrong with one log stays with it."""

from __future__ import annotations

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
from typing import TYPE_CHECKING

from intake_report import loaders
from intake_report.check import logs as looking
from intake_report.check import page
from intake_report.check.logs import SeenLog
from intake_report.check.model import NEEDED, CriterionCheck, LogCheck, duration_of, timeline, to_json
from intake_report.check.page import judged_text, limit_text
from intake_report.clean import CleanRun, CrossCheck, clean, cross_checks
from intake_report.errors import DataError, IntakeReportError
from intake_report.formatting import usual
from intake_report.loaders import Proposal, RawLog, ReadOptions
from intake_report.messages import said

if TYPE_CHECKING:
    from intake_report.campaign import Campaign
    from intake_report.check.runs import Court, LogCase

_SHOWN_HEADERS = 8  # columns named where none was recognised
_EITHER = "One of the two is wrong: correct the unit under [log.columns], or the label in the logger."
_TRACK = (
    "This is a position track without engine data: name it together with its log, as the parts of a run of a campaign."
)
_NEEDED_NAMES = {"iat": "intake air temperature", "speed": "vehicle speed"}


ACCEPTED, REPEAT, USAGE = 0, 1, 2


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
                print(to_json(check), flush=True)
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
        yield from _in_campaign(paths, campaign, run, debug)
        return
    for path in paths:
        work = _Work(LogCheck((str(path),), "unreadable"), debug)
        work.read((path,), ReadOptions())
        if not work.failed:
            _look_alone(work, _free_id(path, keep))
        check = work.concluded()
        if keep is not None and check.accepted and work.seen is not None:
            keep[path] = work.seen.run
        yield check


def _free_id(path: Path, keep: Mapping[Path, CleanRun] | None) -> str:
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", path.name.partition(".")[0]).strip("-_")[:40] or "log"
    taken = {run.run for run in (keep or {}).values()}
    return next(id for n in itertools.count(1) if (id := stem if n == 1 else f"{stem}-{n}") not in taken)


@dataclass
class _Work:
    """What is known of a log so far; `failed` is the sentence that ended it."""

    check: LogCheck
    debug: bool
    logs: tuple[RawLog, ...] = ()
    proposals: tuple[Proposal, ...] = ()
    seen: SeenLog | None = None
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

    def look(self, seen: Callable[[], SeenLog], crossed: Callable[[SeenLog], Sequence[CrossCheck]]) -> None:
        """Map and clean the log; add its channels, faults, cross checks and timeline."""
        with self.attempt():
            self.seen = seen()
            run, units = self.seen.run, self.check.units
            start = self.check.start if run.start is None else run.start.isoformat(timespec="seconds")
            self.learn(
                start=start,
                duration=duration_of(run),
                channels=looking.describe_channels(self.seen),
                quality=looking.describe_quality(run, units),
                timeline=timeline(run),
                soak_text=looking.soak_check_text(run, start),
                cross_checks=looking.describe_cross_checks(crossed(self.seen), units),
            )

    def concluded(self) -> LogCheck:
        """Apply the criteria of the log itself and give the verdict."""
        if self.seen is not None and not self.failed:
            with self.attempt():
                return self._verdict(self.seen)
        return replace(self.check, verdict="unreadable", reasons=(self.failed,))

    def _verdict(self, seen: SeenLog) -> LogCheck:
        known = self.check
        own = looking.log_criteria(seen.run, known.cross_checks, self.ambient_elsewhere, known.units)
        criteria = (*own, *known.criteria)
        failed = [(c.hard, sentence(c, known)) for c in criteria if c.outcome == "fail"]
        hard = tuple(text for is_hard, text in failed if is_hard)
        soft = [text for is_hard, text in failed if not is_hard]
        overridden = (
            f"{said(q.reason, known.units)} {_EITHER}" for q in seen.run.quality if q.step == loaders.UNIT_OVERRIDDEN
        )
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
    limit, value = limit_text(check, known.units), judged_text(check, known.units)
    if check.group != "alike":
        return f"{check.title}: {value} (limit {limit}). {check.reason if check.group == 'log' else ''}".strip()
    own = "" if check.own is None else f" {usual(check.own, check.own_quantity, known.units)},"
    apart = (p for p in known.pairs if p["code"] == check.code)
    farthest = ""
    if pair := max(apart, key=lambda p: p["value"] or 0.0, default=None):
        farthest = f"; farthest from {pair['other']}, {usual(pair['value'], pair['quantity'], known.units)}"
    return f"{check.title}:{own} {value} from the median of the runs (limit {limit}){farthest}."


def _look_alone(work: _Work, id: str) -> None:
    mapping = looking.proposed(work.proposals)
    columns, text = looking.describe_columns(work.proposals, None, table=True)
    taken = (p for p in work.proposals if p.header in mapping and not p.certain)
    doubtful = (f"“{p.header}” was taken as {p.channel}, which is doubtful: {said(p.reason, 'si')}." for p in taken)
    weather = loaders.propose_weather(work.logs[0], f"logs/{work.logs[0].path.name}")
    text = "\n".join(filter(None, (text, weather)))
    work.learn(mapping_from="proposal", mapping_text=text, columns=columns, notes=tuple(doubtful))
    if work.logs[0].format == "gpx":
        work.failed = _TRACK
    else:
        absent = [name for name in NEEDED if not any(t.startswith(f"{name} [") for t in mapping.values())]
        work.failed = _not_recognised(work.logs[0], absent) if absent else ""
        if not mapping:
            return

    def crossed(seen: SeenLog) -> list[CrossCheck]:
        suspect = looking.suspect_airflow(work.logs, work.proposals)
        checks = cross_checks(seen.run, airflow_label=seen.airflow_label)
        return [suspect if suspect is not None and c.name == suspect.name else c for c in checks]

    work.look(lambda: SeenLog(clean(loaders.map_run(id, work.logs, mapping)), mapping), crossed)


def _not_recognised(log: RawLog, absent: Sequence[str]) -> str:
    names = " and ".join(_NEEDED_NAMES[name] for name in absent)
    headers = ", ".join(f"“{column.header}”" for column in log.columns[:_SHOWN_HEADERS])
    more = len(log.columns) - _SHOWN_HEADERS
    return (
        f"No column was recognised as {names}. If the log has it under another name, state it in [log.columns] of a "
        f"campaign; if it has not, log it and repeat the run. Columns: {headers}{f' and {more} more' if more > 0 else ''}."
    )


def _in_campaign(paths: Sequence[Path], file: Path, run: str | None, debug: bool) -> Iterator[LogCheck]:
    from intake_report.check.runs import Court, cases, open_campaign

    campaign, notes = open_campaign(file)
    court = Court(campaign)
    to_judge = cases(paths, campaign, run)
    works = [_look_for_campaign(case, campaign, court, debug) for case in to_judge]
    # Runs that replace or join those of the campaign are not compared with what they replace.
    for case, work in zip(to_judge, works, strict=True):
        if case.found_by == "file" and work.seen is not None:
            court.cleaned[work.seen.run.run] = work.seen.run
    court.summon(leave_out=[case.entry.id for case in to_judge])
    for case, work in zip(to_judge, works, strict=True):
        _judge(case, work, court)
        check = work.concluded()
        yield replace(check, notes=(*check.notes, *notes))


def _look_for_campaign(case: LogCase, campaign: Campaign, court: Court, debug: bool) -> _Work:
    from intake_report.analyse.describe import cross_check
    from intake_report.analyse.inputs import cited, declared_resolution, read_options, run_start

    entry = case.entry
    candidate = case.found_by == "candidate"
    about, name = campaign.about, campaign.configuration(entry.configuration).name
    known = LogCheck(
        tuple(map(str, case.files)), "unreadable", units=about.units, campaign=about.id, found_by=case.found_by,
        run=None if candidate else entry.id, configuration=None if candidate else name, block=entry.block, notes=case.notes,
    )  # fmt: skip
    work = _Work(known, debug)
    log, start = campaign.log_of(entry), run_start(campaign, entry)
    work.read(case.files, read_options(campaign, log), start)
    if work.failed:
        return work

    def seen() -> SeenLog:
        try:
            run = loaders.map_run(entry.id, work.logs, log.columns, start=start)
            return SeenLog(clean(run, declared_resolution(campaign)), log.columns)
        except DataError as error:
            raise cited(error, campaign, entry, campaign.given) from None

    work.look(seen, lambda seen: cross_check(campaign, seen.run, court.records, seen.airflow_label))
    mapping = log.columns if work.seen is not None else None
    columns, text = looking.describe_columns(work.proposals, mapping, table=not campaign.log.columns)
    work.learn(columns=columns, mapping_from="campaign" if work.seen is not None else "", mapping_text=text)
    if work.seen is not None and work.seen.run.start is not None:
        work.learn(start=work.seen.run.start.tz_convert(campaign.about.timezone).isoformat(timespec="seconds"))
    return work


def _judge(case: LogCase, work: _Work, court: Court) -> None:
    if work.failed or work.seen is None:
        return
    trial = _Work(work.check, work.debug)
    with trial.attempt():
        fields, work.ambient_elsewhere = court.judge(case.entry, work.seen.run)
        excluded = (f"The campaign leaves this run out: {case.entry.exclude}",) if case.entry.exclude else ()
        work.learn(**fields | {"notes": (*work.check.notes, *excluded, *fields["notes"])})
    if trial.failed:
        work.learn(limitations=(f"It could not be compared: {trial.failed}",))
