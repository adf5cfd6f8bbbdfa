"""Messages keep numbers until a reader is known; tables are declared once."""

import pytest

from intake_report.messages import Count, Interval, Listing, Value, message, said
from intake_report.report_table import Field, ReportTable, frame_of

BLANK = "\N{NO-BREAK SPACE}"


def test_units_are_applied_when_the_text_is_printed():
    m = message("coolant at {value}, below {limit}", value=Value(15.0, "temperature"), limit=Value(80.0, "temperature"))
    assert said(m, "si") == f"coolant at 15{BLANK}°C, below 80{BLANK}°C"
    assert said(m, "us") == f"coolant at 59{BLANK}°F, below 176{BLANK}°F"


def test_a_name_that_looks_like_a_quantity_or_a_field_stays_as_it_is():
    m = message("the tyre is {name}", name="Rain 40 °C {limit} $x$")
    assert said(m, "us") == "the tyre is Rain 40 °C {limit} $x$"


def test_listings_intervals_counts_and_messages_nest():
    inner = message("{what} {range}", what="peak", range=Interval(-5.0, None, "temperature_difference", 1))
    m = message("{n}: {parts}. {again:upper}", n=Count(1, "run"), parts=Listing(("a", "b", inner)), again=inner)
    above = f"above \N{MINUS SIGN}9.0{BLANK}°F"
    assert said(m, "us") == f"1 run: a, b and peak {above}. Peak {above}"
    assert said(Interval(None, None, "time", 0), "si") == "not bounded" and not message("")


@pytest.mark.parametrize(("few", "many"), [(Count(1, "run"), Count(0, "run")), (Listing(("a",)), Listing(())), (1, 2)])
def test_a_word_agrees_with_a_listing_or_a_number(few, many):
    assert [said(message("{x:is|are}", x=x), "si") for x in (few, many)] == ["is", "are"]


def test_one_declaration_gives_cells_files_and_headings():
    fields = (
        Field("run", "Run"),
        Field("peak", "Peak", "temperature", 1),
        Field("", "Both", cell=lambda row, system: f"{row.run} in {system}"),
    )
    rows = [{"run": "a", "peak": 30.0, "kept": True}, {"run": "b", "peak": None, "kept": False}]
    table = ReportTable("tab-x", "Runs", fields, frame_of(rows))
    assert [f.heading("us") for f in table.fields] == ["Run", "Peak [°F]", "Both"]
    assert table.cells("us") == [("a", "86.0", "a in us"), ("b", "\N{EN DASH}", "b in us")]
    assert table.values() == [("run", "peak", "kept"), ("a", 30.0, True), ("b", None, False)]
