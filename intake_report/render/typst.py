"""The PDF report: Typst source, and its compilation to PDF/A-3a with PDF/UA-1."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from textwrap import shorten
from typing import Any, Literal

from intake_report.errors import DataError
from intake_report.render import inline
from intake_report.render.blocks import (
    Callout,
    Cover,
    Definitions,
    Equation,
    Figure,
    Form,
    Heading,
    ItemList,
    PageBegins,
    Paragraph,
    Preformatted,
    Table,
)
from intake_report.render.figure import clean_svg
from intake_report.render.html import TEMPLATES, cover_of
from intake_report.render.layout import breakable, font_folder, height, plan, spellable
from intake_report.render.meta import Attachment, ReportMeta
from intake_report.render.numbering import Document, Item

STANDARDS: list[Literal["a-3a", "ua-1"]] = ["a-3a", "ua-1"]
_PAPERS = {"a4": ("a4", 595.28), "letter": ("us-letter", 612.0)}  # Typst's name, width [pt]
_MARGIN = 62.36  # 22 mm [pt], as in report.typ
# Characters up to which a word stays whole in running text, in large type and in narrow places.
_IN_TEXT, _IN_HEADING, _IN_CELL = 30, 20, 14
WHOLE = 600.0  # pt, a page of the smaller paper less heading and caption: a table up to this height is not divided
_STROKE_WORD = re.compile(r"((?<!\S)[^\s/\u200b]{1,6}/[^\s/\u200b]{1,6}(?!\S))")
_STYLE = TEMPLATES / "report.typ"


def export_pdf(document: Document, meta: ReportMeta, attachments: Sequence[Attachment], scratch: Path) -> bytes:
    """Return the report, or what its `of_annex` returned, as PDF/A-3a and PDF/UA-1, as the compiler checks them.

    `attachments` are carried inside with their bytes unchanged; `scratch`: folder for the Typst project, made when absent, left for
    inspection. Same arguments, same bytes. Raises DataError: a block is refused, or the compiler reports an error or a warning.
    """
    files = {f"attachments/{item.name}": item.data for item in attachments}
    if len(files) != len(attachments):
        raise DataError("Two attachments of the PDF carry one name.")
    files["main.typ"] = report_source(document, meta, attachments).encode("utf-8")
    for figure in [item.block for item in document.items if isinstance(item.block, Figure)]:
        files[f"figures/{figure.label}.svg"] = clean_svg(figure.svg, figure.label).encode("utf-8")
    return compile_source(scratch, files, meta)[0]


def report_source(document: Document, meta: ReportMeta, attachments: Sequence[Attachment]) -> str:
    """Return the Typst source of a report; figures and attachments are named in it as files."""
    paper, width = _PAPERS[meta.paper]
    title = f"Annex: {meta.title}" if document.is_annex else meta.title
    day = meta.timestamp
    lines = [
        '#import "report.typ": *',
        f"#show: report.with(title: {string(title)}, running: {string(shorten(title, 72, placeholder='…'))}, "
        f"id: {string(meta.campaign)}, date: {string(meta.date)}, "
        f"day: datetime(year: {day.year}, month: {day.month}, day: {day.day}), revision: {string(meta.issue)}, "
        f"lang: {string(meta.language)}, paper: {string(paper)}, mark: {string(meta.mark)})",
    ]
    lines += [
        f"#pdf.attach({string(file.name)}, read({string(f'attachments/{file.name}')}, encoding: none), "
        f"relationship: {string(file.relationship)}, mime-type: {string(file.media_type)}, "
        f"description: {string(file.description)})"
        for file in attachments
    ]
    if document.is_annex:
        lines.append(f"#annex-title({string(title)}, {string(f'{meta.date}, {meta.issue}')})\n#contents()")
    else:
        lines.append(cover_source(cover_of(document, meta), document))
    lines += [f"#callout(title: [], ({string(meta.notice)},))"] if meta.notice else []
    return "\n".join([*lines, body_source(document, width - 2 * _MARGIN), ""])


def compile_source(
    project: Path, files: Mapping[str, bytes], meta: ReportMeta, ppi: float | None = None
) -> list[bytes]:
    """Write a Typst project and return its PDF, or with `ppi` (dots per inch) its pages as PNG."""
    import typst

    for name, data in files.items():
        path = project / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    shutil.copyfile(_STYLE, project / "report.typ")
    output: dict[str, Any] = (
        {"format": "pdf", "pdf_standards": STANDARDS} if ppi is None else {"format": "png", "ppi": ppi}
    )
    try:
        made, warnings = typst.compile_with_warnings(
            project / "main.typ",
            root=project,
            font_paths=[font_folder()],
            ignore_system_fonts=True,
            timestamp=meta.timestamp,
            **output,
        )
    except typst.TypstError as error:
        hints = "".join(f" Hint: {hint}." for hint in error.hints)
        raise DataError(
            f"The PDF could not be made: {' '.join(error.message.split())}.{hints}", file=project / "main.typ"
        ) from None
    if warnings:
        texts = "; ".join(sorted({str(warning).splitlines()[0] for warning in warnings}))
        raise DataError(f"The PDF was refused because its compiler warned: {texts}.", file=project / "main.typ")
    return [bytes(page) for page in (made if isinstance(made, list) else [made])]


# ---- blocks as Typst source: calls of the functions in report.typ, every text as a string expression ----


def string(text: str) -> str:
    """Return `text` as a Typst string expression; it can be nothing else."""
    escaped = spellable(inline.printable(text)).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def array(parts: Iterable[str]) -> str:
    """Return expressions as a Typst array."""
    joined = ", ".join(parts)
    return f"({joined},)" if joined else "()"


def inline_source(text: str, document: Document, longest: int = _IN_TEXT) -> str:
    """Return a block text as a Typst expression of type content; words of up to `longest` characters stay whole."""
    pieces = (piece for span in inline.parse(text) for piece in _span(span, document, longest))
    return f"T({', '.join(pieces)})"


def _span(span: inline.Piece, document: Document, longest: int) -> Iterator[str]:
    words = breakable(spellable(span.text), longest)
    if span.reference:
        target = document.reference(span.text)
        name = string(document.words(span.text))
        made = [
            name
            if document.elsewhere(target) or span.text in document.withheld
            else f"link(label({string(target.label)}), {name})"
        ]
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
    """Return the report's blocks as Typst source, one call per block; `width` of the text area [pt], for tables."""
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
        case PageBegins():
            return "pagebreak(weak: true)"
        case Form() as block:
            return f"form({array(map(text, block.items))}, {array(map(text, block.long))})"
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
        cells = array(cell(row[i]) for row in block.rows for i in columns)
        panels.append(
            f"(columns: {array(f'{value:.2f}pt' for value in widths)}, "
            f"align: {array(block.columns[i].align for i in columns)}, heads: {heads}, cells: {cells})"
        )
    return (
        f"data-table({place}, caption: {inline_source(block.caption, document)}, size: {made.size}pt, whole: {_bool(whole)}, "
        f"panels: {array(panels)}, notes: {array(inline_source(note, document) for note in block.notes)})"
    )
