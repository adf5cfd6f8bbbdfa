"""The only chain: a campaign becomes a result. Read `analyse` from top to bottom."""

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from intake_report.align import Alignment, Comparability
from intake_report.analyse import control, describe, inputs
from intake_report.analyse.acceptance import criteria_frame, decide, entry_mistakes, judge_runs, pair_frame
from intake_report.analyse.ambient import AmbientReference, choose_ambient, describe_weather, source_offsets
from intake_report.analyse.claim_check import campaign_mistakes, deciding_keys, evidence_mistakes
from intake_report.analyse.claims import direct_comparisons, judge_claims
from intake_report.analyse.common_drive import common_drive
from intake_report.analyse.compare import check_model, compare, summarise, with_headlines
from intake_report.analyse.compare.estimate import gather_covariates
from intake_report.analyse.evidence import gather_evidence
from intake_report.analyse.evidence_limits import evidence_limitations
from intake_report.analyse.inputs import ByRun, align_logs, clean_logs, pair, read_logs
from intake_report.analyse.limitations import Findings, acceptance_limitations, derive_limitations
from intake_report.analyse.measure import add_operating_points, build_series, measure, measure_stops, metric_keys
from intake_report.analyse.uncertainty import Uncertainty, assess, statement, with_uncertainty
from intake_report.analyse.zeroing import Zeroing, find_zeroing
from intake_report.campaign import Campaign, refuse
from intake_report.clean import CleanRun
from intake_report.errors import CampaignError
from intake_report.loaders import RunLog
from intake_report.metrics import RunSeries
from intake_report.results import ControlDrive, Metrics, MetricValues, PhaseResult, ReportResult, StopResult
from intake_report.results.evidence import EvidenceNotice, WeatherEvidence

CONCLUDED: Any = {
    "about": {"id", "title", "question", "prepared_by", "reviewed_by", "approved_by"},
    "vehicle": {"description", "mass", "aspiration", "transmission", "fuel", "odometer", "notes"},
    "configurations": True,
    "runs": {"__all__": {"exclude", "notes", "start_condition", "driver"}},
    "metrics": {"confidence", "equivalence"},
    "comparison": True,
    "common_drive": True,
    **dict.fromkeys(("claims", "plan", "dyno", "bench", "pulls", "restrictions", "airflows"), True),
    **dict.fromkeys(("exposures", "observations"), True),
}
"""What measuring does not read: `conclude` takes it from the campaign that it is given."""


@dataclass(frozen=True, eq=False)
class Measured:
    """What the drives say, whether they take part in the comparison or not; complete for `conclude`.

    `campaign_read` are digests of the campaign file, table by table, as far as measuring reads it; `cleaned`, `alignment` the
    runs without control drives; `quality`, `sampling`, `cross_checks` tables of all runs; `values`, `controls` every metric of
    every run and of every control drive; `uncertainty` the draws of the instruments.
    """

    campaign_read: dict[str, str]
    cleaned: ByRun[CleanRun]
    alignment: Alignment
    zeroing: Zeroing
    ambient: AmbientReference
    weather: WeatherEvidence
    notices: tuple[EvidenceNotice, ...]
    conditions: pd.DataFrame
    comparability: Comparability
    sampling: pd.DataFrame
    quality: pd.DataFrame
    cross_checks: pd.DataFrame
    places: describe.PlaceFacts | None
    series: ByRun[RunSeries]
    metrics: Metrics
    values: MetricValues
    stops: tuple[StopResult, ...]
    controls: MetricValues
    uncertainty: Uncertainty


def load_logs(campaign: Campaign, kept: Callable[..., Any] = lambda step, *of: step(*of)) -> ByRun[RunLog]:
    """Refuse mistakes that need no log to be seen, then read every log; `kept` of `cache.Cache` reads only what is new."""
    refuse(campaign_mistakes(campaign))
    refuse(evidence_mistakes(campaign))
    logs: ByRun[RunLog] = kept(read_logs, campaign)
    return logs


# What measuring follows without computing all of it again, where it is given an earlier result
REMEASURED: Any = {"metrics": {"recovery_margins", "alarm_limit"}, "acceptance": True}


def measure_runs(
    campaign: Campaign, cleaned: tuple[CleanRun, ...], alignment: Alignment, earlier: Measured | None = None
) -> Measured:
    """Choose the ambient reference, compute every metric of every run, and gather all else that the drives say.

    `earlier`: what the same drives gave for a campaign that differs in `REMEASURED` and in what measuring does not read; only
    what hangs on these is computed.
    """
    refuse(campaign_mistakes(campaign))
    drives = pair(campaign, cleaned, alignment)
    metrics = metric_keys(campaign)
    if earlier is not None:
        return _again(earlier, campaign, cleaned, alignment, drives, metrics)
    records, forecasts = inputs.weather_records(campaign), inputs.weather_records(campaign, forecasts=True)
    zeroing = find_zeroing(campaign, drives)
    ambient = choose_ambient(campaign, drives, records, zeroing)
    series = tuple(build_series(campaign, drive, ambient, zeroing) for drive in drives)
    series = add_operating_points(campaign, drives, records, series)
    values = measure(metrics, series)
    conditions, weather, notices = describe_weather(campaign, drives, ambient, records, forecasts)
    own = replace(alignment, runs=tuple(drive.aligned for drive in drives))  # no criterion applies to control drives
    return Measured(
        campaign_read=_digests(campaign),
        cleaned=ByRun(drive.clean for drive in drives),
        alignment=own,
        zeroing=zeroing,
        ambient=ambient,
        weather=weather,
        notices=notices + zeroing.notices,
        conditions=conditions,
        comparability=judge_runs(campaign, drives, own, ambient, records),
        sampling=describe.describe_sampling(campaign, (drive.clean for drive in drives)),
        quality=describe.describe_quality(drive.clean for drive in drives),
        cross_checks=describe.cross_check_frame(campaign, drives, records),
        places=describe.gather_places(campaign, own, series),
        series=ByRun(series),
        metrics=metrics,
        values=values,
        stops=measure_stops(series),
        controls=control.measure_controls(campaign, cleaned, alignment, ambient, metrics),
        uncertainty=assess(campaign, drives, ambient, zeroing, series, metrics, values),
    )


def _again(
    of: Measured, campaign: Campaign, cleaned: tuple[CleanRun, ...], alignment: Alignment,
    drives: tuple[inputs.Drive, ...], metrics: Metrics,
) -> Measured:  # fmt: skip
    """Return the same drives by the limits of acceptance and with the metrics that the campaign has now."""
    read, judged = _digests(campaign), of.comparability
    if read["acceptance"] != of.campaign_read["acceptance"]:
        judged = judge_runs(campaign, drives, of.alignment, of.ambient, inputs.weather_records(campaign))
    of = replace(of, campaign_read=read, comparability=judged)
    if metrics == of.metrics:
        return of
    new, had = tuple(key for key in metrics if key not in of.metrics), {key.key for key in metrics if key in of.metrics}
    values = measure(new, tuple(of.series))
    controls = control.measure_controls(campaign, cleaned, alignment, of.ambient, new)

    def in_order(old: MetricValues, added: MetricValues) -> MetricValues:
        every = [*(value for value in old if value.key in had), *added]
        return tuple(value for key in metrics for value in every if value.key == key.key)

    added = assess(campaign, drives, of.ambient, of.zeroing, tuple(of.series), new, values)
    return replace(
        of,
        metrics=metrics,
        values=in_order(of.values, values),
        controls=in_order(of.controls, controls),
        uncertainty=of.uncertainty.with_metrics(metrics, added),
    )


def _digests(campaign: Campaign) -> dict[str, str]:
    """Return a digest of each table of the campaign file, as far as measuring reads it."""
    tables = campaign.model_dump(mode="json", by_alias=True, exclude=CONCLUDED)
    texts = {name: json.dumps(table, sort_keys=True) for name, table in tables.items()}
    return {name: hashlib.sha256(text.encode()).hexdigest() for name, text in texts.items()}


def conclude(campaign: Campaign, measured: Measured) -> ReportResult:
    """Decide which runs take part, compare the configurations, judge the claims and derive the limitations.

    `measured` is of the same campaign: CampaignError where the campaign differs from it in what measuring reads.
    """
    refuse(campaign_mistakes(campaign))
    read = _digests(campaign)
    if differing := [name for name in read if read[name] != measured.campaign_read.get(name)]:
        raise CampaignError(
            f"the campaign has another [{differing[0]}] than the one that was measured.",
            file=campaign.given,
            where=differing[0],
            remedy="Run clean_logs, align_logs and measure_runs with this campaign; `conclude` follows only exclusions, "
            "configurations, covariates, claims, the confidence level, margins of equivalence and what was tested beside the road.",
        )
    refuse(entry_mistakes(campaign, measured.cleaned, measured.cross_checks))
    level, ambient, metrics = campaign.metrics.confidence, measured.ambient, measured.metrics
    drives = pair(campaign, measured.cleaned, measured.alignment)
    criteria = criteria_frame(measured.comparability)
    runs = decide(campaign, drives, measured.series, criteria)
    used = {run.id for run in runs if run.decision != "excluded"}
    drawn = tuple(series for series in measured.series if series.run in used)
    uncertainty = replace(measured.uncertainty, statement=replace(measured.uncertainty.statement, level=level))
    values = with_uncertainty(measured.values, uncertainty)
    compared = tuple(value for value in values if value.run in used)
    metrics = with_headlines(metrics, compared)
    weather = replace(measured.weather, offsets=source_offsets(ambient.choice.comparisons, level))
    evidence = gather_evidence(campaign, drives, drawn, weather, measured.notices, measured.conditions)
    tandem = bool(measured.controls) and control.controlled(campaign, {v.run for v in compared})
    taken = control.against_control(compared, measured.controls) if tandem else compared
    draws = control.DrawsLessControl(uncertainty, measured.controls) if tandem else uncertainty
    covariates = gather_covariates(drives, drawn)
    comparisons = compare(campaign, metrics, taken, draws, covariates)
    direct = direct_comparisons(campaign, metrics, taken, comparisons, draws, covariates)
    checks = check_model(campaign, metrics, taken, {run.id: run.start for run in runs})
    beside = tuple(ControlDrive(run.id, tuple(map(str, run.control))) for run in campaign.runs)
    effects = control.control_effects(campaign, metrics, compared, measured.controls, uncertainty)
    on_common = common_drive(campaign, measured, used, metrics, comparisons)
    # a limit on a value is judged by the values themselves, a difference by what was taken against the control
    judged_by = (compared, (*comparisons, *direct), ambient.choice.source, uncertainty, evidence.dyno, on_common)
    findings = Findings(
        campaign, drives, runs, ambient, measured.conditions, measured.sampling, metrics, compared, comparisons, checks,
        effects, measured.zeroing, on_common,
    )  # fmt: skip
    return ReportResult(
        campaign=campaign.about.id,
        title=campaign.about.title,
        question=campaign.about.question,
        units=campaign.about.units,
        level=level,
        ambient_reference=ambient.choice.source or "none",
        ambient_reason=ambient.choice.reason,
        configurations=describe.describe_configurations(campaign, runs),
        phases=tuple(PhaseResult(p.id, p.name or p.id, p.kind, p.start, p.end) for p in campaign.route.phases),
        runs=runs,
        criteria=criteria,
        conditions=measured.conditions,
        sampling=measured.sampling,
        quality=measured.quality,
        metrics=metrics,
        values=values,
        stops=tuple(stop for stop in measured.stops if stop.run in used),
        summaries=summarise(campaign, metrics, compared),
        comparisons=comparisons,
        claims=judge_claims(campaign, metrics, *judged_by),
        limitations=derive_limitations(findings)
        + acceptance_limitations(criteria, used)
        + evidence_limitations(campaign, evidence),
        route_curves=tuple(c for s in drawn if (c := describe.route_curve(s)) is not None),
        recovery_curves=tuple(c for s in drawn if (c := describe.recovery_curve(s)) is not None),
        stop_curves=tuple(c for s in drawn for c in describe.stop_curves(s)),
        direct=direct,
        checks=checks,
        control=effects,
        control_drives=beside if any(drive.files for drive in beside) else (),
        less_control=tandem,
        uncertainty=statement(campaign, uncertainty, metrics, runs),
        evidence=evidence,
        cross_checks=measured.cross_checks,
        pairs=pair_frame(campaign, measured.comparability, used),
        places=describe.describe_places(campaign, measured.places, used),
        decides=deciding_keys(campaign, metrics),
        common_drive=on_common,
    )


def analyse(campaign: Campaign) -> ReportResult:
    """Run the whole chain of a campaign; an error names the log, weather source or claim that cannot be used."""
    logs = load_logs(campaign)
    cleaned = clean_logs(campaign, logs)
    alignment = align_logs(campaign, cleaned)
    measured = measure_runs(campaign, cleaned, alignment)
    return conclude(campaign, measured)
