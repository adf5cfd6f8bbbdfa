"""Cutting a text into METAR reports."""

from __future__ import annotations

import re
from dataclasses import dataclass

_REPORT_START = re.compile(r"^(?:(?:METAR|SPECI)\b|(?:COR\s+)?[A-Z][A-Z0-9]{3}\s+\d{6}Z?\s)")
# Line with the full date before a report, as bulletins of meteorological services write it.
_DATE_LINE = re.compile(r"^(\d{4})[/-](\d{2})[/-](\d{2})(?:[ T]\d{2}:?\d{2}(?::?\d{2})?Z?)?$")


@dataclass(frozen=True)
class ReportText:
    """One report cut out of a text: `text` on one line, `where` it began, and the month a date line before it gives."""

    text: str
    where: str
    month: tuple[int, int] | None = None


def split_reports(text: str) -> tuple[ReportText, ...]:
    """Cut a text into reports.

    A report ends with "=", at an empty line, or where the next line begins like a report; other lines continue it.
    Lines that begin with "#" are comments. A line "2026/05/12 14:53" gives the date of the next report.

    Parameters
    ----------
    text : str
        One or more reports.

    Returns
    -------
    tuple of ReportText
    """
    reports: list[ReportText] = []
    parts: list[str] = []
    begun = 0
    month: tuple[int, int] | None = None

    def close() -> None:
        nonlocal month
        if parts:
            reports.append(ReportText(" ".join(" ".join(parts).split()), f"line {begun}", month))
            parts.clear()
            month = None

    for number, line in enumerate(text.lstrip("\ufeff").splitlines(), start=1):
        stripped = line.strip()
        date = _DATE_LINE.match(stripped)
        if not stripped or stripped.startswith("#") or date:
            close()
            if date:
                month = (int(date[1]), int(date[2]))
            continue
        if _REPORT_START.match(stripped + " "):
            close()
        pieces = stripped.split("=")
        for position, piece in enumerate(pieces):
            if piece.strip():
                begun = begun if parts else number
                parts.append(piece.strip())
            if position < len(pieces) - 1:
                close()
    close()
    return tuple(reports)
