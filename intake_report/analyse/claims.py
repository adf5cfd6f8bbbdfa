"""Claims to verdicts: a claim is judged by an interval, never by a single number."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass

from intake_report.campaign import Campaign, Claim
from intake_report.errors import CampaignError, DataError
from intake_report.metrics import REGISTRY
from intake_report.results import ClaimResult, Comparison, MetricKey, MetricResult, formatting
from intake_report.results.text import difference_quantity, difference_text, metric_title
from intake_report.statistics import mean_interval
from intake_report.units import parse_quantity, to_internal

_WITHIN = re.compile(
    r"within\s+(\d+(?:[.,]\d+)?)\s*(?:°|deg\.?\s*|degrees?\s*)?(F|C|K|fahrenheit|celsius|kelvin)\b", re.I
)
_SAME_MARGIN = 0.05  # K; "within 3 °F" and "within 1.7 K" are the same margin


@dataclass(frozen=True)
class _Evidence:
    """An estimate with its interval, and what it is."""

    text: str
    low: float | None
    high: float | None
    replicated: bool
    quantity: str


def check_claims(campaign: Campaign, metrics: tuple[MetricKey, ...]) -> None:
    """Refuse claims that name a metric, a margin or a value that does not exist.

    Raises
    ------
    CampaignError
        Names the claim's key and the nearest right one.
    """
    for number, claim in enumerate(campaign.claims, 1):
        where = f"claim[{number}]"
        if claim.metric not in REGISTRY:
            near = difflib.get_close_matches(claim.metric, REGISTRY, n=1, cutoff=0.4)
            remedy = f"Did you mean “{near[0]}”?" if near else f"Metrics are {', '.join(REGISTRY)}."
            raise CampaignError(
                f"there is no metric “{claim.metric}”.", file=campaign.file, where=f"{where}.metric", remedy=remedy
            )
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
        _limit(campaign, claim, where)


def find_key(claim: Claim, metrics: tuple[MetricKey, ...]) -> MetricKey | None:
    """Return the metric key that a claim speaks of."""
    for key in metrics:
        if key.spec.id != claim.metric:
            continue
        if key.parameter.kind == "margin" and not _close(key.parameter.number, claim.margin):
            continue
        if key.parameter.kind == "phase" and key.parameter.key != claim.phase:
            continue
        return key
    return None


def _close(a: float | None, b: float | None) -> bool:
    return a is not None and b is not None and abs(a - b) < _SAME_MARGIN


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
    if claim.versus is not None and quantity == "temperature":
        quantity = "temperature_difference"
    try:
        return parse_quantity(str(claim.value), quantity)
    except DataError as error:
        raise CampaignError(error.what, file=campaign.file, where=f"{where}.value", remedy=error.remedy) from None


def judge_claims(
    campaign: Campaign,
    metrics: tuple[MetricKey, ...],
    values: tuple[MetricResult, ...],
    comparisons: tuple[Comparison, ...],
) -> tuple[ClaimResult, ...]:
    """Return every claim with its verdict and the reason, in campaign order.

    Parameters
    ----------
    campaign : Campaign
        Claims, confidence level, units.
    metrics, values, comparisons
        What the analysis found.

    Returns
    -------
    tuple of ClaimResult
        "supported" only when the whole interval lies on the claimed side and both sides are replicated.
    """
    return tuple(_judge(campaign, claim, i, metrics, values, comparisons) for i, claim in enumerate(campaign.claims, 1))


def _judge(
    campaign: Campaign,
    claim: Claim,
    number: int,
    metrics: tuple[MetricKey, ...],
    values: tuple[MetricResult, ...],
    comparisons: tuple[Comparison, ...],
) -> ClaimResult:
    key = find_key(claim, metrics)
    assert key is not None  # check_claims has refused it otherwise
    objection = _objection(campaign, claim, key)
    if objection:
        return _result(claim, key, "cannot be tested", objection)
    evidence = _evidence(campaign, claim, key, values, comparisons)
    if isinstance(evidence, str):
        return _result(claim, key, "cannot be tested", evidence)
    if not evidence.replicated or evidence.low is None or evidence.high is None:
        why = f"{evidence.text}; without replicated runs on both sides no interval can be given"
        return _result(claim, key, "indication only", why)
    limit = _limit(campaign, claim, f"claim[{number}]")
    stated = formatting.with_unit(limit, evidence.quantity, campaign.about.units, key.spec.decimals)
    if claim.relation in ("lower", "at most"):
        holds, fails = evidence.high <= limit, evidence.low > limit
    elif claim.relation in ("higher", "at least"):
        holds, fails = evidence.low >= limit, evidence.high < limit
    else:
        return _equal(campaign, claim, key, evidence)
    verdict = "supported" if holds else "not supported" if fails else "not shown"
    side = {
        "supported": "lies on the claimed side of",
        "not supported": "lies on the other side of",
        "not shown": "includes",
    }
    return _result(claim, key, verdict, f"{evidence.text}: the interval {side[verdict]} {stated}")


def _result(claim: Claim, key: MetricKey, verdict: str, reason: str) -> ClaimResult:
    return ClaimResult(claim.id, claim.text, key.key, claim.configuration, claim.versus, verdict, reason)  # type: ignore[arg-type]


def _objection(campaign: Campaign, claim: Claim, key: MetricKey) -> str:
    """Return why the words of the claim do not fit what the metric measures; empty when they do."""
    if "%" in claim.text and key.spec.quantity.startswith("temperature"):
        return (
            "a percentage of a temperature depends on where the scale puts its zero: state the difference "
            f"in {formatting.unit_of('temperature_difference', campaign.about.units)} instead"
        )
    quoted = _WITHIN.search(claim.text)
    if quoted and key.parameter.kind == "margin":
        unit = {"f": "degF", "c": "degC", "k": "degC"}[quoted[2][0].lower()]
        margin = float(to_internal(float(quoted[1].replace(",", ".")), unit, "temperature_difference"))
        if not _close(margin, key.parameter.number):
            title = metric_title(key, campaign.about.units)
            return f"the text says “{quoted[0]}” but the metric is “{title}”: they are different margins"
    return ""


def _evidence(
    campaign: Campaign,
    claim: Claim,
    key: MetricKey,
    values: tuple[MetricResult, ...],
    comparisons: tuple[Comparison, ...],
) -> _Evidence | str:
    if claim.versus is None and claim.relation in ("at most", "at least"):
        return _of_mean(campaign, claim, key, values)
    versus = claim.versus or campaign.baseline.id
    found = next((c for c in comparisons if c.key == key.key and c.configuration == claim.configuration), None)
    if found is None or versus != found.versus:
        return f"the comparison is made with {campaign.baseline.name}, the baseline, not with “{versus}”"
    if found.difference is None:
        return found.note or "no difference could be computed"
    text = f"difference {difference_text(found, key, campaign.about.units)}, {_counts(found)}"
    return _Evidence(text, found.low, found.high, min(found.n, found.n_versus) > 1, difference_quantity(key))


def _counts(found: Comparison) -> str:
    return f"{formatting.count(found.n, 'run')} against {found.n_versus}"


def _of_mean(campaign: Campaign, claim: Claim, key: MetricKey, values: tuple[MetricResult, ...]) -> _Evidence | str:
    mine = [v for v in values if v.key == key.key and v.configuration == claim.configuration]
    if any(v.status == "not reached" for v in mine):
        return "the margin was not reached in every run, so there is no mean to judge"
    reached = [v.value for v in mine if v.value is not None]
    if not reached:
        return "no run has a value"
    mean = mean_interval(reached, campaign.metrics.confidence)
    units, decimals, quantity = campaign.about.units, key.spec.decimals, key.spec.quantity
    limits = formatting.interval(mean.low, mean.high, quantity, units, decimals)
    text = f"mean {formatting.with_unit(mean.mean, quantity, units, decimals)} ({limits}, n = {mean.n})"
    return _Evidence(text, mean.low, mean.high, mean.n > 1, quantity)


def _equal(campaign: Campaign, claim: Claim, key: MetricKey, evidence: _Evidence) -> ClaimResult:
    """Judge "equal": equivalence needs a margin, an interval that includes zero is not enough."""
    text = campaign.metrics.equivalence.get(claim.metric)
    if text is None:
        return _result(
            claim, key, "cannot be tested", "“equal” needs a margin: set metrics.equivalence for this metric"
        )
    margin = parse_quantity(text, evidence.quantity)
    assert evidence.low is not None and evidence.high is not None
    inside = -margin <= evidence.low and evidence.high <= margin
    outside = evidence.low > margin or evidence.high < -margin
    verdict = "supported" if inside else "not supported" if outside else "not shown"
    return _result(claim, key, verdict, f"{evidence.text}, judged against an equivalence margin of ± {text}")
