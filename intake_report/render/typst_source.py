"""Blocks as Typst source: calls of the functions in report.typ, every text as a string expression."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from intake_report.errors import DataError
from intake_report.render import inline
from intake_report.render.blocks import (
    Callout,
    Cover,
    Definitions,
    Equation,
    Figure,
    Heading,
    ItemList,
    Paragraph,
    Preformatted,
    Table,
)
from intake_report.render.fonts import spellable
from intake_report.render.layout import breakable, height, plan
from intake_report.render.numbering import Document, Item

# Characters up to which a word stays whole in running text, in large type and in narrow places.
_IN_TEXT, _IN_HEADING, _IN_CELL = 30, 20, 14
WHOLE = 230.0  # pt, a third of a page: a table up to this height is not divided by a page
_STROKE_WORD = re.compile(r"((?<!\S)[^\s/\u200b]{1,6}/[^\s/\u200b]{1,6}(?!\S))")


def string(text: str) -> str:
    """Return `text` as a Typst string expression; it can be nothing else."""
    escaped = spellable(inline.printable(text)).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def array(parts: Iterable[str]) -> str:
    """Return expressions as a Typst array."""
    joined = ", ".join(parts)
    return f"({joined},)" if joined else "()"


def inline_source(text: str, document: Document, longest: int = _IN_TEXT) -> str:
    """Return a block text as a Typst expression of type content.

    Parameters
    ----------
    text : str
    document : Document
        Resolves cross references.
    longest : int
        Characters up to which a word stays whole.

    Returns
    -------
    str
    """
    pieces = (piece for span in inline.parse(text) for piece in _span(span, document, longest))
    return f"T({', '.join(pieces)})"


def _span(span: inline.Span, document: Document, longest: int) -> Iterator[str]:
    words = breakable(spellable(span.text), longest)
    if span.reference:
        target = document.reference(span.text)
        made = [f"link(label({string(target.label)}), {string(target.name)})"]
    elif span.code:
        made = [f"raw({string(words)})"]
    else:
        # "K/min" and its like stay whole: the line breaker would part them after the stroke.
        parts = _STROKE_WORD.split(words)
        made = [f"box({string(part)})" if index % 2 else string(part) for index, part in enumerate(parts) if part]
    for piece in made:
        piece = f"emph({piece})" if span.italic else piece
        yield f"strong({piece})" if span.bold else piece


def body_source(document: Document, width: float) -> str:
    """Return the report's blocks as Typst source, one call per block.

    Parameters
    ----------
    document : Document
    width : float
        Of the text area [pt], for tables.

    Returns
    -------
    str
    """
    return "\n".join(f"#{_block(item, document, width)}" for item in document.items)


def cover_source(cover: Cover, document: Document) -> str:
    """Return the call that sets the cover."""

    def text(value: str) -> str:
        return inline_source(value, document)

    facts = array(f"({inline_source(term, document, _IN_CELL)}, {text(value)})" for term, value in cover.facts)
    return (
        f"#cover(title: {inline_source(cover.title, document, _IN_CELL)}, "
        f"subtitle: {inline_source(cover.subtitle, document, _IN_HEADING)}, date: {string(cover.date)}, "
        f"revision: {string(cover.revision)}, question: {text(cover.question)}, "
        f"answer: {array(map(text, cover.answer))}, facts: {facts})"
    )


def _block(item: Item, document: Document, width: float) -> str:
    def text(value: str) -> str:
        return inline_source(value, document)

    def pairs(values: Iterable[tuple[str, str]]) -> str:
        return array(f"({inline_source(term, document, _IN_CELL)}, {text(value)})" for term, value in values)

    target = item.target
    place = f"label: {string(target.label)}, number: {string(target.number)}" if target else ""
    match item.block:
        case Heading() as block:
            return f"section({place}, level: {item.level}, {inline_source(block.text, document, _IN_HEADING)})"
        case Paragraph() as block:
            return f"paragraph({text(block.text)})"
        case ItemList() as block:
            return f"items(ordered: {_bool(block.ordered)}, {array(map(text, block.items))})"
        case Definitions() as block:
            return f"definitions({pairs(block.items)})"
        case Preformatted() as block:
            lines = array(string(breakable(spellable(line), 60)) for line in block.text.splitlines())
            return f"preformatted({lines})"
        case Callout() as block:
            return f"callout(tone: {string(block.tone)}, title: {text(block.title)}, {array(map(text, block.texts))})"
        case Figure() as block:
            return (
                f"drawing({place}, caption: {inline_source(block.caption, document)}, "
                f'alt: {string(block.alt)}, path: "figures/{block.label}.svg", half: {_bool(block.size == "half")})'
            )
        case Equation() as block:
            if "#" in block.typst or "\\" in block.typst or not block.typst.strip():
                raise DataError(
                    f"The Typst notation of the equation {block.label!r} is empty or holds '#' or a backslash.",
                    remedy="Write plain mathematics.",
                )
            return (
                f"formula({place}, caption: {text(block.caption)}, alt: {string(block.alt)}, "
                f"source: {string(block.typst)})"
            )
        case Table() as block:
            return _table(block, place, document, width)
        case other:  # pragma: no cover - the numbering pass takes covers and data out
            raise DataError(f"A {other.kind} block has no place in the body of a report.")


def _bool(value: bool) -> str:
    return "true" if value else "false"


def _table(block: Table, place: str, document: Document, width: float) -> str:
    def cell(value: str) -> str:
        return inline_source(value, document, _IN_CELL)

    made = plan(block, document, width)
    whole = height(block, document, made) <= WHOLE
    panels = []
    for columns, widths in zip(made.panels, made.widths, strict=True):
        heads = array(cell(block.columns[i].title) for i in columns)
        rows = ",\n".join(", ".join(cell(row[i]) for i in columns) for row in block.rows)
        panels.append(
            f"(columns: {array(f'{value:.2f}pt' for value in widths)}, "
            f"align: {array(block.columns[i].align for i in columns)}, heads: {heads}, cells: ({rows}{_comma(rows)}))"
        )
    return (
        f"data-table({place}, caption: {inline_source(block.caption, document)}, size: {made.size}pt, whole: {_bool(whole)}, "
        f"panels: {array(panels)}, notes: {array(inline_source(note, document) for note in block.notes)})"
    )


def _comma(text: str) -> str:
    return "," if text else ""
