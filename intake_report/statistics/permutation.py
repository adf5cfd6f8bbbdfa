"""Exact permutation test: what the order of the runs alone can show, with the smallest p that can be reached.

The runs of each block are dealt anew to the two configurations, in every possible way. One block is the two-sample
test; blocks of one run each are the paired test (sign flips).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from intake_report.errors import DataError
from intake_report.statistics._numbers import Floats, Values, finite

DEALS = 1999
FEWEST = 0.01  # p that a layout has to be able to reach for random deals to decide anything


@dataclass(frozen=True)
class PermutationTest:
    """Observed difference, weighted over blocks as least squares does, with its two-sided p-value (twice the smaller tail).

    `smallest_p` is the smallest that this design can reach, whatever the data.
    """

    difference: float
    p_value: float
    smallest_p: float
    arrangements: int


def arrangements(cells: Sequence[tuple[int, int]]) -> int:
    """Return the number of ways to deal the runs of each block: (baseline runs, candidate runs) per block."""
    return math.prod(math.comb(a + b, a) for a, b in cells)


def smallest_attainable_p(cells: Sequence[tuple[int, int]]) -> float:
    """Smallest two-sided p of a design before any data; [(3, 3)] is one block of three runs each, [(1, 1)] * n are n pairs."""
    # whole-number division first: the count may be beyond the range of a float
    ways = arrangements(cells)
    return 0.0 if ways > 10**300 else min(1.0, 2 / ways)


def _block_sums(values: Floats, k: int) -> Floats:
    """Return the sums of every choice of k out of the values, shape (C(n, k),)."""
    return np.array([values[list(chosen)].sum() for chosen in combinations(range(values.size), k)])


def permutation_blocked(values: Values, candidate: Sequence[bool], block: Sequence[Hashable]) -> PermutationTest:
    """Permutation test of two configurations within blocks; those with one configuration only say nothing and are left out.

    `values`, `candidate` (True for its runs), `block` (n,). DataError where no block holds both configurations.

    Exact for runs that are exchangeable within their block if the configuration makes no difference; every assignment
    is counted, so the caller looks at `arrangements` first (a million take some 20 ms). Statistic: the difference of
    the additive model, sum of w·d over sum of w with w = n·m / (n + m) per block.
    R. A. Fisher, The Design of Experiments (1935) (from memory).
    """
    y = finite(values, "values per run")
    marks = np.asarray(candidate, dtype=bool)
    if not marks.size == len(block) == y.size:
        raise ValueError("values, candidate and block differ in length")
    cells, statistics, observed, weight, scale = [], np.zeros(1), 0.0, 0.0, 0.0
    for name in dict.fromkeys(block):
        inside = np.array([b == name for b in block])
        k, size = int(np.count_nonzero(marks & inside)), int(np.count_nonzero(inside))
        if not 0 < k < size:
            continue
        part = y[inside] - y[0]
        part = part - part.mean()  # then the sum over the candidate's runs is w·d of the block
        statistics = np.add.outer(statistics, _block_sums(part, k)).ravel()
        cells.append((size - k, k))
        observed += float(part[marks[inside]].sum())
        weight += k * (size - k) / size
        scale += float(np.abs(part).sum())
    if not cells:
        raise DataError("No block holds runs of both configurations.", remedy="Compare without blocks.")
    # arrangements equal to the observed one up to rounding belong to both tails
    slack = 1e-9 * scale
    tail = min(float(np.mean(x)) for x in (statistics >= observed - slack, statistics <= observed + slack))
    return PermutationTest(observed / weight, min(1.0, 2.0 * tail), smallest_attainable_p(cells), arrangements(cells))


def dealt_anew(
    values: Floats, candidate: Sequence[bool], block: Sequence[Hashable], covariates: Floats, rng: np.random.Generator
) -> float | None:
    """Two-sided p of a difference within blocks adjusted for covariates, among `DEALS` random deals of the configurations.

    `values`, `candidate`, `block` (n,); `covariates` (n, k) stay with their runs. None where the layout has too few deals to
    reach `FEWEST`. Exact where the order within blocks was chosen at random and the configuration makes no difference, whatever
    the scatter. Statistic: partial correlation of value and configuration, blocks and covariates taken out.
    """
    marks, names = np.asarray(candidate, dtype=np.float64), list(dict.fromkeys(block))
    where = [np.array([b == name for b in block]) for name in names]
    if smallest_attainable_p([(int((1.0 - marks[w]).sum()), int(marks[w].sum())) for w in where]) > FEWEST:
        return None
    dealt = np.tile(marks, (DEALS + 1, 1))
    for w in where:
        dealt[1:, w] = rng.permuted(dealt[1:, w], axis=1)
    within = np.eye(marks.size) - sum(np.outer(w, w) / w.sum() for w in where)
    known = np.linalg.qr(within @ covariates)[0]
    left = within - known @ known.T @ within
    z, y = dealt @ left.T, left @ (values - values[0])
    size = np.sqrt(np.maximum(np.einsum("ij,ij->i", z, z), 1e-12))
    found = np.abs(z @ y) / size
    return float(np.mean(found >= found[0] * (1.0 - 1e-9)))
