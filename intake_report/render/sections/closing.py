"""What changed since the report before, cautions, provenance, and the data that travels with the notebook."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from intake_report import formatting
from intake_report.campaign import Campaign
from intake_report.errors import DataError
from intake_report.provenance import input_hashes, main_versions, repeat_command
from intake_report.render.blocks import Block, Callout, Data, Heading, Paragraph, Preformatted
from intake_report.render.inline import literal
from intake_report.render.sections.tables import block_of
from intake_report.report_table import Field, ReportTable, frame_of
from intake_report.results import ReportResult
from intake_report.results.document import results_document, results_json

ROAD = (
    "Runs on public roads are driven within the traffic rules, with the logger started before moving off and not operated by the "
    "driver. A run is never worth a risk: abandon it and repeat it.",
    "The engine bay is hot after a run, and fans may start by themselves: let it cool before configurations are changed.",
)
WATER = (
    "An intake that draws air from low or exposed places can draw water. Water in the cylinders destroys an engine at once: no "
    "run through standing water, and no conclusion on wet use from dry runs.",
)
DYNO = ("Dyno pulls need a secured vehicle, guarded rotating parts, extraction of exhaust gas and a trained operator.",)
LAW = (
    "Whether a modified intake may be used on the road is a matter of local rules (type approval, emissions, noise) and of licensed "
    "practice; this report does not answer it.",
)

_VARIED = (
    "These results are not of the campaign file as it stands; keys that were changed for this run of the notebook: "
)


def cautions(campaign: Campaign) -> tuple[Block, ...]:
    """Return the usual cautions; those of the dyno only where it was used."""
    texts = (*ROAD, *(DYNO if campaign.pulls else ()), *WATER, *LAW)
    return (Heading(1, "Cautions", "sec-cautions"), Callout("caution", "Before anyone repeats or uses this", texts))


def provenance(campaign: Campaign, date: str) -> tuple[Block, ...]:
    """Return the inputs with their hashes, the versions of what computed the report, and the command that repeats it."""
    inputs = ReportTable(
        "tab-inputs",
        "Input files",
        (
            Field("path", "File", width=3.0),
            Field("size", "Bytes", "number"),
            Field("sha256", "SHA-256 (first 16 digits)", cell=lambda item, _: item.sha256[:16], width=2.4),
        ),
        frame_of(input_hashes(campaign)),
    )
    versions = ReportTable(
        "tab-versions",
        "Software; every installed distribution is in manifest.json",
        (Field("package", "Package"), Field("version", "Version")),
        frame_of({"package": package, "version": version} for package, version in main_versions().items()),
    )
    varied = (
        ()
        if campaign.varied is None
        else (Callout("caution", "Varied in the notebook", (_VARIED + literal(", ".join(campaign.varied[0])),)),)
    )
    return (
        Heading(1, "Provenance", "sec-provenance", internal=True),
        *varied,
        Paragraph(
            "The numbers of this report are in results.json; the PDF carries it and the campaign file as attachments. Same inputs, "
            "same versions and same date give the same bytes. To repeat it:"
        ),
        Preformatted(repeat_command(campaign, date)),
        block_of(inputs, campaign.about.units),
        block_of(versions, campaign.about.units),
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
        text = "is missing or was changed after it was issued, so what changed since then cannot be told."
        return (heading, Paragraph(f"The report before, {literal(issued)}, {text}"))
    if not rows:
        text = f"Compared with the report of {issued}, no difference, verdict, claim or run decision changed."
        return (heading, Paragraph(text))
    table = ReportTable(
        "tab-changes",
        f"What changed since the report of {issued}",
        (Field("subject", "Subject"), Field("before", "Before"), Field("now", "Now")),
        frame_of(rows),
    )
    return (heading, Paragraph(f"Compared with the report of {issued}:"), block_of(table, result.units))


def changed_statements(result: ReportResult, previous: str) -> tuple[str, list[dict[str, str]] | None]:
    """Return which report came before, and what it said otherwise; None where it cannot be told."""
    before = _read(Path(previous))
    if "damaged" in before:
        return str(before["damaged"]), None
    now = results_document(result, before["date"], before["revision"])
    return f"{before['date']}, revision {before['revision']}", moved(before, now, result)


def _read(path: Path) -> dict[str, Any]:
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise DataError(f"the earlier results cannot be read ({error}).", file=path) from None
    if not isinstance(document, dict) or not document.keys() & {"comparisons", "damaged"}:
        raise DataError("this is not a results.json of a report.", file=path)
    return document


def moved(before: dict[str, Any], now: dict[str, Any], result: ReportResult) -> list[dict[str, str]]:
    """Return the statements in which two results documents differ, as subject, before and now; `result` names things."""
    old, new = _statements(before), _statements(now)
    titles = {m["key"]: m["printed_title"] for m in (*before["metrics"], *now["metrics"])}
    names = {c.id: c.name for c in result.configurations}
    rows = []
    for subject in dict.fromkeys((*old, *new)):
        was, is_now = old.get(subject, formatting.ABSENT), new.get(subject, formatting.ABSENT)
        if was != is_now:
            kind, *rest = subject
            label = ", ".join(titles.get(part, names.get(part, part)) for part in rest)
            rows.append({"subject": f"{kind}: {label}", "before": was, "now": is_now})
    return rows


def _statements(document: dict[str, Any]) -> dict[tuple[str, ...], str]:
    """Return what a report states, by subject."""
    statements: dict[tuple[str, ...], str] = {}
    for run in document["runs"]:
        statements["Run", run["id"]] = run["decision"]
    for c in document["comparisons"]:
        statements["Difference", c["key"], c["configuration"]] = f"{c['text']} ({c['interval_text']}), {c['verdict']}"
    for claim in document["claims"]:
        statements["Claim", claim["text"]] = claim["verdict"]
    for item in document["limitations"]:
        statements["Limitation", item["code"]] = "stated"
    return statements
