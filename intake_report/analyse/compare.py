"""Values of runs to summaries per configuration and differences from the baseline."""

from __future__ import annotations

from dataclasses import replace

from intake_report.campaign import Campaign
from intake_report.results import Comparison, MetricKey, MetricResult, Summary
from intake_report.results.formatting import count, listing
from intake_report.statistics import Difference, compare_blocked, holm, mean_interval

INDICATION = "indication only"
NOT_SHOWN = "no difference shown"
METHODS = {
    "blocked": "within blocks (configuration and block effects, pooled residual)",
    "welch": "between all runs (unequal scatter)",
    "pooled": "between all runs (scatter of the repeated configuration)",
    "none": "difference only",
}


def summarise(
    campaign: Campaign, metrics: tuple[MetricKey, ...], values: tuple[MetricResult, ...]
) -> tuple[Summary, ...]:
    """Return count, mean and standard deviation of each metric for each configuration.

    Parameters
    ----------
    campaign : Campaign
        Names the configurations.
    metrics : tuple of MetricKey
        Metrics.
    values : tuple of MetricResult
        Values of the runs that take part.

    Returns
    -------
    tuple of Summary
        No mean where a run did not reach the margin: a mean of the others would be too low.
    """
    rows = []
    for key in metrics:
        for configuration in campaign.configurations:
            mine = [v for v in values if v.key == key.key and v.configuration == configuration.id]
            rows.append(_summary(key, configuration.id, mine))
    return tuple(rows)


def _summary(key: MetricKey, configuration: str, values: list[MetricResult]) -> Summary:
    reached = [v.value for v in values if v.value is not None]
    censored = sum(v.status == "not reached" for v in values)
    if censored:
        reason = f"not reached in {censored} of {count(len(reached) + censored, 'run')}"
        return Summary(key.key, configuration, len(reached) + censored, censored, None, None, reason)
    if not reached:
        reasons = list(dict.fromkeys(v.reason for v in values if v.reason))
        return Summary(key.key, configuration, 0, 0, None, None, "; ".join(reasons) or "no run")
    interval = mean_interval(reached)
    return Summary(key.key, configuration, interval.n, 0, interval.mean, interval.sd)


def compare(
    campaign: Campaign, metrics: tuple[MetricKey, ...], values: tuple[MetricResult, ...]
) -> tuple[Comparison, ...]:
    """Return the difference of every configuration from the baseline in every metric, with Holm's adjustment.

    Parameters
    ----------
    campaign : Campaign
        Baseline, blocks, confidence level.
    metrics : tuple of MetricKey
        Metrics.
    values : tuple of MetricResult
        Values of the runs that take part.

    Returns
    -------
    tuple of Comparison
        Metric by metric. Adjusted p-values cover the headline metrics.
    """
    rows = [row for key in metrics for row in _compare_metric(campaign, key, [v for v in values if v.key == key.key])]
    headline = {key.key for key in metrics if key.spec.headline}
    adjusted = iter(holm([row.p_value for row in rows if row.key in headline]))
    return tuple(replace(row, p_adjusted=next(adjusted)) if row.key in headline else row for row in rows)


def _compare_metric(campaign: Campaign, key: MetricKey, values: list[MetricResult]) -> list[Comparison]:
    baseline = campaign.baseline.id
    names = {c.id: c.name for c in campaign.configurations}  # notes of a comparison quote them
    usable = [v for v in values if v.value is not None]
    present = {v.configuration for v in usable}
    differences: dict[str, Difference] = {}
    if baseline in present and len(present) > 1:
        differences = compare_blocked(
            [v.value for v in usable if v.value is not None],
            [names[v.configuration] for v in usable],
            [v.block for v in usable],
            names[baseline],
            campaign.metrics.confidence,
        )
    others = [c for c in campaign.configurations if c.id != baseline]
    return [_comparison(campaign, key, c.id, values, differences.get(names[c.id])) for c in others]


def _comparison(
    campaign: Campaign, key: MetricKey, id: str, values: list[MetricResult], found: Difference | None
) -> Comparison:
    level, baseline = campaign.metrics.confidence, campaign.baseline.id
    n, n_versus = (sum(v.configuration == c and v.value is not None for v in values) for c in (id, baseline))
    replicated = min(n, n_versus) > 1
    censored = [v for v in values if v.status == "not reached" and v.configuration in (id, baseline)]
    empty = Comparison(
        key=key.key,
        configuration=id,
        versus=baseline,
        difference=None,
        low=None,
        high=None,
        level=level,
        df=None,
        n=n,
        n_versus=n_versus,
        method=METHODS["none"],
        p_value=None,
        p_adjusted=None,
        verdict="not compared",
        shown=False,
    )
    if censored:
        runs = listing([v.run for v in censored])
        return replace(empty, note=f"not reached in {runs}, so a difference of means would mislead")
    if found is None:
        reasons = list(dict.fromkeys(v.reason for v in values if v.reason))
        return replace(empty, note="; ".join(reasons) or "no runs on one side")
    return replace(
        empty,
        difference=found.difference,
        low=found.low if replicated else None,
        high=found.high if replicated else None,
        df=found.df,
        method=METHODS[found.method],
        p_value=found.p_value if replicated else None,
        verdict=_verdict(key, found, replicated),
        shown=replicated and _excludes_zero(found),
        note=found.note,
    )


def _excludes_zero(found: Difference) -> bool:
    return found.low is not None and found.high is not None and (found.low > 0.0 or found.high < 0.0)


def _verdict(key: MetricKey, found: Difference, replicated: bool) -> str:
    """Put the comparison into words; without replication on both sides it is at most an indication."""
    if not replicated or found.low is None:
        return INDICATION
    if not _excludes_zero(found):
        return NOT_SHOWN
    assert found.difference is not None  # there is an interval around it
    better = (found.difference < 0.0) == (key.spec.better == "lower")
    return key.spec.words[0] if better else key.spec.words[1]
