"""The PDF report: an nbconvert exporter that writes Typst source, and its compilation to PDF/A-3a with PDF/UA-1."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from nbconvert.exporters import Exporter, TemplateExporter

from intake_report.errors import DataError
from intake_report.render.blocks import Figure
from intake_report.render.fonts import font_folder
from intake_report.render.fragments import TEMPLATES
from intake_report.render.html import cover_of
from intake_report.render.meta import Attachment, ReportMeta
from intake_report.render.notebook import read_document
from intake_report.render.svg import clean_svg
from intake_report.render.typst_source import body_source, cover_source, string

if TYPE_CHECKING:
    from nbformat import NotebookNode

STANDARDS: list[Literal["a-3a", "ua-1"]] = ["a-3a", "ua-1"]
_PAPERS = {"a4": ("a4", 595.28), "letter": ("us-letter", 612.0)}  # Typst's name, width [pt]
_MARGIN = 62.36  # 22 mm [pt], as in report.typ
_STYLE = TEMPLATES / "intake_report_typst" / "report.typ"


class ReportTypstExporter(TemplateExporter):
    """Export an executed notebook as Typst source; figures come back among the resources' outputs.

    Parameters
    ----------
    meta : ReportMeta
    attachments : sequence of Attachment
        Named in the source; the files themselves are the caller's to write.
    """

    output_mimetype = "text/x-typst"

    def __init__(self, meta: ReportMeta, attachments: Sequence[Attachment] = (), **settings: Any) -> None:
        self.meta = meta
        self.attachments = tuple(attachments)
        super().__init__(  # type: ignore[no-untyped-call]
            template_name="intake_report_typst",
            template_file="index.typ.j2",
            extra_template_basedirs=[str(TEMPLATES)],
            **settings,
        )

    def _file_extension_default(self) -> str:
        return ".typ"

    def from_notebook_node(  # type: ignore[override]
        self, nb: NotebookNode, resources: dict[str, Any] | None = None, **settings: Any
    ) -> tuple[str, dict[str, Any]]:
        """Return the source and the resources (`outputs`: file name → bytes), as nbconvert asks of an exporter."""
        notebook, made = Exporter.from_notebook_node(self, nb, resources, **settings)
        document = read_document(notebook)
        paper, width = _PAPERS[self.meta.paper]
        source = self.template.render(
            meta=self.meta,
            day=self.meta.timestamp,
            paper=paper,
            attachments=self.attachments,
            string=string,
            cover=cover_source(cover_of(document, self.meta), document),
            body=body_source(document, width - 2 * _MARGIN),
        )
        made["outputs"] = {
            f"figures/{item.block.label}.svg": clean_svg(item.block.svg, item.block.label).encode("utf-8")
            for item in document.items
            if isinstance(item.block, Figure)
        }
        return source, made


def export_pdf(notebook: NotebookNode, meta: ReportMeta, attachments: Sequence[Attachment], scratch: Path) -> bytes:
    """Return the report as PDF.

    Parameters
    ----------
    notebook : NotebookNode
        Executed.
    meta : ReportMeta
    attachments : sequence of Attachment
        Carried inside the PDF with their bytes unchanged.
    scratch : Path
        Folder for the Typst project; made when absent, left for inspection.

    Returns
    -------
    bytes
        PDF/A-3a and PDF/UA-1, as the compiler checks them. Same arguments, same bytes.

    Raises
    ------
    DataError
        A block is refused, or the compiler reports an error or a warning.
    """
    source, resources = ReportTypstExporter(meta, attachments).from_notebook_node(notebook)
    files = {f"attachments/{item.name}": item.data for item in attachments}
    if len(files) != len(attachments):
        raise DataError("Two attachments of the PDF carry one name.")
    files |= resources["outputs"] | {"main.typ": source.encode("utf-8")}
    for name, data in files.items():
        path = scratch / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    shutil.copyfile(_STYLE, scratch / "report.typ")
    return _compile(scratch, meta)


def _compile(project: Path, meta: ReportMeta) -> bytes:
    import typst

    try:
        made, warnings = typst.compile_with_warnings(  # type: ignore[call-overload]
            project / "main.typ",
            root=project,
            format="pdf",
            font_paths=[font_folder()],
            ignore_system_fonts=True,
            pdf_standards=STANDARDS,
            timestamp=meta.timestamp,
        )
    except typst.TypstError as error:
        hints = "".join(f" Hint: {hint}." for hint in error.hints)
        raise DataError(
            f"The PDF could not be made: {' '.join(error.message.split())}.{hints}", file=project / "main.typ"
        ) from None
    if warnings:
        texts = "; ".join(sorted({str(warning).splitlines()[0] for warning in warnings}))
        raise DataError(f"The PDF was refused because its compiler warned: {texts}.", file=project / "main.typ")
    return bytes(made)
