"""Read a campaign file: every mistake found is reported at once, each with its key and the way out."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from intake_report.campaign.checks import cross_checks
from intake_report.campaign.mistakes import mistakes
from intake_report.campaign.model import Campaign
from intake_report.errors import CampaignError, CampaignErrors

CAMPAIGN_FILE = "campaign.toml"


def load_campaign(path: Path | str, check: Callable[[Campaign], Iterable[CampaignError]] | None = None) -> Campaign:
    """Read and validate a campaign.

    Parameters
    ----------
    path : Path or str
        The campaign file, or the folder that holds a `campaign.toml`.
    check : callable, optional
        Further check of the campaign, by what this package does not know; its errors are reported with the others.

    Returns
    -------
    Campaign
        Frozen, with all quantities in internal units.

    Raises
    ------
    CampaignError
        If the file is absent, is not TOML, or breaks a rule; `CampaignErrors` holds all mistakes at once.
    """
    file = Path(path)
    if file.is_dir():
        file = file / CAMPAIGN_FILE
    if not file.is_file():
        raise CampaignError(
            "there is no campaign file here.",
            file=file,
            remedy=f"Name a folder with a {CAMPAIGN_FILE}, or the file itself.",
        )
    source = file.read_bytes()
    campaign = _validate(_parse_toml(source, file), file)
    campaign._file = file.resolve()
    campaign._source = source
    campaign._given = file
    errors = tuple(cross_checks(campaign, file))
    if check is not None:
        known = {_table(error) for error in errors}  # one mistake is said once
        errors += tuple(error for error in check(campaign) if _table(error) not in known)
    if errors:
        raise errors[0] if len(errors) == 1 else CampaignErrors(errors)
    return campaign


def _table(error: CampaignError) -> str:
    return (error.where or "").partition(".")[0]


def campaign_schema() -> str:
    """Return the JSON Schema of the campaign file, for editors that complete and check it."""
    return json.dumps(Campaign.model_json_schema(by_alias=True), indent=2, ensure_ascii=False) + "\n"


def _parse_toml(source: bytes, file: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(source.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = source[: error.start].count(b"\n") + 1
        raise CampaignError(
            "the file is not UTF-8 text.", file=file, where=f"line {line}", remedy="Save it as UTF-8."
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise CampaignError(f"not valid TOML: {error}.", file=file, remedy="Correct the file at that place.") from None


def _validate(data: dict[str, Any], file: Path) -> Campaign:
    try:
        return Campaign.model_validate(data)
    except ValidationError as failure:
        errors = mistakes(failure.errors(include_url=False), file)
        raise errors[0] if len(errors) == 1 else CampaignErrors(errors) from None
