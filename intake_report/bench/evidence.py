"""Exposure trials with an exact bound, times to change a part, cautions; and all bench evidence of a campaign."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from intake_report.bench import restriction as curves
from intake_report.campaign import Campaign
from intake_report.campaign.sections import Exposure, Observation
from intake_report.errors import DataError, placed
from intake_report.loaders import read_columns
from intake_report.messages import Value, message
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

SMALL_CHANCE = 0.01  # chance below which a decimal is printed, since a limit above zero must not read as zero


def trial_cautions(conditions: Iterable[str]) -> tuple[str, ...]:
    """Return what has to be said beside trials under these conditions; empty without trials."""
    met = set(conditions)
    return ((CAUTION_WATER,) if "wet" in met else ()) + ((CAUTION_ROAD,) if met else ())


def exposure_bound(k: int, n: int, level: float, condition: str) -> dict[str, Any]:
    """Exact bound on the chance per trial after k adverse observations in n trials, 0 ≤ k ≤ n, n ≥ 1.

    Returns k, n, low, high, level; kind: "one-sided upper" limit 1 − (1 − level)^(1/n) for k = 0 (low is 0), else
    "two-sided" by Clopper and Pearson; sentence: how it is said.
    """
    limits = clopper_pearson(k, n, level)
    low, high = (0.0, zero_failure_upper(n, level)) if k == 0 else (limits.low, limits.high)
    code, kind = ("exposure-none", "one-sided upper") if k == 0 else ("exposure-some", "two-sided")
    chance = "may still be up to {high} at {level} confidence (one-sided)."
    if k:
        chance = "lies between {low} and {high} at {level} confidence (two-sided)."
    of_low, of_high = (Value(100.0 * x, "ratio", 0 if x >= SMALL_CHANCE else 1) for x in (low, high))
    sentence = message(
        "{k} of {n} {condition} {trials} showed {what}: the chance per trial " + chance, code=code,
        k=k, n=n, condition=condition, trials="trial" if n == 1 else "trials", what=_SHOWED[condition],
        level=Value(100.0 * level, "ratio", 0), low=of_low, high=of_high,
    )  # fmt: skip
    return {"k": k, "n": n, "low": low, "high": high, "level": level, "kind": kind, "sentence": sentence}


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
        gained = {f"gain{side}": gain and getattr(gain, side[1:] or "mean") for side in ("", "_low", "_high")}
        adverse, trials = sum(e.adverse_trials for e in members), sum(e.trials for e in members)
        rows.append(
            {"configuration": configuration, "condition": condition}
            | exposure_bound(adverse, trials, level, condition)
            | {
                "duration": sum(durations) if len(durations) == len(members) else None,
                "weighed": len(gains),
                **gained,
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


@dataclass(frozen=True, eq=False)
class BenchResult:
    """Evidence from off the road; see `summarise_exposure` and `service_times`; remarks are entries without a time.

    `quotes` are percentages of airflow as somebody quotes them, each with what its depressions allow (`standing`).
    """

    restrictions: tuple[curves.RestrictionSet, ...]
    exposures: pd.DataFrame
    services: pd.DataFrame
    remarks: pd.DataFrame
    quotes: pd.DataFrame


def bench_evidence(campaign: Campaign) -> BenchResult | None:
    """Everything the campaign's restriction, exposure and service entries say; None if it has none.

    Raises DataError: anything the readers and summaries refuse; two curves of one configuration from one source.
    """
    if not (campaign.restrictions or campaign.airflows or campaign.exposures or campaign.observations):
        return None
    level = campaign.metrics.confidence
    with placed(file=campaign.file, where="exposure"):
        exposures = summarise_exposure(campaign.exposures, level)
    with placed(file=campaign.file, where="observation"):
        services = service_times(campaign.observations, level)
    baseline, bench = campaign.baseline.id, campaign.bench
    remark = ("configuration", "task", "note")
    remarks = [entry for entry in campaign.observations if entry.time is None or entry.note]
    quoted = ("configuration", "versus", "more", "depression", "versus_depression", "source")
    quotes = [
        {name: getattr(entry, name) for name in quoted}
        | {
            "versus": entry.versus or baseline,
            "standing": curves.comparable_quote(entry.depression, entry.versus_depression),
        }
        for entry in campaign.airflows
    ]
    return BenchResult(
        restrictions=tuple(
            curves.restriction_set(source, fits, baseline, bench.airflow, bench.depression)
            for source, fits in _fits(campaign).items()
        ),
        exposures=exposures,
        services=services,
        remarks=frame_of(({name: getattr(entry, name) for name in remark} for entry in remarks), remark),
        quotes=frame_of(quotes, (*quoted, "standing")),
    )


def _fits(campaign: Campaign) -> dict[str, list[curves.RestrictionFit]]:
    """Return the fitted curves by source."""
    groups: dict[str, list[curves.RestrictionFit]] = {}
    for entry in campaign.restrictions:
        group, id = groups.setdefault(entry.source, []), entry.configuration
        if any(other.configuration == id for other in group):
            what = f"Configuration {id} has two restriction curves of one source."
            remedy = "Put their points into one entry, or name different sources."
            raise DataError(what, file=campaign.file, where="restriction", remedy=remedy)
        file, flows, drops = campaign.file, [p.airflow for p in entry.points], [p.drop for p in entry.points]
        if entry.file is not None:
            file = campaign.folder / entry.file
            table = read_columns(file, entry.columns, curves.RESTRICTION_COLUMNS)
            for name in curves.RESTRICTION_COLUMNS:
                if name not in table:
                    raise DataError(f"No column is mapped to {name}.", file=file, remedy="Map airflow and drop.")
            flows, drops = table["airflow"].tolist(), table["drop"].tolist()
        group.append(curves.fit_restriction(id, flows, drops, level=campaign.metrics.confidence, file=str(file)))
    return groups
