"""What claims, margins of equivalence and deciding metrics name: found among the metrics, or refused with the nearest."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial

from intake_report.analyse.claim_words import PERCENT, close
from intake_report.campaign import Campaign, Claim
from intake_report.errors import CampaignError, DataError, nearest
from intake_report.metrics import PULL_METRICS, REGISTRY
from intake_report.results import MetricKey, MetricSpec
from intake_report.results.text import DIFFERENCES
from intake_report.units import parse_quantity

MOST_DECIDING = 3
"""Metrics that decide where the campaign does not name them: what two pages can hold."""


def spec_of(name: str) -> MetricSpec:
    """Return the definition of a metric of the runs or of the pulls."""
    return PULL_METRICS[name] if name in PULL_METRICS else REGISTRY[name].spec


def is_absolute(claim: Claim) -> bool:
    """Return whether the claim is about a value, not about a difference."""
    return claim.versus is None and claim.relation in ("at most", "at least")


def other(campaign: Campaign, claim: Claim) -> str:
    """Return the id of the configuration that the claim compares with."""
    return claim.versus or campaign.baseline.id


def claim_mistakes(campaign: Campaign, metrics: tuple[MetricKey, ...]) -> Iterator[CampaignError]:
    """Yield what is wrong with margins of equivalence, deciding metrics and claims: the key, and the nearest right one."""
    for name, text in campaign.metrics.equivalence.items():
        yield from caught(campaign, partial(_check_margin, name=name, text=text))
    yield from caught(campaign, partial(deciding_keys, metrics=metrics))
    if sum(c.role == "baseline" for c in campaign.configurations) != 1:
        return  # what a claim compares with is not known then, which is an error of its own
    for number, claim in enumerate(campaign.claims, 1):
        yield from caught(campaign, partial(_check_claim, metrics=metrics, claim=claim, where=f"claim[{number}]"))


def caught(campaign: Campaign, check: Callable[[Campaign], object]) -> Iterator[CampaignError]:
    """Yield the error that a check of the campaign raises, with the file as it was given."""
    try:
        check(campaign)
    except CampaignError as error:
        yield CampaignError(error.what, file=campaign.given, where=error.where, remedy=error.remedy)


def _check_margin(_: Campaign, name: str, text: str) -> None:
    where = f"metrics.equivalence.{name}"
    _check_metric(name, where)
    quantity = spec_of(name).quantity
    margin = _parsed(text, DIFFERENCES.get(quantity, quantity), where)
    if not (margin > 0.0 and math.isfinite(margin)):
        what = f"a margin of equivalence of “{text}” is not greater than zero."
        raise CampaignError(what, where=where, remedy="Give the largest difference that does not matter.")


def _check_claim(campaign: Campaign, metrics: tuple[MetricKey, ...], claim: Claim, where: str) -> None:
    _check_metric(claim.metric, f"{where}.metric")
    spec, key, what = spec_of(claim.metric), "", ""
    if spec.parameter in ("margin", "phase") and getattr(claim, spec.parameter) is None:
        what, remedy = f"the metric “{claim.metric}” needs a {spec.parameter}.", f"Add `{spec.parameter}`."
    elif claim.metric in PULL_METRICS and not campaign.pulls:
        key, what = ".metric", f"“{claim.metric}” is measured on a dyno, and the campaign has no pull."
        remedy = "Add [[pull]] entries, or name a metric of the runs."
    elif find_key(claim, metrics) is None:
        what = "the claim's metric is not among those that the campaign computes."
        remedy = "Add its margin to metrics.recovery_margins, its phase to route.phase, or set metrics.alarm_limit."
    elif not is_absolute(claim) and claim.configuration == other(campaign, claim):
        key, what = ".versus", "the claim compares a configuration with itself."
        remedy = "Name another configuration, or a limit with “at most” or “at least” and no `versus`."
    elif claim.common_drive and (what := _not_on_common(campaign, claim, spec)):
        key = ".common_drive"
        remedy = "Leave `common_drive` out of the claim, or add [common_drive] and name a headline difference of runs."
    if what:
        raise CampaignError(what, where=where + key, remedy=remedy)
    limit_of(claim, where)


def _not_on_common(campaign: Campaign, claim: Claim, spec: MetricSpec) -> str:
    """Return why none of the numbers of the common drive can decide a claim; empty where one can."""
    if campaign.common_drive is None:
        return "the campaign has no common drive."
    if is_absolute(claim):
        return "on the common drive only differences between configurations are judged."
    if claim.metric in PULL_METRICS or not spec.headline:
        return f"“{claim.metric}” is not computed on the common drive."
    if campaign.common_drive.file and spec.parameter in ("margin", "phase"):
        return f"a speed trace has neither phases nor a highway entry, which “{claim.metric}” needs."
    return ""


def _parsed(text: str, quantity: str, where: str) -> float:
    try:
        return parse_quantity(text, quantity)
    except DataError as error:
        raise CampaignError(error.what, where=where, remedy=error.remedy) from None


def _check_metric(name: str, where: str) -> None:
    names = (*REGISTRY, *PULL_METRICS)
    if name not in names:
        remedy = nearest(name, names, "Metrics are", cutoff=0.4)
        raise CampaignError(f"there is no metric “{name}”.", where=where, remedy=remedy)


def deciding_keys(campaign: Campaign, metrics: tuple[MetricKey, ...]) -> tuple[str, ...]:
    """Return the metrics that the question is about: those that it names, else those of the claims, then the headline ones.

    Raises CampaignError: `campaign.decides` names a metric, phase or margin that does not exist.
    """
    if campaign.about.decides:
        named = enumerate(campaign.about.decides, 1)
        return tuple(_named_key(metrics, text, f"campaign.decides[{n}]") for n, text in named)
    claimed = [key for claim in campaign.claims if (key := find_key(claim, metrics)) in metrics and key is not None]
    return tuple(dict.fromkeys(k.key for k in (*claimed, *(k for k in metrics if k.spec.headline))))[:MOST_DECIDING]


def _named_key(metrics: tuple[MetricKey, ...], text: str, where: str) -> str:
    name, _, rest = (part.strip() for part in text.partition(":"))
    _check_metric(name, where)
    of_metric = found = [key for key in metrics if key.spec.id == name]
    if spec_of(name).parameter == "margin":
        margin = _parsed(rest, "temperature_difference", where)
        found = [k for k in of_metric if k.parameter.number is not None and abs(k.parameter.number - margin) < 0.01]
    elif spec_of(name).parameter == "phase":
        found = [key for key in of_metric if key.parameter.key == rest]
    if not found:
        names = ", ".join(f"“{key.spec.id}: {key.parameter.key}”" for key in of_metric)
        what = f"“{text}” is not among the metrics that the campaign computes."
        raise CampaignError(what, where=where, remedy=f"There are {names}." if names else "")
    return found[0].key


def find_key(claim: Claim, metrics: tuple[MetricKey, ...]) -> MetricKey | None:
    """Return the metric key that a claim speaks of."""
    if claim.metric in PULL_METRICS:
        return MetricKey(PULL_METRICS[claim.metric])

    def fits(key: MetricKey) -> bool:
        if key.parameter.kind == "margin":
            return close(key.parameter.number, claim.margin)
        return key.parameter.kind != "phase" or key.parameter.key == claim.phase

    return next((key for key in metrics if key.spec.id == claim.metric and fits(key)), None)


def limit_of(claim: Claim, where: str) -> float:
    """Return the claim's value in the internal unit; 0 when it has none."""
    if claim.value is None:
        if claim.relation in ("at most", "at least"):
            raise CampaignError(f"the relation “{claim.relation}” needs a value.", where=where, remedy="Add `value`.")
        return 0.0
    quantity = spec_of(claim.metric).quantity
    if PERCENT.search(str(claim.value)) and quantity != "ratio":
        return 0.0  # refused in the report, with the reason
    if not is_absolute(claim):
        quantity = DIFFERENCES.get(quantity, quantity)
    return _parsed(str(claim.value), quantity, f"{where}.value")
