"""Intervals, comparisons and Monte Carlo; random generators are passed in, never created.

Results are frozen; what cannot be computed is None, with the reason in a note.
"""

from intake_report.statistics._numbers import Floats, coverage_factor, p_values, t_two_sided
from intake_report.statistics.censored import compare_censored, gehan_scores
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
from intake_report.statistics.fitting import CAVEATS, decay, fit_recovery, fit_recovery_many, runs_test
from intake_report.statistics.means import (
    DrawSummary,
    clopper_pearson,
    combine,
    conformance_probability,
    decide,
    guard_band,
    line_fit,
    mean_interval,
    summarise_draws,
    zero_failure_upper,
)
from intake_report.statistics.models import (
    Additivity,
    Blocked,
    Estimates,
    RunsModel,
    additive_residuals,
    additivity,
    blocked,
    cell_design,
    fit_slopes,
    linked_to,
    two_samples,
)
from intake_report.statistics.permutation import (
    PermutationTest,
    arrangements,
    dealt_anew,
    lag_one,
    permutation_blocked,
    smallest_attainable_p,
)
