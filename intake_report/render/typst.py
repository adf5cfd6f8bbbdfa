"""The PDF report: Typst source, and its compilation to PDF/A-3a with PDF/UA-1."""

import re
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from textwrap import shorten
from typing import Any, Literal

from intake_report.errors import DataError
from intake_report.render import blocks
from intake_report.render.html import TEMPLATES, cover_of
from intake_report.render.layout import breakable, font_folder, height, plan, row_heights, spellable
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
    files["main.typ"] = report_source(document, meta, attachments).encode("utf-8")
    for item in document.items:
        if isinstance(item.block, blocks.Figure):
            files[f"figures/{item.block.label}.svg"] = item.block.svg.encode("utf-8")
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
        f"paper: {string(paper)}, mark: {string(meta.mark)})",
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
        lines.append(_cover(cover_of(document, meta), document))
    lines += [f"#callout(title: [], ({string(meta.notice)},))"] if meta.notice else []
    lines += [f"#{_block(item, document, width - 2 * _MARGIN)}" for item in document.items]
    return "\n".join([*lines, ""])


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
    main, pdf = project / "main.typ", {"format": "pdf", "pdf_standards": STANDARDS}
    output: dict[str, Any] = pdf if ppi is None else {"format": "png", "ppi": ppi}
    look: dict[str, Any] = {"font_paths": [font_folder()], "ignore_system_fonts": True, "timestamp": meta.timestamp}
    try:
        made, warnings = typst.compile_with_warnings(main, root=project, **look, **output)
    except typst.TypstError as error:
        hints = "".join(f" Hint: {hint}." for hint in error.hints)
        raise DataError(f"The PDF could not be made: {' '.join(error.message.split())}.{hints}", file=main) from None
    if warnings:
        texts = "; ".join(sorted({str(warning).splitlines()[0] for warning in warnings}))
        raise DataError(f"The PDF was refused because its compiler warned: {texts}.", file=main)
    return [bytes(page) for page in (made if isinstance(made, list) else [made])]


# ---- blocks as Typst source: calls of the functions in report.typ, every text as a string expression ----


def string(text: str) -> str:
    """Return `text` as a Typst string expression; it can be nothing else."""
    escaped = spellable(blocks.printable(text)).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _array(parts: Iterable[str]) -> str:
    joined = ", ".join(parts)
    return f"({joined},)" if joined else "()"


def _bool(value: bool) -> str:
    return "true" if value else "false"


def _inline(text: str, document: Document, longest: int = _IN_TEXT) -> str:
    """Return a block text as a Typst expression of type content; words of up to `longest` characters stay whole."""
    pieces = (piece for span in blocks.parse(text) for piece in _span(span, document, longest))
    return f"T({', '.join(pieces)})"


def _span(span: blocks.Piece, document: Document, longest: int) -> Iterator[str]:
    words = breakable(spellable(span.text), longest)
    if span.reference:
        target, name = document.reference(span.text), string(document.words(span.text))
        there = document.elsewhere(target) or span.text in document.withheld
        made = [name if there else f"link(label({string(target.label)}), {name})"]
    elif span.code:
        made = [f"raw({string(words)})"]
    else:
        # "K/min" and its like stay whole: the line breaker would part them after the stroke.
        parts = _STROKE_WORD.split(words)
        made = [f"box({string(part)})" if index % 2 else string(part) for index, part in enumerate(parts) if part]
    for piece in made:
        piece = f"emph({piece})" if span.italic else piece
        yield f"strong({piece})" if span.bold else piece


def _pairs(values: Iterable[tuple[str, str]], document: Document) -> str:
    return _array(f"({_inline(term, document, _IN_CELL)}, {_inline(value, document)})" for term, value in values)


def _texts(values: Iterable[str], document: Document) -> str:
    return _array(_inline(value, document) for value in values)


def _cover(cover: blocks.Cover, document: Document) -> str:
    return (
        f"#cover(title: {_inline(cover.title, document, _IN_CELL)}, "
        f"subtitle: {_inline(cover.subtitle, document, _IN_HEADING)}, date: {string(cover.date)}, "
        f"revision: {string(cover.revision)}, question: {_inline(cover.question, document)}, "
        f"answer: {_texts(cover.answer, document)}, facts: {_pairs(cover.facts, document)})"
    )


def _block(item: Item, document: Document, width: float) -> str:
    """Return the call that sets one block; `width` of the text area [pt], for tables."""
    target = item.target
    place = f"label: {string(target.label)}, number: {string(target.number)}" if target else ""
    match item.block:
        case blocks.Heading(text=text):
            return f"section({place}, level: {item.level}, {_inline(text, document, _IN_HEADING)})"
        case blocks.Paragraph(text=text):
            return f"paragraph({_inline(text, document)})"
        case blocks.ItemList(items=items, ordered=ordered):
            return f"items(ordered: {_bool(ordered)}, {_texts(items, document)})"
        case blocks.Definitions(items=terms):
            return f"definitions({_pairs(terms, document)})"
        case blocks.Preformatted(text=text):
            return f"preformatted({_array(string(breakable(spellable(line), 60)) for line in text.splitlines())})"
        case blocks.Callout(tone=tone, title=title, texts=texts):
            return f"callout(tone: {string(tone)}, title: {_inline(title, document)}, {_texts(texts, document)})"
        case blocks.Figure(label=label, caption=caption, alt=alt):
            shown = f'alt: {string(alt)}, path: "figures/{label}.svg"'
            return f"drawing({place}, caption: {_inline(caption, document)}, {shown})"
        case blocks.Table() as block:
            return _table(block, place, document, width)
        case blocks.PageBegins():
            return "pagebreak(weak: true)"
        case blocks.Form(items=items, long=long):
            return f"form({_texts(items, document)}, {_texts(long, document)})"
        case other:  # pragma: no cover - the numbering pass takes covers and data out
            raise DataError(f"A {other.kind} block has no place in the body of a report.")


def _table(block: blocks.Table, place: str, document: Document, width: float) -> str:
    made = plan(block, document, width)
    whole = height(block, document, made) <= WHOLE
    rows_whole = max(row_heights(block, document, made)) <= WHOLE / 2.0  # higher rows go on over the page
    panels = []
    for columns, widths in made.panels:
        heads = _array(_inline(block.columns[i].title, document, _IN_CELL) for i in columns)
        cells = _array(_inline(row[i], document, _IN_CELL) for row in block.rows for i in columns)
        panels.append(
            f"(columns: {_array(f'{value:.2f}pt' for value in widths)}, "
            f"align: {_array(block.columns[i].align for i in columns)}, heads: {heads}, cells: {cells})"
        )
    return (
        f"data-table({place}, caption: {_inline(block.caption, document)}, size: {made.size}pt, whole: {_bool(whole)}, "
        f"rows-whole: {_bool(rows_whole)}, "
        f"panels: {_array(panels)}, notes: {_texts(block.notes, document)})"
    )
