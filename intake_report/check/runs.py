"""Which run of a campaign a log is, and that run among the others: on the route, with every acceptance criterion."""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal, NamedTuple

from intake_report import formatting
from intake_report.align import CRITERIA, Alignment, Check, Comparability, align_runs, propose_phases
from intake_report.analyse import inputs
from intake_report.analyse.acceptance import judge_runs, one_drive
from intake_report.analyse.ambient import choose_ambient
from intake_report.analyse.claim_check import NO_PULL, campaign_mistakes, deciding_keys
from intake_report.analyse.describe import cross_check, phases_text
from intake_report.analyse.measure import build_series, metric_keys
from intake_report.campaign import NO_RUN, Campaign, Run, cross_checks, read_campaign, refuse
from intake_report.check.logs import CriterionCheck, LogCheck, describe_columns, finite, own_criterion
from intake_report.check.work import Work
from intake_report.clean import CleanRun, clean
from intake_report.errors import CampaignError, DataError, IntakeReportError, nearest
from intake_report.loaders import map_run
from intake_report.messages import Listing, Part, message, said
from intake_report.metrics import RunSeries, evaluate
from intake_report.results.text import title_of

_OWN_QUANTITY = {
    "ambient": "temperature", "start-coolant": "temperature", "start-over-ambient": "temperature_difference",
    "stop-time": "time", "stops": "count", "ramp-acceleration": "acceleration", "time-of-day": "clock", "wind": "speed",
}  # fmt: skip


class LogCase(NamedTuple):
    """One run to be judged."""

    files: tuple[Path, ...]  # the log or the parts of the run
    entry: Run  # its entry in the campaign, or one made up for a candidate
    found_by: str  # "file", "name", "option" or "candidate"
    notes: tuple[str, ...] = ()


def open_campaign(path: Path, *, planned: bool = False) -> tuple[Campaign, tuple[str, ...]]:
    """Read a campaign whose files may be absent yet, without weather that is (one note each); `planned`: no run."""
    campaign = read_campaign(path)
    logs = [campaign.log, *(run.log for run in campaign.runs if run.log)]
    # a check cannot do without these: where the route lies, what was planned, how to read a log
    needed = {campaign.route.reference, campaign.plan.issued, *(log.dbc for log in logs)}
    absent = {f for f in campaign.input_paths() if f not in needed and not (campaign.folder / f).is_file()}
    errors = (e for e in cross_checks(campaign, campaign.given) if not (planned and e.where == NO_RUN))
    refuse(error for error in errors if error.absent not in absent)
    gone = [source for source in campaign.weather if source.file in absent]
    kept = tuple(source for source in campaign.weather if source not in gone)
    notes = [f"The weather source {source.id} is left out: {source.file} is not there yet." for source in gone]
    ambient = campaign.ambient
    if ambient.reference in {source.id for source in gone}:
        ambient = ambient.model_copy(update={"reference": "auto"})
        notes.append("It is the campaign's ambient reference; ambient is judged by what else was recorded.")
    return campaign.model_copy(update={"weather": kept, "ambient": ambient}), tuple(notes)


def _present(campaign: Campaign, run: Run) -> bool:
    return all((campaign.folder / file).is_file() for file in run.files)


def _stated(campaign: Campaign, run: Run) -> list[Path]:
    return [(campaign.folder / file).resolve() for file in run.files]


def cases(paths: Sequence[Path], campaign: Campaign, run: str | None) -> list[LogCase]:
    """Sort the logs of the command line into runs; `run` is the id of the one that all of them are (parts of)."""
    if run is not None:
        entry = next((r for r in campaign.runs if r.id == run), None)
        if entry is None:
            remedy = nearest(run, [r.id for r in campaign.runs], "The campaign has:")
            raise CampaignError(f"there is no run “{run}”.", file=campaign.file, where="--run", remedy=remedy)
        notes: tuple[str, ...] = ()
        if {path.resolve() for path in paths} != set(_stated(campaign, entry)) and _present(campaign, entry):
            notes = (f"Judged in place of {', '.join(entry.files)}, which the campaign names for {run}.",)
        return [LogCase(tuple(paths), entry, "option", notes)]
    rows: dict[str, LogCase] = {}
    for path in paths:
        case = _case(path, campaign)
        # another part of a run that is judged as a whole is not judged again
        rows.setdefault(case.entry.id if case.found_by == "file" else str(path), case)
    return list(rows.values())


def _case(path: Path, campaign: Campaign) -> LogCase:
    here = path.resolve()
    for run in campaign.runs:
        if here in _stated(campaign, run):
            if len(run.files) == 1 or not _present(campaign, run):
                return LogCase((path,), run, "file")
            parts = tuple(campaign.folder / file for file in run.files)
            return LogCase(parts, run, "file", (f"{path.name} is one of {len(parts)} parts; the whole run is judged.",))
    for run in campaign.runs:
        if [Path(file).name for file in run.files] == [path.name] and not _present(campaign, run):
            note = f"Taken for the planned run {run.id} by its file name; --run states another."
            return LogCase((path,), run, "name", (note,))
    id, taken = path.name.partition(".")[0] or "candidate", {run.id for run in campaign.runs}
    while id in taken:
        id += "-candidate"
    # model_copy does not validate: the path may lie outside the campaign's folder, since nothing is published from it
    own = {"id": id, "files": (str(here),), "control": ()}
    entry = campaign.runs[0].model_copy(update=own | dict.fromkeys(("block", "start", "exclude", "log", "rain")))
    note = "Not a run of this campaign: judged as a candidate against the others; --run states which it is."
    return LogCase((path,), entry, "candidate", (note,))


class Court:
    """A campaign with its readable runs; a run is aligned with the others once, however many logs are judged."""

    def __init__(self, campaign: Campaign) -> None:
        """Read limits and weather, so that a mistake in them is reported before any log is judged."""
        # pulls may come after the runs
        refuse(error for error in campaign_mistakes(campaign) if error.remedy != NO_PULL)
        self.campaign, self.records = campaign, inputs.weather_records(campaign)
        metrics = metric_keys(campaign)
        self.asked = [k for k in metrics if k.key in deciding_keys(campaign, metrics) and k.spec.group != "engine"]
        # by run id: filled by `summon`; runs that are checked themselves come in before, so that no log is read twice
        self.cleaned: dict[str, CleanRun] = {}
        self.unread: dict[str, str] = {}
        self._aligned: dict[tuple[int, ...], Alignment] = {}

    def summon(self, leave_out: Sequence[str] = ()) -> None:
        """Read and clean the other runs; one that cannot be read is left out and remembered."""
        for entry in self.campaign.runs:
            if entry.id in {*self.cleaned, *self.unread, *leave_out} or not _present(self.campaign, entry):
                continue
            try:
                (self.cleaned[entry.id],) = inputs.clean_logs(self.campaign, (inputs.load_one(self.campaign, entry),))
            except IntakeReportError as error:
                self.unread[entry.id] = str(error)

    def judge(self, entry: Run, run: CleanRun) -> tuple[dict[str, Any], bool]:
        """Compare one run with the others: fields of `LogCheck`, and whether the campaign knows its ambient."""
        others = [e for e in self.campaign.runs if e.id in self.cleaned and e.id != entry.id]
        others = [e for e in others if self.cleaned[e.id].has("speed") or self.cleaned[e.id].has("latitude")]
        order = {e.id: place for place, e in enumerate(self.campaign.runs)}
        entries = sorted([*others, entry], key=lambda e: order.get(e.id, len(order)))
        runs = tuple(run if e is entry else self.cleaned[e.id] for e in entries)
        route = self.campaign.route
        if route.reference_run not in {e.id for e in entries}:
            route = route.model_copy(update={"reference_run": None})
        campaign = self.campaign.model_copy(update={"runs": tuple(entries), "route": route})
        key = tuple(id(one) for one in runs)
        if key not in self._aligned:
            self._aligned[key] = inputs.align_logs(campaign, runs)
        alignment = self._aligned[key]
        drives = inputs.pair(campaign, runs, alignment)
        ambient = choose_ambient(campaign, drives, self.records)
        comparability = judge_runs(campaign, drives, alignment, ambient, self.records)
        aligned = alignment.run(entry.id)
        names = tuple(e.id for e in others)
        beside = {(self.campaign.folder / file).resolve() for e in self.campaign.runs for file in e.control}
        alone_there = entry.exclude or beside & {path.resolve() for path in run.sources}
        rivals = [] if alone_there else [e for e in others if not e.exclude]
        twice = [why for e in rivals if (why := one_drive(self.campaign, (e, entry), (self.cleaned[e.id], run)))]
        reason = " ".join(f"This run {what} {remedy}" for what, remedy in twice)
        alike = own_criterion("one-drive", len(twice), reason, hard=True, whole=True)
        alone = not names and self.campaign.route.reference is None
        own = [c for c in comparability.checks if c.runs == (entry.id,)]
        pairs = [
            {
                "code": c.code, "other": next(id for id in c.runs if id != entry.id), "quantity": CRITERIA[c.code].shown,
                "limit": float(c.limit), "value": finite(c.value), "outcome": c.outcome,
            }
            for c in comparability.pairs
            if entry.id in c.runs
        ]  # fmt: skip
        distance, entered = aligned.distance.dropna(), aligned.highway_entry
        phases = [
            {"phase": s.phase, "start": float(s.start), "end": float(s.end), "complete": s.complete}
            for s in aligned.phases
        ]
        drive = {
            "distance": float(distance.iloc[-1] - distance.iloc[0]) if len(distance) else None,
            "coverage": float(aligned.coverage), "stops": len(aligned.stops),
            "stopped": float(sum(stop.duration for stop in aligned.stops)),
            "highway_entry": None if entered is None else float(entered), "phases": tuple(phases),
        }  # fmt: skip
        proposed = "" if campaign.route.phases else phases_text(propose_phases(alignment), campaign.about.units)
        series = build_series(campaign, next(one for one in drives if one.entry.id == entry.id), ambient)
        fields = {
            "drive": drive,
            "criteria": (alike, *(self._criterion(c, comparability, alone) for c in own)),
            "pairs": tuple(pairs),
            "limitations": (*self._lacking(series), *(self._plain(f.text) for f in aligned.findings if not f.hard)),
            "notes": tuple(self._plain(note) for note in self._notes(alignment, comparability, entry, names)),
            "compared": names,
            "phases_text": proposed,
        }
        return fields, entry.id in ambient.series

    def _lacking(self, series: RunSeries) -> list[str]:
        """Return for which metrics of claims and decision the run yields no value; what it lacks of ambient is a criterion."""
        known = [k for k in self.asked if series.ambient is not None or "over-ambient" not in k.spec.needs]
        values = [(k, evaluate(k, series)) for k in known if series.time.size]
        lacking = [(k, v.reason) for k, v in values if v.status == "not computed"]
        parts = tuple(message("{title:lower} ({why})", title=title_of(k), why=why) for k, why in lacking)
        text = "It gives no value for {parts}, which the campaign asks for."
        return [self._plain(message(text, parts=Listing(parts)))] if parts else []

    def _plain(self, part: Part) -> str:
        return said(part, self.campaign.about.units)

    def _notes(self, alignment: Alignment, judged: Comparability, entry: Run, others: Sequence[str]) -> Iterator[Part]:
        """Yield how the run was put on the route, which runs it was compared with, and why the rest does not count."""
        yield from alignment.notes
        yield from alignment.run(entry.id).notes
        if others:
            yield f"Compared with {formatting.listing(list(others))}."
        for id, why in judged.excluded().items():
            if id in others:
                reasons = " ".join(self._plain(part) for part in why)
                yield f"The run {id} does not count in the median of the runs: {reasons}"
        for other in self.campaign.runs:
            if other.id in self.unread:
                yield f"The run {other.id} could not be read: {self.unread[other.id]}"
            elif other.id in self.cleaned and other.id not in (entry.id, *others):
                yield f"The run {other.id} does not count: its log has neither a speed nor a position."
            elif not _present(self.campaign, other) and other.id != entry.id:
                yield f"The run {other.id} does not count: its log is not there yet."
        if not self.campaign.route.phases:
            yield "The campaign states no [[route.phase]], so that highway entry, ramp and recovery cannot be judged."

    def _criterion(self, check: Check, comparability: Comparability, alone: bool) -> CriterionCheck:
        spec = CRITERIA[check.code]
        outcome, value, reason = check.outcome, check.value, self._plain(check.reason)
        if alone and check.code in ("coverage", "cross-track"):
            # the path was drawn from this very run
            outcome, value, reason = "unknown", None, "the route is known from this run alone"
        fact = comparability.facts[check.runs[0]].by_code[check.code]
        own = fact if check.code in _OWN_QUANTITY and isinstance(fact, float) else None
        group: Literal["route", "alike"] = "route" if spec.scope == "run" else "alike"
        return CriterionCheck(
            check.code, check.title, group, spec.shown, spec.sense, float(check.limit), finite(value),
            finite(own), _OWN_QUANTITY.get(check.code, ""), check.hard, outcome, reason, complete=check.code == "one-pass",
        )  # fmt: skip


def check_in_campaign(paths: Sequence[Path], file: Path, run: str | None, debug: bool) -> Iterator[LogCheck]:
    """Check logs as runs of a campaign; see `check_logs`."""
    campaign, notes = open_campaign(file)
    court = Court(campaign)
    to_judge = cases(paths, campaign, run)
    works = [_look(case, court, debug) for case in to_judge]
    # Runs that replace or join those of the campaign are not compared with what they replace.
    for case, work in zip(to_judge, works, strict=True):
        if case.found_by == "file" and work.run is not None:
            court.cleaned[work.run.run] = work.run
    court.summon(leave_out=[case.entry.id for case in to_judge])
    for case, work in zip(to_judge, works, strict=True):
        trial = Work(work.check, work.debug)
        if work.run is not None and not work.failed:
            with trial.attempt():
                fields, work.ambient_elsewhere = court.judge(case.entry, work.run)
                excluded = (f"The campaign leaves this run out: {case.entry.exclude}",) if case.entry.exclude else ()
                work.learn(**fields | {"notes": (*work.check.notes, *excluded, *fields["notes"])})
            if trial.failed:
                work.learn(limitations=(f"It could not be compared: {trial.failed}",))
        check = work.concluded()
        yield replace(check, notes=(*check.notes, *notes))


def _look(case: LogCase, court: Court, debug: bool) -> Work:
    entry, campaign = case.entry, court.campaign
    candidate = case.found_by == "candidate"
    about, name = campaign.about, campaign.configuration(entry.configuration).name
    work = Work(LogCheck(
        tuple(map(str, case.files)), "unreadable", units=about.units, campaign=about.id, found_by=case.found_by,
        run=None if candidate else entry.id, configuration=None if candidate else name, block=entry.block, notes=case.notes,
    ), debug)  # fmt: skip
    log, start = campaign.log_of(entry), inputs.run_start(campaign, entry)
    work.read(case.files, inputs.read_options(campaign, log), start)
    if work.failed:
        return work

    def cleaned() -> CleanRun:
        try:
            return clean(map_run(entry.id, work.logs, log.columns, start=start), inputs.declared_resolution(campaign))
        except DataError as error:
            raise inputs.cited(error, campaign, entry, campaign.given) from None

    work.look(log.columns, cleaned, lambda run: cross_check(campaign, run, court.records, log.columns))
    seen = work.run is not None
    columns, text = describe_columns(work.proposals, log.columns if seen else None, table=not campaign.log.columns)
    work.learn(columns=columns, mapping_from="campaign" if seen else "", mapping_text=text)
    if work.run is not None and work.run.start is not None:
        work.learn(start=work.run.start.tz_convert(about.timezone).isoformat(timespec="seconds"))
    return work


def draft_text(logs: Mapping[Path, CleanRun], columns: str) -> str:
    """Return what logs give of a campaign, as TOML: columns, one run for each, and phases where the runs share a road."""
    lines = [columns.rstrip()]
    for path, run in logs.items():
        file = json.dumps(f"logs/{path.name}", ensure_ascii=False)
        day = "# block = " if run.start is None else f'block = "{run.start:%Y-%m-%d}"'
        block = f"{day}  # runs driven close together, in like weather and traffic, share one"
        lines.append(f'\n[[run]]\nid = "{run.run}"\nconfiguration = "…"\n{block}\nfiles = [{file}]')
    try:
        phases = phases_text(propose_phases(align_runs(tuple(logs.values()))), "si")
    except DataError as error:
        phases = f"# no phases: {' '.join(str(error).split())}"
    return "\n".join([*lines, "", phases]).rstrip()
