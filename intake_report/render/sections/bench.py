"""Exposure trials and serviceability, with the cautions that belong beside them."""

from __future__ import annotations

from typing import Any

from intake_report import formatting
from intake_report.bench import CAUTION_SERVICE, trial_cautions
from intake_report.campaign import Campaign
from intake_report.render.blocks import Block, Callout, Heading
from intake_report.render.sections.tables import block_of, files, named
from intake_report.report_table import Field, ReportTable, frame_of
from intake_report.results import ReportResult
from intake_report.results.evidence_text import EXPOSURE, SERVICE, grams, in_unit, percent


def exposure(campaign: Campaign, result: ReportResult) -> tuple[Block, ...]:
    """Return wet, dusty and hot trials with exact bounds; nothing without trials."""
    bench = result.evidence.bench if result.evidence else None
    if bench is None or not len(bench.exposures):
        return ()
    bounds = ReportTable(
        "tab-exposure",
        "Exposure trials: adverse observations, with what they leave open",
        (
            named(result, 2.0),
            *files("condition", "k", "n", "low", "high", "level", "kind"),
            Field("sentence", "Observation", width=6.4),
            Field("duration", "Duration", cell=EXPOSURE["duration_text"], align="right", width=1.0),
            Field("gain", "Filter gained", cell=EXPOSURE["mass_gain_text"], align="right", width=1.2),
        ),
        bench.exposures,
        (
            "Exact bounds (Clopper–Pearson; one-sided where nothing was observed). Unlike configurations are not pooled.",
        ),
    )
    return (
        Heading(2, "Exposure trials", "sec-exposure"),
        Callout("caution", "Water and open roads", trial_cautions(bench.exposures["condition"])),
        block_of(_trials(campaign, result), result.units),
        block_of(bounds, result.units),
    )


def _trials(campaign: Campaign, result: ReportResult) -> ReportTable:
    """Return one row per kind of trial and observation: like trials are counted, not repeated."""
    counts: dict[tuple[Any, ...], list[int]] = {}
    for e in campaign.exposures:
        key = (
            e.configuration, f"{e.condition}, {e.date.isoformat()}" if e.date else e.condition, e.duration, e.observation,
            e.filter_mass_before, e.filter_mass_after, e.inspector,
        )  # fmt: skip
        count = counts.setdefault(key, [0, 0])
        count[0] += e.trials
        count[1] += e.adverse_trials
    names = (
        "configuration",
        "condition",
        "duration",
        "observation",
        "before",
        "after",
        "inspector",
        "trials",
        "adverse",
    )

    def masses(row: Any, _: Any) -> str:
        if row.before is None or row.after is None:
            return formatting.ABSENT
        return f"{grams(1000.0 * row.before)}, {grams(1000.0 * row.after)}"

    return ReportTable(
        "tab-trials",
        "Trials as recorded",
        (
            named(result, 2.0),
            Field("condition", "Condition"),
            Field("trials", "Trials", "number", width=0.7),
            Field("duration", "Duration", cell=in_unit("duration", "duration", 1), align="right"),
            Field("observation", "Observation", width=3.2),
            Field("adverse", "Adverse", "number", width=0.9),
            Field("before", "Filter before, after", cell=masses, align="right", width=1.5),
            *files("after"),
            Field("inspector", "Inspector", width=1.6, internal=True),
        ),
        frame_of(dict(zip(names, (*key, *count), strict=True)) for key, count in counts.items()),
    )


def service(result: ReportResult) -> tuple[Block, ...]:
    """Return times to do a task and remarks on serviceability; nothing without them."""
    bench = result.evidence.bench if result.evidence else None
    if bench is None or not (len(bench.services) or len(bench.remarks)):
        return ()
    times = ReportTable(
        "tab-service",
        "Time to do a task, mean with its interval",
        (
            Field("task", "Task", width=2.6),
            named(result, 2.6),
            Field("n", "n", "number", width=0.5),
            Field("mean", "Mean", cell=SERVICE["text"], align="right", width=1.2),
            Field("low", f"{percent(100 * result.level, 0, signed=False)} interval", cell=SERVICE["interval_text"],
                  align="right", width=2.0),
            *files("high"),
            Field("shortest", "Shortest to longest", cell=SERVICE["range_text"], align="right", width=2.0),
            *files("longest"),
        ),
        bench.services,
    )  # fmt: skip
    remarks = ReportTable(
        "tab-remarks",
        "Remarks on serviceability",
        (named(result, 2.2), Field("task", "Task", width=2.2), Field("note", "Remark", width=5.0)),
        bench.remarks,
    )
    return (
        Heading(2, "Serviceability", "sec-service"),
        Callout("caution", "Work on the intake", (CAUTION_SERVICE,)),
        *(block_of(table, result.units) for table in (times, remarks) if len(table.frame)),
    )
