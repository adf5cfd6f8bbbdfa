"""Blocks, their JSON, the inline syntax and the numbering pass."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from intake_report.errors import DataError
from intake_report.render import blocks, inline
from intake_report.render.blocks import Column, Cover, Equation, Figure, Heading, Paragraph, Table
from intake_report.render.layout import ZERO_WIDTH_SPACE, breakable, plan
from intake_report.render.notebook import markdown_blocks
from intake_report.render.numbering import number

from . import samples


def test_every_kind_survives_json():
    made = samples.sample_blocks()
    assert {block.kind for block in made} == {
        "cover", "heading", "paragraph", "list", "definitions", "preformatted",
        "table", "figure", "callout", "equation", "data",
    }  # fmt: skip
    data = json.loads(json.dumps(blocks.bundle(made), allow_nan=False))
    assert blocks.unbundle(data) == tuple(made)


def test_raw_values_lose_array_types_and_nan():
    table = Table("t", "c", (Column("a"),), (("1",),), values=(("a", "b"), (np.int64(3), np.float64("nan"))))
    assert blocks.to_json(table)["values"] == [["a", "b"], [3, None]]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"kind": "chart"}, "chart"),
        ({"kind": "paragraph"}, "text"),
        ({"kind": "paragraph", "text": "x", "colour": "red"}, "colour"),
        ({"kind": "paragraph", "text": 3}, "string"),
        ({"kind": "data", "name": "../x", "media_type": "a/b", "text": ""}, "plain file name"),
    ],
)
def test_unreadable_block_is_refused_in_one_sentence(data, words):
    with pytest.raises(DataError, match=words) as caught:
        blocks.from_json(data)
    assert "\n" not in str(caught.value)


def test_unknown_version_is_refused():
    with pytest.raises(DataError, match="version 9"):
        blocks.unbundle({"version": 9, "blocks": []})


@pytest.mark.parametrize("label", ["", "3a", "a b", "a/b", "../x", "a" * 81, 'a"b', "a\n"])
def test_label_must_be_a_plain_name(label):
    with pytest.raises(DataError, match="label"):
        Heading(1, "x", label)


@pytest.mark.parametrize("make", [
    lambda: Figure("f", "c", " ", "<svg/>"),
    lambda: Equation("<math/>", "x", "", "e"),
    lambda: Table("t", "c", (), ()),
    lambda: Table("t", "c", (Column("a"),), (("1", "2"),)),
    lambda: Table("t", "c", (Column("a"),), (("1",),), widths=(1.0, 2.0)),
    lambda: Heading(4, "x"),
])  # fmt: skip
def test_incomplete_block_is_refused(make):
    with pytest.raises(DataError):
        make()


def test_inline_marks():
    spans = inline.parse("see [[fig-a]], **bold `x**y`** and `a`")
    assert [(s.text, s.bold, s.code, s.reference) for s in spans] == [
        ("see ", False, False, False),
        ("fig-a", False, False, True),
        (", ", False, False, False),
        ("bold ", True, False, False),
        ("x**y", True, True, False),
        (" and ", False, False, False),
        ("a", False, True, False),
    ]
    assert inline.plain("2 ** 3 and [x] and ` alone") == "2 ** 3 and [x] and ` alone"


@given(st.text())
def test_literal_text_is_never_markup(text):
    spans = inline.parse(inline.literal(text))
    assert not any(span.bold or span.code or span.italic or span.reference for span in spans)
    assert "".join(span.text for span in spans) == inline.printable(text.replace("\x10", "\ufffd"))


@given(st.text(alphabet="a*`[]\x10/ -"))
def test_any_text_parses_and_text_before_marks_survives(text):
    assert inline.plain("before " + text).startswith("before ")


def test_direction_cannot_be_overridden():
    assert inline.plain("12.\u202e34\u202c5") == "12.345"


def test_numbering_runs_through_the_report_once():
    document = number(samples.sample_blocks())
    names = {label: target.name for label, target in document.targets.items()}
    assert names["fig-iat"] == "Figure 1"
    assert names["fig-recovery"] == "Figure 2"
    assert (names["tab-runs"], names["tab-differences"], names["tab-stops"]) == ("Table 1", "Table 2", "Table 3")
    assert names["sec-results"] == "Section 3"
    assert names["section-every-stop"] == "Section 3.2"
    assert names["eq-lag"] == "Equation 1"


def test_numbering_closes_holes_in_the_outline():
    levels = [
        (item.level, item.target.number) for item in number([Heading(n, "x") for n in (2, 3, 1, 3, 3, 2, 1)]).items
    ]
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


def test_markdown_cells_become_blocks():
    made = markdown_blocks(
        "# A *b*\n\ntext **bold** `code` <b>html</b> [[fig-a]] [x](http://a.b) $x$ ![alt](http://p.q/r.png)\n\n"
        "- one\n- two\n  - inner\n\n1. first\n\n```\nraw **x**\n```\n\n> quoted\n\n<script>alert(1)</script>\n"
    )
    assert [block.kind for block in made] == [
        "heading", "paragraph", "list", "list", "preformatted", "callout", "paragraph",
    ]  # fmt: skip
    assert inline.plain(made[0].text) == "A b"
    assert inline.parse(made[0].text)[1].italic
    assert inline.plain(made[1].text) == "text bold code <b>html</b> fig-a x (http://a.b) $x$ alt"
    assert [span.text for span in inline.parse(made[1].text) if span.reference] == ["fig-a"]
    assert made[2].items == ("one", "two", "– inner")
    assert made[3].ordered
    assert made[4].text == "raw **x**"
    assert made[6].text == "<script>alert(1)</script>"


@given(st.text(min_size=1))
def test_break_opportunities_change_nothing_else(text):
    text = text.replace(ZERO_WIDTH_SPACE, "")
    broken = breakable(text)
    assert broken.replace(ZERO_WIDTH_SPACE, "") == text
    assert all(len(piece) <= 14 for word in broken.split() for piece in word.split(ZERO_WIDTH_SPACE))


@given(
    st.integers(1, 40),
    st.lists(st.integers(0, 60), min_size=1, max_size=4),
    st.floats(200, 700),
)
def test_table_never_passes_the_page(columns, lengths, width):
    rows = tuple(tuple("x" * lengths[(i + j) % len(lengths)] for i in range(columns)) for j in range(3))
    table = Table("t", "c", tuple(Column(f"c{i}") for i in range(columns)), rows)
    made = plan(table, number([table]), width)
    for panel, widths in zip(made.panels, made.widths, strict=True):
        assert len(panel) == len(widths)
        assert sum(widths) + 9.0 * (len(widths) - 1) <= width + 1e-6
        assert min(widths) > 0
    assert sorted({i for panel in made.panels for i in panel}) == list(range(columns))
    assert all(panel[0] == 0 for panel in made.panels)
