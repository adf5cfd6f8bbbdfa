"""The only chain: a campaign becomes a result. Read `analyse` from top to bottom."""

from __future__ import annotations

from dataclasses import dataclass

from intake_report.align import Alignment
from intake_report.analyse.acceptance import acceptance_limitations, acceptance_limits, judge_runs, pair_rows
from intake_report.analyse.ambient import AmbientReference, choose_ambient
from intake_report.analyse.claims import check_claims
from intake_report.analyse.compare import summarise
from intake_report.analyse.compare.draws import RunsDraws
from intake_report.analyse.conclusions import draw_conclusions
from intake_report.analyse.control import control_drives, measure_controls
from intake_report.analyse.cross import cross_check_rows
from intake_report.analyse.curves import recovery_curve, route_curve, stop_curves
from intake_report.analyse.decide import decide
from intake_report.analyse.describe import (
    describe_conditions,
    describe_configurations,
    describe_phases,
    describe_quality,
    describe_sampling,
)
from intake_report.analyse.evidence import gather_evidence
from intake_report.analyse.evidence_limits import evidence_limitations
from intake_report.analyse.inputs import Drive, align_logs, clean_logs, own_runs, pair, read_logs, weather_records
from intake_report.analyse.limitations import Findings, derive_limitations
from intake_report.analyse.measure import build_series, measure, measure_stops, metric_keys
from intake_report.analyse.mistakes import campaign_mistakes, refuse
from intake_report.analyse.operating import add_operating_points
from intake_report.analyse.places import describe_places
from intake_report.analyse.uncertainty import Uncertainty, assess, statement, with_uncertainty
from intake_report.analyse.weather_evidence import run_weather
from intake_report.campaign import Campaign
from intake_report.clean import CleanRun
from intake_report.loaders import RunLog
from intake_report.messages import said
from intake_report.metrics import RunSeries
from intake_report.results import MetricKey, MetricResult, ReportResult, StopResult
from intake_report.weather import WeatherRecord


@dataclass(frozen=True)
class Measured:
    """The runs with their ambient reference, series and metric values."""

    drives: tuple[Drive, ...]
    alignment: Alignment
    records: dict[str, WeatherRecord]
    ambient: AmbientReference
    series: tuple[RunSeries, ...]
    metrics: tuple[MetricKey, ...]
    values: tuple[MetricResult, ...]
    stops: tuple[StopResult, ...]
    controls: tuple[MetricResult, ...] = ()
    uncertainty: Uncertainty | None = None


def load_logs(campaign: Campaign) -> tuple[RunLog, ...]:
    """Refuse mistakes of the campaign that no log is needed for, then read every log; see `inputs.read_logs`.

    Raises
    ------
    CampaignError, DataError
        If a claim or a limit cannot be used, or a log cannot be read.
    """
    refuse(campaign_mistakes(campaign))
    return read_logs(campaign)


def measure_runs(campaign: Campaign, cleaned: tuple[CleanRun, ...], alignment: Alignment) -> Measured:
    """Choose the ambient reference and compute every metric of every run.

    Parameters
    ----------
    campaign : Campaign
        Settings and weather sources.
    cleaned : tuple of CleanRun
        Cleaned runs.
    alignment : Alignment
        The same runs on the route.

    Returns
    -------
    Measured
        Values of all runs, whether they take part in the comparison or not.
    """
    drives = pair(campaign, cleaned, alignment)
    metrics = metric_keys(campaign)
    check_claims(campaign, metrics)
    acceptance_limits(campaign)  # a mistake in them is said before anything is computed
    records = weather_records(campaign)
    ambient = choose_ambient(campaign, drives, records)
    plain = tuple(build_series(campaign, drive, ambient) for drive in drives)
    series = add_operating_points(campaign, drives, records, plain)
    controls = measure_controls(campaign, cleaned, alignment, ambient, metrics)
    plainly = measure(metrics, series)
    uncertainty = assess(campaign, drives, ambient, series, metrics, plainly)
    values, stops = with_uncertainty(plainly, uncertainty), measure_stops(series)
    alignment = own_runs(campaign, alignment)
    return Measured(drives, alignment, records, ambient, series, metrics, values, stops, controls, uncertainty)


def conclude(campaign: Campaign, measured: Measured) -> ReportResult:
    """Decide which runs take part, compare the configurations, judge the claims and derive the limitations.

    Parameters
    ----------
    campaign : Campaign
        Baseline, claims, confidence level.
    measured : Measured
        Metric values of all runs.

    Returns
    -------
    ReportResult
        Everything that the report says.
    """
    weather = run_weather(campaign, measured.drives, measured.ambient, measured.records)
    conditions = describe_conditions(measured.drives, measured.ambient, weather)
    comparability = judge_runs(campaign, measured.drives, measured.alignment, measured.ambient, measured.records)
    runs, criteria = decide(campaign, measured.drives, measured.series, comparability)
    used = {run.id for run in runs if run.decision != "excluded"}
    values = tuple(value for value in measured.values if value.run in used)
    found = draw_conclusions(
        campaign,
        measured.metrics,
        values,
        runs,
        measured.ambient.choice.source,
        measured.controls,
        RunsDraws(measured.uncertainty),
    )
    sampling = describe_sampling(campaign, (drive.clean for drive in measured.drives))
    findings = Findings(
        campaign,
        measured.drives,
        runs,
        measured.ambient,
        conditions,
        sampling,
        measured.metrics,
        values,
        found.comparisons,
        found.checks,
        found.control,
    )
    evidence = gather_evidence(
        campaign, measured.drives, measured.series, measured.ambient, measured.records, weather, conditions, used
    )
    drawn = [series for series in measured.series if series.run in used]
    return ReportResult(
        campaign=campaign.about.id,
        title=campaign.about.title,
        question=campaign.about.question,
        units=campaign.about.units,
        level=campaign.metrics.confidence,
        ambient_reference=measured.ambient.choice.source or "none",
        ambient_reason=said(measured.ambient.choice.reason, campaign.about.units),
        configurations=describe_configurations(campaign, runs),
        phases=describe_phases(campaign),
        runs=runs,
        criteria=criteria,
        conditions=conditions,
        sampling=sampling,
        quality=describe_quality(drive.clean for drive in measured.drives),
        metrics=measured.metrics,
        values=measured.values,
        stops=tuple(stop for stop in measured.stops if stop.run in used),
        summaries=summarise(campaign, measured.metrics, values),
        comparisons=found.comparisons,
        claims=found.claims,
        limitations=derive_limitations(findings)
        + acceptance_limitations(criteria, used)
        + evidence_limitations(campaign, evidence),
        route_curves=tuple(c for s in drawn if (c := route_curve(s)) is not None),
        recovery_curves=tuple(c for s in drawn if (c := recovery_curve(s)) is not None),
        stop_curves=tuple(c for s in drawn for c in stop_curves(s)),
        direct=found.direct,
        checks=found.checks,
        control=found.control,
        control_drives=control_drives(campaign),
        less_control=found.less_control,
        uncertainty=statement(campaign, measured.uncertainty, measured.metrics, runs),
        evidence=evidence,
        cross_checks=cross_check_rows(campaign, measured.drives, measured.records),
        pairs=pair_rows(campaign, comparability, used),
        places=describe_places(campaign, measured.alignment, tuple(drawn)),
    )


def analyse(campaign: Campaign) -> ReportResult:
    """Run the whole chain.

    Parameters
    ----------
    campaign : Campaign
        Validated campaign.

    Returns
    -------
    ReportResult
        Everything that the report says.

    Raises
    ------
    DataError, CampaignError
        If a log, a weather source or a claim cannot be used; the file or key and the way out are named.
    """
    logs = load_logs(campaign)
    cleaned = clean_logs(campaign, logs)
    alignment = align_logs(campaign, cleaned)
    measured = measure_runs(campaign, cleaned, alignment)
    return conclude(campaign, measured)


__all__ = ["Measured", "align_logs", "analyse", "clean_logs", "conclude", "load_logs", "measure_runs"]
