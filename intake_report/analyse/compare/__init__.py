"""Values of runs to differences between configurations, and what they rest on: mean, scatter and what the model assumes."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from intake_report import statistics
from intake_report.analyse.compare import instruments
from intake_report.analyse.compare.estimate import Covariates, Estimate, adjust, estimate, permutation, reasons_of
from intake_report.analyse.compare.instruments import InstrumentDraws
from intake_report.campaign import Campaign
from intake_report.messages import Count, Listing, Message, Part, Value, message
from intake_report.results import Comparison, MetricKey, MetricResult, Metrics, MetricSummary, MetricValues, ModelCheck
from intake_report.results.compared import Call
from intake_report.results.text import EXPLORATORY, SUGGESTED, difference_quantity, direction
from intake_report.units import parse_quantity

Draws = InstrumentDraws | None
INDICATION = "indication only"
NOT_SHOWN = "no difference shown"
NOT_COMPARED = "not compared"
NO_ESTIMATE = message(
    "shown because it is usually quoted: it waits for steps of the reading, whose error no interval holds",
    "no-estimate",
)
LEAST_DF = 1.5  # of an exploratory call: with one degree of freedom the interval holds for exactly normal scatter only
UNRESOLVED = message(
    "in most runs the rise at the stops is below two steps of the reading, which cannot resolve it", "unresolved-rise"
)
HEADLINE_SHARE = 2.0 / 3.0  # of the runs in the comparison that a headline metric needs (a choice of this package)


def compare(
    campaign: Campaign,
    metrics: Metrics,
    values: MetricValues,
    draws: Draws = None,
    covariates: Covariates | None = None,
) -> tuple[Comparison, ...]:
    """Return the difference of every configuration from the baseline, metric by metric; `values` of the runs that take part.

    Adjusted p-values (Holm) cover the headline metrics. Without `draws`, what the instruments leave open, the intervals hold
    scatter between runs only; with `covariates` differences are adjusted for them, each with the unadjusted one beside it.
    """
    baseline = campaign.baseline.id
    others, rows = [c.id for c in campaign.configurations if c.id != baseline], []
    for key in metrics:
        own = [v for v in values if v.key == key.key]
        rows += [compare_pair(campaign, key, own, c, baseline, draws, covariates) for c in others]
    by_key = {key.key: key for key in metrics}
    plain = _adjusted(by_key, [row.unadjusted or row for row in rows])
    return tuple(
        replace(row, unadjusted=row.unadjusted and beside)
        for row, beside in zip(_adjusted(by_key, rows), plain, strict=True)
    )


def _adjusted(by_key: dict[str, MetricKey], rows: list[Comparison]) -> list[Comparison]:
    """Return the rows with p-values after Holm's adjustment over the headline metrics, and the verdicts that follow."""
    headline = [row for row in rows if by_key[row.key].spec.headline]
    # only comparisons that can lead to a call are counted: an indication cannot be a false call
    adjusted = iter(statistics.holm([row.p_value if row.replicated else None for row in headline]))
    rows = [replace(row, p_adjusted=next(adjusted)) if by_key[row.key].spec.headline else row for row in rows]
    return [judge(by_key[row.key], row) for row in rows]


def compare_pair(
    campaign: Campaign,
    key: MetricKey,
    values: Sequence[MetricResult],
    configuration: str,
    versus: str,
    draws: Draws = None,
    covariates: Covariates | None = None,
) -> Comparison:
    """Return configuration minus versus as `compare`, of values in all runs that take part, without Holm's adjustment."""
    known = [v for v in values if v.status != "not computed"]
    sides = [[v for v in known if v.configuration == c] for c in (configuration, versus)]
    missed, within = ([sum(v.status == s for v in side) for side in sides] for s in ("not reached", "within at entry"))
    row = Comparison(
        key=key.key, configuration=configuration, versus=versus, difference=None, low=None, high=None,
        level=campaign.metrics.confidence, df=None, n=len(sides[0]), n_versus=len(sides[1]), method="none", p_value=None,
        p_adjusted=None, verdict=NOT_COMPARED, call="not compared", not_reached=missed[0], not_reached_versus=missed[1],
        within=within[0], within_versus=within[1],
    )  # fmt: skip
    if not key.spec.compared:
        return replace(row, note=NO_ESTIMATE)
    if all(unresolved(side) for side in sides):
        return replace(row, note=UNRESOLVED)
    names = {c.id: c.name for c in campaign.configurations}
    made = estimate(values, configuration, versus, campaign.metrics.confidence, names)
    if not isinstance(made, Estimate):
        return replace(row, note=made)
    runs = [v.configuration for v in values]
    replicates = max(runs.count(configuration), runs.count(versus)) > 1
    test = permutation(values, configuration, versus)
    if test is not None:
        row = replace(row, permutation=test.p_value, smallest=test.smallest_p)

    def judged(made: Estimate) -> Comparison:
        found = _with_interval(row, made, draws, replicates=replicates)
        if made.dealt is not None and found.p_value is not None and made.dealt > found.p_value:
            template, p = "p {p} where the runs of each block are dealt anew", Value(made.dealt, "p")
            notes = [note for note in (found.note, message(template, code="dealt-anew", p=p)) if note]
            found = replace(found, p_value=made.dealt, note=statistics.in_one(notes))
        return judge(key, _equivalence(campaign, key, found))

    plain = judged(made)
    if covariates is None:
        return plain
    adjusted, fits, refused = adjust(campaign, key, tuple(values), made, (configuration, versus), covariates)
    if adjusted is None:
        return replace(plain, refused=refused)
    return replace(judged(adjusted), covariates=fits, unadjusted=plain, refused=refused)


def _with_interval(row: Comparison, made: Estimate, draws: Draws, *, replicates: bool) -> Comparison:
    """Add interval and p-value: from the runs with what the instruments share, else from the instruments alone."""
    between, model = made.found, made.model
    row = replace(
        row, difference=between.difference, note=between.note, confounded=made.confounded,
        units=made.units[0], units_versus=made.units[1], no_scatter=any(note.code == "no-scatter" for note in between.notes),
    )  # fmt: skip
    alone, part = between.low is None and between.high is None, None
    if model is not None:
        weights = dict(zip(model.runs, model.weights.tolist(), strict=True))
        part = instruments.instrument_part(draws, row.key, weights, total=alone, level=row.level)
    if part is not None and part.lost and not (alone and row.difference is None):
        template = "in {share} of the draws a run does not reach the margin: they count as longer than any time"
        share = "less than 1 %" if part.lost < 0.005 else Value(part.lost, "share")
        lost = message(template, code="draws-not-reached", share=share)
        row = replace(row, note=statistics.in_one([*between.notes, lost]), lost=part.lost)
    if alone:
        # where runs are replicated, an interval without their scatter would pass for one that holds it
        return row if replicates and not row.no_scatter else _instruments(row, part)
    whole, order = between if part is None or model is None else instruments.widen(between, part, model), None
    if row.lost and model is not None and None in (whole.low, whole.high):
        order = instruments.drawn_order(draws, row.key, model, between)
    row = replace(
        row, low=whole.low, high=whole.high, df=whole.df, method=between.method, p_value=whole.p_value, basis="runs",
        standard_error=whole.standard_error, between=between.standard_error, scatter=between.scatter,
        instrument=None if part is None or part.lost else part.spread, standardised=statistics.standardised(between),
    )  # fmt: skip
    if order is None:
        return row
    p = 2.0 * min(order.lower, 1.0 - order.lower)
    return replace(row, p_value=p, order=order.lower, order_bound=order.bound, undecided=order.undecided)


def _instruments(row: Comparison, part: instruments.InstrumentPart | None) -> Comparison:
    """Add the interval of the draws themselves, which need not be symmetric."""
    if part is None or row.difference is None:
        return row
    low = None if part.low is None else min(part.low, row.difference)
    high = None if part.high is None else max(part.high, row.difference)
    u = None if part.lost else part.spread
    return replace(row, low=low, high=high, method="instruments", basis="instruments", standard_error=u, instrument=u)


def _equivalence(campaign: Campaign, key: MetricKey, row: Comparison) -> Comparison:
    """Add the two one-sided tests where the campaign declares a margin for the metric."""
    text = campaign.metrics.equivalence.get(key.spec.id)
    if text is None:
        return row
    margin = abs(parse_quantity(text, difference_quantity(key)))
    row = replace(row, margin=margin)
    if margin == 0.0 or row.basis != "runs" or not row.replicated or not row.standard_error or row.difference is None:
        return row
    p = statistics.equivalence(row.difference, row.standard_error, math.inf if row.df is None else row.df, margin)
    return replace(row, equivalent=p <= 1.0 - row.level, equivalence_p=p)


def judge(key: MetricKey, c: Comparison) -> Comparison:
    """Return the comparison with its verdict.

    Without two independent units on both sides, or without an interval from the runs, it is an indication at most.
    Headline metrics are called only when Holm's adjustment over all of them agrees, and suggested where it does not;
    a call on any other metric is exploratory, since nothing adjusts it for the number of metrics looked at. Where draws that
    do not reach a margin open the interval, the order of the two is decided by the sign of the difference draw by draw.
    """
    call, verdict = _call(key, c)
    return replace(c, call=call, verdict=verdict)


def _call(key: MetricKey, c: Comparison) -> tuple[Call, str]:
    if c.difference is None and c.low is None and c.high is None:
        return "not compared", NOT_COMPARED
    if not c.replicated or c.basis != "runs":
        return "indication", INDICATION
    lower, higher = c.high is not None and c.high < 0.0, c.low is not None and c.low > 0.0
    if c.order is not None:
        risk = 0.5 * (1.0 - c.level)
        lower, higher = c.order >= 1.0 - risk, c.order <= risk
    few = not key.spec.headline and c.df is not None and c.df < LEAST_DF
    if few or (not lower and not higher):
        return ("equivalent", "equivalent") if c.equivalent else ("not shown", NOT_SHOWN)
    word = direction(key, higher)
    if c.p_adjusted is not None and c.p_adjusted > 1.0 - c.level:
        return "suggested", f"{SUGGESTED}: {word}"
    word += ", yet within the margin of equivalence" if c.equivalent else ""
    return ("shown", word) if key.spec.headline else ("exploratory", f"{word} {EXPLORATORY}")


def unresolved(values: Sequence[MetricResult]) -> bool:
    """Whether the steps of the reading do not resolve the value in most runs: it then decides nothing."""
    return 2 * sum(UNRESOLVED.code in _codes(v.note) for v in values) > len(values)


def _codes(note: Part) -> set[str]:
    if isinstance(note, Listing):
        return {code for part in note.parts for code in _codes(part)}
    return {note.code} if isinstance(note, Message) else set()


def with_headlines(metrics: Metrics, values: MetricValues) -> Metrics:
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


def summarise(campaign: Campaign, metrics: Metrics, values: MetricValues) -> tuple[MetricSummary, ...]:
    """Return count, mean and standard deviation of each metric and configuration; no mean where a run is censored."""
    return tuple(
        _summary(key, c.id, [v for v in values if v.key == key.key and v.configuration == c.id])
        for key in metrics
        for c in campaign.configurations
    )


def _summary(key: MetricKey, configuration: str, values: list[MetricResult]) -> MetricSummary:
    reached = [v.value for v in values if v.value is not None]
    censored, within = (sum(v.status == state for v in values) for state in ("not reached", "within at entry"))
    n = len(reached) + censored + within
    if censored or within:  # a mean of the others would be too low or too high
        states = ("not reached", "not-reached", censored), ("within at entry", "within", within)
        runs = Count(n, "run")
        parts = [message(what + " in {missed} of {runs}", code, missed=k, runs=runs) for what, code, k in states if k]
        note = parts[0] if len(parts) == 1 else Listing(tuple(parts))
        return MetricSummary(key.key, configuration, n, censored, None, None, note, within)
    if not reached:
        return MetricSummary(key.key, configuration, 0, 0, None, None, reasons_of(values, "no run"))
    interval = statistics.mean_interval(reached)
    return MetricSummary(key.key, configuration, interval.n, 0, interval.mean, interval.sd)


def check_model(
    campaign: Campaign, metrics: Metrics, values: MetricValues, starts: Mapping[str, str | None]
) -> tuple[ModelCheck, ...]:
    """Return, for each headline metric, whether consecutive runs hang together and whether effects add up.

    `starts` are ISO texts, which sort. Runs of one block follow each other: a warm engine bay or a wet road carries over.
    Residuals of few runs are tied to each other by what was estimated: a large p-value is no proof of independence.
    """
    rng = np.random.default_rng(campaign.metrics.seed)
    ordered = sorted((v for v in values if v.value is not None), key=lambda v: starts.get(v.run) or "")
    return tuple(_check(key.key, [v for v in ordered if v.key == key.key], rng) for key in metrics if key.spec.headline)


def _check(key: str, values: Sequence[MetricResult], rng: np.random.Generator) -> ModelCheck:
    if len(values) < 3:
        few = message("fewer than three runs have a value", code="few-runs")
        return ModelCheck(key, None, None, 0, None, "none", few)
    numbers = [v.value for v in values if v.value is not None]
    ids, blocks = [v.configuration for v in values], [v.block or "" for v in values]
    residuals = statistics.additive_residuals(numbers, ids, blocks)
    lag = statistics.lag_one([residuals[np.array(blocks) == name].tolist() for name in dict.fromkeys(blocks)], rng)
    several = len(set(blocks)) > 1 and len(set(ids)) > 1
    effects = statistics.additivity(numbers, ids, blocks) if several else statistics.Additivity("none", None)
    notes = statistics.in_one([note for note in (lag.note, effects.note) if note])
    return ModelCheck(key, lag.correlation, lag.p_value, lag.pairs, effects.p_value, effects.method, notes)
