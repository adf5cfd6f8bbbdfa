"""What is behind the results: curves, values of every run, all differences; limitations with their remedies."""

from __future__ import annotations

from intake_report import formatting
from intake_report.messages import said
from intake_report.plots import heat_soak_figure, keys_of
from intake_report.plots_route import recovery_figure, route_figure
from intake_report.plots_values import difference_figure
from intake_report.render.blocks import Block, Callout, Heading, Paragraph
from intake_report.render.figure import figure_block
from intake_report.render.inline import literal
from intake_report.render.sections.answer import computed
from intake_report.render.sections.claims import claim_details
from intake_report.render.sections.comparisons import basis_of_differences
from intake_report.render.sections.same import common_drive_details
from intake_report.render.sections.tables import (
    calls,
    comparison_table,
    general_title,
    hottest,
    in_parts,
    levels,
    summary_table,
    table_block,
    values_table,
)
from intake_report.report_table import Field, frame_of
from intake_report.results import GROUPS, MetricKey, ReportResult

PER_TABLE = 5  # metric columns that fit the width of a page
DRAWN = ("peak_iat", "heat_soak_rate", "recovery_time_constant")  # beside the headline metrics


def details(result: ReportResult) -> tuple[Block, ...]:
    """Return what is behind the results: figures along the route, of recovery and of stops, and the basis of differences."""
    blocks: list[Block] = [Heading(1, "Results in detail", "sec-details")]
    blocks += _route(result)
    blocks += _recovery(result)
    blocks += _heat_soak(result)
    blocks += _main(result)
    blocks += basis_of_differences(result)
    blocks += common_drive_details(result)
    if result.claims:
        blocks += [Heading(2, "Claims", "sec-claims"), claim_details(result)]
    return tuple(blocks)


def _route(result: ReportResult) -> list[Block]:
    if not result.route_curves:
        return [Paragraph("No run has intake air temperature on the route.")]
    ambient = any(curve.y2 for curve in result.route_curves)
    text = "Intake air temperature" + (" (solid) and ambient (dotted grey)" if ambient else "")
    return [
        Heading(2, "Along the route", "sec-route"),
        figure_block(
            route_figure(result, hottest(result)),
            "fig-route",
            f"{text} against route distance, all runs, one panel per configuration; shaded: phases of the route.",
            "Intake air temperature of every run against route distance in one panel per configuration, with the phases of the "
            "route shaded. Peaks of each run are in the table of values per run.",
        ),
    ]


def _recovery(result: ReportResult) -> list[Block]:
    if not result.recovery_curves:
        reason = (
            "no ambient temperature was recorded"
            if result.ambient_reference == "none"
            else "no run has a highway entry"
        )
        return [Heading(2, "Recovery after highway entry", "sec-recovery"), Paragraph(f"Not computed: {reason}.")]
    return [
        Heading(2, "Recovery after highway entry", "sec-recovery"),
        figure_block(
            recovery_figure(result, levels(result, keys_of(result, "recovery_time"))),
            "fig-recovery",
            "Over-ambient temperature against time since the highway entry; dotted: recovery margins; marks: recovery times.",
            "Over-ambient temperature of every run falling after the highway entry, with horizontal lines at the recovery "
            "margins. Recovery times are in the table of values per run.",
        ),
    ]


def _heat_soak(result: ReportResult) -> list[Block]:
    heading = Heading(2, "Heat soak at stops", "sec-soak")
    if not result.stop_curves:
        return [heading, Paragraph("No stop is long enough for a heat-soak rate.")]
    stops = [s for s in result.stops if s.rate is not None]
    return [
        heading,
        figure_block(
            heat_soak_figure(result, levels(result, keys_of(result, "heat_soak_rate"))),
            "fig-soak",
            f"Rise of intake air temperature during {formatting.count(len(stops), 'stop')} (left); rise (middle) and heat-soak "
            "rate (right) of each stop against its duration.",
            "Left: rise of intake air temperature since each stop began. Middle and right: rise and heat-soak rate of each "
            "stop against its duration. The medians per run are in the table of values per run.",
        ),
    ]


def _main(result: ReportResult) -> list[Block]:
    """Return the differences of the main metrics in a figure, and which metrics could not be computed."""
    keys = computed(result)
    blocks: list[Block] = [Heading(2, "Differences of the main metrics", "sec-values")]
    differing = {c.key for c in result.comparisons if c.difference is not None}
    compared = [k for k in keys if k.key in differing and (k.spec.headline or k.spec.id in DRAWN)]
    if compared:
        blocks.append(
            figure_block(
                difference_figure(result, compared, calls(result, compared)),
                "fig-differences",
                f"Differences from {literal(result.baseline.name)} with {formatting.usual(result.level, 'share', 'si')} "
                "intervals; an open marker: no interval, or one that is open to a side.",
                "Horizontal intervals of the differences of each configuration from the baseline. The values are in the table.",
            )
        )
    return blocks + _absent(result, [k for k in result.metrics if k not in keys])


def all_values(result: ReportResult) -> tuple[Block, ...]:
    """Return the values of every run, the summaries and all differences, group by group, for the annex."""
    keys = computed(result)
    blocks: list[Block] = [Heading(1, "All values and differences", "sec-annex-values")]
    for group, title in GROUPS.items():
        some = [k for k in keys if k.spec.group == group]
        if some:
            blocks += _group(result, some, group.replace(" ", "-"), title)
    if not keys:
        blocks.append(Paragraph("No metric could be computed in any run."))
    return tuple(blocks)


def _group(result: ReportResult, keys: list[MetricKey], label: str, title: str) -> list[Block]:
    """Return the tables of one group of metrics: values per run, summary, differences."""
    blocks: list[Block] = [Heading(2, title, f"sec-values-{label}")]
    for some, number, suffix in in_parts(keys, PER_TABLE):
        blocks.append(values_table(result, some, f"tab-values-{label}{number}", f"{title}: values per run{suffix}"))
    blocks.append(
        summary_table(result, keys, f"tab-summary-{label}", f"{title}: mean and standard deviation per configuration")
    )
    blocks.append(comparison_table(result, keys, f"tab-differences-{label}", f"{title}: all differences"))
    return blocks


def _absent(result: ReportResult, keys: list[MetricKey]) -> list[Block]:
    if not keys:
        return []
    reasons: dict[str, list[str]] = {}
    for key in keys:
        for value in result.of(key.key):
            titles = reasons.setdefault(said(value.reason, result.units), [])
            if (title := general_title(key.spec)) not in titles:
                titles.append(title)
    texts = tuple(literal(f"{formatting.listing(titles)}: {reason}.") for reason, titles in reasons.items())
    return [Callout("note", "Metrics that could not be computed", texts)]


def limitation_table(result: ReportResult) -> tuple[Block, ...]:
    """Return what the data cannot show, each with its code and what would remove it."""
    heading = Heading(1, "Limitations and what would remove them", "sec-remedies")
    if not result.limitations:
        return (heading, Paragraph("No limitation was derived from the data."))
    table = table_block(
        result.units,
        "tab-limitations",
        "Limitations derived from the data",
        frame_of(result.limitations),
        Field("code", "Code", width=1.5),
        Field("text", "What the data cannot show", width=4.4),
        Field("remedy", "What would remove it", width=3.4),
    )
    return (heading, table)
