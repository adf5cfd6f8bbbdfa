"""Weather: sources against each other, the ambient reference, air and wind during each run, forecasts."""

from __future__ import annotations

import re
from typing import Any

from intake_report import formatting
from intake_report.bench import CAUTION_ROAD, CAUTION_WATER
from intake_report.messages import said
from intake_report.render.blocks import Block, Callout, Column, Heading, Paragraph, Table
from intake_report.render.inline import literal
from intake_report.render.sections.forecast import forecasts
from intake_report.render.sections.tables import literal_table
from intake_report.report_table import rows_of
from intake_report.results import ReportResult, RunResult
from intake_report.results.evidence import RunWeather, WeatherEvidence
from intake_report.results.evidence_text import (
    DENSITY,
    HEIGHT,
    KELVINS,
    PRESSURE,
    SHARE,
    SPEED,
    TEMPERATURE,
    UNCERTAINTY,
    offset_texts,
)
from intake_report.units import UnitSystem
from intake_report.weather import MIN_SPEED, SETTLE, Contribution


def weather(result: ReportResult) -> tuple[Block, ...]:
    """Return the ambient reference, how the sources compare, and the conditions during each run."""
    told = result.evidence.weather if result.evidence else None
    blocks: list[Block] = [
        Heading(1, "Weather conditions", "sec-weather"),
        Paragraph(_reference(result, told)),
    ]
    if told is not None and told.sources:
        blocks += _sources(result, told)
    blocks += _during(result, told)
    if told is not None and told.forecasts:
        blocks += forecasts(result, told)
    return tuple(blocks)


def _reference(result: ReportResult, told: WeatherEvidence | None) -> str:
    # "the weather station “station”" where a source is named like its kind
    reason = re.sub(r"(\w+) “\1”", r"\1", said(result.ambient_reason, result.units))
    text = f"Ambient reference: **{literal(result.ambient_reference)}**. {literal(reason)}"
    if told is None or told.uncertainty is None or told.uncertainty_between is None:
        return text
    parts = formatting.listing([_contribution(c, result.units) for c in told.contributions])
    rule = said(told.rule, result.units)
    text += (
        f" Its standard uncertainty is {UNCERTAINTY.text(told.uncertainty, result.units)} for the ambient of one run, of which "
        f"{UNCERTAINTY.text(told.uncertainty_between, result.units)} remain in a difference between runs, because what all runs "
        f"share cancels there. Contributions: {literal(parts)}."
    )
    return f"{text} Rule: {literal(rule)}"


def _contribution(found: Contribution, units: UnitSystem) -> str:
    """Return one contribution with its standard uncertainty, and whether it was declared or assumed."""
    text = f"{found.name} {UNCERTAINTY.text(found.value, units)}"
    if "declared" not in found.basis:
        return text
    return f"{text} ({'assumed, not declared' if 'assumed' in found.basis else 'declared'})"


def _sources(result: ReportResult, told: WeatherEvidence) -> list[Block]:
    units = result.units
    level = formatting.number(100 * result.level, 0)
    blocks: list[Block] = [
        literal_table(
            label="tab-ambient-sources",
            caption="Sources of ambient temperature",
            columns=(
                Column("Source"),
                Column("Kind"),
                Column(f"Elevation [{HEIGHT.unit(units)}]", "right"),
                Column("Readings", "right"),
                Column("Step", "right"),
                Column("Runs covered", "right"),
                Column("Standard uncertainty", "right"),
                Column("Between runs", "right"),
                Column("Use"),
            ),
            rows=tuple(
                (
                    s.id,
                    s.kind,
                    HEIGHT.bare(s.elevation, units),
                    str(s.reports) if s.reports else formatting.ABSENT,
                    KELVINS.text(s.resolution, units),
                    str(s.covered),
                    UNCERTAINTY.text(s.uncertainty, units),
                    UNCERTAINTY.text(s.uncertainty_between, units),
                    "reference" if s.chosen else "compared",
                )
                for s in told.sources
            ),
            values=(
                (
                    "source",
                    "kind",
                    "elevation_m",
                    "readings",
                    "first",
                    "last",
                    "step_K",
                    "runs_covered",
                    "standard_uncertainty_K",
                    "between_runs_K",
                    "reference",
                ),
                *(
                    (
                        s.id,
                        s.kind,
                        s.elevation,
                        s.reports,
                        s.first,
                        s.last,
                        s.resolution,
                        s.covered,
                        s.uncertainty,
                        s.uncertainty_between,
                        s.chosen,
                    )
                    for s in told.sources
                ),
            ),
            widths=(1.4, 2.0, 1.2, 1.1, 0.9, 1.0, 1.4, 1.1, 1.2),
        )
    ]
    if told.offsets:
        blocks.append(
            literal_table(
                label="tab-ambient-offsets",
                caption="Sources of ambient temperature against each other: first less second, mean over the runs",
                columns=(
                    Column("First"),
                    Column("Second"),
                    Column("Offset", "right"),
                    Column(f"{level} % interval", "right"),
                    Column("Runs", "right"),
                ),
                rows=tuple((o.first, o.second, *offset_texts(o, units), str(o.runs)) for o in told.offsets),
                notes=tuple(
                    dict.fromkeys(
                        f"{o.first} less {o.second}: {said(o.reason, units)}." for o in told.offsets if o.reason
                    )
                ),
                values=(
                    ("first", "second", "offset_K", "low_K", "high_K", "sd_K", "level", "runs", "note"),
                    *(
                        (o.first, o.second, o.offset, o.low, o.high, o.sd, o.level, o.runs, said(o.reason, units))
                        for o in told.offsets
                    ),
                ),
                widths=(2.6, 1.8, 1.4, 2.4, 0.8),
            )
        )
        if any(o.first.endswith("at rest") for o in told.offsets):
            blocks.append(
                Paragraph(
                    "At rest a vehicle's ambient sensor reads the heat of the engine bay and of the road: readings at rest are shown "
                    f"for comparison and are never used. At speed means above {SPEED.text(MIN_SPEED, units)} for "
                    f"{SETTLE:.0f} s or longer."
                )
            )
    return blocks


def _during(result: ReportResult, told: WeatherEvidence | None) -> list[Block]:
    declared = {run.id: run for run in result.runs}
    of_run = {w.run: w for w in told.runs} if told else {}
    blocks: list[Block] = [
        Heading(2, "During the runs", "sec-weather-runs"),
        _ambient_table(result, declared, of_run),
    ]
    if of_run:
        blocks += [_air_table(result, of_run), _declared_table(result, of_run)]
        sources = list(dict.fromkeys(w.source for w in of_run.values() if w.source))
        if any(w.raining or w.road in ("wet", "damp") or w.rain not in ("", "none") for w in of_run.values()):
            blocks.append(Callout("caution", "Water and open roads", (CAUTION_WATER, CAUTION_ROAD)))
        if sources:
            blocks.append(
                Paragraph(
                    f"Pressure, humidity and density come from {literal(formatting.listing(sources))}, interpolated in time. The pressure "
                    "is station pressure: an altimeter setting or a sea-level pressure is reduced to the station's elevation before "
                    "anything is computed from it. Density is that of the humid air (ideal mix of dry air and vapour); density "
                    "altitude is the height at which the standard atmosphere has that density."
                )
            )
    return blocks


def _ambient_table(result: ReportResult, declared: dict[str, RunResult], of_run: dict[str, RunWeather]) -> Table:
    units = result.units
    temperature, change = TEMPERATURE.unit(units), KELVINS.unit(units)

    def row(c: Any) -> tuple[str, ...]:
        told = of_run.get(c.run)
        run = declared[c.run]
        age = formatting.bare(c.age, "duration", units, 0)
        return (
            c.run,
            run.start[:16].replace("T", " ") if run.start else "not known",
            TEMPERATURE.bare(c.ambient_mean, units),
            formatting.interval(c.ambient_low, c.ambient_high, "temperature", units, 1, unit=False),
            KELVINS.bare(told.ambient_change, units, signed=True) if told else formatting.ABSENT,
            f"{age} ({told.age_source})" if told and told.age_source and c.age is not None else age,
        )

    return literal_table(
        label="tab-weather",
        caption="Ambient temperature during each run, by the reference",
        columns=(
            Column("Run"),
            Column("Start"),
            Column(f"Mean [{temperature}]", "right"),
            Column(f"Range [{temperature}]", "right"),
            Column(f"Change, start to end [{change}]", "right"),
            Column("Age of the nearest report at worst [min]", "right"),
        ),
        rows=tuple(row(c) for c in rows_of(result.conditions)),
        notes=tuple(
            dict.fromkeys(f"{c.run}: {said(c.reason, units)}." for c in rows_of(result.conditions) if c.reason)
        ),
        values=(
            ("run", "source", "ambient_mean_C", "ambient_low_C", "ambient_high_C", "change_K", "age_s"),
            *(
                (
                    c.run,
                    c.source,
                    c.ambient_mean,
                    c.ambient_low,
                    c.ambient_high,
                    of_run[c.run].ambient_change if c.run in of_run else None,
                    c.age,
                )
                for c in rows_of(result.conditions)
            ),
        ),
        widths=(2.0, 1.8, 1.1, 1.7, 1.5, 2.0),
    )


def _wind(told: RunWeather, units: UnitSystem) -> str:
    if told.wind_speed is None:
        return "not reported"
    text = SPEED.bare(told.wind_speed, units)
    if told.wind_gust is not None:
        text += f", gusts {SPEED.bare(told.wind_gust, units)}"
    if told.wind_variable:
        return f"{text}, variable"
    if told.wind_direction is not None:
        text += f" from {formatting.number(told.wind_direction, 0)}°"
    return text


def _air_table(result: ReportResult, of_run: dict[str, RunWeather]) -> Table:
    units = result.units
    return literal_table(
        label="tab-air",
        caption="Air and wind during each run",
        columns=(
            Column("Run"),
            Column(f"Station pressure [{PRESSURE.unit(units)}]", "right"),
            Column("Humidity [%]", "right"),
            Column(f"Dew point [{TEMPERATURE.unit(units)}]", "right"),
            Column(f"Air density [{DENSITY.unit(units)}]", "right"),
            Column(f"Density altitude [{HEIGHT.unit(units)}]", "right"),
            Column(f"Wind [{SPEED.unit(units)}]", "right"),
        ),
        rows=tuple(
            (
                w.run,
                PRESSURE.bare(w.pressure, units),
                SHARE.bare(w.humidity, units),
                TEMPERATURE.bare(w.dew_point, units),
                DENSITY.bare(w.density, units),
                HEIGHT.bare(w.density_altitude, units),
                _wind(w, units),
            )
            for w in of_run.values()
        ),
        notes=tuple(
            dict.fromkeys(
                f"{w.run}: {'; '.join(said(part, units) for part in w.absent)}." for w in of_run.values() if w.absent
            )
        ),
        values=(
            (
                "run",
                "source",
                "station_pressure_kPa",
                "dry_pressure_kPa",
                "humidity_percent",
                "dew_point_C",
                "density_kg_m3",
                "density_altitude_m",
                "wind_source",
                "wind_kmh",
                "gust_kmh",
                "wind_from_deg",
                "wind_variable",
            ),
            *(
                (
                    w.run,
                    w.source,
                    w.pressure,
                    w.dry_pressure,
                    w.humidity,
                    w.dew_point,
                    w.density,
                    w.density_altitude,
                    w.wind_source,
                    w.wind_speed,
                    w.wind_gust,
                    w.wind_direction,
                    w.wind_variable,
                )
                for w in of_run.values()
            ),
        ),
        widths=(2.0, 1.4, 1.1, 1.2, 1.2, 1.3, 1.9),
    )


def _declared_table(result: ReportResult, of_run: dict[str, RunWeather]) -> Table:
    rain = {True: "precipitation", False: "none", None: "not reported"}
    return literal_table(
        label="tab-declared",
        caption="Sun, rain and road: as declared by the campaign and as reported near the run",
        columns=(
            Column("Run"),
            Column("Road (declared)"),
            Column("Sky, sun (declared)"),
            Column("Rain (declared)"),
            Column("Precipitation (reported)"),
            Column("Sky (reported)"),
        ),
        rows=tuple(
            (
                w.run,
                w.road or formatting.ABSENT,
                ", ".join(x for x in (w.sky, w.sun) if x) or formatting.ABSENT,
                w.rain or formatting.ABSENT,
                rain[w.raining],
                "; ".join(w.reported_sky) or formatting.ABSENT,
            )
            for w in of_run.values()
        ),
        notes=tuple(dict.fromkeys(f"{w.run}: {said(note, result.units)}" for w in of_run.values() for note in w.notes)),
        widths=(2.0, 1.0, 1.7, 1.1, 1.5, 2.6),
    )
