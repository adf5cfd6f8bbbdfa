"""The two deciding pages in the cases that the demos do not reach, on results made for it."""

from dataclasses import replace

import pytest

from intake_report.analyse.claim_check import deciding_keys
from intake_report.analyse.limitations import limitation
from intake_report.errors import CampaignError
from intake_report.messages import Message, Value, said
from intake_report.render.blocks import ItemList, plain
from intake_report.render.sections.answer import CALLS, answer, gravest, headline
from intake_report.render.sections.body import decision, method
from intake_report.render.sections.claims import because, claim_table, needed_repeats, settles
from intake_report.render.sections.stated import methodology
from intake_report.results import ControlEffect
from intake_report.results.compared import CovariateFit

from .samples import table

CITY = "mean_over_ambient:city"


def sentences(result) -> list[str]:
    return [plain(text).replace("\u00a0", " ") for text in answer(result)]


def test_answer_names_every_configuration_in_the_metrics_that_decide(result):
    assert result.decides[0] == CITY  # of the first claim
    first, second, last = sentences(result)
    for configuration in result.configurations:
        assert all(configuration.name in text for text in (first, second, last))
    assert first.startswith("In the city, intake air was on average ") and "95 % interval" in first
    assert second.startswith("After the highway entry, intake air came within 3 °F (1.7 K) of ambient in ")
    assert last.startswith("At its hottest, ")
    named = (
        replace(k, parameter=replace(k.parameter, label="Country")) if k.key == CITY else k for k in result.metrics
    )
    assert sentences(replace(result, metrics=tuple(named)))[0].startswith(
        "In the phase Country, intake air was on average "
    )


@pytest.mark.parametrize("call", CALLS)
def test_verdicts_in_plain_words(result, call):
    rows = tuple(replace(c, call=call) for c in result.comparisons)
    first = sentences(replace(result, comparisons=rows))[0]
    assert first.count(f": {CALLS[call]})") == len(result.configurations) - 1


def test_difference_that_is_not_that_of_the_printed_values_says_why(result):
    c = next(c for c in result.comparisons if c.key == CITY and c.configuration == "sealed-snorkel")
    effect = ControlEffect(c.key, c.configuration, c.versus, -4.6, 1.0, 0.5, -4.5, 1.2, 0.6, runs=6)
    assert "after taking off the control vehicle" in sentences(replace(result, control=(effect,)))[0]
    assert "control vehicle" not in sentences(result)[0] and "within blocks" not in sentences(result)[0]
    rows = tuple(replace(x, difference=-7.0) if x is c else x for x in result.comparisons)
    assert "within blocks 7.0 K closer" in sentences(replace(result, comparisons=rows))[0]


def test_margin_not_reached_or_met_at_the_entry_is_said_with_its_count(result):
    key = next(k for k in result.decides if k.startswith("recovery_time"))
    state = {("open-cone", "day-1"): "not reached"} | {
        ("sealed-snorkel", f"day-{n}"): "within at entry" for n in (1, 2, 3)
    }
    states = (state.get((v.configuration, v.block)) if v.key == key else None for v in result.values)
    pairs = zip(result.values, states, strict=True)
    values = tuple(replace(v, status=s, value=None, bound=240.0) if s else v for v, s in pairs)
    (text,) = (x for x in sentences(replace(result, values=values)) if x.startswith("Time from the highway entry"))
    assert "; not reached in 1 of 3 runs, else in" in text and "with Open cone element" in text
    assert "; already within it at the entry in all 3 runs with Sealed" in text


def test_the_method_speaks_of_what_the_campaign_has(demo, result):
    campaign, bare = demo.chain.campaign, replace(result, ambient_reference="none")
    city = campaign.model_copy(
        update={"route": campaign.route.model_copy(update={"phases": campaign.route.phases[:1]})}
    )
    full, less = (str((*method(*case), *methodology(*case))) for case in ((campaign, result), (city, bare)))
    for words in ("was subtracted", "Highway entry"):
        assert words in full and words not in less


def test_margin_that_the_sensor_cannot_decide_does_not_lead(result, badly_designed):
    """Of two margins the usable one is quoted, with what the instruments leave of either: at 5 °F ± 102 s is no order."""
    first = sentences(badly_designed.chain.result)[0]
    assert first.endswith("; the instruments are too coarse for 3 °F; at 5 °F they leave open which is faster.")
    narrow, wide = (k.key for k in result.metrics if k.spec.id == "recovery_time")
    margin = Value(result.metric(narrow).parameter.number, "margin")
    said = dict.fromkeys(("u", "step", "why", "cost", "least"), "") | {"margin": margin}
    limited = replace(result, limitations=(limitation("margin-resolution", **said),), decides=(narrow, wide))
    assert "the instruments are too coarse for 3 °F, not for 5 °F" in sentences(limited)[0]
    assert "within 5 °F (2.8 K)" in sentences(limited)[0]


def test_nothing_comparable_says_why_once(badly_designed):
    result = badly_designed.chain.result
    rows = tuple(replace(c, difference=None, low=None, high=None) for c in result.comparisons)
    first, *others = sentences(replace(result, comparisons=rows))
    assert not any("interval" in text for text in (first, *others))
    assert sum("allow no comparison" in text for text in (first, *others)) == 1
    assert headline(replace(result, comparisons=rows)) == "Intake air along the route and after the highway entry"


def test_open_claim_says_how_many_repeats_would_settle_it(demo):
    """Standard error 1 from 3 repeats, many degrees of freedom, limit 1 away: 1.96² × 3 = 11.5, so 12; 2.64² × 3 among six."""
    assert needed_repeats(3, 1.0, None, 1.0, 0.0, 0.95, 1) == 12
    assert needed_repeats(3, 1.0, None, 1.0, 0.0, 0.95, 6) == 21
    assert needed_repeats(3, 1.0, None, 1.0, 0.6, 0.95, 1) == 19  # 0.8 left to the scatter: 1.96² × 3 / 0.64 = 18.01
    assert needed_repeats(3, 1.0, 4.0, 0.1, 0.0, 0.95, 1) is None
    result = demo.chain.result
    claim = next(c for c in result.claims if c.key == CITY)
    open_claim = replace(claim, verdict="not shown", estimate=-1.0, limit=0.0)
    for instrument, text in ((0.0, "About 12 runs of each at this scatter (now 3)."), (0.8, "A calibration")):
        changes = {"instrument": instrument, "between": 1.0, "df": None, "method": "welch"}
        rows = tuple(replace(c, **changes) if c.key == CITY else c for c in result.comparisons)
        assert settles(replace(result, comparisons=rows), open_claim).startswith(text)
    one_side = tuple(replace(c, high=None) if c.key == CITY else c for c in rows)
    assert settles(replace(result, comparisons=one_side), open_claim).startswith("Sensor and ambient reference")
    assert settles(result, replace(claim, verdict="supported")) == ""


def test_open_claim_on_pulls_says_how_many_and_in_which_order(result):
    """The demo's pulls were made one configuration after the other: what they lack is the turn, not the number alone."""
    assert result.evidence.dyno is not None and not result.evidence.dyno.in_turn
    claim = replace(result.claims[0], key="peak_power", verdict="indication only", estimate=1.0, low=0.5, high=1.5)
    text = settles(result, claim)
    assert "pulls of each in turn" in text and int(text.split()[0]) >= 3
    assert "in 3 pulls each" in because(result, claim)


def test_because_is_plain_and_has_the_numbers_of_the_claim(result, badly_designed):
    told = [f"{claim.text} (judged: {said(claim.judged, result.units)})" for claim in result.claims]
    assert [row[0] for row in claim_table(result).rows] == told
    words = [because(result, claim).replace("\u00a0", " ") for claim in result.claims]
    assert not any(word in text for text in words for word in ("Holm", " p ", "guard", "draw"))
    first = result.claims[0]
    for number in (first.estimate, first.low, first.high):
        assert f"{abs(number):.1f}" in words[0]
    single = badly_designed.chain.result
    assert all("one run" in because(single, claim) for claim in single.claims)
    together = replace(first, verdict="not shown", reason=Message("", (), "holm"))
    family = sum(c.p_adjusted is not None for c in result.comparisons)
    assert f"{family} differences were looked at together" in because(result, together)


def test_margin_met_at_the_end_of_what_was_watched_reads_so(badly_designed):
    result = badly_designed.chain.result
    value = next(v for v in result.values if v.key == "recovery_time:1.67K" and v.configuration == "open-cone")
    watched = max(next(c.x for c in result.recovery_curves if c.run == value.run))
    assert value.value > 0.95 * watched and value.draws_not_reached > 0.0
    text = next(text for text in sentences(result) if "3 °F (1.7 K)" in text)
    assert "about 300 s or not reached with Open cone" in text and f"{value.value:.0f} s" not in text


def test_limitations_of_the_cover_bound_what_is_decided(result):
    """Pulls in sequence outrank all others and are named only where a claim is on pulls."""
    assert "pull-order" in {item.code for item in result.limitations}
    assert all(item.endangers in ("comparison", "values") for item in gravest(result, 3))
    on_power = replace(result, claims=(replace(result.claims[0], key="peak_power"),))
    assert gravest(on_power, 3)[0].code == "pull-order"


def test_verdict_table_holds_each_configuration_and_what_differences_are_adjusted_for(demo, result):
    def made(result):
        blocks = decision(demo.chain.campaign, result, "")
        assert 1 <= len(next(b for b in blocks if isinstance(b, ItemList)).items) <= 3
        return table(blocks, "tab-verdict")

    rows = made(result).rows
    assert rows[0][0] == result.baseline.name and len(rows) == len(result.configurations)
    assert "●" in "".join(rows[-1])
    fit = CovariateFit("start_coolant", 0.1, 0.05, 2.0, None, None, 0.5, 0.6)
    rows = tuple(replace(c, covariates=(fit,)) if c.key == CITY else c for c in result.comparisons)
    notes = made(replace(result, comparisons=rows)).notes
    assert any(note.startswith("Adjusted for coolant at the start, fixed before") for note in notes)


def test_deciding_metrics_are_those_that_the_campaign_names(demo):
    campaign, metrics = demo.chain.campaign, demo.chain.result.metrics

    def named(*texts: str):
        about = campaign.about.model_copy(update={"decides": texts})
        return deciding_keys(campaign.model_copy(update={"about": about}), metrics)

    assert named("recovery_time: 5 degF", "peak_iat") == ("recovery_time:2.78K", "peak_iat")
    assert named("mean_over_ambient: highway") == ("mean_over_ambient:highway",)
    for text, words in (
        ("mean_over_ambiant: city", "Did you mean “mean_over_ambient”?"),
        ("mean_over_ambient: town", "There are “mean_over_ambient: city”"),
        ("recovery_time: 9 degF", "There are"),
        ("recovery_time: soon", "campaign.decides[1]"),
        ("peak_power", "is not among the metrics"),
    ):
        with pytest.raises(CampaignError) as error:
            named(text)
        assert words in str(error.value) and "campaign.decides[1]" in str(error.value)
