"""What changed since the report before."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from intake_report import formatting
from intake_report.errors import DataError
from intake_report.render.blocks import Block, Column, Heading, Paragraph
from intake_report.render.inline import literal
from intake_report.render.sections.tables import literal_table
from intake_report.results import ReportResult
from intake_report.results.document import results_document


def changes(result: ReportResult, previous: str) -> tuple[Block, ...]:
    """Return what the report before this one said otherwise; nothing when there is none.

    Parameters
    ----------
    result : ReportResult
        This report's result.
    previous : str
        Path of the results.json of the report before; empty when this is the first.
    """
    if not previous:
        return ()
    before = _read(Path(previous))
    heading = Heading(1, "Changes since the report before", "sec-changes")
    if "damaged" in before:
        text = "is missing or was changed after it was issued, so what changed since then cannot be told."
        return (heading, Paragraph(f"The report before, {literal(str(before['damaged']))}, {text}"))
    now = results_document(result, before["date"], before["revision"])
    issued = f"{before['date']}, revision {before['revision']}"
    rows = _changed(before, now, result)
    if not rows:
        return (
            heading,
            Paragraph(f"Compared with the report of {issued}, no difference, verdict, claim or run decision changed."),
        )
    table = literal_table(
        label="tab-changes",
        caption=f"What changed since the report of {issued}",
        columns=(Column("Subject"), Column("Before"), Column("Now")),
        rows=tuple(rows),
        widths=(3.0, 3.0, 3.0),
    )
    return (heading, Paragraph(f"Compared with the report of {issued}:"), table)


def _read(path: Path) -> dict[str, Any]:
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise DataError(f"the earlier results cannot be read ({error}).", file=path) from None
    if not isinstance(document, dict) or not document.keys() & {"comparisons", "damaged"}:
        raise DataError("this is not a results.json of a report.", file=path)
    return document


def _changed(before: dict[str, Any], now: dict[str, Any], result: ReportResult) -> list[tuple[str, str, str]]:
    old, new = _statements(before), _statements(now)
    titles = {m["key"]: m["printed_title"] for m in (*before["metrics"], *now["metrics"])}
    names = {c.id: c.name for c in result.configurations}
    rows = []
    for subject in dict.fromkeys((*old, *new)):
        was, is_now = old.get(subject, formatting.ABSENT), new.get(subject, formatting.ABSENT)
        if was != is_now:
            kind, *rest = subject
            label = ", ".join(titles.get(part, names.get(part, part)) for part in rest)
            rows.append((f"{kind}: {label}", was, is_now))
    return rows


def _statements(document: dict[str, Any]) -> dict[tuple[str, ...], str]:
    """Return what a report states, by subject."""
    found: dict[tuple[str, ...], str] = {}
    for run in document["runs"]:
        found["Run", run["id"]] = run["decision"]
    for c in document["comparisons"]:
        found["Difference", c["key"], c["configuration"]] = f"{c['text']} ({c['interval_text']}), {c['verdict']}"
    for claim in document["claims"]:
        found["Claim", claim["text"]] = claim["verdict"]
    for item in document["limitations"]:
        found["Limitation", item["code"]] = "stated"
    return found
