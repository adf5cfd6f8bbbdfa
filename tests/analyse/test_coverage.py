"""How often the interval of a headline difference holds the truth: simulated campaigns with known truth.

Days (weather, traffic, sun) are drawn anew for each campaign, readings are whole degrees, and the biases that all runs
of a campaign share are drawn from what its file declares. Truth: mean over many drives of the difference of the
temperatures that the sensor's element has.
"""

import numpy as np
import pytest
from scipy.stats import binom

from analyse.studies import DESIGNS, TRUTH, study_coverage
from intake_report.statistics import clopper_pearson

CAMPAIGNS = 250
# What is asked of every difference. Where configurations scatter differently an interval of 3 × 3 runs does not have its 95 %:
# normal runs with the scatter of this simulator on the on-ramp (0.88, 1.09, 0.60 K) give 93.3 % for the open cone and 97.0 %
# for the sealed box (`test_compare.covered`, 20,000 campaigns), as near as an error of four degrees of freedom comes.
LEAST = 0.93
ERROR = 0.05  # probability that a set of cells of which all hold `LEAST` is refused, by Bonferroni's inequality
LEAST_POOLED = 0.94  # of all cells together, where little is left to chance: the nominal share less one per cent


@pytest.mark.slow
@pytest.mark.parametrize(("layout", "mornings"), [*((layout, 0) for layout in DESIGNS), ("3×3", 3)])
def test_intervals_hold_the_truth(layout, mornings, part):
    """No cell below 93 % by more than chance explains in a set of its size, 94 % of all, and none above 98 % beyond chance.

    An interval that is open on a side holds the truth more often than it says, since the side was not bounded; the upper
    bound is held where at most one in ten is open.
    """
    campaigns = part(CAMPAIGNS, 12)
    outcome = study_coverage(layout, campaigns, mornings=mornings)
    counts = outcome.covered()
    opened, half = {}, {}
    print(f"\n{layout}, {mornings} soak checks, {campaigns} campaigns: intervals that hold the truth")
    for where, (inside, n) in counts.items():
        rows = [c for some in outcome.comparisons for c in some if (c.key, c.configuration) == where]
        closed = [0.5 * (c.high - c.low) for c in rows if c.low is not None and c.high is not None]
        half[where] = np.median(closed or [np.inf])
        opened[where] = sum(c.basis == "runs" and (c.low is None or c.high is None) for c in rows)
        censored = sum(c.not_reached + c.not_reached_versus > 0 for c in rows)
        print(
            f"  {where[0]:26s} {where[1]:15s} {inside:3d} of {n:3d} = {100 * inside / n:4.1f} %   half-width {half[where]:5.2f}, "
            f"truth {outcome.truth[where]:7.2f} ± {outcome.truth_error[where]:.2f}, {censored} with runs not reached, {opened[where]} open"
        )
    assert {key for key, _ in counts} == set(TRUTH)
    if campaigns == CAMPAIGNS:  # a sample of a few leaves much to chance
        assert sum(inside for inside, _ in counts.values()) >= LEAST_POOLED * sum(n for _, n in counts.values())
    for where, (inside, n) in counts.items():
        # the truth is itself an estimate: it has to be known far better than the intervals are wide
        assert outcome.truth_error[where] < 0.1 * half[where]
        assert n >= 0.9 * campaigns
        assert inside >= binom.ppf(ERROR / len(counts), n, LEAST), (where, inside, n)
        if opened[where] <= 0.1 * n:
            assert clopper_pearson(inside, n).low <= 0.98, (where, inside, n)


def test_the_study_itself_in_small():
    """A few campaigns: every headline difference gets an interval, and the study repeats."""
    one, two = (study_coverage("2×4", 2, replicates=2, draws=30) for _ in range(2))
    assert one.comparisons == two.comparisons and one.truth == two.truth
    rows = [c for some in one.comparisons for c in some]
    assert {c.basis for c in rows} == {"runs"} and {c.key for c in rows} == set(TRUTH)
    # shared biases cancel in means of temperatures
    assert all(c.instrument < 0.05 * c.between for c in rows if c.key == "mean_over_ambient:city")
