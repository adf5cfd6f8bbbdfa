"""What an export has to know beside the notebook: date and identity of the report, and the files attached to the PDF."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Literal
from zoneinfo import ZoneInfo

from intake_report.campaign import Campaign
from intake_report.errors import DataError


@dataclass(frozen=True)
class ReportMeta:
    """Identity of one issued report."""

    campaign: str  # Campaign id
    title: str
    date: str  # ISO date, "2025-06-03"; also the only time stamp of the PDF
    revision: int = 1  # From 1; 0 is a draft, which is not issued
    language: str = "en"  # Language tag of the texts
    paper: Literal["a4", "letter"] = "a4"
    edition: Literal["full", "customer"] = "full"
    notice: str = ""  # What the first page says of a draft or an extract

    def __post_init__(self) -> None:
        try:
            date.fromisoformat(self.date)
        except ValueError:
            raise DataError(f"The report date {self.date!r} is not a date.", remedy="Write it as YYYY-MM-DD.") from None
        if self.revision < 0:
            raise DataError(f"The report revision {self.revision} is below 0.")
        if self.paper not in ("a4", "letter"):
            raise DataError(f"The paper {self.paper!r} is unknown.", remedy="Use 'a4' or 'letter'.")
        if not re.fullmatch(r"[a-z]{2,3}", self.language):
            raise DataError(f"The language {self.language!r} is not a two- or three-letter code.")

    @property
    def mark(self) -> str:
        """What every page is marked with; empty for a full report that was issued."""
        return "DRAFT" if self.revision == 0 else "EXTRACT" if self.edition != "full" else ""

    @property
    def issue(self) -> str:
        """Which issue this is, in words."""
        return f"revision {self.revision}" if self.revision else "not issued"

    @property
    def timestamp(self) -> datetime:
        """Midnight UTC of the report date."""
        day = date.fromisoformat(self.date)
        return datetime(day.year, day.month, day.day, tzinfo=UTC)


@dataclass(frozen=True)
class Attachment:
    """A file carried inside the PDF."""

    name: str  # Plain file name
    data: bytes
    media_type: str
    description: str
    # What the file is to the report: the numbers behind it, what it was made from, or something beside it
    relationship: Literal["data", "source", "supplement"] = "data"

    def __post_init__(self) -> None:
        if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,79}", self.name):
            raise DataError(f"The attachment name {self.name!r} is not a plain file name.")


def paper_of(campaign: Campaign) -> Literal["a4", "letter"]:
    """Return the paper of the PDF: the one asked for, else US Letter for readers of US units, else A4."""
    return campaign.about.paper or ("letter" if campaign.about.units == "us" else "a4")


def report_date(campaign: Campaign, text: str = "") -> str:
    """Return the ISO date of the report: `text`, else today in the campaign's time zone. DataError if it is not a date."""
    if not text:
        return datetime.now(ZoneInfo(campaign.about.timezone)).date().isoformat()
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise DataError(f"“{text}” is not a date.", remedy="Write it as 2026-07-31.") from None
