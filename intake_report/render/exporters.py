"""The report of an executed notebook as nbconvert exporters, for JupyterLab's export menu and the bare `jupyter nbconvert`.

What they write is a draft: reports are issued by `publish`, which exports with the same functions.
"""

from __future__ import annotations

import tempfile
from datetime import date
from pathlib import Path
from typing import Any

from nbconvert.exporters import Exporter

from intake_report.render.html import export_html
from intake_report.render.meta import ReportMeta
from intake_report.render.notebook import read_document
from intake_report.render.numbering import Document
from intake_report.render.typst import export_pdf


class _DraftExporter(Exporter):
    """Export the body of the report that an executed notebook shows. DataError: it shows none, or a block is refused."""

    def from_notebook_node(  # type: ignore[override]  # a text or bytes, as every exporter returns
        self, nb: Any, resources: Any = None, **more: Any
    ) -> tuple[str | bytes, Any]:
        nb, resources = super().from_notebook_node(nb, resources, **more)
        document = read_document(nb)
        name = resources["metadata"].get("name") or "notebook"
        notice = "A draft, exported from a notebook: not issued, without a revision number."
        title = document.cover.title if document.cover else name
        return self._exported(document, ReportMeta(name, title, date.today().isoformat(), 0, notice=notice)), resources

    def _exported(self, document: Document, meta: ReportMeta) -> str | bytes:
        raise NotImplementedError


class HtmlExporter(_DraftExporter):
    """The body of the report as one HTML page that needs no network."""

    export_from_notebook = "Intake report, HTML draft"
    output_mimetype = "text/html"
    file_extension = ".html"

    def _exported(self, document: Document, meta: ReportMeta) -> str:
        return export_html(document, meta)


class PdfExporter(_DraftExporter):
    """The body of the report as PDF/A-3a and PDF/UA-1."""

    export_from_notebook = "Intake report, PDF draft"
    output_mimetype = "application/pdf"
    file_extension = ".pdf"

    def _exported(self, document: Document, meta: ReportMeta) -> bytes:
        with tempfile.TemporaryDirectory() as scratch:
            return export_pdf(document, meta, (), Path(scratch))
