"""Bench: airflow and restriction with theirs at one airflow and one depression; exposure trials and serviceability."""

from collections.abc import Iterator
from typing import Any

import pandas as pd

from intake_report import formatting
from intake_report.bench import CAUTION_SERVICE, BenchResult, RestrictionSet, trial_cautions
from intake_report.campaign import Campaign
from intake_report.messages import said
from intake_report.plots_values import restriction_figure
from intake_report.render.blocks import Begins, Block, Callout, Heading, Paragraph, literal
from intake_report.render.figure import FigureOf
from intake_report.render.sections.tables import TableOf, interval_column, named
from intake_report.report_table import Field, frame_of, rows_of
from intake_report.results import ReportResult
from intake_report.results.evidence import RoadAirflow
from intake_report.results.text import AIRFLOW, EXPOSURE, RESTRICTION, SERVICE, Text, grams, in_unit, limits, percent
from intake_report.units import UnitSystem

FIT_ONLY = "fit only, no repeat measurement"
ONE_SERIES = (
    f"Intervals and percentages: {FIT_ONLY}. One series of each configuration was measured, so that the intervals hold the scatter "
    "of its points about the law and not what another series, with the part fitted anew, would give."
)


def restriction(result: ReportResult) -> tuple[Block, ...]:
    """Return restriction curves and theoretical airflow; nothing without curves or airflow at wide-open throttle."""
    evidence, bench, road = result.evidence, result.evidence.bench, result.evidence.road
    sets = [(curves, ONE_SERIES) for curves in (bench.restrictions if bench else ())]
    if road is not None and road.curves is not None:
        note = (
            f"Samples with a throttle reading of {percent(road.throttle, 0, signed=False)} or more. Manifold pressure contains the "
            "throttle body and bounds the intake's own restriction from above; the samples of one run follow each other, so that these "
            "intervals are too narrow."
        )
        sets.append((road.curves, note))
    quoted = bench is not None and len(bench.quotes) > 0
    if not sets and not quoted and (road is None or road.full.empty):
        return ()
    blocks: list[Block] = [Begins("page")] if evidence.dyno else []
    blocks.append(Heading(2, "Airflow and restriction", "sec-restriction"))
    for number, (curves, note) in enumerate(sets, 1):
        blocks += _set(result, curves, "" if len(sets) == 1 else f"-{number}", note)
    if bench is not None and quoted:
        blocks += _quotes(result, bench)
    if road is not None:
        blocks += _road(result, road)
    if evidence.theoretical is not None:
        theory, speed = evidence.theoretical, result.printed(evidence.theoretical.speed, "engine_speed", 0)
        text = (
            f"The engine displaces {result.printed(theory.airflow, 'volume_flow', 0)} at {speed}, the highest engine speed of all pulls (four-stroke, "
            "one filling every other revolution; theoretical airflow at 100 % volumetric efficiency)."
        )
        if theory.share is not None:
            text += f" The airflow of the comparison is {percent(theory.share, 0, signed=False)} of that."
        blocks.append(Paragraph(text))
    return tuple(blocks)


def _set(result: ReportResult, curves: RestrictionSet, suffix: str, note: str) -> Iterator[Block]:
    units, source = result.units, curves.source or "bench"
    yield FigureOf(restriction_figure(result, curves, _finding(result, curves)), f"fig-restriction{suffix}").captioned(
        f"Restriction against airflow ({literal(source)}): measured points and fitted power laws"
        + ("; dotted: airflow of the comparison." if curves.airflow is not None else "."),
        "Rising curves of pressure drop against airflow through measured points, one per configuration. The fitted laws and the "
        "values at the common airflow are in the table that follows.",
    )
    where = result.printed(curves.airflow, "volume_flow", 0) if curves.airflow is not None else "no common airflow"

    def exponent(row: Any, _: UnitSystem) -> str:
        limits = formatting.interval(row.exponent_low, row.exponent_high, "number", "si", 2)
        return formatting.number(row.exponent, 2) + ("" if row.exponent_low is None else f" ({limits})")

    rows = frame_of(curves.fits).merge(curves.rows, on="configuration")
    yield TableOf(result.units, f"tab-restriction{suffix}", rows).declared(
        f"Restriction at {where} ({source}), by the fitted power law; differences from {result.baseline.name}",
        named(result, 2.3),
        Field("exponent", "Exponent", cell=exponent, align="right", width=1.6),
        Field("drop", "Restriction", cell=RESTRICTION["drop_text"], align="right", width=1.2),
        _interval(result, note, RESTRICTION["drop_interval_text"], 1.8),
        Field("difference", "Difference", cell=RESTRICTION["difference_text"], align="right", width=1.4),
        Field("percent", "Percent", cell=RESTRICTION["percent_text"], align="right"),
        _interval(result, note, RESTRICTION["percent_interval_text"], 1.9),
        notes=(
            *(f"{result.name_of(f.configuration)}: {said(f.note, units)}." for f in curves.fits if f.note),
            *(text for text in (said(curves.reason, units), note) if text),
        ),
    )
    if curves.depression is not None:
        yield from _airflows(result, curves, curves.depression, suffix, note)


def _finding(result: ReportResult, curves: RestrictionSet) -> str:
    if curves.airflow is None:
        return "Restriction against airflow"
    parts = [
        f"{result.name_of(row.configuration)} {formatting.usual(abs(row.percent) / 100.0, 'share', 'si')} {'less' if row.percent < 0.0 else 'more'}"
        for row in rows_of(curves.rows)
        if row.percent is not None and row.configuration != result.baseline.id
    ]
    at = result.printed(curves.airflow, "volume_flow", 0)
    found = f"At {at} against {result.baseline.name}: {formatting.listing(parts)} restriction"
    return found if parts else f"Restriction at {at}"


def _interval(result: ReportResult, note: str, cell: Text, width: float = 1.0) -> Field:
    return interval_column(result.level, cell, width, f" ({FIT_ONLY})" if note == ONE_SERIES else "")


def _airflows(
    result: ReportResult, curves: RestrictionSet, depression: float, suffix: str, note: str
) -> Iterator[Block]:
    units, scaling = result.units, curves.scaling
    at = result.printed(depression, "restriction", 2)
    scaled: tuple[Field, ...] = ()
    text = f"A percentage of more airflow is given between equal depressions only, here at {at}, the highest that all curves reach."
    if scaling is not None:
        ratio = formatting.number(scaling.to_depression / scaling.depression, 2)
        to = result.printed(scaling.to_depression, "restriction", 2)
        scaled = (Field("scaled", f"Scaled to {to}", cell=in_unit("scaled", "volume_flow", 0), align="right"),)
        text += (
            f" Airflow at {to} is scaled by the square root of the ratio of depressions ({ratio}; "
            f"common practice; {said(scaling.note, units)}). {'The ratio is within' if scaling.in_range else 'The ratio is outside'} "
            "1/4 to 4, the range for which this package does not question the rule. The scaled percentages are the same by the rule "
            "and are no measurement at that depression."
        )
    yield TableOf(result.units, f"tab-airflow{suffix}", curves.rows).declared(
        f"Airflow at an equal depression of {at}, by the fitted power law, against {result.baseline.name}",
        named(result),
        Field("flow", "Airflow", cell=AIRFLOW["flow_text"], align="right"),
        _interval(result, note, AIRFLOW["flow_interval_text"]),
        Field("more", "More airflow", cell=AIRFLOW["more_text"], align="right"),
        _interval(result, note, AIRFLOW["more_interval_text"]),
        *scaled,
        notes=(text, *((note,) if note else ())),
    )


def _quotes(result: ReportResult, bench: BenchResult) -> Iterator[Block]:
    yield Paragraph(
        "Airflow goes with about the square root of the test depression, so that a percentage of airflow means something only where "
        "both were measured at one depression that is stated. The percentages below stand as quoted; they are not measurements of "
        "this campaign and are compared neither with its curves nor with each other. What would make one comparable: both airflows "
        "at one stated depression on one bench, or a restriction curve of each."
    )

    def at(name: str) -> Any:
        given = in_unit(name, "restriction", 2)
        return lambda row, units: "not known" if getattr(row, name) is None else given(row, units)

    yield TableOf(result.units, "tab-airflow-quoted", bench.quotes).declared(
        "Airflow as quoted",
        named(result, 1.8),
        Field("versus", "Against", cell=lambda row, _: result.name_of(row.versus), width=1.8),
        Field("more", "More airflow", cell=lambda row, _: f"“{percent(row.more)}”", align="right", width=1.1),
        Field("depression", "At", cell=at("depression"), align="right"),
        Field("versus_depression", "Other at", cell=at("versus_depression"), align="right"),
        Field("source", "Source", width=2.0),
        Field("standing", "Standing", width=2.4),
    )


def _road(result: ReportResult, road: RoadAirflow) -> Iterator[Block]:
    reason = literal(said(road.reason, result.units))
    if road.full.empty:
        yield Paragraph(f"From the road: {reason}, so no restriction and no volumetric efficiency.")
        return
    if reason:
        yield Paragraph(f"Restriction from the road: {reason}.")
    yield TableOf(result.units, "tab-efficiency", road.full).declared(
        "Volumetric efficiency on the road at wide-open throttle: airflow over the theoretical airflow at ambient density",
        named(result),
        Field("runs", "Runs", "number"),
        Field("samples", "Samples", "number"),
        Field("efficiency", "Volumetric efficiency", "ratio", 1, unit="cell"),
        _interval(result, "", limits("low", "high", "ratio", 1)),
        notes=(
            f"Samples with a throttle reading of {percent(road.throttle, 0, signed=False)} or more. Against ambient density the figure "
            "contains restriction and heating of the intake."
        ),
    )


def exposure(campaign: Campaign, result: ReportResult) -> tuple[Block, ...]:
    """Return wet, dusty and hot trials with exact bounds; nothing without trials."""
    bench = result.evidence.bench
    if bench is None or not len(bench.exposures):
        return ()
    # like trials are counted, not repeated
    alike = ["configuration", "condition", "duration", "observation", "before", "after", "inspector"]
    rows = frame_of(
        dict(e)
        | {"condition": f"{e.condition}, {e.date}" if e.date else e.condition, "adverse": e.adverse_trials}
        | {"before": e.filter_mass_before, "after": e.filter_mass_after}
        for e in campaign.exposures
    )

    def masses(row: Any, _: Any) -> str:
        if pd.isna(row.before) or pd.isna(row.after):
            return formatting.ABSENT
        return f"{grams(1000.0 * row.before)}, {grams(1000.0 * row.after)}"

    counted = rows.groupby(alike, sort=False, dropna=False, as_index=False)[["trials", "adverse"]].sum()
    trials = TableOf(result.units, "tab-trials", counted).declared(
        "Trials as recorded",
        named(result, 2.0),
        Field("condition", "Condition"),
        Field("trials", "Trials", "number", width=0.7),
        Field("duration", "Duration", "duration", 1, unit="cell"),
        Field("observation", "Observation", width=3.2),
        Field("adverse", "Adverse", "number", width=0.9),
        Field("", "Filter before, after", cell=masses, align="right", width=1.5),
        Field("inspector", "Inspector", width=1.6, internal=True),
    )
    bounds = TableOf(result.units, "tab-exposure", bench.exposures).declared(
        "Exposure trials: adverse observations, with what they leave open",
        named(result, 2.0),
        Field("sentence", "Observation", width=6.4),
        Field("duration", "Duration", cell=EXPOSURE["duration_text"], align="right", width=1.0),
        Field("gain", "Filter gained", cell=EXPOSURE["mass_gain_text"], align="right", width=1.2),
        notes="Exact bounds (Clopper–Pearson; one-sided where nothing was observed). Unlike configurations are not pooled.",
    )
    return (
        Heading(2, "Exposure trials", "sec-exposure"),
        Callout("caution", "Water and open roads", trial_cautions(bench.exposures["condition"])),
        trials,
        bounds,
    )


def service(result: ReportResult) -> tuple[Block, ...]:
    """Return times to do a task and remarks on serviceability; nothing without them."""
    bench = result.evidence.bench
    if bench is None or not (len(bench.services) or len(bench.remarks)):
        return ()
    times = TableOf(result.units, "tab-service", bench.services).declared(
        "Time to do a task, mean with its interval",
        Field("task", "Task", width=2.6),
        named(result, 2.6),
        Field("n", "n", "number", width=0.5),
        Field("mean", "Mean", cell=SERVICE["text"], align="right", width=1.2),
        _interval(result, "", SERVICE["interval_text"], 2.0),
        Field("shortest", "Shortest to longest", cell=SERVICE["range_text"], align="right", width=2.0),
    )
    remarks = TableOf(result.units, "tab-remarks", bench.remarks).declared(
        "Remarks on serviceability",
        named(result, 2.2),
        Field("task", "Task", width=2.2),
        Field("note", "Remark", width=5.0),
    )
    return (
        Heading(2, "Serviceability", "sec-service"),
        Callout("caution", "Work on the intake", (CAUTION_SERVICE,)),
        *(table for table in (times, remarks) if table.rows),
    )
