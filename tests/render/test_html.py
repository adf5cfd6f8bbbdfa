"""The HTML page: one file, no network, no script; structure; hostile text stays text."""

from __future__ import annotations

import json
import re
import subprocess
from collections import Counter

import pytest
from axe import browser
from bs4 import BeautifulSoup

from intake_report.errors import DataError
from intake_report.render.blocks import Figure, Paragraph
from intake_report.render.html import export_html

from . import samples


@pytest.fixture(scope="module")
def parsed(page) -> BeautifulSoup:
    return BeautifulSoup(page, "html.parser")


def test_nothing_is_loaded_and_nothing_runs(page, parsed):
    for tag in parsed.find_all(True):
        assert tag.name not in {"script", "iframe", "object", "embed", "base"}
        for name, value in tag.attrs.items():
            assert not name.startswith("on")
            if name in {"src", "href", "action", "srcset", "poster"}:
                assert value.startswith(("#", "data:")), (tag.name, name, value[:60])
    assert all(target.startswith("#") for target in re.findall(r"url\(([^)]*)\)", page))
    assert "@import" not in page
    policy = parsed.find("meta", {"http-equiv": "Content-Security-Policy"})
    assert "default-src 'none'" in policy["content"]
    assert "script-src" not in policy["content"]


def test_structure(parsed):
    assert parsed.html["lang"] == "en"
    counts = {"main": 1, "h1": 1, "figure": 2, "caption": 3, "table": 3, "[role=img][aria-label]": 2, "[role=img]": 2}
    assert {name: len(parsed.select(name)) for name in counts} == counts
    assert {cell.get("scope") for cell in parsed.select("th")} == {"col", "row"}


def test_every_link_has_its_target_and_ids_are_unique(parsed):
    ids = Counter(tag["id"] for tag in parsed.select("[id]"))
    assert max(ids.values()) == 1
    targets = {tag["href"][1:] for tag in parsed.select("a")}
    assert len(targets) >= 3
    assert targets <= set(ids)


def test_captions_and_references_are_numbered_and_code_stays_out(page):
    assert "<b>Figure 1.</b> Intake air temperature" in page
    assert "<b>Table 2.</b> Differences" in page
    assert '<a href="#fig-iat">Figure 1</a>' in page
    assert '<a href="#sec-results">Section 3</a>' in page
    assert not any(words in page for words in ("show_it", "CAMPAIGN", "For the analyst."))


def test_hostile_text_is_text():
    text = export_html(samples.document(Paragraph("a[[0]] [[ x ]] [[]]")), samples.META)
    assert "a[[0]] [[ x ]] [[]]" in text
    page = BeautifulSoup(export_html(samples.document(*samples.hostile_blocks()), samples.META), "html.parser")
    assert not page.select("script")
    words = page.get_text()
    for hostile in samples.HOSTILE:
        expected = re.sub("[\x00-\x08]", "\ufffd", hostile).replace("\u202e", "")
        assert words.count(expected) >= 8, hostile


def test_drawing_that_runs_is_refused_at_export():
    svg = '<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'
    with pytest.raises(DataError, match="script"):
        export_html(samples.document(Figure("fig-a", "c", "alt", svg)), samples.META)


def test_notebook_without_blocks_is_refused():
    with pytest.raises(DataError, match="no report blocks"):
        export_html(samples.document(), samples.META)


def _open_in_browser(browser: str, path, folder) -> tuple[list[str], str, str]:
    """Return the addresses that the page asked for, the browser's console lines, and the final document."""
    log = folder.with_suffix(".json")
    done = subprocess.run(
        [
            browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
            "--enable-logging=stderr", f"--user-data-dir={folder}", f"--log-net-log={log}",
            "--dump-dom", path.as_uri(),
        ],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    events = json.loads(log.read_text("utf-8"))
    start = events["constants"]["logEventTypes"]["URL_REQUEST_START_JOB"]
    asked = [
        event["params"]["url"]
        for event in events["events"]
        # The browser's own calls (time, updates) have no page as their initiator.
        if event["type"] == start and event.get("params", {}).get("initiator", "not an origin") != "not an origin"
    ]
    return asked, "\n".join(line for line in done.stderr.splitlines() if "CONSOLE" in line), done.stdout


def test_browser_makes_no_request_and_reports_no_error(page, tmp_path):
    program = browser()
    control = tmp_path / "control.html"  # the same instrument has to see a page that does load and complain
    control.write_text(
        "<!DOCTYPE html><title>x</title><img src='http://intake-report.invalid/pixel.png'><script>nowhere()</script>"
    )
    asked, console, _ = _open_in_browser(program, control, tmp_path / "profile-1")
    assert "http://intake-report.invalid/pixel.png" in asked
    assert "nowhere" in console

    path = tmp_path / "report.html"
    path.write_text(page, "utf-8")
    asked, console, document = _open_in_browser(program, path, tmp_path / "profile-2")
    assert asked == []
    assert console == ""
    assert "Intake air temperature of three configurations" in document
