"""Evidence beside the road: what was tested; why cold air matters, and the power expected from density alone."""

from __future__ import annotations

from typing import Any

from intake_report import formatting
from intake_report.air import PowerExpectation
from intake_report.messages import said
from intake_report.plots_evidence import mass_figure
from intake_report.render.blocks import Block, Heading, PageBegins, Paragraph
from intake_report.render.figure import figure_block
from intake_report.render.inline import literal
from intake_report.render.sections.tables import block_of, extended, files, named
from intake_report.render.sections.titles import masses
from intake_report.report_table import Field, ReportTable, frame_of
from intake_report.results import ReportResult
from intake_report.results.evidence import AirEvidence
from intake_report.results.evidence_text import grams, in_unit, percent, percents


def off_road(result: ReportResult) -> tuple[Block, ...]:
    """Return the heading of the evidence beside the road logs, with what was tested and what was not."""
    parts = []
    if result.evidence and result.evidence.tested:
        parts.append(f"Beside the road the campaign tested {formatting.listing(result.evidence.tested)}.")
    if result.evidence and result.evidence.untested:
        parts.append(f"Not tested in this campaign: {formatting.listing(result.evidence.untested)}.")
    begins = (PageBegins(),) if result.evidence and result.evidence.dyno else ()
    return (*begins, Heading(1, "Air, dyno and bench", "sec-off-road"), Paragraph(" ".join(parts)))


def air(result: ReportResult) -> tuple[Block, ...]:
    """Return the mass of air against its temperature and the power that density alone lets expect."""
    evidence = result.evidence.air if result.evidence else None
    if evidence is None:
        return ()
    litres = f"{formatting.number(evidence.volume, 3)}{formatting.NARROW_SPACE}L"
    volume = f"the engine's displacement of {litres}" if evidence.displacement else f"a volume of {litres}"
    return (
        Heading(2, "Why cold air matters", "sec-air"),
        Paragraph(_state(result, evidence)),
        figure_block(
            mass_figure(result, evidence, masses(result, evidence)),
            "fig-mass",
            f"Mass of air in {volume} against its temperature (computed), with each configuration at its mean intake air "
            f"temperature {evidence.where}.",
            f"Falling curve of the mass of air in a fixed volume against its temperature, with ambient air and "
            f"{formatting.count(len(evidence.points), 'configuration')} marked. The values are in the table that follows.",
        ),
        _points(result, evidence, volume),
        *_expected(result, evidence),
    )


def _state(result: ReportResult, evidence: AirEvidence) -> str:
    units = result.units

    def text(value: float, quantity: str, decimals: int) -> str:
        return formatting.with_unit(value, quantity, units, decimals)

    cipm = (
        "; CIPM-2007 is not valid at this temperature and pressure"
        if evidence.density_cipm is None
        else f", {text(evidence.density_cipm, 'density', 3)} by CIPM-2007"
    )
    return (
        "A fixed volume holds less air the warmer the air is: its mass goes with 1/T at equal pressure. The state of the air is the "
        f"same for all configurations, {literal(said(evidence.source, units))}: {text(evidence.ambient, 'temperature', 1)}, "
        f"{text(evidence.pressure, 'pressure', 2)}, {text(evidence.humidity, 'ratio', 0)} relative humidity, with a density of "
        f"{text(evidence.density, 'density', 3)} (ideal mix of dry air and vapour{cipm}). This is computed from temperatures; the "
        "engine also heats the air on its way to the cylinder, so that what it draws in differs less."
    )


def _points(result: ReportResult, evidence: AirEvidence, volume: str) -> Block:
    frame = frame_of(evidence.points)
    frame = extended(
        frame,
        over_ambient=[p.iat - evidence.ambient for p in evidence.points],
        against_ambient=[100.0 * (p.mass / evidence.ambient_mass - 1.0) for p in evidence.points],
    )
    table = ReportTable(
        "tab-mass",
        f"Mass of air in {volume} at the mean intake air temperature {evidence.where}",
        (
            named(result, 2.6),
            Field("n", "Runs", "number", width=0.7),
            Field("iat", "Mean IAT", "temperature", 1, unit="cell", width=1.2),
            Field("over_ambient", "Over mean ambient", "temperature_difference", 1, True, "cell", width=1.3),
            Field("mass", "Mass of air", cell=lambda p, _: grams(p.mass, 3), align="right", width=1.3),
            Field("against_ambient", "Against ambient air", "ratio", 1, True, "cell", width=1.4),
            Field("change", f"Against {result.baseline.name}", "ratio", 1, True, "cell", width=1.6),
        ),
        frame,
        (
            "Means over runs of different days; the comparison within blocks, with its interval, is that of the metrics.",
        ),
    )
    return block_of(table, result.units)


def _expected(result: ReportResult, evidence: AirEvidence) -> list[Block]:
    dyno = result.evidence.dyno.expected if result.evidence and result.evidence.dyno else ()
    rows = [
        _expectation(p.configuration, f"road, {evidence.where}", p.expected) for p in evidence.points if p.expected
    ] + [
        _expectation(e.candidate, "dyno, mean of the pulls", e.models)
        | {"measured": e.measured, "low": e.measured_low, "high": e.measured_high}
        for e in dyno
    ]
    if not rows:
        return []

    def measured(row: Any, _: Any) -> str:
        if row.measured is None:
            return "not measured"
        interval = f" ({percents(row.low, row.high)})" if row.low is not None and row.high is not None else ""
        return f"{percent(row.measured)}{interval}"

    models = next((p.expected for p in evidence.points if p.expected), ()) or next(e.models for e in dyno)
    heading = "Measured mean power" + (f" ({percent(100 * result.level, 0, signed=False)} interval)" if dyno else "")
    difference = in_unit("difference", "temperature_difference", 1, signed=True)
    table = ReportTable(
        "tab-expected",
        f"Change of power against {result.baseline.name} expected from intake air temperature alone, beside the measured",
        (
            named(result, 2.2),
            Field("where", "Where", width=1.5),
            Field("difference", "IAT difference", cell=difference, align="right", width=1.1),
            *(Field(m.model.replace("-", "_"), m.title, "ratio", 1, True, "cell", width=0.95) for m in models),
            Field("measured", heading, cell=measured, align="right", width=2.2),
            *files("low", "high"),
        ),
        frame_of(rows),
        tuple(f"{m.title}: {m.standing}." for m in models),
    )
    return [
        Paragraph(
            "What intake air temperature alone lets expect of power depends on the model. Every model holds other things equal "
            "(pressure, mixture, ignition, knock control), which a change of intake does not, and restriction changes with it: the "
            "table is a check of plausibility and not a prediction."
        ),
        block_of(table, result.units),
    ]


def _expectation(configuration: str, where: str, models: tuple[PowerExpectation, ...]) -> dict[str, Any]:
    difference = models[0].temperature - models[0].reference_temperature
    expected = {m.model.replace("-", "_"): m.percent for m in models}
    return {"configuration": configuration, "where": where, "difference": difference} | expected | {
        "measured": None, "low": None, "high": None,
    }  # fmt: skip
