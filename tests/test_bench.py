"""Restriction, airflow, exposure and serviceability: what is refused and what is said."""

import json

import numpy as np
import pytest

from intake_report import bench
from intake_report.bench import Scaling, fit_restriction, restriction_set, service_times, summarise_exposure
from intake_report.campaign.sections import Exposure, Observation
from intake_report.errors import DataError
from intake_report.messages import Part, said
from intake_report.report_table import rows_of
from intake_report.results.text import EXPOSURE, as_json

Q = np.array([0.05, 0.08, 0.11, 0.14, 0.17])


def in_si(part: Part) -> str:
    return said(part, "si").replace("\u00a0", " ")


def at(airflow: float, *fits: bench.RestrictionFit):
    """Return the rows of curves compared with the first one at an airflow."""
    return list(rows_of(restriction_set("bench", fits, fits[0].configuration, airflow).rows))


def trial(configuration: str, condition: str, observation: str, adverse: bool = False, **keys) -> Exposure:
    return Exposure(configuration=configuration, condition=condition, observation=observation, adverse=adverse, **keys)


def timed(configuration: str, time: str) -> Observation:
    return Observation(configuration=configuration, task="change filter", time=time)


@pytest.mark.parametrize(("pairs", "least", "most"), [(400, 0.92, 0.98), (300, 0.94, 1.0)])
def test_intervals_cover_the_truth_as_often_as_they_say(pairs: int, least: float, most: float) -> None:
    """95 % of a curve (standard error 1.1 %) and of the difference of two, wide by construction (1.3 %)."""
    rng = np.random.default_rng(11)
    inside = 0
    for _ in range(pairs):
        stock, trial = np.exp(0.03 * rng.standard_normal((2, Q.size))) * Q**1.9
        base, other = at(0.15, fit_restriction("s", Q, 100.0 * stock), fit_restriction("t", Q, 80.0 * trial))
        if most < 1.0:
            inside += base.drop_low <= 100.0 * 0.15**1.9 <= base.drop_high
        else:
            inside += other.percent_low <= -20.0 <= other.percent_high
    assert least <= inside / pairs <= most


def test_restriction_fit_is_told_apart_from_two_points() -> None:
    two = fit_restriction("s", Q[:2], 100.0 * Q[:2] ** 2)
    assert two.exponent_low is None
    assert "two points only" in in_si(two.note)
    assert at(0.06, two)[0].drop_low is None
    for exponent, questioned in ((1.45, True), (1.55, False), (2.15, False), (2.25, True)):
        curve = fit_restriction("s", Q, 10.0 * Q**exponent)
        assert ("usual for intakes (common practice)" in in_si(curve.note)) == questioned
    json.dumps([as_json(two, "si"), as_json(curve, "si")], allow_nan=False)


def test_restriction_is_compared_where_all_curves_were_measured() -> None:
    a, b = fit_restriction("a", Q[:3], Q[:3] ** 2), fit_restriction("b", Q[2:], Q[2:] ** 2)
    both = restriction_set("bench", [a, b], "a")
    assert both.airflow == 0.11 and both.rows["drop"].tolist() == pytest.approx([0.11**2] * 2)
    outside = restriction_set("bench", [a, b], "a", 0.15)
    assert outside.airflow is None and outside.rows["drop"].isna().all()
    reason = said(outside.reason, "us").replace("\u00a0", " ")
    assert reason == "Restriction of a: 318 cfm is outside the measured 106 cfm to 233 cfm."
    apart = restriction_set("bench", [a, fit_restriction("c", Q[3:], Q[3:] ** 2)], "a")
    assert apart.airflow is None and "of a and c have no airflow in common" in in_si(apart.reason)


@pytest.mark.parametrize("drops", [[1.0, 1.0], [2.0, 1.0]])
def test_airflow_is_not_read_from_a_curve_that_does_not_rise(drops):
    curves = [fit_restriction("odd", [0.1, 0.2], drops), fit_restriction("b", [0.1, 0.2], [1.0, 3.0])]
    found = restriction_set("bench", curves, "b")
    assert found.airflow == 0.2 and found.depression is None and "flow" in found.rows


def lost_mass() -> object:
    return summarise_exposure([trial("open", "dusty", "clean", filter_mass_before="260 g", filter_mass_after="250 g")])


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: fit_restriction("s", [0.1], [1.0]), "two airflows"),
        (lambda: fit_restriction("s", [0.1, 0.1], [1.0, 1.1]), "two airflows"),
        (lambda: fit_restriction("s", [0.1, 0.2], [0.0, 1.0]), "must be positive"),
        (lambda: fit_restriction("s", [0.1, 0.2], [1.0, -1.0]), "must be positive"),
        (lambda: service_times([timed("open", "0 s")]), "not possible"),
        (lost_mass, r"lost 10\.0 g in a dusty trial"),
    ],
)
def test_what_cannot_be_is_refused(call, words: str) -> None:
    with pytest.raises(DataError, match=words):
        call()


def test_depression_scaling_states_its_range() -> None:
    near, far = Scaling(10.0, 28.0), Scaling(1.5, 28.0)
    assert near.in_range and "5.9 % different" in in_si(near.note)
    assert not far.in_range and "by a factor of 18.7, too far for the rule" in in_si(far.note)


def test_airflow_is_compared_at_one_depression() -> None:
    base, more = fit_restriction("s", Q, 100.0 * Q**2), fit_restriction("t", Q, 64.0 * Q**2)
    curves = restriction_set("bench", [base, more], "s", to=2.0 * 64.0 * 0.17**2)
    assert curves.depression == pytest.approx(64.0 * 0.17**2)
    first, second = rows_of(curves.rows)
    assert second.more == pytest.approx(25.0) and first.more is None
    assert first.scaled == pytest.approx(first.flow * 2.0**0.5)


def test_intervals_of_unlike_curves() -> None:
    """The law read backwards where one curve ends; a difference with the smaller df, 2 of 3 (4.303, 3.182: any t table)."""
    fine = fit_restriction("f", Q, 100.0 * Q**2 * [1.01, 0.99, 1.01, 0.99, 1.0])
    rough = fit_restriction("r", Q[:4], 80.0 * Q[:4] ** 2 * [1.02, 0.98, 1.01, 0.99])
    first, second = rows_of(restriction_set("bench", [fine, rough], "f").rows)
    one, other = np.log(first.drop_high / first.drop), np.log(second.drop_high / second.drop)
    assert np.log(second.flow_high / second.flow) == pytest.approx(other / rough.exponent, rel=1e-9)
    assert (first.difference, second.difference) == (None, pytest.approx(second.drop - first.drop))
    half = np.log((100.0 + second.percent_high) / (100.0 + second.percent))
    assert half == pytest.approx(4.303 * np.hypot(one / 3.182, other / 4.303), rel=1e-3)


def test_zero_of_six_wet_trials() -> None:
    frame = summarise_exposure([trial("covered", "wet", "filter dry to the touch", trials=6, duration="15 min")])
    (result,) = rows_of(frame)
    assert in_si(result.sentence) == (
        "0 of 6 wet trials showed moisture: the chance per trial may still be up to 39 % at 95 % confidence (one-sided)."
    )
    assert result.duration == 90.0 * 60.0
    assert bench.trial_cautions(frame["condition"]) == (bench.CAUTION_WATER, bench.CAUTION_ROAD)
    json.dumps(as_json(frame, "si"), allow_nan=False)


def test_configurations_and_conditions_are_not_pooled() -> None:
    masses = {"filter_mass_before": "250 g", "filter_mass_after": "262 g"}
    trials = [
        trial("open", "wet", "drops in the box", True, **masses),
        trial("open", "wet", "dry", duration="10 min", **masses | {"filter_mass_after": "252 g"}),
        trial("covered", "wet", "dry", duration="10 min"),
        trial("open", "dusty", "clean side clean", duration="10 min"),
    ]
    results = list(rows_of(summarise_exposure(trials)))
    expected = [("open", "wet", 1, 2), ("covered", "wet", 0, 1), ("open", "dusty", 0, 1)]
    assert [(r.configuration, r.condition, r.k, r.n) for r in results] == expected
    assert results[0].duration is None and results[0].gain == pytest.approx(0.007, abs=1e-9)
    assert EXPOSURE["mass_gain_text"](results[0], "us").startswith("7.0\u00a0g (")
    assert "(two-sided)" in in_si(results[0].sentence)
    assert bench.trial_cautions(["dusty"]) == (bench.CAUTION_ROAD,)


def test_service_times() -> None:
    timings = [timed("open", "5 min"), timed("open", "6 min"), timed("standard", "10 min")]
    first, second = rows_of(service_times(timings))
    assert (first.mean, first.n) == (pytest.approx(330.0), 2)
    # t(0.975, 1) = 12.706 (any t table)
    assert first.high - 330.0 == pytest.approx(12.706 * 30.0, rel=1e-4)
    assert second.low is None
    assert (first.shortest, first.longest) == (300.0, 360.0)
