"""Airflow and restriction, exposure trials, serviceability."""

from __future__ import annotations

from intake_report.bench import CAUTION_SERVICE, RestrictionSet
from intake_report.campaign import Campaign
from intake_report.campaign.evidence import Exposure
from intake_report.plots_evidence import restriction_figure
from intake_report.render.blocks import Block, Callout, Column, Heading, Paragraph
from intake_report.render.figure import figure_block
from intake_report.render.inline import literal
from intake_report.render.sections.tables import literal_table
from intake_report.results import ReportResult, formatting
from intake_report.results.evidence import Evidence
from intake_report.results.evidence_text import (
    AIRFLOW,
    DROP,
    DURATION,
    airflow_texts,
    comparison_texts,
    exposure_texts,
    grams,
    percent,
    restriction_texts,
    service_texts,
)


def restriction(result: ReportResult) -> tuple[Block, ...]:
    """Return restriction curves and theoretical airflow; nothing without curves or airflow at wide-open throttle."""
    found = result.evidence
    if found is None:
        return ()
    sets = [*(found.bench.restrictions if found.bench else ())]
    road = found.road
    if road is not None and road.curves is not None:
        sets.append(road.curves)
    if not sets and (road is None or not road.full):
        return ()
    blocks: list[Block] = [Heading(2, "Airflow and restriction", "sec-restriction")]
    for number, curves in enumerate(sets, 1):
        blocks += _set(result, curves, "" if len(sets) == 1 else f"-{number}")
    return (*blocks, *_road(result, found), *_theoretical(result, found))


def _set(result: ReportResult, curves: RestrictionSet, suffix: str) -> list[Block]:
    units = result.units
    source = curves.source or "bench"
    blocks: list[Block] = [
        figure_block(
            restriction_figure(result, curves),
            f"fig-restriction{suffix}",
            f"Restriction against airflow ({literal(source)}): measured points and fitted power laws"
            + ("; dotted: airflow of the comparison." if curves.airflow is not None else "."),
            "Rising curves of pressure drop against airflow through measured points, one per configuration. The fitted laws and the "
            "values at the common airflow are in the table that follows.",
        )
    ]
    at = {value.configuration: value for value in curves.values}
    versus = {c.candidate: c for c in curves.comparisons}
    level = formatting.number(100 * result.level, 0)

    def row(id: str, exponent: str) -> tuple[str, ...]:
        name = result.name_of(id)
        value = restriction_texts(at[id], units) if id in at else (formatting.ABSENT,) * 2
        change = comparison_texts(versus[id], units) if id in versus else (formatting.ABSENT,) * 3
        return (name, exponent, *value, *change)

    where = AIRFLOW.text(curves.airflow, units) if curves.airflow is not None else "no common airflow"
    notes = [f"{result.name_of(f.configuration)}: {f.note}." for f in curves.fits if f.note]
    if curves.reason:
        notes.append(curves.reason)
    blocks.append(
        literal_table(
            label=f"tab-restriction{suffix}",
            caption=f"Restriction at {where} ({source}), by the fitted power law; differences from {result.baseline.name}",
            columns=(
                Column("Configuration"),
                Column("Exponent", "right"),
                Column("Restriction", "right"),
                Column(f"{level} % interval", "right"),
                Column("Difference", "right"),
                Column("Percent", "right"),
                Column(f"{level} % interval", "right"),
            ),
            rows=tuple(
                row(f.configuration, _exponent(f.exponent, f.exponent_low, f.exponent_high)) for f in curves.fits
            ),
            notes=tuple(notes),
            values=(
                (
                    "configuration",
                    "coefficient",
                    "exponent",
                    "exponent_low",
                    "exponent_high",
                    "points",
                    "lowest_m3_s",
                    "highest_m3_s",
                    "airflow_m3_s",
                    "restriction_kPa",
                    "low_kPa",
                    "high_kPa",
                ),
                *(
                    (
                        f.configuration,
                        f.coefficient,
                        f.exponent,
                        f.exponent_low,
                        f.exponent_high,
                        f.n,
                        f.lowest,
                        f.highest,
                        curves.airflow,
                        at[f.configuration].drop if f.configuration in at else None,
                        at[f.configuration].low if f.configuration in at else None,
                        at[f.configuration].high if f.configuration in at else None,
                    )
                    for f in curves.fits
                ),
            ),
            widths=(2.3, 1.6, 1.2, 1.8, 1.4, 1.0, 1.9),
        )
    )
    return blocks + _airflows(result, curves, suffix)


def _exponent(value: float, low: float | None, high: float | None) -> str:
    text = formatting.number(value, 2)
    return (
        text if low is None or high is None else f"{text} ({formatting.number(low, 2)} to {formatting.number(high, 2)})"
    )


def _airflows(result: ReportResult, curves: RestrictionSet, suffix: str) -> list[Block]:
    if not curves.airflows:
        return []
    units = result.units
    depression = curves.airflows[0].depression
    level = formatting.number(100 * result.level, 0)
    scaled = next((a.scaled for a in curves.airflows if a.scaled is not None), None)
    columns = [
        Column("Configuration"),
        Column("Airflow", "right"),
        Column(f"{level} % interval", "right"),
        Column("More airflow", "right"),
        Column(f"{level} % interval", "right"),
    ]
    if scaled is not None:
        columns.append(Column(f"Scaled to {DROP.text(scaled.to_depression, units)}", "right"))
    text = (
        "A percentage of more airflow is given between equal depressions only, here at "
        f"{DROP.text(depression, units)}, the highest that all curves reach."
    )
    if scaled is not None:
        ratio = formatting.number(scaled.to_depression / scaled.from_depression, 2)
        text += (
            f" Airflow at {DROP.text(scaled.to_depression, units)} is scaled by the square root of the ratio of depressions ({ratio}; "
            f"common practice; {scaled.note}). {'The ratio is within' if scaled.in_range else 'The ratio is outside'} 1/4 to 4, the "
            "range for which this package does not question the rule. The scaled percentages are the same by the rule and are no "
            "measurement at that depression."
        )
    return [
        Paragraph(text),
        literal_table(
            label=f"tab-airflow{suffix}",
            caption=f"Airflow at an equal depression of {DROP.text(depression, units)}, by the fitted power law, against {result.baseline.name}",
            columns=tuple(columns),
            rows=tuple(
                (
                    result.name_of(a.configuration),
                    *airflow_texts(a, units),
                    *((AIRFLOW.text(a.scaled.airflow, units),) if a.scaled is not None else ()),
                )
                for a in curves.airflows
            ),
            values=(
                (
                    "configuration",
                    "depression_kPa",
                    "airflow_m3_s",
                    "low",
                    "high",
                    "more_percent",
                    "more_low",
                    "more_high",
                ),
                *(
                    (a.configuration, a.depression, a.airflow, a.low, a.high, a.more, a.more_low, a.more_high)
                    for a in curves.airflows
                ),
            ),
        ),
    ]


def _road(result: ReportResult, found: Evidence) -> tuple[Block, ...]:
    road = found.road
    if road is None:
        return ()
    if not road.full:
        return (Paragraph(f"From the road: {literal(road.reason)}, so no restriction and no volumetric efficiency."),)
    blocks: list[Block] = []
    if road.reason:
        blocks.append(Paragraph(f"Restriction from the road: {literal(road.reason)}."))
    rows = tuple(
        (
            result.name_of(f.configuration),
            str(f.runs),
            str(f.samples),
            percent(f.efficiency, 1, signed=False),
            f"{formatting.number(f.low, 1)} to {formatting.number(f.high, 1)}{formatting.NARROW_SPACE}%"
            if f.low is not None and f.high is not None
            else formatting.ABSENT,
        )
        for f in road.full
    )
    blocks.append(
        literal_table(
            label="tab-efficiency",
            caption="Volumetric efficiency on the road at wide-open throttle: airflow over the theoretical airflow at ambient density",
            columns=(
                Column("Configuration"),
                Column("Runs", "right"),
                Column("Samples", "right"),
                Column("Volumetric efficiency", "right"),
                Column(f"{formatting.number(100 * result.level, 0)} % interval", "right"),
            ),
            rows=rows,
            notes=(
                f"Samples with a throttle reading of {road.throttle:.0f} % or more. Against ambient density the figure contains "
                "restriction and heating of the intake.",
            ),
        )
    )
    return tuple(blocks)


def _theoretical(result: ReportResult, found: Evidence) -> tuple[Block, ...]:
    theory = found.theoretical
    if theory is None:
        return ()
    text = (
        f"The engine displaces {AIRFLOW.text(theory.airflow, result.units)} at {theory.speed:.0f} rpm, the highest engine speed of all "
        "pulls (four-stroke, one filling every other revolution; theoretical airflow at 100 % volumetric efficiency)."
    )
    if theory.share is not None:
        text += f" The airflow of the comparison is {percent(theory.share, 0, signed=False)} of that."
    return (Paragraph(text),)


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
            entry.condition,
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
