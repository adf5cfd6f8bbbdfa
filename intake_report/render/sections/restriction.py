"""Airflow and restriction: curves, values at one airflow, airflow at one depression, wide-open throttle on the road."""

from __future__ import annotations

from intake_report import formatting
from intake_report.bench import RestrictionSet
from intake_report.plots_evidence import restriction_figure
from intake_report.render.blocks import Block, Column, Heading, Paragraph
from intake_report.render.figure import figure_block
from intake_report.render.inline import literal
from intake_report.render.sections.tables import literal_table
from intake_report.results import ReportResult
from intake_report.results.evidence import Evidence
from intake_report.results.evidence_text import (
    AIRFLOW,
    DROP,
    airflow_texts,
    comparison_texts,
    percent,
    restriction_texts,
)

FIT_ONLY = "fit only, no repeat measurement"
ONE_SERIES = (
    f"Intervals and percentages: {FIT_ONLY}. One series of each configuration was measured, so that the intervals hold the scatter "
    "of its points about the law and not what another series, with the part fitted anew, would give."
)


def restriction(result: ReportResult) -> tuple[Block, ...]:
    """Return restriction curves and theoretical airflow; nothing without curves or airflow at wide-open throttle."""
    found = result.evidence
    if found is None:
        return ()
    sets = [(curves, ONE_SERIES) for curves in (found.bench.restrictions if found.bench else ())]
    road = found.road
    if road is not None and road.curves is not None:
        note = (
            f"Samples with a throttle reading of {road.throttle:.0f} % or more. Manifold pressure contains the throttle body and bounds "
            "the intake's own restriction from above; the samples of one run follow each other, so that these intervals are too narrow."
        )
        sets.append((road.curves, note))
    if not sets and (road is None or not road.full):
        return ()
    blocks: list[Block] = [Heading(2, "Airflow and restriction", "sec-restriction")]
    for number, (curves, note) in enumerate(sets, 1):
        blocks += _set(result, curves, "" if len(sets) == 1 else f"-{number}", note)
    return (*blocks, *_road(result, found), *_theoretical(result, found))


def _set(result: ReportResult, curves: RestrictionSet, suffix: str, note: str) -> list[Block]:
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
    level = _level(result, note)

    def row(id: str, exponent: str) -> tuple[str, ...]:
        name = result.name_of(id)
        value = restriction_texts(at[id], units) if id in at else (formatting.ABSENT,) * 2
        change = comparison_texts(versus[id], units) if id in versus else (formatting.ABSENT,) * 3
        return (name, exponent, *value, *change)

    where = AIRFLOW.text(curves.airflow, units) if curves.airflow is not None else "no common airflow"
    notes = [f"{result.name_of(f.configuration)}: {f.note}." for f in curves.fits if f.note]
    notes += [text for text in (curves.reason, note) if text]
    blocks.append(
        literal_table(
            label=f"tab-restriction{suffix}",
            caption=f"Restriction at {where} ({source}), by the fitted power law; differences from {result.baseline.name}",
            columns=(
                Column("Configuration"),
                Column("Exponent", "right"),
                Column("Restriction", "right"),
                Column(level, "right"),
                Column("Difference", "right"),
                Column("Percent", "right"),
                Column(level, "right"),
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
    return blocks + _airflows(result, curves, suffix, note)


def _level(result: ReportResult, note: str) -> str:
    """Return the head of a column of intervals, which says so where they are of one series only."""
    head = f"{formatting.number(100 * result.level, 0)} % interval"
    return f"{head} ({FIT_ONLY})" if note == ONE_SERIES else head


def _exponent(value: float, low: float | None, high: float | None) -> str:
    text = formatting.number(value, 2)
    return (
        text if low is None or high is None else f"{text} ({formatting.number(low, 2)} to {formatting.number(high, 2)})"
    )


def _airflows(result: ReportResult, curves: RestrictionSet, suffix: str, note: str) -> list[Block]:
    if not curves.airflows:
        return []
    units = result.units
    depression = curves.airflows[0].depression
    level = _level(result, note)
    scaled = next((a.scaled for a in curves.airflows if a.scaled is not None), None)
    columns = [
        Column("Configuration"),
        Column("Airflow", "right"),
        Column(level, "right"),
        Column("More airflow", "right"),
        Column(level, "right"),
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
            notes=(note,) if note else (),
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
