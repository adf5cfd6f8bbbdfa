"""Values of runs to differences between configurations, and what they rest on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from intake_report.analyse.compare.combine import InstrumentDraws, InstrumentPart, model_part, widen
from intake_report.analyse.compare.estimate import Estimate, estimate, permutation
from intake_report.analyse.compare.model import check_model
from intake_report.analyse.compare.summary import summarise
from intake_report.analyse.compare.verdict import INDICATION, NOT_COMPARED, NOT_SHOWN, judge
from intake_report.campaign import Campaign
from intake_report.results import Comparison, MetricKey, MetricResult
from intake_report.results.text import NOT_REACHED_DRAWS, difference_quantity
from intake_report.statistics import Difference, equivalence, holm, standardised
from intake_report.units import parse_quantity

METHODS = {
    "blocked": "within blocks (configuration and block effects, scatter of the runs compared)",
    "welch": "between all runs (unequal scatter)",
    "pooled": "between all runs (scatter of the repeated configuration)",
    "censored": "within blocks, not reached as longer than (likelihood, profile interval)",
    "mixed": "blocks as random",
    "none": "difference only",
}
INSTRUMENTS_ONLY = "difference only; interval from the instruments alone, without scatter between runs"


def compare(
    campaign: Campaign,
    metrics: tuple[MetricKey, ...],
    values: tuple[MetricResult, ...],
    draws: InstrumentDraws | None = None,
) -> tuple[Comparison, ...]:
    """Return the difference of every configuration from the baseline in every metric, with Holm's adjustment.

    Parameters
    ----------
    campaign : Campaign
        Baseline, blocks, confidence level, equivalence margins.
    metrics : tuple of MetricKey
        Metrics.
    values : tuple of MetricResult
        Values of the runs that take part.
    draws : InstrumentDraws, optional
        What the instruments leave open; without it the intervals hold scatter between runs only.

    Returns
    -------
    tuple of Comparison
        Metric by metric. Adjusted p-values cover the headline metrics.
    """
    baseline = campaign.baseline.id
    rows = []
    for key in metrics:
        mine = [v for v in values if v.key == key.key]
        rows += [
            compare_pair(campaign, key, mine, c.id, baseline, draws)
            for c in campaign.configurations
            if c.id != baseline
        ]
    headline = {key.key for key in metrics if key.spec.headline}
    # only comparisons that can lead to a call are counted: an indication cannot be a false call
    adjusted = iter(holm([row.p_value if row.replicated else None for row in rows if row.key in headline]))
    by_key = {key.key: key for key in metrics}
    rows = [replace(row, p_adjusted=next(adjusted)) if row.key in headline else row for row in rows]
    return tuple(_judged(by_key[row.key], row) for row in rows)


def _judged(key: MetricKey, row: Comparison) -> Comparison:
    verdict, shown = judge(key, row)
    return replace(row, verdict=verdict, shown=shown)


def compare_pair(
    campaign: Campaign,
    key: MetricKey,
    values: Sequence[MetricResult],
    configuration: str,
    versus: str,
    draws: InstrumentDraws | None = None,
) -> Comparison:
    """Return the difference of two configurations, whichever they are, in one metric.

    Parameters
    ----------
    campaign : Campaign
        Names, confidence level, seed, equivalence margins.
    key : MetricKey
        The metric.
    values : sequence of MetricResult
        Its values in all runs that take part.
    configuration, versus : str
        Ids; configuration minus versus.
    draws : InstrumentDraws, optional
        As in `compare`.

    Returns
    -------
    Comparison
        Without Holm's adjustment, which is over several comparisons.
    """
    level = campaign.metrics.confidence
    sides = [
        [v for v in values if v.configuration == c and v.status != "not computed"] for c in (configuration, versus)
    ]
    missed = [sum(v.status == "not reached" for v in side) for side in sides]
    empty = Comparison(
        key=key.key,
        configuration=configuration,
        versus=versus,
        difference=None,
        low=None,
        high=None,
        level=level,
        df=None,
        n=len(sides[0]),
        n_versus=len(sides[1]),
        method=METHODS["none"],
        p_value=None,
        p_adjusted=None,
        verdict=NOT_COMPARED,
        shown=False,
        not_reached=missed[0],
        not_reached_versus=missed[1],
    )
    names = {c.id: c.name for c in campaign.configurations}
    found = estimate(values, configuration, versus, level, names)
    if isinstance(found, str):
        return replace(empty, note=found)
    row = replace(
        empty,
        difference=found.found.difference,
        note=found.found.note,
        confounded=found.confounded,
        units=found.units[0],
        units_versus=found.units[1],
    )
    row = _between(row, found, draws)
    row = _equivalence(campaign, key, row, found.found)
    test = permutation(values, configuration, versus, np.random.default_rng(campaign.metrics.seed))
    if test is not None:
        row = replace(row, permutation=test.p_value, smallest=test.smallest_p)
    return _judged(key, row)


def _between(row: Comparison, found: Estimate, draws: InstrumentDraws | None) -> Comparison:
    """Add interval and p-value: from the runs with what the instruments share, else from the instruments alone."""
    plain = found.found
    if plain.low is None and plain.high is None:
        return _instruments(row, model_part(draws, row.key, found.model, total=True, level=row.level))
    part = model_part(draws, row.key, found.model, level=row.level)
    whole = plain if part is None or found.model is None else widen(plain, part, found.model)
    return replace(
        row,
        low=whole.low,
        high=whole.high,
        df=whole.df,
        method=METHODS[plain.method],
        p_value=whole.p_value,
        note=_noted(row.note, part),
        basis="runs",
        standard_error=whole.standard_error,
        between=plain.standard_error,
        instrument=None if part is None else part.u,
        scatter=plain.scatter,
        standardised=standardised(plain),
    )


def _noted(note: str, part: InstrumentPart | None) -> str:
    """Add how many draws do not reach the margin, and what became of them."""
    if part is None or not part.lost:
        return note
    share = f"{100.0 * part.lost:.0f} %" if part.lost >= 0.005 else "less than 1 %"
    said = f"in {share} {NOT_REACHED_DRAWS}: they count as longer than any time"
    return "; ".join(text for text in (note, said) if text)


def _instruments(row: Comparison, part: InstrumentPart | None) -> Comparison:
    """Add the interval of the draws themselves, which need not be symmetric."""
    if part is None or row.difference is None:
        return row
    return replace(
        row,
        low=None if part.low is None else min(part.low, row.difference),
        high=None if part.high is None else max(part.high, row.difference),
        method=INSTRUMENTS_ONLY,
        note=_noted(row.note, part),
        basis="instruments",
        standard_error=part.u,
        instrument=part.u,
    )


def _equivalence(campaign: Campaign, key: MetricKey, row: Comparison, found: Difference) -> Comparison:
    """Add the two one-sided tests where the campaign declares a margin for the metric."""
    text = campaign.metrics.equivalence.get(key.spec.id)
    if text is None:
        return row
    margin = abs(parse_quantity(text, difference_quantity(key)))
    row = replace(row, margin=margin)
    if margin == 0.0 or row.basis != "runs" or not row.replicated or row.standard_error is None:
        return row
    df = row.df if row.df is not None else math.inf
    test = equivalence(
        replace(found, standard_error=row.standard_error, df=df, low=row.low, high=row.high), margin, 1.0 - row.level
    )
    return replace(row, equivalent=test.equivalent, equivalence_p=test.p_value)


__all__ = [
    "INDICATION",
    "NOT_COMPARED",
    "NOT_SHOWN",
    "InstrumentDraws",
    "check_model",
    "compare",
    "compare_pair",
    "summarise",
]
