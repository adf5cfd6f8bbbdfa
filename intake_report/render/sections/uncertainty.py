"""Uncertainty of one run: what the instruments leave open, from which source, and what of it all runs share."""

from __future__ import annotations

import math
from collections.abc import Callable

from intake_report import formatting
from intake_report.messages import said
from intake_report.plots import budget_figure
from intake_report.render.blocks import Block, Callout, Column, Heading, Paragraph, Scalar, Table
from intake_report.render.figure import figure_block
from intake_report.render.inline import literal
from intake_report.render.sections.tables import literal_table
from intake_report.results import (
    BudgetRow,
    InstrumentUncertainty,
    MetricKey,
    MetricResult,
    ReportResult,
    SourceRow,
)
from intake_report.results.text import ROUNDING_MODE, difference_quantity, interval_text, metric_title
from intake_report.units import QUANTITIES

PER_TABLE = 3  # headline metrics beside the name of a source or run
TOGETHER = "All sources together"
COMMON = "of which the same in all runs"
OWN = "of which each run its own"


def uncertainty(result: ReportResult) -> tuple[Block, ...]:
    """Return the uncertainty of one run's value: sources, budgets, values with intervals, what cancels."""
    found = result.uncertainty
    heading = Heading(1, "Uncertainty of one run", "sec-uncertainty")
    keys = _budgeted(result)
    if found is None or not keys:
        return (heading, Paragraph("No headline metric has a value, so there is nothing to assess."))
    blocks: list[Block] = [heading, *(Paragraph(literal(text)) for text in _introduction(result, found))]
    blocks.append(_sources(result, found))
    if found.assumptions:
        blocks.append(
            Callout(
                "note",
                "Assumed, because it is not declared",
                tuple(literal(said(text, result.units)) for text in found.assumptions),
            )
        )
    blocks += [
        Heading(2, "Budgets", "sec-budgets"),
        figure_block(
            budget_figure(result, [(key, _rows(found, key)) for key in keys]),
            "fig-budget",
            "Standard uncertainty that each source alone causes in one run's value (root mean square over the runs); filled: "
            "the same in all runs, so that it cancels in differences as far as the runs respond alike. Sources below a fiftieth of the largest are "
            "in the tables only.",
            "Horizontal bars, one per source of uncertainty and one panel per headline metric. The values are in the tables "
            "that follow.",
        ),
    ]
    blocks += _chunked(keys, lambda some, part: _budget_table(result, found, some, part))
    blocks.append(Heading(2, "Values with their intervals", "sec-intervals"))
    blocks += _chunked(keys, lambda some, part: _interval_table(result, found, some, part))
    blocks += _differences(result, found, keys)
    return tuple(blocks)


def _budgeted(result: ReportResult) -> list[MetricKey]:
    return [k for k in result.metrics if k.spec.headline and any(v.low is not None for v in result.of(k.key))]


def _rows(found: InstrumentUncertainty, key: MetricKey) -> list[BudgetRow]:
    return [row for row in found.budgets if row.key == key.key]


def _chunked(keys: list[MetricKey], table: Callable[[list[MetricKey], str], Table]) -> list[Block]:
    parts = -(-len(keys) // PER_TABLE)
    width = -(-len(keys) // parts)
    return [table(keys[i * width : (i + 1) * width], f"-{i + 1}" if parts > 1 else "") for i in range(parts)]


def _introduction(result: ReportResult, found: InstrumentUncertainty) -> list[str]:
    single = all(c.runs_used <= 1 for c in result.configurations)
    texts = [
        f"Each value of one run was computed {found.draws} times with readings as they might have been, given what is known "
        "about the instruments (propagation of distributions, JCGM 101:2008). The standard deviation of the results is the "
        f"standard uncertainty, the {formatting.number(100 * found.level, 0)} % interval runs between their quantiles. Values "
        "are temperatures as the sensor shows them: its lag delays every run alike and is not taken out; what is uncertain "
        "about the lag is counted, by the slope of the temperature. Times of events enter to first order.",
        "This is what the instruments leave open about one run. It says nothing about how a second run of the same "
        "configuration would differ; the scatter between runs is another level and is not mixed with it."
        if not single
        else "Every configuration was driven at most once, so this is the only uncertainty that can be stated: instrument "
        "uncertainty only. How a second run of the same configuration would differ is unknown, and is usually more.",
    ]
    if any(s.name == ROUNDING_MODE for s in found.sources):
        texts.append(
            "Whether the control unit rounds its reading or cuts it off is not declared. The values take it as rounded to the "
            "nearest step; the draws take it as either, one as likely as the other, and raise a reading cut off by half a step. "
            "Nothing between the two is possible, so a value of temperature lies below the middle of its interval."
        )
    bare = [k for k in result.metrics if all(v.low is None for v in result.of(k.key))]
    bare = [k for k in bare if any(v.status == "ok" for v in result.of(k.key))]
    if bare:
        titles = list(dict.fromkeys(metric_title(k, result.units) for k in bare))
        texts.append(f"Not assessed: {formatting.listing(titles)}.")
    return texts


def _sources(result: ReportResult, found: InstrumentUncertainty) -> Table:
    return literal_table(
        label="tab-sources",
        caption="Sources of the uncertainty of one run's value",
        columns=(Column("Source"), Column("What is known"), Column("Standard uncertainty", "right"), Column("Runs")),
        rows=tuple(
            (
                s.name,
                said(s.basis, result.units),
                formatting.with_unit(s.u, s.quantity, result.units, 2),
                "same in all" if s.common else "each its own",
            )
            for s in found.sources
        ),
        values=(
            ("source", "basis", "quantity", "unit", "u", "common"),
            *(
                (s.name, said(s.basis, result.units), s.quantity, QUANTITIES[s.quantity].internal, s.u, str(s.common))
                for s in found.sources
            ),
        ),
        widths=(2.6, 5.0, 1.5, 1.4),
    )


def _u(value: float | None, key: MetricKey, result: ReportResult) -> str:
    """Format a standard uncertainty with one digit more than the value."""
    return formatting.bare(value, difference_quantity(key), result.units, key.spec.decimals + 1)


def _root_mean_square(values: list[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return math.sqrt(math.fsum(v**2 for v in known) / len(known)) if known and len(known) == len(values) else None


def _budget_table(result: ReportResult, found: InstrumentUncertainty, keys: list[MetricKey], part: str) -> Table:
    rows: list[tuple[str, ...]] = []
    values: list[tuple[Scalar, ...]] = [("source", "common", "metric", "unit", "u", "largest", "runs")]
    of = {(row.source, row.key): row for row in found.budgets}
    for source in found.sources:
        rows.append((source.name, _whose(source), *(_u(of[source.name, k.key].u, k, result) for k in keys)))
        values += [_budget_values(source, k, of[source.name, k.key]) for k in keys]
    for name, field in ((TOGETHER, "u"), (COMMON, "u_common"), (OWN, "u_own")):
        whole = {k.key: _root_mean_square([getattr(v, field) for v in _valued(result, k)]) for k in keys}
        rows.append((name, "", *(_u(whole[k.key], k, result) for k in keys)))
        values += [(name, "", k.key, _unit(k), whole[k.key], None, len(_valued(result, k))) for k in keys]
    return literal_table(
        label=f"tab-budget{part}",
        caption="Budget of one run's value: standard uncertainty by source, each alone, root mean square over the runs",
        columns=(
            Column("Source"),
            Column("Runs"),
            *(Column(f"{metric_title(k, result.units)} [{_shown_unit(k, result)}]", "right") for k in keys),
        ),
        rows=tuple(rows),
        notes=_notes(result, found, keys),
        values=tuple(values),
        widths=(3.0, 1.5, *(2.0 for _ in keys)),
    )


def _notes(result: ReportResult, found: InstrumentUncertainty, keys: list[MetricKey]) -> tuple[str, ...]:
    notes = []
    for key in keys:
        open_ended = [v for v in _valued(result, key) if v.draws_not_reached]
        if open_ended:
            most = formatting.number(100 * max(v.draws_not_reached or 0.0 for v in open_ended), 0)
            counted = max((row.runs for row in _rows(found, key)), default=0)
            notes.append(
                f"{metric_title(key, result.units)}: in {formatting.count(len(open_ended), 'run')} some draws do not reach it "
                f"(up to {most} %), so no standard deviation exists there; the sources are counted over the "
                f"{formatting.count(counted, 'run')} in which each source alone always reaches it."
            )
    return tuple(notes)


def _valued(result: ReportResult, key: MetricKey) -> list[MetricResult]:
    return [v for v in result.of(key.key) if v.draws_not_reached is not None]


def _whose(source: SourceRow) -> str:
    return "same in all" if source.common else "each its own"


def _unit(key: MetricKey) -> str:
    return QUANTITIES[difference_quantity(key)].internal


def _shown_unit(key: MetricKey, result: ReportResult) -> str:
    return formatting.unit_of(difference_quantity(key), result.units)


def _budget_values(source: SourceRow, key: MetricKey, row: BudgetRow) -> tuple[Scalar, ...]:
    return (source.name, str(source.common), key.key, _unit(key), row.u, row.largest, row.runs)


def _interval_table(result: ReportResult, found: InstrumentUncertainty, keys: list[MetricKey], part: str) -> Table:
    level = formatting.number(100 * found.level, 0)
    values: list[tuple[Scalar, ...]] = [
        (
            "run",
            "configuration",
            "metric",
            "unit",
            "value",
            "u",
            "low",
            "high",
            "u_common",
            "u_own",
            "not_reached_share",
        )
    ]
    for key in keys:
        unit = QUANTITIES[key.spec.quantity].internal
        values += [
            (v.run, v.configuration, v.key, unit, v.value, v.u, v.low, v.high, v.u_common, v.u_own, v.draws_not_reached)
            for v in result.of(key.key)
        ]
    of = {(v.key, v.run): v for key in keys for v in result.of(key.key)}
    return literal_table(
        label=f"tab-intervals{part}",
        caption=f"Values per run with {level} % intervals from the instruments only",
        columns=(
            Column("Run"),
            Column("Configuration"),
            *(
                Column(
                    f"{metric_title(k, result.units)} [{formatting.unit_of(k.spec.quantity, result.units)}]", "right"
                )
                for k in keys
            ),
        ),
        rows=tuple(
            (
                run.id,
                result.name_of(run.configuration),
                *(interval_text(of[k.key, run.id], k, result.units) for k in keys),
            )
            for run in result.runs
            if (keys[0].key, run.id) in of
        ),
        values=tuple(values),
        widths=(2.0, 2.2, *(2.4 for _ in keys)),
    )


def _differences(result: ReportResult, found: InstrumentUncertainty, keys: list[MetricKey]) -> list[Block]:
    """Return what the instruments leave open about the differences between configurations."""
    rows = [(key, row) for key in keys for row in found.differences if row.key == key.key]
    blocks: list[Block] = [Heading(2, "What cancels in differences", "sec-cancels")]
    if not rows:
        return [*blocks, Paragraph("No difference between configurations has a value in every draw.")]
    key, first = rows[0]
    whole = _root_mean_square([v.u_common for v in _valued(result, key)])
    decimals = key.spec.decimals + 2
    parts = [formatting.with_unit(x, difference_quantity(key), result.units, decimals) for x in (whole, first.u_common)]
    blocks.append(
        Paragraph(
            literal(
                "What all runs share is one and the same in every run, so most of it is gone in a difference between "
                f"configurations. {metric_title(key, result.units)}: the common part of one value is {parts[0]}, and "
                f"{parts[1]} of it is left in the difference between {result.name_of(first.configuration)} and "
                f"{result.name_of(first.versus)}. Something is left where runs do not respond alike: a steeper fall "
                "crosses a margin with less delay. These are the instruments alone, without the scatter between runs."
            )
        )
    )
    level = formatting.number(100 * found.level, 0)
    blocks.append(
        literal_table(
            label="tab-instrument-differences",
            caption="Differences between configurations: what the instruments alone leave open",
            columns=(
                Column("Metric"),
                Column("Difference of"),
                Column("Common part left", "right"),
                Column("Runs' own part", "right"),
                Column("Together", "right"),
                Column(f"{level} % interval", "right"),
            ),
            rows=tuple(
                (
                    metric_title(k, result.units),
                    f"{result.name_of(d.configuration)} and {result.name_of(d.versus)}",
                    *(
                        formatting.with_unit(x, difference_quantity(k), result.units, k.spec.decimals + 1)
                        for x in (d.u_common, d.u_own, d.u)
                    ),
                    formatting.interval(d.low, d.high, difference_quantity(k), result.units, k.spec.decimals),
                )
                for k, d in rows
            ),
            values=(
                ("metric", "configuration", "versus", "unit", "u_common", "u_own", "u", "low", "high"),
                *(
                    (d.key, d.configuration, d.versus, _unit(k), d.u_common, d.u_own, d.u, d.low, d.high)
                    for k, d in rows
                ),
            ),
            widths=(2.6, 2.8, 1.2, 1.2, 1.2, 1.8),
        )
    )
    return blocks
