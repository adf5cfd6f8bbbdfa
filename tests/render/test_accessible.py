"""Accessibility of the pages by axe-core at the width of a desk and of a telephone."""

import re

import pypdf
import pytest
from axe import asked, chromium, opened, violations

FAULTY = """<!DOCTYPE html><html><head><title>x</title></head><body><main><h1>x</h1><p style="color: #ccc; background: #fff">pale</p>
<img src="data:,"><div style="width: 30rem">wide</div></main></body></html>"""


def test_the_instrument_sees_what_is_wrong(tmp_path):
    page = tmp_path / "faulty.html"
    page.write_text(FAULTY)
    found = violations(page, 400)
    assert {line.split()[0] for line in found} == {"html-has-lang", "color-contrast", "image-alt", "the"}
    assert not any(line.startswith("the page") for line in violations(page, 1280))
    page.write_text(f"{FAULTY}<img src='http://intake-report.invalid/pixel.png'><script>nowhere()</script>")
    loaded, console, _ = opened(page)
    assert "http://intake-report.invalid/pixel.png" in loaded and "nowhere" in console


@pytest.mark.parametrize(("width", "dark"), [(1280, False), (400, True)])
def test_report_has_no_violation(small, width, dark):
    assert violations(small.report.folder / "report.html", width, dark=dark) == []


@pytest.fixture(params=["report.html", "annex.html"])
def unfolded(request, report, tmp_path):
    """A page of the large report with its closed sections open."""
    path = tmp_path / request.param
    path.write_text((report.folder / path.name).read_text("utf-8").replace("<details>", "<details open>"), "utf-8")
    return path


@pytest.mark.slow
@pytest.mark.parametrize(("width", "dark"), [(1280, True), (400, False)])
def test_large_report_has_no_violation(unfolded, width, dark):
    assert violations(unfolded, width, dark=dark) == []


SILENT = """[400, 700, 850, 1000, 1280].flatMap((width) => {
  page.frameElement.style.width = width + "px";
  const wide = [...page.document.querySelectorAll(".scroll")].filter((box) => box.scrollWidth > box.clientWidth + 1);
  const says = (box) => [...box.parentElement.querySelectorAll(".hint")].some((hint) => hint.offsetWidth);
  return wide.filter((box) => !says(box) || (width == 400 && box.closest(".table"))).map((box) => width + " px: " + box.ariaLabel);
})"""


def test_no_table_scrolls_without_saying_so(unfolded):
    """And none scrolls at all on a telephone, where each row has become a card."""
    assert asked(unfolded, 1280, SILENT) == []


@pytest.mark.slow
def test_what_decides_lies_open_and_the_rest_is_found_and_printed(report, tmp_path):
    """Closed sections hold no part of the decision; a link to something inside opens its section; print opens all."""
    closed = "".join(re.findall(r"<details>.*?</details>", report.html, re.DOTALL))
    for label in ("tab-verdict", "tab-claims", "fig-decision", "sec-bounds", "tab-signatures"):
        assert f'id="{label}"' in report.html and f'id="{label}"' not in closed
    page = report.folder / "report.html"
    opens = "new Promise((done) => {{ page.location.hash = '{0}'; page.setTimeout(() => done(page.document.getElementById('{0}').checkVisibility()), 500); }})"
    seen = "page.document.getElementById('tab-results').checkVisibility({contentVisibilityAuto: true})"
    assert asked(page, 1280, seen) is False
    assert asked(page, 1280, opens.format("tab-results")) is True
    made = tmp_path / "printed.pdf"
    chromium(f"--print-to-pdf={made}", page.as_uri())
    text = " ".join(sheet.extract_text() for sheet in pypdf.PdfReader(made).pages)
    assert "Runs against acceptance criteria" in text and "A run is never worth a risk" in text
