"""Published designs of orders against the planner."""

import pytest

from intake_report.plan.schedule import block_orders, order_balance, williams


def words(rows):
    return ["".join(row) for row in rows]


def test_williams_design_of_four():
    # The usual table of the design for four treatments (from memory; its property is verified here as well).
    rows = williams("ABCD")
    assert words(rows) == ["ABDC", "BCAD", "CDBA", "DACB"]
    assert order_balance(rows).carry_over_balanced


def test_williams_design_of_three():
    # Six sequences, each ordered pair twice, each treatment twice at every position.
    rows = williams("ABC")
    assert words(rows) == ["ABC", "BCA", "CAB", "CBA", "ACB", "BAC"]
    assert set(order_balance(rows).follows.values()) == {2}
    assert set(order_balance(rows).positions.values()) == {(2, 2, 2)}


def test_two_treatments():
    # AB/BA, or ABBA with mean position 2.5 for both, so that a linear drift cancels.
    assert words(williams("AB")) == ["AB", "BA"]
    assert words(block_orders("AB", 1, repeats=2)) == ["ABBA"]
    assert order_balance([tuple("ABBA")]).mean_position == {"A": 2.5, "B": 2.5}


@pytest.mark.parametrize(("k", "sequences"), [(2, 2), (3, 6), (4, 4), (5, 10), (6, 6)])
def test_number_of_sequences(k, sequences):
    assert len(williams("ABCDEF"[:k])) == sequences
