"""Uncertainty of one run: what the instruments leave open, from which source, and what of it all runs share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from intake_report import formatting
from intake_report.messages import said
from intake_report.plots_values import budget_figure
from intake_report.render.blocks import Block, Callout, Heading, Paragraph, Table
from intake_report.render.figure import figure_block
from intake_report.render.inline import literal
from intake_report.render.sections.tables import (
    in_parts,
    largest_sources,
    table_block,
    titled,
    with_unit,
)
from intake_report.report_table import Across, Field, frame_of
from intake_report.results import InstrumentUncertainty, MetricKey, MetricResult, ReportResult
from intake_report.results.text import ROUNDING_MODE, difference_quantity, metric_title
from intake_report.units import UnitSystem

PER_TABLE = 3  # headline metrics beside the name of a source
WHOSE = {True: "same in all", False: "each its own", None: ""}
TOTALS = {
    "u": "All sources together",
    "u_common": "of which the same in all runs",
    "u_own": "of which each run its own",
}


def uncertainty(result: ReportResult) -> tuple[Block, ...]:
    """Return the uncertainty of one run's value: sources, budgets, what cancels; intervals stand beside the values."""
    budget = result.uncertainty
    heading = Heading(1, "Uncertainty of one run", "sec-uncertainty")
    keys = [k for k in result.metrics if k.spec.headline and any(v.low is not None for v in result.of(k.key))]
    if not keys:
        return (heading, Paragraph("No headline metric has a value, so there is nothing to assess."))
    blocks: list[Block] = [heading, *(Paragraph(literal(text)) for text in _introduction(result, budget))]
    blocks.append(_sources(result, budget))
    if budget.assumptions:
        texts = tuple(literal(said(text, result.units)) for text in budget.assumptions)
        blocks.append(Callout("note", "Assumed, because it is not declared", texts))
    budgets = [(key, [row for row in budget.budgets if row.key == key.key]) for key in keys]
    blocks += [
        Heading(2, "Budgets", "sec-budgets"),
        figure_block(
            budget_figure(result, budgets, largest_sources(budgets)),
            "fig-budget",
            "Standard uncertainty that each source alone causes in one run's value (root mean square over the runs); filled: "
            "the same in all runs, so that it cancels in differences as far as the runs respond alike. Sources below a fiftieth of the largest are "
            "in the tables only.",
            "Horizontal bars, one per source of uncertainty and one panel per headline metric. The values are in the tables "
            "that follow.",
        ),
        *(_budget_table(result, budget, some, mark) for some, mark, _ in in_parts(keys, PER_TABLE)),
        *_differences(result, budget, keys),
    ]
    return tuple(blocks)


def _introduction(result: ReportResult, budget: InstrumentUncertainty) -> list[str]:
    single = all(c.runs_used <= 1 for c in result.configurations)
    texts = [
        f"Each value of one run was computed {budget.draws} times with readings as they might have been, given what is known "
        "about the instruments (propagation of distributions, JCGM 101:2008). The standard deviation of the results is the "
        f"standard uncertainty, the {formatting.usual(budget.level, 'share', 'si')} interval runs between their quantiles; it "
        "stands in brackets beside the values of the runs. What is measured is the temperature of the sensor's element, so its "
        "lag behind the air is no error. Times of events enter to first order.",
        "This is what the instruments leave open about one run. It says nothing about how a second run of the same "
        "configuration would differ; the scatter between runs is another level and is not mixed with it."
        if not single
        else "Every configuration was driven at most once, so this is the only uncertainty that can be stated: instrument "
        "uncertainty only. How a second run of the same configuration would differ is unknown, and is usually more.",
    ]
    if any(s.name == ROUNDING_MODE for s in budget.sources):
        texts.append(
            "Whether the control unit rounds its readings or cuts them off is not declared. A reading cut off is half a step low on "
            "average, so a quarter of a step is added as the mean of the two, and the draws take either, one as likely as the "
            "other. What the same control unit does to the ambient reading is the same draw, so that it cancels as far as the steps "
            "are alike."
        )
    valued = [k for k in result.metrics if any(v.status == "ok" for v in result.of(k.key))]
    bare = [metric_title(k, result.units) for k in valued if all(v.low is None for v in result.of(k.key))]
    return [*texts, f"Not assessed: {formatting.listing(bare)}."] if bare else texts


def _sources(result: ReportResult, budget: InstrumentUncertainty) -> Table:
    return table_block(
        result.units,
        "tab-sources",
        "Sources of the uncertainty of one run's value",
        frame_of(budget.sources),
        Field("name", "Source", width=2.6),
        Field("basis", "What is known", width=5.0),
        Field(
            "u",
            "Standard uncertainty",
            cell=lambda s, units: formatting.with_unit(s.u, s.quantity, units, 2),
            align="right",
            width=1.5,
        ),
        Field("common", "Runs", cell=lambda s, _: WHOSE[s.common], width=1.4),
    )


def _root_mean_square(values: list[float | None]) -> float | None:
    """Return the root mean square; None where a value is missing."""
    known = [v for v in values if v is not None]
    return math.sqrt(math.fsum(v**2 for v in known) / len(known)) if known and len(known) == len(values) else None


def _budget_table(result: ReportResult, budget: InstrumentUncertainty, keys: Sequence[MetricKey], mark: str) -> Table:
    entries = {(row.source, row.key): row for row in budget.budgets}
    rows: list[dict[str, Any]] = [
        {"common": source.common, **vars(entries[source.name, k.key])} for source in budget.sources for k in keys
    ]
    for field, name in TOTALS.items():
        for k in keys:
            valued = _valued(result, k)
            u = _root_mean_square([getattr(v, field) for v in valued])
            rows.append({"common": None, "key": k.key, "source": name, "u": u, "runs": len(valued)})

    def cell(row: Any, units: UnitSystem) -> str:  # one digit more than the value
        key = result.metric(row.key)
        return formatting.bare(row.u, difference_quantity(key), units, key.spec.decimals + 1)

    return table_block(
        result.units,
        f"tab-budget{mark}",
        "Budget of one run's value: standard uncertainty by source, each alone, root mean square over the runs",
        with_unit(result, rows),
        Field("source", "Source", width=3.0),
        Field("common", "Runs", cell=lambda row, _: WHOSE[row.common], width=1.5),
        notes=(note for key in keys if (note := _open_ended(result, budget, key))),
        across=Across(
            "source", "key", tuple((k.key, titled(k, result.units, difference=True)) for k in keys), cell, width=2.0
        ),
    )


def _open_ended(result: ReportResult, budget: InstrumentUncertainty, key: MetricKey) -> str:
    """Say in how many runs draws do not reach a margin; empty where all do."""
    shares = [v.draws_not_reached for v in _valued(result, key) if v.draws_not_reached]
    if not shares:
        return ""
    counted = max((row.runs for row in budget.budgets if row.key == key.key), default=0)
    return (
        f"{metric_title(key, result.units)}: in {formatting.count(len(shares), 'run')} some draws do not reach it, or are within it at the entry "
        f"(up to {formatting.usual(max(shares), 'share', 'si')}), so no standard deviation exists there; the sources are counted over the "
        f"{formatting.count(counted, 'run')} in which each source alone always reaches it."
    )


def _valued(result: ReportResult, key: MetricKey) -> list[MetricResult]:
    return [v for v in result.of(key.key) if v.draws_not_reached is not None]


def _differences(result: ReportResult, budget: InstrumentUncertainty, keys: list[MetricKey]) -> list[Block]:
    """Return what the instruments leave open about the differences between configurations."""
    rows = [row for key in keys for row in budget.differences if row.key == key.key]
    heading = Heading(2, "What cancels in differences", "sec-cancels")
    if not rows:
        return [heading, Paragraph("No difference between configurations has a value in every draw.")]
    first = rows[0]
    key = result.metric(first.key)
    form = (difference_quantity(key), result.units, key.spec.decimals + 2)
    whole = _root_mean_square([v.u_common for v in _valued(result, key)])
    text = (
        "What all runs share is one and the same in every run, so most of it is gone in a difference between "
        f"configurations. {metric_title(key, result.units)}: the common part of one value is {formatting.with_unit(whole, *form)}, and "
        f"{formatting.with_unit(first.u_common, *form)} of it is left in the difference between {result.name_of(first.configuration)} and "
        f"{result.name_of(first.versus)}. Something is left where runs do not respond alike: a steeper fall "
        "crosses a margin with less delay. results.json has all differences."
    )

    return [heading, Paragraph(literal(text))]
