"""Checks across the tables of a campaign file."""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from intake_report.campaign.files import file_checks
from intake_report.campaign.model import Campaign
from intake_report.channels import channel
from intake_report.errors import CampaignError, DataError
from intake_report.units import conversion, parse_quantity


def cross_checks(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    """Yield what no single table can know: ids used twice, references to nothing, files, channels and units.

    Parameters
    ----------
    campaign : Campaign
        Valid by its tables; its folder is known.
    file : Path
        The campaign file as the user named it.
    """
    yield from _duplicates(campaign, file)
    yield from _references(campaign, file)
    yield from file_checks(campaign, file)
    yield from _mappings(campaign, file)
    yield from _quantities(campaign, file)


def _duplicates(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    lists = {
        "configuration": [c.id for c in campaign.configurations],
        "configuration.name": [c.name for c in campaign.configurations],
        "run": [r.id for r in campaign.runs],
        "weather": [w.id for w in campaign.weather],
        "claim": [c.id for c in campaign.claims],
        "pull": [p.id for p in campaign.pulls],
        "route.phase": [p.id for p in campaign.route.phases],
    }
    for key, ids in lists.items():
        for id, count in Counter(ids).items():
            if count > 1:
                yield CampaignError(
                    f"“{id}” is used {count} times.", file=file, where=key, remedy="Give each its own id."
                )
    baselines = [c.id for c in campaign.configurations if c.role == "baseline"]
    if len(baselines) != 1:
        found = f"it has {len(baselines)} ({', '.join(baselines)})" if baselines else "it has none"
        yield CampaignError(
            f"a campaign needs exactly one configuration with role “baseline”; {found}.",
            file=file,
            where="configuration.role",
            remedy="Mark the one that the others are compared with; the rest are “candidate” or “reference”.",
        )


def _references(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    configurations = [c.id for c in campaign.configurations]
    users: list[tuple[str, str]] = [
        (f"run[{i}].configuration", r.configuration) for i, r in enumerate(campaign.runs, 1)
    ]
    users += [(f"claim[{i}].configuration", c.configuration) for i, c in enumerate(campaign.claims, 1)]
    users += [(f"claim[{i}].versus", c.versus) for i, c in enumerate(campaign.claims, 1) if c.versus]
    users += [(f"pull[{i}].configuration", p.configuration) for i, p in enumerate(campaign.pulls, 1)]
    users += [(f"restriction[{i}].configuration", r.configuration) for i, r in enumerate(campaign.restrictions, 1)]
    users += [(f"exposure[{i}].configuration", e.configuration) for i, e in enumerate(campaign.exposures, 1)]
    users += [(f"observation[{i}].configuration", o.configuration) for i, o in enumerate(campaign.observations, 1)]
    for key, id in users:
        if id not in configurations:
            yield _unknown(id, configurations, "configuration", file, key)
    references = ["auto", "vehicle", *(w.id for w in campaign.weather)]
    if campaign.ambient.reference not in references:
        yield _unknown(campaign.ambient.reference, references, "ambient reference", file, "ambient.reference")
    phases = [p.id for p in campaign.route.phases]
    for i, claim in enumerate(campaign.claims, 1):
        if claim.phase and claim.phase not in phases:
            yield _unknown(claim.phase, phases, "phase", file, f"claim[{i}].phase")
    runs = [r.id for r in campaign.runs]
    if campaign.route.reference_run and campaign.route.reference_run not in runs:
        yield _unknown(campaign.route.reference_run, runs, "run", file, "route.reference_run")


def _unknown(id: str, known: list[str], what: str, file: Path, key: str) -> CampaignError:
    near = difflib.get_close_matches(id, known, n=1, cutoff=0.5)
    remedy = f"Did you mean “{near[0]}”?" if near else f"The campaign has: {', '.join(known) or 'none'}."
    return CampaignError(f"there is no {what} “{id}”.", file=file, where=key, remedy=remedy)


def split_target(text: str) -> tuple[str, str | None]:
    """Split "iat [degC]" into channel name and unit (None if no unit is given)."""
    name, _, rest = text.partition("[")
    unit = rest.rstrip().removesuffix("]").strip() if rest else None
    return name.strip(), unit


def _mappings(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    tables = [("log.columns", campaign.log.columns)]
    tables += [(f"run[{i}].log.columns", r.log.columns) for i, r in enumerate(campaign.runs, 1) if r.log]
    for key, columns in tables:
        names = Counter(split_target(target)[0] for target in columns.values())
        for name, count in names.items():
            if count > 1:
                yield CampaignError(
                    f"{count} columns are mapped to the channel “{name}”.", file=file, where=key, remedy="Map one."
                )
        for header, target in columns.items():
            where = f'{key}."{header}"'
            name, unit = split_target(target)
            try:
                quantity = channel(name).quantity
                if unit is not None:
                    conversion(unit, quantity)
            except DataError as error:
                yield CampaignError(error.what, file=file, where=where, remedy=error.remedy)


def _quantities(campaign: Campaign, file: Path) -> Iterator[CampaignError]:
    for name, entry in campaign.instrument.channels.items():
        where = f"instrument.channels.{name}"
        try:
            quantity = channel(name).quantity
        except DataError as error:
            yield CampaignError(error.what, file=file, where=where, remedy=error.remedy)
            continue
        quantity = "temperature_difference" if quantity == "temperature" else quantity
        for field in ("resolution", "accuracy"):
            text = getattr(entry, field)
            if text is None:
                continue
            try:
                parse_quantity(text, quantity)
            except DataError as error:
                yield CampaignError(error.what, file=file, where=f"{where}.{field}", remedy=error.remedy)
