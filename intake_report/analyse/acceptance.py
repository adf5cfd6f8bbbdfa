"""Acceptance criteria: the campaign's limits, what is known of each run, and what a reader sees of them."""

from __future__ import annotations

import difflib
from collections.abc import Mapping

import numpy as np
import pandas as pd

from intake_report import formatting
from intake_report.align import Alignment
from intake_report.align.comparability import MEDIANS, Check, Comparability, assess
from intake_report.align.criteria import CRITERIA, AcceptanceLimit, CriterionSpec
from intake_report.align.facts import FIRST, Conditions
from intake_report.analyse.ambient import AmbientReference
from intake_report.analyse.inputs import Drive, align_settings
from intake_report.campaign import Campaign, Limit
from intake_report.clean import CleanRun
from intake_report.errors import CampaignError, DataError
from intake_report.formatting import usual
from intake_report.results import Criterion, Limitation, PairCriterion
from intake_report.units import UnitSystem, parse_quantity
from intake_report.weather import WeatherRecord, conditions_during

MOST_PAIRS = 2000  # pairs of runs that are judged one by one; above, only each run against the others
_JUDGED = {"ramp-acceleration": "acceleration", "time-of-day": "hours", "coverage": "share", "phase-duration": "share"}


def acceptance_limits(campaign: Campaign) -> dict[str, AcceptanceLimit]:
    """Return the campaign's limits in the units of the criteria.

    Raises
    ------
    CampaignError
        If a key names no criterion or a limit has no fitting unit.
    """
    limits = {}
    for code, stated in campaign.acceptance.items():
        where = f"acceptance.{code}"
        spec = CRITERIA.get(code)
        if spec is None:
            near = difflib.get_close_matches(code, CRITERIA, n=1, cutoff=0.5)
            remedy = f"Did you mean “{near[0]}”?" if near else f"Criteria are {', '.join(CRITERIA)}."
            what = f"there is no acceptance criterion “{code}”."
            raise CampaignError(what, file=campaign.file, where=where, remedy=remedy)
        hard = stated.hard if isinstance(stated, Limit) and "hard" in stated.model_fields_set else None
        limit = stated.limit if isinstance(stated, Limit) else stated
        try:
            limits[code] = AcceptanceLimit(_number(limit, spec), hard)
        except DataError as error:
            raise CampaignError(error.what, file=campaign.file, where=where, remedy=error.remedy) from None
    return limits


def _number(limit: str | int | float, spec: CriterionSpec) -> float:
    """Return a limit in the unit of its criterion."""
    if not isinstance(limit, str):
        if spec.unit:
            raise DataError(f"{limit:g} has no unit.", remedy=f"Write for example “{limit:g} {spec.unit}”.")
        return float(limit)
    if spec.quantity is not None:
        return parse_quantity(limit, spec.quantity)
    if spec.unit == "h":
        return parse_quantity(limit, "duration") / 3600.0
    if spec.unit == "m/s²":
        return parse_quantity(limit, "acceleration")
    return parse_quantity(limit, "ratio") / 100.0


def conditions_of(
    drive: Drive, ambient: AmbientReference, records: Mapping[str, WeatherRecord], campaign: Campaign
) -> Conditions:
    """Return what is known of a run from outside its log.

    Parameters
    ----------
    drive : Drive
        The run.
    ambient : AmbientReference
        The campaign's reference.
    records : mapping of source id to WeatherRecord
        Wind and rain come from the first that tells; rain as the campaign declares it goes before.
    campaign : Campaign
        For the order and age limits of the sources, and the time zone.
    """
    run, series = drive.clean, ambient.series.get(drive.entry.id)
    index = run.frame.index.to_numpy(dtype=np.float64)
    mean = begin = None
    if series is not None and index.size:
        mean = float(series.at(np.linspace(index[0], index[-1], 200)).mean())
        begin = float(series.at(np.linspace(index[0], min(index[0] + FIRST, index[-1]), 7)).mean())
    wind = rain = None
    for source in campaign.weather:
        record = records.get(source.id)
        if record is not None:
            wind = wind if wind is not None else during_run(run, record, source.max_age, "wind_speed")
            rain = rain if rain is not None else during_run(run, record, source.max_age, "raining")
    if drive.entry.rain is not None:
        rain = float(drive.entry.rain != "none")
    start = None if run.start is None else run.start.tz_convert(campaign.about.timezone)
    return Conditions(mean, begin, wind, None if rain is None else bool(rain), start, drive.entry.configuration)


def during_run(run: CleanRun, record: WeatherRecord, max_age: float, what: str) -> float | None:
    """Return one quantity of a weather record during a run; None where it is not known."""
    index = run.frame.index
    if run.start is None or len(index) < 2:
        return None
    end = run.start + pd.Timedelta(seconds=float(index[-1]))
    value = getattr(conditions_during(record, run.start, end, max_age), what)
    return None if value is None else float(value)


def quantity_of(code: str) -> str:
    """Return in which quantity a criterion is shown; metres across the path stay metres."""
    quantity = CRITERIA[code].quantity
    return _JUDGED.get(code) or ("length" if quantity == "distance" else quantity) or "count"


def judge_runs(
    campaign: Campaign,
    drives: tuple[Drive, ...],
    alignment: Alignment,
    ambient: AmbientReference,
    records: Mapping[str, WeatherRecord],
) -> Comparability:
    """Apply every criterion to every run, and to every pair where there are not too many.

    Raises
    ------
    CampaignError
        If [acceptance] holds a key or a limit that cannot be used.
    """
    limits = acceptance_limits(campaign)
    conditions = {drive.entry.id: conditions_of(drive, ambient, records, campaign) for drive in drives}
    pairs = None if len(drives) * (len(drives) - 1) // 2 <= MOST_PAIRS else ()
    return assess(alignment, align_settings(campaign), conditions, limits, pairs)


def criteria_rows(campaign: Campaign, found: Comparability) -> tuple[Criterion, ...]:
    """Return every criterion of every run as the report shows it."""
    return tuple(_row(campaign, check) for check in found.checks)


def _row(campaign: Campaign, check: Check) -> Criterion:
    units, quantity = campaign.about.units, quantity_of(check.code)
    spec = CRITERIA[check.code]
    sign = "at least" if spec.sense == "at least" else "at most"
    limit, value = usual(check.limit, quantity, units), _value(check, units)
    apart = f" from {MEDIANS[spec.scope]}" if spec.scope in MEDIANS else ""
    reason = check.reason.rstrip(".") if check.outcome == "unknown" or check.code == "one-pass" else ""
    if check.outcome == "fail" and not reason:
        verb = "is" if spec.scope == "run" else "differs by"
        reason = f"{check.title} {verb} {value}{apart} (limit {limit})"
    return Criterion(
        run=check.runs[0],
        code=check.code,
        title=check.title,
        limit=f"{sign} {limit}{apart}",
        value=value,
        hard=check.hard,
        passed={"pass": True, "fail": False, "unknown": None}[check.outcome],
        reason=reason,
    )


def _value(check: Check, units: UnitSystem) -> str:
    """Return the value as text; one beyond its limit never reads like the limit."""
    quantity = quantity_of(check.code)
    texts = [usual(check.value, quantity, units, more) for more in (0, 1, 2)]
    limits = [usual(check.limit, quantity, units, more) for more in (0, 1, 2)]
    if check.outcome != "fail":
        return texts[0]
    return next((text for text, limit in zip(texts, limits, strict=True) if text != limit), texts[-1])


def pair_rows(campaign: Campaign, found: Comparability, used: set[str]) -> tuple[PairCriterion, ...]:
    """Return every criterion that compares runs, over the pairs of runs of different configurations.

    Parameters
    ----------
    campaign : Campaign
        Configurations of the runs, units.
    found : Comparability
        All checks.
    used : set of str
        Runs that take part.
    """
    configuration = {run.id: run.configuration for run in campaign.runs}
    mine = [
        check
        for check in found.pairs
        if set(check.runs) <= used and configuration[check.runs[0]] != configuration[check.runs[1]]
    ]
    codes = dict.fromkeys(check.code for check in mine)
    return tuple(_pair_row(campaign, [check for check in mine if check.code == code]) for code in codes)


def _pair_row(campaign: Campaign, checks: list[Check]) -> PairCriterion:
    units, quantity = campaign.about.units, quantity_of(checks[0].code)
    known = [check for check in checks if check.value is not None]
    worst = max(known, key=lambda check: check.value or 0.0, default=None)
    return PairCriterion(
        code=checks[0].code,
        title=checks[0].title,
        limit=f"at most {usual(checks[0].limit, quantity, units)}",
        pairs=len(known),
        failed=sum(check.outcome == "fail" for check in known),
        worst=worst.runs if worst else (),
        value=_value(worst, units) if worst else formatting.ABSENT,
    )


def acceptance_limitations(criteria: tuple[Criterion, ...], used: set[str]) -> tuple[Limitation, ...]:
    """Return one limitation per soft criterion that runs of the comparison do not meet.

    Parameters
    ----------
    criteria : tuple of Criterion
        Every criterion of every run.
    used : set of str
        Runs that take part.
    """
    failed: dict[str, list[Criterion]] = {}
    for c in criteria:
        if c.passed is False and not c.hard and c.run in used:
            failed.setdefault(c.code, []).append(c)
    rows = []
    for code, found in failed.items():
        values = formatting.listing([f"{c.run} {c.value}" for c in found])
        text = f"{found[0].title}: {formatting.count(len(found), 'run')} beyond the limit ({found[0].limit}): {values}."
        rows.append(
            Limitation(f"acceptance-{code}", text, "Repeat these runs, or state another limit with its reason.")
        )
    return tuple(rows)
