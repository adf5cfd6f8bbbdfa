"""Claims to verdicts: an estimate is held against a limit with a guard band (JCGM 106), never as a single number."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import fmean
from typing import Any

from intake_report.analyse.claim_check import find_key, is_absolute, limit_of, model_objection, objection, other
from intake_report.analyse.compare import UNRESOLVED, Covariates, InstrumentDraws, compare_pair, unresolved
from intake_report.analyse.compare.estimate import reasons_of
from intake_report.analyse.compare.instruments import instrument_part
from intake_report.campaign import Campaign, Claim
from intake_report.dyno import DynoResult
from intake_report.messages import Count, Interval, Message, Part, Value, message
from intake_report.metrics import PULL_METRICS
from intake_report.results import CommonDriveResult, Comparison, MetricKey, MetricResult, Metrics, MetricValues
from intake_report.results.compared import ClaimResult, ClaimVerdict
from intake_report.results.text import DIFFERENCES, change_of, difference_quantity, direction, limits_of, never_negative
from intake_report.statistics import combine, coverage_factor, decide, holm, mean_interval
from intake_report.statistics.means import MeanInterval
from intake_report.units import parse_quantity

VERDICTS: dict[str, ClaimVerdict] = {
    "conforms": "supported",
    "does not conform": "not supported",
    "undecided": "not shown",
}
PAIR = "difference {size}, {n} against {n_versus}"


@dataclass(frozen=True)
class ClaimEvidence:
    """An estimate with its uncertainty, and what it is.

    `u`, `df` are None where there is only an interval, a limit where censoring leaves it open; `order`, `bound`, `undecided` as in
    `Comparison`; `adjusted` is p after Holm's adjustment.
    """

    text: Message
    estimate: float | None
    low: float | None
    high: float | None
    u: float | None
    df: float | None
    replicated: bool
    quantity: str
    adjusted: float | None = None
    note: Part = ""
    order: float | None = None
    bound: float | None = None
    undecided: float = 0.0


def direct_comparisons(
    campaign: Campaign,
    metrics: Metrics,
    values: MetricValues,
    comparisons: tuple[Comparison, ...],
    draws: InstrumentDraws | None = None,
    covariates: Covariates | None = None,
) -> tuple[Comparison, ...]:
    """Return the comparisons that claims ask for and that are not among those with the baseline; see `compare.compare`."""
    there = {(c.key, c.configuration, c.versus) for c in comparisons}
    rows: dict[tuple[str, str, str], Comparison] = {}
    for claim in campaign.claims:
        key = find_key(claim, metrics)
        if key is not None and not is_absolute(claim) and claim.metric not in PULL_METRICS:
            wanted = (key.key, claim.configuration, other(campaign, claim))
            if wanted not in there | rows.keys():
                of_metric = [v for v in values if v.key == key.key]
                rows[wanted] = compare_pair(campaign, key, of_metric, *wanted[1:], draws, covariates)
    return tuple(rows.values())


def judge_claims(
    campaign: Campaign,
    metrics: Metrics,
    values: MetricValues,
    comparisons: tuple[Comparison, ...],
    reference: str | None = None,
    draws: InstrumentDraws | None = None,
    dyno: DynoResult | None = None,
    on_common: CommonDriveResult | None = None,
) -> tuple[ClaimResult, ...]:
    """Return every claim with its verdict and the reason, in campaign order.

    `comparisons` are those with the baseline and of `direct_comparisons`, `on_common` those of the models, `reference` the ambient.
    "supported" and "not supported" only when the estimate lies outside the guard band and both sides are replicated.
    """
    judged = []
    for number, claim in enumerate(campaign.claims, 1):
        key = find_key(claim, metrics)
        assert key is not None  # `claim_mistakes` has refused it otherwise
        evidence: ClaimEvidence | Part
        evidence = objection(campaign, claim, key, reference) or model_objection(campaign, claim, on_common)
        if not evidence and claim.metric in PULL_METRICS:
            evidence = _of_pulls(campaign, claim, key, dyno)
        elif not evidence and is_absolute(claim):
            evidence = _of_mean(campaign, claim, key, values, draws)
        elif not evidence:
            modelled = on_common if claim.common_drive else None
            rows = comparisons if modelled is None else (*modelled.comparisons, *modelled.direct)
            evidence = _of_difference(campaign, claim, key, rows)
        if isinstance(evidence, ClaimEvidence):
            result = _judge(campaign, claim, key, evidence, limit_of(claim, f"claim[{number}]"))
            judged.append(replace(result, judged=meaning(campaign, claim, key)))
        else:
            judged.append(_result(claim, key, "cannot be tested", evidence))
    return tuple(judged)


def meaning(campaign: Campaign, claim: Claim, key: MetricKey) -> Part:
    """Return what relation and value say, in words of the direction: "at least 3.0 °F closer to ambient"."""
    limit, higher = limit_of(claim, "claim"), claim.relation in ("higher", "at least")
    if is_absolute(claim):
        return message("{way} {x}", way=claim.relation, x=Value(limit, key.spec.quantity, key.spec.decimals))
    where = " on the common drive" if claim.common_drive else ""
    if claim.relation == "equal":
        margin = campaign.metrics.equivalence.get(claim.metric)  # without one it cannot be tested
        return message("equal within ± {margin}{where}", margin=margin, where=where) if margin else ""
    if limit == 0.0:
        return message("{way}{where}", way=direction(key, higher), where=where)
    bound = "at least" if (limit > 0.0) == higher else "at most"  # how far on the side claimed, or how far on the other
    size = change_of(key, abs(limit), signed=False)
    return message("{bound} {size} {way}{where}", bound=bound, size=size, way=direction(key, limit > 0.0), where=where)


def _of_difference(
    campaign: Campaign, claim: Claim, key: MetricKey, comparisons: Sequence[Comparison]
) -> ClaimEvidence | Part:
    wanted = (key.key, claim.configuration, other(campaign, claim))
    found = next((c for c in comparisons if (c.key, c.configuration, c.versus) == wanted), None)
    if found is None:
        return "the two configurations were not compared"
    if found.difference is None and found.low is None and found.high is None:
        return found.note or "no difference could be computed"
    size: Part = "unknown" if found.difference is None else change_of(key, found.difference)
    if found.basis != "none":
        where = " from the instruments alone" if found.basis == "instruments" else ""
        level = Value(100.0 * found.level, "count")
        interval = message("{level} % interval{basis} {limits}", level=level, basis=where, limits=limits_of(found, key))
        size = interval if found.difference is None else message("{size} ({interval})", size=size, interval=interval)
    text = message(PAIR, size=size, n=Count(found.n, "run"), n_versus=found.n_versus)
    if claim.common_drive:
        text = message("by the models on the common drive: {text}", "on-common-drive", text=text)
    return ClaimEvidence(
        text, found.difference, found.low, found.high, found.standard_error, found.df,
        found.replicated and found.basis == "runs", difference_quantity(key), found.p_adjusted,
        found.note if found.confounded else "", found.order, found.order_bound, found.undecided,
    )  # fmt: skip


def _of_pulls(campaign: Campaign, claim: Claim, key: MetricKey, dyno: DynoResult | None) -> ClaimEvidence | Part:
    if dyno is None:
        return "no pull was analysed"
    if is_absolute(claim):
        return (
            "the uncertainty of the dyno itself is not known, so that no limit on an absolute power or torque can be judged; "
            "a difference between configurations on one dyno can"
        )
    d = dyno.difference(claim.metric, claim.configuration, other(campaign, claim))
    if d is None or d.difference is None:
        return "not all pulls have this figure, or one of the two configurations was not pulled"
    of_pulls = [one for one in campaign.claims if one.metric in PULL_METRICS and not is_absolute(one)]
    differences = [dyno.difference(one.metric, one.configuration, other(campaign, one)) for one in of_pulls]
    adjusted = holm([None if pair is None else pair.p_value for pair in differences])[of_pulls.index(claim)]
    size: Part = change_of(key, d.difference)
    if d.low is not None:
        limits, level = Interval(d.low, d.high, key.spec.quantity, key.spec.decimals), Value(100.0 * d.level, "count")
        size = message("{size} ({level} % interval {limits})", size=size, level=level, limits=limits)
    repeated = min(d.n_candidate, d.n_baseline) > 1 and d.low is not None
    note: Part = "" if repeated else "without repeated pulls on both sides nothing shows how pulls scatter"
    if repeated and not dyno.in_turn:
        template = "the configurations were pulled one after the other, so that a drift of the session cannot be told from them"
        note = message(template, code="pull-order")
    text = message(PAIR, size=size, n=Count(d.n_candidate, "pull"), n_versus=d.n_baseline)
    replicated, quantity = repeated and dyno.in_turn, key.spec.quantity
    return ClaimEvidence(
        text, d.difference, d.low, d.high, d.standard_error, d.df, replicated, quantity, adjusted, note
    )


def _of_mean(
    campaign: Campaign, claim: Claim, key: MetricKey, values: Sequence[MetricResult], draws: InstrumentDraws | None
) -> ClaimEvidence | Part:
    of_metric = [v for v in values if v.key == key.key and v.configuration == claim.configuration]
    runs = [v for v in of_metric if v.status != "not computed"]
    if not runs:
        return reasons_of(of_metric, "no run of the configuration is in the comparison")
    if unresolved(runs):
        return UNRESOLVED
    missed, within = (sum(v.status == state for v in runs) for state in ("not reached", "within at entry"))
    if missed and within:
        return "some runs did not reach the margin and others were within it at the entry: their mean has no bound"
    mean = mean_interval(_units(runs), campaign.metrics.confidence)
    if missed or within:
        return _of_bound(mean, key, missed, within, len(runs))
    if len(runs) == 1:
        return _of_one(runs[0], key)
    # with a single unit the instruments are all there is; the shared biases do not cancel in a value
    part = instrument_part(draws, key.key, {v.run: 1.0 / len(runs) for v in runs}, total=mean.n < 2)
    scatter = [] if mean.sd is None else [(mean.sd / math.sqrt(mean.n), float(mean.df))]
    u, df = combine(scatter if part is None else [*scatter, (part.spread, None)])
    bounded = part is None or part.over < 0.5 * (1.0 - mean.level)
    low = high = None
    limits: Part = ""
    if u > 0.0:
        half = coverage_factor(mean.level, math.inf if df is None else df) * u
        low = max(mean.mean - half, 0.0 if never_negative(key) else -math.inf)
        # in too many draws a run may not reach it to say up to where the mean may be
        high = mean.mean + half if bounded else None
        limits = message("{limits}, ", limits=Interval(low, high, key.spec.quantity, key.spec.decimals))
    blocks = message(" in {n} blocks", n=mean.n) if mean.n != len(runs) else ""
    stated = Value(mean.mean, key.spec.quantity, key.spec.decimals)
    text = message("mean {stated} ({limits}n = {n}{blocks})", stated=stated, limits=limits, n=len(runs), blocks=blocks)
    known = u if u > 0.0 and bounded else None
    return ClaimEvidence(text, mean.mean, low, high, known, df, mean.n > 1, key.spec.quantity)


def _of_bound(mean: MeanInterval, key: MetricKey, missed: int, within: int, runs: int) -> ClaimEvidence:
    """Return what bounds a mean: from below only where runs did not reach the margin, from above where they were within it."""
    quantity, decimals = key.spec.quantity, key.spec.decimals
    limit = (mean.low if missed else mean.high) if mean.sd else None
    bound: Part = ""
    if limit is not None:
        limit = max(limit, 0.0 if never_negative(key) else -math.inf)
        bound = message(", {side} limit {x}", side="lower" if missed else "upper", x=Value(limit, quantity, decimals))
    text = message(
        "{what} of at {way} {stated} ({count} of {runs} {state}{bound})",
        what="mean" if runs > 1 else "value", way="least" if missed else "most",
        stated=Value(mean.mean, quantity, decimals), count=missed or within, runs=Count(runs, "run"),
        state="did not reach it" if missed else "within the margin at the entry", bound=bound,
    )  # fmt: skip
    low, high = (limit, None) if missed else (None, limit)
    return ClaimEvidence(text, None, low, high, None, None, mean.n > 1, quantity)


def _of_one(value: MetricResult, key: MetricKey) -> ClaimEvidence:
    """Return the value of the only run with the interval of the table of uncertainty: the instruments', no scatter."""
    quantity, decimals = key.spec.quantity, key.spec.decimals
    text = message("{value} in the one run", value=Value(value.value, quantity, decimals))
    if value.draws_not_reached is not None and not (value.low is None and value.high is None):
        span = Interval(value.low, value.high, quantity, decimals)
        text = message("{text} (instruments alone: {span})", text=text, span=span)
    return ClaimEvidence(text, value.value, value.low, value.high, value.u, None, False, quantity)


def _units(runs: Sequence[MetricResult]) -> list[float]:
    """Return one number per independent unit: per block where a block holds several runs, else per run."""
    numbers = [v.value if v.value is not None else v.bound or 0.0 for v in runs]
    blocks = [v.block for v in runs]
    if None in blocks or len(set(blocks)) in (1, len(blocks)):
        return numbers
    return [fmean(n for n, b in zip(numbers, blocks, strict=True) if b == block) for block in dict.fromkeys(blocks)]


def _result(claim: Claim, key: MetricKey, verdict: ClaimVerdict, reason: Part, **numbers: Any) -> ClaimResult:
    return ClaimResult(
        claim.id, claim.text, key.key, claim.configuration, claim.versus, verdict, reason, is_absolute(claim), **numbers
    )


def _judge(campaign: Campaign, claim: Claim, key: MetricKey, e: ClaimEvidence, limit: float) -> ClaimResult:
    """Hold the estimate against the limit; neither statement is made within the guard band."""
    risk = (1.0 - campaign.metrics.confidence) / 2.0
    low, high = (None, limit) if claim.relation in ("lower", "at most") else (limit, None)
    against: Part = Value(limit, e.quantity, key.spec.decimals)
    if claim.relation == "equal":
        text = campaign.metrics.equivalence.get(claim.metric)
        if text is None:
            why = "“equal” needs a margin: set metrics.equivalence for this metric"
            return _result(claim, key, "cannot be tested", why)
        high = abs(parse_quantity(text, e.quantity))
        low, against = -high, message("a margin of equivalence of ± {margin}", margin=text)
    numbers = {"limit": limit, "estimate": e.estimate, "low": e.low, "high": e.high}
    if not e.replicated:
        why = "without repeated runs on both sides day, traffic and configuration cannot be told apart"
        if is_absolute(claim):
            why = "one run does not show how runs scatter"
        reason = message("{evidence}; {why}", "not-replicated", evidence=e.text, why=e.note or why)
        return _result(claim, key, "indication only", reason, **numbers)
    if e.u is None and e.order is not None and limit == 0.0 and claim.relation in ("lower", "higher"):
        return _judge_order(campaign, claim, key, e, risk, numbers)
    if e.u is None or e.estimate is None:
        template = "{evidence}: judged by the limits of the interval against {against}"
        reason = message(template, code="by-interval", evidence=e.text, against=against)
        return _result(claim, key, _by_interval(e, low, high), reason, risk=risk, **numbers)
    if claim.relation == "equal":
        risk *= 2.0  # two one-sided tests, as the comparison's own equivalence
    outcome = decide(e.estimate, side_uncertainty(campaign, e, low, high), low, high, risk, e.df)
    verdict = VERDICTS[outcome.decision]
    band = Value(outcome.guard_band, DIFFERENCES.get(e.quantity, e.quantity), key.spec.decimals)
    true, wrong = Value(outcome.probability, "probability"), Value(risk, "probability")
    reason = message(
        "{evidence}; limit {against}, guard band {band}; probability that it is true {probability}; risk of a wrong verdict "
        "by this rule at most {risk}",
        "guard-band", evidence=e.text, against=against, band=band, probability=true, risk=wrong,
    )  # fmt: skip
    if verdict == "supported" and claim.relation != "equal" and limit == 0.0 and (holm := _holm(campaign, claim, e)):
        verdict, reason = "not shown", message("{reason}{holm}", code="holm", reason=reason, holm=holm)
    numbers |= {"guard_band": outcome.guard_band, "probability": outcome.probability, "risk": risk}
    return _result(claim, key, verdict, reason, **numbers)


def _judge_order(
    campaign: Campaign, claim: Claim, key: MetricKey, e: ClaimEvidence, risk: float, numbers: dict[str, float | None]
) -> ClaimResult:
    """Decide which of two is lower by the sign of the difference draw by draw, where its interval is open on a side."""
    assert e.order is not None
    probability = e.order if claim.relation == "lower" else 1.0 - e.order
    verdict: ClaimVerdict = "not shown"
    called_off = _holm(campaign, claim, e)
    if probability >= 1.0 - risk and not called_off:
        verdict = "supported"
    elif probability <= risk:
        verdict = "not supported"
    bound: Part = ""
    if e.bound is not None and verdict == "supported":
        bound = message(", by at least {size}", size=Value(abs(e.bound), e.quantity, key.spec.decimals))
    without = message(" ({share} of the draws, in which none reaches it, left out)", share=Value(e.undecided, "share"))
    reason = message(
        "{evidence}; decided by the sign of the difference draw by draw, in which a run that does not reach the margin is later "
        "than any that does{undecided}: probability that it is true {probability}{bound}; risk of a wrong verdict by this rule at most "
        "{risk}{holm}",
        code="by-order", evidence=e.text, undecided=without if e.undecided else "", probability=Value(probability, "probability"), bound=bound,
        risk=Value(risk, "probability"), holm=called_off,
    )  # fmt: skip
    return _result(claim, key, verdict, reason, probability=probability, risk=risk, **numbers)


def _holm(campaign: Campaign, claim: Claim, e: ClaimEvidence) -> Part:
    """Return that a difference from nothing does not survive the adjustment for looking at several; empty where it does."""
    if e.adjusted is None or e.adjusted <= 1.0 - campaign.metrics.confidence:
        return ""
    family = "claims on pulls" if claim.metric in PULL_METRICS else "headline comparisons"
    family += " on the common drive" if claim.common_drive else ""
    template = "; but p after Holm's adjustment over all {family} is {p}"
    return message(template, code="holm", family=family, p=Value(e.adjusted, "p"))


def side_uncertainty(campaign: Campaign, e: ClaimEvidence, low: float | None, high: float | None) -> float:
    """Return the standard uncertainty towards the limit, from the interval, which need not be symmetric."""
    assert e.estimate is not None and e.u is not None  # the caller has looked
    if e.low is None or e.high is None:
        return e.u
    above, below, limit = e.high - e.estimate, e.estimate - e.low, low if high is None else high
    half = max(above, below)
    if limit is not None and (low is None or high is None):
        half = above if e.estimate <= limit else below
    return half / coverage_factor(campaign.metrics.confidence, math.inf if e.df is None else e.df)


def _by_interval(e: ClaimEvidence, low: float | None, high: float | None) -> ClaimVerdict:
    at_least, at_most = (-math.inf if e.low is None else e.low), (math.inf if e.high is None else e.high)
    lower, upper = (-math.inf if low is None else low), (math.inf if high is None else high)
    if lower <= at_least and at_most <= upper:
        return "supported"
    return "not supported" if at_most < lower or at_least > upper else "not shown"
