import math
from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests

from intake_report import statistics
from intake_report.errors import DataError
from intake_report.messages import said
from intake_report.statistics import compare_blocked, compare_means, mean_interval

sane = st.floats(-500, 500).map(lambda x: round(x, 2))


def blocked(values, configuration, block, level=0.95):
    """Compare with "a"; each character of the two texts is the configuration or the block of a run."""
    return compare_blocked(values, list(configuration), list(block), "a", level)


def test_mean_of_one_value_has_no_interval():
    got = mean_interval([41.2])
    assert (got.n, got.mean, got.sd, got.low, got.high, got.df) == (1, 41.2, None, None, None, 0)
    equal = mean_interval([0.3, 0.1 + 0.2])  # as decimals
    assert equal.sd == 0.0 and equal.low == equal.mean == equal.high


def test_one_run_on_one_side_borrows_the_scatter_and_says_so():
    got = compare_means([40.0, 42.0, 41.0], [38.0])
    assert (got.method, got.df, got.n_candidate) == ("pooled", 2, 1)
    assert "the candidate has one run" in said(got.note, "si")
    # the t interval for one new value, scatter 1.0 from three
    half = stats.t.ppf(0.975, 2) * math.sqrt(1 + 1 / 3)
    assert (got.low, got.high) == pytest.approx((-3 - half, -3 + half))


def test_one_run_each_is_an_indication():
    got = compare_means([40.0], [38.0])
    assert (got.difference, got.low, got.high, got.p_value, got.method) == (-2.0, None, None, None, "none")
    assert "indication only" in said(got.note, "si")


def test_equal_up_to_rounding_gives_no_interval():
    level = compare_means([0.3, 0.1 + 0.2], [0.5, 0.5])
    paired = blocked([20.1, 20.2, 30.3, 30.4, 25.0, 25.1], "ababab", "112233")["b"]
    for got, difference in ((level, 0.2), (paired, 0.1)):
        assert (got.method, got.difference) == ("none", pytest.approx(difference))
        assert "do not scatter" in said(got.note, "si")


def least_squares(values, configuration, block, name):
    """The model of cell means written out independently: normal equations on a full-rank treatment coding."""
    runs = list(zip(configuration, block, strict=True))
    cells = sorted(set(runs))
    y = np.array([np.mean([v for v, run in zip(values, runs, strict=True) if run == cell]) for cell in cells])
    configs = [c for c in sorted(set(configuration)) if c != "a"]
    blocks = sorted(set(block))[1:]
    x = np.array([[1.0] + [float(c == k) for k in configs] + [float(b == k) for k in blocks] for c, b in cells])
    inverse = np.linalg.inv(x.T @ x)
    weights = (inverse @ x.T)[1 + configs.index(name)]
    hat = x @ inverse @ x.T
    residual, df = y - hat @ y, len(y) - x.shape[1]
    if df == 0 or np.any((np.diag(hat) > 1 - 1e-9) & (np.abs(weights) > 1e-9)):
        return weights @ y, None  # no scatter is left of a cell that makes the difference
    variance = 0.0
    for w, e, h in zip(weights, residual, np.diag(hat), strict=True):
        variance += 0.5 * (w**2 * e**2 / (1 - h) if abs(w) > 1e-9 else 0.0) + 0.5 * np.sum(weights**2) * e**2 / df
    return weights @ y, math.sqrt(variance)


def test_three_by_three_is_half_own_half_pooled():
    got = blocked([41.0, 38.5, 36.0, 44.1, 41.0, 40.2, 39.5, 37.2, 34.0], "abc" * 3, "111222333")
    assert list(got) == ["b", "c"]
    for result in got.values():
        # closed form: between 3.2 of the own scatter and 4 of the pooled one, 64/17
        assert result.df == pytest.approx(64 / 17)
        assert (result.n_baseline, result.n_candidate, result.method, result.notes) == (3, 3, "blocked", ())


@pytest.mark.parametrize("runs", [1, 2, 3])
def test_runs_in_a_block_count_as_their_mean_in_the_paired_interval(runs):
    rng = np.random.default_rng(8)
    values = rng.normal(size=(4, 2, runs)) + rng.normal(0, 3, (4, 1, 1)) + rng.normal(0, 1, (4, 2, 1))
    labels = [(c, b) for b in range(4) for c in "ab" for _ in range(runs)]
    got = compare_blocked(values.ravel(), [c for c, _ in labels], [b for _, b in labels], "a")["b"]
    means = values.mean(axis=2)
    reference = stats.ttest_rel(means[:, 1], means[:, 0])
    assert (got.df, got.p_value) == (pytest.approx(3), pytest.approx(reference.pvalue))
    assert (got.low, got.high) == pytest.approx(tuple(reference.confidence_interval(0.95)))
    assert got.scatter == pytest.approx(np.std(means[:, 1] - means[:, 0], ddof=1) / math.sqrt(2.0))


@settings(max_examples=60)
@given(st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from("xyz"), sane), min_size=7, max_size=14))
def test_unbalanced_designs_equal_independent_least_squares(rows):
    # link everything, so that the reference needs no rank handling
    rows = [*rows, ("a", "x", 1.0), ("b", "x", 2.5), ("c", "x", 0.3), ("a", "y", 7.7), ("a", "z", 4.0)]
    configuration, block, values = zip(*rows, strict=True)
    got = blocked(values, configuration, block, 0.9)
    for name in "bc":
        estimate, error = least_squares(values, configuration, block, name)
        assert got[name].difference == pytest.approx(estimate, abs=1e-6)
        own = got[name].standard_error
        assert own is None or error is None or own == pytest.approx(error, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize(
    ("configuration", "block", "reason"),
    [
        ("aaabbb", "mmmttt", 'no block holds both "a" and "b"'),
        ("ababab", [None] * 6, "no blocks were named"),
        ("ababab", [1, 1, 1, 1, 1, None], "1 of 6 runs name none"),
        ("ababab", "111111", "one block"),
    ],
)
def test_without_usable_blocks_it_is_welchs_comparison_with_the_reason(configuration, block, reason):
    values = [40.0, 41.0, 43.0, 37.0, 38.0, 36.5]
    got = blocked(values, configuration, block)["b"]
    sides = ([v for v, name in zip(values, configuration, strict=True) if name == side] for side in "ab")
    assert (got.method, got.low) == ("welch", pytest.approx(compare_means(*sides).low))
    assert reason in said(got.note, "si")


def test_indirect_comparison_is_made_and_named():
    values = [40.0, 38.0, 41.0, 39.5, 30.0, 27.0, 30.5, 28.0]
    got = blocked(values, "ababbcbc", "11223344")
    assert got["c"].method == "blocked"
    assert "by way of other configurations" in said(got["c"].note, "si")
    expected = least_squares(values, "ababbcbc", "11223344", "c")
    assert (got["c"].difference, got["c"].standard_error) == pytest.approx(expected)
    assert got["c"].standard_error > got["b"].standard_error


def test_part_of_the_blocks_unlinked():
    got = blocked([40.0, 38.0, 41.0, 38.5, 30.0, 31.0], "ababcc", "112233")
    assert (got["b"].method, got["c"].method) == ("blocked", "welch")
    # from the pairs; the two runs in block 3 are one cell
    assert (got["b"].difference, got["b"].df) == pytest.approx((-2.25, 1))


def test_one_run_per_configuration_in_a_block_has_no_interval():
    got = blocked([40.0, 38.0, 41.0], "abc", "112")
    assert (got["b"].method, got["b"].low, got["b"].difference) == ("none", None, pytest.approx(-2.0))
    assert all("indication only" in said(got[name].note, "si") for name in "bc")


@given(st.lists(st.one_of(st.none(), st.floats(0, 1)), max_size=9))
def test_holm_equals_statsmodels(p_values):
    adjusted, known = statistics.holm(p_values), [p for p in p_values if p is not None]
    assert [p is None for p in p_values] == [q is None for q in adjusted]
    if known:
        expected = multipletests(known, method="holm")[1]
        assert [q for q in adjusted if q is not None] == pytest.approx(expected, abs=1e-12)


def brute_force(values, marks, block):
    """Every dealing by plain loops: list of weighted block differences, observed first."""
    blocks = [[i for i, b in enumerate(block) if b == name] for name in dict.fromkeys(block)]
    choices = [list(combinations(members, sum(marks[i] for i in members))) for members in blocks]

    def statistic(chosen):
        total = weight = 0.0
        for members in blocks:
            inside = [values[i] for i in members if i in chosen]
            outside = [values[i] for i in members if i not in chosen]
            if inside and outside:
                w = len(inside) * len(outside) / len(members)
                total += w * (np.mean(inside) - np.mean(outside))
                weight += w
        return total / weight

    every = [statistic({i for chosen in picks for i in chosen}) for picks in product(*choices)]
    return statistic({i for i, m in enumerate(marks) if m}), every


@settings(max_examples=40)
@given(st.lists(st.tuples(st.integers(-9, 9), st.booleans(), st.sampled_from("xy")), min_size=3, max_size=7))
def test_permutation_equals_brute_force(rows):
    rows = [*rows, (2, True, "x"), (5, False, "x")]
    values, marks, block = zip(*rows, strict=True)
    observed, every = brute_force(values, marks, block)
    got = statistics.permutation_blocked(values, marks, block)
    upper = np.mean([s >= observed - 1e-9 for s in every])
    lower = np.mean([s <= observed + 1e-9 for s in every])
    inside = [[m for m, w in zip(marks, block, strict=True) if w == name] for name in sorted(set(block))]
    assert statistics.arrangements([(m.count(False), m.count(True)) for m in inside]) == len(every)
    assert got.p_value == pytest.approx(min(1.0, 2 * min(upper, lower)))
    assert got.smallest_p <= got.p_value <= 1.0


def test_line_through_two_points_has_no_uncertainty():
    got = statistics.line_fit([0.0, 2.0], [1.0, 5.0], origin=1.0)
    assert (got.intercept, got.slope, got.residual_sd) == (3.0, 2.0, None)
    assert got.slope_error is None


def test_interaction_equals_the_balanced_two_way_table():
    rng = np.random.default_rng(2)
    y = rng.normal(0, 1, (3, 4, 2))  # configuration, block, repeat
    labels = [(c, b) for c in "abc" for b in range(4) for _ in range(2)]
    got = statistics.additivity(y.ravel(), [c for c, _ in labels], [b for _, b in labels])
    cell, row, column = y.mean(2), y.mean((1, 2)), y.mean((0, 2))
    interaction = 2 * np.sum((cell - row[:, None] - column[None, :] + y.mean()) ** 2)
    error = np.sum((y - cell[:, :, None]) ** 2)
    assert got.method == "interaction"
    assert got.p_value == pytest.approx(stats.f.sf(interaction / 6 / (error / 12), 6, 12))


def test_one_degree_of_freedom_equals_tukeys_formula():
    rng = np.random.default_rng(3)
    y = rng.normal(0, 1, (3, 4)) + np.array([0, 3, 6])[:, None] + np.array([0, 2, 5, 9])[None, :]
    labels = [(c, b) for c in "abc" for b in range(4)]
    got = statistics.additivity(y.ravel(), [c for c, _ in labels], [b for _, b in labels])
    row, column = y.mean(1) - y.mean(), y.mean(0) - y.mean()
    one = np.sum(y * np.outer(row, column)) ** 2 / (np.sum(row**2) * np.sum(column**2))
    residual = np.sum((y - y.mean() - row[:, None] - column[None, :]) ** 2)
    assert got.method == "one degree"
    assert got.p_value == pytest.approx(stats.f.sf(one / ((residual - one) / 5), 1, 5))


def test_additivity_of_too_few_runs():
    assert statistics.additivity([1.0, 2.0, 3.0], ["a", "b", "a"], [1, 1, 2]).method == "none"
    assert statistics.additivity([1.0, 2.0] * 3, ["a", "b"] * 3, [1, 1, 2, 2, 3, 3]).method == "none"


def test_residuals_hold_neither_configuration_nor_block():
    rng = np.random.default_rng(6)
    configuration, block = ["a", "b", "c"] * 4, [day for day in range(4) for _ in range(3)]
    noise = rng.normal(size=12)
    y = noise + np.tile([0, -5, 4], 4) + np.repeat([0, 20, 3, -7], 3)
    got = statistics.additive_residuals(y, configuration, block)
    assert got == pytest.approx(statistics.additive_residuals(noise, configuration, block))
    for labels in (configuration, block):
        for name in set(labels):
            assert got[[label == name for label in labels]].sum() == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        *((lambda values=values: mean_interval(values), ".") for values in ([], [1.0, math.nan], [math.inf])),
        (lambda: compare_means([1.0], []), "candidate values"),
        (lambda: compare_blocked([1.0, 2.0], ["b", "b"], [1, 2], "a"), "baseline"),
        (lambda: compare_blocked([1.0, 2.0], ["a", "a"], [1, 2], "a"), "nothing to compare"),
    ],
)
def test_what_cannot_be_compared_is_refused(call, words):
    with pytest.raises(DataError, match=words):
        call()
