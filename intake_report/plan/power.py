"""What the planned runs of a campaign can show."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from intake_report.errors import DataError
from intake_report.plan.campaign import CampaignPlan
from intake_report.statistics import (
    DesignPrecision,
    design_precision,
    expected_half_width,
    smallest_attainable_p,
    smallest_detectable,
)


@dataclass(frozen=True)
class PlanPower:
    """What the planned runs can show for one configuration against the baseline.

    Parameters
    ----------
    configuration : str
        Compared with the baseline.
    runs : tuple of int
        Runs of the baseline and of the configuration.
    df : int
        Residual degrees of freedom of the comparison within blocks.
    scatter : float
        Assumed standard deviation of one run within a block, in the unit of the metric.
    half_width : float or None
        Expected half-width of the interval; None without a degree of freedom.
    detectable : float or None
        Smallest true difference found with probability `power` at `level`; None without a degree of freedom.
    power, level : float
        As asked.
    smallest_p : float or None
        Smallest two-sided p that an exact permutation test within blocks can give; None when there is none.
    note : str
        What a reader has to know; empty when nothing.
    """

    configuration: str
    runs: tuple[int, int]
    df: int
    scatter: float
    half_width: float | None
    detectable: float | None
    power: float
    level: float
    smallest_p: float | None
    note: str


def plan_power(plan: CampaignPlan, scatter: float, *, power: float = 0.8, level: float = 0.95) -> tuple[PlanPower, ...]:
    """Return what the planned runs can show, for every configuration against the baseline.

    Parameters
    ----------
    plan : CampaignPlan
        Runs and blocks.
    scatter : float
        Standard deviation of one run within a block, in the unit of the metric: from earlier campaigns or a pilot.
    power : float
        Wanted probability to find the difference.
    level : float
        Confidence level; the test has level 1 − `level`, two-sided.

    Returns
    -------
    tuple of PlanPower

    Raises
    ------
    DataError
        If the scatter is not positive.

    Notes
    -----
    Additive model of configuration and block; noncentral t distribution (textbook).
    """
    if not scatter > 0.0:
        raise DataError(f"a scatter of {scatter:g} between runs is not positive.", remedy="Take it from a pilot.")
    configuration, block = [run.configuration for run in plan.runs], [run.block for run in plan.runs]
    precisions = design_precision(configuration, block, plan.baseline)
    counts = Counter(configuration)
    found = []
    for name in sorted(precisions, key=configuration.index):
        cells = [(order.count(plan.baseline), order.count(name)) for order in plan.blocks]
        smallest_p = smallest_attainable_p(cells)
        precision = precisions[name]
        found.append(
            PlanPower(
                configuration=name,
                runs=(counts[plan.baseline], counts[name]),
                df=precision.df,
                scatter=scatter,
                half_width=expected_half_width(precision, scatter, level),
                detectable=detectable_difference(precision, scatter, power=power, level=level),
                power=power,
                level=level,
                smallest_p=smallest_p,
                note=_power_note(precision, smallest_p, level),
            )
        )
    return tuple(found)


def _power_note(precision: DesignPrecision, smallest_p: float, level: float) -> str:
    parts = []
    if precision.df < 1:
        parts.append("no degree of freedom is left: the plan gives an indication, no interval")
    if smallest_p > 1.0 - level + 1e-12:
        parts.append(
            f"an exact permutation test within blocks cannot get below p = {smallest_p:.3g}, "
            f"so it cannot reach {100.0 * (1.0 - level):.3g} %"
        )
    return "; ".join(parts)


def detectable_difference(
    precision: DesignPrecision, scatter: float, *, power: float = 0.8, level: float = 0.95
) -> float | None:
    """Return the smallest true difference that the two-sided t test finds with probability `power`.

    Parameters
    ----------
    precision : DesignPrecision
        Of the difference in the planned layout.
    scatter : float
        Standard deviation of one run, in the unit of the metric.
    power, level : float
        As in `plan_power`.

    Returns
    -------
    float or None
        None without a degree of freedom.
    """
    if precision.df < 1:
        return None
    # A paired test with df + 1 pairs has the same degrees of freedom; its standard error is scatter / sqrt(df + 1).
    pairs = precision.df + 1
    return smallest_detectable(precision.factor * scatter * math.sqrt(pairs), pairs, power, 1.0 - level, "paired")


def blocks_needed(
    configurations: Sequence[str],
    baseline: str,
    scatter: float,
    difference: float,
    *,
    repeats: int = 1,
    power: float = 0.8,
    level: float = 0.95,
    most: int = 60,
) -> int | None:
    """Return the fewest blocks that find a true `difference` with probability `power`; None if `most` do not.

    Parameters
    ----------
    configurations, baseline, repeats
        As in `plan_campaign`.
    scatter, difference : float
        In the unit of the metric; `difference` is greater than zero.
    power, level : float
        As in `plan_power`.
    most : int
        Blocks tried at most.

    Raises
    ------
    DataError
        If the difference is not greater than zero.
    """
    if not difference > 0.0:
        raise DataError(f"a difference of {difference:g} cannot be planned for.", remedy="Give one above zero.")
    for blocks in range(1, most + 1):
        # The order does not enter the precision, so none is searched for.
        configuration = [name for _ in range(blocks) for name in configurations for _ in range(repeats)]
        block = [number for number in range(blocks) for _ in range(len(configurations) * repeats)]
        found = [
            detectable_difference(precision, scatter, power=power, level=level)
            for precision in design_precision(configuration, block, baseline).values()
        ]
        if found and all(value is not None and value <= difference for value in found):
            return blocks
    return None
