"""Intervals, comparisons and Monte Carlo; random generators are passed in, never created.

Results are frozen dataclasses of JSON-able fields; what cannot be computed is None, with the reason in a note.
"""

from intake_report.statistics.comparison import Difference, compare_blocked, compare_means, holm
from intake_report.statistics.means import MeanInterval, WelchTest, mean_interval, welch, welch_from_summary
from intake_report.statistics.permutation import (
    PermutationTest,
    permutation_blocked,
    permutation_paired,
    permutation_two_sample,
    smallest_attainable_p,
)
from intake_report.statistics.proportions import (
    ProportionInterval,
    clopper_pearson,
    trials_without_failure,
    zero_failure_upper,
)
from intake_report.statistics.regression import LineFit, TheilSen, line_fit, theil_sen

__all__ = [
    "Difference",
    "LineFit",
    "MeanInterval",
    "PermutationTest",
    "ProportionInterval",
    "TheilSen",
    "WelchTest",
    "clopper_pearson",
    "compare_blocked",
    "compare_means",
    "holm",
    "line_fit",
    "mean_interval",
    "permutation_blocked",
    "permutation_paired",
    "permutation_two_sample",
    "smallest_attainable_p",
    "theil_sen",
    "trials_without_failure",
    "welch",
    "welch_from_summary",
    "zero_failure_upper",
]
