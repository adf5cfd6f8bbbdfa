"""Intervals, comparisons and Monte Carlo; random generators are passed in, never created.

Results are frozen dataclasses; what cannot be computed is None, with the reason in a note.
"""

from intake_report.statistics._numbers import Floats, coverage_factor, t_two_sided
from intake_report.statistics.censored import compare_censored, gehan_scores, permutation_censored
from intake_report.statistics.checks import Additivity, LagOne, additive_residuals, additivity, lag_one, runs_test
from intake_report.statistics.comparison import (
    Difference,
    Method,
    Nouns,
    compare_blocked,
    compare_means,
    equivalence,
    holm,
    in_one,
    no_interval,
    not_linked,
    standardised,
)
from intake_report.statistics.conformity import Conformity, conformance_probability, decide, guard_band
from intake_report.statistics.fitting import Caveat, ExponentialFit, decay, explain, fit_recovery, fit_recovery_many
from intake_report.statistics.means import (
    DrawSummary,
    LineFit,
    MeanInterval,
    ProportionInterval,
    clopper_pearson,
    combine,
    line_fit,
    mean_interval,
    summarise_draws,
    zero_failure_upper,
)
from intake_report.statistics.models import (
    Blocked,
    Estimates,
    RunsModel,
    TwoSamples,
    blocked,
    linked_to,
    two_samples,
)
from intake_report.statistics.permutation import (
    PermutationTest,
    arrangements,
    permutation_blocked,
    smallest_attainable_p,
)

__all__ = [
    "Additivity",
    "Blocked",
    "Caveat",
    "Conformity",
    "Difference",
    "DrawSummary",
    "Estimates",
    "ExponentialFit",
    "Floats",
    "LagOne",
    "LineFit",
    "MeanInterval",
    "Method",
    "Nouns",
    "PermutationTest",
    "ProportionInterval",
    "RunsModel",
    "TwoSamples",
    "additive_residuals",
    "additivity",
    "arrangements",
    "blocked",
    "clopper_pearson",
    "combine",
    "compare_blocked",
    "compare_censored",
    "compare_means",
    "conformance_probability",
    "coverage_factor",
    "decay",
    "decide",
    "equivalence",
    "explain",
    "fit_recovery",
    "fit_recovery_many",
    "gehan_scores",
    "guard_band",
    "holm",
    "in_one",
    "lag_one",
    "line_fit",
    "linked_to",
    "mean_interval",
    "no_interval",
    "not_linked",
    "permutation_blocked",
    "permutation_censored",
    "runs_test",
    "smallest_attainable_p",
    "standardised",
    "summarise_draws",
    "t_two_sided",
    "two_samples",
    "zero_failure_upper",
]
