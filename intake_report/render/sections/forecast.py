"""Forecast as recorded beside what came."""

from __future__ import annotations

from intake_report import formatting
from intake_report.render.blocks import Block, Column, Heading, Paragraph
from intake_report.render.sections.tables import literal_table
from intake_report.results import ReportResult
from intake_report.results.evidence import WeatherEvidence
from intake_report.results.evidence_text import forecast_texts
from intake_report.units import UnitSystem


def forecasts(result: ReportResult, told: WeatherEvidence) -> list[Block]:
    """Return every run's forecast beside what came."""
    units = result.units
    judged = [f for f in told.forecasts if f.within is not None]
    inside = sum(f.within is True for f in judged)
    limit = formatting.margin(told.forecast_limit, units)
    text = (
        "Runs are planned on a forecast of like days; a mean ambient within "
        f"{limit} of the forecast is commonly accepted (common practice). "
    )
    text += (
        f"That holds for {inside} of {formatting.count(len(judged), 'run')} with a forecast. "
        if judged
        else "No run has both. "
    )
    text += "The limit decides nothing here: the acceptance criterion on ambient does ([[sec-runs]])."
    return [
        Heading(2, "Forecast and actual", "sec-forecast"),
        Paragraph(text),
        literal_table(
            label="tab-forecast",
            caption="Forecast as recorded beside what came",
            columns=(
                Column("Run"),
                Column("Mean ambient, forecast", "right"),
                Column("Actual", "right"),
                Column("Actual less forecast", "right"),
                Column(f"Within {limit}", "center"),
                Column("Highest, forecast", "right"),
                Column("Actual", "right"),
                Column("Wind, forecast", "right"),
                Column("Actual", "right"),
            ),
            rows=_forecast_rows(told, units),
            values=(
                ("run", "source", "quantity", "forecast", "actual", "difference", "within"),
                *((f.run, f.source, f.what, f.forecast, f.actual, f.difference, f.within) for f in told.forecasts),
            ),
            widths=(2.0, 1.2, 1.0, 1.1, 1.1, 1.1, 1.0, 1.1, 1.0),
        ),
    ]


def _forecast_rows(told: WeatherEvidence, units: UnitSystem) -> tuple[tuple[str, ...], ...]:
    words = {True: "yes", False: "no", None: formatting.ABSENT}
    nothing = (formatting.ABSENT,) * 3
    rows = []
    for run, source in dict.fromkeys((f.run, f.source) for f in told.forecasts):
        found = {f.what: f for f in told.forecasts if (f.run, f.source) == (run, source)}
        mean, high, wind = (found.get(what) for what in ("mean ambient", "highest ambient", "wind speed"))
        rows.append(
            (
                run,
                *(forecast_texts(mean, units) if mean else nothing),
                words[mean.within if mean else None],
                *(forecast_texts(high, units) if high else nothing)[:2],
                *(forecast_texts(wind, units) if wind else nothing)[:2],
            )
        )
    return tuple(rows)
