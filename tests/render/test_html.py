"""The HTML page: structure, links, hostile text stays text; `test_report_texts` looks at a whole report."""

import re
from collections import Counter

import pytest
from bs4 import BeautifulSoup

from intake_report.errors import DataError
from intake_report.render.blocks import Figure, Paragraph
from intake_report.render.html import export_html

from . import samples


@pytest.fixture(scope="module")
def parsed(page) -> BeautifulSoup:
    return BeautifulSoup(page, "html.parser")


def test_structure(parsed):
    assert parsed.html["lang"] == "en"
    policy = parsed.find("meta", {"http-equiv": "Content-Security-Policy"})["content"]
    assert "default-src 'none'" in policy and "script-src" not in policy
    counts = {"main": 1, "h1": 1, "figure": 2, "caption": 3, "table": 3, "[role=img][aria-label]": 2, "[role=img]": 2}
    assert {name: len(parsed.select(name)) for name in counts} == counts
    assert {cell.get("scope") for cell in parsed.select("th")} == {"col", "row"}


def test_every_link_has_its_target_and_ids_are_unique(parsed):
    ids = Counter(tag["id"] for tag in parsed.select("[id]"))
    assert max(ids.values()) == 1
    targets = {tag["href"][1:] for tag in parsed.select("a")}
    assert len(targets) >= 3 and targets <= set(ids)


def test_hostile_text_is_text():
    text = export_html(samples.document(Paragraph("a[[0]] [[ x ]] [[]]")), samples.META)
    assert "a[[0]] [[ x ]] [[]]" in text
    page = BeautifulSoup(export_html(samples.document(*samples.hostile_blocks()), samples.META), "html.parser")
    assert not page.select("script")
    words = page.get_text()
    for hostile in samples.HOSTILE:
        assert words.count(re.sub("[\x00-\x08]", "\ufffd", hostile).replace("\u202e", "")) >= 8, hostile


def test_drawing_that_runs_is_refused_at_export():
    svg = '<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'
    with pytest.raises(DataError, match="script"):
        export_html(samples.document(Figure("fig-a", "c", "alt", svg)), samples.META)


def test_notebook_without_blocks_is_refused():
    with pytest.raises(DataError, match="no report blocks"):
        export_html(samples.document(), samples.META)
