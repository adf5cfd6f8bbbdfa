"""Differences between configurations with intervals that respect how the runs were made.

The order of preference: within blocks (the additive two-way model, of which the paired comparison is the smallest
case), else between all runs (Welch), else the bare difference without an interval.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from intake_report.errors import DataError
from intake_report.statistics._numbers import (
    Floats,
    Values,
    below_rounding,
    check_level,
    coverage_factor,
    finite,
    mean_and_squares,
    t_two_sided,
)
from intake_report.statistics.means import welch

Method = Literal["blocked", "welch", "pooled", "censored", "mixed", "none"]

_ONE_EACH = "one run per configuration: no scatter can be estimated, the difference is an indication only"
_NO_SCATTER = "the runs do not scatter at all at this resolution, so no interval can be derived from them"


@dataclass(frozen=True)
class Difference:
    """Candidate minus baseline.

    Attributes
    ----------
    difference : float or None
        Estimate, in the unit of the values; None only when censoring leaves a bound (`low` or `high`) or nothing.
    low, high : float or None
        Confidence limits; None when the data allow no interval (`note` says why).
    df, standard_error, p_value : float or None
        Degrees of freedom, standard error and two-sided p-value against no difference.
    n_baseline, n_candidate : int
        Runs on each side.
    method : {"blocked", "welch", "pooled", "censored", "mixed", "none"}
        blocked: within blocks, additive model, pooled residual. welch: unequal scatter. pooled: the scatter of the
        configuration that was repeated is taken for both. censored: additive model by likelihood, "not reached" as
        longer than. mixed: blocks as random. none: difference only.
    note : str
        What the reader has to know about it; empty when nothing.
    level : float
        Confidence level of the interval.
    scatter : float or None
        Standard deviation of one run that the interval rests on (residual of the model, or root mean square of the
        two standard deviations).
    """

    difference: float | None
    low: float | None
    high: float | None
    df: float | None
    standard_error: float | None
    n_baseline: int
    n_candidate: int
    method: Method
    p_value: float | None
    note: str = ""
    level: float = 0.95
    scatter: float | None = None


def with_interval(
    difference: float,
    error: float,
    df: float,
    n: tuple[int, int],
    method: Method,
    note: str,
    level: float,
    scatter: float,
) -> Difference:
    """Return a `Difference` with its t interval and p-value from estimate, standard error and degrees of freedom."""
    half = coverage_factor(level, df) * error
    p_value = t_two_sided(difference / error, df)
    low, high = difference - half, difference + half
    return Difference(difference, low, high, df, error, *n, method, p_value, note, level, scatter)


def compare_means(baseline: Values, candidate: Values, level: float = 0.95) -> Difference:
    """Difference of two means, candidate minus baseline, by Welch's method.

    Parameters
    ----------
    baseline, candidate : sequence of float, shapes (n,) and (m,)
        One value per run, finite, in one unit.
    level : float
        Confidence level.

    Returns
    -------
    Difference
        With one run on one side the other side's scatter is taken for both (method "pooled"); with one run on both,
        or no scatter at all, there is no interval (method "none").

    Raises
    ------
    DataError
        A side is empty or holds a value that is not finite.

    Notes
    -----
    Assumes independent runs. Source: B. L. Welch, Biometrika 34 (1947) 28–35.
    """
    check_level(level)
    a, b = finite(baseline, "baseline values"), finite(candidate, "candidate values")
    n = (int(a.size), int(b.size))
    mean_a, squares_a = mean_and_squares(a - a[0])
    mean_b, squares_b = mean_and_squares(b - a[0])
    difference = mean_b - mean_a
    if max(n) == 1:
        return Difference(difference, None, None, None, None, *n, "none", None, _ONE_EACH, level)
    if below_rounding(np.concatenate([a - a[0] - mean_a, b - a[0] - mean_b]), np.concatenate([a, b])):
        return Difference(difference, None, None, None, None, *n, "none", None, _NO_SCATTER, level)
    if min(n) == 1:
        df = max(n) - 1
        scatter = math.sqrt((squares_a + squares_b) / df)
        error = scatter * math.sqrt(1.0 / n[0] + 1.0 / n[1])
        once, other = ("baseline", "candidate") if n[0] == 1 else ("candidate", "baseline")
        note = f"the {once} was run once: the scatter of the {other} runs is taken for both"
        return with_interval(difference, error, df, n, "pooled", note, level, scatter)
    test = welch(a, b)
    assert test is not None  # both scatters zero was handled above
    scatter = math.sqrt((squares_a / (n[0] - 1) + squares_b / (n[1] - 1)) / 2.0)
    return with_interval(difference, test.standard_error, test.df, n, "welch", "", level, scatter)


def linked_to(start: Hashable, configuration: Sequence[Hashable], block: Sequence[Hashable]) -> set[Hashable]:
    """Return the configurations that blocks link to `start`, directly or by way of others."""
    reached, grew = {start}, True
    while grew:
        blocks = {b for c, b in zip(configuration, block, strict=True) if c in reached}
        wider = {c for c, b in zip(configuration, block, strict=True) if b in blocks}
        grew = wider != reached
        reached = wider
    return reached


def additive_design(
    configuration: Sequence[Hashable], block: Sequence[Hashable], baseline: Hashable
) -> tuple[Floats, list[Hashable]]:
    """Return design matrix and candidates of the additive model: columns per candidate, then per block (the means)."""
    candidates = [c for c in dict.fromkeys(configuration) if c != baseline]
    blocks = list(dict.fromkeys(block))
    columns = [[float(c == name) for c in configuration] for name in candidates]
    columns += [[float(b == name) for b in block] for name in blocks]
    return np.array(columns, dtype=np.float64).T, candidates


def compare_blocked(
    values: Values,
    configuration: Sequence[str],
    block: Sequence[Hashable | None],
    baseline: str,
    level: float = 0.95,
) -> dict[str, Difference]:
    """Differences of every configuration from the baseline, made within blocks.

    Parameters
    ----------
    values : sequence of float, shape (n,)
        One value per run, finite; runs without a value are left out by the caller.
    configuration : sequence of str, shape (n,)
        Configuration of each run.
    block : sequence, shape (n,)
        Block of each run (day, session); None where it is not known.
    baseline : str
        The configuration that the others are compared with.
    level : float
        Confidence level.

    Returns
    -------
    dict of str to Difference
        One per other configuration, in order of appearance. Method "blocked" where blocks link it to the baseline;
        otherwise `compare_means` with the reason in `note`. When the model leaves no degree of freedom the
        difference stands without an interval (method "none").

    Raises
    ------
    DataError
        No run of the baseline, only one configuration, or a value that is not finite.

    Notes
    -----
    Additive two-way model value = configuration + block + residual, by least squares, unbalanced allowed, one pooled
    residual variance. Assumes that a block shifts all configurations alike (no interaction) and that runs scatter
    alike and independently. With two configurations and one run of each per block it is the paired t interval.
    Source: textbook analysis of variance, e.g. Montgomery, Design and Analysis of Experiments, ch. 4 (from memory).
    """
    check_level(level)
    y = finite(values, "values per run")
    if not len(configuration) == len(block) == y.size:
        raise ValueError("values, configuration and block differ in length")
    if baseline not in configuration:
        raise DataError(f'No run of the baseline "{baseline}" is left.', remedy="Check the excluded runs.")
    if len(set(configuration)) < 2:
        raise DataError(
            "Runs of one configuration only: there is nothing to compare.", remedy="Add runs of another one."
        )
    groups = {name: y[[c == name for c in configuration]] for name in dict.fromkeys(configuration)}

    def unblocked(name: str, reason: str) -> Difference:
        plain = compare_means(groups[baseline], groups[name], level)
        return replace(plain, note="; ".join(part for part in (reason, plain.note) if part))

    unknown = sum(b is None for b in block)
    if unknown or len(set(block)) == 1:
        reason = f"blocks not used: {unknown} of {y.size} runs name none" if unknown else "all runs are in one block"
        if unknown == y.size:
            reason = "no blocks were named"
        return {name: unblocked(name, reason) for name in groups if name != baseline}

    design, candidates = additive_design(configuration, block, baseline)
    # around the first value, so that large offsets do not cost digits
    shifted = y - y[0]
    # the design may be rank deficient (blocks that nothing links); the differences we read off are estimable anyway
    coefficients, _, rank, _ = np.linalg.lstsq(design, shifted, rcond=None)
    residual = shifted - design @ coefficients
    df = int(y.size - rank)
    scatter = 0.0 if below_rounding(residual, y) else math.sqrt(float(residual @ residual) / max(df, 1))
    spread = np.linalg.pinv(design.T @ design)
    linked = linked_to(baseline, configuration, block)
    own_blocks = {name: {b for c, b in zip(configuration, block, strict=True) if c == name} for name in groups}
    result: dict[str, Difference] = {}
    for position, name in enumerate(candidates):
        label = str(name)
        if name not in linked:
            reason = f'no block holds both "{baseline}" and "{label}": block and configuration cannot be told apart'
            result[label] = unblocked(label, reason)
            continue
        n = (int(groups[baseline].size), int(groups[label].size))
        estimate = float(coefficients[position])
        direct = own_blocks[baseline] & own_blocks[label]
        note = "" if direct else f'"{label}" shares no block with "{baseline}": compared by way of other configurations'
        if df < 1 or scatter == 0.0:
            why = (
                (_ONE_EACH if max(n) == 1 else "no run is left over to estimate the scatter") if df < 1 else _NO_SCATTER
            )
            note = "; ".join(part for part in (note, why) if part)
            result[label] = Difference(estimate, None, None, None, None, *n, "none", None, note, level)
            continue
        error = scatter * math.sqrt(float(spread[position, position]))
        result[label] = with_interval(estimate, error, df, n, "blocked", note, level, scatter)
    return result


def additive_residuals(values: Values, configuration: Sequence[str], block: Sequence[Hashable]) -> Floats:
    """Residuals of the additive model, shape (n,): what is left of each run without configuration and block.

    Parameters
    ----------
    values : sequence of float, shape (n,)
        One value per run, finite.
    configuration, block : sequences, shape (n,)
        As in `compare_blocked`; one common block takes out the configurations' means only.

    Notes
    -----
    Wanted for `lag_one` and for looking at single runs. Residuals of few runs are tied to each other.
    """
    y = finite(values, "values per run")
    if not len(configuration) == len(block) == y.size:
        raise ValueError("values, configuration and block differ in length")
    design, _ = additive_design(configuration, block, configuration[0])
    shifted = y - y[0]
    return np.asarray(shifted - design @ np.linalg.lstsq(design, shifted, rcond=None)[0], dtype=np.float64)


def holm(p_values: Sequence[float | None]) -> tuple[float | None, ...]:
    """Holm-adjusted p-values, in the order given; None (no test was possible) stays None and does not count.

    Parameters
    ----------
    p_values : sequence of float or None, shape (n,)
        Each within 0 to 1.

    Notes
    -----
    Controls the chance of any false call among them, whatever their dependence.
    Source: S. Holm, Scand. J. Statist. 6 (1979) 65–70.
    """
    known = sorted((p, i) for i, p in enumerate(p_values) if p is not None)
    adjusted: list[float | None] = [None] * len(p_values)
    running = 0.0
    for rank, (p, i) in enumerate(known):
        if not 0.0 <= p <= 1.0:
            raise ValueError(f"p-value {p} is not within 0 to 1")
        running = max(running, min(1.0, (len(known) - rank) * p))
        adjusted[i] = running
    return tuple(adjusted)
