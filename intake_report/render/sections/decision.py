"""The two pages that decide: the answer for every configuration, the verdict table, claims, the picture, what bounds it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from intake_report import formatting
from intake_report.campaign import Campaign
from intake_report.messages import Value, message, said
from intake_report.plots_route import decision_figure
from intake_report.render.blocks import Block, Cover, Paragraph
from intake_report.render.figure import figure_block
from intake_report.render.inline import literal
from intake_report.render.sections import answer
from intake_report.render.sections.claims import claim_table
from intake_report.render.sections.stated import changed_statements
from intake_report.render.sections.tables import named, table_block
from intake_report.report_table import Across, Field, frame_of
from intake_report.results import MetricKey, ReportResult
from intake_report.results.text import change_of, difference_interval, metric_title
from intake_report.units import UnitSystem

MOST_CHANGES = 4  # statements that the second page quotes; the annex has all


def cover(campaign: Campaign, result: ReportResult, date: str, revision: int) -> tuple[Block, ...]:
    """Return title, question and answer."""
    used, driven = (sum(getattr(c, n) for c in result.configurations) for n in ("runs_used", "runs"))
    days = sorted({run.start[:10] for run in result.runs if run.start})
    when = f", driven {days[0]}" if len(days) == 1 else f", driven {days[0]} to {days[-1]}" if days else ""
    blocks = len({run.block for run in result.runs if run.block and run.decision != "excluded"})
    over = f", in {formatting.count(blocks, 'block')}" if blocks else ""
    facts = (
        ("Vehicle", campaign.vehicle.description),
        ("Runs", f"{used} of {driven} in the comparison{over}{when}"),
        ("Route", campaign.route.description.rstrip(".")),
    )
    page = Cover(
        title=literal(result.title),
        subtitle=literal(f"Engineering test report, campaign {result.campaign}"),
        date=date,
        revision=f"revision {revision}" if revision else "not issued",
        question=literal(result.question),
        answer=answer.answer(result),
        facts=tuple((label, literal(text)) for label, text in facts if text),
    )
    return (page,)


def decision(campaign: Campaign, result: ReportResult, previous: str, revision: int = 1) -> tuple[Block, ...]:
    """Return what a reader decides from: verdicts, claims, picture, gravest limitations, sign-off, what changed."""
    keys = [result.metric(key) for key in result.decides]
    blocks: list[Block] = []
    if any(answer.compared(result, key) for key in keys):
        blocks.append(_verdicts(result, keys))
    if result.claims:
        blocks.append(claim_table(result))
    if result.places is not None or result.recovery_curves:
        finding = answer.headline(result)
        blocks.append(
            figure_block(
                decision_figure(result, finding),
                "fig-decision",
                "Top: mean of the runs of each configuration along the route (its peak lies below the mean of the runs’ peaks); shaded: phases; triangles: places of stops. Bottom: "
                "over-ambient temperature of every run after the highway entry; dotted: recovery margins.",
                f"{finding}. One line per configuration along the route, and below it the fall after the highway entry.",
            )
        )
    blocks += [*answer.bounds(result), *_signatures(campaign, result)]
    return (*blocks, _revision(result, previous)) if revision else tuple(blocks)


def _verdicts(result: ReportResult, keys: list[MetricKey]) -> Block:
    comparisons = {(c.configuration, key.key): c for key in keys for c in answer.compared(result, key)}
    rows = []
    for configuration in result.ordered:
        for key in keys:
            c = comparisons.get((configuration.id, key.key))
            found = {name: getattr(c, name, None) for name in ("difference", "low", "high", "call")}
            mean = result.summary(key.key, configuration.id).mean
            rows.append({"configuration": configuration.id, "key": key.key, "mean": mean, **found})

    def cell(row: Any, units: UnitSystem) -> str:
        key, c = result.metric(row.key), comparisons.get((row.configuration, row.key))
        value = answer.level(result, key, row.configuration) or formatting.ABSENT
        if c is None:
            return value
        interval = difference_interval(c, key, units)
        limits = "" if interval == formatting.ABSENT else f" ({interval})"
        return f"{value}; {said(change_of(key, c.difference), units)}{limits} {answer.MARKS.get(c.call, '')} {answer.CALLS[c.call]}"

    template = "Mean, difference from {baseline} with its {level} interval, and verdict"
    columns = tuple((key.key, metric_title(key, result.units)) for key in keys)
    bounded = [f"What bounds these most: {item.cover}." for item in answer.gravest(result, 1)]
    return table_block(
        result.units,
        "tab-verdict",
        message(template, baseline=result.baseline.name, level=Value(result.level, "share")),
        frame_of(rows),
        named(result, 1.6),
        notes=(*answer.legend(result, keys), *_rounded(result, keys), *answer.also_shown(result, keys), *bounded),
        across=Across("configuration", "key", columns, cell, align="left", width=2.4),
    )


def _rounded(result: ReportResult, keys: list[MetricKey]) -> tuple[str, ...]:
    """Return why a printed difference is not that of the printed values, where it is not."""
    reasons = dict.fromkeys(answer.adjusted(result, key, c) for key in keys for c in answer.compared(result, key))
    texts = {
        answer.ROUNDED: "Differences are taken before rounding.",
        answer.WITHIN: "Differences are taken within blocks and need not be those of the two means.",
        answer.CONTROLLED: "Differences are less what the control vehicle changed meanwhile.",
    }
    fixed = "fixed before the data were seen; details in the annex."
    return tuple(texts.get(reason, f"{reason.capitalize()}, {fixed}") for reason in reasons if reason)


def _signatures(campaign: Campaign, result: ReportResult) -> list[Block]:
    about = campaign.about
    roles = (("Prepared", about.prepared_by), ("Reviewed", about.reviewed_by), ("Approved", about.approved_by))
    table = table_block(
        result.units,
        "tab-signatures",
        "Sign-off",
        frame_of({"step": step, "name": name} for step, name in roles),
        Field("step", "Step"),
        Field("name", "Name", width=2.0, cell=lambda row, _: row.name or " "),
        Field("", "Date", cell=lambda *_: " "),
        Field("", "Signature", width=2.4, cell=lambda *_: " "),
    )
    unsigned = [step.lower() for step, name in roles[1:] if not name]
    undecided = sum(c.verdict not in ("supported", "not supported") for c in result.claims)
    still = [f"not {formatting.listing(unsigned, 'or')}"] if unsigned else []
    still += [f"{formatting.count(undecided, 'claim')} not decided"] if undecided else []
    text = "The results concern the articles as tested."
    return [replace(table, internal=True), Paragraph(f"{text} Open: {'; '.join(still)}." if still else text)]


def _revision(result: ReportResult, previous: str) -> Block:
    if not previous:
        return Paragraph("First report of this campaign.")
    issued, rows = changed_statements(result, previous)
    if rows is None:
        return Paragraph(f"The report before, {literal(issued)}, cannot be read: see [[sec-changes]].")
    first = "; ".join(f"{row['subject']}: {row['before']} → {row['now']}" for row in rows[:MOST_CHANGES])
    more = f"; all {len(rows)} in [[sec-changes]]" if len(rows) > MOST_CHANGES else ""
    changed = literal(first) if rows else "no difference, verdict, claim or run decision changed"
    return Paragraph(f"Since the report of {issued}: {changed}{more}.")
