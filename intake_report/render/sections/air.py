"""The air: weather sources, the ambient reference, conditions of each run; why cold air matters and the power it lets expect."""

from collections.abc import Iterator
from functools import partial
from typing import Any

from intake_report import formatting
from intake_report.bench import CAUTION_ROAD, CAUTION_WATER
from intake_report.messages import said
from intake_report.plots_values import mass_figure
from intake_report.render.blocks import Block, Callout, Heading, PageBegins, Paragraph, literal
from intake_report.render.figure import figure_block
from intake_report.render.sections.tables import TableOf, interval_column, masses, named, once
from intake_report.report_table import Field, frame_of, rows_of
from intake_report.results import ReportResult
from intake_report.results.evidence import AirEvidence, WeatherEvidence
from intake_report.results.text import FORECAST, OFFSET, grams, percent, percents
from intake_report.units import UnitSystem
from intake_report.weather import MIN_SPEED, SETTLE


def weather(result: ReportResult) -> tuple[Block, ...]:
    """Return the ambient reference, how the sources compare, and the conditions during each run."""
    record = result.evidence.weather
    return (
        Heading(1, "Weather conditions", "sec-weather"),
        Paragraph(_reference(result, record)),
        *(_sources(result, record) if record.sources else ()),
        *_during(result, record),
        *(_forecasts(result, record) if record.forecasts else ()),
    )


def _reference(result: ReportResult, record: WeatherEvidence) -> str:
    units = result.units
    text = f"Ambient reference: **{literal(result.ambient_reference)}**. {literal(said(result.ambient_reason, units))}"
    if record.uncertainty is None or record.uncertainty_between is None:
        return text
    kelvins = partial(result.printed, quantity="temperature_difference", decimals=2)
    parts = [f"{c.name} {kelvins(c.value)} ({said(c.basis, units)})" for c in record.contributions]
    return (
        f"{text} Its standard uncertainty is {kelvins(record.uncertainty)} for the ambient of one run, of which "
        f"{kelvins(record.uncertainty_between)} remain in a difference between runs, because what all runs share cancels "
        f"there. Contributions: {literal(formatting.listing(parts))}. Rule: {literal(said(record.rule, units))}"
    )


def _sources(result: ReportResult, record: WeatherEvidence) -> Iterator[Block]:
    yield TableOf(result.units, "tab-ambient-sources", record.sources).declared(
        "Sources of ambient temperature",
        Field("id", "Source", width=1.4),
        Field("kind", "Kind", width=2.0),
        Field("elevation", "Elevation", "length", width=1.2),
        Field("reports", "Readings", cell=lambda s, _: str(s.reports or formatting.ABSENT), align="right", width=1.1),
        Field("resolution", "Step", "temperature_difference", 1, unit="cell", width=0.9),
        Field("covered", "Runs covered", "number"),
        Field("uncertainty", "Standard uncertainty", "temperature_difference", 2, unit="cell", width=1.4),
        Field("uncertainty_between", "Between runs", "temperature_difference", 2, unit="cell", width=1.1),
        Field("chosen", "Use", cell=lambda s, _: "reference" if s.chosen else "compared", width=1.2),
    )
    if not record.offsets:
        return
    yield TableOf(result.units, "tab-ambient-offsets", record.offsets).declared(
        "Sources of ambient temperature against each other: first less second, mean over the runs",
        Field("first", "First", width=2.6),
        Field("second", "Second", width=1.8),
        Field("offset", "Offset", "temperature_difference", 2, signed=True, unit="cell", width=1.4),
        interval_column(result.level, OFFSET["interval_text"], 2.4),
        Field("runs", "Runs", "number", width=0.8),
        notes=once(((f"{o.first} less {o.second}", o.reason) for o in record.offsets), result.units),
    )
    if any(o.first.endswith("at rest") for o in record.offsets):
        yield Paragraph(
            "At rest a vehicle's ambient sensor reads the heat of the engine bay and of the road: readings at rest are shown for "
            f"comparison and are never used. At speed means above {result.printed(MIN_SPEED, 'speed', 0)} for "
            f"{result.printed(SETTLE, 'time', 0)} or longer."
        )


def _during(result: ReportResult, record: WeatherEvidence) -> Iterator[Block]:
    yield Heading(2, "During the runs", "sec-weather-runs")
    yield Paragraph("Mean and range of ambient temperature: [[tab-conditions]].")
    absent = ((w.run, "; ".join(said(part, result.units).rstrip(".") for part in w.absent)) for w in record.runs)
    yield TableOf(result.units, "tab-air", record.runs).declared(
        "Air and wind during each run",
        Field("run", "Run", width=2.0),
        Field("ambient_change", "Ambient, start to end", "temperature_difference", 1, signed=True, width=1.5),
        Field("age", "Nearest report at worst", "duration", width=1.4),
        Field("pressure", "Station pressure", "pressure", 2, width=1.4),
        Field("humidity", "Humidity", "ratio", width=1.1),
        Field("dew_point", "Dew point", "temperature", 1, width=1.2),
        Field("density", "Air density", "density", 3, width=1.2),
        Field("density_altitude", "Density altitude", "length", width=1.3),
        Field("wind_speed", "Wind", "speed", cell=_wind, width=1.9),
        notes=once(((c.run, c.reason) for c in rows_of(result.conditions)), result.units) + once(absent, result.units),
    )
    rain = {True: "precipitation", False: "none", None: "not reported"}
    yield TableOf(result.units, "tab-declared", record.runs).declared(
        "Sun, rain and road: as declared by the campaign and as reported near the run",
        Field("run", "Run", width=2.0),
        Field("road", "Road (declared)"),
        Field("sky", "Sky (declared)", width=1.1),
        Field("sun", "Sun (declared)", width=1.7),
        Field("rain", "Rain (declared)", width=1.1),
        Field("raining", "Precipitation (reported)", cell=lambda w, _: rain[w.raining], width=1.5),
        Field("", "Sky (reported)", width=2.6, cell=lambda w, _: "; ".join(w.reported_sky) or formatting.ABSENT),
        notes=once(((w.run, note) for w in record.runs for note in w.notes), result.units),
    )
    if any(w.raining or w.road in ("wet", "damp") or w.rain not in ("", "none") for w in record.runs):
        yield Callout("caution", "Water and open roads", (CAUTION_WATER, CAUTION_ROAD))
    if sources := list(dict.fromkeys(w.source for w in record.runs if w.source)):
        yield Paragraph(
            f"Pressure, humidity and density come from {literal(formatting.listing(sources))}, interpolated in time. The pressure "
            "is station pressure: an altimeter setting or a sea-level pressure is reduced to the station's elevation before "
            "anything is computed from it. Density is that of the humid air (ideal mix of dry air and vapour); density "
            "altitude is the height at which the standard atmosphere has that density."
        )


def _wind(w: Any, units: UnitSystem) -> str:
    if w.wind_speed is None:
        return "not reported"
    text = formatting.bare(w.wind_speed, "speed", units, 0)
    if w.wind_gust is not None:
        text += f", gusts {formatting.bare(w.wind_gust, 'speed', units, 0)}"
    if w.wind_variable:
        return f"{text}, variable"
    return text if w.wind_direction is None else f"{text} from {w.wind_direction:.0f}°"


def _forecasts(result: ReportResult, record: WeatherEvidence) -> Iterator[Block]:
    judged = [f.within for f in record.forecasts if f.within is not None]
    limit = formatting.margin(record.forecast_limit, result.units)
    held = f"That holds for {sum(judged)} of {formatting.count(len(judged), 'run')} with a forecast."
    text = (
        f"Runs are planned on a forecast of like days; a mean ambient within {limit} of the forecast is commonly accepted "
        f"(common practice). {held if judged else 'No run has both.'} The limit decides nothing here: the acceptance criterion on "
        "ambient does ([[sec-runs]])."
    )
    words = {True: "yes", False: "no", None: formatting.ABSENT}
    yield Heading(2, "Forecast and actual", "sec-forecast")
    yield Paragraph(text)
    yield TableOf(result.units, "tab-forecast", record.forecasts).declared(
        "Forecast as recorded beside what came",
        Field("run", "Run", width=2.0),
        Field("source", "Source", width=1.4),
        Field("what", "Quantity", width=1.6),
        Field("", "Forecast", cell=FORECAST["forecast_text"], align="right"),
        Field("", "Actual", cell=FORECAST["actual_text"], align="right"),
        Field("", "Actual less forecast", cell=FORECAST["difference_text"], align="right"),
        Field("within", f"Within {limit}", cell=lambda f, _: words[f.within], align="center"),
    )


def off_road(result: ReportResult) -> tuple[Block, ...]:
    """Return the heading of the evidence beside the road logs, with what was tested and what was not."""
    evidence = result.evidence
    leads = ("Beside the road the campaign tested", "Not tested in this campaign:")
    kinds = zip(leads, (evidence.tested, evidence.untested), strict=True)
    text = " ".join(f"{lead} {formatting.listing(of)}." for lead, of in kinds if of)
    begins = (PageBegins(),) if evidence.dyno else ()
    return (*begins, Heading(1, "Air, dyno and bench", "sec-off-road"), Paragraph(text))


def air(result: ReportResult) -> tuple[Block, ...]:
    """Return the mass of air against its temperature and the power that density alone lets expect."""
    evidence = result.evidence.air
    if evidence is None:
        return ()
    litres = f"{formatting.number(evidence.volume, 3)}{formatting.NARROW_SPACE}L"
    volume = f"the engine's displacement of {litres}" if evidence.displacement else f"a volume of {litres}"
    frame = frame_of(evidence.points).assign(
        over_ambient=[p.iat - evidence.ambient for p in evidence.points],
        against_ambient=[100.0 * (p.mass / evidence.ambient_mass - 1.0) for p in evidence.points],
    )
    points = TableOf(result.units, "tab-mass", frame).declared(
        f"Mass of air in {volume} at the mean intake air temperature {evidence.where}",
        named(result, 2.6),
        Field("n", "Runs", "number", width=0.7),
        Field("iat", "Mean IAT", "temperature", 1, unit="cell", width=1.2),
        Field("over_ambient", "Over mean ambient", "temperature_difference", 1, True, "cell", width=1.3),
        Field("mass", "Mass of air", cell=lambda p, _: grams(p.mass, 3), align="right", width=1.3),
        Field("against_ambient", "Against ambient air", "ratio", 1, True, "cell", width=1.4),
        Field("change", f"Against {result.baseline.name}", "ratio", 1, True, "cell", width=1.6),
        notes="Means over runs of different days; the comparison within blocks, with its interval, is that of the metrics.",
    )
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
        points,
        *_expected(result, evidence),
    )


def _state(result: ReportResult, evidence: AirEvidence) -> str:
    text, cipm = result.printed, "; CIPM-2007 is not valid at this temperature and pressure"
    if evidence.density_cipm is not None:
        cipm = f", {text(evidence.density_cipm, 'density', 3)} by CIPM-2007"
    return (
        "A fixed volume holds less air the warmer the air is: its mass goes with 1/T at equal pressure. The state of the air is the "
        f"same for all configurations, {literal(said(evidence.source, result.units))}: {text(evidence.ambient, 'temperature', 1)}, "
        f"{text(evidence.pressure, 'pressure', 2)}, {text(evidence.humidity, 'ratio', 0)} relative humidity, with a density of "
        f"{text(evidence.density, 'density', 3)} (ideal mix of dry air and vapour{cipm}). This is computed from temperatures; the "
        "engine also heats the air on its way to the cylinder, so that what it draws in differs less."
    )


def _expected(result: ReportResult, evidence: AirEvidence) -> Iterator[Block]:
    points = [p for p in evidence.points if p.expected]
    pulls = result.evidence.dyno.expected if result.evidence.dyno else ()
    if not points and not pulls:
        return
    models = points[0].expected if points else pulls[0].models
    rows: list[Any] = [(p.configuration, f"road, {evidence.where}", p.expected, None, None, None) for p in points]
    of_pulls = "dyno, mean of the pulls"
    rows += [(e.candidate, of_pulls, e.models, e.measured, e.measured_low, e.measured_high) for e in pulls]
    frame = frame_of(
        {
            "configuration": of, "where": where, "measured": measured, "low": low, "high": high,
            "difference": expected[0].temperature - expected[0].reference_temperature,
            **{m.model.replace("-", "_"): m.percent for m in expected},
        }
        for of, where, expected, measured, low, high in rows
    )  # fmt: skip

    def measured_power(row: Any, _: UnitSystem) -> str:
        interval = "" if row.low is None else f" ({percents(row.low, row.high)})"
        return "not measured" if row.measured is None else f"{percent(row.measured)}{interval}"

    heading = "Measured mean power" + (f" ({percent(100 * result.level, 0, signed=False)} interval)" if pulls else "")
    yield Paragraph(
        "What intake air temperature alone lets expect of power depends on the model. Every model holds other things equal "
        "(pressure, mixture, ignition, knock control), which a change of intake does not, and restriction changes with it: the "
        "table is a check of plausibility and not a prediction."
    )
    yield TableOf(result.units, "tab-expected", frame).declared(
        f"Change of power against {result.baseline.name} expected from intake air temperature alone, beside the measured",
        named(result, 2.2),
        Field("where", "Where", width=1.5),
        Field("difference", "IAT difference", "temperature_difference", 1, True, "cell", width=1.1),
        *(Field(m.model.replace("-", "_"), m.title, "ratio", 1, True, "cell", width=0.95) for m in models),
        Field("", heading, cell=measured_power, align="right", width=2.2),
        notes=(f"{m.title}: {m.standing}." for m in models),
    )
