"""Limitations of the models on a common drive."""

from __future__ import annotations

from collections.abc import Iterator

from intake_report.analyse.limitations.findings import Findings, all_of, kind
from intake_report.messages import Count, Listing
from intake_report.results import Limitation

FAILED = kind("model-failed", 275, "values", "a thermal model does not foretell its own runs",
    "The thermal model of {names} does not foretell runs that were left out within the limits of the campaign: its "
    "numbers on the common drive decide nothing.",
    "More runs, positions of the vehicle, starts with a warm engine; or the measured differences alone.",
)  # fmt: skip
SINGLE = kind("model-single", 276, "values", "a thermal model rests on one run",
    "The thermal model of {names} is fitted to one run: nothing shows how well it foretells another, and the common drive is "
    "an illustration.",
    "A second run of each configuration.",
)  # fmt: skip
BEYOND = kind("model-extrapolated", 277, "values", "the common drive goes beyond what was driven",
    "The common drive asks the models for what no run showed them: {parts}.",
    "A common drive within what every configuration has driven.",
)  # fmt: skip
HEADLESS = kind("model-heading", 378, "values", "the thermal models do not know the wind at the vehicle",
    "{runs} without positions: the direction of travel is not known there, and so neither is the head wind, which clears a "
    "bay at a stop; the models take it for a difference between runs.",
    "Positions of the vehicle in every log.",
)  # fmt: skip


def believed(f: Findings) -> Iterator[Limitation]:
    """Models that cannot be held against runs, or fail there."""
    record = f.common_drive
    if record is not None and record.failed:
        yield FAILED(names=all_of([f.name(id) for id in record.failed]))
    if record is not None and record.single:
        yield SINGLE(names=all_of([f.name(id) for id in record.single]))


def met(f: Findings) -> Iterator[Limitation]:
    """What the models were not shown."""
    record = f.common_drive
    if record is not None and record.beyond:
        yield BEYOND(parts=Listing(record.beyond))
    if record is not None and record.headless:
        yield HEADLESS(runs=Count(record.headless, "run"))


PREDICATES = (believed, met)
