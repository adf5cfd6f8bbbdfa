"""Exposure trials with an exact bound, and times to change a part; with the cautions that belong beside them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from intake_report.campaign.evidence import Exposure, Observation
from intake_report.errors import DataError
from intake_report.messages import Message, Value, message
from intake_report.report_table import frame_of
from intake_report.statistics import clopper_pearson, mean_interval, zero_failure_upper

CAUTION_WATER = (
    "An engine that draws in water can be wrecked within one revolution and may stall in traffic: do not drive through "
    "standing water to test an intake, and follow the vehicle maker's wading limits."
)
CAUTION_ROAD = (
    "Trials on open roads obey the law and the traffic; a passenger or the logger, not the driver, attends to "
    "instruments. Local rules and the judgement of licensed people come first."
)
CAUTION_SERVICE = (
    "Work on the intake only with the engine off and cool; a part that comes loose or an unfiltered engine can cause "
    "damage or injury. Where licensed practice is required, it applies."
)

_SHOWED = {"wet": "moisture", "dusty": "dust past the filter", "hot": "damage by heat"}

SMALL_CHANCE = 0.01
"""Chance below which a decimal is printed, since a limit above zero must not read as zero."""


def trial_cautions(conditions: Iterable[str]) -> tuple[str, ...]:
    """Return what has to be said beside trials under these conditions; empty without trials."""
    met = set(conditions)
    return ((CAUTION_WATER,) if "wet" in met else ()) + ((CAUTION_ROAD,) if met else ())


def exposure_bound(k: int, n: int, level: float = 0.95, condition: str = "wet") -> dict[str, Any]:
    """Exact bound on the chance per trial after k adverse observations in n trials.

    Returns k, n, low, high, level; kind: "one-sided upper" limit 1 − (1 − level)^(1/n) for k = 0 (low is 0), else
    "two-sided" by Clopper and Pearson; sentence: how it is said. Raises DataError: if n is below 1, or k is not between
    0 and n.
    """
    if n < 1:
        raise DataError("No trial was made: nothing can be said about its outcome.", remedy="Record the trials.")
    if not 0 <= k <= n:
        raise DataError(f"{k} adverse observations in {n} trials are not possible.", remedy="Count again.")
    limits = clopper_pearson(k, n, level)
    low, high = (0.0, zero_failure_upper(n, level)) if k == 0 else (limits.low, limits.high)
    kind = "one-sided upper" if k == 0 else "two-sided"
    return {"k": k, "n": n, "low": low, "high": high, "level": level, "kind": kind,
            "sentence": _sentence(k, n, low, high, level, condition)}  # fmt: skip


def _sentence(k: int, n: int, low: float, high: float, level: float, condition: str) -> Message:
    chances = {
        name: Value(100.0 * chance, "ratio", 0 if chance >= SMALL_CHANCE else 1)
        for name, chance in (("low", low), ("high", high))
    }
    chance = (
        "may still be up to {high} at {level} confidence (one-sided)"
        if k == 0
        else "lies between {low} and {high} at {level} confidence (two-sided)"
    )
    return message(
        "{k} of {n} {condition} {trials} showed {what}: the chance per trial " + chance + ".",
        code="exposure-none" if k == 0 else "exposure-some",
        k=k, n=n, condition=condition, trials="trial" if n == 1 else "trials", what=_SHOWED[condition],
        level=Value(100.0 * level, "ratio", 0), **chances,
    )  # fmt: skip


def summarise_exposure(entries: Sequence[Exposure], level: float = 0.95) -> pd.DataFrame:
    """Trials by configuration and condition, in order of appearance; unlike configurations are never pooled.

    Returns `exposure_bound` with configuration, condition, total duration [s] (None if one is not known), gain of the
    filter's mass per trial with its interval [kg] over the trials that weighed it, observations. Raises DataError: if a
    filter lost mass (before and after exchanged, or not dried).
    """
    rows = []
    for configuration, condition in dict.fromkeys((e.configuration, e.condition) for e in entries):
        members = [e for e in entries if (e.configuration, e.condition) == (configuration, condition)]
        durations = [e.duration * e.trials for e in members if e.duration is not None]
        gains = [
            e.filter_mass_after - e.filter_mass_before
            for e in members
            if e.trials == 1 and e.filter_mass_before is not None and e.filter_mass_after is not None
        ]
        if gains and min(gains) < 0.0:
            raise DataError(
                f"A filter of {configuration} lost {-1000.0 * min(gains):.1f} g in a {condition} trial.",
                remedy="Check that before and after are not exchanged and that the filter was weighed alike.",
            )
        gain = mean_interval(gains, level) if gains else None
        adverse, trials = sum(e.adverse_trials for e in members), sum(e.trials for e in members)
        rows.append(
            {"configuration": configuration, "condition": condition}
            | exposure_bound(adverse, trials, level, condition)
            | {
                "duration": sum(durations) if len(durations) == len(members) else None,
                "weighed": len(gains),
                "gain": gain.mean if gain else None,
                "gain_low": gain.low if gain else None,
                "gain_high": gain.high if gain else None,
                "observations": tuple(e.observation for e in members),
            }
        )
    return frame_of(rows, () if rows else ("configuration", "condition"))


def service_times(entries: Sequence[Observation], level: float = 0.95) -> pd.DataFrame:
    """Mean time [s] per configuration and task with number, interval and range, over the timed entries.

    Raises DataError: if a time is not positive.
    """
    times: dict[tuple[str, str], list[float]] = {}
    for entry in entries:
        if entry.time is None:
            continue
        if not entry.time > 0.0:
            what = f"'{entry.task}' on {entry.configuration} took {entry.time:g} s, which is not possible."
            raise DataError(what, remedy="Check the time.")
        times.setdefault((entry.configuration, entry.task), []).append(entry.time)
    rows = [
        {"configuration": configuration, "task": task, **vars(mean_interval(values, level)),
         "shortest": min(values), "longest": max(values)}
        for (configuration, task), values in times.items()
    ]  # fmt: skip
    return frame_of(rows, () if rows else ("configuration", "task", "n"))
