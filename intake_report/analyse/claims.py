"""Claims to verdicts: an estimate is held against a limit with a guard band (JCGM 106), never as a single number."""

from __future__ import annotations

import difflib
import math

from intake_report import formatting
from intake_report.analyse.claim_evidence import Evidence, find_evidence, is_absolute, other
from intake_report.analyse.claim_words import PERCENT, ClaimContext, close, objection
from intake_report.analyse.compare import InstrumentDraws, compare_pair
from intake_report.campaign import Campaign, Claim
from intake_report.errors import CampaignError, DataError
from intake_report.metrics import REGISTRY
from intake_report.results import ClaimResult, Comparison, MetricKey, MetricResult
from intake_report.results.compared import ClaimVerdict
from intake_report.results.text import DIFFERENCES, p_text
from intake_report.statistics import coverage_factor, decide, guard_band
from intake_report.units import UnitSystem, parse_quantity

VERDICTS: dict[str, ClaimVerdict] = {
    "conforms": "supported",
    "does not conform": "not supported",
    "undecided": "not shown",
}
UPPER, LOWER = ("lower", "at most"), ("higher", "at least")


def check_claims(campaign: Campaign, metrics: tuple[MetricKey, ...]) -> None:
    """Refuse claims, and margins of equivalence, that name a metric, a margin or a value that does not exist.

    Raises
    ------
    CampaignError
        Names the claim's key and the nearest right one.
    """
    _check_equivalence(campaign)
    for number, claim in enumerate(campaign.claims, 1):
        where = f"claim[{number}]"
        _check_metric(campaign, claim.metric, f"{where}.metric")
        spec = REGISTRY[claim.metric].spec
        if spec.parameter in ("margin", "phase") and getattr(claim, spec.parameter) is None:
            raise CampaignError(
                f"the metric “{claim.metric}” needs a {spec.parameter}.",
                file=campaign.file,
                where=where,
                remedy=f"Add `{spec.parameter}`.",
            )
        if find_key(claim, metrics) is None:
            raise CampaignError(
                "the claim's metric is not among those that the campaign computes.",
                file=campaign.file,
                where=where,
                remedy="Add its margin to metrics.recovery_margins, its phase to route.phase, or set metrics.alarm_limit.",
            )
        if not is_absolute(claim) and claim.configuration == other(campaign, claim):
            raise CampaignError(
                "the claim compares a configuration with itself.",
                file=campaign.file,
                where=f"{where}.versus",
                remedy="Name another configuration, or a limit with “at most” or “at least” and no `versus`.",
            )
        _limit(campaign, claim, where)


def _check_metric(campaign: Campaign, name: str, where: str) -> None:
    if name not in REGISTRY:
        near = difflib.get_close_matches(name, REGISTRY, n=1, cutoff=0.4)
        remedy = f"Did you mean “{near[0]}”?" if near else f"Metrics are {', '.join(REGISTRY)}."
        raise CampaignError(f"there is no metric “{name}”.", file=campaign.file, where=where, remedy=remedy)


def _check_equivalence(campaign: Campaign) -> None:
    for name, text in campaign.metrics.equivalence.items():
        where = f"metrics.equivalence.{name}"
        _check_metric(campaign, name, where)
        quantity = REGISTRY[name].spec.quantity
        try:
            margin = parse_quantity(text, DIFFERENCES.get(quantity, quantity))
        except DataError as error:
            raise CampaignError(error.what, file=campaign.file, where=where, remedy=error.remedy) from None
        if not (margin > 0.0 and math.isfinite(margin)):
            raise CampaignError(
                f"a margin of equivalence of “{text}” is not greater than zero.",
                file=campaign.file,
                where=where,
                remedy="Give the largest difference that does not matter.",
            )


def find_key(claim: Claim, metrics: tuple[MetricKey, ...]) -> MetricKey | None:
    """Return the metric key that a claim speaks of."""
    for key in metrics:
        if key.spec.id != claim.metric:
            continue
        if key.parameter.kind == "margin" and not close(key.parameter.number, claim.margin):
            continue
        if key.parameter.kind == "phase" and key.parameter.key != claim.phase:
            continue
        return key
    return None


def _limit(campaign: Campaign, claim: Claim, where: str) -> float:
    """Return the claim's value in the internal unit; 0 when it has none."""
    if claim.value is None:
        if claim.relation in ("at most", "at least"):
            raise CampaignError(
                f"the relation “{claim.relation}” needs a value.",
                file=campaign.file,
                where=where,
                remedy="Add `value`.",
            )
        return 0.0
    quantity = REGISTRY[claim.metric].spec.quantity
    if PERCENT.search(str(claim.value)) and quantity != "ratio":
        return 0.0  # refused in the report, with the reason
    if not is_absolute(claim):
        quantity = DIFFERENCES.get(quantity, quantity)
    try:
        return parse_quantity(str(claim.value), quantity)
    except DataError as error:
        raise CampaignError(error.what, file=campaign.file, where=f"{where}.value", remedy=error.remedy) from None


def direct_comparisons(
    campaign: Campaign,
    metrics: tuple[MetricKey, ...],
    values: tuple[MetricResult, ...],
    comparisons: tuple[Comparison, ...],
    draws: InstrumentDraws | None = None,
) -> tuple[Comparison, ...]:
    """Return the comparisons that claims ask for and that are not among those with the baseline.

    Parameters
    ----------
    campaign : Campaign
        Claims.
    metrics, values, comparisons, draws
        As in `compare.compare`, and what it returned.
    """
    there = {(c.key, c.configuration, c.versus) for c in comparisons}
    rows: dict[tuple[str, str, str], Comparison] = {}
    for claim in campaign.claims:
        key = find_key(claim, metrics)
        if key is None or is_absolute(claim):
            continue
        wanted = (key.key, claim.configuration, other(campaign, claim))
        if wanted not in there and wanted not in rows:
            mine = [v for v in values if v.key == key.key]
            rows[wanted] = compare_pair(campaign, key, mine, wanted[1], wanted[2], draws)
    return tuple(rows.values())


def judge_claims(
    campaign: Campaign,
    metrics: tuple[MetricKey, ...],
    values: tuple[MetricResult, ...],
    comparisons: tuple[Comparison, ...],
    reference: str | None = None,
    draws: InstrumentDraws | None = None,
) -> tuple[ClaimResult, ...]:
    """Return every claim with its verdict and the reason, in campaign order.

    Parameters
    ----------
    campaign : Campaign
        Claims, confidence level, units.
    metrics, values : tuples
        What the analysis found.
    comparisons : tuple of Comparison
        With the baseline, and those of `direct_comparisons`.
    reference : str or None
        The ambient reference, which the words of a claim are held against.
    draws : InstrumentDraws, optional
        What the instruments leave open of a value.

    Returns
    -------
    tuple of ClaimResult
        "supported" and "not supported" only when the estimate lies outside the guard band and both sides are
        replicated.
    """
    judged = []
    for number, claim in enumerate(campaign.claims, 1):
        key = find_key(claim, metrics)
        assert key is not None  # check_claims has refused it otherwise
        refused = objection(ClaimContext(campaign, claim, key, reference))
        found = refused or find_evidence(campaign, claim, key, values, comparisons, draws)
        if isinstance(found, str):
            judged.append(_result(claim, key, "cannot be tested", found))
        else:
            judged.append(_judge(campaign, claim, key, found, _limit(campaign, claim, f"claim[{number}]")))
    return tuple(judged)


def _result(claim: Claim, key: MetricKey, verdict: ClaimVerdict, reason: str) -> ClaimResult:
    return ClaimResult(claim.id, claim.text, key.key, claim.configuration, claim.versus, verdict, reason)


def _judge(campaign: Campaign, claim: Claim, key: MetricKey, e: Evidence, limit: float) -> ClaimResult:
    """Hold the estimate against the limit; neither statement is made within the guard band."""
    risk = (1.0 - campaign.metrics.confidence) / 2.0
    low, high, against = _bounds(campaign, claim, e, limit)
    if against is None:
        return _result(
            claim, key, "cannot be tested", "“equal” needs a margin: set metrics.equivalence for this metric"
        )
    if not e.replicated:
        why = e.note or "without replicated runs on both sides day, traffic and configuration cannot be told apart"
        if is_absolute(claim):
            why = "one run, or one block, does not show how runs scatter"
        return _result(claim, key, "indication only", f"{e.text}; {why}")
    form = (e.quantity, campaign.about.units, key.spec.decimals)
    if e.u is None or e.estimate is None:
        verdict = _by_interval(e, low, high)
        return _filled(
            claim, key, verdict, f"{e.text}: judged by the limits of the interval against {against}", e, limit, risk
        )
    if claim.relation == "equal":
        risk *= 2.0  # two one-sided tests, as the comparison's own equivalence
    u = _on_side(campaign, e, low, high)
    outcome = decide(e.estimate, u, low, high, risk, e.df)
    verdict = VERDICTS[outcome.decision]
    band = guard_band(u, risk, e.df)
    why = (
        f"{e.text}; limit {against}, guard band {formatting.with_unit(band, *_difference(form))}; probability that it is "
        f"true {_percent(outcome.probability)}; risk of a wrong verdict by this rule at most {_percent(risk)}"
    )
    if verdict == "supported" and claim.relation != "equal" and limit == 0.0 and _called_off(campaign, e):
        verdict = "not shown"
        why += f"; but p after Holm's adjustment over all headline comparisons is {p_text(e.adjusted)}"
    return _filled(claim, key, verdict, why, e, limit, risk, band, outcome.probability)


def _on_side(campaign: Campaign, e: Evidence, low: float | None, high: float | None) -> float:
    """Return the standard uncertainty towards the limit, from the interval, which need not be symmetric."""
    assert e.estimate is not None and e.u is not None  # the caller has looked
    if e.low is None or e.high is None:
        return e.u
    above, below = e.high - e.estimate, e.estimate - e.low
    if low is not None and high is not None:
        half = max(above, below)
    elif high is not None:
        half = above if e.estimate <= high else below
    else:
        half = below if low is not None and e.estimate >= low else above
    return half / coverage_factor(campaign.metrics.confidence, math.inf if e.df is None else e.df)


def _called_off(campaign: Campaign, e: Evidence) -> bool:
    """Return whether a difference from nothing does not survive the adjustment for looking at several."""
    return e.adjusted is not None and e.adjusted > 1.0 - campaign.metrics.confidence


def _bounds(
    campaign: Campaign, claim: Claim, e: Evidence, limit: float
) -> tuple[float | None, float | None, str | None]:
    """Return lower and upper limit of what the claim says, and the words for it; None without a margin."""
    key_form = (e.quantity, campaign.about.units)
    if claim.relation in UPPER + LOWER:
        words = formatting.with_unit(limit, *key_form, REGISTRY[claim.metric].spec.decimals)
        return (None, limit, words) if claim.relation in UPPER else (limit, None, words)
    text = campaign.metrics.equivalence.get(claim.metric)
    if text is None:
        return None, None, None
    margin = abs(parse_quantity(text, e.quantity))
    return -margin, margin, f"a margin of equivalence of ± {text}"


def _difference(form: tuple[str, UnitSystem, int]) -> tuple[str, UnitSystem, int]:
    return (DIFFERENCES.get(form[0], form[0]), *form[1:])


def _percent(p: float) -> str:
    return "> 99.9 %" if p > 0.999 else "< 0.1 %" if p < 0.001 else f"{100.0 * p:.{2 if p < 0.1 else 3}g} %"


def _by_interval(e: Evidence, low: float | None, high: float | None) -> ClaimVerdict:
    """Judge by the interval where censoring leaves no standard uncertainty."""
    inside_low = low is None or (e.low is not None and e.low >= low)
    inside_high = high is None or (e.high is not None and e.high <= high)
    if inside_low and inside_high:
        return "supported"
    below = low is not None and e.high is not None and e.high < low
    above = high is not None and e.low is not None and e.low > high
    return "not supported" if below or above else "not shown"


def _filled(
    claim: Claim,
    key: MetricKey,
    verdict: ClaimVerdict,
    reason: str,
    e: Evidence,
    limit: float,
    risk: float,
    band: float | None = None,
    probability: float | None = None,
) -> ClaimResult:
    return ClaimResult(
        claim.id,
        claim.text,
        key.key,
        claim.configuration,
        claim.versus,
        verdict,
        reason,
        limit=limit,
        estimate=e.estimate,
        low=e.low,
        high=e.high,
        guard_band=band,
        probability=probability,
        risk=risk,
    )
