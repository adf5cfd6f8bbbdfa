"""How many runs: power, smallest detectable difference, and what more runs would make of an interval."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from intake_report.errors import DataError
from intake_report.statistics._numbers import check_level, coverage_factor, t_quantile
from intake_report.statistics.comparison import additive_design, linked_to

Sides = Literal[1, 2]


@dataclass(frozen=True)
class DesignPrecision:
    """Standard error of a difference in units of the scatter of one run, and the residual degrees of freedom."""

    factor: float
    df: int


@dataclass(frozen=True)
class MoreRuns:
    """What more runs give: `rounds` further rounds, each one run of baseline and candidate in every block.

    `half_width` is the expected half-width with them; `rounds` is None when `most` rounds do not reach the wish (then
    `half_width` is that after `most`).
    """

    rounds: int | None
    runs: int
    half_width: float | None
    wanted: float


def _noncentral_upper(df: float, shift: float, x: float) -> float:
    """Probability that a noncentral t exceeds x.

    The library's noncentral distribution can return NaN far out in the tail, where the answer is 0 or 1.
    """
    value = 1.0 - float(special.nctdtr(df, shift, x))
    if math.isnan(value):
        return 1.0 if shift > x else 0.0
    return min(max(value, 0.0), 1.0)


def _power(shift: float, df: float, alpha: float, sides: Sides) -> float:
    if df <= 0.0:
        return 0.0  # no test can be made
    critical = t_quantile(1.0 - alpha / sides, df)
    power = _noncentral_upper(df, shift, critical)
    if sides == 2:
        power += _noncentral_upper(df, -shift, critical)
    return min(power, 1.0)


def power_two_sample(
    effect: float, n_baseline: float, n_candidate: float, alpha: float = 0.05, sides: Sides = 2
) -> float:
    """Power of the two-sample t test.

    Parameters
    ----------
    effect : float
        True difference in units of the scatter of one run.
    n_baseline, n_candidate : float
        Runs on each side (need not be whole), together more than two.
    alpha : float
        Level of the test.
    sides : {1, 2}
        One-sided (greater) or two-sided.

    Notes
    -----
    Noncentral t with equal scatter; textbook.
    """
    return _power(
        effect * math.sqrt(n_baseline * n_candidate / (n_baseline + n_candidate)),
        n_baseline + n_candidate - 2.0,
        alpha,
        sides,
    )


def power_paired(effect: float, pairs: float, alpha: float = 0.05, sides: Sides = 2) -> float:
    """Power of the one-sample (paired) t test; `effect` in units of the standard deviation of the differences.

    Parameters
    ----------
    effect : float
        True mean difference over the standard deviation of the paired differences (√2 times the scatter of one run).
    pairs : float
        Number of pairs, more than one.
    alpha, sides
        As in `power_two_sample`.
    """
    return _power(effect * math.sqrt(pairs), pairs - 1.0, alpha, sides)


def _solve(function: Callable[[float], float], low: float, high: float) -> float | None:
    """Root of an increasing function by bisection; None when it is still negative at `high`."""
    if function(low) >= 0.0:
        return low
    if function(high) < 0.0:
        return None
    for _ in range(200):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        if function(middle) < 0.0:
            low = middle
        else:
            high = middle
    return high


def runs_needed(
    effect: float,
    power: float = 0.8,
    alpha: float = 0.05,
    design: Literal["two-sample", "paired"] = "two-sample",
    sides: Sides = 2,
    most: float = 1e6,
) -> float | None:
    """Return the runs per configuration (or pairs) for a wanted power, at least 2, not rounded: round up.

    Parameters
    ----------
    effect : float
        As in `power_two_sample` or `power_paired`, greater than zero.
    power, alpha : float
        Wanted power and level.
    design : {"two-sample", "paired"}
        Which of the two.
    sides : {1, 2}
        One- or two-sided.
    most : float
        None is returned when more would be needed.
    """
    if effect <= 0.0:
        raise ValueError(f"effect {effect} is not greater than zero")
    if design == "paired":
        return _solve(lambda n: power_paired(effect, n, alpha, sides) - power, 2.0, most)
    return _solve(lambda n: power_two_sample(effect, n, n, alpha, sides) - power, 2.0, most)


def smallest_detectable(
    scatter: float,
    n: int,
    power: float = 0.8,
    alpha: float = 0.05,
    design: Literal["two-sample", "paired"] = "two-sample",
) -> float | None:
    """Smallest true difference that the test would call in a share `power` of campaigns.

    Parameters
    ----------
    scatter : float
        Standard deviation of one run (two-sample) or of the paired differences (paired).
    n : int
        Runs per configuration, or pairs.
    power, alpha, design
        As in `runs_needed`.

    Returns
    -------
    float or None
        None when there is no degree of freedom (n < 2).
    """
    if n < 2:
        return None

    def short(effect: float) -> float:
        got = power_paired(effect, n, alpha) if design == "paired" else power_two_sample(effect, n, n, alpha)
        return got - power

    effect = _solve(short, 0.0, 1e3)
    return None if effect is None else effect * scatter


def design_precision(
    configuration: Sequence[str], block: Sequence[Hashable], baseline: str
) -> dict[str, DesignPrecision]:
    """Precision of every difference from the baseline in the additive model, from the layout of the runs alone.

    Parameters
    ----------
    configuration, block : sequence, shape (n,)
        Configuration and block of each run, made or planned.
    baseline : str
        The configuration that the others are compared with.

    Returns
    -------
    dict
        Configurations that blocks do not link to the baseline are left out.

    Raises
    ------
    DataError
        No run of the baseline.
    """
    if baseline not in configuration:
        raise DataError(f'No run of the baseline "{baseline}" is planned.', remedy="Add one.")
    design, candidates = additive_design(configuration, block, baseline)
    rank = int(np.linalg.matrix_rank(design))
    spread = np.linalg.pinv(design.T @ design)
    linked = linked_to(baseline, configuration, block)
    df = len(configuration) - rank
    return {
        str(name): DesignPrecision(math.sqrt(float(spread[i, i])), df)
        for i, name in enumerate(candidates)
        if name in linked
    }


def expected_half_width(precision: DesignPrecision, scatter: float, level: float = 0.95) -> float | None:
    """Half-width of the interval if the scatter of one run is `scatter`; None without a degree of freedom."""
    check_level(level)
    return None if precision.df < 1 else coverage_factor(level, precision.df) * scatter * precision.factor


def more_runs(
    configuration: Sequence[str],
    block: Sequence[Hashable],
    baseline: str,
    candidate: str,
    scatter: float,
    wanted: float,
    level: float = 0.95,
    most: int = 50,
) -> MoreRuns:
    """Find how many further rounds bring the interval of a difference down to ± `wanted`.

    Parameters
    ----------
    configuration, block : sequence, shape (n,)
        Layout of the runs made so far.
    baseline, candidate : str
        The compared configurations; a round is one run of each in every block.
    scatter : float
        Standard deviation of one run, as estimated; the forecast is no better than this estimate.
    wanted : float
        Half-width wished for, greater than zero.
    level : float
        Confidence level.
    most : int
        Rounds tried at most.
    """
    if wanted <= 0.0:
        raise ValueError(f"wanted half-width {wanted} is not greater than zero")
    blocks = list(dict.fromkeys(block))
    layout, where = list(configuration), list(block)
    half: float | None = None
    for rounds in range(most + 1):
        if rounds:
            for name in blocks:
                layout += [baseline, candidate]
                where += [name, name]
        precision = design_precision(layout, where, baseline).get(candidate)
        half = None if precision is None else expected_half_width(precision, scatter, level)
        if half is not None and half <= wanted:
            return MoreRuns(rounds, 2 * rounds * len(blocks), half, wanted)
    return MoreRuns(None, 2 * most * len(blocks), half, wanted)
