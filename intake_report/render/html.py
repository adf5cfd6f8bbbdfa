"""The HTML report: one file that needs no network and no script."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from markupsafe import Markup

from intake_report.render.blocks import Cover, Heading
from intake_report.render.fragments import TEMPLATES, blocks_html, environment, inline_html
from intake_report.render.meta import ReportMeta
from intake_report.render.numbering import Document, Item

LAST_DECIDING = "sec-bounds"  # the section up to which everything lies open, as on the first two pages of the PDF


def export_html(document: Document, meta: ReportMeta) -> str:
    """Return a report, or what its `of_annex` returned, as one HTML page that loads nothing and holds no script.

    Same document, same meta: same text. Raises DataError: a block is refused, or a cross reference has no target.
    """
    parts = list(_sections(document.items))
    labels = [part[0].target.label if part and part[0].target else "" for part in parts]
    first = labels.index(LAST_DECIDING) + 1 if LAST_DECIDING in labels else 1
    page = environment().get_template("page.html.j2").render(
        meta=meta,
        document=document,
        block=cover_of(document, meta),
        inline=lambda text: inline_html(text, document),
        style=Markup("".join((TEMPLATES / name).read_text("utf-8") for name in ("blocks.css", "page.css"))),
        open=not document.is_annex and LAST_DECIDING not in labels,
        front=blocks_html([item for part in parts[:first] for item in part], document),
        sections=[(part[0], blocks_html(part[1:], document)) for part in parts[first:]],
    )  # fmt: skip
    return page if page.endswith("\n") else page + "\n"


def _sections(items: Sequence[Item]) -> Iterator[list[Item]]:
    """Yield what comes before the first section, then each section with its heading first."""
    part: list[Item] = []
    for item in items:
        if isinstance(item.block, Heading) and item.level == 1:
            yield part
            part = []
        part.append(item)
    yield part


def cover_of(document: Document, meta: ReportMeta) -> Cover:
    """Return the notebook's cover, or a plain one where it shows none, with what `meta` says of the issue."""
    cover = document.cover or Cover(meta.title, "", meta.date, "", "", ())
    return replace(cover, revision=meta.issue)
