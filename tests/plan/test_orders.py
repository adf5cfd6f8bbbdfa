"""Planned orders and what they balance."""

import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from intake_report.plan.schedule import block_orders, order_balance, order_notes, williams


def drawn(configurations, blocks, repeats=1, seed=1):
    return block_orders(list(configurations), blocks, repeats, np.random.default_rng(seed))


@given(st.integers(2, 9))
def test_williams_balances_position_and_what_follows_what(k):
    names = [f"c{i}" for i in range(k)]
    rows = williams(names)
    # k sequences for even k, 2k for odd k.
    assert len(rows) == len(set(rows)) == (k if k % 2 == 0 else 2 * k)
    for position in range(k):
        column = [row[position] for row in rows]
        assert {column.count(name) for name in names} == {len(rows) // k}
    pairs = [pair for row in rows for pair in itertools.pairwise(row)]
    assert {pairs.count(pair) for pair in itertools.permutations(names, 2)} == {1 if k % 2 == 0 else 2}
    balance = order_balance(rows)
    assert balance.position_balanced and balance.carry_over_balanced and balance.drift == 0.0


def test_the_subset_chosen_is_the_best_of_all():
    for seed in range(20):
        three = order_balance(drawn("ABC", 3, seed=seed))  # a Latin square
        assert three.position_balanced and three.drift == 0.0
        # Six ordered pairs and six neighbours, but three rows of this design cannot hold each pair once.
        assert not three.carry_over_balanced
        assert order_balance(drawn("ABC", 6, seed=seed)).carry_over_balanced
        # Two blocks of three: one row and its mirror image cancel a linear drift, two other rows may not.
        first, second = drawn("ABC", 2, seed=seed)
        assert order_balance([first, second]).drift == 0.0 and second == first[::-1]
        # Five blocks of two: AB and BA twice each, and AB or BA once more.
        assert sorted(order_balance(drawn("AB", 5, seed=seed)).mean_position.values()) == [1.4, 1.6]
    assert len({drawn("ABC", 6, seed=seed) for seed in range(20)}) > 10


@given(k=st.integers(2, 5), blocks=st.integers(1, 7), repeats=st.integers(1, 4), seed=st.integers(0, 2**32))
def test_every_block_holds_every_configuration_equally_often(k, blocks, repeats, seed):
    names = [f"c{i}" for i in range(k)]
    orders = drawn(names, blocks, repeats, seed)
    assert len(orders) == blocks and orders == drawn(names, blocks, repeats, seed)
    for order in orders:
        assert sorted(order) == sorted(names * repeats)
        # A linear drift within each block cancels whenever runs are even in number per configuration and block.
        assert repeats % 2 or order_balance([order]).drift == 0.0


def test_notes_say_what_orders_do_not_cancel():
    assert "mean positions are a 1.33, b 1.67" in order_notes([("a", "b"), ("a", "b"), ("b", "a")])[0]
    bends, again = order_notes([tuple("abba")])
    assert "one that bends does not" in bends and "1 times a configuration follows itself" in again
    assert order_notes(drawn("ab", 2)) == ()
    assert any("follow each other more often" in note for note in order_notes(drawn("abc", 3)))
