"""The check of each log: look, judge, conclude. Whatever goes wrong with one log stays with it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar
from zoneinfo import ZoneInfo

from intake_report.check import look as looking
from intake_report.check.look import NEEDED, Look
from intake_report.check.model import LogCheck
from intake_report.check.own import log_criteria
from intake_report.check.wording import sentence
from intake_report.clean import CleanSettings, CrossCheck, cross_checks
from intake_report.errors import DataError, IntakeReportError
from intake_report.loaders import UNIT_OVERRIDDEN, Proposal, RawLog, ReadOptions, read_log

if TYPE_CHECKING:
    from intake_report.campaign import Campaign
    from intake_report.check.campaigns import Case
    from intake_report.check.judge import Court

Result = TypeVar("Result")
_EITHER = "One of the two is wrong: correct the unit under [log.columns], or the label in the logger."


def check_logs(
    paths: Sequence[Path], campaign: Path | None = None, run: str | None = None, *, debug: bool = False
) -> Iterator[LogCheck]:
    """Check logs, each on its own.

    Parameters
    ----------
    paths : sequence of Path
        Logs. With `run` they are the parts of that run.
    campaign : Path, optional
        Campaign file or its folder.
    run : str, optional
        Id of a run of the campaign, planned or driven.
    debug : bool
        Let errors through.

    Yields
    ------
    LogCheck
        In the order given; several parts of one run give one.

    Raises
    ------
    CampaignError, DataError
        If the campaign, its weather or its limits cannot be used, or there is no such run.
    """
    if campaign is None:
        for path in paths:
            opened = _open(LogCheck((str(path),), "unreadable"), (path,), ReadOptions(), debug)
            yield _conclude(_step(opened, lambda work: _without_campaign(work, debug), debug), debug)
        return
    yield from _in_campaign(paths, campaign, run, debug)


@dataclass(frozen=True)
class _Work:
    """What is known of a log so far; `failed` is the sentence that ended it."""

    known: LogCheck
    logs: tuple[RawLog, ...] = ()
    proposals: tuple[Proposal, ...] = ()
    seen: Look | None = None
    ambient_elsewhere: bool = False
    failed: str = ""


def _attempt(work: Callable[[], Result], debug: bool) -> tuple[Result | None, str]:
    """Return the result, or the sentence that says why there is none."""
    try:
        return work(), ""
    except IntakeReportError as error:
        if debug:
            raise
        return None, " ".join(str(error).split())
    except Exception as error:  # the boundary: a fault with one log must not take the others with it
        if debug:
            raise
        return None, " ".join(f"A fault of the program ({type(error).__name__}: {error}); --debug shows where.".split())


def _step(work: _Work, step: Callable[[_Work], _Work], debug: bool) -> _Work:
    """Take one step; where it fails, what is known so far stays."""
    result, failed = _attempt(lambda: step(work), debug)
    return replace(work, failed=failed) if result is None else result


def _open(known: LogCheck, files: Sequence[Path], options: ReadOptions, debug: bool) -> _Work:
    logs, failed = _attempt(lambda: tuple(read_log(path, options) for path in files), debug)
    if logs is None:
        return _Work(known, failed=failed)
    kinds = dict.fromkeys(log.format for log in logs)
    origin = logs[0].origin
    start = None
    if origin is not None and len(logs[0].time):
        start = (origin + timedelta(seconds=float(logs[0].time[0]))).isoformat(timespec="seconds")
    known = replace(known, format=" + ".join(kinds), rows=sum(len(log.time) for log in logs), start=start)
    found, _ = _attempt(lambda: looking.proposals(logs), debug)
    found = found or ()
    known = replace(known, columns=looking.describe_columns(found, None))
    return _Work(known, logs, found)


def _without_campaign(work: _Work, debug: bool) -> _Work:
    """Look at a log by what its columns are likely to be."""
    if work.failed:
        return work
    mapping = looking.proposed(work.proposals)
    doubtful = tuple(
        f"“{p.header}” was taken as {p.channel}, which is doubtful: {p.reason}."
        for p in work.proposals
        if p.header in mapping and not p.certain
    )
    known = replace(
        work.known,
        mapping_from="proposal",
        mapping_text=looking.mapping_text(work.proposals, work.known.columns),
        notes=doubtful,
    )
    work = replace(work, known=known)
    if work.logs[0].format != "gpx":
        absent = [name for name in NEEDED if not any(t.startswith(f"{name} [") for t in mapping.values())]
        if absent:
            names = " and ".join({"iat": "intake air temperature", "speed": "vehicle speed"}[name] for name in absent)
            headers = ", ".join(f"“{column.header or column.name}”" for column in work.logs[0].columns[:8])
            more = len(work.logs[0].columns) - 8
            why = (
                f"No column was recognised as {names}. If the log has it under another name, state it in [log.columns] "
                f"of a campaign; if it has not, log it and repeat the run. Columns: {headers}"
                f"{f' and {more} more' if more > 0 else ''}."
            )
            work = replace(work, failed=why)
            if not mapping:
                return work
    else:
        why = (
            "This is a position track without engine data: name it together with its log, as the parts of a run of a "
            "campaign."
        )
        work = replace(work, failed=why)
    seen, failed = _attempt(lambda: looking.look("log", work.logs, mapping), debug)
    if seen is None:
        return replace(work, failed=work.failed or failed)

    def crossed() -> tuple[CrossCheck, ...]:
        suspect = looking.suspect_airflow(work.logs, work.proposals)
        found = cross_checks(seen.run, airflow_label=seen.airflow_label)
        return tuple(suspect if suspect is not None and c.name == suspect.name else c for c in found)

    return _step(replace(work, seen=seen), lambda work: _describe(work, crossed, debug), debug)


def _describe(work: _Work, crossed: Callable[[], tuple[CrossCheck, ...]], debug: bool) -> _Work:
    """Add channels, faults, cross checks and timeline."""
    seen = work.seen
    assert seen is not None
    checks, _ = _attempt(crossed, debug)
    start = work.known.start if seen.run.start is None else seen.run.start.isoformat(timespec="seconds")
    known = replace(
        work.known,
        start=start,
        duration=looking.duration_of(seen.run),
        channels=looking.describe_channels(seen),
        quality=looking.describe_quality(seen.run),
        cross_checks=looking.describe_cross_checks(checks or ()),
        timeline=looking.timeline(seen.run),
    )
    return replace(work, known=known)


def _in_campaign(paths: Sequence[Path], file: Path, run: str | None, debug: bool) -> Iterator[LogCheck]:
    from intake_report.check.campaigns import cases, open_campaign
    from intake_report.check.judge import Court

    campaign, notes = open_campaign(file)
    court = Court(campaign)
    found = cases(paths, campaign, run)
    works = [_look_for_campaign(case, campaign, court, debug) for case in found]
    # Runs that replace or join those of the campaign are not compared with what they replace.
    for case, work in zip(found, works, strict=True):
        if case.found_by == "file" and case.entry is not None and work.seen is not None:
            court.admit(work.seen.run)
    court.summon(leave_out=[c.entry.id for c in found if c.entry is not None])
    for case, work in zip(found, works, strict=True):
        done = _conclude(_judged(case, work, court, debug), debug)
        yield replace(done, notes=(*done.notes, *notes))


def _look_for_campaign(case: Case, campaign: Campaign, court: Court, debug: bool) -> _Work:
    """Look at a log with the campaign's mapping and settings."""
    from intake_report.analyse.inputs import cited, declared_resolution, read_options, run_start

    entry = case.entry
    assert entry is not None
    candidate = case.found_by == "candidate"
    known = LogCheck(
        tuple(str(path) for path in case.files),
        "unreadable",
        units=campaign.about.units,
        campaign=campaign.about.id,
        run=None if candidate else entry.id,
        configuration=None if candidate else campaign.configuration(entry.configuration).name,
        block=entry.block,
        found_by=case.found_by,
        notes=case.notes,
    )
    log, start = campaign.log_of(entry), run_start(campaign, entry)
    options = read_options(campaign, log)
    if start is not None and options.date is None:
        zone = ZoneInfo(options.timezone or "UTC")
        options = replace(options, date=start.astimezone(zone).date())  # the stated start dates a clock without a date
    work = _open(known, case.files, options, debug)
    if work.failed:
        return work
    settings = CleanSettings(resolution=declared_resolution(campaign))

    def mapped() -> Look:
        try:
            return looking.look(entry.id, work.logs, log.columns, settings, start)
        except DataError as error:
            raise cited(error, campaign, entry, campaign.given) from None

    seen, failed = _attempt(mapped, debug)
    columns = looking.describe_columns(work.proposals, log.columns if seen is not None else None)
    known = replace(
        work.known,
        columns=columns,
        mapping_from="campaign" if seen is not None else "",
        mapping_text=looking.mapping_text(work.proposals, columns, table=not campaign.log.columns),
    )
    work = replace(work, known=known, failed=failed)
    if seen is None:
        return work
    work = _step(
        replace(work, seen=seen),
        lambda work: _describe(work, lambda: court.cross_check(seen.run, seen.airflow_label), debug),
        debug,
    )
    if seen.run.start is not None:
        local = seen.run.start.tz_convert(campaign.about.timezone).isoformat(timespec="seconds")
        work = replace(work, known=replace(work.known, start=local))
    return work


def _judged(case: Case, work: _Work, court: Court, debug: bool) -> _Work:
    """Add what the campaign says."""
    entry, seen = case.entry, work.seen
    if work.failed or entry is None or seen is None:
        return work
    judged, failed = _attempt(lambda: court.judge(entry, seen.run), debug)
    known = work.known
    if judged is None:
        return replace(work, known=replace(known, limitations=(f"It could not be compared: {failed}",)))
    excluded = (f"The campaign leaves this run out: {entry.exclude}",) if entry.exclude else ()
    known = replace(
        known,
        drive=judged.drive,
        criteria=judged.criteria,
        pairs=judged.pairs,
        limitations=judged.limitations,
        notes=(*known.notes, *excluded, *judged.notes),
        compared=judged.compared,
    )
    return replace(work, known=known, ambient_elsewhere=judged.ambient_known)


def _conclude(work: _Work, debug: bool) -> LogCheck:
    """Apply the criteria of the log itself and give the verdict."""
    known, seen = work.known, work.seen
    if work.failed or seen is None:
        return replace(known, verdict="unreadable", reasons=(work.failed,))
    concluded, failed = _attempt(lambda: _verdict(known, seen, work.ambient_elsewhere), debug)
    return concluded or replace(known, verdict="unreadable", reasons=(failed,))


def _verdict(known: LogCheck, seen: Look, ambient_elsewhere: bool) -> LogCheck:
    criteria = (*log_criteria(seen.run, known.cross_checks, ambient_elsewhere), *known.criteria)
    hard = tuple(sentence(c, known.units, known.pairs) for c in criteria if c.outcome == "fail" and c.hard)
    soft = tuple(sentence(c, known.units, known.pairs) for c in criteria if c.outcome == "fail" and not c.hard)
    overridden = (f"{q.reason} {_EITHER}" for q in seen.run.quality if q.step == UNIT_OVERRIDDEN)
    limitations = tuple(dict.fromkeys((*overridden, *soft, *known.limitations)))
    known = replace(known, criteria=criteria, limitations=limitations)
    if hard:
        return replace(known, verdict="repeat the run", reasons=hard)
    if limitations:
        return replace(known, verdict="accept with limitation", reasons=limitations)
    return replace(known, verdict="accept", reasons=(_accepted(known),))


def _accepted(known: LogCheck) -> str:
    met = sum(c.outcome == "pass" for c in known.criteria)
    if known.campaign is None:
        return f"The log meets all {met} criteria that need no campaign; route and comparability were not judged."
    return f"All {met} criteria that could be applied are met."
