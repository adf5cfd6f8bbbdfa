"""Test articles, and how the comparison was made, with the definition of every metric."""

from __future__ import annotations

from intake_report import formatting
from intake_report.campaign import Campaign
from intake_report.campaign.fields import read_photo
from intake_report.messages import said
from intake_report.plots_evidence import photos_figure
from intake_report.render.blocks import Block, Definitions, Heading, Paragraph
from intake_report.render.figure import figure_block
from intake_report.render.inline import literal
from intake_report.render.sections.tables import block_of, files, general_title
from intake_report.report_table import Field, ReportTable, frame_of
from intake_report.results import ReportResult
from intake_report.results.compared import METHOD_SENTENCES
from intake_report.units import QUANTITIES


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
            f"{campaign.metrics.minimum_stop:.0f} s or more. A recovery counts once it has stayed within its margin for "
            f"{campaign.metrics.recovery_hold:.0f} s; a run that is within it at the entry has nothing to recover from, which "
            "is a state of its own and no time of 0 s."
        ),
        Paragraph(
            "Readings with steps are not temperatures to the step: where the reading changes from one step to the next, the "
            "edge between them was crossed. Intake air temperature is rebuilt from the times of these changes, so that a "
            "crossing of a margin is timed by the edges around it and not by the first reading below the margin."
        ),
        Paragraph(
            "Intake air temperature is the temperature of the sensor's element. The element follows the air with a time "
            "constant that depends on the flow, so a fall shows later and a peak lower than in the air itself, by the same "
            "sensor in every configuration; nothing is corrected for it and no uncertainty is counted for it."
        ),
        Paragraph(_statistics(campaign, result)),
        Paragraph(
            "A claim is held against its limit with a guard band (JCGM 106): it is supported when the estimate lies on the "
            "claimed side by more than the expanded uncertainty, not supported when it lies on the other side by more than that, "
            "and not shown in between. Without replicated runs on both sides it is an indication only. A difference from "
            "nothing has to survive Holm's adjustment too."
        ),
        Paragraph("The metrics are defined one by one in [[sec-definitions]]."),
    )


def definitions(result: ReportResult) -> tuple[Block, ...]:
    """Return the definition of every metric, for the annex."""
    ids = dict.fromkeys(key.spec.id for key in result.metrics)
    return (
        Heading(1, "Definitions of the metrics", "sec-definitions"),
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
        *((Definitions((("Notes", literal(vehicle.notes)),), internal=True),) if vehicle.notes else ()),
        block_of(table, result.units),
        *_photographs(campaign, result),
        Paragraph("The results concern the articles as tested, with these deviations, and nothing else."),
    )


def _photographs(campaign: Campaign, result: ReportResult) -> list[Block]:
    photos = {c.id: read_photo(campaign.folder / c.photo) for c in campaign.configurations if c.photo}
    if not photos:
        return []
    names = formatting.listing([result.name_of(id) for id in photos])
    figure = photos_figure(result, photos)
    return [
        figure_block(
            figure, "fig-articles", "Pictures of the test articles, from the campaign.", f"Photographs of {names}."
        )
    ]
