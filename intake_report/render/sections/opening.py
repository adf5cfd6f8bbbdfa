"""Cover, results at a glance, methodology and test articles."""

from __future__ import annotations

from intake_report import formatting
from intake_report.campaign import Campaign
from intake_report.messages import said
from intake_report.plots_values import difference_figure
from intake_report.render.blocks import Block, Cover, Definitions, Heading, Paragraph
from intake_report.render.figure import figure_block
from intake_report.render.inline import literal
from intake_report.render.sections.sentences import answer, compared
from intake_report.render.sections.tables import block_of, comparison_table, files, general_title
from intake_report.report_table import Field, ReportTable, frame_of, rows_of
from intake_report.results import ReportResult
from intake_report.results.compared import METHOD_SENTENCES
from intake_report.units import QUANTITIES


def cover(campaign: Campaign, result: ReportResult, date: str, revision: int) -> tuple[Block, ...]:
    """Return the cover: identity, question, the answer in three sentences, and where and when it was measured."""
    about = campaign.about
    used, driven = (sum(c.runs_used for c in result.configurations), sum(c.runs for c in result.configurations))
    facts = [
        ("Campaign", result.campaign),
        ("Vehicle", campaign.vehicle.description),
        ("Configurations", formatting.listing([f"{c.name} ({c.role})" for c in result.configurations])),
        ("Runs", f"{used} of {driven} in the comparison{_dates(result)}"),
        ("Route", campaign.route.description.rstrip(".") or _lengths(result)),
        ("Ambient", _ambient(result)),
    ]
    facts = [(label, text) for label, text in facts if text]
    signed = (
        ("Prepared by", about.prepared_by),
        ("Reviewed by", about.reviewed_by),
        ("Approved by", about.approved_by),
    )
    facts += [(label, name) for label, name in signed if name]
    return (
        Cover(
            title=literal(result.title),
            subtitle="Engineering test report",
            date=date,
            revision=str(revision),
            question=literal(result.question),
            answer=answer(result),
            facts=tuple((label, literal(text)) for label, text in facts),
        ),
    )


def _dates(result: ReportResult) -> str:
    """Return ", driven 2026-05-01 to 2026-05-03"; empty where no run tells its start."""
    days = sorted(run.start[:10] for run in result.runs if run.start)
    if not days:
        return ""
    return f", driven {days[0]}" if days[0] == days[-1] else f", driven {days[0]} to {days[-1]}"


def _lengths(result: ReportResult) -> str:
    lengths = [run.length for run in result.runs if run.length]
    return _span(lengths, result) if lengths else ""


def _ambient(result: ReportResult) -> str:
    """Return the range of the runs' mean ambient and what it comes from."""
    means = [c.ambient_mean for c in rows_of(result.conditions) if c.ambient_mean is not None]
    if not means:
        return "not recorded"
    low, high = (formatting.with_unit(v, "temperature", result.units, 1) for v in (min(means), max(means)))
    span = low if low == high else formatting.interval(min(means), max(means), "temperature", result.units, 1)
    record = result.evidence.weather if result.evidence else None
    kind = next((s.kind for s in record.sources if s.chosen), "") if record else ""
    named = kind if result.ambient_reference in kind else f"{kind} {result.ambient_reference}".strip()
    return f"{span} (mean of each run, by {named})"


def glance(result: ReportResult) -> tuple[Block, ...]:
    """Return the headline differences as a figure and a table."""
    headline = [key for key in result.metrics if key.spec.headline]
    blocks: list[Block] = [Heading(1, "Results at a glance", "sec-glance")]
    shown = [key for key in headline if compared(result, key)]
    if not shown:
        why = "; ".join(dict.fromkeys(said(limit.text, result.units) for limit in result.limitations[:2]))
        return (*blocks, Paragraph(f"No headline metric could be compared. {literal(why)}"))
    level = formatting.usual(result.level, "share", "si")
    blocks.append(
        Paragraph(
            f"Differences from {literal(result.baseline.name)}, with {level} intervals where the runs allow one. A negative difference "
            "means cooler, faster or closer to ambient. How they are computed is said in [[sec-methodology]], what they "
            "cannot show in [[sec-limitations]]."
        )
    )
    blocks.append(
        figure_block(
            difference_figure(result, shown),
            "fig-differences",
            f"Differences from {literal(result.baseline.name)} with {level} intervals; an open marker: no interval, or one that is open to a side.",
            "Horizontal intervals of the difference of each configuration from the baseline, one row per headline metric, one mark per configuration. "
            "The values are in the table that follows.",
        )
    )
    blocks.append(comparison_table(result, tuple(shown), "tab-headline", "Headline differences"))
    return tuple(blocks)


def methodology(campaign: Campaign, result: ReportResult) -> tuple[Block, ...]:
    """Return how the comparison was made: design, route, definitions, statistics."""
    entry = campaign.route.highway_entry
    speed = formatting.with_unit(entry.speed, "speed", result.units, 0)
    return (
        Heading(1, "Methodology", "sec-methodology"),
        Paragraph(literal(_design(result))),
        Paragraph(literal(_route(campaign, result))),
        Paragraph(
            f"Highway entry is the moment at which speed rises through {speed} on the ramp and stays above it for "
            f"{entry.hold:.0f} s, resolved between samples; the same definition holds for all runs. Stops are found with "
            f"hysteresis on the readings of speed, repeated rows left out; a heat-soak rate is taken from stops of "
            f"{campaign.metrics.minimum_stop:.0f} s or more."
        ),
        Paragraph(
            "Readings with steps are not temperatures to the step: where the reading changes from one step to the next, the "
            "edge between them was crossed. Intake air temperature is rebuilt from the times of these changes, so that a "
            "crossing of a margin is timed by the edges around it and not by the first reading below the margin."
        ),
        Paragraph(_statistics(campaign, result)),
        Paragraph("The metrics are defined one by one in [[sec-definitions]]."),
    )


def definitions(result: ReportResult) -> tuple[Block, ...]:
    """Return the definition of every metric, for the annex."""
    ids = dict.fromkeys(key.spec.id for key in result.metrics)
    return (
        Heading(1, "Annex: definitions of the metrics", "sec-definitions"),
        Definitions(tuple(_definition(result, id) for id in ids)),
    )


def _definition(result: ReportResult, id: str) -> tuple[str, str]:
    keys = [key for key in result.metrics if key.spec.id == id]
    spec = keys[0].spec
    title = general_title(spec)
    variants = ""
    if spec.parameter == "margin":
        margins = [formatting.margin(k.parameter.number, result.units) for k in keys if k.parameter.number is not None]
        variants = f" Margins: {formatting.listing(margins)}."
    limit = keys[0].parameter.number
    if spec.parameter == "limit" and limit is not None:
        variants = f" Limit: {formatting.with_unit(limit, 'temperature', result.units, 0)}."
    better = "" if spec.better == "neither" else f" {spec.better.capitalize()} is better."
    unit = formatting.unit_of(spec.quantity, result.units) or QUANTITIES[spec.quantity].name
    definition = said(spec.definition, result.units)
    return literal(f"{title} [{unit}]"), literal(f"{definition}{variants}{better} Source: {spec.source}.")


def _design(result: ReportResult) -> str:
    runs = [run for run in result.runs if run.decision != "excluded"]
    blocks = list(dict.fromkeys(run.block for run in runs if run.block))
    anything = any(c.difference is not None for c in result.comparisons)
    count = len(result.configurations)
    done = f"{'was' if count == 1 else 'were'} {'compared' if anything else 'driven'}"
    text = (
        f"{formatting.count(count, 'configuration')} of one vehicle {done} on one route in "
        f"{formatting.count(len(runs), 'run')}"
    )
    if not anything:
        text += "; nothing could be compared"
    if not blocks:
        return text + (
            "; no blocks were declared, so runs are compared without regard to the day." if anything else "."
        )
    orders = []
    for block in blocks:
        order = [result.name_of(r.configuration) for r in sorted(runs, key=lambda r: r.start or "") if r.block == block]
        orders.append(f"{block}: {', '.join(order)}")
    return f"{text}, grouped in {formatting.count(len(blocks), 'block')} (order of the runs: {'; '.join(orders)})."


def _route(campaign: Campaign, result: ReportResult) -> str:
    methods = {run.method for run in result.runs}
    how = {
        frozenset(
            {"position"}
        ): "Every run is matched as a whole onto one reference path, so that runs are compared at the same place.",
        frozenset({"speed"}): "The logs hold no position: route distance is integrated speed.",
    }.get(frozenset(methods), "Route distance comes from position where there is one, else from integrated speed.")
    lengths = [run.length for run in result.runs if run.length]
    driven = f" The runs are {_span(lengths, result)} long." if lengths else ""
    described = f"{campaign.route.description.rstrip('.')}. " if campaign.route.description else ""
    return f"{described}{how}{driven}"


def _span(lengths: list[float], result: ReportResult) -> str:
    low, high = (formatting.bare(v, "distance", result.units, 2) for v in (min(lengths), max(lengths)))
    unit = formatting.unit_of("distance", result.units)
    return f"{low} {unit}" if low == high else f"{low} to {high} {unit}"


def _statistics(campaign: Campaign, result: ReportResult) -> str:
    headline = {key.key for key in result.metrics if key.spec.headline}
    methods = dict.fromkeys(c.method for c in (*result.comparisons, *result.direct) if c.key in headline)
    level = formatting.usual(campaign.metrics.confidence, "share", "si")
    return (
        f"Each run gives one value per metric. {' '.join(METHOD_SENTENCES[method] for method in methods)} Intervals are two-sided "
        f"{level} intervals from Student's t distribution. Where several headline comparisons are made, p-values are also "
        "given with Holm's adjustment. A bias that all runs share (same sensor, same vehicle) cancels in differences between "
        "configurations and does not cancel in absolute values. A margin that is not reached is reported as such: it is a "
        "result, and no mean is formed over the runs that did reach it. One run per configuration is at most an indication."
    )


def articles(campaign: Campaign, result: ReportResult) -> tuple[Block, ...]:
    """Return the vehicle and the configurations with their deviations."""
    vehicle = campaign.vehicle
    rows = [
        ("Vehicle", vehicle.description),
        ("Mass", formatting.with_unit(vehicle.mass, "mass", result.units, 0) if vehicle.mass else ""),
        (
            "Displacement",
            formatting.with_unit(vehicle.displacement, "volume", result.units, 2) if vehicle.displacement else "",
        ),
        ("Aspiration", {"natural": "naturally aspirated", "boosted": "boosted"}.get(vehicle.aspiration or "", "")),
        ("Transmission", vehicle.transmission),
        ("Fuel", vehicle.fuel),
        ("Odometer", formatting.with_unit(vehicle.odometer, "distance", result.units, 0) if vehicle.odometer else ""),
        ("Notes", vehicle.notes),
    ]
    table = ReportTable(
        "tab-configurations",
        "Configurations as tested",
        (
            *files("id"),
            Field("name", "Configuration", width=2.2),
            Field("role", "Role", width=1.2),
            Field("description", "Description", width=3.4),
            Field("deviations", "Deviations from the as-sold state", width=3.4,
                  cell=lambda c, _: "; ".join(c.deviations) or "none declared"),
        ),
        frame_of([{name: getattr(c, name) for name in ("id", "name", "role", "description", "deviations")} for c in campaign.configurations]),
    )  # fmt: skip
    return (
        Heading(1, "Test articles", "sec-articles"),
        Definitions(tuple((label, literal(text)) for label, text in rows if text)),
        block_of(table, result.units),
        Paragraph("The results concern the articles as tested, with these deviations, and nothing else."),
    )
