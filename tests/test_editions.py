"""What goes out beside an issued report: the customer edition, drafts, slides, the summary, the tables of results.json."""

import json
import re
import shutil
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import nbformat
import pytest
from conftest import DATE, Report, Small, plain, shared_demo
from PIL import Image

from intake_report import publish as module
from intake_report.errors import DataError
from intake_report.provenance import MANIFEST, damages, issued_reports, read_manifest
from intake_report.publish import extract, publish, publish_draft, publish_extract
from intake_report.render.blocks import plain as unmarked
from intake_report.render.notebook import read_document, record_tables
from intake_report.results.text import results_json


@pytest.fixture
def issued(small: Small, executed: None, tmp_path: Path) -> module.Published:
    """A report of a few pages, issued."""
    return publish(small.file, tmp_path / "out", DATE)


def test_draft_is_marked_on_every_page_takes_no_number_and_is_overwritten(small, executed, tmp_path, request):
    made = publish_draft(small.file, tmp_path / "drafts", DATE)
    draft = Report(made.folder)
    assert made.folder == tmp_path / "drafts" / "small-trial" and made.state == "draft"
    assert not (made.folder / MANIFEST).exists()
    assert all("DRAFT" in text.replace(" ", "") for text in (*draft.sheets, *draft.annex.sheets))
    for page in (draft.page, draft.annex.page):
        assert ">DRAFT<" in str(page) and page.title.text.startswith("DRAFT")
        assert not re.search(r"[Rr]evision \d", page.get_text())
    request.getfixturevalue("finished")
    assert publish_draft(small.file, tmp_path / "drafts", DATE) == made
    assert Report(made.folder).html != draft.html
    assert [path.name for path in (tmp_path / "drafts").iterdir()] == ["small-trial"]


def test_draft_never_takes_the_place_of_reports(small, issued):
    before = sorted(issued.folder.rglob("*"))
    with pytest.raises(DataError, match=r"no draft and will not be overwritten\. Name another --out"):
        publish_draft(small.file, issued.folder.parents[1], DATE)
    assert sorted(issued.folder.rglob("*")) == before


def test_extract_names_the_full_report_and_is_no_revision(small, issued):
    made = publish_extract(issued, small.file)
    assert made.folder == issued.folder.with_name(f"{DATE}-customer")
    assert publish_extract(issued, small.file).state == "unchanged"
    digest = read_manifest(issued.folder)["sha256"]
    sentence = f"campaign small-trial, {DATE}, revision 1, SHA-256 of its manifest {digest}"
    edition = Report(made.folder)
    assert sentence in edition.html_text and sentence in (made.folder / "summary.md").read_text("utf-8")
    assert sentence.replace(" ", "") in edition.pdf_text.replace(" ", "")
    assert all("EXTRACT" in text.replace(" ", "") for text in (*edition.sheets, *edition.annex.sheets))
    assert not edition.pdf.attachments
    assert {path.name for path in made.folder.iterdir()} == {
        "report.html", "report.pdf", "annex.html", "annex.pdf", "summary.md", "slides", MANIFEST,
    }  # fmt: skip
    home = issued.folder.parent
    assert [report["folder"] for report in issued_reports(home)[0]] == [DATE]
    changed = shutil.copytree(small.file.parent, home.parents[1] / "changed") / small.file.name
    changed.write_text(changed.read_text("utf-8").replace('title = "', 'title = "Second: ', 1), "utf-8")
    (home / module.ORIGIN).unlink()
    assert publish(changed, home.parent, DATE).revision == 2


def test_extract_can_be_verified(small, issued):
    made = publish_extract(issued, small.file)
    assert list(damages(made.folder)) == []
    with (made.folder / "report.html").open("a") as page:
        page.write(" ")
    with (issued.folder / MANIFEST).open("a") as manifest:
        manifest.write(" ")
    assert [sentence.partition(": ")[2] for sentence in damages(made.folder)] == [
        "the file was changed after it was issued.",
        "the manifest of the full report is not the one that this extract was made of.",
    ]
    with pytest.raises(DataError, match="Move it away to make the extract again"):
        publish_extract(issued, small.file)
    (issued.folder / "report.html").unlink()
    with pytest.raises(DataError, match="No extract is made of it"):
        publish_extract(issued, small.file)


@pytest.fixture(scope="module")
def document(report):
    return read_document(nbformat.read(report.folder / "executed.ipynb", as_version=4))


def test_extract_leaves_out_what_is_internal(demo, document):
    made = extract(document, demo.campaign)
    labels = {item.target.label for item in (*made.items, *made.annex) if item.target}
    assert made.withheld >= {"sec-provenance", "sec-quality", "tab-signatures", "tab-quality", "tab-inputs"}
    assert labels >= {"tab-verdict", "tab-claims", "fig-decision", "sec-limitations", "tab-limitations"}
    trials = next(item.block for item in made.annex if item.target and item.target.label == "tab-trials")
    assert "Inspector" not in [column.title for column in trials.columns]
    assert made.words("sec-quality") == f"{document.reference('sec-quality').name} of the full report"
    assert made.reference("tab-limitations") == document.reference("tab-limitations")  # numbers stay


def test_name_in_a_text_is_refused(demo, document):
    about = demo.campaign.about.model_copy(update={"prepared_by": "snorkel"})
    with pytest.raises(DataError, match="the customer edition would print “snorkel”"):
        extract(document, demo.campaign.model_copy(update={"about": about}))


def test_slides_are_wide_and_whole(report):
    slides = sorted((report.folder / "slides").iterdir())
    assert [path.name for path in slides] == ["fig-decision.png", "fig-dots.png", "fig-recovery.png"]
    for path in slides:
        with Image.open(path) as image:
            assert abs(image.width / image.height - 16 / 9) < 0.001 and image.width == 3000  # 10 in at 300 dpi
            assert [round(dots) for dots in image.info["dpi"]] == [300, 300]
            edge = 60  # pixels, 5 mm: the margins are wider
            inner = image.convert("L").crop((edge, edge, image.width - edge, image.height - edge))
            whole = image.convert("L")
            whole.paste(255, (edge, edge, image.width - edge, image.height - edge))
            assert whole.getextrema() == (255, 255) and inner.getextrema()[0] < 60


def test_summary_has_answer_verdicts_and_limitations(report, document):
    text = (report.folder / "summary.md").read_text("utf-8")
    shown = plain(re.sub(r"\\(.)|\*", r"\1", text))
    for sentence in (*document.cover.answer[:-1], document.cover.question):
        assert plain(unmarked(sentence)) in shown
    for limitation in report.results["limitations"]:
        assert plain(limitation["text"]) in shown
    rows = [line for line in text.splitlines() if line.startswith("| ")]
    assert len(rows) == 1 + len(report.results["configurations"])
    assert len({line.count("|") - line.count("\\|") for line in rows}) == 1


def numbers(node: object) -> Iterator[float]:
    """Give the numbers of a JSON value; keys that end in "_parts" are left out: their numbers are those of the sentence beside."""
    if isinstance(node, dict):
        node = [value for name, value in node.items() if not name.endswith("_parts")]
    if isinstance(node, list):
        for value in node:
            yield from numbers(value)
    elif not isinstance(node, bool | str | None):
        yield float(node)


@pytest.mark.parametrize("id", ["ramp-trial", "small-trial", pytest.param("tandem", marks=pytest.mark.slow)])
def test_every_number_of_the_results_is_in_an_exported_table(id, report, small, tmp_path_factory):
    if id == "tandem":
        results = json.loads(results_json(shared_demo(id, tmp_path_factory).chain.result, DATE, 1))
    else:
        results = (report if id == "ramp-trial" else small.report).results
    held = Counter(numbers(results))
    rows = [(name, row) for name, rows in record_tables(results).items() for row in rows]
    # what leads a row to its parent's is no number of the results
    own = [{key: value} for name, row in rows for key, value in row.items() if not name.startswith(f"{key}.")]
    assert sum(held.values()) > 1000 and Counter(numbers(own)) == held


def test_tables_of_the_results_are_exported(report):
    made = {path.stem for path in (report.folder / "tables" / "results").iterdir()}
    assert made == set(record_tables(report.results))
