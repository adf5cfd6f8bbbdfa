"""The same place: over-ambient by place, where runs stopped, where each run was hottest."""

from __future__ import annotations

import numpy as np

from intake_report import formatting
from intake_report.plots_places import places_figure
from intake_report.render.blocks import Block, Column, Heading, Paragraph, Preformatted, Scalar, Table
from intake_report.render.figure import figure_block
from intake_report.render.inline import literal
from intake_report.render.sections.tables import literal_table
from intake_report.results import ReportResult
from intake_report.results.places import PlaceCurve, Places
from intake_report.units import from_internal, to_internal

ROWS = 20  # about so many stretches are printed; the CSV file has every cell
ROUND = (0.25, 0.5, 1.0, 2.0, 2.5, 5.0, 10.0, 20.0, 25.0, 50.0)  # lengths of a stretch [km or mi]


def places(result: ReportResult) -> tuple[Block, ...]:
    """Return the comparison by place; nothing when no run has a value on the route."""
    found = result.places
    if found is None:
        return ()
    blocks: list[Block] = [
        Heading(1, "The same place", "sec-places"),
        Paragraph(_introduction(result, found)),
        figure_block(
            places_figure(result, found),
            "fig-places",
            f"{_subject(found)} by place: mean of the runs of each configuration and their range, both of cell means; open marks: "
            "peak value of each run, which lies above the mean of its cell. "
            "Below: share of the runs that stopped.",
            f"{_subject(found)} against route distance, one line per configuration with the range of its runs, and below it the "
            "share of runs that stopped at each place. Means by stretch are in the table that follows.",
        ),
        _stretches(result, found),
        Paragraph(literal(_peaks(result, found))),
    ]
    if found.stops:
        blocks.append(_stop_places(result, found))
    if found.proposed:
        blocks.append(Paragraph("The campaign states no phases. The speed profile that the runs share suggests these:"))
        blocks.append(Preformatted(found.proposed))
    return tuple(blocks)


def _subject(found: Places) -> str:
    return "Over-ambient temperature" if found.quantity == "temperature_difference" else "Intake air temperature"


def _introduction(result: ReportResult, found: Places) -> str:
    cell = formatting.with_unit(found.step, "length", result.units, 0)
    return (
        f"Runs of different days meet different lights. Here they are compared place by place, in cells of {cell}: "
        "time-weighted within a cell, then averaged over the runs of a configuration."
    )


def _peaks(result: ReportResult, found: Places) -> str:
    if found.peak_centre is None or found.peak_share is None or found.peak_within is None:
        return "No run has a peak on the route."
    centre = formatting.with_unit(found.peak_centre, "distance", result.units, 2)
    near = formatting.with_unit(found.peak_within, "length", result.units, 0)
    n, total = round(found.peak_share * len(found.peaks)), len(found.peaks)
    where = _where(result, found, found.peak_centre, found.peak_within)
    if total == 1:
        return f"The run peaks at {centre}{where}."
    if n < 2:
        at = [formatting.with_unit(p.distance, "distance", result.units, 2) for p in found.peaks]
        return f"Every run peaks at another place ({formatting.listing(at)}): traffic decided it and not the route."
    text = f"{n} of {total} runs peak within {near} of {centre}{where}"
    if n == total:
        return f"{text}, as expected where runs share their hottest place (common practice)."
    return (
        f"{text}, {total - n} elsewhere. One place is expected, before the ramp, after the longest city stretch (common "
        "practice); the peaks elsewhere were decided by traffic and not by the route."
    )


def _where(result: ReportResult, found: Places, distance: float, within: float) -> str:
    """Return in brackets what is at a place: the last stop before the ramp, a stop of many runs, or its phase."""
    ramp = next((p for p in result.phases if p.kind == "ramp"), None)
    before = [p for p in found.stops if ramp is not None and p.distance <= ramp.start + within]
    phase = next((p.name for p in result.phases if p.start <= distance <= p.end), "")
    if before and abs(before[-1].distance - distance) <= within:
        return " (the last stop before the ramp)"
    if any(abs(p.distance - distance) <= within and p.share >= 0.5 for p in found.stops):
        return f" (a place where most runs stop{f', in the phase {phase}' if phase else ''})"
    return f" (in the phase {phase})" if phase else ""


def _stretch(result: ReportResult, found: Places) -> float:
    """Return a round length [m] that gives about `ROWS` stretches."""
    unit = "km" if result.units == "si" else "mi"
    total = float(from_internal(found.centres[-1], unit, "distance"))
    length = next((r for r in ROUND if total / r <= ROWS), ROUND[-1])
    return float(to_internal(length, unit, "distance"))


def _stretches(result: ReportResult, found: Places) -> Table:
    length = _stretch(result, found)
    index = (np.array(found.centres) // length).astype(int)
    dwell = np.array(found.traffic.dwell)
    unit = formatting.unit_of(found.quantity, result.units)
    rows = []
    for k in range(int(index.max()) + 1):
        cells = index == k
        start, end = (formatting.bare(v, "distance", result.units, 1) for v in (k * length, (k + 1) * length))
        means = [_mean(curve, cells, dwell) for curve in found.curves]
        texts = [formatting.bare(mean, found.quantity, result.units, 1) for mean in means]
        rows.append((f"{start} to {end}", *texts, formatting.bare(float(dwell[cells].sum()), "time", result.units, 0)))
    names = [result.name_of(curve.configuration) for curve in found.curves]
    return literal_table(
        label="tab-places",
        caption=f"{_subject(found)} by place [{unit}]",
        columns=(
            Column(f"Route distance [{formatting.unit_of('distance', result.units)}]"),
            *(Column(name, "right") for name in names),
            Column("Median time there [s]", "right"),
        ),
        rows=tuple(rows),
        values=_cells(found),
    )


def _mean(curve: PlaceCurve, cells: np.ndarray, dwell: np.ndarray) -> float | None:
    """Return the mean over the cells of a stretch, weighted by the median dwell time."""
    values = np.array([np.nan if v is None else v for v in curve.mean])[cells]
    weight = np.where(np.isfinite(values), dwell[cells], 0.0)
    if not weight.sum():
        return None
    return float(np.nansum(values * weight) / weight.sum())


def _cells(found: Places) -> tuple[tuple[Scalar, ...], ...]:
    head = ["distance_m", "median_dwell_s", "most_passes"]
    for curve in found.curves:
        head += [f"{curve.configuration}_{what}" for what in ("mean", "low", "high", "runs")]
    rows: list[tuple[Scalar, ...]] = [tuple(head)]
    for i, centre in enumerate(found.centres):
        row: list[Scalar] = [centre, found.traffic.dwell[i], found.traffic.passes[i]]
        for curve in found.curves:
            row += [curve.mean[i], curve.low[i], curve.high[i], curve.runs[i]]
        rows.append(tuple(row))
    return tuple(rows)


def _stop_places(result: ReportResult, found: Places) -> Table:
    rows = []
    for place in found.stops:
        seconds = [duration for _, duration in place.durations]
        low, high = formatting.number(min(seconds), 0), formatting.number(max(seconds), 0)
        rows.append(
            (
                formatting.bare(place.distance, "distance", result.units, 2),
                f"{formatting.number(100.0 * place.share, 0)} %",
                formatting.number(float(np.median(seconds)), 0),
                low if low == high else f"{low} to {high}",
            )
        )
    return literal_table(
        label="tab-stop-places",
        caption="Places where runs stopped",
        columns=(
            Column(f"Route distance [{formatting.unit_of('distance', result.units)}]"),
            Column("Share of runs", "right"),
            Column("Median duration [s]", "right"),
            Column("Durations [s]", "right"),
        ),
        rows=tuple(rows),
        values=(
            ("place", "distance_m", "run", "duration_s"),
            *((p.name, p.distance, run, seconds) for p in found.stops for run, seconds in p.durations),
        ),
    )
