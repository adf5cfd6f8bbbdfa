"""The plan, and its blocks as a report: one page for the review, a sheet for each run, and what the plan rests on."""

import datetime as dt
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import pandas as pd

from intake_report import formatting
from intake_report.align import CRITERIA
from intake_report.campaign import Campaign
from intake_report.formatting import count, listing, with_unit
from intake_report.messages import plain, said
from intake_report.plan.days import CLOCK, WEEK, DayWindow, limit_of, soak_check
from intake_report.plan.design import ON_COMMON, Case, Design, cases, designs, from_results, hours_of
from intake_report.plan.power import ROUGH, Shown, judge_design
from intake_report.plan.schedule import PlannedRun, by_block, openings
from intake_report.render import blocks
from intake_report.render.blocks import Block, Heading, ItemList, Paragraph, literal
from intake_report.render.sections.stated import LAW, ROAD, WATER
from intake_report.render.sections.tables import block_of
from intake_report.report_table import Across, Field, ReportTable
from intake_report.results import MetricKey, ReportResult
from intake_report.results.text import as_json, difference_quantity, metric_title
from intake_report.units import UnitSystem

IN_REPORT = 1000  # simulated campaigns for each design in the section of a report; a fraction of a second
DRIVERS = (
    "start-coolant", "start-over-ambient", "ambient", "wind", "time-of-day", "stop-time", "stops", "ramp-acceleration",
)  # fmt: skip
"""Acceptance criteria that a driver can watch, in the order of the sheet."""
AT_ENTRY = 3  # of these, the last ones: they need a highway entry
BOXES = (
    "Date, start (clock of the logger)", "End", "Coolant at the start", "Intake air at the start", "Outside air, thermometer in the shade",
    "Wind, road (dry, damp, wet), sky", "Odometer, fuel", "Name of the log file",
)  # fmt: skip
LAST_BOXES = (
    "Anything unusual: traffic, queue, detour, rain, smell, noise",
    "Accepted by intake-report check (yes, with limitation, repeat); signature",
)


@dataclass(frozen=True)
class Plan:
    """What is driven, and what that shows."""

    campaign: Campaign
    date: str
    revision: int
    seed: int
    campaigns: int
    cases: tuple[Case, ...]
    shown: tuple[tuple[Shown, ...], ...]  # of each design, in order of blocks, each claim
    design: Design  # that is planned
    chosen: tuple[Shown, ...]  # what it shows of each claim
    runs: tuple[PlannedRun, ...]  # in the order of driving, with those that are driven
    windows: dict[str, DayWindow]  # the day of each block to be driven
    unkept: tuple[str, ...]  # conditions of the run sheets that the days do not keep, a sentence each
    climate: tuple[tuple[int, int, float], ...]  # local hour, METAR reports in it, share of them that fits
    instruments: tuple[str, ...]
    notes: tuple[str, ...]
    looking: tuple[float, float]  # risk of a wrong verdict with one look, and with one after each block
    repeat: tuple[tuple[str, str], ...]  # runs that check or campaign file do not accept, each with the reason

    @property
    def rough(self) -> bool:
        """Whether too few campaigns were simulated for firm numbers."""
        return self.campaigns < ROUGH

    def json(self) -> str:
        """Return plan.json: numbers in internal units."""
        document = {
            "schema": 1,
            "campaign": self.campaign.about.id,
            **{name: getattr(self, name) for name in ("date", "revision", "seed", "campaigns", "rough")},
            "fixed_design": True,
            "design": asdict(self.design) | {"hours": self.design.hours(self.campaign.plan)},
            "runs": [asdict(run) for run in self.runs],
            "shown": [asdict(shown) for one in self.shown for shown in one],
            "chosen": [asdict(shown) for shown in self.chosen],
            "scatter": {c.name: {**asdict(c.scatter), "basis": plain(c.scatter.basis)} for c in self.cases},
            "instruments": self.instruments,
            "risk_of_looking": dict(zip(("once", "after_every_block"), self.looking, strict=True)),
            "repeat": [{"run": run, "reason": reason} for run, reason in self.repeat],
            "notes": (*self.unkept, *self.notes),
        }
        return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False, default=dt.datetime.isoformat) + "\n"


def review(plan: Plan) -> tuple[Block, ...]:
    """Return the page for the review: what to drive, what it can show, what the instruments allow, when."""
    units = plan.campaign.about.units
    made: list[Block] = [_cover(plan)]
    if plan.cases:
        table = _needed(plan.shown, plan.cases, plan.campaign.plan.power, plan.campaigns)
        made += [Heading(1, "Runs needed", "sec-needed"), block_of(table, units)]
        made += [Heading(1, "Instruments", "sec-instruments"), ItemList(tuple(map(literal, plan.instruments)))]
    made += [Heading(1, "Days and order", "sec-days"), block_of(_days(plan), units)]
    if plan.unkept:
        made.append(blocks.Callout("limitation", "Asked for and not kept", tuple(map(literal, plan.unkept))))
    if plan.repeat:
        texts = tuple(literal(f"{run}: {reason}") for run, reason in plan.repeat)
        made.append(blocks.Callout("limitation", "Not accepted, and scheduled anew unless that is done", texts))
    stop = (
        f"**Fixed design:** the comparison is made once, after all {count(plan.design.blocks, 'block')}; what looking "
        "earlier costs, and what the numbers rest on, is said in [[sec-basis]]."
    )
    return (*made, Paragraph(stop))


def basis(plan: Plan) -> Iterator[Block]:
    """Yield the last page: what the numbers rest on, what looking costs, what the order and the days leave open."""
    yield blocks.Begins("page")
    yield Heading(1, "What the plan rests on", "sec-basis")
    units, (once, often), seen = plan.campaign.about.units, plan.looking, plan.campaign.plan.looks
    of: dict[tuple[str, str], list[str]] = {}
    for case in plan.cases:
        quantity, apart = difference_quantity(case.key), (case.scatter.run, case.scatter.interaction)
        run, shift = (with_unit(value, quantity, units, 1) for value in apart)
        sizes = f"{run} between runs of one day, {shift} by days that favour one configuration"
        of.setdefault((sizes, said(case.scatter.basis, units)), []).append(case.name)
    if plan.cases:
        parts = [f"{sizes} for {listing(names)} ({basis})" for (sizes, basis), names in of.items()]
        text = (
            f"Scatter (standard deviations): {'; '.join(parts)}. In all other metrics that Holm's adjustment counts "
            "nothing is taken to differ. Claims on recovery times and on limits of values are judged by at most 500 of the "
            "simulated campaigns."
        )
        yield Paragraph(literal(text))
    looked = f" {count(seen, 'look')} {'was' if seen == 1 else 'were'} taken already." if seen else ""
    text = (
        f"Fixed design: the comparison is made once, after all {count(plan.design.blocks, 'block')}. Looking after every "
        f"block from the second on and stopping at the first “supported” raises the risk of a wrong one from "
        f"{100.0 * once:.1f} to {100.0 * often:.1f} % for each claim, before Holm's adjustment (simulated). Accepting or "
        f"repeating a run the same day (intake-report check) is no look: it does not compare configurations.{looked} Record "
        "each look as plan.looks: the report states it."
    )
    yield Paragraph(literal(text))
    if plan.notes:
        yield ItemList(tuple(map(literal, plan.notes)))
    if plan.climate:
        rows = [(f"{hour:02d}–{(hour + 1) % 24:02d}", n, 100.0 * share) for hour, n, share in plan.climate]
        yield block_of(ReportTable(
            "tab-climate", "METAR reports by local hour that fit the limits of temperature, wind and precipitation",
            (Field("hour", "Hour"), Field("reports", "Reports", "number"), Field("share", "Fit", "ratio")),
            pd.DataFrame(rows, columns=["hour", "reports", "share"], dtype=object),
        ), units)  # fmt: skip


def form(key: MetricKey, units: UnitSystem) -> tuple[str, UnitSystem, int]:
    """Return quantity, units and decimals, one at least, of a difference that is printed."""
    return difference_quantity(key), units, max(key.spec.decimals, 1)


def _cover(plan: Plan) -> blocks.Cover:
    campaign, units, design = plan.campaign, plan.campaign.about.units, plan.design
    todo = [run for run in plan.runs if not run.done]
    done = len(plan.runs) - len(todo)
    already = f" more ({done} {'is' if done == 1 else 'are'} driven)" if done else ""
    times = {1: "once", 2: "twice"}.get(design.repeats, f"{design.repeats} times")
    times += ", the baseline once more at the end" if design.closing else ""
    left = len(by_block(todo))
    answer = [
        f"Drive **{count(len(todo), 'run')}**{already} in {count(left, 'block')}, a day each: "
        f"{count(len(design.configurations), 'configuration')}, each {times} in every block (design {design.blocks} × {design.repeats}); about "
        f"{hours_of(campaign.plan, len(todo), left):.0f} h of driving, standing, changing and soak checks."
    ]
    if not todo:
        answer = [f"All {count(done, 'run')} are driven: **nothing is left to drive**."]
    for case, shown in zip(plan.cases, plan.chosen, strict=True):
        if case.beside:
            continue
        text = f"“{literal(case.claim.text)}”{ON_COMMON * case.common} "
        if shown.detectable is None:
            text += "cannot be shown with this design, however large the difference; see [[sec-instruments]]."
        else:
            share, what = 100.0 * campaign.plan.power, beyond(case, shown.detectable, units)
            text += f"is shown with a chance of {share:.0f} % if {what}."
        answer.append(text)
    if plan.rough:
        answer += [f"**Rough**: {plan.campaigns} simulated campaigns; 2,000 make the numbers firm (--campaigns 2000)."]
    return blocks.Cover(
        f"Plan: {literal(campaign.about.title)}", "test plan", plan.date, str(plan.revision),
        literal(campaign.about.question), tuple(answer),
    )  # fmt: skip


def beyond(case: Case, size: float, units: UnitSystem) -> str:
    """Return the truth that is shown, in words: how large the difference is, or how far beyond the limit."""
    amount = with_unit(size, *form(case.key, units))
    if case.sign == 0.0:
        return f"there is no difference and the margin of equivalence is {amount} or more"
    if case.limit == 0.0:
        return f"the true difference is {amount} or more"
    return f"the truth lies {amount} or more beyond the limit"


def _needed(judged: Iterable[Iterable[Shown]], about: Sequence[Case], power: float, campaigns: int) -> ReportTable:
    """Return blocks × runs against the difference that is shown: one row for each claim, one column for each design."""
    rows, keys = [shown for one in judged for shown in one], {case.name: case.key for case in about}
    frame = pd.DataFrame([asdict(s) | {"size": f"{s.blocks} × {s.repeats}"} for s in rows], dtype=object)
    sizes = frame.drop_duplicates("size").to_dict("records")
    headings = tuple((r["size"], f"{r['size']}: {count(r['runs'], 'run')}, {r['hours']:.0f} h") for r in sizes)
    notes = [
        f"True difference beyond the limit of the claim that is shown with {100.0 * power:.0f} % chance, judged as the report "
        "judges it (intervals within blocks, Holm's adjustment, guard band, shared biases, times not reached). Hours: with a soak check and a drive to warm up each day."
    ]
    if frame["upper"].notna().any():
        notes.append("In brackets: if the scatter is at its upper limit (80 %).")
    if campaigns < ROUGH:
        notes.append(f"Rough: {campaigns} simulated campaigns for each design.")
    if frame["chance"].notna().any():
        notes.append("After the stroke: the chance to show what is worth showing.")

    def claim(row: Any, units: UnitSystem) -> str:
        return row.claim if row.claim.endswith(ON_COMMON) else f"{row.claim}: {metric_title(keys[row.claim], units)}"

    def cell(row: Any, units: UnitSystem) -> str:
        if row.detectable is None:
            return "not shown"
        shown = form(keys[row.claim], units)
        upper = "" if row.upper is None else f" ({formatting.bare(row.upper, *shown)})"
        chance = "" if row.chance is None else f" / {100.0 * row.chance:.0f} %"
        return f"{with_unit(row.detectable, *shown)}{upper}{chance}"

    title = "Blocks × runs of each configuration, against the difference that they show"
    columns, across = (Field("claim", "Claim", cell=claim, width=3.2),), Across("claim", "size", headings, cell)
    return ReportTable("tab-needed", title, columns, frame, tuple(notes), across)


def detectable(campaign: Campaign, result: ReportResult) -> tuple[Block, ...]:
    """Return the section of a report on runs against detectable difference, of claims in which shared biases cancel."""
    needed = ("runs", "configurations", "values", "common_drive")
    known = from_results({name: as_json(getattr(result, name), result.units) for name in needed}, "this campaign")
    about = tuple(case for case in cases(campaign, result.metrics, known, assume=False) if case.at_once)
    if not about or len(campaign.configurations) < 2:
        return ()
    judged = [judge_design(campaign, about, IN_REPORT, campaign.metrics.seed, size) for size in designs(campaign)]
    table = _needed(judged, about, campaign.plan.power, IN_REPORT)
    more = (
        f"What more or fewer runs would show, by the scatter of the runs of this campaign: {IN_REPORT} simulated campaigns for each "
        "design, judged as this report judges. A difference that was found does not change what a design can detect. Recovery "
        "times and limits of values: intake-report plan."
    )
    heading = Heading(1, "Detectable difference and runs", "sec-detectable")
    return heading, Paragraph(more), block_of(table, result.units)


def _days(plan: Plan) -> ReportTable:
    fitted = plan.campaign.configuration
    rows: list[dict[str, Any]] = []
    for block, runs in by_block(plan.runs).items():
        start = next((run.start for run in runs if run.start is not None), None)
        window = plan.windows.get(block)
        each = (f"{fitted(r.configuration).name} ({'driven' if r.start is None else f'{r.start:%H:%M}'})" for r in runs)
        day = "driven" if start is None else f"{WEEK[start.weekday()]} {start:%Y-%m-%d}"
        fits = "" if window is None else ", ".join(f"{a:%H:%M}–{b:%H:%M}" for a, b in window.stretches)
        temperature = window and window.temperature
        rows.append({"block": block, "day": day, "order": ", ".join(each), "temperature": temperature, "fits": fits})
    fields = [
        Field("block", "Block", width=1.0), Field("day", "Day", width=1.5), Field("order", "Order and start", width=5.5),
        Field("fits", "Hours that fit", width=1.6),
    ]  # fmt: skip
    if any(row["temperature"] is not None for row in rows):
        fields.append(Field("temperature", "Forecast", "temperature", 0, unit="cell", width=1.0))
    zone, reach = plan.campaign.about.timezone, formatting.usual(limit_of(plan.campaign, CLOCK).limit, "hours", "si")
    title = f"Blocks in order, local time ({zone}), seed {plan.seed}"
    notes = (
        f"Hours that fit: as declared, in daylight and weather that fit, and with every start within {reach} of the median of its block.",
        "Before the first start of a day: soak check with the engine cold, the route once to warm up, the stand.",
    )
    return ReportTable("tab-days", title, (*fields,), pd.DataFrame(rows, dtype=object), notes if plan.windows else ())


def sheets(plan: Plan) -> Iterator[Block]:
    """Yield one page for each run that is still to be driven."""
    campaign, first = plan.campaign, openings(plan.runs)
    entry = any(phase.kind in ("ramp", "highway") for phase in campaign.route.phases)
    todo = [run for run in plan.runs if not run.done]
    for number, run in enumerate(todo, 1):
        configuration, window = campaign.configuration(run.configuration), ""
        deviations = "; ".join(configuration.deviations) or "none declared"
        if run.start is not None and run.end is not None:
            window = f"{WEEK[run.start.weekday()]} {run.start:%Y-%m-%d, %H:%M} to {run.end:%H:%M}"
        yield blocks.Begins("page")
        yield Heading(1, literal(f"Run {number} of {len(todo)}: {configuration.name}"), f"sheet-{number}")
        about = {
            "Run": f"{run.id}, number {run.position} of block {run.block}",
            "Fit": f"{configuration.name}. Deviations from the as-sold state: {deviations}",
            "Start": f"{window} ({campaign.about.timezone})",
            "Route": _route(campaign, entry),
            "Log file": ", ".join(run.files),
            "Accepted if": _limits(campaign, entry),
        }
        yield blocks.Definitions(tuple((term, literal(text)) for term, text in about.items()))
        law = LAW[0].replace("report", "sheet")
        yield blocks.Callout("caution", "Before hands go in, and before moving off", (*ROAD[::-1], WATER, law))
        stand = formatting.duration_text(campaign.plan.stand)
        checks = [
            f"The configuration is fitted, clamps are tight, nothing is left in the engine bay; stand of {stand}, as before every run.",
            "Load, fuel, tyres, windows and air conditioning as on the other runs.",
            "Logger: clock compared with a radio clock; intake air and engine speed change on its screen; it records before you move off.",
        ]
        if run.id in first:
            at = "" if run.start is None else f" at {soak_check(campaign.plan, run.start)[0]:%H:%M}"
            text = (
                f"**First item of the day{at}:** soak check, the configuration fitted. After a stand of hours, engine cold and in the shade, read all temperature "
                f"channels and a thermometer beside the sensor, and write them under {literal('[[soak_check]]')}. Then drive the route "
                "once to warm up: this is no run."
            )
            checks = [text, *checks]
        also = "The control vehicle stands ready behind, its logger started: it drives the same route at the same time."
        checks += [also] if campaign.plan.control else []
        yield ItemList(tuple(checks))
        yield blocks.Form(BOXES, LAST_BOXES)


def _route(campaign: Campaign, entry: bool) -> str:
    units, route = campaign.about.units, campaign.route
    places = [(p.name or p.id, *(with_unit(s, "distance", units, 1) for s in (p.start, p.end))) for p in route.phases]
    parts = "; ".join(f"{name} from {start} to {end}" for name, start, end in places)
    speed = with_unit(route.highway_entry.speed, "speed", units, 0)
    alike = f" Highway entry: through {speed} on the ramp, alike on all runs, where limits and traffic allow."
    described = f"{route.description.rstrip('.')}. " if route.description else "As agreed. "
    return f"{described}{parts}{'.' if parts else ''}{alike if entry else ''}"


def _limits(campaign: Campaign, entry: bool) -> str:
    of: dict[str, list[str]] = {"alike": [], "within": []}
    for code in DRIVERS[: None if entry else -AT_ENTRY]:
        spec, limit = CRITERIA[code], limit_of(campaign, code).limit
        of[spec.scope].append(f"{spec.title} within {formatting.usual(limit, spec.shown, campaign.about.units)}")
    rain = "" if limit_of(campaign, "rain").limit else " Rain as on the other runs."
    return (
        f"From the middle (median) of the runs of this block: {'; '.join(of['alike'])}. Of those of this configuration: "
        f"{'; '.join(of['within'])}.{rain}"
    )
