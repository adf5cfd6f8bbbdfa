"""The answer on the cover in the cases that the demos do not reach, on results made for it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from intake_report.analyse.limitations.layout import ONE_RUN
from intake_report.render.sections.sentences import answer, subjects
from intake_report.results import ControlEffect
from intake_report.results.compared import gravest


def test_configuration_of_the_question_comes_first_then_that_of_the_claims(demo):
    result = demo.chain.result
    assert subjects(result) == ("sealed-snorkel", "open-cone")
    other = replace(result, question="Is the OPEN CONE element warmer?")
    assert subjects(other)[0] == "open-cone"
    no_names = replace(
        result, question="Which is best?", claims=tuple(c for c in result.claims if c.id == "open-cooler")
    )
    assert subjects(no_names)[0] == "open-cone"
    assert subjects(replace(no_names, claims=())) == ("open-cone", "sealed-snorkel")  # order of the campaign


def test_levels_come_before_the_difference(demo):
    first = answer(demo.chain.result)[0]
    assert first.startswith("In the city, intake air was on average ")
    assert first.index("with As-sold airbox") < first.index("closer to ambient") and first.endswith("the runs show.")


@pytest.mark.parametrize(
    ("call", "verdict", "words"),
    [
        ("suggested", "suggested, not confirmed: closer to ambient", "suggested, not confirmed"),
        ("not shown", "no difference shown", "which the runs do not show"),
        ("indication", "indication only", "an indication only"),
    ],
)
def test_verdicts_in_plain_words(demo, call, verdict, words):
    result = demo.chain.result
    rows = tuple(replace(c, call=call, verdict=verdict) for c in result.comparisons)
    assert answer(replace(result, comparisons=rows))[0].endswith(f"{words}.")


def test_interval_across_zero_names_both_sides(demo):
    result = demo.chain.result
    rows = tuple(replace(c, difference=-0.5, low=-1.2, high=0.2) for c in result.comparisons)
    assert "0.2\u00a0K further to 1.2\u00a0K closer" in answer(replace(result, comparisons=rows))[0]


def test_difference_with_a_control_vehicle_says_so(demo):
    result = demo.chain.result
    c = next(c for c in result.comparisons if c.key == "mean_over_ambient:city" and c.configuration == "sealed-snorkel")
    effect = ControlEffect(c.key, c.configuration, c.versus, -4.6, 1.0, 0.5, -4.5, 1.2, 0.6, runs=6)
    assert "less the control vehicle" in answer(replace(result, control=(effect,)))[0]
    assert "less the control vehicle" not in answer(result)[0]


def test_margin_that_is_not_reached_is_said_with_its_count(demo):
    result = demo.chain.result
    key = next(k.key for k in result.metrics if k.spec.id == "recovery_time")
    values = tuple(
        replace(v, status="not reached", value=None, bound=240.0)
        if v.key == key and v.configuration == "open-cone" and v.block == "day-1"
        else v
        for v in result.values
    )
    assert "Open cone element not reached in 1 of 3 runs, else in" in answer(replace(result, values=values))[1]


def test_without_a_highway_entry_the_reason_is_said_once(demo):
    result = demo.chain.result
    values = tuple(
        replace(v, status="not computed", value=None, reason="no highway entry in the run")
        if v.key.startswith("recovery_time")
        else v
        for v in result.values
    )
    assert answer(replace(result, values=values))[1].endswith("could be compared: no highway entry in the run.")


def test_nothing_comparable_has_no_word_on_one_run_each(badly_designed):
    result = badly_designed.chain.result
    assert gravest(result.limitations, True, 1) == (ONE_RUN.cover,)
    rows = tuple(replace(c, difference=None, low=None, high=None) for c in result.comparisons)
    sentences = answer(replace(result, comparisons=rows))
    assert "no comparison" in sentences[0] and "over ambient with" in sentences[0]
    assert not any("one run per configuration" in s for s in sentences)
