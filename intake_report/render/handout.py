"""What is passed on from a report: three slides and a summary to paste."""

import re
import struct
import zlib
from pathlib import Path

from intake_report.render import blocks
from intake_report.render.blocks import Figure, Heading, ItemList, Table
from intake_report.render.html import cover_of
from intake_report.render.meta import ReportMeta
from intake_report.render.numbering import Document
from intake_report.render.typst import compile_source, string

SLIDES = ("fig-decision", "fig-recovery", "fig-dots")
SLIDE_DPI = 300
_SIGNS = re.compile(r"([\\`*_\[\]<>|#])")


def write_slides(document: Document, meta: ReportMeta, folder: Path, scratch: Path) -> None:
    """Write the figures of a presentation, 16:9, 10 in wide: the drawing whole, below a title and above its source.

    `document`: with its annex; `folder` gets <figure label>.png; `scratch`: for the Typst project; both are made when absent.
    """
    there = {
        item.block.label: item.block for item in (*document.items, *document.annex) if isinstance(item.block, Figure)
    }
    figures = [there[name] for name in SLIDES if name in there]
    if not figures:
        return
    files, calls = {}, ['#import "report.typ": slide']
    for figure in figures:
        files[f"{figure.label}.svg"] = figure.svg.encode()
        source = f"Source: {meta.campaign}, {meta.date}, {meta.issue}, {document.words(figure.label)} of the report."
        calls.append(
            f"#slide(title: {string(meta.title)}, mark: {string(meta.mark)}, path: {string(f'{figure.label}.svg')}, "
            f"alt: {string(figure.alt)}, source: {string(source)})"
        )
    files["main.typ"] = "\n".join(calls).encode()
    folder.mkdir()
    for figure, page in zip(figures, compile_source(scratch, files, meta, ppi=SLIDE_DPI), strict=True):
        (folder / f"{figure.label}.png").write_bytes(_resolved(page))


def _resolved(png: bytes) -> bytes:
    """Return a PNG that states its resolution [pixels per metre], in a chunk behind its header of 33 bytes."""
    chunk = b"pHYs" + struct.pack(">IIB", *[round(SLIDE_DPI / 0.0254)] * 2, 1)
    return png[:33] + struct.pack(">I", len(chunk) - 4) + chunk + struct.pack(">I", zlib.crc32(chunk)) + png[33:]


def summary(document: Document, meta: ReportMeta) -> str:
    """Return answer, verdict table and limitations as Markdown, ready to paste."""
    cover = cover_of(document, meta)
    lines = [
        f"# {_markdown(cover.title, document)}",
        f"{meta.campaign}, {meta.date}, {meta.issue}.",
        meta.mark,
        meta.notice,
    ]
    lines += [f"**Question.** {_markdown(cover.question, document)}" if cover.question else ""]
    lines += [_markdown(text, document) for text in cover.answer]
    limits: list[str] = []
    section = ""
    for item in document.items:
        if isinstance(item.block, Heading) and item.level == 1 and item.target:
            section = item.target.label
        elif isinstance(item.block, Table) and item.block.label == "tab-verdict":
            lines += _table(item.block, document)
        elif isinstance(item.block, ItemList) and section == "sec-limitations":
            limits += [f"- {_markdown(text, document)}" for text in item.block.items]
    lines += ["## Limitations", "\n".join(limits)] if limits else []
    return "\n\n".join(line for line in lines if line) + "\n"


def _table(table: Table, document: Document) -> list[str]:
    rows = [[column.title for column in table.columns], *table.rows]
    lines = [f"| {' | '.join(_markdown(cell, document) for cell in row)} |" for row in rows]
    rule = f"|{'---|' * len(table.columns)}"
    notes = [_markdown(note, document) for note in table.notes]
    return [_markdown(table.caption, document) + ":", "\n".join([lines[0], rule, *lines[1:]]), *notes]


def _markdown(text: str, document: Document) -> str:
    made = ""
    for span in blocks.parse(text):
        words = _SIGNS.sub(r"\\\1", f"{document.words(span.text)} of the report" if span.reference else span.text)
        mark = "**" if span.bold else "*" if span.italic else ""
        made += f"{mark}{words}{mark}"
    return made
