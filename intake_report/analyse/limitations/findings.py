"""What limitations are derived from, and the register of their kinds."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pandas as pd

from intake_report.analyse.ambient import AmbientReference
from intake_report.analyse.inputs import Drive
from intake_report.analyse.zeroing import NOT_ZEROED, Zeroing
from intake_report.campaign import Campaign
from intake_report.messages import Listing, Message, message
from intake_report.results import (
    CommonDriveResult,
    Comparison,
    ControlEffect,
    Limitation,
    MetricKey,
    MetricResult,
    ModelCheck,
    RunResult,
)
from intake_report.results.compared import Endangers, LimitationKind
from intake_report.results.text import title_of

_KINDS: dict[str, LimitationKind] = {}


def kind(
    code: str, rank: int, endangers: Endangers, cover: str, text: str, remedy: str = "", *, alike: str = ""
) -> LimitationKind:
    """Declare a limitation; see `LimitationKind`.

    Ranks: below 100 nothing can be compared, below 200 what is compared may be another cause, below 300 it may not
    hold elsewhere or for all runs, below 400 numbers are looser or rest on an assumption, from 400 on a remark.
    """
    assert code not in _KINDS, code
    _KINDS[code] = LimitationKind(code, rank, cover, text, remedy, alike, endangers)
    return _KINDS[code]


def kinds() -> tuple[LimitationKind, ...]:
    """Return every kind that was declared, gravest first."""
    return tuple(sorted(_KINDS.values(), key=lambda item: item.rank))


@dataclass(frozen=True)
class Findings:
    """Everything that a limitation may be derived from."""

    campaign: Campaign
    drives: tuple[Drive, ...]
    runs: tuple[RunResult, ...]
    ambient: AmbientReference
    conditions: pd.DataFrame
    sampling: pd.DataFrame
    metrics: tuple[MetricKey, ...]
    values: tuple[MetricResult, ...]
    comparisons: tuple[Comparison, ...]
    checks: tuple[ModelCheck, ...] = ()
    control: tuple[ControlEffect, ...] = ()
    zeroing: Zeroing = NOT_ZEROED
    common_drive: CommonDriveResult | None = None

    @property
    def used(self) -> tuple[RunResult, ...]:
        """Runs that take part in the comparison."""
        return tuple(run for run in self.runs if run.decision != "excluded")

    @property
    def headline(self) -> dict[str, MetricKey]:
        """Headline metrics by key."""
        return {key.key: key for key in self.metrics if key.spec.headline}

    def name(self, configuration: str) -> str:
        """Return the name of a configuration."""
        return self.campaign.configuration(configuration).name

    def who(self, c: Comparison) -> Message:
        """Return metric and configuration of a headline difference: "Peak over-ambient, sealed box"."""
        return message("{title}, {name}", title=title_of(self.headline[c.key]), name=self.name(c.configuration))


Predicate = Callable[[Findings], Iterator[Limitation]]


def all_of(names: list[str]) -> Listing:
    """Return names in a row: "a, b and c"."""
    return Listing(tuple(names))
