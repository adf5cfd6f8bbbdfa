"""Exact permutation tests: what the order of the runs alone can show, with the smallest p that can be reached.

The runs of each block are dealt anew to the two configurations, in every possible way. One block is the two-sample
test; blocks of one run each are the paired test (sign flips). Or the order of the runs of each session is.
"""

import math
from collections.abc import Hashable, Sequence
from itertools import combinations, permutations
from typing import NamedTuple

import numpy as np

from intake_report.messages import Part, message
from intake_report.statistics._numbers import Floats, Values, below_rounding, finite, mean_and_squares

DEALS = 1999
FEWEST = 0.01  # p that a layout has to be able to reach for random deals to decide anything
MOST_ORDERS = 50_000  # up to this many orders all are counted; beyond it draws are as good
ORDERS_DRAWN = 10_000


class PermutationTest(NamedTuple):
    """Two-sided p-value (twice the smaller tail), and the smallest that this design can reach, whatever the data."""

    p_value: float
    smallest_p: float


def arrangements(cells: Sequence[tuple[int, int]]) -> int:
    """Return the number of ways to deal the runs of each block: (baseline runs, candidate runs) per block."""
    return math.prod(math.comb(a + b, a) for a, b in cells)


def smallest_attainable_p(cells: Sequence[tuple[int, int]]) -> float:
    """Smallest two-sided p of a design before any data; [(3, 3)] is one block of three runs each, [(1, 1)] * n are n pairs."""
    # whole-number division first: the count may be beyond the range of a float
    ways = arrangements(cells)
    return 0.0 if ways > 10**300 else min(1.0, 2 / ways)


def permutation_blocked(values: Values, candidate: Sequence[bool], block: Sequence[Hashable]) -> PermutationTest:
    """Permutation test of two configurations within blocks; those with one configuration only say nothing and are left out.

    `values`, `candidate` (True for its runs), `block` (n,). Where no block holds both, p is 1.

    Exact for runs that are exchangeable within their block if the configuration makes no difference; every assignment
    is counted, so the caller looks at `arrangements` first (a million take some 20 ms). Statistic: the difference of
    the additive model, sum of w·d over sum of w with w = n·m / (n + m) per block.
    R. A. Fisher, The Design of Experiments (1935) (from memory).
    """
    y, marks = finite(values, "values per run"), np.asarray(candidate, dtype=bool)
    cells, statistics, observed, scale = [], np.zeros(1), 0.0, 0.0
    for name in dict.fromkeys(block):
        inside = np.array([b == name for b in block])
        k, size = int(np.count_nonzero(marks & inside)), int(np.count_nonzero(inside))
        if not 0 < k < size:
            continue
        part = y[inside] - y[0]
        part = part - part.mean()  # then the sum over the candidate's runs is w·d of the block
        every = np.array([part[list(chosen)].sum() for chosen in combinations(range(size), k)])
        statistics = np.add.outer(statistics, every).ravel()
        cells.append((size - k, k))
        observed += float(part[marks[inside]].sum())
        scale += float(np.abs(part).sum())
    return PermutationTest(_two_sided(statistics, observed, scale), smallest_attainable_p(cells))


def _two_sided(statistics: Floats, observed: float, scale: float, extra: int = 0) -> float:
    """Return twice the smaller tail; what equals the observed one up to rounding belongs to both."""
    slack = 1e-9 * scale
    tail = min(np.count_nonzero(x) for x in (statistics >= observed - slack, statistics <= observed + slack))
    return float(min(1.0, 2.0 * (tail + extra) / (statistics.size + extra)))


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


class LagOne(NamedTuple):
    """Lag-1 correlation of consecutive values with its permutation p-value (two-sided)."""

    correlation: float | None
    p_value: float | None
    pairs: int
    note: Part = ""


def lag_one(sessions: Sequence[Values], rng: np.random.Generator) -> LagOne:
    """Lag-1 correlation of values in the order they were made, and whether chance alone gives as much.

    `sessions` hold values in order of time; pairs are not formed across them, and the configuration's effect is to be taken out
    first, or a change of configuration looks like correlation. `rng` draws orders where they are more than `MOST_ORDERS`. None
    when there are fewer than three values in every session or no scatter.

    Statistic: sum of products of neighbours over the sum of squares, deviations from each session's mean. Test: the order within
    each session is permuted; p is twice the smaller tail. A handful of values only shows strong correlation.
    """
    data = [finite(session, "values of a session") for session in sessions]
    deviations = [values - mean_and_squares(values)[0] for values in data]
    pairs = sum(values.size - 1 for values in data)
    if max(values.size for values in data) < 3 or below_rounding(np.concatenate(deviations), np.concatenate(data)):
        template = "too few runs in a row, or no scatter, to see whether consecutive runs hang together"
        return LagOne(None, None, pairs, message(template, code="few-runs"))
    squares = math.fsum(float(run @ run) for run in deviations)
    observed = math.fsum(float(run[:-1] @ run[1:]) for run in deviations)
    exact = math.prod(math.factorial(min(run.size, 20)) for run in deviations) <= MOST_ORDERS
    sums = np.zeros(1 if exact else ORDERS_DRAWN)
    for run in deviations:
        if exact:
            orders = run[np.array(list(permutations(range(run.size))))]
        else:
            orders = rng.permuted(np.tile(run, (ORDERS_DRAWN, 1)), axis=1)
        products = np.sum(orders[:, :-1] * orders[:, 1:], axis=1)
        sums = np.add.outer(sums, products).ravel() if exact else sums + products
    return LagOne(observed / squares, _two_sided(sums, observed, squares, 0 if exact else 1), pairs)
