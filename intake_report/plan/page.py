"""The plan as blocks of a report: one page for the review, then a sheet for each run."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import pandas as pd

from intake_report import formatting
from intake_report.align import CRITERIA
from intake_report.analyse.acceptance import acceptance_limits
from intake_report.campaign import Campaign
from intake_report.messages import said
from intake_report.plan.design import Case, cases, scatter_of
from intake_report.plan.power import ROUGH, Shown, Task, judge_design
from intake_report.plan.scatter import ON_COMMON, from_results
from intake_report.plan.schedule import WEEK, PlannedRun, designs
from intake_report.render.blocks import (
    Block,
    Callout,
    Cover,
    Definitions,
    Form,
    Heading,
    ItemList,
    PageBegins,
    Paragraph,
)
from intake_report.render.inline import literal
from intake_report.render.sections.stated import LAW, ROAD
from intake_report.render.sections.tables import block_of
from intake_report.report_table import Across, Field, ReportTable
from intake_report.results import MetricKey, ReportResult
from intake_report.results.text import difference_quantity, metric_title
from intake_report.units import UnitSystem

if TYPE_CHECKING:
    from intake_report.plan.plan import Plan

IN_REPORT = 1000  # simulated campaigns for each design in the section of a report; a fraction of a second
DRIVERS = (
    "start-coolant", "start-over-ambient", "ambient", "wind", "rain", "time-of-day", "stop-time", "stops", "ramp-acceleration",
)  # fmt: skip
"""Acceptance criteria that a driver can watch, in the order of the sheet."""
BOXES = (
    "Date, start (clock of the logger)", "End", "Coolant at the start", "Intake air at the start", "Outside air, thermometer in the shade",
    "Wind, road (dry, damp, wet), sky", "Odometer, fuel", "Name of the log file",
)  # fmt: skip


def review(plan: Plan) -> tuple[Block, ...]:
    """Return the page for the review: what to drive, what it can show, what the instruments allow, when."""
    units = plan.campaign.about.units
    blocks: list[Block] = [_cover(plan)]
    if plan.cases:
        blocks += [Heading(1, "Runs needed", "sec-needed"), block_of(needed_table(plan), units)]
        blocks += [Heading(1, "Instruments", "sec-instruments"), ItemList(tuple(map(literal, plan.instruments)))]
    blocks += [Heading(1, "Days and order", "sec-days"), block_of(_days(plan), units)]
    if plan.repeat:
        texts = tuple(literal(f"{run}: {reason}") for run, reason in plan.repeat)
        blocks.append(Callout("limitation", "Not accepted, and scheduled anew unless that is done", texts))
    stop = (
        f"**Fixed design:** the comparison is made once, after all {formatting.count(plan.design.blocks, 'block')}; what looking "
        "earlier costs, and what the numbers rest on, is said in [[sec-basis]]."
    )
    return (*blocks, Paragraph(stop))


def basis(plan: Plan) -> Iterator[Block]:
    """Yield the last page: what the numbers rest on, what looking costs, what the order and the days leave open."""
    yield PageBegins()
    yield Heading(1, "What the plan rests on", "sec-basis")
    if plan.cases:
        yield Paragraph(literal(_scatter(plan)))
    yield Paragraph(literal(stop_rule(plan)))
    if plan.notes:
        yield ItemList(tuple(map(literal, plan.notes)))
    if plan.climate:
        yield block_of(_climate(plan), plan.campaign.about.units)


def _cover(plan: Plan) -> Cover:
    campaign, units, design = plan.campaign, plan.campaign.about.units, plan.design
    todo = [run for run in plan.runs if not run.done]
    done = len(plan.runs) - len(todo)
    already = f" more ({done} {'is' if done == 1 else 'are'} driven)" if done else ""
    times = {1: "once", 2: "twice"}.get(design.repeats, f"{design.repeats} times")
    times += ", the baseline once more at the end" if design.closing else ""
    answer = [
        f"Drive **{formatting.count(len(todo), 'run')}**{already} in "
        f"{formatting.count(len({run.block for run in todo}), 'block')}: "
        f"{formatting.count(len(design.configurations), 'configuration')}, each {times} in every block, about "
        f"{design.hours(campaign.plan):.0f} h for the whole campaign."
    ]
    share = f"{100.0 * campaign.plan.power:.0f} %"
    for case, shown in zip(plan.cases, plan.chosen, strict=True):
        if case.beside:
            continue
        text = f"“{literal(case.claim.text)}”{ON_COMMON * case.common} "
        if shown.detectable is None:
            text += "cannot be shown with this design, however large the difference; see [[sec-instruments]]."
        else:
            text += f"is shown with a chance of {share} if {_beyond(case, shown.detectable, units)}."
        answer.append(text)
    if plan.rough:
        answer.append(
            f"**Rough**: {plan.campaigns} simulated campaigns; 2,000 make the numbers firm (--campaigns 2000)."
        )
    return Cover(
        f"Plan: {literal(campaign.about.title)}", "test plan", plan.date, str(plan.revision),
        literal(campaign.about.question), tuple(answer),
    )  # fmt: skip


def _beyond(case: Case, size: float, units: UnitSystem) -> str:
    amount = formatting.with_unit(size, difference_quantity(case.key), units, max(case.key.spec.decimals, 1))
    if case.sign == 0.0:
        return f"there is no difference and the margin of equivalence is {amount} or more"
    if case.limit == 0.0:
        return f"the true difference is {amount} or more"
    return f"the truth lies {amount} or more beyond the limit"


def needed_table(plan: Plan) -> ReportTable:
    """Return blocks × runs against the difference that is shown: one row for each claim, one column for each design."""
    keys = {case.name: case.key for case in plan.cases}
    rows = [asdict(shown) for one in plan.shown for shown in one]
    return _needed(rows, keys, plan.campaign.plan.power, plan.campaigns)


def _needed(rows: list[dict[str, Any]], keys: dict[str, MetricKey], power: float, campaigns: int) -> ReportTable:
    frame = pd.DataFrame([row | {"size": f"{row['blocks']} × {row['repeats']}"} for row in rows], dtype=object)
    headings = tuple(
        (row["size"], f"{row['size']}: {formatting.count(row['runs'], 'run')}, {row['hours']:.0f} h")
        for row in frame.drop_duplicates("size").to_dict("records")
    )
    unit = "difference beyond the limit of the claim that is shown with"
    notes = [
        f"True {unit} {100.0 * power:.0f} % chance, judged as the report judges it (intervals within blocks, Holm's adjustment, "
        "guard band, shared biases, times not reached)."
    ]
    if frame["upper"].notna().any():
        notes.append("In brackets: if the scatter is at its upper limit (80 %).")
    if campaigns < ROUGH:
        notes.append(f"Rough: {campaigns} simulated campaigns for each design.")
    if frame["chance"].notna().any():
        notes.append("After the stroke: the chance to show what is worth showing.")
    return ReportTable(
        "tab-needed",
        "Blocks × runs of each configuration, against the difference that they show",
        (
            Field(
                "claim",
                "Claim",
                cell=lambda row, units: (
                    row.claim
                    if row.claim.endswith(ON_COMMON)
                    else f"{row.claim}: {metric_title(keys[row.claim], units)}"
                ),
                width=3.2,
            ),
            *(
                Field(name)
                for name in ("key", "blocks", "repeats", "runs", "hours", "detectable", "upper", "chance", "campaigns")
            ),
        ),
        frame,
        tuple(notes),
        Across("claim", "size", headings, _needed_cell(keys), width=2.0),
    )


def _records(result: Any, name: str) -> list[dict[str, Any]]:
    """Return the rows of a field of a result, as results.json has them."""
    return [asdict(row) for row in getattr(result, name)]


def detectable(campaign: Campaign, result: ReportResult) -> tuple[Block, ...]:
    """Return the section of a report on runs against detectable difference, by the scatter of its own runs.

    Of claims on differences in which shared biases cancel: the others take longer (`intake-report plan`). Empty where no such claim
    has a scatter.
    """
    document: dict[str, Any] = {name: _records(result, name) for name in ("runs", "configurations", "values")}
    common = result.common_drive
    if common is not None:
        document["common_drive"] = {name: _records(common, name) for name in ("values", "comparisons")} | {
            "failed": common.failed
        }
    known = from_results(document, "this campaign")
    about = tuple(c for c in cases(campaign, result.metrics, known) if c.at_once and (c.common or c.key.key in known))
    if not about or len(campaign.configurations) < 2:
        return ()
    scatter = tuple(scatter_of(case, known, "") for case in about)
    tasks = [Task(campaign, about, scatter, size, IN_REPORT, campaign.metrics.seed) for size in designs(campaign)]
    rows = [asdict(shown) for task in tasks for shown in judge_design(task)]
    table = _needed(rows, {case.name: case.key for case in about}, campaign.plan.power, IN_REPORT)
    more = (
        f"What more or fewer runs would show, by the scatter of the runs of this campaign: {IN_REPORT} simulated campaigns for each "
        "design, judged as this report judges. A difference that was found does not change what a design can detect. Recovery "
        "times and limits of values: intake-report plan."
    )
    return (
        Heading(1, "Detectable difference and runs", "sec-detectable"),
        Paragraph(more),
        block_of(table, result.units),
    )


def _needed_cell(keys: dict[str, MetricKey]) -> Callable[[Any, UnitSystem], str]:
    def cell(row: Shown, units: UnitSystem) -> str:
        if row.detectable is None:
            return "not shown"
        key = keys[row.claim]
        form = (difference_quantity(key), units, max(key.spec.decimals, 1))
        upper = "" if row.upper is None else f" ({formatting.bare(row.upper, *form)})"
        chance = "" if row.chance is None else f" / {100.0 * row.chance:.0f} %"
        return f"{formatting.with_unit(row.detectable, *form)}{upper}{chance}"

    return cell


def _scatter(plan: Plan) -> str:
    units = plan.campaign.about.units
    of: dict[tuple[str, str], list[str]] = {}
    for case, scatter in zip(plan.cases, plan.scatter, strict=True):
        form = (difference_quantity(case.key), units, 1)
        run, shift = (formatting.with_unit(value, *form) for value in (scatter.run, scatter.interaction))
        sizes = f"{run} between runs of one day, {shift} by days that favour one configuration"
        of.setdefault((sizes, said(scatter.basis, units)), []).append(case.name)
    parts = [f"{sizes} for {formatting.listing(names)} ({basis})" for (sizes, basis), names in of.items()]
    return (
        f"Scatter (standard deviations): {'; '.join(parts)}. In all other metrics that Holm's adjustment counts nothing is taken "
        "to differ. Claims on recovery times and on limits of values are judged by at most 500 of the simulated campaigns."
    )


def stop_rule(plan: Plan) -> str:
    """Return the rule by which the campaign ends."""
    once, often = plan.looking
    seen = plan.campaign.plan.looks
    looked = "" if not seen else f" {formatting.count(seen, 'look')} {'was' if seen == 1 else 'were'} taken already."
    return (
        f"Fixed design: the comparison is made once, after all {formatting.count(plan.design.blocks, 'block')}. Looking after every "
        f"block from the second on and stopping at the first “supported” raises the risk of a wrong one from "
        f"{100.0 * once:.1f} to {100.0 * often:.1f} % for each claim, before Holm's adjustment (simulated). Accepting or "
        f"repeating a run the same day (intake-report check) is no look: it does not compare configurations.{looked} Record "
        "each look as plan.looks: the report states it."
    )


def _days(plan: Plan) -> ReportTable:
    names = {c.id: c.name for c in plan.campaign.configurations}
    windows = {window.day: window for window in plan.windows}
    rows: list[dict[str, Any]] = []
    for block in dict.fromkeys(run.block for run in plan.runs):
        runs = [run for run in plan.runs if run.block == block]
        start = next((run.start for run in runs if run.start is not None), None)
        window = None if start is None else windows[start.date()]
        said_by = [(names[r.configuration], "driven" if r.start is None else f"{r.start:%H:%M}") for r in runs]
        rows.append(
            {
                "block": block,
                "day": "driven" if start is None else f"{WEEK[start.weekday()]} {start:%Y-%m-%d}",
                "order": ", ".join(f"{name} ({when})" for name, when in said_by),
                "temperature": None if window is None else window.temperature,
                "fits": "" if window is None else ", ".join(f"{a:%H:%M}–{b:%H:%M}" for a, b in window.stretches),
            }
        )
    fields = [
        Field("block", "Block", width=1.0), Field("day", "Day", width=1.5), Field("order", "Order and start", width=5.5),
        Field("fits", "Hours that fit", width=1.6),
    ]  # fmt: skip
    if any(row["temperature"] is not None for row in rows):
        fields.append(Field("temperature", "Forecast", "temperature", 0, unit="cell", width=1.0))
    zone = plan.campaign.about.timezone
    title = f"Blocks in order, local time ({zone}), seed {plan.seed}; first item of each day: soak check, engine cold"
    return ReportTable("tab-days", title, tuple(fields), pd.DataFrame(rows, dtype=object))


def _climate(plan: Plan) -> ReportTable:
    rows = [
        {"hour": f"{hour:02d}–{(hour + 1) % 24:02d}", "reports": n, "share": 100.0 * share}
        for hour, n, share in plan.climate
    ]
    return ReportTable(
        "tab-climate", "METAR reports by local hour that fit the limits of temperature, wind and precipitation",
        (Field("hour", "Hour"), Field("reports", "Reports", "number"), Field("share", "Fit", "ratio")),
        pd.DataFrame(rows, dtype=object),
    )  # fmt: skip


def sheets(plan: Plan) -> Iterator[Block]:
    """Yield one page for each run that is still to be driven."""
    todo = [run for run in plan.runs if not run.done]
    for number, run in enumerate(todo, 1):
        yield PageBegins()
        yield from _sheet(plan, run, number, len(todo))


def _sheet(plan: Plan, run: PlannedRun, number: int, runs: int) -> Iterator[Block]:
    campaign = plan.campaign
    configuration = campaign.configuration(run.configuration)
    deviations = "; ".join(configuration.deviations) or "none declared"
    window = (
        ""
        if run.start is None or run.end is None
        else f"{WEEK[run.start.weekday()]} {run.start:%Y-%m-%d, %H:%M} to {run.end:%H:%M}"
    )
    yield Heading(1, literal(f"Run {number} of {runs}: {configuration.name}"), f"sheet-{number}")
    yield Definitions(
        (
            ("Run", literal(f"{run.id}, number {run.position} of block {run.block}")),
            ("Fit", literal(f"{configuration.name}. Deviations from the as-sold state: {deviations}")),
            ("Start", literal(f"{window} ({campaign.about.timezone})")),
            ("Route", literal(_route(campaign))),
            ("Log file", literal(", ".join(run.files))),
            ("Accepted if", literal(" ".join(limits(campaign)))),
        )
    )
    yield ItemList(tuple(_checks(campaign, run)))
    last = (
        "Anything unusual: traffic, queue, detour, rain, smell, noise",
        "Accepted by intake-report check (yes, with limitation, repeat); signature",
    )
    yield Form(BOXES, last)
    yield Callout("caution", "Before moving off", (ROAD[0], f"{ROAD[1]} {LAW[0].replace('report', 'sheet')}"))


def _checks(campaign: Campaign, run: PlannedRun) -> Iterator[str]:
    if run.position == 1:
        yield (
            "**First item of the day:** soak check. After a stand of hours, engine cold and in the shade, read all temperature "
            "channels and a thermometer beside the sensor, and write them under [" + "[soak_check]]."
        ).replace("[[soak_check]]", literal("[[soak_check]]"))
    stand = formatting.duration_text(campaign.plan.stand)
    yield f"The configuration is fitted, clamps are tight, nothing is left in the engine bay; stand of {stand}, as before every run."
    yield "Load, fuel, tyres, windows and air conditioning as on the other runs."
    yield "Logger started by the passenger or before moving off; its clock compared; intake air and speed change on its screen."
    if campaign.plan.control:
        yield "The control vehicle stands ready behind, its logger started: it drives the same route at the same time."


def _route(campaign: Campaign) -> str:
    units = campaign.about.units
    parts = [
        f"{p.name or p.id} from {formatting.with_unit(p.start, 'distance', units, 1)} to {formatting.with_unit(p.end, 'distance', units, 1)}"
        for p in campaign.route.phases
    ]
    entry = formatting.with_unit(campaign.route.highway_entry.speed, "speed", units, 0)
    described = f"{campaign.route.description.rstrip('.')}. " if campaign.route.description else "As agreed. "
    return f"{described}{'; '.join(parts)}{'. ' if parts else ''}Highway entry: through {entry} on the ramp, alike on all runs."


def limits(campaign: Campaign) -> Iterator[str]:
    """Yield the acceptance limits that a driver can watch, in the driver's units."""
    stated, units = acceptance_limits(campaign), campaign.about.units
    for code in DRIVERS:
        spec = CRITERIA[code]
        limit = stated[code].limit if code in stated else spec.limit
        if code == "rain" and limit == 0.0:
            yield "Rain: as on the other runs."
            continue
        of = "the other runs of this configuration" if spec.scope == "within" else "the other runs"
        yield f"{spec.title}: within {formatting.usual(limit, spec.shown, units)} of {of}."
