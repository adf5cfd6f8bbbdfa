"""What a comparison assumes, tested: that effects add up, that neighbours are independent, that residuals are mixed."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import permutations
from typing import Literal

import numpy as np
from scipy import special

from intake_report.messages import Part, message
from intake_report.statistics._numbers import Floats, Values, below_rounding, finite, mean_and_squares
from intake_report.statistics.models import additive_design, residual_of

MOST_ORDERS = 50_000  # up to this many orders all are counted; beyond it draws are as good
ORDERS_DRAWN = 10_000
MOST_EXACT = 100  # residuals up to which the runs test counts; beyond it the normal approximation is good to 1e-3


def additive_residuals(values: Values, configuration: Sequence[str], block: Sequence[Hashable]) -> Floats:
    """Residuals of the additive model, shape (n,): what is left of each run without configuration and block.

    One common block takes out the configurations' means only. Residuals of few runs are tied to each other.
    """
    y = finite(values, "values per run")
    if not len(configuration) == len(block) == y.size:
        raise ValueError("values, configuration and block differ in length")
    design, _ = additive_design(configuration, block, configuration[0])
    return residual_of(design, y - y[0])[0]


@dataclass(frozen=True)
class Additivity:
    """Test of the additive model; `note` says why there is none.

    interaction: cells with repeated runs against the additive model. one degree: Tukey's test for one run per cell, which sees
    only that differences grow with the level. none: no degree of freedom for either.
    """

    method: Literal["interaction", "one degree", "none"]
    f: float | None
    p_value: float | None
    df_effect: int
    df_error: int
    note: Part = ""


def additivity(values: Values, configuration: Sequence[str], block: Sequence[Hashable]) -> Additivity:
    """Test whether configuration and block effects add up; all blocks known.

    F test of the cell means, else J. W. Tukey, Biometrics 5 (1949) 232–242. With few runs neither sees much: a large
    p-value does not show that the model holds.
    """
    y = finite(values, "values per run")
    if not len(configuration) == len(block) == y.size:
        raise ValueError("values, configuration and block differ in length")
    shifted = y - y[0]
    design, _ = additive_design(configuration, block, configuration[0])
    residual, rank = residual_of(design, shifted)
    where = list(zip(configuration, block, strict=True))
    cells = list(dict.fromkeys(where))
    repeated = y.size - len(cells)
    method: Literal["interaction", "one degree"]
    if repeated >= 1 and len(cells) > rank:
        within, _ = residual_of(np.array([[float(w == cell) for cell in cells] for w in where]), shifted)
        effect, error, method = len(cells) - rank, repeated, "interaction"
    else:
        fitted = shifted - residual
        within, wider = residual_of(np.column_stack([design, (fitted - fitted.mean()) ** 2]), shifted)
        effect, error, method = wider - rank, int(y.size) - wider, "one degree"
    if effect < 1 or error < 1:
        note = message("too few runs to test it", code="few-runs")
        return Additivity("none", None, None, max(effect, 0), max(error, 0), note)
    if below_rounding(within, y):
        note = message("the runs do not scatter about the wider model", code="no-scatter")
        return Additivity("none", None, None, effect, error, note)
    squares = float(within @ within)
    f = max(float(residual @ residual) - squares, 0.0) / effect / (squares / error)
    return Additivity(method, f, float(special.fdtrc(effect, error, f)), effect, error)


@dataclass(frozen=True)
class LagOne:
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
    if exact:
        sums = np.zeros(1)
        for run in deviations:
            dealt = run[np.array(list(permutations(range(run.size))))]
            sums = np.add.outer(sums, np.sum(dealt[:, :-1] * dealt[:, 1:], axis=1)).ravel()
    else:
        sums = np.zeros(ORDERS_DRAWN)
        for run in deviations:
            dealt = rng.permuted(np.tile(run, (ORDERS_DRAWN, 1)), axis=1)
            sums += np.sum(dealt[:, :-1] * dealt[:, 1:], axis=1)
    extra, slack = 0 if exact else 1, 1e-9 * squares
    tail = min(np.count_nonzero(sums >= observed - slack), np.count_nonzero(sums <= observed + slack))
    return LagOne(observed / squares, float(min(1.0, 2.0 * (tail + extra) / (sums.size + extra))), pairs)


def runs_test(residuals: Values) -> float | None:
    """One-sided p-value of so few runs of equal sign among residuals in order; None when one sign is missing.

    A. Wald, J. Wolfowitz, Ann. Math. Statist. 11 (1940) 147–162; exact up to `MOST_EXACT` residuals, beyond that the
    normal approximation with continuity correction. Zeros are left out.
    """
    array = finite(residuals, "residuals")
    signs = np.sign(array[array != 0.0])
    a, b = int(np.count_nonzero(signs > 0)), int(np.count_nonzero(signs < 0))
    if a == 0 or b == 0:
        return None
    runs, n = int(np.count_nonzero(np.diff(signs))) + 1, a + b
    if n > MOST_EXACT:
        expected = 1.0 + 2.0 * a * b / n
        variance = (expected - 1.0) * (expected - 2.0) / (n - 1.0)
        return float(special.ndtr((runs + 0.5 - expected) / math.sqrt(variance)))
    ways = 0
    for r in range(2, runs + 1):
        half, odd = divmod(r, 2)
        if odd:
            ways += math.comb(a - 1, half) * math.comb(b - 1, half - 1)
            ways += math.comb(a - 1, half - 1) * math.comb(b - 1, half)
        else:
            ways += 2 * math.comb(a - 1, half - 1) * math.comb(b - 1, half - 1)
    return ways / math.comb(n, a)
