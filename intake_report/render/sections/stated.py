"""What the campaign states and what surrounds the results: articles, methodology, definitions, changes, cautions, provenance."""

import json
from pathlib import Path
from typing import Any

from intake_report import formatting
from intake_report.campaign import Campaign
from intake_report.campaign.load import read_photo
from intake_report.errors import DataError
from intake_report.messages import said
from intake_report.plots import keys_of, photos_figure
from intake_report.provenance import input_hashes, main_versions, repeat_command
from intake_report.render.blocks import Block, Callout, Data, Definitions, Heading, Paragraph, Preformatted, literal
from intake_report.render.figure import FigureOf
from intake_report.render.sections.tables import TableOf, general_title
from intake_report.report_table import Field
from intake_report.results import ReportResult
from intake_report.results.compared import METHODS
from intake_report.results.text import results_document, results_json


def methodology(campaign: Campaign, result: ReportResult) -> tuple[Block, ...]:
    """Return how the comparison was made: design, route, definitions, statistics."""
    entry = campaign.route.highway_entry
    speed = result.printed(entry.speed, "speed", 0)
    differences = (*result.comparisons, *result.direct)
    methods = dict.fromkeys(c.method for c in differences if result.metric(c.key).spec.headline)
    level = formatting.usual(campaign.metrics.confidence, "share", "si")
    rests = (
        f"Intervals are two-sided {level} intervals from Student's t distribution. Where several headline comparisons are made, "
        "p-values are also given with Holm's adjustment. "
    )
    recovery = (
        f" Highway entry: speed rises through {speed} on the ramp and stays above it for {entry.hold:.0f} s. A recovery counts "
        f"once it has stayed within its margin for {campaign.metrics.recovery_hold:.0f} s; within it at the entry is no time of 0 s."
    )
    rests = rests if any(c.basis == "runs" for c in differences) else ""
    return (
        Heading(1, "Methodology", "sec-methodology"),
        Paragraph(literal(_design(result))),
        Paragraph(literal(_route(campaign, result))),
        Paragraph(
            f"Stops are found with hysteresis on the readings of speed, repeated rows left out; a heat-soak rate is taken from "
            f"stops of {campaign.metrics.minimum_stop:.0f} s or more.{recovery if any(p.kind != 'city' for p in campaign.route.phases) else ''}"
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
        Paragraph(
            f"Each run gives one value per metric. {' '.join(METHODS[method][1] for method in methods)} "
            f"{rests}A bias that all runs share (same sensor, same vehicle) cancels in differences between configurations and does not cancel in absolute "
            "values. A margin that is not reached is reported as such: it is a result, and no mean is formed over the "
            "runs that did reach it. One run per configuration is at most an indication."
        ),
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
    items = []
    for id in dict.fromkeys(key.spec.id for key in result.metrics):
        keys = keys_of(result, id)
        spec, numbers = keys[0].spec, [k.parameter.number for k in keys if k.parameter.number is not None]
        text = said(spec.definition, result.units)
        if spec.parameter == "margin":
            text += f" Margins: {formatting.listing([formatting.margin(number, result.units) for number in numbers])}."
        if spec.parameter == "limit":
            text += f" Limit: {result.printed(numbers[0], 'temperature', 0)}."
        text += "" if spec.better == "neither" else f" {spec.better.capitalize()} is better."
        unit = formatting.unit_of(spec.quantity, result.units) or spec.quantity
        items.append((literal(f"{general_title(spec)} [{unit}]"), literal(f"{text} Source: {spec.source}.")))
    return (Heading(1, "Definitions of the metrics", "sec-definitions"), Definitions(tuple(items)))


def _design(result: ReportResult) -> str:
    runs = [run for run in result.runs if run.decision != "excluded"]
    anything = any(c.difference is not None for c in result.comparisons)
    configurations = formatting.count(len(result.configurations), "configuration was", "configurations were")
    text = f"{configurations} {'compared' if anything else 'driven'} in one vehicle on one route in {formatting.count(len(runs), 'run')}"
    if not anything:
        text += "; nothing could be compared"
    orders: dict[str, list[str]] = {run.block: [] for run in runs if run.block}
    for run in sorted(runs, key=lambda run: run.start or ""):
        if run.block:
            orders[run.block].append(result.name_of(run.configuration))
    if not orders:
        without = "; no blocks were declared, so runs are compared without regard to the day"
        return f"{text}{without if anything else ''}."
    order = "; ".join(f"{block}: {', '.join(names)}" for block, names in orders.items())
    return f"{text}, grouped in {formatting.count(len(orders), 'block')} (order of the runs: {order})."


def _route(campaign: Campaign, result: ReportResult) -> str:
    methods = {run.method for run in result.runs}
    how = "Route distance comes from position where there is one, else from integrated speed."
    if methods == {"position"}:
        how = "Every run is matched as a whole onto one reference path, so that runs are compared at the same place."
    if methods == {"speed"}:
        how = "The logs hold no position: route distance is integrated speed."
    if lengths := [run.length for run in result.runs if run.length]:
        how += f" The runs are {formatting.interval(min(lengths), max(lengths), 'distance', result.units, 2)} long."
    described = f"{campaign.route.description.rstrip('.')}. " if campaign.route.description else ""
    return f"{described}{how}"


def articles(campaign: Campaign, result: ReportResult) -> tuple[Block, ...]:
    """Return the vehicle and the configurations with their deviations."""
    vehicle = campaign.vehicle

    def number(value: float | None, quantity: str, decimals: int = 0) -> str:
        return result.printed(value, quantity, decimals) if value else ""

    rows = [
        ("Vehicle", vehicle.description),
        ("Mass", number(vehicle.mass, "mass")),
        ("Displacement", number(vehicle.displacement, "volume", 2)),
        ("Aspiration", {"natural": "naturally aspirated", "boosted": "boosted"}.get(vehicle.aspiration or "", "")),
        ("Transmission", vehicle.transmission),
        ("Fuel", vehicle.fuel),
        ("Odometer", number(vehicle.odometer, "distance")),
    ]
    kept = {"id", "name", "role", "description"}
    configurations = [
        c.model_dump(include=kept) | {"deviations": "; ".join(c.deviations) or "none declared"}
        for c in campaign.configurations
    ]
    table = TableOf(result.units, "tab-configurations", configurations).declared(
        "Configurations as tested",
        Field("name", "Configuration", width=2.2),
        Field("role", "Role", width=1.2),
        Field("description", "Description", width=3.4),
        Field("deviations", "Deviations from the as-sold state", width=3.4),
    )
    photographs: list[Block] = []
    if photos := {c.id: read_photo(campaign.folder / c.photo) for c in campaign.configurations if c.photo}:
        alt = f"Photographs of {formatting.listing([result.name_of(id) for id in photos])}."
        drawn = FigureOf(photos_figure(result, photos), "fig-articles")
        photographs.append(drawn.captioned("Pictures of the test articles, from the campaign.", alt))
    return (
        Heading(1, "Test articles", "sec-articles"),
        Definitions(tuple((label, literal(text)) for label, text in rows if text)),
        *((Definitions((("Notes", literal(vehicle.notes)),), internal=True),) if vehicle.notes else ()),
        table,
        *photographs,
        Paragraph("The results concern the articles as tested, with these deviations, and nothing else."),
    )


ROAD = (
    "Runs on public roads are driven within the traffic rules, with the logger started before moving off and not operated by the "
    "driver. A run is never worth a risk: abandon it and repeat it.",
    "The engine bay is hot after a run, and fans may start by themselves: let it cool before configurations are changed.",
)
WATER = (
    "An intake that draws air from low or exposed places can draw water. Water in the cylinders destroys an engine at once: no "
    "run through standing water, and no conclusion on wet use from dry runs."
)
DYNO = "Dyno pulls need a secured vehicle, guarded rotating parts, extraction of exhaust gas and a trained operator."
LAW = (
    "Whether a modified intake may be used on the road is a matter of local rules (type approval, emissions, noise) and of licensed "
    "practice; this report does not answer it.",
)


def cautions(campaign: Campaign) -> tuple[Block, ...]:
    """Return the usual cautions; those of the dyno only where it was used."""
    texts = (*ROAD, *((DYNO,) if campaign.pulls else ()), WATER, *LAW)
    return (Heading(1, "Cautions", "sec-cautions"), Callout("caution", "Before anyone repeats or uses this", texts))


def provenance(campaign: Campaign, date: str) -> tuple[Block, ...]:
    """Return the inputs with their hashes, the versions of what computed the report, and the command that repeats it."""
    inputs = TableOf(campaign.about.units, "tab-inputs", input_hashes(campaign)).declared(
        "Input files",
        Field("path", "File", width=3.0),
        Field("size", "Bytes", "number"),
        Field("sha256", "SHA-256 (first 16 digits)", cell=lambda item, _: item.sha256[:16], width=2.4),
    )
    packages = ({"package": package, "version": version} for package, version in main_versions().items())
    versions = TableOf(campaign.about.units, "tab-versions", packages).declared(
        "Software; every installed distribution is in manifest.json",
        Field("package", "Package"),
        Field("version", "Version"),
    )
    warning: list[Block] = []
    if campaign.varied and (keys := ", ".join(campaign.varied[0])):
        text = "These results are not of the campaign file as it stands; keys that were changed for this run of the "
        warning.append(Callout("caution", "Varied in the notebook", (f"{text}notebook: {literal(keys)}",)))
    return (
        Heading(1, "Provenance", "sec-provenance", internal=True),
        *warning,
        Paragraph(
            "The numbers of this report are in results.json; the PDF carries it and the campaign file as attachments. Same inputs, "
            "same versions and same date give the same bytes. To repeat it:"
        ),
        Preformatted(repeat_command(campaign, date)),
        inputs,
        versions,
    )


def data(result: ReportResult, date: str, revision: int) -> tuple[Block, ...]:
    """Return results.json as a block that is not drawn, so that every way of running the notebook carries it."""
    return (Data("results.json", "application/json", results_json(result, date, revision)),)


def changes(result: ReportResult, previous: str) -> tuple[Block, ...]:
    """Return what the report before this one said otherwise; nothing without one. `previous`: path of its results.json."""
    if not previous:
        return ()
    heading = Heading(1, "Changes since the report before", "sec-changes")
    issued, rows = changed_statements(result, previous)
    if rows is None:
        lost = "is missing or was changed after it was issued, so what changed since then cannot be told."
        return (heading, Paragraph(f"The report before, {literal(issued)}, {lost}"))
    if not rows:
        text = f"Compared with the report of {issued}, no difference, verdict, claim or run decision changed."
        return (heading, Paragraph(text))
    table = TableOf(result.units, "tab-changes", rows).declared(
        f"What changed since the report of {issued}",
        Field("subject", "Subject"),
        Field("before", "Before"),
        Field("now", "Now"),
    )
    return (heading, Paragraph(f"Compared with the report of {issued}:"), table)


def changed_statements(result: ReportResult, previous: str) -> tuple[str, list[dict[str, str]] | None]:
    """Return which report came before, and what it said otherwise; None where it cannot be told."""
    path = Path(previous)
    try:
        before = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise DataError(f"the earlier results cannot be read ({error}).", file=path) from None
    if not isinstance(before, dict) or not before.keys() & {"comparisons", "damaged"}:
        raise DataError("this is not a results.json of a report.", file=path)
    if "damaged" in before:
        return str(before["damaged"]), None
    now = results_document(result, before["date"], before["revision"])
    return f"{before['date']}, revision {before['revision']}", moved(before, now, result)


def moved(before: dict[str, Any], now: dict[str, Any], result: ReportResult) -> list[dict[str, str]]:
    """Return the statements in which two results documents differ, as subject, before and now; `result` names things."""
    told = all("judged" in claim for claim in before["claims"])  # not in a report of an earlier version
    old, new = _statements(before, told), _statements(now, told)
    titles = {m["key"]: m["printed_title"] for m in (*before["metrics"], *now["metrics"])}
    names = titles | {c.id: c.name for c in result.configurations}
    return [
        {
            "subject": f"{kind}: {', '.join(names.get(part, part) for part in rest)}",
            "before": old.get((kind, *rest), formatting.ABSENT),
            "now": new.get((kind, *rest), formatting.ABSENT),
        }
        for kind, *rest in dict.fromkeys((*old, *new))
        if old.get((kind, *rest)) != new.get((kind, *rest))
    ]


def _statements(document: dict[str, Any], judged: bool) -> dict[tuple[str, ...], str]:
    return {
        **{("Run", run["id"]): run["decision"] for run in document["runs"]},
        **{
            ("Difference", c["key"], c["configuration"]): f"{c['text']} ({c['interval_text']}), {c['verdict']}"
            for c in document["comparisons"]
        },
        **{
            ("Claim", c["text"], c["key"]): c["verdict"]
            + (f" (judged: {c['judged']})" if judged and c["judged"] else "")
            for c in document["claims"]
        },
        **{("Limitation", item["code"]): "stated" for item in document["limitations"]},
    }
