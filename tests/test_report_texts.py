"""The published report as its readers get it: one number in every place, every section, no network, PDF structure."""

import csv
import functools
import re

import pytest
from axe import opened
from conftest import DATE, Report, Small, bookmarks, plain

from intake_report import formatting
from intake_report.messages import said
from intake_report.metrics import REGISTRY
from intake_report.results.text import metric_title, value_text
from intake_report.units import QUANTITIES

BODY = (
    "What bounds this answer most, and what helps", "Method", "Test articles", "Conditions and runs", "Results",
    "Limitations", "Cautions",
)  # fmt: skip
ANNEX = (
    "Methodology", "Instrumentation", "Weather conditions", "Run log and acceptance", "Data quality", "Results in detail",
    "The same place", "Uncertainty of one run", "Limitations and what would remove them", "Definitions of the metrics",
    "All values and differences", "Provenance",
)  # fmt: skip


@pytest.fixture(params=["report", "small"])
def any_report(request: pytest.FixtureRequest) -> Report:
    """The demo in metric units, and the small campaign in US units."""
    found = request.getfixturevalue(request.param)
    return found.report if isinstance(found, Small) else found


def squeezed(text: str) -> str:
    """Return text without any blank or line-break hyphen: what a narrow column does to a number is no difference."""
    return re.sub(r"\s", "", plain(text))


@functools.cache
def flowing(report: Report) -> str:
    """Return the squeezed text of the PDF without the running head and foot of its pages, nor hyphens.

    A sentence that a page ends inside then reads on; so does one beside a table whose head is repeated not.
    """
    pages = []
    for sheets in (report.sheets, report.annex.sheets):
        for n, sheet in enumerate(sheets, 1):
            text = re.sub(rf"page{n}of{len(sheets)}", "", squeezed(sheet))
            pages.append(re.sub(r"^.{0,160}?revision\d+", "", text) if n > 1 else text)
    return re.sub("[-\u2010]", "", "".join(pages))


def in_pdf(text: str, flow: str) -> bool:
    """Tell whether a sentence is in the PDF; a row that a page divides has its columns in turn, so ends will do."""
    text = re.sub("[-\u2010]", "", squeezed(text))
    return text in flow or (text[:30] in flow and text[-30:] in flow)


def test_every_number_text_of_the_results_is_in_html_and_pdf(any_report):
    results = any_report.results
    html, pdf = squeezed(any_report.all_html), squeezed(any_report.all_pdf)
    texts = [v["text"] for v in results["values"]]
    texts += [s["text"].split(formatting.NARROW_SPACE)[0] for s in results["summaries"]]  # the unit heads the row
    texts += [c[key] for c in results["comparisons"] for key in ("text", "interval_text")]
    texts = [t for t in texts if t != formatting.ABSENT]
    assert len(texts) > 60
    for text in set(map(squeezed, texts)):
        assert text in html and text in pdf, text


def test_value_of_each_run_stands_in_its_own_row_and_column(any_report):
    """Stricter than finding the text anywhere: the cell of that run under that metric, in the page's table."""
    page, results = any_report.annex.page, any_report.results
    titles = {f"{m['printed_title']} [{m['printed_unit']}]": m["key"] for m in results["metrics"]}
    expected = {(v["run"], v["key"]): v["text"] for v in results["values"] if v["status"] != "not computed"}
    found = {}
    for table in page.find_all("table"):
        head = [plain(cell.get_text()).strip() for cell in table.find("tr").find_all("th")]
        for row in table.find_all("tr")[1:]:
            cells = [plain(cell.get_text()).strip() for cell in row.find_all(["th", "td"])]
            for title, cell in zip(head, cells, strict=False):
                key = next((k for t, k in titles.items() if plain(t).strip() == title), None)
                if key:
                    found[cells[0], key] = cell.split(" (")[0]  # its interval follows in brackets
    assert {place: plain(text) for place, text in expected.items()} == {p: found.get(p) for p in expected}


def test_tables_as_files_hold_the_same_numbers_unrounded(any_report):
    results = any_report.results
    files = (any_report.folder / "tables").glob("tab-values-*.csv")
    rows = [row for path in files for row in csv.DictReader(path.read_text("utf-8").splitlines())]
    got = {(row["run"], row["key"]): row["value"] for row in rows}
    for value in results["values"]:
        if value["value"] is not None:
            assert float(got[value["run"], value["key"]]) == value["value"]


def test_answer_names_every_configuration_with_the_numbers_of_the_results(any_report):
    """Levels, differences, intervals of the answer and of the verdict table are those of results.json."""
    page, results = any_report.page, any_report.results
    sentences = [plain(p.get_text(" ")) for p in page.find(class_="answer").find_all("li")]
    assert 2 <= len(sentences) <= 3
    answer = squeezed(" ".join(sentences))
    assert all(squeezed(c["name"]) in answer for c in results["configurations"])
    assert 1 <= len(results["decides"]) <= 3
    table = squeezed(page.find(id="tab-verdict").get_text(" "))
    assert results["decides"][0] in {c["key"] for c in results["comparisons"]}
    for c in results["comparisons"]:
        if c["key"] in results["decides"] and c["difference"] is not None:
            assert squeezed(c["text"]) in table and squeezed(c["interval_text"]) in table
            assert squeezed(c["text"].lstrip("+\u2212")) in answer
    for s in results["summaries"]:
        if s["key"] in results["decides"] and s["mean"] is not None:
            level = squeezed(s["text"].split(formatting.NARROW_SPACE)[0])
            assert level in table and (level in answer or "ornotreached" in answer)
    assert any_report.html.index('class="answer"') < any_report.html.index('id="tab-verdict"')


def test_the_annex_holds_what_the_body_leaves_out(report):
    for files, titles in (((report.html_text, report.pdf_text), BODY), ((report.all_html, report.all_pdf), ANNEX)):
        for text in files:
            assert all(title in text for title in titles)
    assert "p (Holm)" not in report.html_text and "p (Holm)" in report.all_html  # p-values only in the annex
    for page, titles in ((report.page, BODY), (report.annex.page, ANNEX)):
        headings = [plain(h.get_text()).strip() for h in page.find_all(["h2", "h3"])]
        numbered = [re.sub(r"^A?[\d.]+ ", "", heading) for heading in headings]
        assert [title for title in numbered if title in titles] == list(titles)


def test_cover_has_title_date_revision_and_question_and_code_is_nowhere(report, demo):
    cover = squeezed(report.sheets[0]).lower()
    about = demo.campaign.about
    assert all(squeezed(text).lower() in cover for text in (about.title, about.question, DATE, "revision 1"))
    for text in (report.html_text, report.pdf_text):
        assert "load_campaign" not in text and "import" not in re.sub(r"important\w*|imported", "", text)


def test_figures_of_the_job_are_there_with_captions(report):
    for label in ("fig-decision", "fig-dots", "fig-differences", "fig-route", "fig-recovery", "fig-soak"):
        assert {p.suffix for p in (report.folder / "figures").glob(f"{label}.*")} == {".svg", ".png"}
        assert f'id="{label}"' in report.html + report.annex.html
    captions, printed = set(re.findall(r"(Figure|Table) (\d+)\.", report.html_text)), squeezed(report.pdf_text)
    for kind in ("Figure", "Table"):
        numbers = sorted(int(n) for k, n in captions if k == kind)
        assert numbers == list(range(1, len(numbers) + 1)) and len(numbers) >= 5
        assert all(f"{kind}{number}." in printed for number in numbers)


def test_page_needs_no_network_and_no_script(report):
    """What loads is inside; what links leads to the page itself or to the file beside it."""
    for page, beside in ((report.html, "annex.html"), (report.annex.html, "report.html")):
        assert not re.search(r"<script|<iframe|<[^>]*\son\w+=|@import", page)
        assert all(source.startswith("data:") for source in re.findall(r"""src=["']([^"']*)""", page))
        for link in re.findall(r"""href=["']([^"']*)""", page):
            assert link.startswith(("#", "data:")) or link.split("#")[0] == beside, link[:80]


def test_page_opens_without_a_request_or_an_error(report):
    asked, console, document = opened(report.folder / "report.html")
    assert (asked, console) == ([], "") and "What bounds this answer most" in document


def test_pdf_is_archival_and_has_bookmarks_contents_and_page_numbers(report):
    declared = report.pdf.trailer["/Root"]["/Metadata"].get_data().decode()
    assert "<pdfaid:part>3</pdfaid:part>" in declared and "<pdfuaid:part>1</pdfuaid:part>" in declared
    assert report.pdf.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert report.pdf.metadata.creation_date.date().isoformat() == DATE
    marks = bookmarks(report.pdf.outline)
    for title in BODY:
        assert any(mark.endswith(title) for mark in marks), title
    for number, text in enumerate(report.sheets, 1):
        assert f"page {number} of {len(report.sheets)}" in plain(text)
    for title in ("Methodology", "Provenance"):
        line = next(x for x in report.annex.sheets[0].splitlines() if title in x)
        assert title in plain(report.annex.sheets[int(re.search(r"(\d+)\s*$", line)[1]) - 1])


def test_attachments_of_the_pdf_are_the_bytes(any_report, demo, small):
    source = demo.file if "ramp-trial" in any_report.folder.parts else small.file
    assert {name: data for name, [data] in any_report.pdf.attachments.items()} == {
        "results.json": (any_report.folder / "results.json").read_bytes(),
        "campaign.toml": source.read_bytes(),
    }


def test_limitations_claims_and_reasons_are_in_both(report):
    results = report.results
    assert len(results["limitations"]) >= 3 and len(results["claims"]) == 3
    html, pdf = squeezed(report.all_html), flowing(report)
    texts = [c[k] for c in results["claims"] for k in ("text", "reason")]
    for text in [x["text"] for x in results["limitations"]] + texts:
        assert squeezed(text) in html, text
        assert in_pdf(text, pdf), text


def test_registry_walk(report, demo):
    """Every metric has unit, source and definition; the same text in table, sentence, HTML and PDF."""
    result = demo.chain.result
    html, flow = squeezed(report.all_html), flowing(report)
    pdf = squeezed(report.all_pdf).replace("\u2010", "-")
    assert {key.spec.id for key in result.metrics} == set(REGISTRY)
    for id, metric in REGISTRY.items():
        spec = metric.spec
        assert spec.id == id == metric.function.__name__
        assert spec.quantity in QUANTITIES
        definition = said(spec.definition, "si")
        assert definition.endswith(".") and len(definition) > 40
        assert spec.source and spec.title and spec.better in ("lower", "higher", "neither")
        assert len(spec.words) == 2 and spec.words[0] != spec.words[1]
        assert ("{parameter}" in spec.title) == (spec.parameter != "none")
        assert squeezed(definition) in html
        assert in_pdf(definition, flow), definition
        assert squeezed(spec.source) in html
        assert metric.function.__doc__
    for key in result.metrics:
        title = squeezed(metric_title(key, "si"))
        assert title in html and title in pdf
        for value in result.of(key.key):
            assert squeezed(value_text(value, key, "si")) in html
