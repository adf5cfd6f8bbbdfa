"""The common drive: what the models of all configurations say on one drive, beside what was measured."""

from __future__ import annotations

from typing import Any

from intake_report import formatting
from intake_report.messages import Part, Value, message, said
from intake_report.plots_values import common_drive_figure
from intake_report.render.blocks import Block, Heading, Paragraph, Table
from intake_report.render.figure import figure_block
from intake_report.render.inline import literal
from intake_report.render.sections.tables import block_of, files
from intake_report.report_table import Across, Field, ReportTable, frame_of, rows_of
from intake_report.results import CommonDriveResult, ReportResult
from intake_report.results.text import difference_interval, difference_quantity, metric_title
from intake_report.units import UnitSystem

DELTA = "temperature_difference"
CASES: dict[str, Part] = {
    "hot": message("Peak over ambient of the common drive in air of {hot}", hot=Value(35.0, "temperature", 0)),
    "standstill": "Over ambient after 5 min at idle",
    "cruise": message("Over ambient after 15 min at {speed}", speed=Value(100.0, "speed", 0)),
}


def common_drive(result: ReportResult) -> list[Block]:
    """Return figure and table of the body; nothing where the campaign asks for no common drive."""
    record = result.common_drive
    if record is None:
        return []
    units = result.units
    blocks: list[Block] = [Heading(2, "On one common drive", "sec-common-drive")]
    notes = " ".join(said(message("{text:upper}.", text=note), units) for note in record.notes)
    if not record.comparisons:
        return [*blocks, Paragraph(literal(f"No comparison on a common drive. {notes}"))]
    text = (
        "A thermal model of under-hood air, duct and sensor, fitted to the runs of each configuration, was replayed on one drive, "
        f"{said(record.drive, units)}: the same traffic, weather and start for all. {_standing(result, record)} "
        f"{_resting(result, record)}"
    )
    if record.single:
        text += " A configuration has one run only: this is an illustration."
    blocks.append(Paragraph(literal(f"{text} {notes}".strip())))
    blocks.append(
        figure_block(
            common_drive_figure(result),
            "fig-common-drive",
            "Model: over-ambient temperature of the sensor's element on the common drive, mean over the runs of each configuration.",
            "Modelled over-ambient temperature of each configuration against elapsed time of the common drive. The differences are in "
            "the table that follows.",
        )
    )
    return [*blocks, _side_by_side(result, record)]


def _resting(result: ReportResult, record: CommonDriveResult) -> str:
    """Return which claims rest on the common drive."""
    texts = [f"“{claim.text}”" for claim in result.claims if claim.id in record.claims]
    if not texts:
        return "Claims use the measured differences alone; these stand beside them."
    return f"As the campaign states, these differences decide {formatting.listing(texts)}; other claims use the measured ones."


def _standing(result: ReportResult, record: CommonDriveResult) -> str:
    times = [
        f"{result.name_of(row.configuration)} {formatting.with_unit(row.measured - row.common, 'time', result.units, 0, signed=True)}"
        for row in rows_of(record.standing)
    ]
    return f"Its standing time is {formatting.with_unit(float(record.standing['common'].iloc[0]), 'time', result.units, 0)}; the runs met on average: {formatting.listing(times)}."


def _side_by_side(result: ReportResult, record: CommonDriveResult) -> Table:
    measured = {(c.key, c.configuration): c for c in result.comparisons}

    def change(c: Any, units: UnitSystem) -> str:
        key = result.metric(c.key)
        return formatting.with_unit(c.difference, difference_quantity(key), units, key.spec.decimals, signed=True)

    def both(c: Any, units: UnitSystem) -> str:
        return f"{change(c, units)} ({difference_interval(c, result.metric(c.key), units)})"

    def beside(c: Any, units: UnitSystem) -> str:
        other = measured.get((c.key, c.configuration))
        return formatting.ABSENT if other is None or other.difference is None else both(other, units)

    table = ReportTable(
        "tab-common-drive",
        f"Differences from {result.baseline.name}: measured, and by the models on the common drive",
        (
            Field("key", "Metric", cell=lambda c, units: metric_title(result.metric(c.key), units), width=2.2),
            Field("configuration", "Configuration", cell=lambda c, _: result.name_of(c.configuration), width=1.6),
            Field("", "Measured (interval)", cell=beside, align="right", width=1.8),
            Field("difference", "Model, common drive (interval)", cell=both, align="right", width=1.8),
            *files("low", "high", "df", "n", "n_versus"),
            Field("verdict", "Model says", width=1.4),
        ),
        frame_of(record.comparisons),
        ("Intervals of the models hold the scatter between runs and the uncertainty of the parameters that they share.",),
    )  # fmt: skip
    return block_of(table, result.units)


def common_drive_details(result: ReportResult) -> list[Block]:
    """Return validation, parameters and what-if table for the annex; nothing without a common drive."""
    record = result.common_drive
    if record is None or not record.comparisons:
        return []
    units = result.units
    name = Field("configuration", "Configuration", cell=lambda row, _: result.name_of(row.configuration), width=1.8)
    validation = ReportTable(
        "tab-model-validation",
        "Each run predicted by the model of the other runs of its configuration",
        (
            Field("run", "Run", width=1.8),
            name,
            Field("rms", "Error, root mean square", DELTA, 2),
            Field("peak_bias", "Error at peak", DELTA, 1, signed=True),
            Field("coverage", "Readings inside 95 %", cell=lambda row, _: formatting.usual(row.coverage, "share", "si"), align="right"),
            *files("samples"),
        ),
        record.validation,
        ("Its readings are not used, its wind and heat are as expected of any run; from five minutes after the start on.",),
    )  # fmt: skip

    def value(row: Any, _: UnitSystem) -> str:
        if not row.excited:
            return "not shown by the drives"
        unit = f"{formatting.NARROW_SPACE}{row.unit}" if row.unit else ""
        return f"{row.value:.2g}{unit} (× or ÷ {row.factor:.2f})"

    parameters = ReportTable(
        "tab-model-parameters",
        "Parameters of the models, with the factor of their standard uncertainty",
        (Field("meaning", "Parameter", width=2.4), *files("name", "unit", "configuration", "value", "factor", "excited")),
        record.parameters,
        ("The factor of the share at standstill is that of its odds. “Not shown by the drives”: known hardly better than before them.",),
        Across(
            "meaning",
            "configuration",
            tuple((c.id, c.name) for c in result.configurations if c.id in set(record.parameters["configuration"])),
            value,
        ),
    )  # fmt: skip

    def amount(row: Any, system: UnitSystem) -> str:
        limits = formatting.interval(row.low, row.high, DELTA, system, 1, unit=False)
        return f"{formatting.with_unit(row.value, DELTA, system, 1)} ({limits})"

    cases = record.what_if.assign(title=[said(CASES[case], units) for case in record.what_if["case"]])
    what_if = ReportTable(
        "tab-what-if",
        "What if: by the models alone, nothing of it was driven",
        (Field("title", "Case", width=2.4), *files("case", "configuration", "value", "low", "high")),
        cases,
        ("Mean over the effects of the runs, and their range; no interval.",),
        Across("title", "configuration", parameters.across.headings if parameters.across else (), amount),
    )
    return [
        Heading(2, "Models of the common drive", "sec-models"),
        *(block_of(table, units) for table in (validation, parameters, what_if) if len(table.frame)),
    ]
