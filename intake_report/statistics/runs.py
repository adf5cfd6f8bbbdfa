"""Wald–Wolfowitz runs test on the signs of residuals: whether the misfit comes in stretches."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from intake_report.statistics._numbers import Values, finite, normal_cdf

_MOST_EXACT = 100


@dataclass(frozen=True)
class RunsTest:
    """Number of runs of equal sign, expected number, and the p-value of so few (None when one sign is missing)."""

    runs: int
    expected: float | None
    positive: int
    negative: int
    p_value: float | None


def _exact_lower(runs: int, a: int, b: int) -> float:
    """Probability of at most `runs` runs of a and b signs dealt at random."""
    ways = 0
    for r in range(2, runs + 1):
        half = r // 2
        if r % 2 == 0:
            ways += 2 * math.comb(a - 1, half - 1) * math.comb(b - 1, half - 1)
        else:
            ways += math.comb(a - 1, half) * math.comb(b - 1, half - 1)
            ways += math.comb(a - 1, half - 1) * math.comb(b - 1, half)
    return ways / math.comb(a + b, a)


def runs_test(residuals: Values) -> RunsTest:
    """One-sided runs test against too few runs.

    Parameters
    ----------
    residuals : sequence of float, shape (n,)
        In order; zeros are left out.

    Notes
    -----
    A. Wald, J. Wolfowitz, Ann. Math. Statist. 11 (1940) 147–162; exact up to 100 residuals, beyond that the normal
    approximation with continuity correction.
    """
    array = finite(residuals, "residuals")
    signs = np.sign(array[array != 0.0])
    a, b = int(np.count_nonzero(signs > 0)), int(np.count_nonzero(signs < 0))
    runs = int(np.count_nonzero(np.diff(signs))) + (1 if signs.size else 0)
    if a == 0 or b == 0:
        return RunsTest(runs, None, a, b, None)
    n = a + b
    expected = 1.0 + 2.0 * a * b / n
    if n <= _MOST_EXACT:
        return RunsTest(runs, expected, a, b, _exact_lower(runs, a, b))
    variance = (expected - 1.0) * (expected - 2.0) / (n - 1.0)
    return RunsTest(runs, expected, a, b, normal_cdf((runs + 0.5 - expected) / math.sqrt(variance)))
