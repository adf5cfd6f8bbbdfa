"""The same place: over-ambient by place, where runs stopped, where each run was hottest."""

from __future__ import annotations

from typing import Any

import numpy as np

from intake_report import formatting
from intake_report.plots_route import places_figure
from intake_report.render.blocks import Block, Heading, Paragraph, Preformatted, Table
from intake_report.render.figure import figure_block
from intake_report.render.inline import literal
from intake_report.render.sections.tables import block_of, files
from intake_report.render.sections.titles import farthest_apart
from intake_report.report_table import Field, ReportTable, frame_of
from intake_report.results import ReportResult
from intake_report.results.places import Places
from intake_report.units import UnitSystem


def places(result: ReportResult) -> tuple[Block, ...]:
    """Return the comparison by place; nothing when no run has a value on the route."""
    record = result.places
    if record is None:
        return ()
    blocks: list[Block] = [
        Heading(1, "The same place", "sec-places"),
        Paragraph(_introduction(result, record)),
        figure_block(
            places_figure(result, record, farthest_apart(result, record)),
            "fig-places",
            f"{_subject(record)} by place: mean of the runs of each configuration and their range, both of cell means; open marks: "
            "peak value of each run, which lies above the mean of its cell. "
            "Below: share of the runs that stopped.",
            f"{_subject(record)} against route distance, one line per configuration with the range of its runs, and below it the "
            "share of runs that stopped at each place. results.json has the cells.",
        ),
        Paragraph(literal(_peaks(result, record))),
    ]
    if record.stops:
        blocks.append(_stop_places(result, record))
    if record.proposed:
        blocks.append(Paragraph("The campaign states no phases. The speed profile that the runs share suggests these:"))
        blocks.append(Preformatted(record.proposed))
    return tuple(blocks)


def _subject(record: Places) -> str:
    return "Over-ambient temperature" if record.quantity == "temperature_difference" else "Intake air temperature"


def _introduction(result: ReportResult, record: Places) -> str:
    cell = formatting.with_unit(record.step, "length", result.units, 0)
    return (
        f"Runs of different days meet different lights. Here they are compared place by place, in cells of {cell}: "
        "time-weighted within a cell, then averaged over the runs of a configuration as if each had met every block."
    )


def _peaks(result: ReportResult, record: Places) -> str:
    if record.peak_centre is None or record.peak_share is None or record.peak_within is None:
        return "No run has a peak on the route."
    centre = formatting.with_unit(record.peak_centre, "distance", result.units, 2)
    near = formatting.with_unit(record.peak_within, "length", result.units, 0)
    n, total = round(record.peak_share * len(record.peaks)), len(record.peaks)
    where = _where(result, record, record.peak_centre, record.peak_within)
    if total == 1:
        return f"The run peaks at {centre}{where}."
    if n < 2:
        at = [formatting.with_unit(p.distance, "distance", result.units, 2) for p in record.peaks]
        return f"Every run peaks at another place ({formatting.listing(at)}): traffic decided it and not the route."
    text = f"{n} of {total} runs peak within {near} of {centre}{where}"
    if n == total:
        return f"{text}, as expected where runs share their hottest place (common practice)."
    return (
        f"{text}, {total - n} elsewhere. One place is expected, before the ramp, after the longest city stretch (common "
        "practice); the peaks elsewhere were decided by traffic and not by the route."
    )


def _where(result: ReportResult, record: Places, distance: float, within: float) -> str:
    """Return in brackets what is at a place: the last stop before the ramp, a stop of many runs, or its phase."""
    ramp = next((p for p in result.phases if p.kind == "ramp"), None)
    before = [p for p in record.stops if ramp is not None and p.distance <= ramp.start + within]
    phase = next((p.name for p in result.phases if p.start <= distance <= p.end), "")
    if before and abs(before[-1].distance - distance) <= within:
        return " (the last stop before the ramp)"
    if any(abs(p.distance - distance) <= within and p.share >= 0.5 for p in record.stops):
        return f" (a place where most runs stop{f', in the phase {phase}' if phase else ''})"
    return f" (in the phase {phase})" if phase else ""


def _stop_places(result: ReportResult, record: Places) -> Table:
    def durations(row: Any, _: UnitSystem) -> str:
        low, high = (formatting.number(f(row.durations), 0) for f in (min, max))
        return low if low == high else f"{low} to {high}"

    rows = [
        {
            "place": p.name,
            "distance": p.distance,
            "share": 100.0 * p.share,
            "median": float(np.median([seconds for _, seconds in p.durations])),
            "durations": tuple(seconds for _, seconds in p.durations),
            "runs": tuple(run for run, _ in p.durations),
        }
        for p in record.stops
    ]
    table = ReportTable(
        "tab-stop-places",
        "Places where runs stopped",
        (
            *files("place"),
            Field("distance", "Route distance", "distance", 2, align="left"),
            Field("share", "Share of runs", "ratio"),
            Field("median", "Median duration", "time"),
            Field("durations", "Durations [s]", cell=durations, align="right"),
            *files("runs"),
        ),
        frame_of(rows),
    )
    return block_of(table, result.units)
