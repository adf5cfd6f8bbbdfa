"""The date of a report."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from intake_report.campaign import Campaign
from intake_report.errors import DataError


def report_date(campaign: Campaign, text: str = "") -> str:
    """Return the ISO date of the report: the one given, else today in the campaign's time zone.

    Parameters
    ----------
    campaign : Campaign
        For its time zone.
    text : str
        ISO date, or empty.

    Raises
    ------
    DataError
        If `text` is not a date.
    """
    if not text:
        return dt.datetime.now(ZoneInfo(campaign.about.timezone)).date().isoformat()
    try:
        return dt.date.fromisoformat(text).isoformat()
    except ValueError:
        raise DataError(f"“{text}” is not a date.", remedy="Write it as 2026-07-31.") from None
