"""What a claim is judged by: the difference or the mean that it speaks of, with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from intake_report import formatting
from intake_report.analyse.compare import InstrumentDraws
from intake_report.analyse.compare.combine import instrument_part
from intake_report.campaign import Campaign, Claim
from intake_report.results import Comparison, MetricKey, MetricResult
from intake_report.results.text import difference_quantity, difference_text, never_negative, open_interval
from intake_report.statistics import Component, MeanInterval, combine, coverage_factor, mean_interval
from intake_report.units import UnitSystem


@dataclass(frozen=True)
class Evidence:
    """An estimate with its uncertainty, and what it is.

    `u` and `df` are None where there is only an interval; a limit of it is None where censoring leaves it open.
    """

    text: str
    estimate: float | None
    low: float | None
    high: float | None
    u: float | None
    df: float | None
    replicated: bool
    quantity: str
    adjusted: float | None = None
    note: str = ""


def is_absolute(claim: Claim) -> bool:
    """Return whether the claim is about a value, not about a difference."""
    return claim.versus is None and claim.relation in ("at most", "at least")


def other(campaign: Campaign, claim: Claim) -> str:
    """Return the id of the configuration that the claim compares with."""
    return claim.versus or campaign.baseline.id


def find_evidence(
    campaign: Campaign,
    claim: Claim,
    key: MetricKey,
    values: tuple[MetricResult, ...],
    comparisons: Sequence[Comparison],
    draws: InstrumentDraws | None,
) -> Evidence | str:
    """Return the estimate that a claim is judged by, or the reason why there is none; see `claims.judge_claims`."""
    if is_absolute(claim):
        return _of_mean(campaign, claim, key, values, draws)
    wanted = (key.key, claim.configuration, other(campaign, claim))
    found = next((c for c in comparisons if (c.key, c.configuration, c.versus) == wanted), None)
    if found is None:
        return "the two configurations were not compared"
    if found.difference is None and found.low is None and found.high is None:
        return found.note or "no difference could be computed"
    text = f"difference {difference_text(found, key, campaign.about.units)}, {_counts(found)}"
    return Evidence(
        text,
        found.difference,
        found.low,
        found.high,
        found.standard_error,
        found.df,
        found.replicated and found.basis == "runs",
        difference_quantity(key),
        found.p_adjusted,
        found.note if found.confounded else "",
    )


def _counts(found: Comparison) -> str:
    return f"{formatting.count(found.n, 'run')} against {found.n_versus}"


def _of_mean(
    campaign: Campaign,
    claim: Claim,
    key: MetricKey,
    values: tuple[MetricResult, ...],
    draws: InstrumentDraws | None,
) -> Evidence | str:
    """Return the mean of one configuration; a run that did not reach its margin bounds it from below only."""
    mine = [
        v for v in values if v.key == key.key and v.configuration == claim.configuration and v.status != "not computed"
    ]
    numbers = [v.value if v.value is not None else v.bound or 0.0 for v in mine]
    if not mine:
        return "no run has a value"
    missed = sum(v.status == "not reached" for v in mine)
    form = (key.spec.quantity, campaign.about.units, key.spec.decimals)
    if len(mine) == 1 and not missed:
        return _of_one(mine[0], key, form)
    units = _independent(mine, numbers)
    mean = mean_interval(units, campaign.metrics.confidence)
    weights = {v.run: 1.0 / len(mine) for v in mine}
    # with a single unit the instruments are all there is; the shared biases do not cancel in a value
    part = instrument_part(draws, key.key, weights, total=mean.n < 2) if not missed else None
    u, df = _uncertainty(mean, None if part is None else part.spread)
    half = None if u is None else coverage_factor(campaign.metrics.confidence, math.inf if df is None else df) * u
    low = None if half is None else _bounded(key, mean.mean - half)
    high = None if half is None or missed else mean.mean + half
    if part is not None and part.over >= 0.5 * (1.0 - campaign.metrics.confidence):
        high, u = None, None  # in too many draws a run does not reach it to say up to where the mean may be
    stated = formatting.with_unit(mean.mean, *form)
    if missed:
        runs = f"{missed} of {formatting.count(len(mine), 'run')} did not reach it"
        bound = "" if low is None else f", lower limit {formatting.with_unit(low, *form)}"
        text = f"{'mean' if len(mine) > 1 else 'value'} of at least {stated} ({runs}{bound})"
        return Evidence(text, None, low, None, None, None, mean.n > 1, key.spec.quantity)
    limits = "" if low is None and high is None else f"{open_interval(low, high, *form)}, "
    text = f"mean {stated} ({limits}n = {len(mine)}{'' if mean.n == len(mine) else f' in {mean.n} blocks'})"
    return Evidence(text, mean.mean, low, high, u, df, mean.n > 1, key.spec.quantity)


def _of_one(value: MetricResult, key: MetricKey, form: tuple[str, UnitSystem, int]) -> Evidence:
    """Return the value of the only run with the interval of the table of uncertainty: the instruments', no scatter."""
    stated = formatting.with_unit(value.value, *form)
    assessed = value.draws_not_reached is not None and not (value.low is None and value.high is None)
    low = formatting.with_unit(value.low, *form)
    span = f"{low} to not reached" if value.high is None else formatting.interval(value.low, value.high, *form)
    limits = f" (instruments alone: {span})" if assessed else ""
    return Evidence(
        f"{stated} in the one run{limits}", value.value, value.low, value.high, value.u, None, False, key.spec.quantity
    )


def _bounded(key: MetricKey, low: float) -> float:
    """Return a lower limit that is not below zero where the metric cannot be."""
    return max(low, 0.0) if never_negative(key) else low


def _independent(runs: Sequence[MetricResult], numbers: Sequence[float]) -> list[float]:
    """Return one number per independent unit: per block where a block holds several runs, else per run."""
    blocks = [v.block for v in runs]
    if None in blocks or len(set(blocks)) == len(blocks) or len(set(blocks)) == 1:
        return list(numbers)
    groups = [[n for n, b in zip(numbers, blocks, strict=True) if b == block] for block in dict.fromkeys(blocks)]
    return [math.fsum(group) / len(group) for group in groups]


def _uncertainty(mean: MeanInterval, shared: float | None) -> tuple[float | None, float | None]:
    parts = []
    if mean.sd is not None:
        parts.append(Component("runs", mean.sd / math.sqrt(mean.n), df=mean.df))
    if shared is not None:
        parts.append(Component("instruments", shared))
    if not parts:
        return None, None
    both = combine(parts)
    return (both.u, both.df) if both.u > 0.0 else (None, None)
