"""Planned orders, what they balance, what they can show, and the text for the campaign file."""

import itertools
import math
import tomllib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from intake_report.campaign.model import Run
from intake_report.errors import DataError
from intake_report.plan import (
    block_orders,
    blocks_needed,
    detectable_difference,
    order_balance,
    plan_campaign,
    plan_power,
    plan_text,
    williams,
)
from intake_report.statistics import DesignPrecision


@given(st.integers(2, 9))
def test_williams_balances_position_and_what_follows_what(k):
    names = [f"c{i}" for i in range(k)]
    rows = williams(names)
    # k sequences for even k, 2k for odd k.
    assert len(rows) == len(set(rows)) == (k if k % 2 == 0 else 2 * k)
    for row in rows:
        assert sorted(row) == sorted(names)
    for position in range(k):
        column = [row[position] for row in rows]
        assert {column.count(name) for name in names} == {len(rows) // k}
    pairs = [pair for row in rows for pair in itertools.pairwise(row)]
    assert {pairs.count(pair) for pair in itertools.permutations(names, 2)} == {1 if k % 2 == 0 else 2}
    balance = order_balance(rows)
    assert balance.position_balanced and balance.carry_over_balanced and balance.drift_cancels


def test_three_blocks_of_three_are_a_latin_square():
    orders = block_orders(["A", "B", "C"], 3)
    balance = order_balance(orders)
    assert balance.position_balanced and balance.drift_cancels
    # Six ordered pairs and six neighbours, but three rows of this design cannot hold each pair once.
    assert not balance.carry_over_balanced
    assert order_balance(block_orders(["A", "B", "C"], 6)).carry_over_balanced


def test_the_subset_chosen_is_the_best_of_all():
    # Two blocks of three: one row and its mirror image cancel a linear drift, two other rows may not.
    orders = block_orders(["A", "B", "C"], 2)
    assert order_balance(orders).drift_cancels and orders[1] == orders[0][::-1]
    # Five blocks of two: AB and BA twice each, and AB once more.
    assert order_balance(block_orders(["A", "B"], 5)).mean_position == (("A", 1.4), ("B", 1.6))


def test_two_configurations_with_two_runs_each_are_abba():
    orders = block_orders(["A", "B"], 2, repeats=2)
    assert set(orders) == {("A", "B", "B", "A"), ("B", "A", "A", "B")}
    balance = order_balance(orders[:1])
    assert balance.mean_position == (("A", 2.5), ("B", 2.5))
    assert balance.drift_cancels and balance.repeats == 1 and not balance.position_balanced


@given(k=st.integers(2, 5), blocks=st.integers(1, 7), repeats=st.integers(1, 4), seed=st.none() | st.integers(0, 2**32))
def test_every_block_holds_every_configuration_equally_often(k, blocks, repeats, seed):
    names = [f"c{i}" for i in range(k)]
    rng = None if seed is None else np.random.default_rng(seed)
    orders = block_orders(names, blocks, repeats, rng)
    assert len(orders) == blocks
    for order in orders:
        assert sorted(order) == sorted(names * repeats)
    # A linear drift within each block cancels whenever runs are even in number per configuration and block.
    if repeats % 2 == 0:
        for order in orders:
            assert order_balance([order]).drift_cancels
    if seed is not None:
        assert orders == block_orders(names, blocks, repeats, np.random.default_rng(seed))


def test_random_draws_differ_and_keep_the_balance():
    drawn = {block_orders(["A", "B", "C"], 6, rng=np.random.default_rng(seed)) for seed in range(20)}
    assert len(drawn) > 10
    assert all(order_balance(orders).carry_over_balanced for orders in drawn)


def test_plan_lists_runs_in_the_order_of_driving():
    plan = plan_campaign(["stock", "duct", "box"], "stock", 3, block_names=["mon", "tue", "wed"])
    assert [run.block for run in plan.runs] == ["mon"] * 3 + ["tue"] * 3 + ["wed"] * 3
    assert [run.position for run in plan.runs] == [1, 2, 3] * 3
    assert tuple(run.configuration for run in plan.runs[:3]) == plan.blocks[0]
    assert len({run.id for run in plan.runs}) == 9 and plan.runs[0].id == "mon-stock"
    assert any("follow each other more often" in note for note in plan.notes)


def test_notes_say_what_a_plan_does_not_cancel():
    one = plan_campaign(["a", "b"], "a", 1)
    assert "One block only" in one.notes[0] and "mean positions are a 1.00, b 2.00" in one.notes[1]
    abba = plan_campaign(["a", "b"], "a", 2, repeats=2)
    assert any("2 times a configuration follows itself" in note for note in abba.notes)
    assert not any("drift" in note for note in abba.notes)
    assert plan_campaign(["a", "b"], "a", 2).notes == ()
    two = plan_campaign(["a", "b", "c"], "a", 2)
    assert any("one that bends does not" in note for note in two.notes)


def test_text_is_what_the_campaign_file_takes():
    plan = plan_campaign(["stock", "duct"], "stock", 2, repeats=2)
    text = plan_text(plan, folder="logs", suffix=".csv.gz")
    runs = tomllib.loads(text)["run"]
    assert [run["id"] for run in runs] == [run.id for run in plan.runs]
    assert runs[0]["files"] == ["logs/block-1-stock-1.csv.gz"]
    for run in runs:
        assert Run.model_validate(run).block in ("block-1", "block-2")
    assert text.splitlines()[0].startswith("# ") and all(f"# {note}" in text for note in plan.notes)


def test_power_of_a_plan_against_the_noncentral_t_distribution():
    plan = plan_campaign(["a", "b", "c"], "a", 4)
    powers = plan_power(plan, 2.0, power=0.9, level=0.95)
    assert [p.configuration for p in powers] == sorted("bc", key=[r.configuration for r in plan.runs].index)
    for p in powers:
        # Randomised blocks: df = (blocks - 1)(configurations - 1), standard error = scatter * sqrt(2 / blocks).
        assert (p.df, p.runs) == (6, (4, 4))
        error = 2.0 * math.sqrt(2.0 / 4.0)
        critical = stats.t.ppf(0.975, 6)
        assert p.half_width == pytest.approx(critical * error)
        shift = p.detectable / error
        reached = stats.nct.sf(critical, 6, shift) + stats.nct.cdf(-critical, 6, shift)
        assert reached == pytest.approx(0.9, abs=1e-6)
        # Four pairs: 2 / 2**4.
        assert p.smallest_p == pytest.approx(0.125) and "cannot reach 5 %" in p.note


def test_paired_power_against_simulation():
    rng = np.random.default_rng(20260512)
    (p,) = plan_power(plan_campaign(["a", "b"], "a", 5), 1.0, power=0.8)
    day = rng.normal(0.0, 5.0, (20_000, 5, 1))
    runs = day + rng.normal(0.0, 1.0, (20_000, 5, 2)) + np.array([0.0, p.detectable])
    found = stats.ttest_rel(runs[..., 1], runs[..., 0], axis=1).pvalue < 0.05
    # Binomial standard error 0.0028 with 20,000 campaigns; four of them.
    assert found.mean() == pytest.approx(0.8, abs=4.0 * math.sqrt(0.16 / 20_000))


def test_one_run_each_gives_an_indication_only():
    (p,) = plan_power(plan_campaign(["a", "b"], "a", 1), 1.0)
    assert (p.df, p.half_width, p.detectable) == (0, None, None)
    assert "indication" in p.note and p.smallest_p == 1.0
    assert detectable_difference(DesignPrecision(1.0, 0), 1.0) is None


def test_blocks_needed():
    needed = blocks_needed(["a", "b", "c"], "a", 2.0, 3.0)
    assert needed is not None

    def worst(blocks):
        return max(p.detectable or math.inf for p in plan_power(plan_campaign(["a", "b", "c"], "a", blocks), 2.0))

    assert worst(needed) <= 3.0 < worst(needed - 1)
    assert blocks_needed(["a", "b"], "a", 10.0, 0.1, most=5) is None
    assert blocks_needed(["a", "b"], "a", 1.0, 2.0, repeats=3) < blocks_needed(["a", "b"], "a", 1.0, 2.0)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: williams(["a"]), "two configurations or more"),
        (lambda: williams(["a", "b", "a"]), "“a” is named twice"),
        (lambda: block_orders(["a", "b"], 0), "0 blocks are too few"),
        (lambda: block_orders(["a", "b"], 1, 0), "too few"),
        (lambda: plan_campaign(["a", "b"], "c", 1), "baseline “c” is not among"),
        (lambda: plan_campaign(["a", "b c"], "a", 1), "“b c” cannot be the id of a configuration"),
        (lambda: plan_campaign(["a", "b"], "a", 2, block_names=["x"]), "1 different block names for 2 blocks"),
        (lambda: plan_campaign(["a", "b"], "a", 2, block_names=["x", "x"]), "1 different block names"),
        (lambda: plan_power(plan_campaign(["a", "b"], "a", 2), 0.0), "not positive"),
        (lambda: plan_power(plan_campaign(["a", "b"], "a", 2), math.nan), "not positive"),
        (lambda: blocks_needed(["a", "b"], "a", 1.0, 0.0), "cannot be planned for"),
    ],
)
def test_bad_plans(call, says):
    with pytest.raises(DataError, match=says) as caught:
        call()
    assert caught.value.remedy or "planned for" in says
