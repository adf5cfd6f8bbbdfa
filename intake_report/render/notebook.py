"""Read an executed notebook: its blocks, its data, its files, its tables; and make it the same on every run."""

from __future__ import annotations

import base64
import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from intake_report.errors import DataError
from intake_report.render.blocks import MIME_TYPE, Block, Figure, Scalar, Table, unbundle
from intake_report.render.numbering import Document, number

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
    document = number(block for _, blocks in _shown(notebook) for block in blocks)
    if not document.items and not document.cover:
        raise DataError("The notebook shows no report blocks.", remedy="Run it before exporting it.")
    return document


def write_assets(document: Document, folder: Path) -> None:
    """Write every figure and table of a report below `folder`: figures/<label>.svg and .png, tables/<label>.csv."""
    blocks = [item.block for item in (*document.items, *document.annex)]
    for name in ("figures", "tables"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    drawings = {f"figures/{one.label}": one for one in blocks if isinstance(one, Figure)}
    for name, figure in drawings.items():
        svg = f'<?xml version="1.0" encoding="UTF-8"?>\n{figure.svg}\n'
        (folder / f"{name}.svg").write_bytes(svg.encode())
    for name, pixels in zip(drawings, _draw_pixels(folder, [f"{name}.svg" for name in drawings]), strict=True):
        (folder / f"{name}.png").write_bytes(pixels)
    for table in blocks:
        if isinstance(table, Table):
            (folder / f"tables/{table.label}.csv").write_bytes(table_csv(table, document).encode())


def _draw_pixels(folder: Path, names: Sequence[str]) -> list[bytes]:
    """Return the SVG files `names` of `folder` as PNG, in the same order; same files, same bytes."""
    import typst

    if not names:
        return []
    page = "#set page(width: auto, height: auto, margin: 0pt)\n"
    source = page + "#pagebreak()\n".join(f'#image("/{name}")\n' for name in names)
    made = typst.compile(  # type: ignore[call-overload]
        source.encode(), root=folder, format="png", ppi=PNG_DPI, ignore_system_fonts=True
    )
    return [bytes(one) for one in (made if isinstance(made, list) else [made])]


def add_pictures(notebook: NotebookNode, folder: Path) -> None:
    """Put the PNG of each figure from `write_assets` into its output, for viewers that show no markup of a stranger."""
    for output, blocks in _shown(notebook):
        if len(blocks) == 1 and isinstance(blocks[0], Figure):
            pixels = (folder / "figures" / f"{blocks[0].label}.png").read_bytes()
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
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\r\n").writerows([_inert(cell) for cell in row] for row in rows)
    return buffer.getvalue()


_FORMULA = re.compile(r"[=+\-@\t\r]")  # how a text begins that a spreadsheet would execute
_SIGNED_NUMBER = re.compile(r"[+-]\d[\d.,]*(e[+-]?\d+)?([ \u00a0][°%\w/·³²₂-]{1,8})?")


def _inert(cell: Scalar) -> Scalar:
    """Return a cell that a spreadsheet takes as text or number, never as a formula: marked by an apostrophe."""
    if isinstance(cell, str) and _FORMULA.match(cell) and not _SIGNED_NUMBER.fullmatch(cell):
        return f"'{cell}"
    return cell


def normalise_notebook(notebook: NotebookNode) -> NotebookNode:
    """Return a copy of an executed notebook without what differs between two runs of the same thing.

    Cell ids by position, no timings, stream outputs joined (where the kernel cuts a stream depends on timing), process
    numbers in temporary names removed.
    """
    from copy import deepcopy

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
    columns = _columns(node)
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


def _columns(node: Mapping[str, Any]) -> dict[str, list[Any]]:
    """Return the lists of numbers that are columns of one table: two or more of the same length, the longest there is."""
    series = {
        k: v for k, v in node.items() if isinstance(v, list) and v and all(isinstance(x, int | float | None) for x in v)
    }
    longest = max(map(len, series.values()), default=0)
    columns = {k: v for k, v in series.items() if len(v) == longest}
    return columns if len(columns) > 1 else {}
