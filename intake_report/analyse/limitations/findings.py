"""What limitations are derived from, and the register of their kinds."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import pandas as pd

from intake_report import results
from intake_report.analyse.ambient import AmbientReference
from intake_report.analyse.inputs import Drive
from intake_report.analyse.zeroing import NOT_ZEROED, Zeroing
from intake_report.campaign import Campaign
from intake_report.messages import Count, Listing, Message, Part, message
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


Kind = tuple[str, int, Endangers, str, str, str] | tuple[str, int, Endangers, str, str, str, str]
KINDS: dict[str, Limitation] = {}


def declare(*kinds: Kind) -> None:
    """Declare limitations: code, rank, what it endangers, words for the cover, sentence, remedy, group of those alike.

    Ranks: below 100 nothing can be compared, below 200 what is compared may be another cause, below 300 it may not
    hold elsewhere or for all runs, below 400 numbers are looser or rest on an assumption, from 400 on a remark.
    """
    for code, rank, endangers, cover, text, remedy, *alike in kinds:
        assert code not in KINDS, code
        KINDS[code] = Limitation(code, text, remedy, rank, cover, "".join(alike), endangers)


def limitation(code: str, *, remedy: Part | None = None, keys: Iterable[str] = (), **values: Any) -> Limitation:
    """Return one that holds, with the values of its templates; `remedy` where that depends on more than values."""
    kind = KINDS[code]
    if remedy is None:
        remedy = message(str(kind.remedy), code, **values) if kind.remedy else ""
    return replace(kind, text=message(str(kind.text), code, **values), remedy=remedy, keys=tuple(dict.fromkeys(keys)))


def all_of(parts: Iterable[Part], last: str = "and") -> Listing:
    """Return parts in a row, each once: "a, b and c"."""
    return Listing(tuple(dict.fromkeys(parts)), last)


def counted(runs: Sequence[str]) -> dict[str, Any]:
    """Return how many runs and which, as values of a template: `count` and `runs`."""
    return {"count": Count(len(runs), "run"), "runs": all_of(runs)}
