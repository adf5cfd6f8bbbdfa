"""Cautions, provenance, and the data that travels with the notebook."""

from __future__ import annotations

from intake_report.campaign import Campaign
from intake_report.provenance import input_hashes, main_versions, repeat_command
from intake_report.render.blocks import Block, Callout, Column, Data, Heading, Paragraph, Preformatted
from intake_report.render.sections.tables import literal_table
from intake_report.results import ReportResult
from intake_report.results.document import results_json

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


def cautions(campaign: Campaign) -> tuple[Block, ...]:
    """Return the usual cautions; those of the dyno only where it was used."""
    texts = (*ROAD, *(DYNO if campaign.pulls else ()), *WATER, *LAW)
    return (Heading(1, "Cautions", "sec-cautions"), Callout("caution", "Before anyone repeats or uses this", texts))


def provenance(campaign: Campaign, date: str) -> tuple[Block, ...]:
    """Return the inputs with their hashes, the versions of what computed the report, and the command that repeats it."""
    inputs = input_hashes(campaign)
    versions = main_versions()
    return (
        Heading(1, "Provenance", "sec-provenance"),
        Paragraph(
            "The numbers of this report are in results.json; the PDF carries it and the campaign file as attachments. Same inputs, "
            "same versions and same date give the same bytes. To repeat it:"
        ),
        Preformatted(repeat_command(campaign, date)),
        literal_table(
            label="tab-inputs",
            caption="Input files",
            columns=(Column("File"), Column("Bytes", "right"), Column("SHA-256 (first 16 digits)")),
            rows=tuple((item.path, str(item.size), item.sha256[:16]) for item in inputs),
            values=(("file", "bytes", "sha256"), *((item.path, item.size, item.sha256) for item in inputs)),
            widths=(3.0, 1.0, 2.4),
        ),
        literal_table(
            label="tab-versions",
            caption="Software; every installed distribution is in manifest.json",
            columns=(Column("Package"), Column("Version")),
            rows=tuple(versions.items()),
            widths=(2.0, 2.0),
        ),
    )


def data(result: ReportResult, date: str, revision: int) -> tuple[Block, ...]:
    """Return results.json as a block that is not drawn, so that every way of running the notebook carries it."""
    return (Data("results.json", "application/json", results_json(result, date, revision)),)
