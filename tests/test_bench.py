"""Restriction, airflow, exposure and serviceability: what is refused and what is said."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from intake_report.bench import (
    CAUTION_ROAD,
    CAUTION_WATER,
    ExposureTrial,
    common_airflow,
    compare_restriction,
    discharge_coefficient,
    exposure_bound,
    fit_restriction,
    more_airflow,
    orifice_expansibility,
    orifice_mass_flow,
    orifice_plate,
    power_effect_bound,
    read_restriction,
    restriction_at,
    road_restriction,
    scale_airflow,
    service_times,
    summarise_exposure,
    theoretical_volume_flow,
    volumetric_efficiency,
)
from intake_report.errors import DataError

Q = np.array([0.05, 0.08, 0.11, 0.14, 0.17])


@given(st.floats(1.2, 2.4), st.floats(0.5, 500.0))
def test_exact_power_law_is_recovered(exponent: float, coefficient: float) -> None:
    fit = fit_restriction("standard", Q, coefficient * Q**exponent)
    assert fit.exponent == pytest.approx(exponent, rel=1e-9)
    assert fit.coefficient == pytest.approx(coefficient, rel=1e-8)
    assert restriction_at(fit, 0.1).drop == pytest.approx(coefficient * 0.1**exponent, rel=1e-9)


def test_interval_covers_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(11)
    inside = 0
    for _ in range(400):
        fit = fit_restriction("s", Q, 100.0 * Q**1.9 * np.exp(0.03 * rng.standard_normal(Q.size)))
        value = restriction_at(fit, 0.15)
        assert value.low is not None and value.high is not None
        inside += value.low <= 100.0 * 0.15**1.9 <= value.high
    assert 0.92 <= inside / 400 <= 0.98  # 95 % with 400 draws: standard error 1.1 %


def test_restriction_fit_is_told_apart_from_two_points() -> None:
    two = fit_restriction("s", Q[:2], 100.0 * Q[:2] ** 2)
    assert two.exponent_low is None
    assert "two points only" in two.note
    assert restriction_at(two, 0.06).low is None
    odd = fit_restriction("s", Q, 10.0 * Q**1.1)
    assert "usual for intakes (common practice)" in odd.note
    json.dumps([asdict(two), asdict(odd)], allow_nan=False)


def test_restriction_is_not_extrapolated() -> None:
    fit = fit_restriction("s", Q, 100.0 * Q**2)
    with pytest.raises(DataError, match="outside the measured"):
        restriction_at(fit, 0.2)
    assert restriction_at(fit, common_airflow([fit])).drop == pytest.approx(100.0 * 0.17**2, rel=1e-9)


def test_common_airflow() -> None:
    a, b = fit_restriction("a", Q[:3], Q[:3] ** 2), fit_restriction("b", Q[2:], Q[2:] ** 2)
    assert common_airflow([a, b]) == 0.11
    with pytest.raises(DataError, match="of a and c have no airflow in common"):
        common_airflow([a, fit_restriction("c", Q[3:], Q[3:] ** 2)])
    with pytest.raises(DataError, match="no restriction curve"):
        common_airflow([])


@pytest.mark.parametrize(
    ("airflow", "drop", "message"),
    [
        ([0.1], [1.0], "two airflows"),
        ([0.1, 0.1], [1.0, 1.1], "two airflows"),
        ([0.1, 0.2], [0.0, 1.0], "must be positive"),
        ([0.1, 0.2], [1.0, -1.0], "must be positive"),
        ([0.1, 0.2], [1.0], "differ in length"),
    ],
)
def test_bad_restriction(airflow: list[float], drop: list[float], message: str) -> None:
    with pytest.raises(DataError, match=message):
        fit_restriction("s", airflow, drop)


def test_restriction_from_a_table(tmp_path: Path) -> None:
    path = tmp_path / "flow.csv"
    path.write_text("Flow,Drop\n100,1.0\n200,4.0\n300,9.0\n", encoding="utf-8")
    columns = {"Flow": "airflow [cfm]", "Drop": "drop [inH2O]"}
    fit = read_restriction(path, columns, configuration="standard")
    assert fit.exponent == pytest.approx(2.0, abs=1e-9)
    assert restriction_at(fit, 200.0 * 4.719474432e-4).drop == pytest.approx(4.0 * 0.24908891, rel=1e-6)
    with pytest.raises(DataError, match="No column is mapped to drop"):
        read_restriction(path, {"Flow": "airflow [cfm]"}, configuration="standard")


def test_restriction_from_the_road() -> None:
    q, drop = road_restriction(
        [99.0, 99.0, 99.0, np.nan, 99.0],
        [97.0, 96.0, 99.5, 95.0, 60.0],
        [0.1, 0.12, 0.1, 0.1, 0.02],
        [90, 95, 90, 90, 20],
    )
    np.testing.assert_array_equal(q, [0.1, 0.12])
    np.testing.assert_allclose(drop, [2.0, 3.0])
    with pytest.raises(DataError, match="differ in length"):
        road_restriction([99.0], [97.0, 96.0], [0.1], [90.0])


def test_percentage_needs_equal_depressions() -> None:
    found = more_airflow(300.0, 330.0, baseline_depression=6.97, candidate_depression=6.98)
    assert found == pytest.approx(10.0, abs=1e-9)
    with pytest.raises(DataError, match="cannot be compared as a percentage"):
        more_airflow(300.0, 330.0, baseline_depression=2.49, candidate_depression=6.97)
    with pytest.raises(DataError, match="must be positive"):
        more_airflow(0.0, 330.0, baseline_depression=2.49, candidate_depression=2.49)


def test_depression_scaling_states_its_range() -> None:
    near = scale_airflow(200.0, 10.0, 28.0)
    assert near.in_range
    assert near.other / near.airflow == pytest.approx(2.8 ** (1.0 / 1.8 - 0.5), rel=1e-12)
    assert "5.9 % different" in near.note
    far = scale_airflow(200.0, 1.5, 28.0)
    assert not far.in_range
    assert "too far for the rule" in far.note
    with pytest.raises(DataError, match="positive depressions"):
        scale_airflow(200.0, 0.0, 28.0)


def test_airflow_refuses_nonsense() -> None:
    with pytest.raises(DataError, match="must be positive"):
        theoretical_volume_flow(0.0, 3000.0)
    with pytest.raises(DataError, match="must be positive"):
        volumetric_efficiency(50.0, 2.0, 3000.0, 0.0)
    with pytest.raises(DataError, match=r"outside ISO 5167-2 \(0.75 to 1\)"):
        orifice_expansibility(0.5, 100.0, 50.0)
    with pytest.raises(DataError, match=r"diameter ratio of 0\.90"):
        discharge_coefficient(0.1, 0.09, 1e5)
    with pytest.raises(DataError, match="Swap the columns"):
        orifice_mass_flow(0.1, 0.05, 99.0, 100.0, 1.2, 0.6, 1.0)
    with pytest.raises(DataError, match="between 0 and the ambient"):
        power_effect_bound(100.0, 99.0)
    assert theoretical_volume_flow(2.0, 3000.0, strokes=2) == 2.0 * theoretical_volume_flow(2.0, 3000.0)
    assert orifice_plate(0.1, 0.05, 100.0, 100.0, 1.2, 1.8e-5) == 0.0


def test_zero_of_six_wet_trials() -> None:
    trials = [ExposureTrial("covered", "wet", "filter dry to the touch", False, 900.0) for _ in range(6)]
    (result,) = summarise_exposure(trials)
    assert result.bound.sentence == (
        "0 of 6 wet trials showed moisture: the chance per trial may still be up to 39 % at 95 % confidence (one-sided)."
    )
    assert result.minutes == 90.0
    assert CAUTION_WATER in result.cautions and CAUTION_ROAD in result.cautions
    json.dumps(asdict(result), allow_nan=False)


def test_configurations_and_conditions_are_not_pooled() -> None:
    trials = [
        ExposureTrial("open", "wet", "drops in the box", True, None, "bench engineer", 0.250, 0.262),
        ExposureTrial("open", "wet", "dry", False, 600.0, "bench engineer", 0.250, 0.252),
        ExposureTrial("covered", "wet", "dry", False, 600.0),
        ExposureTrial("open", "dusty", "clean side clean", False, 600.0),
    ]
    results = summarise_exposure(trials)
    assert [(r.configuration, r.condition, r.bound.k, r.bound.n) for r in results] == [
        ("open", "wet", 1, 2),
        ("covered", "wet", 0, 1),
        ("open", "dusty", 0, 1),
    ]
    assert results[0].minutes is None
    assert results[0].mass_gain is not None
    assert results[0].mass_gain.mean == pytest.approx(7.0, abs=1e-9)
    assert "(two-sided)" in results[0].bound.sentence
    assert results[2].cautions == (CAUTION_ROAD,)


def test_impossible_counts() -> None:
    with pytest.raises(DataError, match="7 adverse observations in 6 trials are not possible"):
        exposure_bound(7, 6)
    with pytest.raises(DataError, match="-1 adverse"):
        exposure_bound(-1, 6)
    with pytest.raises(DataError, match="No trial was made"):
        exposure_bound(0, 0)
    with pytest.raises(DataError, match=r"lost 10\.0 g in a dusty trial"):
        summarise_exposure([ExposureTrial("open", "dusty", "clean", False, None, "", 0.260, 0.250)])


@given(st.integers(1, 60), st.data())
def test_bound_contains_the_observed_share(n: int, data: st.DataObject) -> None:
    k = data.draw(st.integers(0, n))
    found = exposure_bound(k, n)
    assert found.low <= k / n <= found.high


def test_service_times() -> None:
    records = [("open", "change filter", 300.0), ("open", "change filter", 360.0), ("standard", "change filter", 600.0)]
    first, second = service_times(records)
    assert first.minutes.mean == pytest.approx(5.5)
    assert first.minutes.n == 2
    # t(0.975, 1) = 12.706 (any t table)
    assert first.minutes.high is not None
    assert first.minutes.high - 5.5 == pytest.approx(12.706 * 0.5, rel=1e-4)
    assert second.minutes.low is None
    assert (first.shortest, first.longest) == (5.0, 6.0)
    assert "engine off" in first.cautions[0]
    with pytest.raises(DataError, match="not possible"):
        service_times([("open", "change filter", 0.0)])


def test_interval_of_a_comparison_is_not_too_narrow() -> None:
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(300):
        noise = 0.03 * rng.standard_normal((2, Q.size))
        base = fit_restriction("s", Q, 100.0 * Q**1.9 * np.exp(noise[0]))
        other = fit_restriction("t", Q, 80.0 * Q**1.9 * np.exp(noise[1]))
        found = compare_restriction(base, other, 0.15)
        assert found.low is not None and found.high is not None
        inside += found.low <= -20.0 <= found.high
    assert inside / 300 >= 0.94  # 95 % stated, wide by construction; standard error 1.3 %
