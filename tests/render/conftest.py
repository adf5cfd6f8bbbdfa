"""The sample report, exported once for all tests of the exporters."""

from pathlib import Path

import pytest

from intake_report.render.html import export_html
from intake_report.render.typst import export_pdf

from . import samples


@pytest.fixture
def result(demo):
    return demo.chain.result


@pytest.fixture(scope="session")
def sample():
    return samples.document(*samples.sample_blocks())


@pytest.fixture(scope="session")
def page(sample) -> str:
    return export_html(sample, samples.META)


@pytest.fixture(scope="session")
def pdf(sample, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("pdf")
    path = folder / "report.pdf"
    path.write_bytes(export_pdf(sample, samples.META, samples.ATTACHMENTS, folder / "project"))
    return path
