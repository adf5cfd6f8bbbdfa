"""Restriction, exposure and serviceability of a campaign, read and summarised as its file says."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from intake_report.bench.depression import AirflowValue, airflow_values, common_depression
from intake_report.bench.restriction import (
    RestrictionFit,
    RestrictionValue,
    common_airflow,
    fit_restriction,
    read_restriction,
    restriction_at,
)
from intake_report.bench.trials import (
    ExposureResult,
    ExposureTrial,
    ServiceTime,
    service_times,
    summarise_exposure,
)
from intake_report.campaign import Campaign
from intake_report.errors import DataError
from intake_report.statistics import coverage_factor


@dataclass(frozen=True)
class RestrictionComparison:
    """Restriction of a candidate against the baseline at one airflow.

    Attributes
    ----------
    difference : float
        [kPa]; negative is less restriction.
    percent, low, high : float or None
        Of the baseline's restriction [%], with the interval of the two fitted curves (smaller of their degrees of
        freedom, so rather wide); limits None for a curve of two points.
    """

    baseline: str
    candidate: str
    airflow: float
    difference: float
    percent: float
    low: float | None
    high: float | None
    level: float


@dataclass(frozen=True)
class RestrictionSet:
    """Curves of one source (a bench, the road) that may be compared with each other.

    Attributes
    ----------
    airflow : float or None
        Common airflow of the comparison [m³/s]; None if there is none, with the `reason`.
    airflows : tuple of AirflowValue
        Airflow of each curve at the highest common depression; empty if there is none.
    """

    source: str
    fits: tuple[RestrictionFit, ...]
    airflow: float | None
    values: tuple[RestrictionValue, ...]
    comparisons: tuple[RestrictionComparison, ...]
    reason: str
    airflows: tuple[AirflowValue, ...] = ()


@dataclass(frozen=True)
class Remark:
    """An observation without a time."""

    configuration: str
    task: str
    note: str


@dataclass(frozen=True)
class BenchResult:
    """Evidence from off the road; JSON-able by `dataclasses.asdict`, without NaN."""

    restrictions: tuple[RestrictionSet, ...]
    exposures: tuple[ExposureResult, ...]
    services: tuple[ServiceTime, ...]
    remarks: tuple[Remark, ...]
    cautions: tuple[str, ...]


def compare_restriction(baseline: RestrictionFit, candidate: RestrictionFit, airflow: float) -> RestrictionComparison:
    """Compare two fitted curves at an airflow [m³/s] that both cover.

    Raises
    ------
    DataError
        Outside the measured range of either.
    """
    base, own = restriction_at(baseline, airflow).drop, restriction_at(candidate, airflow).drop
    ratio = math.log(own / base)
    low = high = None
    errors = [
        math.hypot(fit.centre_error, (math.log(airflow) - fit.centre) * fit.exponent_error)
        for fit in (baseline, candidate)
        if fit.centre_error is not None and fit.exponent_error is not None
    ]
    if len(errors) == 2:
        half = coverage_factor(baseline.level, min(baseline.df, candidate.df)) * math.hypot(*errors)
        low, high = (100.0 * math.expm1(ratio + sign * half) for sign in (-1.0, 1.0))
    return RestrictionComparison(
        baseline.configuration,
        candidate.configuration,
        airflow,
        own - base,
        100.0 * math.expm1(ratio),
        low,
        high,
        baseline.level,
    )


def restriction_set(
    source: str,
    fits: Sequence[RestrictionFit],
    baseline: str,
    airflow: float | None = None,
    depression: float | None = None,
) -> RestrictionSet:
    """Values at one airflow, airflow at one depression, and differences from the baseline.

    Parameters
    ----------
    airflow : float, optional
        Where restrictions are compared [m³/s]; the highest common one by default.
    depression : float, optional
        To which airflows are scaled by the square-root rule [kPa].
    """
    try:
        common = common_airflow(fits)
        at = common if airflow is None else airflow
        values = tuple(restriction_at(fit, at) for fit in fits)
    except DataError as error:
        return RestrictionSet(source, tuple(fits), None, (), (), error.what)
    try:
        flows = airflow_values(fits, common_depression(fits), baseline, depression)
    except DataError:
        flows = ()
    base = next((fit for fit in fits if fit.configuration == baseline), None)
    if base is None:
        return RestrictionSet(source, tuple(fits), at, values, (), f"The baseline {baseline} has no curve.", flows)
    comparisons = tuple(compare_restriction(base, fit, at) for fit in fits if fit is not base)
    return RestrictionSet(source, tuple(fits), at, values, comparisons, "", flows)


def bench_evidence(campaign: Campaign) -> BenchResult | None:
    """Everything the campaign's restriction, exposure and service entries say; None if it has none.

    Raises
    ------
    DataError
        Anything the readers and summaries refuse; two curves of one configuration from one source.
    """
    if not (campaign.restrictions or campaign.exposures or campaign.observations):
        return None
    level = campaign.metrics.confidence
    groups: dict[str, list[RestrictionFit]] = {}
    for entry in campaign.restrictions:
        if entry.file is not None:
            fit = read_restriction(
                campaign.folder / entry.file, entry.columns, configuration=entry.configuration, level=level
            )
        else:
            airflow, drop = [point.airflow for point in entry.points], [point.drop for point in entry.points]
            fit = fit_restriction(entry.configuration, airflow, drop, level=level, file=str(campaign.file))
        group = groups.setdefault(entry.source, [])
        if any(other.configuration == entry.configuration for other in group):
            raise DataError(
                f"Configuration {entry.configuration} has two restriction curves of one source.",
                file=campaign.file,
                where="restriction",
                remedy="Put their points into one entry, or name different sources.",
            )
        group.append(fit)
    exposures = _summarise(
        campaign,
        [
            ExposureTrial(
                entry.configuration,
                entry.condition,
                entry.observation,
                trial < entry.adverse_trials,
                entry.duration,
                entry.inspector,
                entry.filter_mass_before if entry.trials == 1 else None,
                entry.filter_mass_after if entry.trials == 1 else None,
            )
            for entry in campaign.exposures
            for trial in range(entry.trials)
        ],
    )
    try:
        services = service_times(
            [
                (entry.configuration, entry.task, entry.time)
                for entry in campaign.observations
                if entry.time is not None
            ],
            level,
        )
    except DataError as error:
        raise DataError(error.what, file=campaign.file, where="observation", remedy=error.remedy) from None
    stated = [*(item.cautions for item in exposures), *(item.cautions for item in services)]
    return BenchResult(
        restrictions=tuple(
            restriction_set(s, fits, campaign.baseline.id, campaign.bench.airflow, campaign.bench.depression)
            for s, fits in groups.items()
        ),
        exposures=exposures,
        services=services,
        remarks=tuple(
            Remark(entry.configuration, entry.task, entry.note)
            for entry in campaign.observations
            if entry.time is None or entry.note
        ),
        cautions=tuple(dict.fromkeys(c for cautions in stated for c in cautions)),
    )


def _summarise(campaign: Campaign, trials: Sequence[ExposureTrial]) -> tuple[ExposureResult, ...]:
    try:
        return summarise_exposure(trials, campaign.metrics.confidence)
    except DataError as error:
        raise DataError(error.what, file=campaign.file, where="exposure", remedy=error.remedy) from None
