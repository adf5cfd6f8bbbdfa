"""Intervals, comparisons and Monte Carlo; random generators are passed in, never created.

Results are frozen dataclasses; what cannot be computed is None, with the reason in a note.
"""

from intake_report.statistics._numbers import Floats, coverage_factor, p_values, t_two_sided
from intake_report.statistics.censored import compare_censored, gehan_scores, permutation_censored
from intake_report.statistics.checks import additive_residuals, additivity, lag_one, runs_test
from intake_report.statistics.comparison import (
    Difference,
    Nouns,
    compare_blocked,
    compare_means,
    difference_of,
    equivalence,
    holm,
    holm_rows,
    in_one,
    not_linked,
    standardised,
)
from intake_report.statistics.conformity import conformance_probability, decide, guard_band
from intake_report.statistics.covariance import Slopes, fit_slopes
from intake_report.statistics.fitting import decay, explain, fit_recovery, fit_recovery_many
from intake_report.statistics.means import (
    DrawSummary,
    MeanInterval,
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
    blocked,
    cell_design,
    linked_to,
    two_samples,
)
from intake_report.statistics.permutation import (
    PermutationTest,
    arrangements,
    dealt_anew,
    permutation_blocked,
    smallest_attainable_p,
)
