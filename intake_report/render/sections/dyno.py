"""Dyno: conditions and correction, pulls, mean curves, differences by engine speed, figures, drift."""

from __future__ import annotations

from intake_report import formatting
from intake_report.campaign import Campaign
from intake_report.dyno import DynoResult, PullFigures
from intake_report.messages import said
from intake_report.plots_evidence import dyno_difference_figure, dyno_figure
from intake_report.render.blocks import Block, Column, Heading, Paragraph
from intake_report.render.figure import figure_block
from intake_report.render.inline import literal
from intake_report.render.sections.tables import literal_table
from intake_report.results import ReportResult
from intake_report.results.evidence_text import (
    POWER,
    PRESSURE,
    SHARE,
    TEMPERATURE,
    TORQUE,
    difference_texts,
    drift_texts,
    in_turn,
    left_out_reason,
    mean_texts,
    percent,
    shown_summaries,
    verdict,
)


def dyno(campaign: Campaign, result: ReportResult) -> tuple[Block, ...]:
    """Return everything about the pulls; nothing without pulls."""
    found = result.evidence.dyno if result.evidence else None
    if found is None:
        return ()
    return (
        Heading(2, "Dyno", "sec-dyno"),
        Paragraph(_basis(campaign, found)),
        Paragraph(_correction(campaign, found)),
        _pulls(result, found),
        *_left_out(result, found),
        *_curves(result, found),
        _means(result, found),
        *_differences(result, found),
        *_drift(result, found),
    )


def _basis(campaign: Campaign, found: DynoResult) -> str:
    n = formatting.count(len(found.figures), "pull")
    sessions = {f.session for f in found.figures}
    where = (
        f"Figures apply at the {found.basis}; they are never mixed with figures of another place."
        if "estimated" not in found.basis
        else f"Figures are for the {found.basis}; that loss is an assumption with a name and no measurement."
    )
    if found.basis == "wheel" and not campaign.dyno.driveline_loss:
        where += " No driveline loss is assumed, so no engine figure is given."
    smoothing = (
        f"Curves are smoothed by a straight line over {found.grid.smoothing:.0f} rpm around each speed, which changed the peak power by "
        f"{percent(found.smoothing_effect, 2)} on average."
        if found.grid.smoothing
        else "Curves are not smoothed, so that the peak of a pull is the highest reading on the grid: reading on the grid changed it by "
        f"{percent(found.smoothing_effect, 2)} on average."
    )
    return (
        f"{n} in {formatting.count(len(sessions), 'session')} are compared over the band of engine speed that all of them cover, "
        f"{found.grid.low:.0f} to {found.grid.high:.0f} rpm, in steps of {found.grid.step:.0f} rpm. {literal(where)} {smoothing}"
    )


def _correction(campaign: Campaign, found: DynoResult) -> str:
    corrections = [c.correction for c in found.corrections]
    if corrections[0].method == "none":
        text = "Power and torque are **not corrected** to a reference state."
        states = [c.air for c in corrections if c.air is not None]
        if len(states) == len(corrections):
            temperatures = [s.temperature for s in states]
            text += (
                " The temperature of the cell air lay between "
                f"{TEMPERATURE.interval(min(temperatures), max(temperatures), campaign.about.units)}; what the changes of the air did "
                "to power stays in the figures."
            )
        return text
    factors = [c.factor for c in corrections]
    low, high = (formatting.number(f, 4) for f in (min(factors), max(factors)))
    inside = sum(c.in_validity is True for c in corrections)
    validity = (
        "the method publishes no range of validity"
        if corrections[0].in_validity is None
        else f"{inside} of {formatting.count(len(corrections), 'pull')} lie within its range of validity"
    )
    return (
        f"Correction: **{literal(found.correction)}** to {literal(found.reference)}, "
        f"{'naturally aspirated' if corrections[0].aspiration == 'natural' else 'boosted'}; factors "
        f"{low if low == high else f'{low} to {high}'}; {validity}. It takes the air of the cell, never the intake air: correcting with "
        "intake air would correct away the effect under test. A factor more than 7 % away from 1 is a limitation (common practice)."
    )


def _pulls(result: ReportResult, found: DynoResult) -> Block:
    units = result.units
    air = {c.pull: c.correction.air for c in found.corrections}

    def cell(f: PullFigures) -> tuple[str, str, str]:
        state = air[f.pull]
        if state is None:
            return (formatting.ABSENT,) * 3
        return (
            TEMPERATURE.bare(state.temperature, units),
            PRESSURE.bare(state.pressure, units),
            SHARE.bare(state.humidity, units),
        )

    corrected = any(c.correction.method != "none" for c in found.corrections)
    extra = (Column("Uncorrected", "right"),) if corrected else ()

    def both(corrected_text: str, uncorrected: str) -> tuple[str, ...]:
        return (corrected_text, uncorrected) if corrected else (corrected_text,)

    return literal_table(
        label="tab-pulls",
        caption=f"Pulls that count, {f'corrected ({found.correction}) and uncorrected' if corrected else 'uncorrected'}",
        columns=(
            Column("Pull"),
            Column("Order", "right"),
            Column(f"Cell [{TEMPERATURE.unit(units)}]", "right"),
            Column(f"Cell [{PRESSURE.unit(units)}]", "right"),
            Column("Humidity [%]", "right"),
            *((Column("Factor", "right"),) if corrected else ()),
            Column(f"Peak power [{POWER.unit(units)}]", "right"),
            *extra,
            Column("at [rpm]", "right"),
            Column(f"Peak torque [{TORQUE.unit(units)}]", "right"),
            *extra,
        ),
        rows=tuple(
            (
                f.pull,
                str(f.order),
                *cell(f),
                *((formatting.number(f.factor, 4),) if corrected else ()),
                *both(POWER.bare(f.peak_power, units), POWER.bare(f.peak_power_uncorrected, units)),
                f"{f.peak_power_speed:.0f}",
                *both(TORQUE.bare(f.peak_torque, units), TORQUE.bare(f.peak_torque_uncorrected, units)),
            )
            for f in found.figures
        ),
        notes=tuple(
            f"{result.name_of(id)}: {formatting.listing([f.pull for f in found.figures if f.configuration == id])}."
            for id in dict.fromkeys(f.configuration for f in found.figures)
        ),
        values=(
            (
                "pull",
                "configuration",
                "session",
                "order",
                "factor",
                "peak_power_kW",
                "peak_power_uncorrected_kW",
                "peak_power_rpm",
                "peak_power_unsmoothed_kW",
                "mean_power_kW",
                "mean_power_uncorrected_kW",
                "peak_torque_Nm",
                "peak_torque_uncorrected_Nm",
                "peak_torque_rpm",
                "mean_torque_Nm",
                "area_kW_rpm",
            ),
            *(
                (
                    f.pull,
                    f.configuration,
                    f.session,
                    f.order,
                    f.factor,
                    f.peak_power,
                    f.peak_power_uncorrected,
                    f.peak_power_speed,
                    f.peak_power_unsmoothed,
                    f.mean_power,
                    f.mean_power_uncorrected,
                    f.peak_torque,
                    f.peak_torque_uncorrected,
                    f.peak_torque_speed,
                    f.mean_torque,
                    f.area,
                )
                for f in found.figures
            ),
        ),
    )


def _left_out(result: ReportResult, found: DynoResult) -> tuple[Block, ...]:
    if not found.left_out:
        return (Paragraph("No pull was left out."),)
    items = "; ".join(
        literal(f"{x.pull} ({result.name_of(x.configuration)}): {left_out_reason(x, result.units)}")
        for x in found.left_out
    )
    return (Paragraph(f"{formatting.count(len(found.left_out), 'pull')} left out by rule: {items}."),)


def _curves(result: ReportResult, found: DynoResult) -> tuple[Block, ...]:
    level = formatting.number(100 * found.level, 0)
    single = any(c.low is None for c in found.curves)
    blocks: list[Block] = [
        figure_block(
            dyno_figure(result, found),
            "fig-dyno",
            f"Mean power and torque by engine speed ({literal(found.correction)}, {literal(found.basis)}); bands: {level} % interval of the "
            f"mean at each speed by itself{'; a single pull has none' if single else ''}.",
            "Two panels of mean curves by engine speed with bands, power left and torque right, one curve per configuration. Peaks, "
            "means over the band and areas are in the table of figures.",
        )
    ]
    if any(x.quantity == "power" for x in found.differences):
        blocks.append(
            figure_block(
                dyno_difference_figure(result, found),
                "fig-dyno-difference",
                f"Difference of power from {literal(result.baseline.name)} by engine speed with its {level} % interval, which holds at each "
                "speed by itself: where it leaves zero at a few speeds out of many, chance alone may do that.",
                "One panel per configuration with the difference of power from the baseline by engine speed and its interval around it.",
            )
        )
    return tuple(blocks)


def _means(result: ReportResult, found: DynoResult) -> Block:
    level = formatting.number(100 * found.level, 0)
    return literal_table(
        label="tab-dyno-means",
        caption=f"Figures per configuration over {found.grid.low:.0f} to {found.grid.high:.0f} rpm: mean of the pulls with its interval",
        columns=(
            Column("Figure"),
            Column("Configuration"),
            Column("n", "right"),
            Column("Mean", "right"),
            Column(f"{level} % interval", "right"),
        ),
        rows=tuple(
            (s.title, result.name_of(id), str(m.n), *mean_texts(s, m, result.units))
            for s in shown_summaries(found)
            for id, m in s.means.items()
        ),
        values=(
            ("figure", "unit", "configuration", "n", "mean", "sd", "low", "high", "level"),
            *(
                (s.figure, s.unit, id, m.n, m.mean, m.sd, m.low, m.high, m.level)
                for s in found.summaries
                for id, m in s.means.items()
            ),
        ),
        widths=(3.6, 2.6, 0.5, 1.6, 2.4),
    )


def _differences(result: ReportResult, found: DynoResult) -> tuple[Block, ...]:
    pairs = [(s, id, x) for s in shown_summaries(found) for id, x in s.differences.items()]
    if not pairs:
        return ()
    level = formatting.number(100 * found.level, 0)
    texts = dict.fromkeys(said(x.note, result.units) for _, _, x in pairs if x.note)
    notes = tuple(f"{text[0].upper()}{text[1:]}." for text in texts)
    balanced = in_turn(found)
    if not balanced:
        notes += (
            "The configurations were pulled one after the other: a drift of the session is mixed with these differences, so that an "
            "interval beside zero is an indication.",
        )
    notes += (f"{formatting.count(len(pairs), 'difference')} are shown, and no interval is widened for their number.",)
    return (
        literal_table(
            label="tab-dyno-differences",
            caption=f"Differences of the figures from {result.baseline.name}",
            columns=(
                Column("Figure"),
                Column("Configuration"),
                Column("Difference", "right"),
                Column(f"{level} % interval", "right"),
                Column("Percent", "right"),
                Column("Pulls", "center"),
                Column("Verdict"),
            ),
            rows=tuple(
                (
                    s.title,
                    result.name_of(id),
                    *difference_texts(s, found.baseline, x, result.units),
                    f"{x.n_candidate} / {x.n_baseline}",
                    verdict(x.low, x.high, balanced=balanced),
                )
                for s, id, x in pairs
            ),
            notes=notes,
            values=(
                ("figure", "unit", "configuration", "difference", "low", "high", "df", "n", "n_baseline", "method"),
                *(
                    (s.figure, s.unit, id, x.difference, x.low, x.high, x.df, x.n_candidate, x.n_baseline, x.method)
                    for s, id, x in pairs
                ),
            ),
            widths=(3.0, 2.2, 1.5, 2.3, 0.9, 0.7, 1.5),
        ),
    )


def _drift(result: ReportResult, found: DynoResult) -> tuple[Block, ...]:
    known = [x for x in found.drifts if x.slope is not None]
    unknown = [x.reason for x in found.drifts if x.slope is None]
    text = (
        "Within a session the engine, its bay and the rollers warm up from pull to pull. The slope of mean power over the band against "
        "pull order, intake air and coolant temperature is taken within configurations and sessions; it can tell a drift from a "
        "configuration only as far as pulls of one configuration were made at different values."
    )
    if unknown:
        text += f" Not given: {literal('; '.join(dict.fromkeys(unknown)))}."
    if not known:
        return (Paragraph(text),)
    level = formatting.number(100 * found.level, 0)
    rows = []
    for x in known:
        slope, limits, over = drift_texts(x, result.units)
        share = percent(100.0 * x.share, 0, signed=False) if x.share is not None else formatting.ABSENT
        seen = x.reason or ("drift shown" if x.detected else "no drift shown")
        rows.append((x.covariate, str(x.n), slope, limits, over, share, seen))
    return (
        Paragraph(text),
        literal_table(
            label="tab-drift",
            caption="Drift of mean power within the session",
            columns=(
                Column("Against"),
                Column("Pulls", "right"),
                Column("Slope", "right"),
                Column(f"{level} % interval", "right"),
                Column("Over its range", "right"),
                Column("Between configurations", "right"),
                Column("Verdict"),
            ),
            rows=tuple(rows),
            notes=(
                "Between configurations: share of the covariate's variance that lies between configurations; at 100 % a drift and a "
                "configuration cannot be told apart.",
            ),
            values=(
                ("against", "n", "df", "slope", "low", "high", "unit", "span", "over_span_kW", "share_between"),
                *(
                    (
                        x.covariate,
                        x.n,
                        x.df,
                        x.slope,
                        x.low,
                        x.high,
                        f"{x.unit}/{x.covariate_unit}",
                        x.span,
                        x.over_span,
                        x.share,
                    )
                    for x in known
                ),
            ),
            widths=(2.4, 0.7, 1.6, 1.8, 1.4, 1.7, 1.9),
        ),
    )
