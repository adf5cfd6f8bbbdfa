"""Numbers become text in one place; the document holds no number that is not one."""

import json
import math
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from intake_report import formatting
from intake_report.messages import Value, message
from intake_report.render.blocks import literal
from intake_report.render.sections.tables import comparison_table, summary_table, values_table
from intake_report.results.text import (
    EXPLORATORY,
    SUGGESTED,
    as_json,
    never_negative,
    results_document,
    results_json,
    value_text,
)

finite = st.floats(-1e9, 1e9)


@pytest.fixture
def result(demo):
    return demo.chain.result


def as_number(text: str) -> float:
    return float(text.replace(formatting.MINUS, "-").split(formatting.NARROW_SPACE)[0])


@given(value=finite, decimals=st.integers(0, 4))
def test_text_is_the_number_to_half_a_digit(value, decimals):
    text = formatting.number(value, decimals)
    assert abs(as_number(text) - value) <= 0.5 * 10.0**-decimals * (1.0 + 1e-9) + 1e-6 * abs(value) * 1e-6
    assert "-" not in text  # a real minus sign, everywhere


@pytest.mark.parametrize(
    ("value", "quantity", "system", "decimals", "text"),
    [
        (25.0, "temperature", "us", 1, "77.0 °F"),
        (25.0, "temperature", "si", 1, "25.0 °C"),
        (-5.0 / 3.0, "temperature_difference", "us", 1, "−3.0 °F"),
        (-5.0 / 3.0, "temperature_difference", "si", 1, "−1.7 K"),
        (4.8, "temperature_rate", "us", 1, "8.6 °F/min"),
        (80.0, "speed", "us", 0, "50 mph"),
        (1609.344, "distance", "us", 2, "1.00 mi"),
        (101.325, "pressure", "us", 2, "29.92 inHg"),
        (90.0, "duration", "si", 1, "1.5 min"),
        (None, "temperature", "us", 1, "–"),
        (-0.04, "number", "si", 1, "0.0"),  # nothing has no sign
        (45.0, "angle", "si", 0, "45°"),
    ],
)
def test_values_with_units(value, quantity, system, decimals, text):
    assert formatting.with_unit(value, quantity, system, decimals).replace("\u00a0", " ") == text


def test_margins_are_given_in_both_scales_so_that_nobody_mixes_them_up():
    three = 5.0 / 3.0  # declared in °F
    for k, system, text in ((three, "us", "3 °F (1.7 K)"), (three, "si", "3 °F (1.7 K)"), (3.0, "si", "3 K (5.4 °F)")):
        assert formatting.margin(k, system).replace("\u00a0", " ") == text


def test_intervals_and_lists():
    assert formatting.interval(-5.1, -2.0, "temperature_difference", "si", 1) == "−5.1 to −2.0\u00a0K"
    assert formatting.interval(None, 1.0, "time", "si", 0) == formatting.ABSENT
    assert formatting.listing(["a", "b", "c"]) == "a, b and c"
    assert formatting.count(1, "run") == "1 run" and formatting.count(0, "run") == "0 runs"


def test_document_is_json_without_nan_and_reads_back(demo):
    text = results_json(demo.chain.result, "2026-07-01", 1)
    document = json.loads(text, parse_constant=lambda name: pytest.fail(name))
    assert document == results_document(demo.chain.result, "2026-07-01", 1)
    assert len(re.findall(r"\d\.\d", text)) > 1000


def test_a_number_that_is_none_is_refused():
    for value in (math.nan, math.inf, np.float64("nan")):
        with pytest.raises(ValueError, match="not finite"):
            as_json({"a": [value]}, "si")
    assert as_json((np.float64(1.5), np.int64(2), np.bool_(True), None), "si") == [1.5, 2, True, None]


def test_a_message_is_its_text_with_its_numbers_beside_it():
    reason = message("only {speed}", code="slow", speed=Value(80.0, "speed", 0))
    row = as_json({"reason": reason, "notes": ("x", reason)}, "us")
    assert row["reason"] == "only 50\u00a0mph" and row["notes"] == ["x", row["reason"]]
    assert row["reason_parts"]["code"] == "slow"
    assert row["reason_parts"]["values"] == {"speed": {"number": 80.0, "quantity": "speed"}}
    assert row["notes_parts"] == ["x", row["reason_parts"]]


def test_value_with_status_reason_and_bound(result):
    for value in result.values:
        assert (value.value is not None) == (value.status == "ok")
        assert (value.bound is not None) == (value.status == "not reached")
        assert bool(value.reason) == (value.status != "ok")
    key = next(k for k in result.metrics if k.spec.id == "recovery_time")
    value = replace(result.of(key.key)[0], status="not reached", value=None, bound=240.0, reason="x")
    assert value_text(value, key, "si").replace("\u00a0", " ") == "not reached in 240 s"


def test_notes_say_what_intervals_rest_on_and_what_holm_covers(result):
    """Three blocks of one run of each: an exact permutation test reaches 2/2³ = 0.25 at the least."""
    headline = tuple(k for k in result.metrics if k.spec.headline)
    notes = " ".join(comparison_table(result, headline, "tab-x", "Headline").notes)
    assert "assume that runs scatter normally" in notes and "no p below 0.250" in notes
    looked = sum(c.p_adjusted is not None for c in result.comparisons)
    headlines = [c for c in result.comparisons if result.metric(c.key).spec.headline]
    assert not any(c.verdict.endswith(EXPLORATORY) for c in headlines)
    suggested = [c for c in headlines if c.verdict.startswith(SUGGESTED)]
    assert all(c.p_value < 0.05 < c.p_adjusted and not c.shown for c in suggested)
    assert (f"the {looked} comparisons looked at together" in notes) == bool(suggested)
    # and the other way round: a verdict that stands, adjusted and raised, is one that is suggested only
    raised = replace(result, comparisons=tuple(
        replace(c, verdict=f"{SUGGESTED}: {c.verdict}", call="suggested") if c in headlines else c for c in result.comparisons
    ))  # fmt: skip
    notes = " ".join(comparison_table(raised, headline, "tab-x", "Headline").notes)
    assert f"the {looked} comparisons looked at together (Holm)" in notes
    others = tuple(k for k in result.metrics if not k.spec.headline)
    called = [c for c in result.comparisons if c.shown and c not in headlines]
    assert called and all(c.verdict.endswith(EXPLORATORY) for c in called)
    notes = " ".join(comparison_table(result, others, "tab-y", "Others").notes)
    assert "not a headline metric" in notes and "one in 20" in notes and "scatter normally" not in notes


def test_shares_differ_by_percentage_points(result):
    key = next(k for k in result.metrics if k.spec.id == "charge_density_ratio")
    document = results_document(result, "2026-07-01", 1)
    row, metric = (next(r for r in document[of] if r["key"] == key.key) for of in ("comparisons", "metrics"))
    assert row["text"].endswith("%-points") and row["interval_text"].endswith("%-points")
    assert metric["printed_unit"] == "%"


def test_summaries_and_intervals_of_the_document_are_the_cells_of_the_tables(result):
    document = results_document(result, "2026-07-01", 1)
    names = [c.id for c in result.configurations]
    for key in result.metrics:
        (row,) = summary_table(result, (key,), "tab-x", "Summary").rows
        texts = {s["configuration"]: s["text"] for s in document["summaries"] if s["key"] == key.key}
        assert row[1:] == tuple(literal(texts[id]) for id in names)
    intervals = {(v["key"], v["run"]): v["interval_text"] for v in document["values"]}
    table = values_table(result, result.metrics, "tab-x", "Values")
    assert len(table.rows) == len(result.runs)
    for key, cells in zip(result.metrics, list(zip(*table.rows, strict=True))[2:], strict=True):
        assert cells == tuple(literal(intervals[key.key, run.id]) for run in result.runs)
    # what cannot be below zero has no limit below zero
    times = [v for v in result.values if never_negative(result.metric(v.key)) and v.low is not None]
    assert times and min(v.low for v in times) >= 0.0
