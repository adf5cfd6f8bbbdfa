"""Blocks, their JSON, the inline syntax and the numbering pass."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from intake_report.errors import DataError
from intake_report.render import blocks
from intake_report.render.blocks import Column, Cover, Data, Figure, Heading, Paragraph, Table
from intake_report.render.document import number
from intake_report.render.typst import ZERO_WIDTH_SPACE, breakable, plan

from . import samples


def test_every_kind_survives_json():
    made = (*samples.sample_blocks(), blocks.Begins("annex"), blocks.Begins("page"), blocks.Form(("x",), ("y",)))
    assert {type(block) for block in made} == set(blocks.Block.__args__)
    assert blocks.unbundle(json.loads(json.dumps(blocks.bundle(made), allow_nan=False))) == made


def test_raw_values_lose_array_types_and_nan():
    table = Table("t", "c", (Column("a"),), (("1",),), values=(("a", "b"), (np.int64(3), np.float64("nan"))))
    assert blocks.bundle([table])[0]["values"] == [["a", "b"], [3, None]]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (9, "list|tuple"),
        ([{"kind": "chart"}], "chart"),
        ([{"kind": "paragraph"}], "text"),
        ([{"kind": "paragraph", "text": 3}], "string"),
        ([{"kind": "data", "name": "../x", "media_type": "a/b", "text": ""}], "name"),
        ([{"kind": "table", "label": "t", "caption": "c", "columns": [{"title": "a"}], "rows": [["1", "2"]]}], "columns"),
    ],
)  # fmt: skip
def test_unreadable_block_is_refused_in_one_sentence(data, words):
    with pytest.raises(DataError, match=words) as caught:
        blocks.unbundle(data)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("label", ["", "3a", "a b", "a/b", "../x", "a" * 81, 'a"b', "a\n"])
def test_label_must_be_a_plain_name(label):
    with pytest.raises(DataError, match="label"):
        blocks.bundle([Heading(1, "x", label)])


@pytest.mark.parametrize("make", [
    lambda: Figure("f", "c", " ", "<svg/>"),
    lambda: Table("t", "c", (), ()),
    lambda: Table("t", "c", (Column("a"),), (("1", "2"),)),
    lambda: Table("t", "c", (Column("a"),), (("1",),), widths=(1.0, 2.0)),
    lambda: Table("t", "c", (Column("a"),), (("1",),), widths=(0.0,)),
    lambda: Heading(4, "x"),
    lambda: Data("../x", "text/plain", ""),
])  # fmt: skip
def test_incomplete_block_is_refused(make):
    with pytest.raises(DataError):
        blocks.bundle([make()])


def test_inline_marks():
    spans = blocks.parse("see [[fig-a]], **bold `x**y`** and `a`")
    assert [(s.text, s.bold, s.code, s.reference) for s in spans] == [
        ("see ", False, False, False),
        ("fig-a", False, False, True),
        (", ", False, False, False),
        ("bold ", True, False, False),
        ("x**y", True, True, False),
        (" and ", False, False, False),
        ("a", False, True, False),
    ]
    assert blocks.plain("2 ** 3 and [x] and ` alone") == "2 ** 3 and [x] and ` alone"
    assert blocks.plain("12.\u202e34\u202c5") == "12.345"  # nothing turns the direction round


@given(st.text())
def test_literal_text_is_never_markup(text):
    spans = blocks.parse(blocks.literal(text))
    assert not any(span.bold or span.code or span.italic or span.reference for span in spans)
    assert "".join(span.text for span in spans) == blocks.printable(text.replace("\x10", "\ufffd"))


@given(st.text(alphabet="a*`[]\x10/ -"))
def test_any_text_parses_and_text_before_marks_survives(text):
    assert blocks.plain("before " + text).startswith("before ")


def test_numbering_runs_through_the_report_once():
    document = number((*samples.sample_blocks(), blocks.Begins("annex"), Heading(1, "All", "sec-all"), Heading(2, "x")))
    names = {label: target.name for label, target in document.targets.items()}
    assert (names["fig-iat"], names["fig-recovery"]) == ("Figure 1", "Figure 2")
    assert (names["tab-runs"], names["tab-differences"], names["tab-stops"]) == ("Table 1", "Table 2", "Table 3")
    assert (names["sec-results"], names["section-3-2"]) == ("Section 3", "Section 3.2")
    assert [item.target.name for item in document.annex] == ["Section A1", "Section A1.1"]


def test_numbering_closes_holes_in_the_outline():
    headings = [Heading(n, "x") for n in (2, 3, 1, 3, 3, 2, 1)]
    levels = [(item.level, item.target.number) for item in number(headings).items]
    assert levels == [(1, "1"), (2, "1.1"), (1, "2"), (2, "2.1"), (2, "2.2"), (2, "2.3"), (1, "3")]


@pytest.mark.parametrize(
    ("made", "words"),
    [
        ([Heading(1, "a", "x"), Heading(1, "b", "X")], "label 'X'"),
        ([Paragraph("see [[nowhere]]")], r"\[\[nowhere\]\]"),
        ([Table("t", "c", (Column("a"),), (("[[gone]]",),))], "gone"),
        ([Cover("a", "", "", "", "", ())] * 2, "2 covers"),
    ],
)
def test_numbering_refuses(made, words):
    with pytest.raises(DataError, match=words):
        number(made)


@given(st.text(min_size=1))
def test_break_opportunities_change_nothing_else(text):
    text = text.replace(ZERO_WIDTH_SPACE, "")
    broken = breakable(text)
    assert broken.replace(ZERO_WIDTH_SPACE, "") == text
    assert all(len(piece) <= 14 for word in broken.split() for piece in word.split(ZERO_WIDTH_SPACE))


@given(st.integers(1, 40), st.lists(st.integers(0, 60), min_size=1, max_size=4), st.floats(200, 700))
def test_table_never_passes_the_page(columns, lengths, width):
    rows = tuple(tuple("x" * lengths[(i + j) % len(lengths)] for i in range(columns)) for j in range(3))
    table = Table("t", "c", tuple(Column(f"c{i}") for i in range(columns)), rows)
    made = plan(table, number([table]), width)
    for panel, widths in made.panels:
        assert len(panel) == len(widths) and panel[0] == 0
        assert sum(widths) + 9.0 * (len(widths) - 1) <= width + 1e-6
        assert min(widths) > 0
    assert sorted({i for panel, _ in made.panels for i in panel}) == list(range(columns))
