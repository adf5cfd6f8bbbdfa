"""Mistakes of a campaign file that only the metrics and criteria know, all at once and before any log is read."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from intake_report.analyse.acceptance import acceptance_limits
from intake_report.analyse.claims import check_claims
from intake_report.analyse.measure import metric_keys
from intake_report.campaign import Campaign
from intake_report.errors import CampaignError


def campaign_mistakes(campaign: Campaign) -> Iterator[CampaignError]:
    """Yield what is wrong with acceptance limits, margins of equivalence and claims; one error for each of them."""
    yield from limit_mistakes(campaign)
    metrics = metric_keys(campaign)

    def check(one: Campaign) -> None:
        check_claims(one, metrics)

    for name, margin in campaign.metrics.equivalence.items():
        settings = campaign.metrics.model_copy(update={"equivalence": {name: margin}})
        yield from _caught(check, campaign.model_copy(update={"metrics": settings, "claims": ()}))
    if sum(c.role == "baseline" for c in campaign.configurations) != 1:
        return  # what a claim compares with is not known then, which is an error of its own
    settings = campaign.metrics.model_copy(update={"equivalence": {}})
    for number, claim in enumerate(campaign.claims, 1):
        for error in _caught(check, campaign.model_copy(update={"metrics": settings, "claims": (claim,)})):
            where = (error.where or "").replace("claim[1]", f"claim[{number}]", 1)
            yield CampaignError(error.what, file=error.file, where=where, remedy=error.remedy)


def limit_mistakes(campaign: Campaign) -> Iterator[CampaignError]:
    """Yield what is wrong with acceptance limits; one error for each of them."""
    for code, limit in campaign.acceptance.items():
        yield from _caught(acceptance_limits, campaign.model_copy(update={"acceptance": {code: limit}}))


def _caught(check: Callable[[Campaign], object], campaign: Campaign) -> Iterator[CampaignError]:
    try:
        check(campaign)
    except CampaignError as error:
        yield CampaignError(error.what, file=campaign.given, where=error.where, remedy=error.remedy)
