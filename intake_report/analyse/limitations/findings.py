"""What limitations are derived from, and the register of their kinds."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd

from intake_report import results
from intake_report.analyse.ambient import AmbientReference
from intake_report.analyse.inputs import Drive
from intake_report.analyse.zeroing import NOT_ZEROED, Zeroing
from intake_report.campaign import Campaign
from intake_report.messages import Listing, Message, Part, message
from intake_report.results import Comparison, Limitation, MetricKey, MetricResult, Metrics, MetricValues, RunResult
from intake_report.results.compared import Endangers
from intake_report.results.text import title_of


@dataclass(frozen=True)
class Findings:
    """Everything that a limitation may be derived from."""

    campaign: Campaign
    drives: tuple[Drive, ...]
    runs: tuple[RunResult, ...]
    ambient: AmbientReference
    conditions: pd.DataFrame
    sampling: pd.DataFrame
    metrics: Metrics
    values: MetricValues
    comparisons: tuple[Comparison, ...]
    checks: tuple[results.ModelCheck, ...] = ()
    control: tuple[results.ControlEffect, ...] = ()
    zeroing: Zeroing = NOT_ZEROED
    common_drive: results.CommonDriveResult | None = None

    @cached_property
    def used(self) -> dict[str, RunResult]:
        """Runs that take part in the comparison, by id."""
        return {run.id: run for run in self.runs if run.decision != "excluded"}

    @cached_property
    def headline(self) -> dict[str, MetricKey]:
        """Headline metrics by key."""
        return {key.key: key for key in self.metrics if key.spec.headline}

    @cached_property
    def differences(self) -> list[Comparison]:
        """Comparisons of headline metrics."""
        return [c for c in self.comparisons if c.key in self.headline]

    def values_with(self, status: str) -> Iterator[tuple[MetricKey, list[MetricResult]]]:
        """Yield every metric of which values have this status, with them."""
        for key in self.metrics:
            if values := [v for v in self.values if v.key == key.key and v.status == status]:
                yield key, values

    def name(self, configuration: str) -> str:
        """Return the name of a configuration."""
        return self.campaign.configuration(configuration).name

    def who(self, c: Comparison) -> Message:
        """Return metric and configuration of a headline difference: "Peak over-ambient, sealed box"."""
        return message("{title}, {name}", title=title_of(self.headline[c.key]), name=self.name(c.configuration))


Predicate = Callable[[Findings], Iterator[Limitation]]
Values = Iterator[dict[str, Any]]
KINDS: dict[str, Limitation] = {}
PREDICATES: list[Predicate] = []
"""In the order in which the modules declare them, which is that of the report."""


def kind(
    code: str, rank: int, endangers: Endangers, cover: str, text: str, remedy: str = "", *, alike: str = ""
) -> Limitation:
    """Declare a limitation beside its predicate: calling it with the values of its two templates makes the one that holds.

    Ranks: below 100 nothing can be compared, below 200 what is compared may be another cause, below 300 it may not
    hold elsewhere or for all runs, below 400 numbers are looser or rest on an assumption, from 400 on a remark.
    """
    assert code not in KINDS, code
    KINDS[code] = Limitation(code, text, remedy, rank, cover, alike, endangers)
    return KINDS[code]


def predicate(function: Predicate) -> Predicate:
    """Register a function that derives limitations of several kinds."""
    PREDICATES.append(function)
    return function


def limitation(
    code: str, rank: int, endangers: Endangers, cover: str, text: str, remedy: str = "", *, alike: str = ""
) -> Callable[[Callable[[Findings], Values]], Predicate]:
    """Declare a limitation, see `kind`, of the function below, which yields the values of its sentences where it holds."""
    of = kind(code, rank, endangers, cover, text, remedy, alike=alike)
    return lambda values: predicate(lambda f: (of(**given) for given in values(f)))


def all_of(parts: Iterable[Part], last: str = "and") -> Listing:
    """Return parts in a row, each once: "a, b and c"."""
    return Listing(tuple(dict.fromkeys(parts)), last)
