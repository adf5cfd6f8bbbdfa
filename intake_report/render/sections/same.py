"""The same place and the same drive: over-ambient by place, and what the models of all configurations say on one drive."""

from collections.abc import Iterator
from typing import Any

from intake_report import formatting
from intake_report.messages import Part, Value, message, said
from intake_report.plots_route import places_figure
from intake_report.plots_values import common_drive_figure
from intake_report.render.blocks import Block, Heading, Paragraph, Preformatted, literal
from intake_report.render.figure import figure_block
from intake_report.render.sections.tables import TableOf, farthest_apart, metric_column, named
from intake_report.report_table import Across, Field, rows_of
from intake_report.results import CommonDriveResult, ReportResult
from intake_report.results.evidence import Places
from intake_report.results.text import change_of, difference_interval
from intake_report.thermal.common import CRUISE, HOT
from intake_report.units import UnitSystem

DELTA = "temperature_difference"


def places(result: ReportResult) -> tuple[Block, ...]:
    """Return the comparison by place; nothing when no run has a value on the route."""
    record = result.places
    if record is None:
        return ()
    drawn = "Over-ambient temperature" if record.quantity == DELTA else "Intake air temperature"
    blocks: list[Block] = [
        Heading(1, "The same place", "sec-places"),
        Paragraph(
            "Runs of different days meet different lights. Here they are compared place by place, in cells of "
            f"{result.printed(record.step, 'length', 0)}: time-weighted within a cell, then averaged over the runs of a "
            "configuration as if each had met every block."
        ),
        figure_block(
            places_figure(result, record, farthest_apart(result, record)),
            "fig-places",
            f"{drawn} by place: mean of the runs of each configuration and their range, both of cell means; open marks: "
            "peak value of each run, which lies above the mean of its cell. Below: share of the runs that stopped.",
            f"{drawn} against route distance, one line per configuration with the range of its runs, and below it the "
            "share of runs that stopped at each place. results.json has the cells, the stops and their durations.",
        ),
        Paragraph(literal(_peaks(result, record))),
    ]
    if record.proposed:
        text = "The campaign states no phases. The speed profile that the runs share suggests these:"
        blocks += [Paragraph(text), Preformatted(record.proposed)]
    return tuple(blocks)


def _peaks(result: ReportResult, record: Places) -> str:
    if record.peak_centre is None or record.peak_share is None or record.peak_within is None:
        return "No run has a peak on the route."
    centre = result.printed(record.peak_centre, "distance", 2)
    near = result.printed(record.peak_within, "length", 0)
    n, total = round(record.peak_share * len(record.peaks)), len(record.peaks)
    where = _where(result, record, record.peak_centre, record.peak_within)
    if total == 1:
        return f"The run peaks at {centre}{where}."
    if n < 2:
        at = [result.printed(p.distance, "distance", 2) for p in record.peaks]
        return f"Every run peaks at another place ({formatting.listing(at)}): traffic decided it and not the route."
    text = f"{n} of {total} runs peak within {near} of {centre}{where}"
    if n == total:
        return f"{text}, as expected where runs share their hottest place (common practice)."
    return (
        f"{text}, {total - n} elsewhere. One place is expected, before the ramp, after the longest city stretch (common "
        "practice); the peaks elsewhere were decided by traffic and not by the route."
    )


def _where(result: ReportResult, record: Places, distance: float, within: float) -> str:
    """Return in brackets what is at a place: the last stop before the ramp, or its phase."""
    ramp = next((p for p in result.phases if p.kind == "ramp"), None)
    before = [p for p in record.stops if ramp is not None and p.distance <= ramp.start + within]
    phase = result.phase_at(distance)
    if before and abs(before[-1].distance - distance) <= within:
        return " (the last stop before the ramp)"
    return f" (in the phase {phase})" if phase else ""


CASES: dict[str, Part] = {
    "hot": message("Peak over ambient of the common drive in air of {hot}", hot=Value(HOT, "temperature", 0)),
    "standstill": "Over ambient after 5 min at idle",
    "cruise": message("Over ambient after 15 min at {speed}", speed=Value(CRUISE * 3.6, "speed", 0)),
}


def common_drive(result: ReportResult) -> Iterator[Block]:
    """Yield figure and table of the body; nothing where the campaign asks for no common drive."""
    units, record = result.units, result.common_drive
    if record is None:
        return
    yield Heading(2, "On one common drive", "sec-common-drive")
    notes = " ".join(said(message("{text:upper}.", text=note), units) for note in record.notes)
    if not record.comparisons:
        yield Paragraph(literal(f"No comparison on a common drive. {notes}"))
        return
    resting = formatting.listing([f"“{claim.text}”" for claim in result.claims if claim.id in record.claims])
    decides = f"As the campaign states, these differences decide {resting}; other claims use the measured ones."
    if not resting:
        decides = "Claims use the measured differences alone; these stand beside them."
    text = (
        "A thermal model of under-hood air, duct and sensor, fitted to the runs of each configuration, was replayed on one drive, "
        f"{said(record.drive, units)}: the same traffic, weather and start for all. {_standing(result, record)} {decides}"
    )
    if record.single:
        text += " A configuration has one run only: this is an illustration."
    yield Paragraph(literal(f"{text} {notes}".strip()))
    yield figure_block(
        common_drive_figure(result),
        "fig-common-drive",
        "Model: over-ambient temperature of the sensor's element on the common drive, mean over the runs of each configuration.",
        "Modelled over-ambient temperature of each configuration against elapsed time. The differences are in the table that follows.",
    )
    measured = {(c.key, c.configuration): c for c in result.comparisons}

    def both(c: Any, units: UnitSystem) -> str:
        key = result.metric(c.key)
        return f"{said(change_of(key, c.difference), units)} ({difference_interval(c, key, units)})"

    def beside(c: Any, units: UnitSystem) -> str:
        other = measured.get((c.key, c.configuration))
        return formatting.ABSENT if other is None or other.difference is None else both(other, units)

    yield TableOf(result.units, "tab-common-drive", record.comparisons).declared(
        f"Differences from {result.baseline.name}: measured, and by the models on the common drive",
        metric_column(result, 2.2),
        named(result, 1.6),
        Field("", "Measured (interval)", cell=beside, align="right", width=1.8),
        Field("difference", "Model, common drive (interval)", cell=both, align="right", width=1.8),
        Field("verdict", "Model says", width=1.4),
        notes="Intervals of the models hold the scatter between runs, the uncertainty of the parameters that they share, and the model’s error.",
    )


def _standing(result: ReportResult, record: CommonDriveResult) -> str:
    times = [
        f"{result.name_of(row.configuration)} {result.printed(row.measured - row.common, 'time', 0, signed=True)}"
        for row in rows_of(record.standing)
    ]
    return f"Its standing time is {result.printed(float(record.standing['common'].iloc[0]), 'time', 0)}; the runs met on average: {formatting.listing(times)}."


def common_drive_details(result: ReportResult) -> Iterator[Block]:
    """Yield validation, parameters and what-if table for the annex; nothing without a common drive."""
    record = result.common_drive
    if record is None or not record.comparisons:
        return
    units, ids = result.units, set(record.parameters["configuration"])
    modelled = tuple((c.id, c.name) for c in result.configurations if c.id in ids)
    validation = TableOf(result.units, "tab-model-validation", record.validation).declared(
        "Each run predicted by the model of the other runs of its configuration",
        Field("run", "Run", width=1.8),
        named(result, 1.8),
        Field("rms", "Error, root mean square", DELTA, 2),
        Field("peak_bias", "Error at peak", DELTA, 1, signed=True),
        Field("coverage", "Readings inside 95 %", "share"),
        notes="Its readings are not used, its wind and heat are as expected of any run; from five minutes after the start on.",
    )

    def value(row: Any, _: UnitSystem) -> str:
        if not row.excited:
            return "not shown by the drives"
        unit = f"{formatting.NARROW_SPACE}{row.unit}" if row.unit else ""
        return f"{row.value:.2g}{unit} (× or ÷ {row.factor:.2f})"

    parameters = TableOf(units, "tab-model-parameters", record.parameters).declared(
        "Parameters of the models, with the factor of their standard uncertainty",
        Field("meaning", "Parameter", width=2.4),
        notes="The factor of the share at standstill is that of its odds. “Not shown by the drives”: known hardly better than before them.",
        across=Across("meaning", "configuration", modelled, value),
    )

    def amount(row: Any, system: UnitSystem) -> str:
        limits = formatting.interval(row.low, row.high, DELTA, system, 1, unit=False)
        return f"{formatting.with_unit(row.value, DELTA, system, 1)} ({limits})"

    cases = record.what_if.assign(title=[said(CASES[case], units) for case in record.what_if["case"]])
    what_if = TableOf(result.units, "tab-what-if", cases).declared(
        "What if: by the models alone, nothing of it was driven",
        Field("title", "Case", width=2.4),
        notes="Mean over the effects of the runs, and their range; no interval.",
        across=Across("title", "configuration", modelled, amount),
    )
    yield Heading(2, "Models of the common drive", "sec-models")
    yield from (table for table in (validation, parameters, what_if) if table.rows)
