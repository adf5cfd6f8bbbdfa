"""Drafts of the report as nbconvert exporters, for JupyterLab's menu and the bare `jupyter nbconvert`; `publish` issues."""

import tempfile
from datetime import date
from pathlib import Path
from typing import Any

from nbconvert.exporters import Exporter

from intake_report.render.document import Document, ReportMeta
from intake_report.render.html import export_html
from intake_report.render.notebook import read_document
from intake_report.render.typst import export_pdf


def _draft(notebook: Any, resources: Any) -> tuple[Document, ReportMeta]:
    document = read_document(notebook)
    name = resources["metadata"].get("name") or "notebook"
    notice = "A draft, exported from a notebook: not issued, without a revision number."
    title = document.cover.title if document.cover else name
    return document, ReportMeta(name, title, date.today().isoformat(), 0, notice=notice)


class HtmlExporter(Exporter):
    """The body of the report as one HTML page that needs no network."""

    export_from_notebook = "Intake report, HTML draft"
    output_mimetype = "text/html"
    file_extension = ".html"

    def from_notebook_node(self, nb: Any, resources: Any = None, **more: Any) -> tuple[str, Any]:  # type: ignore[override]
        """Return the page, and the resources of the export."""
        nb, resources = super().from_notebook_node(nb, resources, **more)
        return export_html(*_draft(nb, resources)), resources


class PdfExporter(Exporter):
    """The body of the report as PDF/A-3a and PDF/UA-1."""

    export_from_notebook = "Intake report, PDF draft"
    output_mimetype = "application/pdf"
    file_extension = ".pdf"

    def from_notebook_node(self, nb: Any, resources: Any = None, **more: Any) -> tuple[bytes, Any]:  # type: ignore[override]
        """Return the file, and the resources of the export."""
        nb, resources = super().from_notebook_node(nb, resources, **more)
        with tempfile.TemporaryDirectory() as scratch:
            return export_pdf(*_draft(nb, resources), (), Path(scratch)), resources
