"""A comparison in words."""

from __future__ import annotations

from intake_report.results import Comparison, MetricKey
from intake_report.results.text import EXPLORATORY, SUGGESTED

INDICATION = "indication only"
NOT_SHOWN = "no difference shown"
NOT_COMPARED = "not compared"


def excludes_zero(low: float | None, high: float | None) -> bool:
    """Return whether an interval, open where a limit is None, lies on one side of zero."""
    return (low is not None and low > 0.0) or (high is not None and high < 0.0)


def direction(key: MetricKey, low: float | None) -> str:
    """Return the word for the side that the interval lies on ("faster")."""
    higher = low is not None and low > 0.0
    if key.spec.better == "neither":
        return "higher" if higher else "lower"
    return key.spec.words[0] if higher == (key.spec.better == "higher") else key.spec.words[1]


def judge(key: MetricKey, c: Comparison) -> tuple[str, bool]:
    """Return the verdict and whether a difference is shown.

    Parameters
    ----------
    key : MetricKey
        The metric, for its words.
    c : Comparison
        With interval, p-values and equivalence.

    Notes
    -----
    Without two independent units on both sides, or without an interval from the runs, it is an indication at most.
    Headline metrics are called only when Holm's adjustment over all of them agrees, and suggested where it does not;
    a call on any other metric is exploratory, since nothing adjusts it for the number of metrics looked at.
    """
    if c.difference is None and c.low is None and c.high is None:
        return NOT_COMPARED, False
    if not c.replicated or c.basis != "runs":
        return INDICATION, False
    if excludes_zero(c.low, c.high):
        word = direction(key, c.low)
        if c.p_adjusted is not None and c.p_adjusted > 1.0 - c.level:
            return f"{SUGGESTED}: {word}", False
        small = ", yet within the margin of equivalence" if c.equivalent else ""
        return word + small + ("" if key.spec.headline else f" {EXPLORATORY}"), True
    return ("equivalent" if c.equivalent else NOT_SHOWN), False
