"""Blocks as HTML: shown in a notebook, and the report as one page that needs no network and no script."""

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from intake_report.render import blocks
from intake_report.render.blocks import Block, Column, Cover, Figure, Heading, Table
from intake_report.render.document import Document, Item, ReportMeta, number_so_far

TEMPLATES = Path(__file__).parent / "templates"
LAST_DECIDING = "sec-bounds"  # the section up to which everything lies open, as on the first two pages of the PDF
# A column whose longest cell passes this many characters may wrap; the others keep their cells on one line.
_WRAP_FROM = 24
# Widths of a window [rem] below which a table says that it scrolls; below the least of them it turns into cards.
_HINTS = (40, 44, 48, 52, 56)
# Widths of a character and of a cell's padding [rem]: what a browser with the wide DejaVu Sans needs, and a tenth more.
_CHARACTER, _PADDING = 0.52, 1.05

# What a notebook looks like that JupyterLab does not trust, opened where it did not run: style sheets are stripped from its
# outputs and these attributes kept. Colours are those of the sheet; text keeps the colour of the theme.
_CALLOUT = "padding: 0.7em 1em; margin: 1.2em 0; border-left: 4px solid"
_KEPT = tuple((re.compile(tag), style) for tag, style in (
    (r'<th scope="col" class="(left|right|center)"|<td class="(left|right|center)[^"]*"',
     r"text-align: \1\2; vertical-align: top"),
    (r'<th scope="row" class="(left|right|center)[^"]*"', r"text-align: \1; vertical-align: top; font-weight: 400"),
    ("<caption", "text-align: left; padding: 0 0 0.5em"),
    ('<p class="table-note"', "font-size: 0.8rem; margin: 0.45em 0 0"),
    ('<div class="callout caution"', f"{_CALLOUT} #9a3412"),
    ('<div class="callout limitation"', f"{_CALLOUT} #6b5a1e"),
    ('<div class="callout note"', f"{_CALLOUT} #1f4e6b"),
    ('<p class="(?:title|kicker)"', "font-weight: 600; margin: 0 0 0.4em"),
    ('<span class="(?:tone|number)"|<time', "margin-right: 0.5em"),
    ('<ol class="answer"', "list-style-type: none; padding: 0 0 0 1rem; border-left: 4px solid #1f4e6b"),
    ("<figcaption", "font-size: 0.9rem; max-width: 46rem"),
))  # fmt: skip


@cache
def _environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=StrictUndefined
    )  # fmt: skip
    made.filters["printable"] = blocks.printable
    made.globals |= {"cell_class": _cell_class, "hint_class": _hint_class}
    return made


def _inline(text: str, document: Document) -> Markup:
    made = Markup("")
    for span in blocks.parse(text):
        part = escape(document.words(span.text) if span.reference else span.text)
        if span.reference and span.text not in document.withheld:
            target = document.reference(span.text)
            page = "" if not document.elsewhere(target) else "report.html" if document.is_annex else "annex.html"
            part = Markup('<a href="{}#{}">{}</a>').format(page, target.label, part)
        for tag, set_so in (("code", span.code), ("em", span.italic), ("strong", span.bold)):
            part = Markup(f"<{tag}>{{}}</{tag}>").format(part) if set_so else part
        made += part
    return made


def _blocks_html(items: Sequence[Item], document: Document, *, cell: bool = False) -> Markup:
    # in a cell of a notebook drawings are outputs of their own
    template = _environment().get_template("blocks.html.j2")
    return Markup(template.render(items=items, cell=cell, inline=lambda text: _inline(text, document)))


def cell_html(shown: Sequence[Block], document: Document) -> str:
    """Return blocks as the HTML of a notebook cell, with styles; `document` has all that the notebook has shown."""
    # every rule weighs more than those that the notebook's program has for tables and lists
    style = (TEMPLATES / "blocks.css").read_text("utf-8").replace(".report ", ".report:not(#_) ")
    numbered = {id(item.block): item for item in (*document.items, *document.annex)}
    body = str(_blocks_html([numbered.get(id(block), Item(block)) for block in shown], document, cell=True))
    for tag, kept in _KEPT:
        body = tag.sub(lambda found, kept=kept: f'{found[0]} style="{found.expand(kept)}"', body)  # type: ignore[misc]
    return f'<style>{style}</style>\n<div class="report report-cell" style="max-width: 52rem">\n{body}</div>\n'


def _cell_class(table: Table, index: int, column: Column) -> str:
    longest = max((len(row[index]) for row in table.rows), default=0)
    return f"{column.align} wrap" if longest > _WRAP_FROM else column.align


def _hint_class(table: Table) -> str:
    """Return the class of the remark that a table is wider than its window; empty for one that always fits."""
    least = 0.0
    for index, column in enumerate(table.columns):
        whole = "wrap" not in _cell_class(table, index, column) and (index == 0 or column.align == "right")
        cells = [blocks.plain(row[index]) for row in table.rows]
        words = [*(cells if whole else " ".join(cells).split()), *blocks.plain(column.title).split()]
        least += _CHARACTER * max(map(len, words), default=0) + _PADDING
    wide = next((f"below-{step}" for step in _HINTS if least <= step), "always")
    return "" if least <= _HINTS[0] else wide


def export_html(document: Document, meta: ReportMeta) -> str:
    """Return a report, or what its `of_annex` returned, as one HTML page that loads nothing and holds no script."""
    parts: list[list[Item]] = [[]]  # what comes before the first section, then each section with its heading first
    for item in document.items:
        if isinstance(item.block, Heading) and item.level == 1:
            parts.append([])
        parts[-1].append(item)
    labels = [part[0].target.label if part and part[0].target else "" for part in parts]
    first = labels.index(LAST_DECIDING) + 1 if LAST_DECIDING in labels else 1
    return _environment().get_template("page.html.j2").render(
        meta=meta,
        document=document,
        block=cover_of(document, meta),
        inline=lambda text: _inline(text, document),
        style=Markup("".join((TEMPLATES / name).read_text("utf-8") for name in ("blocks.css", "page.css"))),
        open=not document.is_annex and LAST_DECIDING not in labels,
        front=_blocks_html([item for part in parts[:first] for item in part], document),
        sections=[(part[0], _blocks_html(part[1:], document)) for part in parts[first:]],
    ) + "\n"  # fmt: skip


def cover_of(document: Document, meta: ReportMeta) -> Cover:
    """Return the notebook's cover, or a plain one where it shows none, with what `meta` says of the issue."""
    cover = document.cover or Cover(meta.title, "", meta.date, "", "", ())
    return replace(cover, revision=meta.issue)


_SHOWN: dict[str, Block] = {}  # of this kernel, in the order of first showing: a cell that runs again keeps its numbers


def mime_bundle(*shown: Block) -> dict[str, Any]:
    """Return the output of one cell by MIME type: the blocks as JSON, text/html and text/plain."""
    made: dict[str, Any] = {blocks.MIME_TYPE: blocks.bundle(shown), "text/plain": ", ".join(map(_describe, shown))}
    # what tells a block from the others, also when its cell runs again with other data
    _SHOWN.update((getattr(one, "label", None) or f"{one.kind} {getattr(one, 'text', '')}", one) for one in shown)
    visible = [block for block in shown if block.kind not in ("annex", "data")]
    # JupyterLab shows no drawing inside HTML that it does not trust
    if len(shown) == 1 and isinstance(shown[0], Figure):
        made["image/svg+xml"] = shown[0].svg
    elif visible:
        made["text/html"] = cell_html(visible, number_so_far(tuple(_SHOWN.values())))
    return made


def show(*shown: Block) -> None:
    """Display `blocks` in the running notebook, in reading order, a figure as an output of its own."""
    from IPython.display import display

    for alone, group in groupby(shown, key=lambda block: isinstance(block, Figure)):
        run = tuple(group)
        for part in [(block,) for block in run] if alone else [run]:
            display(mime_bundle(*part), raw=True)  # type: ignore[no-untyped-call]
            if alone:
                display(caption(part[0]), raw=True)  # type: ignore[no-untyped-call]


def caption(figure: Block) -> dict[str, Any]:
    """Return the output below the drawing of a figure: its number and caption, and what can be seen for who cannot."""
    html = cell_html([figure], number_so_far(tuple(_SHOWN.values())))
    return {"text/html": html, "text/plain": f"caption of {_describe(figure)}"}


def _describe(block: Block) -> str:
    name = next(filter(None, (getattr(block, key, "") for key in ("label", "name", "title"))), "")
    return f"<{block.kind} {name}>" if name else f"<{block.kind}>"
