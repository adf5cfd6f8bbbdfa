"""Exact permutation tests: what the order of the runs alone can show, with the smallest p that can be reached.

All are one test: the runs of each block are dealt anew to the two configurations, in every possible way. One block is
the two-sample test; blocks of one run each are the paired test (sign flips).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np

from intake_report.errors import DataError
from intake_report.statistics._numbers import Floats, Values, finite

Alternative = Literal["two-sided", "less", "greater"]

# 1 M arrangements take about 8 MB and some 20 ms; beyond that draws are as good
_MOST_ARRANGEMENTS = 1_000_000


@dataclass(frozen=True)
class PermutationTest:
    """Outcome of a permutation test.

    Attributes
    ----------
    difference : float
        Observed difference, candidate minus baseline, weighted over blocks as least squares does.
    p_value, smallest_p : float
        p-value, and the smallest that this design can reach, whatever the data.
    arrangements : int
        Number of possible assignments.
    exact : bool
        All assignments were counted (else random draws).
    alternative : str
        "two-sided" (twice the smaller tail), "less" or "greater".
    """

    difference: float
    p_value: float
    smallest_p: float
    arrangements: int
    exact: bool
    alternative: Alternative


def _block_sums(values: Floats, k: int) -> Floats:
    """Return the sums of every choice of k out of the values, shape (C(n, k),)."""
    if k == 1:
        return values
    return np.array([values[list(chosen)].sum() for chosen in combinations(range(values.size), k)])


def _smallest_p(arrangements: int, alternative: Alternative) -> float:
    tails = 2 if alternative == "two-sided" else 1
    # whole-number division first: the count may be beyond the range of a float
    return 0.0 if arrangements > 10**300 else min(1.0, tails / arrangements)


def _tails(all_statistics: Floats, observed: float, scale: float, extra: int, alternative: Alternative) -> float:
    # arrangements equal to the observed one up to rounding belong to both tails
    slack = 1e-9 * scale
    total = all_statistics.size + extra
    upper = (np.count_nonzero(all_statistics >= observed - slack) + extra) / total
    lower = (np.count_nonzero(all_statistics <= observed + slack) + extra) / total
    if alternative == "greater":
        return float(upper)
    if alternative == "less":
        return float(lower)
    return float(min(1.0, 2.0 * min(lower, upper)))


def permutation_blocked(
    values: Values,
    candidate: Sequence[bool],
    block: Sequence[Hashable],
    alternative: Alternative = "two-sided",
    rng: np.random.Generator | None = None,
    draws: int = 20_000,
) -> PermutationTest:
    """Permutation test of two configurations within blocks.

    Parameters
    ----------
    values : sequence of float, shape (n,)
        One value per run.
    candidate : sequence of bool, shape (n,)
        True for runs of the candidate, False for the baseline.
    block : sequence, shape (n,)
        Block of each run; blocks with one configuration only say nothing and are left out.
    alternative : {"two-sided", "less", "greater"}
        Direction of candidate minus baseline.
    rng : numpy.random.Generator, optional
        Needed when there are more than a million assignments.
    draws : int
        Random assignments then.

    Raises
    ------
    DataError
        No block holds both configurations, or a value is not finite.

    Notes
    -----
    Exact for runs that are exchangeable within their block if the configuration makes no difference. Statistic: the
    difference of the additive model, sum of w·d over sum of w with w = n·m / (n + m) per block.
    Source: R. A. Fisher, The Design of Experiments (1935) (from memory).
    """
    y = finite(values, "values per run")
    marks = np.asarray(candidate, dtype=bool)
    if not marks.size == len(block) == y.size:
        raise ValueError("values, candidate and block differ in length")
    origin = float(y[0])
    blocks: list[tuple[Floats, int]] = []
    observed, weight = 0.0, 0.0
    for name in dict.fromkeys(block):
        inside = np.array([b == name for b in block])
        k, size = int(np.count_nonzero(marks & inside)), int(np.count_nonzero(inside))
        if not 0 < k < size:
            continue
        mine = y[inside] - origin
        mine = mine - mine.mean()  # then the sum over the candidate's runs is w·d of the block
        blocks.append((mine, k))
        observed += float(mine[marks[inside]].sum())
        weight += k * (size - k) / size
    if not blocks:
        raise DataError("No block holds runs of both configurations.", remedy="Compare without blocks.")
    arrangements = math.prod(math.comb(mine.size, k) for mine, k in blocks)
    scale = float(sum(np.abs(mine).sum() for mine, _ in blocks))
    if arrangements <= _MOST_ARRANGEMENTS:
        statistics = np.zeros(1)
        for mine, k in blocks:
            statistics = np.add.outer(statistics, _block_sums(mine, k)).ravel()
        p_value = _tails(statistics, observed, scale, 0, alternative)
        return PermutationTest(
            observed / weight, p_value, _smallest_p(arrangements, alternative), arrangements, True, alternative
        )
    if rng is None:
        raise ValueError(f"{arrangements} assignments are too many to count: pass a random generator")
    statistics = np.zeros(draws)
    for mine, k in blocks:
        statistics += rng.permuted(np.tile(mine, (draws, 1)), axis=1)[:, :k].sum(axis=1)
    p_value = _tails(statistics, observed, scale, 1, alternative)
    smallest = max(_smallest_p(arrangements, alternative), _smallest_p(draws + 1, alternative))
    return PermutationTest(observed / weight, p_value, smallest, arrangements, False, alternative)


def permutation_two_sample(
    baseline: Values,
    candidate: Values,
    alternative: Alternative = "two-sided",
    rng: np.random.Generator | None = None,
    draws: int = 20_000,
) -> PermutationTest:
    """Permutation test of two samples without blocks; parameters as in `permutation_blocked`.

    Parameters
    ----------
    baseline, candidate : sequence of float, shapes (n,) and (m,)
        One value per run.
    alternative, rng, draws
        See `permutation_blocked`.
    """
    a, b = finite(baseline, "baseline values"), finite(candidate, "candidate values")
    marks = [False] * a.size + [True] * b.size
    return permutation_blocked(np.concatenate([a, b]), marks, [0] * len(marks), alternative, rng, draws)


def permutation_paired(
    differences: Values,
    alternative: Alternative = "two-sided",
    rng: np.random.Generator | None = None,
    draws: int = 20_000,
) -> PermutationTest:
    """Sign-flip test of paired differences (candidate minus baseline).

    Parameters
    ----------
    differences : sequence of float, shape (n,)
        One difference per pair.
    alternative, rng, draws
        See `permutation_blocked`.
    """
    d = finite(differences, "paired differences")
    values = np.concatenate([np.zeros(d.size), d])
    marks = [False] * d.size + [True] * d.size
    return permutation_blocked(values, marks, [*range(d.size), *range(d.size)], alternative, rng, draws)


def smallest_attainable_p(cells: Sequence[tuple[int, int]], alternative: Alternative = "two-sided") -> float:
    """Smallest p of a design, before any data: `cells` holds (baseline runs, candidate runs) of each block.

    Parameters
    ----------
    cells : sequence of (int, int)
        One pair per block; (3, 3) alone is a two-sample design of three runs each, [(1, 1)] * n are n pairs.
    alternative : {"two-sided", "less", "greater"}
        Direction.
    """
    return _smallest_p(math.prod(math.comb(a + b, a) for a, b in cells), alternative)
