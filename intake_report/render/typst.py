"""The PDF report: Typst source, tables fitted to the width of the page, and compilation to PDF/A-3a with PDF/UA-1."""

import math
import re
import shutil
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache, lru_cache
from importlib.util import find_spec
from pathlib import Path
from textwrap import shorten
from typing import Any, Literal, NamedTuple

from intake_report.errors import DataError
from intake_report.render import blocks
from intake_report.render.blocks import Table
from intake_report.render.document import Attachment, Document, Item, ReportMeta
from intake_report.render.html import TEMPLATES, cover_of

STANDARDS: list[Literal["a-3a", "ua-1"]] = ["a-3a", "ua-1"]
_PAPERS = {"a4": ("a4", 595.28), "letter": ("us-letter", 612.0)}  # Typst's name, width [pt]
_MARGIN = 62.36  # 22 mm [pt], as in report.typ
# Characters up to which a word stays whole in running text, in large type and in narrow places.
_IN_TEXT, _IN_HEADING, _IN_CELL = 30, 20, 14
# A page less heading and caption [pt]: a table up to this height is not divided, nor a row up to half of it.
WHOLE = 600.0
_STROKE_WORD = re.compile(r"((?<!\S)[^\s/\u200b]{1,6}/[^\s/\u200b]{1,6}(?!\S))")
STYLE = TEMPLATES / "report.typ"


def export_pdf(document: Document, meta: ReportMeta, attachments: Sequence[Attachment], scratch: Path) -> bytes:
    """Return the report, or what its `of_annex` returned, as PDF/A-3a and PDF/UA-1; `scratch` keeps the Typst project.

    Same arguments, same bytes. Raises DataError: the compiler, which checks both standards, reports an error or a warning.
    """
    files = {f"attachments/{item.name}": item.data for item in attachments}
    files["main.typ"] = _source(document, meta, attachments).encode("utf-8")
    drawn = (item.block for item in document.items if isinstance(item.block, blocks.Figure))
    files |= {f"figures/{figure.label}.svg": figure.svg.encode("utf-8") for figure in drawn}
    return compile_source(scratch, files, meta)[0]


def _source(document: Document, meta: ReportMeta, attachments: Sequence[Attachment]) -> str:
    paper, width = _PAPERS[meta.paper]
    title = f"Annex: {meta.title}" if document.is_annex else meta.title
    day = meta.timestamp
    lines = [
        '#import "report.typ": *',
        f"#show: report.with(title: {string(title)}, running: {string(shorten(title, 72, placeholder='…'))}, "
        f"id: {string(meta.campaign)}, date: {string(meta.date)}, revision: {string(meta.issue)}, "
        f"day: datetime(year: {day.year}, month: {day.month}, day: {day.day}), "
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
        cover = cover_of(document, meta)
        lines.append(
            f"#cover(title: {_inline(cover.title, document, _IN_CELL)}, "
            f"subtitle: {_inline(cover.subtitle, document, _IN_HEADING)}, date: {string(cover.date)}, "
            f"revision: {string(cover.revision)}, question: {_inline(cover.question, document)}, "
            f"answer: {_texts(cover.answer, document)}, facts: {_pairs(cover.facts, document)})"
        )
    lines += [f"#callout(title: [], ({string(meta.notice)},))"] if meta.notice else []
    lines += [f"#{_block(item, document, width - 2 * _MARGIN)}" for item in document.items]
    return "\n".join([*lines, ""])


def compile_source(root: Path, files: Mapping[str, bytes], meta: ReportMeta, ppi: float | None = None) -> list[bytes]:
    """Write a Typst project and return its PDF, or with `ppi` (dots per inch) its pages as PNG."""
    import typst

    for name, data in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    shutil.copyfile(STYLE, root / "report.typ")
    main, pdf = root / "main.typ", {"format": "pdf", "pdf_standards": STANDARDS}
    output: dict[str, Any] = pdf if ppi is None else {"format": "png", "ppi": ppi}
    look: dict[str, Any] = {"font_paths": [font_folder()], "ignore_system_fonts": True, "timestamp": meta.timestamp}
    try:
        made, warnings = typst.compile_with_warnings(main, root=root, **look, **output)
    except typst.TypstError as error:
        hints = "".join(f" Hint: {hint}." for hint in error.hints)
        raise DataError(f"The PDF could not be made: {' '.join(error.message.split())}.{hints}", file=main) from None
    if warnings:
        texts = "; ".join(sorted({str(warning).splitlines()[0] for warning in warnings}))
        raise DataError(f"The PDF was refused because its compiler warned: {texts}.", file=main)
    return [bytes(page) for page in (made if isinstance(made, list) else [made])]


def string(text: str) -> str:
    """Return `text` as a Typst string expression; it can be nothing else."""
    escaped = spellable(blocks.printable(text)).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _array(parts: Iterable[str]) -> str:
    joined = ", ".join(parts)
    return f"({joined},)" if joined else "()"


def _inline(text: str, document: Document, longest: int = _IN_TEXT) -> str:
    """Return a block text as a Typst expression of type content; words of up to `longest` characters stay whole."""
    pieces = []
    for span in blocks.parse(text):
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
        for call in ["emph"] * span.italic + ["strong"] * span.bold:
            made = [f"{call}({piece})" for piece in made]
        pieces += made
    return f"T({', '.join(pieces)})"


def _pairs(values: Iterable[tuple[str, str]], document: Document) -> str:
    return _array(f"({_inline(term, document, _IN_CELL)}, {_inline(value, document)})" for term, value in values)


def _texts(values: Iterable[str], document: Document) -> str:
    return _array(_inline(value, document) for value in values)


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
            return f"items(ordered: {str(ordered).lower()}, {_texts(items, document)})"
        case blocks.Definitions(items=terms):
            return f"definitions({_pairs(terms, document)})"
        case blocks.Preformatted(text=text):
            return f"preformatted({_array(string(breakable(spellable(line), 60)) for line in text.splitlines())})"
        case blocks.Callout(tone=tone, title=title, texts=texts):
            return f"callout(tone: {string(tone)}, title: {_inline(title, document)}, {_texts(texts, document)})"
        case blocks.Figure(label=label, caption=caption, alt=alt):
            shown = f'alt: {string(alt)}, path: "figures/{label}.svg"'
            return f"drawing({place}, caption: {_inline(caption, document)}, {shown})"
        case Table() as block:
            return _table(block, place, document, width)
        case blocks.Begins():
            return "pagebreak(weak: true)"
        case blocks.Form(items=items, long=long):
            return f"form({_texts(items, document)}, {_texts(long, document)})"
        case other:  # pragma: no cover - the numbering pass takes covers and data out
            raise DataError(f"A {other.kind} block has no place in the body of a report.")


def _table(block: Table, place: str, document: Document, width: float) -> str:
    made = plan(block, document, width)
    whole, rows_whole = (str(fits).lower() for fits in (made.height <= WHOLE, made.highest <= WHOLE / 2.0))
    panels = []
    for columns, widths in made.panels:
        heads = _array(_inline(block.columns[i].title, document, _IN_CELL) for i in columns)
        cells = _array(_inline(row[i], document, _IN_CELL) for row in block.rows for i in columns)
        panels.append(
            f"(columns: {_array(f'{value:.2f}pt' for value in widths)}, "
            f"align: {_array(block.columns[i].align for i in columns)}, heads: {heads}, cells: {cells})"
        )
    return (
        f"data-table({place}, caption: {_inline(block.caption, document)}, size: {made.size}pt, whole: {whole}, "
        f"rows-whole: {rows_whole}, panels: {_array(panels)}, notes: {_texts(block.notes, document)})"
    )


# ---- tables: type size, column widths, a split when one is too wide; what the fonts can print ----

SIZES = (9.0, 8.5, 8.0, 7.5, 7.0)  # pt; below 7 pt nobody reads a column of numbers with pleasure
GAP = 9.0  # pt between two columns
# Widths in em, on the wide side, of the text face: a split too early costs a line, one too late a printed mess.
_DIGIT, _LOWER, _UPPER, _OTHER, _WIDE = 0.48, 0.51, 0.70, 0.62, 1.05
_WIDTHS = {**dict.fromkeys("il.,;:'|!()[] jtf-", 0.32), **dict.fromkeys("mwMW%@", _WIDE), "\u200b": 0.0}
_BOLD = 1.06
_LINE, _ROW = 1.25, 8.0  # height of a line in type sizes, and of what is between two rows [pt]
_STRETCH = 1.9  # a small table stays narrower than the page: its columns would drift apart
_LONGEST_PIECE = 14  # characters; a longer word gets places where it may break
_BREAK_AFTER = re.compile(r"(?<=[-/_.,:;@=&\\])(?=[^\s\d])")
ZERO_WIDTH_SPACE = "\u200b"
# Ranges that the text face and its fallback both cover; most texts never need to look further.
_SURE = frozenset(map(chr, (*range(0x20, 0x7F), *range(0xA0, 0x180)))) - {"\u00ad"}
_DROPPED = {"Cf", "Mn", "Me"}  # joiners, variation selectors, marks: nothing to show when the face lacks them


class TableLayout(NamedTuple):
    """How a table is set [pt]."""

    size: float  # of the type
    panels: list[tuple[list[int], tuple[float, ...]]]  # columns and widths; more than one repeat the first column
    highest: float  # about, of a row
    height: float  # about, with caption and notes


def breakable(text: str, longest: int = _LONGEST_PIECE) -> str:
    """Return `text` with zero-width spaces in words of more than `longest` characters, after punctuation where there is some."""

    def broken(word: re.Match[str]) -> str:
        pieces: list[str] = []
        for piece in _BREAK_AFTER.split(word.group()):
            if pieces and len(pieces[-1]) + len(piece) <= longest:
                pieces[-1] += piece
            else:
                step = math.ceil(len(piece) / math.ceil(len(piece) / longest))
                pieces.extend(piece[start : start + step] for start in range(0, len(piece), step))
        return ZERO_WIDTH_SPACE.join(pieces)

    return text if len(text) <= longest else re.sub(rf"\S{{{longest + 1},}}", broken, text)


@lru_cache(maxsize=16384)
def text_width(text: str) -> float:
    """Return an upper estimate of the width of `text` [em]."""
    return sum(map(_char_width, text))


def _char_width(char: str) -> float:
    if char in _WIDTHS or char.isdigit():
        return _WIDTHS.get(char, _DIGIT)
    if ord(char) > 0x2E80:
        return _WIDE
    return _LOWER if char.islower() else _UPPER if char.isupper() else _OTHER


def _needs(table: Table, document: Document) -> Iterator[tuple[float, float]]:
    """Yield least and natural width of each column [em]: widest piece that cannot break, widest cell on one line."""
    between = re.compile(rf"[\s{ZERO_WIDTH_SPACE}]+")
    for index, column in enumerate(table.columns):
        title = breakable(spellable(document.plain(column.title)))
        cells = {breakable(spellable(document.plain(row[index]))) for row in table.rows}
        pieces = {piece for cell in cells for piece in between.split(cell)}
        heading = max(map(text_width, between.split(title))) * _BOLD
        least = max(heading, max(map(text_width, pieces), default=0.0), 1.5)
        whole = max(map(text_width, cells), default=0.0)
        if column.align == "right" and whole < 9:  # a number and its unit or interval stay on one line
            least = max(least, whole)
        # a heading of several words may take two or three lines: it need not widen its column much
        yield least, max(least, whole, text_width(title) * _BOLD / 2)


def plan(table: Table, document: Document, width: float) -> TableLayout:
    """Return how `table` is set on a page whose text area is `width` [pt] wide; `document` resolves references in cells."""
    needs = list(_needs(table, document))

    def least(columns: Sequence[int], size: float) -> float:
        return sum(needs[i][0] for i in columns) * size + GAP * (len(columns) - 1)

    groups = [[*range(len(needs))]]
    size = next((size for size in SIZES if least(groups[0], size) <= width), 0.0)
    if not size:  # groups of columns that fit, each led by the first column
        size, groups = 8.0, [[0]]
        for index in range(1, len(needs)):
            if len(groups[-1]) > 1 and least([*groups[-1], index], size) > width:
                groups.append([0])
            groups[-1].append(index)
    panels = [(group, _widths(needs, group, size, width, table.widths)) for group in groups]
    heights = []
    for columns, widths in panels:
        for row in (tuple(column.title for column in table.columns), *table.rows):
            lines = (text_width(document.plain(row[i])) * size / w for i, w in zip(columns, widths, strict=True))
            heights.append(max(math.ceil(count) or 1 for count in lines) * size * _LINE + _ROW)
    return TableLayout(size, panels, max(heights), 24.0 + 14.0 * len(table.notes) + sum(heights))


def _widths(
    needs: Sequence[tuple[float, float]],
    columns: Sequence[int],
    size: float,
    width: float,
    wanted: Sequence[float] | None,
) -> tuple[float, ...]:
    """Return column widths [pt] that sum to at most the text width."""
    room = width - GAP * (len(columns) - 1)
    least, natural = ([needs[i][kind] * size for i in columns] for kind in (0, 1))
    if sum(least) > room:  # one panel with cells beyond any width: share the room out, the words break
        return tuple(room * part / sum(least) for part in least)
    if wanted is not None:
        shares = [wanted[i] for i in columns]
        aims = [room * share / sum(shares) for share in shares]
    else:
        if sum(natural) <= room:
            stretch = min(room / sum(natural), _STRETCH)
            return tuple(part * stretch for part in natural)
        # Long texts share by the square root: a column ten times longer does not starve the others.
        aims = [low + math.sqrt(max(high - low, 0.0)) for low, high in zip(least, natural, strict=True)]
    extra = [max(aim - low, 0.0) for aim, low in zip(aims, least, strict=True)]
    spare, total = room - sum(least), sum(extra) or 1.0
    return tuple(low + spare * part / total for low, part in zip(least, extra, strict=True))


def font_folder() -> Path:
    """Return the folder of the DejaVu fonts that matplotlib brings (found without importing matplotlib)."""
    spec = find_spec("matplotlib")
    assert spec and spec.origin
    return Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"


@cache
def _covered() -> frozenset[int]:
    """Return the code points that every DejaVu face used in the PDF has."""
    from matplotlib.ft2font import FT2Font

    names = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "DejaVuSans-Oblique.ttf")
    return frozenset.intersection(*(frozenset(FT2Font(font_folder() / name).get_charmap()) for name in names))


def spellable(text: str) -> str:
    """Return `text` with each character that no font of the PDF has written as its code point, "[U+1F600]"."""
    if _SURE.issuperset(text):
        return text
    return "".join(
        char
        if char in _SURE or ord(char) in _covered()
        else ("" if unicodedata.category(char) in _DROPPED else f"[U+{ord(char):04X}]")
        for char in text
    )
