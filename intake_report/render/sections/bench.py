"""Exposure trials and serviceability, with the cautions that belong beside them."""

from __future__ import annotations

from intake_report import formatting
from intake_report.bench import CAUTION_SERVICE
from intake_report.campaign import Campaign
from intake_report.campaign.evidence import Exposure
from intake_report.render.blocks import Block, Callout, Column, Heading
from intake_report.render.sections.tables import literal_table
from intake_report.results import ReportResult
from intake_report.results.evidence_text import DURATION, exposure_texts, grams, service_texts


def exposure(campaign: Campaign, result: ReportResult) -> tuple[Block, ...]:
    """Return wet, dusty and hot trials with exact bounds; nothing without trials."""
    found = result.evidence.bench.exposures if result.evidence and result.evidence.bench else ()
    if not found:
        return ()
    units = result.units
    cautions = dict.fromkeys(c for item in found for c in item.cautions)
    blocks: list[Block] = [
        Heading(2, "Exposure trials", "sec-exposure"),
        Callout("caution", "Water and open roads", tuple(cautions)),
        literal_table(
            label="tab-trials",
            caption="Trials as recorded",
            columns=(
                Column("Configuration"),
                Column("Condition"),
                Column("Trials", "right"),
                Column("Duration", "right"),
                Column("Observation"),
                Column("Adverse", "right"),
                Column("Filter before, after", "right"),
                Column("Inspector"),
            ),
            rows=_trials(campaign, result),
            widths=(2.0, 1.0, 0.7, 1.0, 3.2, 0.9, 1.5, 1.6),
        ),
        literal_table(
            label="tab-exposure",
            caption="Exposure trials: adverse observations, with what they leave open",
            columns=(
                Column("Configuration"),
                Column("Condition"),
                Column("k of n", "center"),
                Column("What that says"),
                Column("Total duration", "right"),
                Column("Gain of filter mass", "right"),
            ),
            rows=tuple(
                (
                    result.name_of(e.configuration),
                    e.condition,
                    f"{e.bound.k} of {e.bound.n}",
                    e.bound.sentence,
                    *exposure_texts(e, units),
                )
                for e in found
            ),
            notes=(
                "Exact bounds (Clopper–Pearson; one-sided where nothing was observed). Unlike configurations are not pooled.",
            ),
            values=(
                ("configuration", "condition", "k", "n", "low", "high", "level", "kind", "minutes", "mass_gain_g"),
                *(
                    (
                        e.configuration,
                        e.condition,
                        e.bound.k,
                        e.bound.n,
                        e.bound.low,
                        e.bound.high,
                        e.bound.level,
                        e.bound.kind,
                        e.minutes,
                        e.mass_gain.mean if e.mass_gain else None,
                    )
                    for e in found
                ),
            ),
            widths=(2.0, 1.0, 0.8, 4.2, 1.1, 1.4),
        ),
    ]
    return tuple(blocks)


def _trials(campaign: Campaign, result: ReportResult) -> tuple[tuple[str, ...], ...]:
    """Return one row per kind of trial and observation: like trials are counted, not repeated."""
    grouped: dict[tuple[str, ...], list[Exposure]] = {}
    for entry in campaign.exposures:
        mass = formatting.ABSENT
        if entry.filter_mass_before is not None and entry.filter_mass_after is not None:
            mass = f"{grams(1000.0 * entry.filter_mass_before, 1)}, {grams(1000.0 * entry.filter_mass_after, 1)}"
        key = (
            result.name_of(entry.configuration),
            f"{entry.condition}, {entry.date.isoformat()}" if entry.date else entry.condition,
            DURATION.text(entry.duration, result.units),
            entry.observation,
            mass,
            entry.inspector or formatting.ABSENT,
        )
        grouped.setdefault(key, []).append(entry)
    return tuple(
        (
            name,
            condition,
            str(sum(e.trials for e in entries)),
            duration,
            observation,
            str(sum(e.adverse_trials for e in entries)),
            mass,
            inspector,
        )
        for (name, condition, duration, observation, mass, inspector), entries in grouped.items()
    )


def service(result: ReportResult) -> tuple[Block, ...]:
    """Return times to do a task and remarks on serviceability; nothing without them."""
    found = result.evidence.bench if result.evidence else None
    if found is None or not (found.services or found.remarks):
        return ()
    level = formatting.number(100 * result.level, 0)
    blocks: list[Block] = [
        Heading(2, "Serviceability", "sec-service"),
        Callout("caution", "Work on the intake", (CAUTION_SERVICE,)),
    ]
    if found.services:
        blocks.append(
            literal_table(
                label="tab-service",
                caption="Time to do a task, mean with its interval",
                columns=(
                    Column("Task"),
                    Column("Configuration"),
                    Column("n", "right"),
                    Column("Mean", "right"),
                    Column(f"{level} % interval", "right"),
                    Column("Shortest to longest", "right"),
                ),
                rows=tuple(
                    (s.task, result.name_of(s.configuration), str(s.minutes.n), *service_texts(s, result.units))
                    for s in found.services
                ),
                values=(
                    ("task", "configuration", "n", "mean_min", "low_min", "high_min", "shortest_min", "longest_min"),
                    *(
                        (
                            s.task,
                            s.configuration,
                            s.minutes.n,
                            s.minutes.mean,
                            s.minutes.low,
                            s.minutes.high,
                            s.shortest,
                            s.longest,
                        )
                        for s in found.services
                    ),
                ),
                widths=(2.6, 2.6, 0.5, 1.2, 2.0, 2.0),
            )
        )
    if found.remarks:
        blocks.append(
            literal_table(
                label="tab-remarks",
                caption="Remarks on serviceability",
                columns=(Column("Configuration"), Column("Task"), Column("Remark")),
                rows=tuple((result.name_of(r.configuration), r.task, r.note) for r in found.remarks),
                widths=(2.2, 2.2, 5.0),
            )
        )
    return tuple(blocks)
