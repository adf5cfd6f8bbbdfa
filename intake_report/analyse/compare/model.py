"""What the comparisons assume about the runs, tested as far as the runs allow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from intake_report.campaign import Campaign
from intake_report.errors import DataError
from intake_report.results import MetricKey, MetricResult, ModelCheck
from intake_report.statistics import additive_residuals, additivity, lag_one


def check_model(
    campaign: Campaign,
    metrics: tuple[MetricKey, ...],
    values: tuple[MetricResult, ...],
    starts: Mapping[str, str | None],
) -> tuple[ModelCheck, ...]:
    """Return, for each headline metric, whether consecutive runs hang together and whether effects add up.

    Parameters
    ----------
    campaign : Campaign
        Seed of the orders that are drawn where there are too many to count.
    metrics : tuple of MetricKey
        Metrics.
    values : tuple of MetricResult
        Values of the runs that take part.
    starts : mapping of str to str or None
        Start of each run as ISO text, which sorts; runs without one stay in campaign order.

    Notes
    -----
    Runs of one block follow each other: a warm engine bay or a wet road carries over. Residuals of few runs are tied
    to each other by what was estimated, which makes the test blunt; a large p-value is no proof of independence.
    """
    rng = np.random.default_rng(campaign.metrics.seed)
    rows = []
    for key in metrics:
        if key.spec.headline:
            mine = [v for v in values if v.key == key.key and v.value is not None]
            rows.append(_check(key.key, mine, starts, rng))
    return tuple(rows)


def _check(
    key: str, values: Sequence[MetricResult], starts: Mapping[str, str | None], rng: np.random.Generator
) -> ModelCheck:
    if len(values) < 3:
        return ModelCheck(key, None, None, 0, None, "none", "fewer than three runs have a value")
    values = sorted(values, key=lambda v: starts.get(v.run) or "")
    numbers = [v.value for v in values if v.value is not None]
    ids = [v.configuration for v in values]
    blocks = [v.block or "" for v in values]
    residuals = additive_residuals(numbers, ids, blocks)
    sessions = [
        [float(r) for r, b in zip(residuals, blocks, strict=True) if b == name] for name in dict.fromkeys(blocks)
    ]
    try:
        lag = lag_one(sessions, rng)
    except DataError as error:
        return ModelCheck(key, None, None, 0, None, "none", error.what)
    effects = additivity(numbers, ids, blocks) if len(set(blocks)) > 1 and len(set(ids)) > 1 else None
    return ModelCheck(
        key=key,
        lag=lag.correlation,
        lag_p=lag.p_value,
        lag_pairs=lag.pairs,
        additivity_p=None if effects is None else effects.p_value,
        additivity_method="none" if effects is None else effects.method,
        note="; ".join(text for text in (lag.note, "" if effects is None else effects.note) if text),
    )
