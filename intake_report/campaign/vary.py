"""Change keys of a campaign for an experiment, without editing its file."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any, get_origin

from intake_report.campaign.checks import cross_checks
from intake_report.campaign.load import parse_toml, refuse, validate
from intake_report.campaign.model import Campaign
from intake_report.errors import CampaignError, nearest

_LISTS = {f.alias or name for name, f in Campaign.model_fields.items() if get_origin(f.annotation) is tuple}


def vary(campaign: Campaign, changes: Mapping[str, object]) -> Campaign:
    """Return the campaign with some of its keys changed, validated as the file is.

    Parameters
    ----------
    campaign : Campaign
        As loaded, or varied already.
    changes : mapping of str to object
        Path of a key → value as the file would hold it ("3 degF", a list, a table); None removes it. A path is written
        with dots, and an entry of a list by its id: ``{"metrics.recovery_margins": ["2 K"], "run.day1-stock.exclude":
        "road works", "claim.peak": None}``. An id that does not exist yet, with a table as value, adds the entry.

    Returns
    -------
    Campaign
        Frozen; its report says what was changed (`Campaign.varied`).

    Raises
    ------
    CampaignError
        If a path leads nowhere or the changed campaign breaks a rule; `CampaignErrors` holds all mistakes at once.
    """
    data = copy.deepcopy(dict(campaign.varied[1])) if campaign.varied else parse_toml(campaign.source, campaign.given)
    for path, value in changes.items():
        _set(data, path, value, campaign)
    varied = validate(data, campaign.given)
    paths = dict.fromkeys((*(campaign.varied[0] if campaign.varied else ()), *changes))
    varied.take_origin(campaign, (tuple(paths), data))
    refuse(cross_checks(varied, varied.given))
    return varied


def _set(data: dict[str, Any], path: str, value: object, campaign: Campaign) -> None:
    *above, last = path.split(".")
    place: Any = data
    for depth, part in enumerate(above):
        if isinstance(place, list):
            place = place[_index(place, part, path, campaign)]
        elif isinstance(place, dict):
            place = place.setdefault(part, [] if depth == 0 and part in _LISTS else {})
    if isinstance(place, dict):
        place.pop(last, None)
        if value is not None:
            place[last] = value
    elif isinstance(place, list) and isinstance(value, Mapping):
        new = all(entry.get("id") != last for entry in place)
        at = len(place) if new else _index(place, last, path, campaign)
        place[at : at + 1] = [{**value, "id": last}]
    elif isinstance(place, list) and value is None:
        del place[_index(place, last, path, campaign)]
    else:
        what = "only a key of a table can be changed, and an entry of a list be replaced by a table or removed by None."
        raise CampaignError(what, file=campaign.given, where=path, remedy="Write the path down to the key.")


def _index(entries: list[Any], id: str, path: str, campaign: Campaign) -> int:
    """Return the place of the entry with this id; an entry without one goes by its number, from 1."""
    ids = [str(entry.get("id", number)) for number, entry in enumerate(entries, 1)]
    if id not in ids:
        remedy = nearest(id, ids, "There is:")
        raise CampaignError(f"there is no entry “{id}”.", file=campaign.given, where=path, remedy=remedy)
    return ids.index(id)
