"""Mistakes of a campaign file that only the metrics and criteria know, all at once and before any log is read."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from intake_report.align import CRITERIA
from intake_report.analyse.acceptance import acceptance_limits
from intake_report.analyse.claim_check import caught, claim_mistakes
from intake_report.analyse.inputs import weather_records
from intake_report.analyse.limitations.layout import read_issued
from intake_report.analyse.measure import metric_keys
from intake_report.analyse.zeroing import look_at
from intake_report.bench import bench_evidence
from intake_report.campaign import Campaign, Limit
from intake_report.dyno import dyno_evidence, read_pulls
from intake_report.errors import CampaignError, IntakeReportError

Reader = Callable[[Campaign], object]
LARGEST_LIMIT = 1e6  # of an acceptance criterion, in its own unit: no difference between runs comes near


def campaign_mistakes(campaign: Campaign) -> Iterator[CampaignError]:
    """Yield what is wrong with acceptance limits, margins of equivalence and claims; one error for each of them."""
    yield from limit_mistakes(campaign)
    yield from caught(campaign, read_issued)
    yield from claim_mistakes(campaign, metric_keys(campaign))


def evidence_mistakes(campaign: Campaign) -> Iterator[CampaignError]:
    """Yield what is wrong with weather, soak check, dyno and bench files and with what is said of them, all at once."""
    tables: tuple[tuple[str, str, Reader], ...] = (
        ("weather", "weather", weather_records),
        ("weather", "weather", partial(weather_records, forecasts=True)),
        ("pull", "pulls", read_pulls),
        ("restriction", "restrictions", bench_evidence),
    )
    looks: list[tuple[Reader, Campaign, str]] = [
        (read, campaign.model_copy(update={"exposures": (), "observations": (), key: (entry,)}), f"{table}[{number}]")
        for table, key, read in tables
        for number, entry in enumerate(getattr(campaign, key), 1)
    ]
    looks += [(partial(look_at, number=n), campaign, f"soak_check[{n + 1}]") for n in range(len(campaign.soak_checks))]
    found = [error for look in looks for error in _caught_data(*look)]
    if not found:
        found = [error for read in (dyno_evidence, bench_evidence) for error in _caught_data(read, campaign, "")]
    first = {error.what: error for error in reversed(found)}
    yield from (error for error in found if first[error.what] is error)


def _caught_data(read: Reader, campaign: Campaign, where: str) -> Iterator[CampaignError]:
    try:
        read(campaign)
    except IntakeReportError as error:
        own = error.file is None or Path(error.file).resolve() == campaign.file
        place = "" if own else ": ".join(part for part in (Path(error.file or "").name, error.where) if part) + ": "
        inner = error.where or ""
        if own and not inner.startswith(where):
            inner = f"{where}.{inner}"
        key = (inner or where) if own else where
        yield CampaignError(f"{place}{error.what}", file=campaign.given, where=key or None, remedy=error.remedy)


def limit_mistakes(campaign: Campaign) -> Iterator[CampaignError]:
    """Yield what is wrong with acceptance limits; one error for each of them."""
    for code, limit in campaign.acceptance.items():
        alone = campaign.model_copy(update={"acceptance": {code: limit}})
        if errors := list(caught(alone, acceptance_limits)):
            yield from errors
            continue
        share = CRITERIA[code].shown == "share"
        if not 0.0 <= acceptance_limits(alone)[code].limit <= (1.0 if share else LARGEST_LIMIT):
            high, stated = (
                "100 %" if share else f"{LARGEST_LIMIT:g}",
                limit.limit if isinstance(limit, Limit) else limit,
            )
            what = f"“{stated}” is not possible: it has to lie in 0 to {high}."
            yield CampaignError(what, file=campaign.given, where=f"acceptance.{code}")
