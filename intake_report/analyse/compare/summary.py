"""Values of runs to mean and standard deviation per configuration."""

from __future__ import annotations

from intake_report.campaign import Campaign
from intake_report.messages import Count, Listing, message
from intake_report.results import MetricKey, MetricResult, Summary
from intake_report.statistics import mean_interval


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
        runs = Count(len(reached) + censored, "run")
        reason = message("not reached in {censored} of {runs}", code="not-reached", censored=censored, runs=runs)
        return Summary(key.key, configuration, len(reached) + censored, censored, None, None, reason)
    if not reached:
        reasons = list(dict.fromkeys(v.reason for v in values if v.reason))
        return Summary(key.key, configuration, 0, 0, None, None, Listing(tuple(reasons), ";") if reasons else "no run")
    interval = mean_interval(reached)
    return Summary(key.key, configuration, interval.n, 0, interval.mean, interval.sd)
