"""Runs of one metric by themselves: mean and scatter, and whether they behave as the comparison assumes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from intake_report.campaign import Campaign
from intake_report.messages import Count, Listing, Message, Part, message
from intake_report.results import MetricKey, MetricResult, MetricSummary, ModelCheck
from intake_report.statistics import Additivity, additive_residuals, additivity, in_one, lag_one, mean_interval

UNRESOLVED = message(
    "in most runs the rise at the stops is below two steps of the reading, which cannot resolve it", "unresolved-rise"
)
HEADLINE_SHARE = 2.0 / 3.0  # of the runs in the comparison that a headline metric needs (a choice of this package)


def reasons_of(values: Sequence[MetricResult], otherwise: str) -> Part:
    """Return why values were not computed, each reason once; `otherwise` where none is given."""
    return in_one(list(dict.fromkeys(v.reason for v in values if v.reason))) or otherwise


def unresolved(values: Sequence[MetricResult]) -> bool:
    """Whether the steps of the reading do not resolve the value in most runs: it then decides nothing."""
    return 2 * sum(UNRESOLVED.code in _codes(v.note) for v in values) > len(values)


def _codes(note: Part) -> set[str]:
    if isinstance(note, Listing):
        return {code for part in note.parts for code in _codes(part)}
    return {note.code} if isinstance(note, Message) else set()


def with_headlines(metrics: tuple[MetricKey, ...], values: tuple[MetricResult, ...]) -> tuple[MetricKey, ...]:
    """Return the metrics, of which those that too few runs have are no headline metrics; `values` of the runs compared.

    What a few runs share (a stretch that most left out) would otherwise lead the cover. A metric that no run has stays:
    nothing is said with it, and the report says why.
    """
    rows = []
    for key in metrics:
        states = [v.status != "not computed" for v in values if v.key == key.key]
        few = any(states) and sum(states) < HEADLINE_SHARE * len(states)
        rows.append(replace(key, spec=replace(key.spec, headline=False)) if few and key.spec.headline else key)
    return tuple(rows)


def summarise(
    campaign: Campaign, metrics: tuple[MetricKey, ...], values: tuple[MetricResult, ...]
) -> tuple[MetricSummary, ...]:
    """Return count, mean and standard deviation of each metric for each configuration, of the runs that take part.

    No mean where a run did not reach the margin or began within it: a mean of the others would be too low or too high.
    """
    return tuple(
        _summary(key, c.id, [v for v in values if v.key == key.key and v.configuration == c.id])
        for key in metrics
        for c in campaign.configurations
    )


def _summary(key: MetricKey, configuration: str, values: list[MetricResult]) -> MetricSummary:
    reached = [v.value for v in values if v.value is not None]
    censored = sum(v.status == "not reached" for v in values)
    within = sum(v.status == "within at entry" for v in values)
    n = len(reached) + censored + within
    if censored or within:
        states = (
            ("not reached in {missed} of {runs}", "not-reached", censored),
            ("within at entry in {missed} of {runs}", "within", within),
        )
        parts = [message(template, code, missed=k, runs=Count(n, "run")) for template, code, k in states if k]
        note = parts[0] if len(parts) == 1 else Listing(tuple(parts))
        return MetricSummary(key.key, configuration, n, censored, None, None, note, within)
    if not reached:
        return MetricSummary(key.key, configuration, 0, 0, None, None, reasons_of(values, "no run"))
    interval = mean_interval(reached)
    return MetricSummary(key.key, configuration, interval.n, 0, interval.mean, interval.sd)


def check_model(
    campaign: Campaign,
    metrics: tuple[MetricKey, ...],
    values: tuple[MetricResult, ...],
    starts: Mapping[str, str | None],
) -> tuple[ModelCheck, ...]:
    """Return, for each headline metric, whether consecutive runs hang together and whether effects add up.

    `starts` are ISO texts, which sort; runs without one stay in campaign order. Runs of one block follow each other: a warm engine bay or a wet road carries over. Residuals of few runs are tied
    to each other by what was estimated, which makes the test blunt; a large p-value is no proof of independence.
    """
    rng = np.random.default_rng(campaign.metrics.seed)
    ordered = sorted((v for v in values if v.value is not None), key=lambda v: starts.get(v.run) or "")
    return tuple(_check(key.key, [v for v in ordered if v.key == key.key], rng) for key in metrics if key.spec.headline)


def _check(key: str, values: Sequence[MetricResult], rng: np.random.Generator) -> ModelCheck:
    if len(values) < 3:
        note = message("fewer than three runs have a value", code="few-runs")
        return ModelCheck(key, None, None, 0, None, "none", note)
    numbers = [v.value for v in values if v.value is not None]
    ids, blocks = [v.configuration for v in values], [v.block or "" for v in values]
    residuals = additive_residuals(numbers, ids, blocks)
    sessions = [
        [float(r) for r, b in zip(residuals, blocks, strict=True) if b == name] for name in dict.fromkeys(blocks)
    ]
    lag = lag_one(sessions, rng)
    several = len(set(blocks)) > 1 and len(set(ids)) > 1
    effects = additivity(numbers, ids, blocks) if several else Additivity("none", None)
    notes = [note for note in (lag.note, effects.note) if note]
    return ModelCheck(key, lag.correlation, lag.p_value, lag.pairs, effects.p_value, effects.method, in_one(notes))
