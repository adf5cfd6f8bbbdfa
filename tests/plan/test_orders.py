"""Planned orders, what they balance, what they can show, and the text for the campaign file."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from intake_report.errors import DataError
from intake_report.plan.schedule import block_orders, order_balance, order_notes, williams


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
    assert order_balance(block_orders(["A", "B"], 5)).mean_position == {"A": 1.4, "B": 1.6}


def test_two_configurations_with_two_runs_each_are_abba():
    orders = block_orders(["A", "B"], 2, repeats=2)
    assert set(orders) == {("A", "B", "B", "A"), ("B", "A", "A", "B")}
    balance = order_balance(orders[:1])
    assert balance.mean_position == {"A": 2.5, "B": 2.5}
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


def test_notes_say_what_orders_do_not_cancel():
    one = order_notes(block_orders(["a", "b"], 1))
    assert "One block only" in one[0] and "mean positions are a 1.00, b 2.00" in one[1]
    abba = order_notes(block_orders(["a", "b"], 2, repeats=2))
    assert any("2 times a configuration follows itself" in note for note in abba)
    assert order_notes(block_orders(["a", "b"], 2)) == ()
    assert any("one that bends does not" in note for note in order_notes(block_orders(["a", "b", "c"], 2)))
    assert any("follow each other more often" in note for note in order_notes(block_orders(["a", "b", "c"], 3)))


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: williams(["a"]), "two configurations or more"),
        (lambda: williams(["a", "b", "a"]), "“a” is named twice"),
        (lambda: block_orders(["a", "b"], 0), "0 blocks are too few"),
        (lambda: block_orders(["a", "b"], 1, 0), "too few"),
    ],
)
def test_bad_plans(call, says):
    with pytest.raises(DataError, match=says) as caught:
        call()
    assert caught.value.remedy
