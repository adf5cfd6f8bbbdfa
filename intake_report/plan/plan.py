"""`intake-report plan`: from a campaign file to what is driven, what that shows, and the files of a plan."""

import argparse
import datetime as dt
import json
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, Literal

import numpy as np
from rich.console import Console

from intake_report import formatting
from intake_report.align.path import path_from_gpx
from intake_report.analyse import analyse
from intake_report.analyse.claim_check import campaign_mistakes
from intake_report.analyse.compare.estimate import DEFAULT, LEAST_LEFT
from intake_report.analyse.limitations.layout import read_issued
from intake_report.analyse.measure import metric_keys
from intake_report.campaign import Campaign, refuse
from intake_report.check.chain import check_logs
from intake_report.check.runs import open_campaign
from intake_report.errors import CampaignError, DataError
from intake_report.plan import days, power, schedule
from intake_report.plan.design import Case, Design, Scatter, cases, designs, from_results, read_results, risk_of_looking
from intake_report.plan.page import Plan, basis, beyond, review, sheets
from intake_report.plan.power import Shown, judge_design
from intake_report.provenance import folder_of, last_revision
from intake_report.publish import put_in_place, scratch_folder
from intake_report.render.blocks import plain
from intake_report.render.document import Attachment, ReportMeta, number
from intake_report.render.html import export_html
from intake_report.render.typst import export_pdf
from intake_report.results.compared import COVARIATES
from intake_report.results.text import results_document
from intake_report.statistics import coverage_factor
from intake_report.units import parse_quantity

SOAKED = 0.2  # K; what is left between two sensors after a soak check, as common practice has it
CHANGED = 0.8  # of a detectable difference: above it a calibration changes little
FEWEST = 100  # simulated campaigns below which a chance of 80 % means nothing
LOOKED = 4000  # campaigns simulated for what looking costs
WORKERS = 2
OCTETS = 75  # of a line of a calendar at most (RFC 5545, 3.1)
Progress = Callable[[str], None]


def make_plan(
    file: Path, date: dt.date, *, like: Path | None = None, forecast: Path | None = None, metar: Path | None = None,
    campaigns: int = FEWEST, seed: int | None = None, progress: Progress = lambda _: None,
) -> Plan:  # fmt: skip
    """Plan a campaign that is to come or under way, by the options of the command. Raises CampaignError, DataError."""
    campaign, notes = open_campaign(file, planned=True)
    refuse(campaign_mistakes(campaign))
    if len(campaign.configurations) < 2:
        what, remedy = "one configuration alone needs no plan.", "Add the configuration that it is compared with."
        raise CampaignError(what, file=campaign.given, where="configuration", remedy=remedy)
    if campaigns < FEWEST:
        raise DataError(f"{campaigns} simulated campaigns are too few.", remedy=f"Ask for {FEWEST} or more.")
    issued = read_issued(campaign)
    seed = campaign.metrics.seed if seed is None else seed
    about = cases(campaign, metric_keys(campaign), _known(campaign, like, progress))
    sizes = designs(campaign)
    judged = partial(judge_design, campaign, about, campaigns, seed)
    shown = _simulate(judged, sizes, all(case.at_once for case in about), progress)
    progress("days and order")
    weather: days.Forecast = () if forecast is None else days.read_forecast(forecast)
    place = None
    if campaign.route.reference is not None:
        place = path_from_gpx(campaign.folder / campaign.route.reference, campaign.route.closed).centre
    ahead = days.days_ahead(campaign, date, weather)
    windows = tuple(days.day_window(campaign, day, weather, place) for day in ahead)
    repeat = tuple(_to_repeat(campaign, progress))
    errors = []
    for best in _choice(campaign, issued, about, sizes, shown):
        try:
            runs = schedule.planned_runs(campaign, sizes[best], seed, issued, {run for run, _ in repeat})
            runs, of_block, unkept = days.with_starts(campaign, runs, windows, weather)
            break
        except DataError as error:  # the days do not hold its blocks
            errors.append(error)
    else:
        raise errors[0]
    progress("instruments")
    plan = Plan(
        campaign, date.isoformat(), 1, seed, campaigns, about, shown, sizes[best], shown[best], runs, of_block, unkept,
        () if metar is None else tuple(days.climate(campaign, metar, ahead[0].year, ahead[0].month)), (),
        (*notes, *_as_measured(about), *days.window_notes(campaign, ahead[:14], weather, place),
         *order_sentences(runs), *_covariates(campaign, sizes[best], about)),
        risk_of_looking(campaign, sizes[best], LOOKED, np.random.default_rng([seed, 3])), repeat,
    )  # fmt: skip
    return replace(plan, instruments=tuple(_instruments(plan)))


def _known(campaign: Campaign, like: Path | None, progress: Progress) -> dict[str, Scatter]:
    """Return the scatter of metrics: from runs of this campaign, else from the report that is named."""
    found = {} if like is None else read_results(like)
    there = tuple(r for r in campaign.runs if all((campaign.folder / file).is_file() for file in r.files))
    if len({(r.configuration, r.block) for r in there if r.exclude is None}) < 2:
        return found
    progress("runs that were driven")
    document = results_document(analyse(campaign.model_copy(update={"runs": there})), "2000-01-01", 1)
    return {**found, **from_results(document, "this campaign")}


def _simulate(
    judged: Callable[[Design], tuple[Shown, ...]], sizes: Sequence[Design], at_once: bool, progress: Progress
) -> tuple[tuple[Shown, ...], ...]:
    """Judge the designs side by side where claims are judged one by one, else one after the other: they take no time."""
    made = []
    with nullcontext() if at_once else ProcessPoolExecutor(WORKERS) as pool:
        found = map(judged, sizes) if pool is None else pool.map(judged, sizes)
        for place, size in enumerate(sizes, 1):
            progress(f"design {place} of {len(sizes)}: {size.blocks} blocks")
            made.append(next(found))
    return tuple(made)


def _choice(
    campaign: Campaign, issued: dict[str, Any] | None, about: Sequence[Case], sizes: Sequence[Design],
    shown: Sequence[Sequence[Shown]],
) -> list[int]:  # fmt: skip
    """Return which designs may be planned, best first: the issued or declared one, else by what they show and take."""
    planning = campaign.plan
    wanted = (planning.blocks, planning.runs_per_block)
    if issued is not None and isinstance(issued.get("design"), dict):
        wanted = (issued["design"].get("blocks"), issued["design"].get("repeats"))
    fixed = [n for n, size in enumerate(sizes) if (size.blocks, size.repeats) == wanted]
    if fixed:
        return fixed
    beside = {case.name for case in about if case.beside}
    chances = [[s.chance for s in one if s.chance is not None and s.claim not in beside] for one in shown]
    by_time = sorted(range(len(sizes)), key=lambda i: sizes[i].hours(planning))
    if not any(chances):
        return sorted(by_time, key=lambda i: sizes[i].blocks != 4)
    enough = [i for i in by_time if all(chance >= planning.power for chance in chances[i])]
    return enough + sorted((i for i in by_time if i not in enough), key=lambda i: -sizes[i].blocks)


def order_sentences(runs: Sequence[schedule.PlannedRun]) -> tuple[str, ...]:
    """Return what the orders leave open, one sentence each, and which blocks hold one configuration only."""
    orders = {name: tuple(run.configuration for run in block) for name, block in schedule.by_block(runs).items()}
    alone = [name for name, order in orders.items() if len({*order}) < 2]
    says = f"No difference can be made within {formatting.listing(alone, 'or')}: one configuration alone; such a block does not count."
    notes = schedule.order_notes([order for name, order in orders.items() if name not in alone])
    return (*notes, says) if alone else notes


def _instruments(plan: Plan) -> Iterator[str]:
    """Yield for each claim whether the declared instruments allow it, and what a soak check would do."""
    campaign, units = plan.campaign, plan.campaign.about.units
    kelvins = partial(formatting.with_unit, quantity="temperature_difference", system=units, decimals=1)
    cancel = [case.claim.id for case in plan.cases if case.at_once and not case.common]
    if cancel:
        yield f"{formatting.listing(cancel)}: biases that all runs share cancel; the instruments do not stand in the way."
    iat = campaign.instrument.channels.get("iat")
    stated = "of which no accuracy is declared"
    if iat is not None and iat.accuracy is not None:
        stated = f"± {kelvins(parse_quantity(iat.accuracy, 'temperature_difference'))}"
    for place, (case, shown) in enumerate(zip(plan.cases, plan.chosen, strict=True)):
        if case.at_once:
            continue
        rng = np.random.default_rng([plan.seed, 2, place])
        zeroed = power.zeroed(SOAKED, power.DRAWS, rng)
        after = judge_design(campaign, (case,), plan.campaigns, plan.seed, plan.design, zeroed)[0].detectable
        wide = float(np.std(power.shared_biases(campaign, 2000, rng).shift))
        declared = f"with the declared instruments (intake air {stated}; shared standard uncertainty {kelvins(wide)})"
        soaked = f"A soak check to ± {kelvins(SOAKED)}"
        can = "" if after is None else f"{soaked} shows it if {beyond(case, after, units)}."
        if shown.detectable is None:
            can = can or f"{soaked} does not help: runs and days scatter too much."
            others = [s for some in plan.shown for s in some if s.claim == case.name and s.detectable is not None]
            least = min(others, key=lambda s: s.hours, default=None)
            more = "As declared, no design of the table above shows it."
            if least is not None and least.detectable is not None:
                more = f"As declared, {least.blocks} × {least.repeats} ({least.runs} runs) shows it if {beyond(case, least.detectable, units)}."
            yield f"{case.claim.id}: not shown by {plan.design.blocks} × {plan.design.repeats} {declared}. {can} {more}"
            continue
        if after is None or after > CHANGED * shown.detectable:
            can = f"{soaked} would change little: runs and days decide."
        yield f"{case.claim.id}: shown {declared} if {beyond(case, shown.detectable, units)}. {can}"


def _to_repeat(campaign: Campaign, progress: Progress) -> Iterator[tuple[str, str]]:
    """Yield the runs that were driven and that the campaign file excludes or the check does not accept, with the reason."""
    driven = [r for r in campaign.runs if (campaign.folder / r.files[0]).is_file()]
    yield from ((r.id, r.exclude) for r in driven if r.exclude is not None)
    logs = [campaign.folder / r.files[0] for r in driven if r.exclude is None]
    if logs:
        progress("checking the runs that were driven")
        for check in check_logs(logs, campaign.file):
            if not check.accepted:
                yield check.run or check.files[0], " ".join(check.reasons)


def _as_measured(about: Sequence[Case]) -> Iterator[str]:
    names = [case.claim.id for case in about if case.claim.common_drive and not case.common]
    if names:
        yield (
            f"{formatting.listing(names)} will be judged on the common drive, of which no scatter is known yet, and "
            f"{'is' if len(names) == 1 else 'are'} planned as measured: fewer runs may do."
        )


def _covariates(campaign: Campaign, design: Design, about: Sequence[Case]) -> Iterator[str]:
    """Yield that the plan counts the scatter without adjustment, and what that means in this design."""
    declared, level = campaign.comparison.covariates, campaign.metrics.confidence
    of_each = [DEFAULT.get(case.key.spec.group, ()) if declared is None else declared for case in about if case.pair]
    names = dict.fromkeys(name for some in of_each for name in some)
    if not names:
        return
    model = design.model((design.configurations[1], design.configurations[0]))
    free, what = round(float(np.trace(model.residual))), formatting.listing([COVARIATES[name][0] for name in names])
    left = free - len(names)
    if left < LEAST_LEFT * len(names):
        yield (
            f"The report does not adjust for {what} in this design: {left} degrees of freedom would be left, and "
            f"{LEAST_LEFT * len(names)} are needed. The scatter that the plan counts is unadjusted too."
        )
        return
    wider = coverage_factor(level, left) / coverage_factor(level, free)
    yield (
        f"The report adjusts for {what} where the runs allow it; the plan does not, and counts the scatter as it is. So it promises "
        f"too little where {'it explains' if len(names) == 1 else 'they explain'} scatter, and too much, by {100.0 * (wider - 1.0):.0f} % "
        "of a difference, where nothing is explained."
    )


def run(arguments: argparse.Namespace) -> int:
    """Make the plan, write it, and say in short what it says."""
    date = dt.date.fromisoformat(arguments.date) if arguments.date else dt.date.today()
    asked = {name: getattr(arguments, name) for name in ("like", "forecast", "metar", "campaigns", "seed")}
    with Console(stderr=True).status("plan") as status:
        plan = make_plan(arguments.campaign, date, **asked, progress=lambda step: status.update(f"plan: {step}"))
        folder, new = write_plan(plan, arguments.out, arguments.paper)
    for sentence in (*review(plan)[0].answer, *plan.unkept):  # type: ignore[union-attr]
        print(plain(sentence, {"sec-instruments": "Instruments"}.__getitem__))
    for run_id, reason in plan.repeat:
        print(f"repeat {run_id}: {reason}")
    print(f"{'written' if new else 'unchanged'}: {folder}")
    return 0


def write_plan(plan: Plan, out: Path, paper: Literal["a4", "letter"]) -> tuple[Path, bool]:
    """Write the plan to `<out>/<campaign id>/<date>[-rN]/`; return the folder, and False where it was there already."""
    home = out.resolve() / plan.campaign.about.id
    last = last_revision(home, plan.date)
    folder = folder_of(home, plan.date, last)
    file, again = folder / "plan.json", replace(plan, revision=last)
    if file.is_file() and file.read_text(encoding="utf-8") == again.json():
        return folder, False
    plan = replace(plan, revision=last + 1)
    folder = folder_of(home, plan.date, plan.revision)
    with scratch_folder(home) as scratch:
        made = scratch / "plan"
        made.mkdir()
        texts = {"plan.json": plan.json(), "runs.toml": runs_toml(plan), "plan.ics": calendar(plan)}
        document, about = number((*review(plan), *sheets(plan), *basis(plan))), plan.campaign.about
        meta = ReportMeta(about.id, f"Plan: {about.title}", plan.date, plan.revision, paper=paper)
        texts["plan.html"] = export_html(document, meta)
        for name, text in texts.items():
            (made / name).write_bytes(text.encode("utf-8"))
        attached = Attachment("plan.json", texts["plan.json"].encode(), "application/json", "The plan in numbers")
        (made / "plan.pdf").write_bytes(export_pdf(document, meta, (attached,), scratch / "pdf"))
        put_in_place(made, folder)
    return folder, True


def runs_toml(plan: Plan) -> str:
    """Return the runs that are not in the campaign file yet as `[[run]]` tables, in the order of driving, to be pasted."""
    there = {run.id for run in plan.campaign.runs}
    lines = [f"# Plan of {plan.date}, seed {plan.seed}", *(f"# {note}" for note in order_sentences(plan.runs))]
    lines += ['# Under [plan]: issued = "plan.json", once that file is copied beside the campaign file']
    for run in plan.runs:
        if run.id in there:
            continue
        values = {"id": run.id, "configuration": run.configuration, "block": run.block, "files": list(run.files)}
        if plan.campaign.plan.control:
            values["control"] = [schedule.beside(file, "control") for file in run.files]
        start = [] if run.start is None else [f"# planned start: {run.start.isoformat()}; the log's own clock counts"]
        lines += ["", "[[run]]", *(f"{key} = {json.dumps(v, ensure_ascii=False)}" for key, v in values.items()), *start]
    return "\n".join(lines) + "\n"


def calendar(plan: Plan) -> str:
    """Return the runs to be driven, and the soak check of each day, as an iCalendar file (RFC 5545), times in UTC."""
    events, first = [], schedule.openings(plan.runs)
    for run in plan.runs:
        if run.start is None or run.end is None:
            continue
        if run.id in first:
            soak, title = days.soak_check(plan.campaign.plan, run.start), "Soak check, engine cold; then warm up"
            events.append((f"{run.block}-soak-check", *soak, title, f"Block {run.block}"))
        fitted = plan.campaign.configuration(run.configuration)
        about = f"Run {run.id}, block {run.block}. Fit: {fitted.name}. {'; '.join(fitted.deviations)}"
        events.append((run.id, run.start, run.end, f"{fitted.name} ({run.id})", about))
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//intake-report//plan//EN", "CALSCALE:GREGORIAN"]
    for id, start, end, title, about in events:
        lines += [
            "BEGIN:VEVENT", f"UID:{id}@{plan.campaign.about.id}.intake-report",
            f"DTSTAMP:{plan.date.replace('-', '')}T000000Z", f"DTSTART:{start.astimezone(dt.UTC):%Y%m%dT%H%M%SZ}",
            f"DTEND:{end.astimezone(dt.UTC):%Y%m%dT%H%M%SZ}", f"SUMMARY:{_escaped(title)}",
            f"DESCRIPTION:{_escaped(about)}", "END:VEVENT",
        ]  # fmt: skip
    return "".join(f"{part}\r\n" for line in (*lines, "END:VCALENDAR") for part in _folded(line))


def _escaped(text: str) -> str:
    """Return a TEXT value (RFC 5545, 3.3.11)."""
    return "\\n".join(text.translate({92: "\\\\", 59: "\\;", 44: "\\,"}).splitlines())


def _folded(line: str) -> Iterator[str]:
    """Yield a line in parts of 75 octets at most, each after the first begun by a space; no character is divided."""
    part, size = "", 0
    for sign in line:
        octets = len(sign.encode())
        if size + octets > OCTETS:
            yield part
            part, size = " ", 1
        part, size = part + sign, size + octets
    yield part
