"""The limitations that bound a report most, each in a few words for the cover."""

from __future__ import annotations

from intake_report.results import ReportResult

# Gravest first: no comparison at all, then a mixed-up one, then one that may not hold, then what loosens the numbers.
WORDS: dict[str, str] = {
    "no-ambient": "no ambient temperature was recorded",
    "one-configuration": "only one configuration has runs left",
    "no-run": "a configuration has no run left",
    "unit-overridden": "a unit that a log names was overruled",
    "one-run": "with one run per configuration, day, traffic and configuration cannot be told apart",
    "confounded": "no block holds two configurations, so days and configurations are mixed",
    "no-common-block": "some configurations share no block with the baseline",
    "order": "one configuration was always driven before another",
    "time-of-day": "configurations were driven at different times of day",
    "traffic-unlike": "traffic was not alike between the configurations",
    "one-block": "all runs are of one block, so other days are unknown",
    "no-blocks": "some runs name no block",
    "ambient-missing": "some runs have no ambient temperature",
    "no-entry": "some runs have no highway entry",
    "not-reached": "some runs did not come back to the margin",
    "interaction": "a difference may depend on the day",
    "not-bounded": "some intervals of recovery times are open",
    "related-runs": "runs of a block hang together",
    "no-scatter": "the scatter between runs is unknown for some metrics",
    "control-partial": "the control vehicle was beside some runs only",
    "control-widens": "the control vehicle's own scatter widened some intervals",
    "acceptance-stop-time": "some runs stood longer or shorter than the limit allows",
    "acceptance-stops": "some runs stopped more or less often than the limit allows",
    "acceptance-ramp-acceleration": "some runs accelerated differently on the ramp",
    "acceptance-phase-duration": "some runs took longer or shorter than the limit allows",
    "acceptance-start-over-ambient": "some runs started with more or less heat soak than others",
    "acceptance-start-coolant": "some runs started with a colder or warmer engine",
    "acceptance-ambient": "some runs were driven in colder or warmer air",
    "ambient-spread": "ambient differed between the runs",
    "independence-untested": "too few runs to test that they are independent",
    "permutation-floor": "too few runs for a test that assumes nothing about their scatter",
    "margin-resolution": "the readings are coarse against the recovery margins",
    "no-position": "the logs hold no position",
    "accuracy-unknown": "the accuracy of the sensor is not declared",
}
_OF_COMPARISONS = (
    "one-run",
    "confounded",
    "no-common-block",
    "order",
    "time-of-day",
    "one-block",
    "no-blocks",
    "traffic-unlike",
)
_SAME = (
    ("one-run", "confounded"),
    ("traffic-unlike", "acceptance-stop-time", "acceptance-stops", "acceptance-phase-duration"),
    ("acceptance-ambient", "ambient-spread"),
)


def gravest(result: ReportResult, most: int) -> tuple[str, ...]:
    """Return the gravest limitations in words, at most so many; of those that say nearly the same, one.

    Parameters
    ----------
    result : ReportResult
        The analysis. What bounds a comparison is left out where there is none.
    most : int
        How many.
    """
    codes = {limitation.code for limitation in result.limitations}
    if not any(c.difference is not None for c in result.comparisons):
        codes -= set(_OF_COMPARISONS)
    found: list[str] = []
    for code in WORDS:
        alike = any(code in group and set(group) & set(found) for group in _SAME)
        if code in codes and not alike:
            found.append(code)
    return tuple(WORDS[code] for code in found[:most])
