"""What an export has to know beside the notebook: date and identity of the report, and the files attached to the PDF."""

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Literal
from zoneinfo import ZoneInfo

from intake_report.campaign import Campaign
from intake_report.errors import DataError


@dataclass(frozen=True)
class ReportMeta:
    """Identity of one issued report."""

    campaign: str  # its id
    title: str
    date: str  # ISO, "2025-06-03"; also the only time stamp of the PDF
    revision: int = 1  # from 1; 0 is a draft, which is not issued
    paper: Literal["a4", "letter"] = "a4"
    edition: Literal["full", "customer"] = "full"
    notice: str = ""  # what the first page says of a draft or an extract

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
        return datetime.fromisoformat(self.date).replace(tzinfo=UTC)


@dataclass(frozen=True)
class Attachment:
    """A file carried inside the PDF."""

    name: str  # plain file name
    data: bytes
    media_type: str
    description: str
    relationship: Literal["data", "source"] = "data"  # the numbers behind the report, or what it was made from


def report_date(campaign: Campaign, text: str = "") -> str:
    """Return the ISO date of the report: `text`, else today in the campaign's time zone. DataError if it is not a date."""
    if not text:
        return datetime.now(ZoneInfo(campaign.about.timezone)).date().isoformat()
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise DataError(f"“{text}” is not a date.", remedy="Write it as 2026-07-31.") from None
