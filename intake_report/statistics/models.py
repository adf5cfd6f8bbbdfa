"""The comparison as arithmetic on many draws at once: the same estimate, its error and degrees of freedom per draw.

From the layout of the runs alone it says how precise a difference will be, made or planned. Beside it what the model assumes:
that effects add up, and that configurations share the slope of a covariate.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy import special

from intake_report.messages import Part, message
from intake_report.statistics.means import Floats, Values, below_rounding, finite

_ROUNDING = 1e-9

Labels: TypeAlias = Sequence[Hashable]


@dataclass(frozen=True)
class Estimates:
    """Differences of m draws, each (m,): estimate, standard error, degrees of freedom."""

    difference: Floats
    error: Floats
    df: Floats


def linked_to(start: Hashable, configuration: Labels, block: Labels) -> set[Hashable]:
    """Return the configurations that blocks link to `start`, directly or by way of others."""
    reached, grew = {start}, True
    while grew:
        blocks = {b for c, b in zip(configuration, block, strict=True) if c in reached}
        wider = {c for c, b in zip(configuration, block, strict=True) if b in blocks}
        grew = wider != reached
        reached = wider
    return reached


def additive_design(configuration: Labels, block: Labels, baseline: Hashable) -> tuple[Floats, list[Hashable]]:
    """Return design matrix and candidates of the additive model: columns per candidate, then per block (the means)."""
    candidates = [c for c in dict.fromkeys(configuration) if c != baseline]
    blocks = list(dict.fromkeys(block))
    columns = [[float(c == name) for c in configuration] for name in candidates]
    columns += [[float(b == name) for b in block] for name in blocks]
    return np.array(columns, dtype=np.float64).T, candidates


def residual_of(design: Floats, y: Floats) -> tuple[Floats, int]:
    """Return what least squares leaves of `y` (n,), and the rank of the design."""
    coefficients, _, rank, _ = np.linalg.lstsq(design, y, rcond=None)
    return np.asarray(y - design @ coefficients, dtype=np.float64), int(rank)


OWN = 0.5
"""Share of the own scatter in the error of a difference within blocks, the rest is the pooled one. Simulated (normal,
20,000 campaigns a layout; interaction of day and configuration 0 to 2 × the scatter of runs; 2 × 3 blocks of 2 or 3 runs,
2 × 4, 3 × 3, 3 × 2, and 3, 2 and 2 runs): between 93.0 and 96.9 % at equal standard deviations and at 1.13, 1.33 and 0.75.
Pooled alone falls to 92.7 %, own alone is 26 % (3 × 2) and 58 % (3/2/2) wider at equal scatter, this one 6 and 11 %."""


@dataclass(frozen=True)
class Blocked:
    """Configuration and block effects by least squares over cells: the means of a configuration's runs in a block.

    `units` (k, n) makes cell means of the values of all runs that the model is fitted to, `residual` (k, k) residuals of them;
    `cell_weights` (k,) weigh the cells in the difference, `spread` (k,) the squared residuals in its variance; `df` is 0 when no
    cell is left to estimate the scatter.

    A day may shift one configuration more than another (interaction). Runs of one cell share that shift, so that their
    scatter says nothing of it: the error rests on how cell means depart from the additive model, which holds both. It is
    half own, half pooled (`OWN`), since configurations need not scatter alike. Own: the sum of w²·e²/(1 − h) (h: leverage),
    unbiased where cells scatter alike; R. M. Bell, D. F. McCaffrey, Survey Methodology 28 (2002) 169–181 (from memory).
    Degrees of freedom by Satterthwaite. With two configurations in every block it is the paired t interval of block means.
    """

    runs: tuple[str, ...]
    units: Floats
    cell_weights: Floats
    residual: Floats
    spread: Floats
    df: float

    @property
    def weights(self) -> Floats:
        """Weight of each run's value in the difference, (n,)."""
        return np.asarray(self.cell_weights @ self.units)

    @property
    def factor(self) -> float:
        """Standard error of the difference in units of the scatter of one cell."""
        return float(np.linalg.norm(self.cell_weights))

    def evaluate(self, values: Floats) -> Estimates | None:
        """Return the differences of draws of all runs, (m, n); None without a degree of freedom."""
        if self.df <= 0.0:
            return None
        cells = (values - values[:, :1]) @ self.units.T  # about the first run, so that large offsets do not cost digits
        error = np.sqrt((cells @ self.residual) ** 2 @ self.spread)
        return Estimates(cells @ self.cell_weights, error, np.full(len(values), self.df))


def cell_means(configuration: Labels, block: Labels) -> tuple[list[tuple[Hashable, Hashable]], Floats]:
    """Return the pairs of configuration and block that occur, and what makes their means of the values of runs."""
    where = list(zip(configuration, block, strict=True))
    cells = list(dict.fromkeys(where))
    units = np.array([[float(w == cell) for w in where] for cell in cells])
    return cells, units / units.sum(axis=1, keepdims=True)


def cell_design(
    configuration: Labels, block: Labels | None, baseline: Hashable
) -> tuple[Floats, list[Hashable], Floats, list[Hashable]]:
    """Return what makes cell means, their configurations, additive design and candidates; without `block` runs are cells."""
    cells, units = cell_means(configuration, range(len(configuration)) if block is None else block)
    ids = [c for c, _ in cells]
    design, candidates = additive_design(ids, [0 if block is None else b for _, b in cells], baseline)
    return units, ids, design, candidates


def blocked(
    runs: Sequence[str],
    configuration: Sequence[str],
    block: Labels | None,
    pair: tuple[str, str],
    covariates: Floats | None = None,
) -> Blocked:
    """Return the additive model of `pair` (candidate, other), which blocks link.

    `covariates` (n, k) of the runs enter with a slope that all configurations share (analysis of covariance of cell means).
    """
    where = None if block is None else tuple(block)
    columns = None if covariates is None else tuple(map(tuple, covariates.tolist()))
    return _blocked(tuple(runs), tuple(configuration), where, pair, columns)


@lru_cache(maxsize=512)  # a plan judges thousands of campaigns of one layout, a report every metric of one
def _blocked(
    runs: tuple[str, ...],
    configuration: tuple[str, ...],
    block: tuple[Hashable, ...] | None,
    pair: tuple[str, str],
    covariates: tuple[tuple[float, ...], ...] | None,
) -> Blocked:
    units, cells, design, candidates = cell_design(configuration, block, pair[1])
    if covariates is not None:
        design = np.column_stack([design, units @ np.array(covariates)])
    inverse = np.linalg.pinv(design)
    residual = np.eye(len(cells)) - design @ inverse
    weights = inverse[candidates.index(pair[0])]
    # a cell alone in its block has no residual, and no weight either
    weights = np.where(np.abs(weights) < _ROUNDING, 0.0, weights)
    free = np.diag(residual)
    left = len(cells) - int(np.linalg.matrix_rank(design))
    if left < 1 or np.any((free < _ROUNDING) & (weights != 0.0)):
        return Blocked(runs, units, weights, residual, np.zeros(len(cells)), 0.0)
    own = np.divide(weights**2, free, out=np.zeros(len(cells)), where=weights != 0.0)
    spread = OWN * own + (1.0 - OWN) * float(weights @ weights) / left
    form = residual @ np.diag(spread) @ residual
    return Blocked(runs, units, weights, residual, spread, float(np.trace(form)) ** 2 / float(np.sum(form**2)))


@dataclass(frozen=True)
class TwoSamples:
    """Means of independent units, unequal scatter (Welch): runs, or block means by `units` (k, n); `candidate` (k,)."""

    runs: tuple[str, ...]
    units: Floats
    candidate: NDArray[np.bool_]

    @property
    def weights(self) -> Floats:
        """Weight of each run's value in the difference, (n,)."""
        return np.asarray(self.units[self.candidate].mean(axis=0) - self.units[~self.candidate].mean(axis=0))

    def evaluate(self, values: Floats) -> Estimates | None:
        """As `Blocked.evaluate`; with a single unit on one side the other's scatter is taken for both."""
        made = (values - values[:, :1]) @ self.units.T
        sides = [made[:, self.candidate], made[:, ~self.candidate]]
        n = [side.shape[1] for side in sides]
        if max(n) < 2:
            return None
        difference = sides[0].mean(axis=1) - sides[1].mean(axis=1)
        squares = [np.sum((side - side.mean(axis=1, keepdims=True)) ** 2, axis=1) for side in sides]
        if min(n) < 2:
            df = np.full(len(values), float(max(n) - 1))
            return Estimates(difference, np.sqrt((squares[0] + squares[1]) / df * (1.0 / n[0] + 1.0 / n[1])), df)
        parts = [s / (k - 1) / k for s, k in zip(squares, n, strict=True)]
        total = parts[0] + parts[1]
        share = np.divide(parts[0], total, out=np.full(total.shape, 0.5), where=total > 0.0)
        df = 1.0 / (share**2 / (n[0] - 1) + (1.0 - share) ** 2 / (n[1] - 1))
        return Estimates(difference, np.sqrt(total), df)


def two_samples(
    runs: Sequence[str], configuration: Sequence[str], pair: tuple[str, str], block: Sequence[str] | None = None
) -> TwoSamples:
    """Return the comparison of means of `pair` (candidate, other); of block means where `block` is given."""
    cells, units = cell_means(configuration, block if block is not None else runs)
    return TwoSamples(tuple(runs), units, np.array([cell[0] == pair[0] for cell in cells]))


RunsModel: TypeAlias = Blocked | TwoSamples
"""How values of `runs`, in the order of the columns, make a difference: by `weights`, with `evaluate` for many draws."""


def additive_residuals(values: Values, configuration: Sequence[str], block: Labels) -> Floats:
    """Residuals of the additive model, (n,): runs without configuration and block; those of few runs are tied to each other."""
    y = finite(values, "values per run")
    return residual_of(additive_design(configuration, block, configuration[0])[0], y - y[0])[0]


class Additivity(NamedTuple):
    """Test of the additive model; `note` says why there is none.

    "interaction": cells with repeated runs against the additive model; "one degree": Tukey's test for one run per cell, which
    sees only that differences grow with the level; "none": no degree of freedom for either.
    """

    method: str
    p_value: float | None
    note: Part = ""


def additivity(values: Values, configuration: Sequence[str], block: Labels) -> Additivity:
    """Test whether configuration and block effects add up; all blocks known.

    F test of the cell means, else J. W. Tukey, Biometrics 5 (1949) 232–242. With few runs neither sees much: a large
    p-value does not show that the model holds.
    """
    y = finite(values, "values per run")
    shifted = y - y[0]
    design, _ = additive_design(configuration, block, configuration[0])
    residual, rank = residual_of(design, shifted)
    cells, units = cell_means(configuration, block)
    if rank < len(cells) < y.size:
        wide, method = (units > 0.0).T.astype(np.float64), "interaction"
    else:
        fitted = shifted - residual
        wide, method = np.column_stack([design, (fitted - fitted.mean()) ** 2]), "one degree"
    within, wider = residual_of(wide, shifted)
    if wider <= rank or wider >= y.size:
        return Additivity("none", None, message("too few runs to test it", code="few-runs"))
    if below_rounding(within, y):
        return Additivity("none", None, message("the runs do not scatter about the wider model", code="no-scatter"))
    return Additivity(method, _f_test(design, wide, shifted))


class Slopes(NamedTuple):
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


def fit_slopes(values: Floats, configuration: Labels, block: Labels | None, covariates: Floats) -> Slopes | None:
    """Fit configurations, blocks and covariates (n, k) to the means of cells; None where nothing is left.

    Least squares; F tests of nested models. R. A. Fisher, Statistical Methods for Research Workers (1932), ch. VIII (from memory).
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
    error = np.sqrt(squares * np.sum(inverse**2, axis=1))
    without, rank_without = residual_of(plain, y)
    own = [np.where(np.array([c == name for c in ids])[:, None], x, 0.0) for name in dict.fromkeys(ids)]
    curved, unequal = (_f_test(design, np.column_stack([design, *more]), y) for more in ([x**2], own[1:]))
    unadjusted = float(np.sqrt(without @ without / (y.size - rank_without)))
    return Slopes(inverse @ y, error, df, curved, unequal, squares**0.5, unadjusted)


def _f_test(design: Floats, wide: Floats, y: Floats) -> float | None:
    """Return the p-value of a wider model; None where it leaves no degree of freedom or adds none."""
    (narrow, low), (within, high) = residual_of(design, y), residual_of(wide, y)
    if y.size - high < 1 or high == low:
        return None
    error = float(within @ within) / (y.size - high)
    gain = max(float(narrow @ narrow) - float(within @ within), 0.0) / (high - low)
    return float(special.fdtrc(high - low, y.size - high, gain / error)) if error > 0.0 else None
