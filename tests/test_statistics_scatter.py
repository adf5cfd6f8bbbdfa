import math
from itertools import pairwise, permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from intake_report import statistics
from intake_report.errors import DataError
from intake_report.metrics.recovery import CAVEATS, decay, fit_recovery, fit_recovery_many, runs_test
from intake_report.statistics import combine, compare_means, decide, equivalence, guard_band, lag_one

RNG = np.random.default_rng(0)  # not used where all orders are counted
sane = st.floats(-500, 500).map(lambda x: round(x, 2))


def test_lag_one_finds_a_drift_and_not_an_alternation_of_noise():
    drift = np.linspace(0, 6, 9) + np.random.default_rng(5).normal(0, 0.5, 9)
    got = lag_one([drift], np.random.default_rng(1))
    assert got.correlation > 0.5 and got.p_value < 0.01
    assert lag_one([[1.0, 2.0], [3.0]], RNG).correlation is None  # of two values it is not shown


def test_lag_one_keeps_its_level():
    rng = np.random.default_rng(2)
    p = [lag_one([rng.normal(size=6)], rng).p_value for _ in range(400)]
    # twice the smaller tail: at most 5 %, three standard errors of 400
    assert np.mean(np.array(p) <= 0.05) <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 400)
    assert np.mean(np.array(p) <= 0.05) > 0.01


@given(st.lists(st.sampled_from([-1.0, 1.0]), min_size=2, max_size=8))
def test_runs_test_by_counting_every_order(signs):
    got = runs_test(np.array(signs))
    if signs.count(1.0) in (0, len(signs)):
        assert got is None
        return
    every = [1 + sum(x != y for x, y in pairwise(o)) for o in set(permutations(signs))]
    seen = 1 + sum(x != y for x, y in pairwise(signs))
    assert got == pytest.approx(np.mean([r <= seen for r in every]))


def test_known_components_do_not_limit_the_factor():
    assert combine([(2.0, None), (0.0, 5)]) == (2.0, None) and combine([(2.0, 7), (0.0, None)]) == (2.0, 7.0)
    assert combine([(0.0, 3)]) == (0.0, None)


def test_draws_not_reached_and_failed():
    draws = np.array([*range(90), *[np.inf] * 10, np.nan], dtype=float)
    got = statistics.summarise_draws(draws, 0.8)
    assert got.u is None
    # the 10th and the 90th of 100; a higher level needs the upper limit among those not reached
    assert (got.low, got.high) == (9.0, 89.0)
    wider = statistics.summarise_draws(draws, 0.9)
    assert (wider.low, wider.high) == (4.0, None)
    assert got.not_reached == pytest.approx(0.1)
    assert got.failed == pytest.approx(1 / 101)
    with pytest.raises(DataError):
        statistics.summarise_draws(np.array([np.nan]))
    one = statistics.summarise_draws(np.array([3.0]))
    assert (one.u, one.low, one.high) == (None, None, None)


@given(sane, st.floats(0.01, 20), st.floats(0.001, 0.4), st.one_of(st.none(), st.floats(1, 60)))
def test_decisions_keep_their_risk(value, u, risk, df):
    got = decide(value, u, high=0.0, risk=risk, df=df)
    if got.decision == "conforms":
        assert 1 - got.probability <= risk + 1e-9
    elif got.decision == "does not conform":
        assert got.probability <= risk + 1e-9
    else:
        assert min(got.probability, 1 - got.probability) >= risk - 1e-9


@given(st.floats(-3, 3), st.floats(0.05, 3), st.floats(0.001, 0.4), st.one_of(st.none(), st.floats(1, 60)))
def test_two_limits_keep_the_stated_risk_together(value, u, risk, df):
    """A guard band at each of two near limits alone would let through twice the risk."""
    got = decide(value, u, -1.0, 1.0, risk, df)
    if got.decision == "conforms":
        assert 1.0 - got.probability <= risk + 1e-9
    middle = 1.0 / guard_band(1.0, 0.05)  # both guard bands meet in the middle: either tail holds 5 %
    assert decide(0.0, 0.999 * middle, -1.0, 1.0, 0.05).decision == "undecided"
    assert decide(0.0, 1.0 / guard_band(1.0, 0.025), -1.0, 1.0, 0.0501).decision == "conforms"


def test_exact_value():
    assert decide(1.0, 0.0, high=1.0).decision == "conforms"
    assert decide(1.1, 0.0, high=1.0).decision == "does not conform"
    tail = statistics.conformance_probability(0.0, 1.0, 9.0, 10.0)  # of small numbers, not of numbers near one
    assert tail == pytest.approx(stats.norm.sf(9.0) - stats.norm.sf(10.0), rel=1e-9, abs=0.0)


@given(st.lists(sane, min_size=2, max_size=6), st.lists(sane, min_size=2, max_size=6), st.floats(0.1, 500))
def test_equivalence_is_the_shorter_interval_inside_the_margin(a, b, margin):
    difference = compare_means(a, b)
    if difference.standard_error is None:
        return
    p = equivalence(difference.difference, difference.standard_error, difference.df, margin)
    shorter = compare_means(a, b, 0.90)
    if p <= 0.05:
        assert -margin < shorter.low and shorter.high < margin
    found = difference.difference, difference.standard_error
    assert p == pytest.approx(1.0 - statistics.conformance_probability(*found, -margin, margin, difference.df))


def test_no_difference_shown_is_not_equivalence():
    noisy = compare_means([40.0, 50.0, 60.0], [41.0, 52.0, 58.0])
    assert noisy.low < 0 < noisy.high
    assert equivalence(noisy.difference, noisy.standard_error, noisy.df, 2.0) > 0.05


def test_standardised_difference():
    got = compare_means([40.0, 42.0], [36.0, 38.0])
    # two degrees of freedom: Hedges' correction is Γ(1)/Γ(0.5) = 1/√π
    assert statistics.standardised(got) == pytest.approx(-4 / math.sqrt(2) / math.sqrt(math.pi))
    assert statistics.standardised(compare_means([1.0], [2.0])) is None
    assert statistics.standardised(statistics.Difference(None, 3, 3, low=3.0, df=4.0, scatter=1.0)) is None


T = np.arange(0.0, 300.0, 4.0)


def noisy(tau=60.0, final=20.0, change=30.0, sd=0.3, seed=0, t=T):
    return final + change * decay(t, tau) + np.random.default_rng(seed).normal(0, sd, t.size)


@settings(max_examples=60)
@given(st.floats(8, 250), st.floats(-40, 60), st.floats(2, 60), st.sampled_from([-1, 1]))
def test_exact_data_give_the_parameters_back(tau, final, change, sign):
    got = fit_recovery(T, final + sign * change * decay(T, tau))
    assert (got.final, got.change, got.tau) == pytest.approx((final, sign * change, tau), rel=1e-6, abs=1e-6)


@settings(max_examples=30)
@given(st.integers(0, 1000), st.floats(-100, 100), st.sampled_from([0.1, 10.0, -2.0]), st.sampled_from([0.5, 3.0]))
def test_shift_scale_and_unit_of_time(seed, shift, scale, stretch):
    y = noisy(seed=seed)
    plain, moved = fit_recovery(T, y), fit_recovery(stretch * T, scale * y + shift)
    assert moved.tau == pytest.approx(stretch * plain.tau, rel=1e-6)
    assert moved.final == pytest.approx(scale * plain.final + shift, rel=1e-6, abs=1e-6)
    assert moved.caveats == plain.caveats


def test_same_minimum_and_errors_as_scipy():
    y = noisy()
    got = fit_recovery(T, y)
    p, covariance = optimize.curve_fit(lambda t, c, tau, f: f + c * np.exp(-t / tau), T, y, p0=(25, 50, 18))
    assert (got.change, got.tau, got.final) == pytest.approx(p, rel=1e-5)
    assert got.tau_error == pytest.approx(math.sqrt(covariance[1, 1]), rel=1e-4)


def test_standard_error_is_the_scatter_over_repetitions():
    fits = [fit_recovery(T, noisy(seed=s)) for s in range(200)]
    taus = np.array([f.tau for f in fits])
    assert np.mean([f.tau_error for f in fits]) == pytest.approx(np.std(taus, ddof=1), rel=0.15)
    assert np.mean(taus) == pytest.approx(60.0, abs=3 * np.std(taus) / math.sqrt(200))
    assert sum("structured-residuals" in f.caveats for f in fits) <= 8  # 1 % of 200, with room for chance


SHORT = np.arange(0.0, 40.0, 1.0)


@pytest.mark.parametrize(
    ("t", "y", "sd", "caveat"),
    [
        (T, 30.0 + 0.05 * T, 0.0, "parameter-at-bound"),
        (T, np.where(T == 0.0, 40.0, 20.0), 0.0, "parameter-at-bound"),
        (T, 20 + 20 * np.exp(-T / 20) + 15 * np.exp(-T / 150), 0.02, "structured-residuals"),  # one of two is fitted
        (SHORT, 20 + 30 * np.exp(-SHORT / 50.0), 0.005, "span-shorter-than-time-constant"),
    ],
)
def test_what_the_data_do_not_give_is_named(t, y, sd, caveat):
    got = fit_recovery(t, y + np.random.default_rng(2).normal(0, sd, t.size))
    assert caveat in got.caveats and CAVEATS[caveat]
    refused = (got.final, got.change, got.tau, got.tau_error) == (None, None, None, None)
    assert refused == (caveat == "parameter-at-bound")


def test_a_straight_line_that_fits_nearly_as_well_is_named():
    for seed in range(40):
        y = noisy(tau=500.0, sd=0.8, seed=seed)
        got = fit_recovery(T, y)
        best, line = got.final + got.change * decay(T, got.tau), np.polyval(np.polyfit(T, y, 1), T)
        ratio = T.size * math.log(np.sum((y - line) ** 2) / np.sum((y - best) ** 2))  # 3.84: χ² of one parameter, 95 %
        assert ("second-valley" in got.caveats) == (ratio < 3.84)


def test_noise_alone_never_gives_a_confident_time_constant():
    confident = 0
    for seed in range(60):
        got = fit_recovery(T, np.random.default_rng(seed).normal(0, 1, T.size))
        confident += got.tau is not None and not got.caveats and got.tau > 3 * got.tau_error
    assert confident <= 3


def test_many_fits_equal_single_fits_and_refuse_rows_without_a_time_constant():
    rng = np.random.default_rng(3)
    taus = rng.uniform(20, 120, 40)
    y = np.round(20 + 30 * decay(T[None, :], taus[:, None]) + rng.normal(0, 0.4, (40, T.size)))
    for row, *got in zip(y, *fit_recovery_many(T, y), strict=True):
        one = fit_recovery(T, row)
        assert got == pytest.approx([one.final, one.change, one.tau], rel=1e-4)  # where it stops
    refused = np.vstack([noisy(), np.full(T.size, 30.0), 30 + 0.05 * T])
    assert list(np.isnan(fit_recovery_many(T, refused)[2])) == [False, True, True]
