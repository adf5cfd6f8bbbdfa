"""What a reader of the body is given, on the three demos: pages, words, tables; the answer has the numbers of results.json."""

import re

import pytest
from conftest import DATE, Report, demo_campaign, made_once, plain

from intake_report.publish import publish

# pages as the design states them; words and tables as measured when this was written, with a tenth more
BOUNDS = {"ramp-trial": (10, 4300, 9), "three-days": (6, 2300, 6), "tandem": (6, 2300, 6)}
US_LETTER, A4 = (612, 792), (595, 842)  # pt


def rendered(id: str, factory: pytest.TempPathFactory) -> Report:
    def make(folder) -> None:
        publish(demo_campaign(id, folder), folder / "out", DATE)

    return Report(made_once(factory, f"pages-{id}", make) / "out" / id / DATE)


@pytest.fixture(
    params=[
        "ramp-trial",
        pytest.param("three-days", marks=pytest.mark.slow),
        pytest.param("tandem", marks=pytest.mark.slow),
    ]
)
def body(request, tmp_path_factory) -> tuple[str, Report]:
    if request.param == "ramp-trial":
        return request.param, request.getfixturevalue("report")
    return request.param, rendered(request.param, tmp_path_factory)


def answer(report: Report) -> str:
    text = report.pdf_text
    return text[text.index(" Answer ") : text.index("Vehicle", text.index(" Answer "))]


def test_body_is_short(body):
    id, report = body
    pages, words, tables = BOUNDS[id]
    assert len(report.pdf.pages) <= pages
    assert len(report.pdf_text.split()) <= words
    assert len(set(re.findall(r"Table (\d+)\. ", report.pdf_text))) <= tables
    size = [round(float(x)) for x in report.pdf.pages[0].mediabox[2:]]
    assert tuple(size) == (US_LETTER if report.results["units"] == "us" else A4)


def test_first_two_pages_decide(body):
    """Answer, verdicts, claims, picture, limitations and sign-off stand on the first two pages."""
    _, report = body
    first, second = (plain(report.sheets[i]) for i in (0, 1))
    for label in ("Question", "Answer", "Table 1.", "Table 2."):
        assert label in first
    for label in ("Claims", "First report of this campaign"):
        assert label in first + second
    for label in ("Figure 1.", "What bounds this answer most", "Sign-off", "as tested"):
        assert label in second


def test_answer_has_each_configuration_and_deciding_metric_with_the_numbers_of_the_results(body):
    _, report = body
    results, text = report.results, answer(report)
    for configuration in results["configurations"]:
        assert text.count(configuration["name"]) >= len(results["decides"])
    for key in results["decides"]:
        for summary in (s for s in results["summaries"] if s["key"] == key and s["mean"] is not None):
            value = re.split(r"[\s\u00a0]", summary["text"])[0]
            assert f"{value} " in text or "or not reached" in text
        for c in (c for c in results["comparisons"] if c["key"] == key and c["difference"] is not None):
            assert plain(c["text"]).lstrip("−+") in text, c["text"]
    assert len(re.findall(r"\.(?= [A-Z]|\s*$)", text)) <= 3


def test_no_p_value_and_nothing_of_one_run_stands_in_the_body(body):
    id, report = body
    assert not re.search(r"\bp(?:-value)? ?[<=(] ?0\.\d|\(p 0", report.pdf_text)
    if id == "three-days":
        assert " ± " not in report.pdf_text.split("Limitations")[0].replace("± 3.5", "").replace("± 12.7", "")
        assert "standard deviation" not in report.pdf_text
        assert not re.search(r"(?: –){3}", report.pdf_text)  # a row of dashes
