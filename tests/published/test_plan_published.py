"""Published designs and sample sizes against the planner."""

import pytest

from intake_report.plan import block_orders, detectable_difference, order_balance, plan_campaign, plan_power, williams
from intake_report.statistics import DesignPrecision


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
    assert {count for _, _, count in order_balance(rows).follows} == {2}
    assert {counts for _, counts in order_balance(rows).positions} == {(2, 2, 2)}


def test_two_treatments():
    # AB/BA, or ABBA with mean position 2.5 for both, so that a linear drift cancels.
    assert words(williams("AB")) == ["AB", "BA"]
    assert words(block_orders("AB", 1, repeats=2)) == ["ABBA"]
    assert order_balance([tuple("ABBA")]).mean_position == (("A", 2.5), ("B", 2.5))


@pytest.mark.parametrize(("k", "sequences"), [(2, 2), (3, 6), (4, 4), (5, 10), (6, 6)])
def test_number_of_sequences(k, sequences):
    assert len(williams("ABCDEF"[:k])) == sequences


@pytest.mark.parametrize(
    ("pairs", "effect"),
    # Pairs for 80 % power at 5 %, as R's power.t.test gives them (from memory): 9.94 for an effect of 1 standard
    # deviation of the differences, 5.69 for 1.5, 4.22 for 2, 3.14 for 3.
    [(9.94, 1.0), (5.69, 1.5), (4.22, 2.0), (3.14, 3.0)],
)
def test_detectable_difference_between_whole_numbers_of_pairs(pairs, effect):
    fewer, more = (
        # Scatter 1 of the differences: factor 1 / sqrt(n) with n - 1 degrees of freedom.
        detectable_difference(DesignPrecision(n**-0.5, n - 1), 1.0)
        for n in (int(pairs), int(pairs) + 1)
    )
    assert more < effect < fewer


@pytest.mark.parametrize(("pairs", "smallest"), [(3, 0.25), (4, 0.125), (5, 0.0625), (6, 0.03125), (8, 0.0078125)])
def test_smallest_p_of_blocks_with_one_run_each(pairs, smallest):
    # Sign-flip permutation of n pairs: 2 / 2**n.
    (p,) = plan_power(plan_campaign(["a", "b"], "a", pairs), 1.0)
    assert p.smallest_p == pytest.approx(smallest, rel=1e-12)
    assert ("cannot reach" in p.note) == (smallest > 0.05)
