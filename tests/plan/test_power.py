"""What a design is promised to show against plain cases with known power, and against the report's own judgement."""

from dataclasses import replace
from functools import partial
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import TTestPower

from intake_report.analyse.claims import judge_claims
from intake_report.analyse.compare import compare
from intake_report.analyse.measure import metric_keys
from intake_report.campaign import Campaign
from intake_report.plan import power
from intake_report.plan.design import ON_COMMON, Case, Design, cases, estimate, risk_of_looking, simulate, thresholds
from intake_report.plan.power import PlannedDraws, Scatter, drawn_values, judge_design
from intake_report.results import MetricResult

DESIGNS = {
    "3×3": (Design(("a", "b", "c"), 3), ()),
    "2×4": (Design(("a", "b"), 4), ()),
    "3×2": (Design(("a", "b", "c"), 2), ()),
    "2×(3×2)": (Design(("a", "b"), 3, 2), ()),
    "unequal scatter": (Design(("a", "b", "c"), 4), (1.0, 1.5, 0.7)),
}


def campaign(names=("a", "b", "c"), claims=(), **tables) -> Campaign:
    return Campaign.model_validate(
        {
            "schema": 1,
            "campaign": {"id": "p", "title": "P", "question": "?"},
            "vehicle": {"description": "simulated"},
            "configuration": [
                {"id": id, "name": id.upper(), "role": "candidate" if number else "baseline"}
                for number, id in enumerate(names)
            ],
            "instrument": {"logger": "x", "channels": {"iat": {"resolution": "1 degC", "accuracy": "1 degC"}}},
            "route": {"phase": [{"id": "city", "kind": "city", "start": "0 m", "end": "5 km"}]},
            "claim": [
                {"id": "c", "text": "T", "metric": "peak_over_ambient", "configuration": "b", "relation": "lower", **c}
                for c in claims
            ],
            **tables,
        }
    )


RECOVERY = {"metric": "recovery_time", "margin": "3 degF"}
SCATTER = Scatter(0.7, 0.7, 2.0, 0.0, "")


def case(claim=None, names=("a", "b", "c"), scatter=SCATTER, **tables) -> tuple[Campaign, Case]:
    one = campaign(names, ({} if claim is None else claim,), **tables)
    return one, replace(cases(one, metric_keys(one), {})[0], scatter=scatter)


def judged(one: Campaign, about: Case, design: Design, n: int, effect, seed: int) -> list[bool]:
    """Simulate campaigns of all headline metrics and judge each as the report does; is the claim supported?"""
    rng, cells = np.random.default_rng(seed), design.cells
    headline = [key for key in metric_keys(one) if key.spec.headline]
    drawn = {key.key: simulate(design, about.scatter, n, rng) for key in headline}
    who = np.array([c == about.claim.configuration for c, _ in cells])
    drawn[about.key.key] = drawn[about.key.key] + np.where(who, about.limit + about.sign * effect, 0.0)
    found = []
    for i in range(n):
        values = tuple(
            MetricResult(key.key, str(j), c, f"block-{b}", "ok", value=100.0 + float(drawn[key.key][i, j]))
            for key in headline
            for j, (c, b) in enumerate(cells)
        )
        comparisons = compare(one, tuple(headline), values)
        found.append(judge_claims(one, tuple(headline), values, comparisons)[0].verdict == "supported")
    return found


@pytest.mark.parametrize(("value", "names"), [(None, "abc"), ("-2 delta_degC", "ab")])
def test_thresholds_are_where_the_report_changes_its_verdict(value, names):
    one, about = case({"value": value} if value else None, tuple(names))
    design, n = Design(tuple(names), 3), 12
    # the same draws as in `judged`: this claim's metric is the first headline metric
    assert about.key.key == next(key.key for key in metric_keys(one) if key.spec.headline)
    for i, limit in enumerate(thresholds(one, about, design, n, np.random.default_rng(5))[:3]):
        both = [judged(one, about, design, n, limit * share, 5)[i] for share in (0.999, 1.001)]
        assert both == [False, True] or (limit == 0.0 and both == [True, True])


def test_power_of_two_configurations_is_that_of_the_paired_t_test():
    # One-sided 2.5 %, df = blocks − 1. Published: J. Cohen, Statistical Power Analysis (1988), table 2.3 (from memory):
    # n = 34 pairs, d = 0.5, two-sided 5 %, power 0.81.
    one, about = case({"value": "-2 delta_degC"}, ("a", "b"))
    sd = np.sqrt(2.0 * (0.7**2 + 0.7**2))
    paired = partial(TTestPower().power, alpha=0.025, alternative="larger")
    for blocks in (3, 6, 12):
        edge = thresholds(one, about, Design(("a", "b"), blocks), 20_000, np.random.default_rng(blocks))
        for effect in (1.0, 2.0, 4.0):
            # four standard deviations of 20,000 campaigns
            assert abs(float(np.mean(edge <= effect)) - paired(effect / sd, blocks)) < 4.0 * np.sqrt(0.25 / 20_000)
    assert paired(0.5, 34) == pytest.approx(0.81, abs=0.01)


@pytest.mark.parametrize(
    ("name", "n"),
    [("2×4", 25), ("unequal scatter", 25), *(pytest.param(name, 2000, marks=pytest.mark.slow) for name in DESIGNS)],
)
def test_what_is_promised_is_delivered(name, n, part):
    """Promise a difference with a chance of 80 %, simulate other campaigns with it, judge them: within 99.9 % limits."""
    n, (design, factors) = part(n, min(n, 100)), DESIGNS[name]
    one, about = case(None, design.configurations, replace(SCATTER, factors=factors))
    promised = np.quantile(thresholds(one, about, design, 20_000, np.random.default_rng(1)), 0.8)
    delivered = sum(judged(one, about, design, n, promised, 77))
    low, high = stats.binom.interval(0.999, n, 0.8)
    print(f"{name}: {delivered} of {n}, promised 80 %, difference {promised:.2f} K")
    assert low <= delivered <= high


@pytest.mark.slow
def test_what_is_promised_of_a_recovery_time_is_delivered(part):
    """5,000 campaigns promise a difference with 80 %; 1,000 others are compared and judged in all headline metrics."""
    design, scatter = Design(("a", "b"), 6), Scatter(4.0, 4.0, 8.0, 0.0, "", level=80.0, watched=200.0)
    one, about = case(RECOVERY | {"margin": "5 degF"}, ("a", "b"), scatter)
    promised = power.reached(*power.dose(one, about, design, 5000, np.random.default_rng(1)), 0.8)
    assert promised is not None
    rng, n, cells, shown = np.random.default_rng(77), part(1000, 60), design.cells, 0
    biases = power.shared_biases(one, 60, rng)
    gap = power.gap_of(scatter, about.key.parameter.number, biases)
    headline = tuple(key for key in metric_keys(one) if key.spec.headline)
    who = np.array([c == "b" for c, _ in cells])
    for _ in range(n):
        real, values, draws = int(rng.integers(60)), [], {}
        for key in headline:
            one_of = replace(about, key=key)
            true = simulate(design, scatter, 1, rng)[0] + 80.0 - np.where(who & (key == about.key), promised, 0.0)
            read = drawn_values(one_of, true, biases, gap, 200.0)[:, real]
            all_may_be = drawn_values(one_of, np.minimum(read, 200.0), biases, gap, 200.0)
            draws[key.key] = dict(zip("0123456789AB", all_may_be, strict=True))
            for j, (c, b), v in zip("0123456789AB", cells, read.tolist(), strict=True):
                found = ("ok", v) if v < 200.0 else ("not reached", None, 200.0)
                values.append(MetricResult(key.key, j, c, f"day-{b}", *found))
        of_each = SimpleNamespace(common=lambda key, run, draws=draws: draws[key][run])
        of_each.total = of_each.common
        rows = compare(one, headline, tuple(values), of_each)
        shown += judge_claims(one, headline, tuple(values), rows, draws=of_each)[0].verdict == "supported"
    # the curve between two levels rests on 1,000 campaigns: 99.9 % limits of the difference of two shares
    print(f"recovery: {shown} of {n}, promised 80 %, difference {promised:.1f} s")
    assert abs(shown / n - 0.8) < 3.29 * np.sqrt(0.8 * 0.2 * (1 / n + 1 / 1000))


def test_whole_degree_sensors_cannot_decide_three_fahrenheit_and_a_soak_check_can():
    # ± 1 K and an unknown rounding: more than half of what a margin of 1.67 K leaves above a plateau
    one, about = case(RECOVERY | {"value": "-5 s"}, ("a", "b"), Scatter(2.0, 2.0, 4.0, 0.0, "", level=80.0))
    design = Design(("a", "b"), 8)
    soaked = power.zeroed(0.2, 60, np.random.default_rng(2))
    blurred, sharp = (judge_design(one, (about,), 200, 1, design, left)[0] for left in (None, soaked))
    assert sharp.detectable is not None and sharp.detectable < 15.0
    assert blurred.detectable is None or blurred.detectable > 1.5 * sharp.detectable


def test_what_runs_do_not_reduce_counts_as_in_the_report():
    one, about = case({"value": "-2 delta_degC"}, ("a", "b"))
    design, n, shared = Design(("a", "b"), 4), 200, 0.6
    scatter = replace(SCATTER, shared=shared)
    alone, edge = (
        float(np.quantile(thresholds(one, replace(about, scatter=s), design, 4000, np.random.default_rng(3)), 0.8))
        for s in (SCATTER, scatter)
    )
    assert edge > 1.05 * alone
    rng, cells = np.random.default_rng(4), design.cells
    who = np.array([c == "b" for c, _ in cells])
    values = simulate(design, scatter, n, rng) + np.where(who, -2.0 - edge + shared * rng.standard_normal((n, 1)), 0.0)
    drawn = shared * rng.standard_normal(400)
    supported, named = 0, [(str(j), c, f"block-{b}") for j, (c, b) in enumerate(cells)]
    for row in values:
        of_cells = zip(named, row, strict=True)
        results = tuple(MetricResult(about.key.key, *name, "ok", value=float(number)) for name, number in of_cells)
        draws = PlannedDraws({str(j): row[j] + drawn * who[j] for j in range(len(cells))})
        compared = compare(one, (about.key,), results, draws)
        supported += judge_claims(one, (about.key,), results, compared)[0].verdict == "supported"
    assert stats.binomtest(supported, n, 0.8).pvalue > 0.001


def test_a_claim_is_planned_on_the_common_drive_where_its_scatter_there_is_known():
    one, about = case({}, ("a", "b"))
    known = {about.key.key + ON_COMMON: replace(SCATTER, run=0.2)}
    both = cases(one, metric_keys(one), known)
    assert [(c.name, c.beside) for c in both] == [("c", False), ("c" + ON_COMMON, True)]
    assert both[1].scatter.run == 0.2 and both[0].scatter.df == 0.0
    one, _ = case({"common_drive": True}, ("a", "b"))
    (only,) = cases(one, metric_keys(one), known)
    assert only.common and not only.beside


def test_looking_after_every_block_costs():
    one = campaign(("a", "b"))
    once, often = risk_of_looking(one, Design(("a", "b"), 5), 20_000, np.random.default_rng(3))
    assert once == pytest.approx(0.025, abs=4 * np.sqrt(0.025 * 0.975 / 20_000))
    assert 0.04 < often < 0.1  # four looks at 2.5 % each, hanging together


def test_scatter_is_found_again():
    rng, found = np.random.default_rng(9), []
    for _ in range(200):
        rows = [
            (c, str(b), float(shift + rng.normal(0.0, 1.0)))
            for b in range(6)
            for c in "ab"
            for shift in [rng.normal(0.0, 2.0)]
            for _ in range(3)
        ]
        found.append(estimate(rows, ""))
    # squares are unbiased while none is cut off at zero
    assert np.mean([s.run**2 for s in found]) == pytest.approx(1.0, abs=0.06)
    assert np.mean([s.interaction**2 for s in found]) == pytest.approx(4.0, rel=0.15)
    assert estimate([("a", "1", 1.0), ("b", "1", 2.0)], "") is None
    single = estimate([(c, str(b), float(rng.normal())) for b in range(9) for c in "abc"], "")
    assert single.run == pytest.approx(single.interaction) and single.df == 16.0 and single.upper > 1.0
