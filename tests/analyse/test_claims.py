"""Claims: guard band and risk, words held against the metric, direct comparisons, limits on values."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from analyse.studies import MARGINS, PHASES
from analyse.studies import campaign as make_campaign
from analyse.test_compare import GRID, PAIRS, VALUES, Drawn, Shifts, rows
from intake_report.analyse.claim_check import claim_mistakes, find_key
from intake_report.analyse.claims import ClaimEvidence, direct_comparisons, judge_claims, side_uncertainty
from intake_report.analyse.compare import compare, compare_pair
from intake_report.campaign import Claim, Planning
from intake_report.demo.scenario import OPEN, SEALED, STOCK
from intake_report.messages import message, said
from intake_report.metrics import keys
from intake_report.results.text import interval_text

METRICS = keys(MARGINS, PHASES, 45.0)
SEALED_ID, OPEN_ID, STOCK_ID = SEALED.id, OPEN.id, STOCK.id


def claim(text="The sealed box stays closer to ambient in the city.", **more) -> Claim:
    given = {"id": "c", "text": text, "metric": "mean_over_ambient", "phase": "city", "configuration": SEALED_ID}
    given |= {"relation": "lower"} | more
    if given["metric"] != "mean_over_ambient":
        given.pop("phase")
    return Claim.model_validate({k: v for k, v in given.items() if v is not None})


STATION = SimpleNamespace(id="station", kind="station")


def model(*claims: Claim, **metrics):
    base = make_campaign((STOCK, OPEN, SEALED), **metrics)
    return base.model_copy(update={"claims": claims, "weather": (STATION,)})


def judge(one: Claim, values=None, layout: str = GRID, draws=None, reference="station", **metrics):
    campaign = model(one, **metrics)
    assert not list(claim_mistakes(campaign, METRICS))
    key = find_key(one, METRICS)
    numbers = rows(key, layout, values if values is not None else VALUES)
    found = compare(campaign, (key,), numbers, draws)
    direct = direct_comparisons(campaign, (key,), numbers, found, draws)
    (result,) = judge_claims(campaign, (key,), numbers, (*found, *direct), reference, draws)
    return result


def words(result) -> str:
    return said(result.reason, "si")


def recovers(text: str, **more) -> Claim:
    return claim(text, metric="recovery_time", margin="3 degF", **more)


def minute(**more):
    return recovers("Within 3 °F of ambient a minute after entry.", **({"relation": "at most", "value": "60 s"} | more))


def test_supported_with_its_risk():
    result = judge(claim())
    assert result.verdict == "supported" and result.limit == 0.0 and result.risk == pytest.approx(0.025)
    assert result.estimate + result.guard_band < 0.0
    assert result.guard_band == pytest.approx(result.high - result.estimate)
    assert result.probability > 1.0 - result.risk
    assert all(part in words(result) for part in ("guard band", "risk", "3 runs against 3"))


def test_the_guard_band_is_that_of_the_side_of_the_limit():
    """An interval that reaches 6 above and 2 below its estimate: the side towards the limit decides, not the other."""
    evidence = ClaimEvidence(message(""), 10.0, 8.0, 16.0, 2.0, None, True, "time")
    campaign = model(claim())
    above, below = 6.0 / 1.959964, 2.0 / 1.959964
    # at most 13, the upper side; beyond the limit, the lower side; at least 7 and 13; both limits, the wider side
    limits = ((None, 13.0), (None, 7.0), (7.0, None), (13.0, None), (7.0, 13.0))
    found = [side_uncertainty(campaign, evidence, *between) for between in limits]
    assert found == pytest.approx([above, below, below, above, above])


def _recoveries(rng, factor):
    """Three blocks of recovery times to a margin that a sensor's bias may lift out of reach, and draws of the bias."""
    rise, u = 12.0, 0.45
    left = 1.67 - 1.0 - rng.normal(0.0, u)  # the margin less the plateau and the sensor's bias, the same in all runs
    shifted = left - np.random.default_rng(11).normal(0.0, u, 400)
    values, draws = [], {}
    for i, tau in enumerate((50.0, 50.0 * factor) * 3):
        scale = tau * np.exp(rng.normal(0.0, 0.06))
        values.append(scale * np.log(rise / left) if left > 0 else (400.0,))
        draws[f"r{i}"] = np.where(shifted > 0, scale * np.log(rise / np.maximum(shifted, 1e-9)), np.inf)
    return values, draws


@pytest.mark.parametrize(("factor", "least", "most"), [(1.0, 0.0, 0.05), (0.5, 0.5, 1.0)])
def test_sooner_is_decided_by_the_sign_draw_by_draw(factor, least, most):
    """Of 150 campaigns with an open interval: without a difference at most 2.5 % are called sooner (5 % with chance)."""
    rng = np.random.default_rng(4)
    order = recovers("The sealed box recovers sooner.")
    key = find_key(order, METRICS)
    calls = []
    while len(calls) < 150:
        values, draws = _recoveries(rng, factor)
        if isinstance(values[0], tuple):
            continue
        numbers = rows(key, PAIRS, values)
        row = compare_pair(model(order), key, numbers, SEALED_ID, STOCK_ID, Drawn(draws))
        if row.low is not None and row.high is not None:
            continue
        (result,) = judge_claims(model(order), (key,), numbers, (row,), "station")
        calls.append(result)
    assert least <= np.mean([c.verdict == "supported" for c in calls]) <= most
    shown = [c for c in calls if c.verdict == "supported"]
    assert all(c.probability > 0.975 and "draw by draw" in words(c) for c in shown)
    assert not least or any(", by at least" in words(c) for c in shown)


def test_probability_is_that_of_student():
    """JCGM 106:2012, 7: conformance probability from estimate, uncertainty, degrees of freedom; scipy as reference."""
    result = judge(claim(relation="at most", versus=STOCK_ID, value="-3 delta_degC"))
    u = (result.high - result.low) / 2 / stats.t.ppf(0.975, 64 / 17)
    assert result.probability == pytest.approx(stats.t.cdf((-3.0 - result.estimate) / u, 64 / 17), abs=1e-6)


def beyond(value):
    return claim(relation="at most", versus=STOCK_ID, value=value)


SAME = claim("No difference.", relation="equal")
MARGIN = {"equivalence": {"mean_over_ambient": "0.5 delta_degC"}}
NARROW = (9.0, 9.1, 9.05, 8.0, 8.05, 8.1, 9.5, 9.6, 9.52)
WIDE = (9.0, 9.8, 8.2, 8.0, 8.9, 9.4, 9.5, 8.6, 9.0)


@pytest.mark.parametrize(
    ("one", "values", "layout", "verdict", "part"),
    [
        (claim(relation="higher"), VALUES, GRID, "not supported", "further from ambient;"),
        (claim("The cone runs hotter.", configuration=OPEN_ID, relation="higher"), VALUES, GRID, "supported", ""),
        (claim(value="1 delta_degC"), VALUES, GRID, "supported", "at most 1.0\u00a0K further from ambient;"),
        (claim(relation="higher", value="-1 K"), VALUES, GRID, "not supported", "at most 1.0\u00a0K closer"),
        (claim("Hotter.", configuration=STOCK_ID, versus=SEALED_ID, relation="higher"), VALUES, GRID, "supported", ""),
        (beyond("-1 delta_degC"), VALUES, GRID, "supported", "at least 1.0\u00a0K closer to ambient;"),
        (beyond("-3.3 delta_degC"), VALUES, GRID, "not shown", ""),
        (beyond("-6 delta_degC"), VALUES, GRID, "not supported", ""),
        (claim(), (9.0, 5.0), "s1 e1", "indication only", ""),
        (claim(), (9.0, 9.1, 9.2, 5.0, 5.1, 5.2), "s1 s1 s1 e2 e2 e2", "indication only", "cannot be told apart"),
        (SAME, NARROW, GRID, "supported", "equal within ± 0.5 delta_degC;"),
        (SAME, VALUES, GRID, "not supported", ""),
        (SAME, WIDE, GRID, "not shown", ""),
        (minute(), (40.0, 44.0, 41.0), "e0 e1 e2", "supported", "at most 60\u00a0s;"),
        (minute(), (58.0, 66.0, 50.0), "e0 e1 e2", "not shown", ""),
        (minute(), (90.0, 95.0, 99.0), "e0 e1 e2", "not supported", ""),
        (minute(), (40.0,), "e0", "indication only", ""),
        # not reached can refute a time, not support it
        (minute(), [(300.0,), 280.0, (310.0,)], "e0 e1 e2", "not supported", ""),
        (minute(), [(50.0,), 40.0, 41.0], "e0 e1 e2", "not shown", "at least"),
        (minute(relation="at least", value="100 s"), [(300.0,), 280.0, (310.0,)], "e0 e1 e2", "supported", ""),
        # runs of one block count once for a value
        (minute(), (40.0, 40.1, 40.2, 70.0, 70.1, 70.2), "e0 e0 e0 e1 e1 e1", "not shown", "in 2 blocks"),
    ],
)
def test_verdicts(one, values, layout, verdict, part):
    result = judge(one, values, layout, **(MARGIN if one is SAME else {}))
    assert result.verdict == verdict and part in f"{said(result.judged, 'si')}; {words(result)}"


def test_direct_comparison_of_two_candidates():
    result = judge(claim("The sealed box is cooler than the open cone.", versus=OPEN_ID))
    assert result.verdict == "supported" and result.versus == OPEN_ID
    assert result.estimate == pytest.approx(np.mean([5.4, 5.0, 6.3]) - np.mean([12.0, 11.9, 12.2]))


def test_wider_by_shared_biases_turns_supported_into_not_shown():
    one = recovers("It recovers sooner.")
    numbers = (90.0, 120.0, 70.0, 81.0, 119.0, 66.0, 96.0, 122.0, 73.0)
    assert judge(one, numbers).verdict == "supported"
    values = rows(find_key(one, METRICS), GRID, numbers)
    gain = {v.run: 40.0 if v.configuration == SEALED_ID else 10.0 for v in values}
    assert judge(one, numbers, draws=Shifts(values, gain, 0.5)).verdict == "not shown"


def test_holm_takes_back_what_only_one_look_shows():
    one = claim()
    campaign, key = model(one), find_key(one, METRICS)
    values = rows(key, GRID, VALUES)
    raised = tuple(replace(c, p_adjusted=0.2) for c in compare(campaign, (key,), values))
    (result,) = judge_claims(campaign, (key,), values, raised)
    assert result.verdict == "not shown" and "Holm" in words(result)


def test_a_claim_on_one_run_is_judged_by_the_instruments_of_that_run():
    """The interval of the table of uncertainty, no t interval, no mean of one; and an indication whatever the value."""
    key = find_key(minute(), METRICS)
    assessed = {"u": 25.0, "low": 3.0, "high": 110.0, "draws_not_reached": 0.0}
    for number in (40.0, 400.0):
        values = rows(key, "e0", (number,), **assessed)
        (result,) = judge_claims(model(minute()), (key,), values, (), "station")
        assert result.verdict == "indication only"
        assert interval_text(values[0], key, "si").split("(")[1].rstrip(")") in words(result).replace("\u00a0s", "")
        assert "in the one run" in words(result) and "mean" not in words(result) and "n = 1" not in words(result)
    values = rows(key, "e0", (40.0,), **(assessed | {"high": None, "draws_not_reached": 0.2}))
    (result,) = judge_claims(model(minute()), (key,), values, (), "station")
    assert "(instruments alone: above 3\u00a0s)" in words(result) and result.verdict == "indication only"


def test_a_rise_that_the_reading_does_not_resolve_decides_no_claim():
    one = claim("It rises by less than 3 K at a stop.", metric="rise_per_stop", relation="at most", value="3 K")
    key = find_key(one, METRICS)
    values = rows(key, "e0 e1 e2", (0.6, 0.7, 0.6))
    (plain,) = judge_claims(model(one), (key,), values, ())
    assert plain.verdict == "supported"
    unresolved = tuple(replace(v, note=message("below two steps", "unresolved-rise")) for v in values)
    (result,) = judge_claims(model(one), (key,), unresolved, ())
    assert result.verdict == "cannot be tested" and "cannot resolve it" in words(result)


def test_a_mean_has_the_t_interval():
    result, numbers = judge(minute(), (40.0, 44.0, 41.0), "e0 e1 e2"), np.array([40.0, 44.0, 41.0])
    assert (result.low, result.high) == pytest.approx(stats.t.interval(0.95, 2, numbers.mean(), stats.sem(numbers)))


def test_a_time_is_never_below_zero():
    result = judge(minute(), (2.0, 30.0, 5.0), "e0 e1 e2")
    assert result.low == 0.0 and result.high > 40.0 and "0 to" in words(result) and "\u2212" not in words(result)


def test_a_bias_does_not_cancel_in_a_value_and_draws_that_do_not_reach_leave_a_mean_open_above():
    given = (40.0, 44.0, 41.0), "e0 e1 e2"
    values = rows(find_key(minute(), METRICS), given[1], given[0])
    small, large = (Shifts(values, {v.run: 1.0 for v in values}, u) for u in (0.1, 20.0))
    assert [judge(minute(), *given, draws).verdict for draws in (small, large)] == ["supported", "not shown"]
    small._draws["r1"][:200] = np.inf
    result = judge(minute(), *given, small)
    assert result.verdict == "not shown" and result.high is None and "above" in words(result)


@pytest.mark.parametrize(
    ("one", "part"),
    [
        (SAME, "needs a margin"),
        (claim("20 % cooler in the city."), "ratio"),
        (claim("Twice as cool.", metric="peak_iat"), "where the scale puts its zero"),
        (claim("Cooler.", metric="peak_iat", value="20 %"), "where the scale puts its zero"),
        (recovers("Recovers 30 percent faster."), "state it in"),
        (recovers("Within 5 °F of ambient sooner."), "different margins"),
        (claim("Within 3 °F of ambient in the city."), "knows no margin"),
        (claim("Closer to ambient at its peak.", metric="peak_iat"), "not referred to ambient"),
        (claim("Closer to the airport's temperature."), "another ambient"),
        (claim("Closer to what the car's ambient sensor shows."), "another ambient"),
        (claim("At most 2 K above ambient.", relation="at most", versus=None, value="4 delta_degC"), "the value judged is 4"),
        (recovers("Reached within 60 s.", relation="at most", value="90 s"), "the value judged is 90"),
    ],
)  # fmt: skip
def test_words_that_do_not_fit_the_metric(one, part):
    result = judge(one)
    assert result.verdict == "cannot be tested" and part in words(result)


@pytest.mark.parametrize(
    ("bounds", "part"),
    [((240.0,), "no run reached the margin"), ((0.0,), "was within the margin"), ((240.0, 0.0), "or did not reach it")],
)
def test_a_difference_of_times_that_no_run_has_says_why(bounds, part):
    assert part in words(judge(recovers("Sooner."), [(bounds[i % len(bounds)],) for i in range(9)]))


@pytest.mark.parametrize(
    "one",
    [
        recovers("Within 3 °F of ambient sooner."),
        recovers("Within 1.7 K of ambient sooner."),
        claim("Closer to ambient at the weather station."),
        claim("At most 4 K above ambient.", relation="at most", value="4 delta_degC"),
        minute(),
        recovers("Within 3 °F after 1 min.", relation="at most", value="60 s"),
    ],
)
def test_words_that_fit(one):
    assert judge(one).verdict != "cannot be tested"


@pytest.mark.parametrize(
    ("one", "where", "part"),
    [
        (claim(metric="mean_over_ambiant"), ".metric", "Did you mean “mean_over_ambient”?"),
        (claim(phase=None), "", "needs a phase"),
        (claim(metric="recovery_time"), "", "needs a margin"),
        (claim(phase="citi"), ".phase", "there is no phase “citi”. Did you mean “city”?"),
        (claim(metric="recovery_time", margin="4 degF"), ".margin", "for a margin of 4\u00a0°F"),
        (
            claim(metric="time_above_limit"),
            ".metric",
            "needs a limit, which the campaign lacks. Set metrics.alarm_limit.",
        ),
        (claim(relation="at most"), "", "needs a value"),
        (claim(value="20 s"), ".value", "does not measure"),
        (claim(value="1e999 K"), ".value", "beyond all bounds"),
        (claim(versus=SEALED_ID), ".versus", "with itself"),
        (claim(configuration=STOCK_ID), ".versus", "with itself"),
        (claim(metric="peak_power", phase=None), ".metric", "the campaign has no pull"),
    ],
)
def test_mistakes_are_refused_with_the_key(one, where, part):
    (error,) = claim_mistakes(model(one), keys(MARGINS, PHASES, None))
    assert part in str(error) and error.where == f"claim[1]{where}"


def test_a_margin_of_equivalence_or_a_worth_that_is_none_cites_its_key():
    for metric, margin in (("mean_over_ambient", each) for each in ("1 parsec", "0.5", "-1 K")):
        (error,) = claim_mistakes(model(equivalence={metric: margin}), METRICS)
        assert error.where == f"metrics.equivalence.{metric}"
    (error,) = claim_mistakes(model(equivalence={"mean_over_ambiant": "1 delta_degC"}), METRICS)
    assert "Did you mean “mean_over_ambient”?" in str(error)
    for text in ("10", "1 parsec", "0 K", "1e999 K"):
        planned = model(claim()).model_copy(update={"plan": Planning(worth={"c": text})})
        (error,) = claim_mistakes(planned, METRICS)
        assert error.where == "plan.worth.c"
