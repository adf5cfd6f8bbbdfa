"""Read an executed notebook, make it the same on every run; write its figures, tables, slides and a summary to paste."""

from __future__ import annotations

import base64
import csv
import io
import re
import struct
import zlib
from collections.abc import Iterable, Iterator, Mapping
from copy import deepcopy
from pathlib import Path
from typing import TYPE_CHECKING, Any

from intake_report.errors import DataError
from intake_report.render import blocks
from intake_report.render.blocks import MIME_TYPE, Block, Figure, Heading, ItemList, Scalar, Table, unbundle
from intake_report.render.document import Document, ReportMeta, number
from intake_report.render.html import cover_of
from intake_report.render.typst import compile_source, string

if TYPE_CHECKING:
    from nbformat import NotebookNode

PNG_DPI, SCREEN_DPI = 144, 96  # of a page in a browser: the latter
_RUN_METADATA = ("papermill", "execution", "ExecuteTime")
_KERNEL_FOLDER = re.compile(r"ipykernel_\d+")


def _shown(notebook: NotebookNode) -> Iterator[tuple[Any, tuple[Block, ...]]]:
    """Yield the outputs of code cells that hold blocks, with them, in reading order; all else is for the analyst."""
    for cell in notebook.cells:
        for output in cell.get("outputs", ()):
            if MIME_TYPE in output.get("data", {}):
                yield output, unbundle(output["data"][MIME_TYPE])


def read_document(notebook: NotebookNode) -> Document:
    """Return the numbered report that a notebook holds. DataError if it shows no block, or the numbering refuses it."""
    document = number(block for _, shown in _shown(notebook) for block in shown)
    if not document.items and not document.cover:
        raise DataError("The notebook shows no report blocks.", remedy="Run it before exporting it.")
    return document


def write_assets(document: Document, folder: Path) -> None:
    """Write every figure and table of a report below `folder`: figures/<label>.svg and .png, tables/<label>.csv."""
    drawn = [item.block for item in (*document.items, *document.annex)]
    for name in ("figures", "tables"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    drawings = {f"figures/{one.label}": one for one in drawn if isinstance(one, Figure)}
    for name, figure in drawings.items():
        svg = f'<?xml version="1.0" encoding="UTF-8"?>\n{figure.svg}\n'
        (folder / f"{name}.svg").write_bytes(svg.encode())
    if drawings:
        import typst

        pages = "#pagebreak()\n".join(f'#image("/{name}.svg")\n' for name in drawings)
        source = f"#set page(width: auto, height: auto, margin: 0pt)\n{pages}".encode()
        look: dict[str, Any] = {"format": "png", "ppi": PNG_DPI, "ignore_system_fonts": True}
        made: Any = typst.compile(source, root=folder, **look)
        for name, pixels in zip(drawings, made if isinstance(made, list) else [made], strict=True):
            (folder / f"{name}.png").write_bytes(pixels)
    for table in drawn:
        if isinstance(table, Table):
            (folder / f"tables/{table.label}.csv").write_bytes(table_csv(table, document).encode())


def add_pictures(notebook: NotebookNode, folder: Path) -> None:
    """Put the PNG of each figure from `write_assets` into its output, for viewers that show no markup of a stranger."""
    for output, shown in _shown(notebook):
        if len(shown) == 1 and isinstance(shown[0], Figure):
            pixels = (folder / "figures" / f"{shown[0].label}.png").read_bytes()
            output["data"]["image/png"] = base64.b64encode(pixels).decode("ascii")
            width = int.from_bytes(pixels[16:20])  # of its header; shown as wide as the drawing
            output["metadata"]["image/png"] = {"width": round(width * SCREEN_DPI / PNG_DPI)}


def table_csv(table: Table, document: Document) -> str:
    """Return a table as comma-separated values: its raw `values` where it has them, else the cells as printed."""
    if table.values is not None:
        return csv_text(table.values)
    rows = (tuple(column.title for column in table.columns), *table.rows)
    return csv_text(map(document.plain, row) for row in rows)


def csv_text(rows: Iterable[Iterable[Scalar]]) -> str:
    """Return rows as comma-separated values (RFC 4180) in which no cell acts as a formula; None is an empty field."""

    def inert(cell: Scalar) -> Scalar:  # an apostrophe marks what a spreadsheet would take for a formula
        risky = isinstance(cell, str) and _FORMULA.match(cell) and not _SIGNED_NUMBER.fullmatch(cell)
        return f"'{cell}" if risky else cell

    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\r\n").writerows(map(inert, row) for row in rows)
    return buffer.getvalue()


_FORMULA = re.compile(r"[=+\-@\t\r]")  # how a text begins that a spreadsheet would execute
_SIGNED_NUMBER = re.compile(r"[+-]\d[\d.,]*(e[+-]?\d+)?([ \u00a0][°%\w/·³²₂-]{1,8})?")


def normalise_notebook(notebook: NotebookNode) -> NotebookNode:
    """Return a copy without what differs between two runs: cell ids, timings, cuts of a stream, numbers of processes."""
    made = deepcopy(notebook)
    for key in _RUN_METADATA:
        for part in (made, *made.cells):
            part.metadata.pop(key, None)
    for position, cell in enumerate(made.cells, start=1):
        cell["id"] = f"cell-{position:04d}"
        outputs: list[NotebookNode] = []
        for output in cell.get("outputs", ()):
            if output.output_type == "stream":
                output.text = _KERNEL_FOLDER.sub("ipykernel", output.text)
                if outputs and outputs[-1].get("name") == output.name:
                    outputs[-1].text += output.text
                    continue
            outputs.append(output)
        if cell.cell_type == "code":
            cell.outputs = outputs
    return made


PARTS = "_parts"  # keys that repeat a sentence in its parts: the numbers that it prints, and nothing else


def record_tables(results: Mapping[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """Return the lists of results.json as tables by their path in the file, and its single values as the table "single".

    Lists of numbers of one length that stand side by side are the columns of one table, "series"; a row of a table inside a table
    begins with the number of its parent's row, from 0. Left out are keys that end in "_parts".
    """
    tables: dict[str, list[dict[str, Any]]] = {"single": []}
    tables["single"] += [{"name": path, "value": value} for path, value in _leaves(results, "", {}, tables)]
    return {name: rows for name, rows in tables.items() if rows}


def _leaves(
    node: Mapping[str, Any], path: str, lead: Mapping[str, Any], tables: dict[str, list[dict[str, Any]]]
) -> Iterator[tuple[str, Any]]:
    """Yield the scalars of a mapping with their paths; put its lists into `tables`, each row begun with `lead`."""
    lists = {
        k: v for k, v in node.items() if isinstance(v, list) and v and all(isinstance(x, int | float | None) for x in v)
    }
    longest = max(map(len, lists.values()), default=0)
    columns = {k: v for k, v in lists.items() if len(v) == longest}
    if len(columns) == 1:
        columns = {}
    if columns:
        rows = tables.setdefault(f"{path}.series", [])
        rows += [{**lead, **dict(zip(columns, values, strict=True))} for values in zip(*columns.values(), strict=True)]
    for key, value in node.items():
        name = f"{path}.{key}" if path else key
        if key.endswith(PARTS) or key in columns:
            continue
        if isinstance(value, dict):
            yield from _leaves(value, name, lead, tables)
        elif isinstance(value, list):
            rows = tables.setdefault(name, [])
            for item in value:
                rows.append(row := dict(lead))
                if isinstance(item, dict):
                    inner = _leaves(item, name, {name: len(rows) - 1}, tables)
                    row.update({k.removeprefix(f"{name}."): v for k, v in inner})
                else:
                    cells = enumerate(item) if isinstance(item, list) else [("value", item)]
                    row.update((str(column), cell) for column, cell in cells)
        else:
            yield name, value


SLIDES = ("fig-decision", "fig-recovery", "fig-dots")
SLIDE_DPI = 300
_SIGNS = re.compile(r"([\\`*_\[\]<>|#])")


def write_slides(document: Document, meta: ReportMeta, folder: Path, scratch: Path) -> None:
    """Write figures of a presentation, 16:9, 10 in wide, to `folder` as <label>.png; `scratch`: for the Typst project."""
    drawn = [item.block for item in (*document.items, *document.annex) if isinstance(item.block, Figure)]
    figures = [figure for name in SLIDES for figure in drawn if figure.label == name]
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
    # a chunk behind the header of 33 bytes states the resolution [pixels per metre]
    chunk = b"pHYs" + struct.pack(">IIB", *[round(SLIDE_DPI / 0.0254)] * 2, 1)
    resolution = struct.pack(">I", len(chunk) - 4) + chunk + struct.pack(">I", zlib.crc32(chunk))
    for figure, page in zip(figures, compile_source(scratch, files, meta, ppi=SLIDE_DPI), strict=True):
        (folder / f"{figure.label}.png").write_bytes(page[:33] + resolution + page[33:])


def summary(document: Document, meta: ReportMeta) -> str:
    """Return answer, verdict table and limitations as Markdown, ready to paste."""
    cover = cover_of(document, meta)
    title, question, *answer = (_markdown(text, document) for text in (cover.title, cover.question, *cover.answer))
    lines = [f"# {title}", f"{meta.campaign}, {meta.date}, {meta.issue}.", meta.mark, meta.notice]
    lines += [f"**Question.** {question}" if question else "", *answer]
    limits: list[str] = []
    section = ""
    for item in document.items:
        if isinstance(item.block, Heading) and item.level == 1 and item.target:
            section = item.target.label
        elif isinstance(item.block, Table) and item.block.label == "tab-verdict":
            table = item.block
            cells = [[column.title for column in table.columns], *table.rows]
            head, *rows = (f"| {' | '.join(_markdown(cell, document) for cell in row)} |" for row in cells)
            lines += [_markdown(table.caption, document) + ":"]
            lines += ["\n".join([head, f"|{'---|' * len(table.columns)}", *rows])]
            lines += [_markdown(note, document) for note in table.notes]
        elif isinstance(item.block, ItemList) and section == "sec-limitations":
            limits += [f"- {_markdown(text, document)}" for text in item.block.items]
    lines += ["## Limitations", "\n".join(limits)] if limits else []
    return "\n\n".join(line for line in lines if line) + "\n"


def _markdown(text: str, document: Document) -> str:
    made = ""
    for span in blocks.parse(text):
        words = _SIGNS.sub(r"\\\1", f"{document.words(span.text)} of the report" if span.reference else span.text)
        mark = "**" if span.bold else "*" if span.italic else ""
        made += f"{mark}{words}{mark}"
    return made
