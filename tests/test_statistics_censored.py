import dataclasses
import json
import math

import numpy as np
import pytest
from scipy import optimize, stats

from intake_report.messages import said
from intake_report.statistics import compare_blocked, compare_censored, gehan_scores, permutation_blocked

TIMES = [150.0, 128.0, 109.0, 171.0, 150.0, 140.0, 139.0, 118.0, 95.0]
CONFIGURATION = ["stock", "box", "duct"] * 3
BLOCK = ["d1"] * 3 + ["d2"] * 3 + ["d3"] * 3


def cut(times, end):
    """Times as seen when every run ends at `end`."""
    return [min(t, end) for t in times], [t > end for t in times]


def test_without_censoring_it_is_the_blocked_comparison():
    got = compare_censored(TIMES, [False] * 9, CONFIGURATION, BLOCK, ("stock", "duct"))
    assert got == compare_blocked(TIMES, CONFIGURATION, BLOCK, "stock")["duct"]


def tobit_profile(values, censored, configuration, block, name, delta):
    """Censored normal log likelihood with the effect of `name` held, by a general optimiser (independent of ours)."""
    others = sorted(set(configuration) - {"stock", name})
    columns = [[float(c == o) for c in configuration] for o in others]
    columns += [[float(b == k) for b in block] for k in sorted(set(block))]
    x = np.array(columns).T
    y = np.array(values) - delta * np.array([c == name for c in configuration])
    open_ = np.array(censored)

    def negative(p):
        z = (y - x @ p[:-1]) / math.exp(p[-1])
        return -(np.sum(stats.norm.logpdf(z[~open_]) - p[-1]) + np.sum(stats.norm.logsf(z[open_])))

    start = np.append(np.linalg.lstsq(x, y, rcond=None)[0], math.log(5.0))
    return -min(
        (optimize.minimize(negative, start, method=m, options={"maxiter": 20_000}) for m in ("BFGS", "Powell")),
        key=lambda r: r.fun,
    ).fun


def test_interval_is_that_of_the_censored_likelihood():
    values, censored = cut(TIMES, 155.0)
    assert sum(censored) == 1
    got = compare_censored(values, censored, CONFIGURATION, BLOCK, ("stock", "duct"))
    assert (got.method, got.df, got.n_baseline) == ("censored", 3.0, 3)
    assert "1 of 3 baseline" in said(got.note, "si")
    best = tobit_profile(values, censored, CONFIGURATION, BLOCK, "duct", got.difference)
    count, target = 8, stats.t.ppf(0.975, 3) ** 2
    for limit in (got.low, got.high):
        deviance = 2 * (best - tobit_profile(values, censored, CONFIGURATION, BLOCK, "duct", limit))
        assert 3 * math.expm1(deviance / count) == pytest.approx(target, rel=1e-3)
    # at the estimate the likelihood falls to both sides
    for step in (-0.5, 0.5):
        assert tobit_profile(values, censored, CONFIGURATION, BLOCK, "duct", got.difference + step) < best
    json.dumps(dataclasses.asdict(got), allow_nan=False)


def test_candidate_that_never_reached_gets_a_lower_bound_only():
    values = [100.0, 180.0, 110.0, 180.0, 108.0, 180.0]
    got = compare_censored(values, [False, True] * 3, ["a", "b"] * 3, [1, 1, 2, 2, 3, 3], ("a", "b"))
    assert (got.method, got.difference, got.high) == ("censored", None, None)
    # it cannot be far from the difference of the watched times, whose mean is 74
    assert 50.0 < got.low < 74.0 and got.p_value < 0.05
    assert "at least" in said(got.note, "si")


@pytest.mark.parametrize(
    ("times", "censored", "ids", "blocks", "words"),
    [
        ([180.0, 180.0, 90.0, 95.0], [1, 1, 0, 0], "abcc", [1, 1, 1, 2], "neither side"),
        ([180.0, 100.0, 120.0], [1, 0, 0], "aab", [None] * 3, "too few runs"),
        ([95.0, 100.0, 100.0, 90.0, 90.0], [1, 0, 0, 0, 0], "aaabb", [None] * 5, "do not scatter"),
    ],
)
def test_where_there_is_no_interval_the_reason_is_told(times, censored, ids, blocks, words):
    got = compare_censored(times, censored, list(ids), blocks, ("a", "b"))
    assert (got.method, got.low, got.high) == ("none", None, None)
    assert words in said(got.note, "si")


def test_sooner_than_is_the_mirror_of_longer_than():
    times = np.array([100.0, 112.0, 180.0, 80.0, 90.0, 85.0])
    ids, blocks = ["a"] * 3 + ["b"] * 3, [1, 2, 3] * 2
    for side in ([0, 0, 1, 0, 0, 0], [0, 0, 0, 1, 0, 0], [0, 0, 0, 1, 1, 1]):
        late = compare_censored(times, side, ids, blocks, ("a", "b"))
        early = compare_censored(-times, [-s for s in side], ids, blocks, ("a", "b"))
        mirrored = (early.difference, early.high, early.low, early.p_value)
        for mine, other in zip((late.difference, late.low, late.high), mirrored, strict=False):
            assert (mine is None) == (other is None) and (mine is None or mine == pytest.approx(-other, rel=1e-6))
        assert late.p_value == pytest.approx(early.p_value, rel=1e-6)


def held_with_repeats(campaigns: int, interaction: float, limit: float = 1.6) -> tuple[int, int]:
    """Return how many 95 % intervals hold the truth, and how many there are: 2 × 3 blocks of 2 runs, watched up to `limit`.

    Normal scatter of one run 1, of the block's favour for a configuration `interaction`; both configurations alike.
    """
    rng = np.random.default_rng(12)
    ids, blocks = ["a", "a", "b", "b"] * 3, np.repeat([1, 2, 3], 4).tolist()
    inside = n = 0
    while n < campaigns:
        times = rng.normal(0.0, interaction, (3, 2)).repeat(2, axis=1).ravel() + rng.normal(0.0, 1.0, 12)
        side = (times > limit).astype(int)
        if not 0 < side.sum() < 5:
            continue
        found = compare_censored(np.minimum(times, limit), side, ids, blocks, ("a", "b"))
        if found.low is None and found.high is None:
            continue
        n += 1
        inside += holds(found, 0.0)
    return inside, n


def holds(found, truth):
    return (found.low is None or found.low <= truth) and (found.high is None or truth <= found.high)


@pytest.mark.slow
@pytest.mark.parametrize("interaction", [0.0, 1.0])
def test_repeats_in_a_block_do_not_replace_blocks_where_some_are_censored(interaction, part):
    inside, n = held_with_repeats(part(300, 60), interaction)
    print(f"interaction {interaction:g}: {inside} of {n}")
    assert inside >= stats.binom.ppf(0.001, n, 0.93)


def test_blocks_that_do_not_link_are_not_used():
    values = [100.0, 110.0, 180.0, 80.0, 90.0, 85.0]
    got = compare_censored(values, [0, 0, 1, 0, 0, 0], list("aaabbb"), [1, 1, 1, 2, 2, 2], ("a", "b"))
    assert got.method == "censored" and "cannot be told apart" in said(got.note, "si")


def test_gehan_scores_leave_open_what_censoring_leaves_open():
    # 5 reached, 7 watched to 7 and not reached, 9 reached, 7 reached
    scores = gehan_scores([5.0, 7.0, 9.0, 7.0], [False, True, False, False], [0] * 4)
    assert list(scores) == [-3.0, 2.0, 2.0, -1.0]
    assert list(gehan_scores([3.0, 3.0], [True, True], [0, 0])) == [0.0, 0.0]


def test_permutation_of_censored_times():
    def p_value(times, censored, marks, block):
        return permutation_blocked(gehan_scores(times, censored, block), marks, block)

    late = [False] * 3 + [True] * 3
    got = p_value([100.0, 110.0, 108.0, 180.0, 180.0, 180.0], late, late, [0] * 6)
    assert got.p_value == got.smallest_p == pytest.approx(0.1)
    assert p_value([100.0, 180.0, 110.0, 180.0], [False, True] * 2, [False, True] * 2, [0, 0, 1, 1]).p_value == 0.5


def simulate(count, end, effects, blocks, seed):
    """Campaigns of one run per configuration and block with day effects: (covered, with an interval, campaigns)."""
    rng = np.random.default_rng(seed)
    names = list("abc"[: len(effects)])
    covered = given_interval = 0
    for _ in range(count):
        day = np.repeat(rng.normal(0, 15, blocks), len(effects))
        values, censored = cut(150 + day + np.tile(effects, blocks) + rng.normal(0, 8, day.size), end)
        if all(censored):
            continue
        days = np.repeat(np.arange(blocks), len(effects)).tolist()
        got = compare_censored(values, censored, names * blocks, days, ("a", names[-1]))
        if got.method != "none":
            given_interval += 1
            covered += holds(got, effects[-1] - effects[0])
    return covered, given_interval


@pytest.mark.slow
@pytest.mark.parametrize(
    ("end", "effects", "blocks"),
    [(1000.0, (0.0, -20.0, -40.0), 3), (165.0, (0.0, -20.0, -40.0), 3), (155.0, (0.0, -20.0, -40.0), 3), (175.0, (0.0, 0.0, 20.0), 3),
     (160.0, (0.0, -20.0), 4)],
)  # fmt: skip
def test_interval_covers_the_truth(end, effects, blocks, part):
    campaigns = part(1000, 150)
    covered, count = simulate(campaigns, end, effects, blocks, seed=20)
    print(f"end {end:g} s, effects {effects}, {blocks} blocks: {covered} of {count} intervals cover the truth")
    assert count > campaigns / 2
    # never below 95 % by more than chance allows (99.9 % binomial); above it where a limit is left open
    assert covered >= stats.binom.ppf(0.001, count, 0.95)
