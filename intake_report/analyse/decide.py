"""Which runs take part: acceptance criteria, and the decision on each run."""

from __future__ import annotations

from intake_report.align.comparability import Comparability
from intake_report.analyse.acceptance import criteria_rows
from intake_report.analyse.describe import describe_run
from intake_report.analyse.inputs import Drive
from intake_report.campaign import Campaign
from intake_report.metrics import RunSeries
from intake_report.results import Criterion, RunResult


def decide(
    campaign: Campaign, drives: tuple[Drive, ...], series: tuple[RunSeries, ...], comparability: Comparability
) -> tuple[tuple[RunResult, ...], tuple[Criterion, ...]]:
    """Return the run log with the decision on each run, and every criterion applied.

    Parameters
    ----------
    campaign : Campaign
        Declared exclusions.
    drives, series
        The runs, in campaign order.
    comparability : Comparability
        Every criterion applied to every run.

    Returns
    -------
    runs : tuple of RunResult
        One line per run.
    criteria : tuple of Criterion
        Every criterion of every run.
    """
    criteria = criteria_rows(campaign, comparability)
    runs = tuple(_decide(campaign, drive, one, criteria) for drive, one in zip(drives, series, strict=True))
    return runs, criteria


def _decide(campaign: Campaign, drive: Drive, series: RunSeries, criteria: tuple[Criterion, ...]) -> RunResult:
    failed = [c for c in criteria if c.run == drive.entry.id and c.passed is False]
    hard = [finding.text.rstrip(".") for finding in drive.aligned.findings if finding.hard]
    # the criterion of one pass repeats what the alignment found, in other words
    hard += [c.reason for c in failed if c.hard and not (c.code == "one-pass" and hard)]
    if drive.entry.exclude:
        hard.insert(0, drive.entry.exclude.rstrip("."))
    if series.time.size == 0:
        hard.append("no valid intake air temperature sample on the route")
    soft = [finding.text.rstrip(".") for finding in drive.aligned.findings if not finding.hard]
    soft += [c.reason for c in failed if not c.hard]
    return describe_run(campaign, drive, tuple(hard or soft), bool(hard))
