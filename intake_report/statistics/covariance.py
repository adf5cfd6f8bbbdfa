"""Analysis of covariance of cell means: slopes that configurations share, and whether one straight line does."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from intake_report.statistics._numbers import Floats
from intake_report.statistics.models import cell_design, residual_of


@dataclass(frozen=True)
class Slopes:
    """Slopes of k covariates, (k,): estimate and standard error; degrees of freedom left.

    `curved` and `unequal` are p-values of squares of the covariates, and of slopes of their own for each configuration; None
    without a degree of freedom. `scatter` and `unadjusted` are residual standard deviations of cell means with the
    covariates and without.
    """

    slope: Floats
    error: Floats
    df: int
    curved: float | None
    unequal: float | None
    scatter: float
    unadjusted: float


def fit_slopes(
    values: Floats, configuration: Sequence[Hashable], block: Sequence[Hashable] | None, covariates: Floats
) -> Slopes | None:
    """Fit configurations, blocks and covariates to the means of cells; None without a degree of freedom or variation.

    `values`, `configuration`, `block` (n,); without blocks every run is a cell of its own; `covariates` (n, k), known before the
    value. Least squares; F tests of nested models. R. A. Fisher, Statistical Methods for Research Workers (1932), ch. VIII (from
    memory).
    """
    units, ids, plain, _ = cell_design(configuration, block, configuration[0])
    y, x = units @ (values - values[0]), units @ (covariates - covariates.mean(axis=0))
    design = np.column_stack([plain, x])
    residual, rank = residual_of(design, y)
    df = y.size - rank
    if df < 1 or rank < np.linalg.matrix_rank(plain) + x.shape[1]:
        return None
    squares = float(residual @ residual) / df
    inverse = np.linalg.pinv(design)[-x.shape[1] :]
    without, rank_without = residual_of(plain, y)
    own = [np.where(np.array([c == name for c in ids])[:, None], x, 0.0) for name in dict.fromkeys(ids)]
    return Slopes(
        inverse @ y,
        np.sqrt(squares * np.sum(inverse**2, axis=1)),
        df,
        _f_test(design, x**2, y),
        _f_test(design, np.column_stack(own[1:]), y),
        squares**0.5,
        float(np.sqrt(without @ without / (y.size - rank_without))),
    )


def _f_test(design: Floats, more: Floats, y: Floats) -> float | None:
    """Return the p-value of further columns; None where they leave no degree of freedom or add none."""
    (narrow, low), (wide, high) = residual_of(design, y), residual_of(np.column_stack([design, more]), y)
    if y.size - high < 1 or high == low:
        return None
    error = float(wide @ wide) / (y.size - high)
    gain = max(float(narrow @ narrow) - float(wide @ wide), 0.0) / (high - low)
    return float(special.fdtrc(high - low, y.size - high, gain / error)) if error > 0.0 else None
