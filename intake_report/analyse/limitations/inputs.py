"""Limitations of how the logs were read."""

from __future__ import annotations

from collections.abc import Iterator

from intake_report.analyse.limitations.findings import Findings
from intake_report.formatting import count, listing
from intake_report.loaders import UNIT_OVERRIDDEN
from intake_report.messages import said
from intake_report.results import Limitation


def unit_overridden(f: Findings) -> Iterator[Limitation]:
    """A column whose header names another unit than the campaign file; labels can be wrong, so the file is obeyed."""
    used = {run.id for run in f.used}
    found: dict[tuple[str, str], list[str]] = {}
    for drive in f.drives:
        for entry in drive.clean.quality:
            if entry.step == UNIT_OVERRIDDEN and drive.entry.id in used:
                found.setdefault((said(entry.reason, "si"), entry.channel), []).append(drive.entry.id)
    for (reason, channel), runs in found.items():
        who = f"run {runs[0]}" if len(runs) == 1 else f"{count(len(runs), 'run')} ({listing(runs)})"
        if len(runs) > 1 and len(runs) == len(used):
            who = "all runs"
        yield Limitation(
            "unit-overridden",
            f"{reason} This concerns {who}; if the header is right, every value of {channel} there is wrong, and all that is "
            "computed from it.",
            f"Look at the values of {channel}: correct the unit under [log.columns] if the header is right, else correct the "
            "label in the logger.",
        )


PREDICATES = (unit_overridden,)
