import nbformat
import pytest
from nbconvert.exporters import get_exporter

from intake_report.errors import DataError
from intake_report.render.exporters import HtmlExporter, PdfExporter
from render import samples


@pytest.mark.parametrize(("name", "exporter", "begin"), [("html", HtmlExporter, "<!"), ("pdf", PdfExporter, b"%PDF")])
def test_an_executed_notebook_is_exported_as_a_draft(name, exporter, begin):
    assert exporter.export_from_notebook  # its name in the menu of JupyterLab
    assert get_exporter(f"intake-report-{name}") is exporter
    output, resources = exporter().from_notebook_node(samples.notebook(*samples.sample_blocks()))
    assert output[: len(begin)] == begin
    assert resources["output_extension"] == f".{name}"
    if name == "html":
        assert "DRAFT" in output and "exported from a notebook" in output
        assert samples.sample_blocks()[0].title in output


def test_a_notebook_that_did_not_run_is_refused():
    with pytest.raises(DataError, match="Run it before exporting it"):
        HtmlExporter().from_notebook_node(nbformat.v4.new_notebook())
