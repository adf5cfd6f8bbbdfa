"""Exposure trials with an exact bound, and times to change a part; with the cautions that belong beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from intake_report.errors import DataError
from intake_report.statistics import MeanInterval, clopper_pearson, mean_interval, zero_failure_upper

Condition = Literal["wet", "dusty", "hot"]

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


@dataclass(frozen=True)
class ExposureTrial:
    """One wet, dusty or hot trial with its observation.

    Attributes
    ----------
    adverse : bool
        Whether it showed what it looked for (moisture, dust past the filter, damage).
    duration : float, optional
        [s].
    inspector : str
        A role, not a name.
    mass_before, mass_after : float, optional
        Of the filter [kg].
    """

    configuration: str
    condition: Condition
    observation: str
    adverse: bool
    duration: float | None = None
    inspector: str = ""
    mass_before: float | None = None
    mass_after: float | None = None


@dataclass(frozen=True)
class ExposureBound:
    """Chance per trial of an adverse observation after k of n.

    Attributes
    ----------
    low, high : float
        Exact limits; `low` is 0 for k = 0.
    kind : {"one-sided upper", "two-sided"}
        For k = 0 the one-sided upper limit 1 − (1 − level)^(1/n); else Clopper–Pearson.
    sentence : str
        How it is said, with the number of trials and the kind of limit.
    """

    k: int
    n: int
    low: float
    high: float
    level: float
    kind: Literal["one-sided upper", "two-sided"]
    sentence: str


@dataclass(frozen=True)
class ExposureResult:
    """All trials of one configuration under one condition.

    Attributes
    ----------
    minutes : float or None
        Total duration [min]; None if one is not known.
    mass_gain : MeanInterval or None
        Gain of the filter's mass per trial [g], over the trials that weighed it.
    """

    configuration: str
    condition: Condition
    bound: ExposureBound
    minutes: float | None
    mass_gain: MeanInterval | None
    observations: tuple[str, ...]
    cautions: tuple[str, ...]


def exposure_bound(k: int, n: int, *, level: float = 0.95, what: str = "trials", showed: str = "it") -> ExposureBound:
    """Exact bound on the chance per trial after k adverse observations in n trials.

    Parameters
    ----------
    what, showed : str
        For the sentence: "0 of 6 wet trials showed moisture".

    Raises
    ------
    DataError
        If n is below 1, or k is not between 0 and n.
    """
    if n < 1:
        raise DataError("No trial was made: nothing can be said about its outcome.", remedy="Record the trials.")
    if not 0 <= k <= n:
        raise DataError(f"{k} adverse observations in {n} trials are not possible.", remedy="Count again.")
    count = f"{k} of {n} {what} showed {showed}"
    if k == 0:
        high = zero_failure_upper(n, level)
        sentence = (
            f"{count}: the chance per trial may still be up to {_chance(high)} % at {100.0 * level:g} % confidence "
            "(one-sided)."
        )
        return ExposureBound(k, n, 0.0, high, level, "one-sided upper", sentence)
    found = clopper_pearson(k, n, level)
    sentence = (
        f"{count}: the chance per trial lies between {_chance(found.low)} % and {_chance(found.high)} % at "
        f"{100.0 * level:g} % confidence (two-sided)."
    )
    return ExposureBound(k, n, found.low, found.high, level, "two-sided", sentence)


def _chance(share: float) -> str:
    """Return a chance in percent; small ones with a decimal, since a limit above zero must not read as zero."""
    return f"{100.0 * share:.0f}" if share >= 0.01 else f"{100.0 * share:.1f}"


def summarise_exposure(trials: Sequence[ExposureTrial], level: float = 0.95) -> tuple[ExposureResult, ...]:
    """Trials by configuration and condition, in order of appearance; unlike configurations are never pooled.

    Raises
    ------
    DataError
        If a filter lost mass (before and after exchanged, or not dried).
    """
    results = []
    for configuration, condition in dict.fromkeys((t.configuration, t.condition) for t in trials):
        members = [t for t in trials if (t.configuration, t.condition) == (configuration, condition)]
        known = [t.duration for t in members if t.duration is not None]
        gains = [
            1000.0 * (t.mass_after - t.mass_before)
            for t in members
            if t.mass_before is not None and t.mass_after is not None
        ]
        if any(gain < 0.0 for gain in gains):
            raise DataError(
                f"A filter of {configuration} lost {-min(gains):.1f} g in a {condition} trial.",
                remedy="Check that before and after are not exchanged and that the filter was weighed alike.",
            )
        results.append(
            ExposureResult(
                configuration=configuration,
                condition=condition,
                bound=exposure_bound(
                    sum(t.adverse for t in members),
                    len(members),
                    level=level,
                    what=f"{condition} {'trial' if len(members) == 1 else 'trials'}",
                    showed=_SHOWED[condition],
                ),
                minutes=sum(known) / 60.0 if len(known) == len(members) else None,
                mass_gain=mean_interval(gains, level) if gains else None,
                observations=tuple(t.observation for t in members),
                cautions=(CAUTION_WATER, CAUTION_ROAD) if condition == "wet" else (CAUTION_ROAD,),
            )
        )
    return tuple(results)


@dataclass(frozen=True)
class ServiceTime:
    """Time to do one task on one configuration: mean [min], number and interval."""

    configuration: str
    task: str
    minutes: MeanInterval
    shortest: float
    longest: float
    cautions: tuple[str, ...]


def service_times(records: Sequence[tuple[str, str, float]], level: float = 0.95) -> tuple[ServiceTime, ...]:
    """Mean time per configuration and task.

    Parameters
    ----------
    records : sequence of (configuration, task, seconds)
        One per timed execution.

    Raises
    ------
    DataError
        If a time is not positive.
    """
    for configuration, task, seconds in records:
        if not seconds > 0.0:
            raise DataError(
                f"'{task}' on {configuration} took {seconds:g} s, which is not possible.", remedy="Check the time."
            )
    results = []
    for configuration, task in dict.fromkeys((c, t) for c, t, _ in records):
        values = [s / 60.0 for c, t, s in records if (c, t) == (configuration, task)]
        results.append(
            ServiceTime(configuration, task, mean_interval(values, level), min(values), max(values), (CAUTION_SERVICE,))
        )
    return tuple(results)
