import dataclasses
import json
import math
from itertools import pairwise, permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from intake_report.errors import DataError
from intake_report.statistics import (
    Component,
    Difference,
    budget,
    combine,
    compare_blocked,
    compare_means,
    compare_mixed,
    conformance_probability,
    decide,
    design_precision,
    equivalence,
    exceeding_limit_relative,
    expected_half_width,
    global_risk,
    lag_one,
    mean_error_of_draws,
    more_runs,
    one_way,
    pooled_sd,
    power_two_sample,
    propagate,
    random_effects_mean,
    random_intercept,
    repeatability,
    runs_needed,
    runs_test,
    smallest_detectable,
    standardised,
    summarise_columns,
    summarise_draws,
    type_a,
)

sane = st.floats(-500, 500).map(lambda x: round(x, 2))
groups_of_runs = st.lists(st.lists(sane, min_size=2, max_size=5), min_size=2, max_size=5)


def jsonable(result):
    return json.loads(json.dumps(dataclasses.asdict(result), allow_nan=False))


# ---------------------------------------------------------------- analysis of variance, repeatability


@settings(deadline=None)
@given(groups_of_runs)
def test_one_way_equals_scipy(groups):
    got = one_way(groups)
    jsonable(got)
    if got.f is None:
        assert all(max(g) - min(g) < 1e-9 for g in groups)
        return
    reference = stats.f_oneway(*groups)
    if math.isnan(reference.pvalue):  # scipy rounds a zero sum of squares to below zero
        assert got.f == pytest.approx(0.0, abs=1e-9)
        return
    assert got.f == pytest.approx(reference.statistic, rel=1e-6, abs=1e-9)
    assert got.p_value == pytest.approx(reference.pvalue, rel=1e-6, abs=1e-9)


@settings(deadline=None)
@given(groups_of_runs, st.floats(-1e6, 1e6))
def test_repeatability_ignores_an_offset(groups, offset):
    plain, moved = repeatability(groups), repeatability([[v + offset for v in g] for g in groups])
    jsonable(plain)
    assert moved.repeatability_sd == pytest.approx(plain.repeatability_sd, rel=1e-5, abs=1e-6)
    assert plain.reproducibility_sd >= plain.repeatability_sd
    assert plain.between_sd == 0.0 or not plain.clipped


def test_repeatability_recovers_a_known_scatter():
    rng = np.random.default_rng(8)
    groups = [rng.normal(0, 3) + rng.normal(0, 2, n) for n in rng.integers(2, 7, 4000)]
    got = repeatability(groups)
    assert got.repeatability_sd == pytest.approx(2.0, rel=0.03)
    assert got.between_sd == pytest.approx(3.0, rel=0.05)


def test_nothing_repeated():
    assert pooled_sd([[1.0], [2.0]]) == (None, 0)
    got = repeatability([[1.0], [2.0]])
    assert (got.repeatability_sd, got.reproducibility_sd, got.df) == (None, None, 0)
    assert one_way([[1.0], [2.0]]).f is None
    with pytest.raises(DataError):
        repeatability([])
    with pytest.raises(DataError, match="One group only"):
        one_way([[1.0, 2.0]])


def test_one_group_has_repeatability_but_no_reproducibility():
    got = repeatability([[1.0, 2.0, 3.0]])
    assert (got.repeatability_sd, got.reproducibility_sd) == (1.0, None)


# ---------------------------------------------------------------- consecutive runs


@settings(max_examples=30, deadline=None)
@given(st.lists(st.lists(st.integers(-5, 5), min_size=3, max_size=5), min_size=1, max_size=2))
def test_lag_one_p_is_a_share_of_the_orders(sessions):
    got = lag_one(sessions, most_exact=20_000)
    jsonable(got)
    if got.correlation is None:
        assert all(len(set(s)) == 1 for s in sessions)
        return
    assert -1.0 <= got.correlation <= 1.0
    orders = math.prod(math.factorial(len(s)) for s in sessions)
    # the order itself and its reverse give the same statistic
    assert got.p_value >= min(1.0, 4 / orders) - 1e-12


def test_lag_one_finds_a_drift_and_not_an_alternation_of_noise():
    rng = np.random.default_rng(5)
    drift = np.linspace(0, 6, 9) + rng.normal(0, 0.5, 9)
    got = lag_one([drift], np.random.default_rng(1))
    assert got.correlation > 0.5
    assert got.p_value < 0.01
    assert not got.exact
    with pytest.raises(ValueError, match="random generator"):
        lag_one([drift])


def test_lag_one_keeps_its_level():
    rng = np.random.default_rng(2)
    p = [lag_one([rng.normal(size=6)]).p_value for _ in range(400)]
    # twice the smaller tail: at most 5 %, three standard errors of 400
    assert np.mean(np.array(p) <= 0.05) <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 400)
    assert np.mean(np.array(p) <= 0.05) > 0.01


def test_lag_one_of_two_values_is_not_shown():
    assert lag_one([[1.0, 2.0], [3.0]]).correlation is None


@settings(deadline=None)
@given(st.lists(st.sampled_from([-1.0, 1.0]), min_size=2, max_size=12))
def test_runs_test_by_counting_every_order(signs):
    got = runs_test(signs)
    a = signs.count(1.0)
    if a in (0, len(signs)):
        assert got.p_value is None
        return
    if len(signs) > 8:
        assert 0 < got.p_value <= 1
        return
    every = [1 + sum(x != y for x, y in pairwise(o)) for o in set(permutations(signs))]
    assert got.p_value == pytest.approx(np.mean([r <= got.runs for r in every]))
    assert got.expected == pytest.approx(np.mean(every))


def test_runs_test_for_many_residuals_joins_the_exact_one():
    signs = np.repeat([1.0, -1.0], 4)
    few = np.tile(signs, 12)  # 96 values, exact
    many = np.tile(signs, 13)  # 104 values, approximated
    assert runs_test(few).p_value == pytest.approx(runs_test(many).p_value, abs=1e-6)
    assert runs_test(np.tile([1.0, -1.0], 60)).p_value > 0.99


# ---------------------------------------------------------------- random effects


def reml_by_brute_force(y, x, group, between, residual):
    """−2 restricted log likelihood with full matrices."""
    same = np.array([[a == b for b in group] for a in group], dtype=float)
    v = residual * np.eye(len(y)) + between * same
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    beta = np.linalg.solve(information, x.T @ inverse @ y)
    r = y - x @ beta
    return float(
        r @ inverse @ r + np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1]
        + (len(y) - x.shape[1]) * math.log(2 * math.pi)
    ), beta, np.linalg.inv(information)  # fmt: skip


def test_random_intercept_is_the_maximum_of_the_plain_likelihood():
    rng = np.random.default_rng(11)
    group = [0, 0, 0, 1, 1, 2, 2, 2, 2, 3, 3, 4]
    x = np.column_stack([np.ones(12), rng.integers(0, 2, 12)])
    y = 40 + 3 * x[:, 1] + rng.normal(0, 4, 5)[group] + rng.normal(0, 1, 12)
    got = random_intercept(y, x, group)
    jsonable(got)
    best, beta, covariance = reml_by_brute_force(y, x, group, got.between_sd**2, got.residual_sd**2)
    assert got.deviance == pytest.approx(best, abs=1e-9)
    assert got.coefficients == pytest.approx(beta, rel=1e-9)
    assert got.errors == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-9)
    for b, r in ((1.1, 1.0), (0.9, 1.0), (1.0, 1.1), (1.0, 0.9)):
        assert reml_by_brute_force(y, x, group, b * got.between_sd**2, r * got.residual_sd**2)[0] > best


def test_mixed_equals_fixed_blocks_when_balanced():
    rng = np.random.default_rng(3)
    block = [day for day in range(4) for _ in range(3)]
    configuration = ["a", "b", "c"] * 4
    y = rng.normal(0, 9, 4)[block] + rng.normal(0, 2, 12) + np.tile([0.0, -3.0, -6.0], 4)
    fixed, mixed = (f(y, configuration, block, "a") for f in (compare_blocked, compare_mixed))
    for name in "bc":
        assert mixed[name].difference == pytest.approx(fixed[name].difference, abs=1e-9)
        assert mixed[name].standard_error == pytest.approx(fixed[name].standard_error, rel=1e-4)
        assert mixed[name].df == pytest.approx(fixed[name].df, rel=1e-2)
        assert mixed[name].method == "mixed"


def test_mixed_uses_between_block_information():
    # two days hold one configuration only: fixed blocks cannot use them for the difference
    rng = np.random.default_rng(9)
    block = [0, 0, 1, 1, 2, 2, 3, 3]
    configuration = ["a", "b", "a", "b", "a", "a", "b", "b"]
    y = rng.normal(0, 2, 4)[block] + rng.normal(0, 2, 8)
    fixed, mixed = (f(y, configuration, block, "a")["b"] for f in (compare_blocked, compare_mixed))
    assert mixed.standard_error < fixed.standard_error


def test_random_effects_mean_of_identical_values_is_refused():
    with pytest.raises(DataError, match="scatter"):
        random_effects_mean([[1.0, 1.0], [1.0, 1.0]])
    with pytest.raises(DataError, match="Too few"):
        random_effects_mean([[1.0, 2.0]])


# ---------------------------------------------------------------- uncertainty


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(0.01, 10), st.integers(1, 40)), min_size=1, max_size=6))
def test_effective_df_lies_between_the_least_and_the_sum(parts):
    got = combine([Component(str(i), u, df=df) for i, (u, df) in enumerate(parts)])
    jsonable(got)
    assert min(df for _, df in parts) - 1e-6 <= got.df <= sum(df for _, df in parts) + 1e-6
    assert got.u >= max(u for u, _ in parts)


def test_known_components_do_not_limit_the_factor():
    got = combine([Component("class", 1.0, sensitivity=-2.0), Component("other", 0.0)])
    assert (got.u, got.df) == (2.0, None)
    assert got.expanded(0.95)[1] == pytest.approx(1.959964)


def test_common_bias_cancels_in_a_difference():
    # two readings of one sensor: a common bias correlates them fully
    covariance = np.full((2, 2), 0.25) + np.diag([0.01, 0.01])
    difference, mean = (
        propagate(f, [40.0, 35.0], covariance).u[0] for f in (lambda x: [x[0] - x[1]], lambda x: [x.mean()])
    )
    assert difference == pytest.approx(math.sqrt(0.02))
    assert mean == pytest.approx(math.sqrt(0.25 + 0.005))


def test_type_a():
    assert type_a([1.0, 2.0, 3.0]) == (2.0, pytest.approx(1 / math.sqrt(3)), 2)


# ---------------------------------------------------------------- Monte Carlo


@settings(deadline=None, max_examples=40)
@given(st.lists(sane, min_size=20, max_size=60), st.floats(0.5, 0.95), st.floats(-50, 50), st.sampled_from([0.5, 2.0]))
def test_draws_shift_and_scale(draws, level, shift, scale):
    a = summarise_draws(np.array(draws), level)
    b = summarise_draws(scale * np.array(draws) + shift, level)
    jsonable(a)
    for field in ("mean", "low", "high"):
        assert getattr(b, field) == pytest.approx(scale * getattr(a, field) + shift, abs=1e-8)
    assert b.u == pytest.approx(scale * a.u, abs=1e-8)
    assert a.shortest_high - a.shortest_low <= a.high - a.low + 1e-12
    inside = np.mean([a.shortest_low <= draw <= a.shortest_high for draw in draws])
    assert inside >= level - 1e-9


def test_shortest_interval_of_a_skewed_quantity():
    # exponential: the shortest 95 % interval starts at zero and ends at ln 20
    draws = np.random.default_rng(1).exponential(size=100_000)
    got = summarise_draws(draws)
    assert got.shortest_low == pytest.approx(0.0, abs=0.003)
    assert got.shortest_high == pytest.approx(math.log(20), abs=0.06)
    assert (got.low, got.high) == pytest.approx((-math.log(0.975), -math.log(0.025)), abs=0.08)
    assert mean_error_of_draws(got) == pytest.approx(1 / math.sqrt(100_000), rel=0.02)


def test_draws_not_reached_and_failed():
    draws = np.array([*range(90), *[np.inf] * 10, np.nan], dtype=float)
    got = summarise_draws(draws, 0.8)
    assert (got.mean, got.u) == (None, None)
    # the 10th and the 90th of 100; a higher level needs the upper limit among those not reached
    assert (got.low, got.high, got.shortest_high) == (9.0, 89.0, 80.0)
    wider = summarise_draws(draws, 0.9)
    assert (wider.low, wider.high, wider.shortest_low, wider.shortest_high) == (4.0, None, None, None)
    assert got.not_reached == pytest.approx(0.1)
    assert got.failed == pytest.approx(1 / 101)
    jsonable(got)
    with pytest.raises(DataError):
        summarise_draws(np.array([np.nan]))


def test_one_draw_has_no_interval():
    got = summarise_draws(np.array([3.0]))
    assert (got.mean, got.u, got.low, got.high, got.shortest_low) == (3.0, None, None, None, None)


def test_columns_and_budget():
    rng = np.random.default_rng(0)
    draws = rng.normal([1.0, 5.0], [0.1, 2.0], (5000, 2))
    first, second = summarise_columns(draws)
    assert (first.mean, second.u) == (pytest.approx(1.0, abs=0.01), pytest.approx(2.0, rel=0.05))
    rows = budget({"resolution": draws[:, 0], "bias": draws[:, 1]})
    assert [r.source for r in rows] == ["bias", "resolution"]
    assert sum(r.share for r in rows) == pytest.approx(1.0)


# ---------------------------------------------------------------- conformity


@settings(deadline=None)
@given(sane, st.floats(0.01, 20), sane, st.one_of(st.none(), st.floats(1, 60)))
def test_conformance_sides_add_up(value, u, limit, df):
    below = conformance_probability(value, u, high=limit, df=df)
    above = conformance_probability(value, u, low=limit, df=df)
    assert below + above == pytest.approx(1.0)
    assert 0.0 <= below <= 1.0


@settings(deadline=None)
@given(sane, st.floats(0.01, 20), st.floats(0.001, 0.4), st.one_of(st.none(), st.floats(1, 60)))
def test_decisions_keep_their_risk(value, u, risk, df):
    got = decide(value, u, high=0.0, risk=risk, df=df)
    jsonable(got)
    if got.decision == "conforms":
        assert 1 - got.probability <= risk + 1e-9
    elif got.decision == "does not conform":
        assert got.probability <= risk + 1e-9
    else:
        assert min(got.probability, 1 - got.probability) >= risk - 1e-9


def test_exact_value_and_bad_limits():
    assert decide(1.0, 0.0, high=1.0).decision == "conforms"
    assert decide(1.1, 0.0, high=1.0).decision == "does not conform"
    for bad in ({}, {"low": 2.0, "high": 1.0}):
        with pytest.raises(ValueError, match="limit"):
            decide(1.0, 0.1, **bad)
    with pytest.raises(ValueError, match="too large"):
        exceeding_limit_relative(100.0, 0.5, 0.999)


def test_global_risk_by_simulation():
    rng = np.random.default_rng(6)
    true = rng.normal(0.3, 1.0, 400_000)
    read = true + rng.normal(0, 0.4, true.size)
    accepted, good = np.abs(read) < 1.8, np.abs(true) < 2.0
    got = global_risk(1.0, 0.4, -2.0, 2.0, guard=0.2, process_mean=0.3)
    assert got.false_accept == pytest.approx(np.mean(accepted & ~good), abs=4e-4)
    assert got.false_reject == pytest.approx(np.mean(~accepted & good), abs=8e-4)


# ---------------------------------------------------------------- equivalence and size


@settings(deadline=None)
@given(st.lists(sane, min_size=2, max_size=6), st.lists(sane, min_size=2, max_size=6), st.floats(0.1, 500))
def test_equivalence_is_the_shorter_interval_inside_the_margin(a, b, margin):
    difference = compare_means(a, b)
    got = equivalence(difference, margin)
    jsonable(got)
    if difference.standard_error is None:
        assert got.equivalent is None
        return
    shorter = compare_means(a, b, 0.90)
    assert (got.low, got.high) == pytest.approx((shorter.low, shorter.high))
    if abs(got.p_value - 0.05) > 1e-9:
        assert got.equivalent == (-margin < got.low and got.high < margin)


def test_no_difference_shown_is_not_equivalence():
    noisy = compare_means([40.0, 50.0, 60.0], [41.0, 52.0, 58.0])
    assert noisy.low < 0 < noisy.high
    assert equivalence(noisy, 2.0).equivalent is False
    with pytest.raises(ValueError, match="margin"):
        equivalence(noisy, 0.0)


def test_standardised_difference():
    got = compare_means([40.0, 42.0], [36.0, 38.0])
    # two degrees of freedom: Hedges' correction is Γ(1)/Γ(0.5) = 1/√π
    assert standardised(got) == pytest.approx(-4 / math.sqrt(2) / math.sqrt(math.pi))
    assert standardised(compare_means([1.0], [2.0])) is None
    assert standardised(Difference(None, 3.0, None, 4.0, None, 3, 3, "censored", 0.01, scatter=1.0)) is None


# ---------------------------------------------------------------- planning


@settings(max_examples=30, deadline=None)
@given(st.floats(0.2, 4), st.integers(2, 12), st.integers(2, 12))
def test_power_by_the_noncentral_distribution(effect, n, m):
    shift, df = effect * math.sqrt(n * m / (n + m)), n + m - 2
    critical = stats.t.ppf(0.975, df)
    # by its definition: normal over the root of an independent chi-squared per degree of freedom

    def given_scatter(s):
        tails = stats.norm.cdf(shift - critical * s) + stats.norm.cdf(-shift - critical * s)
        return tails * stats.chi2.pdf(df * s * s, df) * 2 * df * s

    expected = integrate.quad(given_scatter, 0, 8, points=[0.2, 1.0], limit=200)[0]
    assert power_two_sample(effect, n, m) == pytest.approx(expected, abs=1e-7)


@settings(max_examples=20, deadline=None)
@given(st.floats(0.4, 3), st.floats(0.5, 0.95), st.sampled_from(["two-sample", "paired"]))
def test_runs_needed_and_smallest_detectable_agree(effect, power, design):
    n = math.ceil(runs_needed(effect, power, design=design))
    assert smallest_detectable(2.0, n, power, design=design) <= 2.0 * effect * (1 + 1e-9)
    if n > 2:
        assert smallest_detectable(2.0, n - 1, power, design=design) >= 2.0 * effect * (1 - 1e-9)
    assert smallest_detectable(2.0, 1, power, design=design) is None


def test_power_far_out_is_a_number():
    assert power_two_sample(1e4, 3, 3) == 1.0
    assert power_two_sample(0.0, 3, 3) == pytest.approx(0.05)
    assert power_two_sample(1.0, 1, 1) == 0.0
    assert runs_needed(1e-4, most=1e4) is None


def test_design_precision_is_that_of_the_comparison():
    rng = np.random.default_rng(1)
    configuration, block = ["a", "b", "c", "a", "b", "a", "b", "c", "c"], [1, 1, 1, 2, 2, 3, 3, 3, 3]
    got = design_precision(configuration, block, "a")
    compared = compare_blocked(rng.normal(size=9), configuration, block, "a")
    for name, difference in compared.items():
        assert got[name].df == difference.df
        assert got[name].factor * difference.scatter == pytest.approx(difference.standard_error)
        half = expected_half_width(got[name], difference.scatter)
        assert half == pytest.approx((difference.high - difference.low) / 2)


def test_more_runs_reach_the_wish_and_one_round_fewer_does_not():
    configuration, block = ["a", "b"] * 2, [1, 1, 2, 2]
    got = more_runs(configuration, block, "a", "b", scatter=4.0, wanted=6.0)
    assert got.rounds >= 1
    assert got.half_width <= 6.0
    assert got.runs == 4 * got.rounds
    fewer = design_precision(["a", "b"] * 2 * got.rounds, [1, 1, 2, 2] * got.rounds, "a")["b"]
    assert (expected_half_width(fewer, 4.0) or math.inf) > 6.0
    assert more_runs(configuration, block, "a", "b", 4.0, 0.01, most=3).rounds is None
    assert more_runs(configuration, block, "a", "b", 1e-3, 6.0).rounds == 0


def test_plan_without_baseline_is_refused():
    with pytest.raises(DataError):
        design_precision(["b"], [1], "a")
