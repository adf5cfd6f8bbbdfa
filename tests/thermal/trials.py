"""Simulated campaigns as the common drive sees them, whichever simulator they come from."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from intake_report.metrics import RunSeries
from intake_report.thermal import DriveInput


@dataclass(frozen=True)
class Trial:
    """One campaign: its runs, the one whose drive all configurations are put on, and what each would truly read there.

    `truth`: by configuration, the element on that drive in air without fluctuations.
    """

    series: list[RunSeries]
    drives: list[DriveInput]
    chosen: str
    truth: dict[str, RunSeries]


def median(runs: Sequence[int], standing: Callable[[int], float]) -> int:
    """Return the run with the median standing time."""
    return sorted(runs, key=standing)[(len(runs) - 1) // 2]
