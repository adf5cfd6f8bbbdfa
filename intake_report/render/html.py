"""The HTML report: an nbconvert exporter that writes one file which needs no network and no script."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from nbconvert.exporters import Exporter, TemplateExporter

from intake_report.render.blocks import Cover, Heading
from intake_report.render.fragments import TEMPLATES, blocks_html, environment, inline_html
from intake_report.render.meta import ReportMeta
from intake_report.render.notebook import read_document
from intake_report.render.numbering import Document

if TYPE_CHECKING:
    from jinja2 import Environment
    from nbformat import NotebookNode

_CONTENTS_DEPTH = 2


class ReportHtmlExporter(TemplateExporter):
    """Export an executed notebook as one HTML page.

    `meta`: identity of the report; `annex`: write the annex in place of the body.
    """

    output_mimetype = "text/html"

    def __init__(self, meta: ReportMeta, *, annex: bool = False, **settings: Any) -> None:
        self.meta = meta
        self.annex = annex
        super().__init__(  # type: ignore[no-untyped-call]
            template_name="intake_report_html",
            template_file="index.html.j2",
            extra_template_basedirs=[str(TEMPLATES)],
            **settings,
        )

    def _file_extension_default(self) -> str:
        return ".html"

    def _create_environment(self) -> Environment:
        made: Environment = super()._create_environment()  # type: ignore[no-untyped-call]
        made.autoescape = True
        return made

    def from_notebook_node(  # type: ignore[override]
        self, nb: NotebookNode, resources: dict[str, Any] | None = None, **settings: Any
    ) -> tuple[str, dict[str, Any]]:
        """Return the page and the resources, as nbconvert asks of an exporter."""
        notebook, made = Exporter.from_notebook_node(self, nb, resources, **settings)
        document = read_document(notebook)
        cover = _cover_html(document, self.meta)
        if self.annex:
            document = document.of_annex()
        page = self.template.render(
            meta=self.meta,
            style=Markup(_css("blocks.css") + _css("intake_report_html/page.css")),
            cover="" if self.annex else cover,
            annex=self.annex,
            has_annex=bool(document.annex),
            contents=_contents(document),
            body=blocks_html(document.items, document),
        )
        return page, made


def _contents(document: Document) -> list[tuple[int, str, str, Markup]]:
    """Return level, label, number and words of the headings that the contents list names."""
    return [
        (item.level, item.target.label, item.target.number, inline_html(item.block.text, document))
        for item in document.items
        if isinstance(item.block, Heading) and item.target and item.level <= _CONTENTS_DEPTH
    ]


def cover_of(document: Document, meta: ReportMeta) -> Cover:
    """Return the notebook's cover, or a plain one from `meta` where it shows none."""
    return document.cover or Cover(meta.title, "", meta.date, str(meta.revision), "", ())


def _cover_html(document: Document, meta: ReportMeta) -> Markup:
    template = environment().get_template("cover.html.j2")
    return Markup(template.render(block=cover_of(document, meta), inline=lambda text: inline_html(text, document)))


def _css(name: str) -> str:
    return (TEMPLATES / name).read_text("utf-8")


def export_html(notebook: NotebookNode, meta: ReportMeta, *, annex: bool = False) -> str:
    """Return the report, or its annex, as one HTML page.

    Parameters
    ----------
    notebook : NotebookNode
        Executed.
    meta : ReportMeta

    Returns
    -------
    str
        Same notebook, same meta: same text. It loads nothing and holds no script.

    Raises
    ------
    DataError
        A block is refused (see the block's reader), or a cross reference has no target.
    """
    page: str = ReportHtmlExporter(meta, annex=annex).from_notebook_node(notebook)[0]
    return page if page.endswith("\n") else page + "\n"
