"""Read an executed notebook: its blocks, its data, its files, its tables; and make it the same on every run."""

from __future__ import annotations

import base64
import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from intake_report.errors import DataError
from intake_report.render.blocks import (
    MIME_TYPE,
    Block,
    Callout,
    Figure,
    Heading,
    ItemList,
    Paragraph,
    Preformatted,
    Scalar,
    Table,
    unbundle,
)
from intake_report.render.figure import PNG_DPI, clean_svg, draw_pixels
from intake_report.render.inline import emphasis, literal
from intake_report.render.numbering import Document, number

if TYPE_CHECKING:
    from nbformat import NotebookNode

GUIDANCE = "guidance"  # tag of a text cell that is for the analyst and no part of the report
SCREEN_DPI = 96  # of a page in a browser
_RUN_METADATA = ("papermill", "execution", "ExecuteTime")
_REFERENCE_OPEN, _REFERENCE_CLOSE = "[[", "]]"
_KERNEL_FOLDER = re.compile(r"ipykernel_\d+")


def _blocks(notebook: NotebookNode) -> Iterator[Block]:
    """Yield the blocks in reading order: Markdown cells and what code cells showed; all else is passed over."""
    for cell in notebook.cells:
        if cell.cell_type == "markdown" and GUIDANCE not in cell.metadata.get("tags", ()):
            yield from markdown_blocks(cell.source)
        elif cell.cell_type == "code":
            for output in cell.outputs:
                if MIME_TYPE in output.get("data", {}):
                    yield from unbundle(output["data"][MIME_TYPE])


def read_document(notebook: NotebookNode) -> Document:
    """Return the numbered report that a notebook holds. DataError if it shows no block, or the numbering refuses it."""
    document = number(_blocks(notebook))
    if not document.items and not document.cover:
        raise DataError("The notebook shows no report blocks.", remedy="Run it before exporting it.")
    return document


def write_assets(document: Document, folder: Path) -> tuple[Path, ...]:
    """Write every figure and table of a report as a file of its own, and return what was written.

    `folder` gets figures/<label>.svg, figures/<label>.png and tables/<label>.csv.
    """
    written: list[Path] = []

    def write(name: str, data: bytes) -> None:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        written.append(path)

    drawings: list[str] = []
    for item in (*document.items, *document.annex):
        if isinstance(item.block, Figure):
            svg = clean_svg(item.block.svg, item.block.label)
            drawings.append(f"figures/{item.block.label}.svg")
            write(drawings[-1], f'<?xml version="1.0" encoding="UTF-8"?>\n{svg}\n'.encode())
        elif isinstance(item.block, Table):
            write(f"tables/{item.block.label}.csv", table_csv(item.block, document).encode("utf-8"))
    for name, pixels in zip(drawings, draw_pixels(folder, drawings), strict=True):
        write(f"{name.removesuffix('.svg')}.png", pixels)
    return tuple(written)


def add_pictures(notebook: NotebookNode, folder: Path) -> None:
    """Put the PNG of each figure from `write_assets` into its output, for viewers that show no markup of a stranger."""
    for cell in notebook.cells:
        for output in cell.get("outputs", ()):
            shown = unbundle(output["data"][MIME_TYPE]) if MIME_TYPE in output.get("data", {}) else ()
            if len(shown) == 1 and isinstance(shown[0], Figure):
                pixels = (folder / "figures" / f"{shown[0].label}.png").read_bytes()
                output["data"]["image/png"] = base64.b64encode(pixels).decode("ascii")
                width = round(
                    int.from_bytes(pixels[16:20]) * SCREEN_DPI / PNG_DPI
                )  # of its header: as wide as the drawing
                output["metadata"]["image/png"] = {"width": width}


def table_csv(table: Table, document: Document) -> str:
    """Return a table as comma-separated values (RFC 4180): its raw `values` where it has them, else the cells as printed.

    Lines end in CR LF; a missing value is an empty field.
    """
    rows: list[tuple[Scalar, ...]]
    if table.values is not None:
        rows = list(table.values)
    else:
        rows = [tuple(document.plain(column.title) for column in table.columns)]
        rows += [tuple(document.plain(cell) for cell in row) for row in table.rows]
    return csv_text(rows)


def csv_text(rows: Iterable[Iterable[Scalar]]) -> str:
    """Return rows as comma-separated values in which no cell acts as a formula."""
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

    Cell ids by position, no timings, stream outputs joined, process numbers in temporary names removed.
    """
    from copy import deepcopy

    made = deepcopy(notebook)
    _drop_run_metadata(made.metadata)
    for position, cell in enumerate(made.cells, start=1):
        if "id" in cell:
            cell["id"] = f"cell-{position:04d}"
        _drop_run_metadata(cell.metadata)
        if cell.cell_type == "code":
            cell.outputs = _joined(cell.outputs)
    return made


def _drop_run_metadata(metadata: NotebookNode) -> None:
    for key in _RUN_METADATA:
        metadata.pop(key, None)


def _joined(outputs: list[NotebookNode]) -> list[NotebookNode]:
    """Join neighbouring stream outputs: where the kernel cuts a stream depends on timing."""
    made: list[NotebookNode] = []
    for output in outputs:
        if output.output_type == "stream":
            output.text = _KERNEL_FOLDER.sub("ipykernel", output.text)
            if made and made[-1].output_type == "stream" and made[-1].name == output.name:
                made[-1].text += output.text
                continue
        made.append(output)
    return made


# ---- Markdown cells: headings, paragraphs, lists, emphasis, code; everything else stays text ----


@cache
def _parser() -> Any:
    import mistune

    return mistune.create_markdown(renderer="ast")


def markdown_blocks(source: str) -> tuple[Block, ...]:
    """Return the blocks of one Markdown cell, in which ``[[label]]`` is a cross reference too.

    Links keep their address as text, images their alternative text: a report loads nothing.
    """
    return tuple(_of_tokens(_parser()(source)))


def _of_tokens(tokens: Sequence[Any]) -> Iterator[Block]:
    for token in tokens:
        kind, children = token["type"], token.get("children", ())
        if kind == "heading":
            yield Heading(min(token["attrs"]["level"], 3), _inline(children))
        elif kind in ("paragraph", "block_text"):
            yield Paragraph(_inline(children))
        elif kind == "list":
            yield ItemList(tuple(_items(token)), bool(token["attrs"].get("ordered")))
        elif kind == "block_code":
            yield Preformatted(token["raw"].rstrip("\n"))
        elif kind == "block_quote":
            texts = tuple(block.text for block in _of_tokens(children) if isinstance(block, Paragraph | Heading))
            yield Callout("note", "", texts)
        elif kind == "block_html":
            yield Paragraph(literal(token["raw"].strip()))


def _items(token: Any) -> Iterator[str]:
    """Yield the items of a list; those of a list inside it follow their parent, marked with a dash."""
    for item in token["children"]:
        texts: list[str] = []
        nested: list[str] = []
        for child in item.get("children", ()):
            if child["type"] == "list":
                nested.extend(f"– {text}" for text in _items(child))
            elif "children" in child:
                texts.append(_inline(child["children"]))
            else:
                texts.append(literal(child.get("raw", "").strip()))
        yield " ".join(text for text in texts if text)
        yield from nested


def _inline(tokens: Sequence[Any]) -> str:
    return "".join(_piece(token) for token in tokens)


def _piece(token: Any) -> str:
    kind, children = token["type"], token.get("children", ())
    if kind == "text":
        return _text(token["raw"])
    if kind == "codespan":
        # A back quote inside code would end it; literal() keeps it and the mark itself stays outside.
        return "`" + literal(token["raw"]) + "`" if "`" not in token["raw"] else literal(token["raw"])
    if kind == "strong":
        return f"**{_inline(children)}**"
    if kind == "emphasis":
        return emphasis(_inline(children))
    if kind in ("linebreak", "softbreak"):
        return " "
    if kind == "link":
        words, address = _inline(children), token["attrs"]["url"]
        return words if address in ("", words) else f"{words} ({literal(address)})"
    if kind == "image":
        return _inline(children)
    return literal(token.get("raw", ""))


def _text(raw: str) -> str:
    """Return literal text in which ``[[label]]`` alone keeps its meaning."""
    parts = raw.split(_REFERENCE_OPEN)
    made = [literal(parts[0])]
    for part in parts[1:]:
        label, closed, rest = part.partition(_REFERENCE_CLOSE)
        if closed and label and label.replace("-", "").replace("_", "").isalnum():
            made.append(f"{_REFERENCE_OPEN}{label}{_REFERENCE_CLOSE}{literal(rest)}")
        else:
            made.append(literal(_REFERENCE_OPEN + part))
    return "".join(made)


PARTS = "_parts"  # keys that repeat a sentence in its parts: the numbers that it prints, and nothing else


def record_tables(results: Mapping[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """Return the lists of results.json as tables by their path in the file, and its single values as the table "single".

    Lists of numbers of one length that stand side by side are the columns of one table, "series"; a row of a table inside a table
    begins with the number of its parent's row, from 0. Left out are keys that end in "_parts".
    """
    tables: dict[str, list[dict[str, Any]]] = {"single": []}
    for path, value in _leaves(results, "", {}, tables):
        tables["single"].append({"name": path, "value": value})
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
                row = {**lead, **({} if isinstance(item, dict) else _cells(item))}
                inner = {name: len(rows)}
                rows.append(row)
                if isinstance(item, dict):
                    row.update({k.removeprefix(f"{name}."): v for k, v in _leaves(item, name, inner, tables)})
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


def _cells(item: Any) -> dict[str, Any]:
    """Return the cells of an item that is no mapping: a value, or several in order."""
    return {str(i): value for i, value in enumerate(item)} if isinstance(item, list) else {"value": item}
