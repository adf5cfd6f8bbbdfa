"""What a reader of the body is given, on the three demos: pages, words, tables, and what stands first."""

import re

import pytest
from conftest import DATE, Report, demo_campaign, made_once, plain

from intake_report.publish import publish

# pages as the design states them; words and tables as measured when this was written, with a tenth more
BOUNDS = {"ramp-trial": (10, 4300, 9), "three-days": (6, 2300, 6), "tandem": (6, 2300, 6)}
US_LETTER, A4 = (612, 792), (595, 842)  # pt


@pytest.fixture(params=["ramp-trial", *(pytest.param(id, marks=pytest.mark.slow) for id in ("three-days", "tandem"))])
def body(request, tmp_path_factory) -> tuple[str, Report]:
    id = request.param
    if id == "ramp-trial":
        return id, request.getfixturevalue("report")

    def make(folder) -> None:
        publish(demo_campaign(id, folder), folder / "out", DATE)

    return id, Report(made_once(tmp_path_factory, f"pages-{id}", make) / "out" / id / DATE)


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


def test_no_p_value_and_nothing_of_one_run_stands_in_the_body(body):
    id, report = body
    assert not re.search(r"\bp(?:-value)? ?[<=(] ?0\.\d|\(p 0", report.pdf_text)
    if id == "three-days":
        assert " ± " not in report.pdf_text.split("Limitations")[0].replace("± 3.5", "").replace("± 12.7", "")
        assert "standard deviation" not in report.pdf_text
        assert not re.search(r"(?: –){3}", report.pdf_text)  # a row of dashes
