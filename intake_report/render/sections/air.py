"""Evidence beside the road: what was tested; why cold air matters, and the power expected from density alone."""

from __future__ import annotations

from intake_report import formatting
from intake_report.plots_evidence import mass_figure
from intake_report.render.blocks import Block, Column, Heading, Paragraph
from intake_report.render.figure import figure_block
from intake_report.render.inline import literal
from intake_report.render.sections.tables import literal_table
from intake_report.results import ReportResult
from intake_report.results.evidence import AirEvidence
from intake_report.results.evidence_text import (
    DENSITY,
    KELVINS,
    PRESSURE,
    SHARE,
    TEMPERATURE,
    grams,
    percent,
    percents,
)


def off_road(result: ReportResult) -> tuple[Block, ...]:
    """Return the heading of the evidence beside the road logs, with what was tested and what was not."""
    found = result.evidence
    tested = found.tested if found else ()
    untested = found.untested if found else ()
    parts = []
    if tested:
        parts.append(f"Beside the road the campaign tested {formatting.listing(tested)}.")
    if untested:
        parts.append(f"Not tested in this campaign: {formatting.listing(untested)}.")
    return (Heading(1, "Air, dyno and bench", "sec-off-road"), Paragraph(" ".join(parts)))


def air(result: ReportResult) -> tuple[Block, ...]:
    """Return the mass of air against its temperature and the power that density alone lets expect."""
    found = result.evidence.air if result.evidence else None
    if found is None:
        return ()
    blocks: list[Block] = [Heading(2, "Why cold air matters", "sec-air"), Paragraph(_state(result, found))]
    blocks.append(
        figure_block(
            mass_figure(result, found),
            "fig-mass",
            f"Mass of air in {_volume(found)} against its temperature (computed), with each configuration at its mean intake air "
            f"temperature {found.where}.",
            f"Falling curve of the mass of air in a fixed volume against its temperature, with ambient air and "
            f"{formatting.count(len(found.points), 'configuration')} marked. The values are in the table that follows.",
        )
    )
    blocks.append(_points(result, found))
    return (*blocks, *_expected(result, found))


def _volume(found: AirEvidence) -> str:
    litres = f"{formatting.number(found.volume, 3)}{formatting.NARROW_SPACE}L"
    return f"the engine's displacement of {litres}" if found.displacement else f"a volume of {litres}"


def _state(result: ReportResult, found: AirEvidence) -> str:
    units = result.units
    cipm = (
        f", {DENSITY.text(found.density_cipm, units)} by CIPM-2007"
        if found.density_cipm is not None
        else "; CIPM-2007 is not valid at this temperature and pressure"
    )
    return (
        "A fixed volume holds less air the warmer the air is: its mass goes with 1/T at equal pressure. The state of the air is the "
        f"same for all configurations, {literal(found.source)}: {TEMPERATURE.text(found.ambient, units)}, "
        f"{PRESSURE.text(found.pressure, units)}, {SHARE.text(found.humidity, units)} relative humidity, with a density of "
        f"{DENSITY.text(found.density, units)} (ideal mix of dry air and vapour{cipm}). This is computed from temperatures; the engine "
        "also heats the air on its way to the cylinder, so that what it draws in differs less."
    )


def _points(result: ReportResult, found: AirEvidence) -> Block:
    units = result.units
    rows = [
        (
            result.name_of(p.configuration),
            str(p.n),
            TEMPERATURE.text(p.iat, units),
            KELVINS.text(p.iat - found.ambient, units, signed=True),
            grams(p.mass, 3),
            percent(100.0 * (p.mass / found.ambient_mass - 1.0)),
            percent(p.change),
        )
        for p in found.points
    ]
    return literal_table(
        label="tab-mass",
        caption=f"Mass of air in {_volume(found)} at the mean intake air temperature {found.where}",
        columns=(
            Column("Configuration"),
            Column("Runs", "right"),
            Column("Mean IAT", "right"),
            Column("Over mean ambient", "right"),
            Column("Mass of air", "right"),
            Column("Against ambient air", "right"),
            Column(f"Against {result.baseline.name}", "right"),
        ),
        rows=tuple(rows),
        notes=(
            "Means over runs of different days; the comparison within blocks, with its interval, is that of the metrics.",
        ),
        values=(
            ("configuration", "runs", "mean_iat_C", "mass_g", "against_baseline_percent"),
            *((p.configuration, p.n, p.iat, p.mass, p.change) for p in found.points),
        ),
        widths=(2.6, 0.7, 1.2, 1.3, 1.3, 1.4, 1.6),
    )


def _expected(result: ReportResult, found: AirEvidence) -> list[Block]:
    models = next((p.expected for p in found.points if p.expected), ())
    dyno = result.evidence.dyno.expected if result.evidence and result.evidence.dyno else ()
    models = models or next((e.models for e in dyno), ())
    if not models:
        return []
    rows: list[tuple[str, ...]] = [
        (
            result.name_of(p.configuration),
            f"road, {found.where}",
            KELVINS.text(p.iat - p.expected[0].reference_temperature, result.units, signed=True),
            *(percent(m.percent) for m in p.expected),
            "not measured",
        )
        for p in found.points
        if p.expected
    ]
    for e in dyno:
        measured = percent(e.measured)
        if e.measured_low is not None and e.measured_high is not None:
            measured = f"{measured} ({percents(e.measured_low, e.measured_high)})"
        rows.append(
            (
                result.name_of(e.candidate),
                "dyno, mean of the pulls",
                KELVINS.text(e.candidate_iat - e.baseline_iat, result.units, signed=True),
                *(percent(m.percent) for m in e.models),
                measured,
            )
        )
    level = formatting.number(100 * result.level, 0)
    measured = "Measured mean power" + (f" ({level} % interval)" if dyno else "")
    return [
        Paragraph(
            "What intake air temperature alone lets expect of power depends on the model. Every model holds other things equal "
            "(pressure, mixture, ignition, knock control), which a change of intake does not, and restriction changes with it: the "
            "table is a check of plausibility and not a prediction."
        ),
        literal_table(
            label="tab-expected",
            caption=f"Change of power against {result.baseline.name} expected from intake air temperature alone, beside the measured",
            columns=(
                Column("Configuration"),
                Column("Where"),
                Column("IAT difference", "right"),
                *(Column(m.title, "right") for m in models),
                Column(measured, "right"),
            ),
            rows=tuple(rows),
            notes=tuple(f"{m.title}: {m.standing}." for m in models),
            values=(
                ("configuration", "where", *(f"{m.model}_percent" for m in models), "measured", "low", "high"),
                *(
                    (p.configuration, "road", *(m.percent for m in p.expected), None, None, None)
                    for p in found.points
                    if p.expected
                ),
                *(
                    (e.candidate, "dyno", *(m.percent for m in e.models), e.measured, e.measured_low, e.measured_high)
                    for e in dyno
                ),
            ),
            widths=(2.2, 1.5, 1.1, 1.0, 0.9, 0.9, 1.0, 2.2),
        ),
    ]
