"""Why cold air matters and the power it lets expect; the dyno: correction, pulls, curves, figures, drift."""

from collections.abc import Iterator
from typing import Any

from intake_report import formatting
from intake_report.air import CORRECTIONS
from intake_report.campaign import Campaign
from intake_report.dyno import DynoResult
from intake_report.messages import said
from intake_report.plots_values import dyno_difference_figure, dyno_figure, mass_figure
from intake_report.render.blocks import Begins, Block, Heading, Paragraph, literal
from intake_report.render.figure import FigureOf
from intake_report.render.sections.tables import TableOf, interval_column, named
from intake_report.report_table import Field, frame_of, rows_of
from intake_report.results import ReportResult
from intake_report.results.evidence import AirEvidence
from intake_report.results.text import DRIFT, dyno_text, grams, percent, percents, share, verdict
from intake_report.units import UnitSystem


def off_road(result: ReportResult) -> tuple[Block, ...]:
    """Return the heading of the evidence beside the road logs, with what was tested and what was not."""
    evidence = result.evidence
    leads = ("Beside the road the campaign tested", "Not tested in this campaign:")
    kinds = zip(leads, (evidence.tested, evidence.untested), strict=True)
    text = " ".join(f"{lead} {formatting.listing(of)}." for lead, of in kinds if of)
    begins = (Begins("page"),) if evidence.dyno else ()
    return (*begins, Heading(1, "Air, dyno and bench", "sec-off-road"), Paragraph(text))


def air(result: ReportResult) -> tuple[Block, ...]:
    """Return the mass of air against its temperature and the power that density alone lets expect."""
    evidence = result.evidence.air
    if evidence is None:
        return ()
    litres = f"{formatting.number(evidence.volume, 3)}{formatting.NARROW_SPACE}L"
    volume = f"the engine's displacement of {litres}" if evidence.displacement else f"a volume of {litres}"
    frame = evidence.points.assign(
        over_ambient=evidence.points["iat"] - evidence.ambient,
        against_ambient=100.0 * (evidence.points["mass"] / evidence.ambient_mass - 1.0),
    )
    changes = [f"{percent(row.against_ambient, 1)} with {result.name_of(row.configuration)}" for row in rows_of(frame)]
    finding = f"Mass of air against ambient air: {formatting.listing(changes)}" if changes else ""
    points = TableOf(result.units, "tab-mass", frame).declared(
        f"Mass of air in {volume} at the mean intake air temperature {evidence.where}",
        named(result, 2.6),
        Field("n", "Runs", "number", width=0.7),
        Field("iat", "Mean IAT", "temperature", 1, unit="cell", width=1.2),
        Field("over_ambient", "Over mean ambient", "temperature_difference", 1, True, "cell", width=1.3),
        Field("mass", "Mass of air", cell=lambda p, _: grams(p.mass, 3), align="right", width=1.3),
        Field("against_ambient", "Against ambient air", "ratio", 1, True, "cell", width=1.4),
        Field("change", f"Against {result.baseline.name}", "ratio", 1, True, "cell", width=1.6),
        notes="Means over the runs; the comparison, with its interval, is that of the metrics.",
    )
    return (
        Heading(2, "Why cold air matters", "sec-air"),
        Paragraph(_state(result, evidence)),
        FigureOf(mass_figure(result, evidence, finding), "fig-mass").captioned(
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
    points = [p for p in rows_of(evidence.points) if p.expected]
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


def dyno(campaign: Campaign, result: ReportResult) -> tuple[Block, ...]:
    """Return everything about the pulls; nothing without pulls."""
    evidence = result.evidence.dyno
    if evidence is None:
        return ()
    left_out = ((x.pull, result.name_of(x.configuration), said(x.reason, result.units)) for x in evidence.left_out)
    why = [literal(f"{pull} ({name}): {reason}") for pull, name, reason in left_out]
    rule = f"{formatting.count(len(why), 'pull')} left out by rule: {'; '.join(why)}."
    return (
        Heading(2, "Dyno", "sec-dyno"),
        Paragraph(_basis(campaign, evidence)),
        Paragraph(_correction(campaign, evidence)),
        _pulls(result, evidence),
        Paragraph(rule if why else "No pull was left out."),
        *(_curves(result, evidence) if evidence.curves else ()),
        _figures(result, evidence),
        *((_drift(result, evidence),) if evidence.drifts else ()),
    )


def _speed(value: float) -> str:
    return formatting.with_unit(value, "engine_speed", "si", 0)


def _basis(campaign: Campaign, dyno: DynoResult) -> str:
    sessions = formatting.count(dyno.figures["session"].nunique(), "session")
    where = f"All figures are at the {dyno.basis}."
    if dyno.assumption:
        where = f"Figures are for the {dyno.basis}; that loss is an assumption with a name and no measurement."
    if dyno.basis == "wheel" and not campaign.dyno.driveline_loss:
        where += " No driveline loss is assumed, so no engine figure is given."
    n = f"{formatting.count(len(dyno.figures), 'pull')} in {sessions}"
    if dyno.grid is None:
        return (
            f"{n} are compared by the figures that the dyno printed, one of each pull, typed by hand: there is no curve, and nothing "
            f"was made up for it. {literal(where)}"
        )
    effect = percent(dyno.smoothing_effect, 2)
    smoothing = (
        f"Curves are smoothed by a straight line over {_speed(dyno.grid.smoothing)} around each speed, which changed the peak power "
        f"by {effect} on average."
        if dyno.grid.smoothing
        else "Curves are not smoothed, so that the peak of a pull is the highest reading on the grid: reading on the grid changed it "
        f"by {effect} on average."
    )
    return (
        f"{n} are compared over the band of engine speed that all of them cover, "
        f"{formatting.interval(dyno.grid.low, dyno.grid.high, 'engine_speed', 'si', 0)}, in steps of {_speed(dyno.grid.step)}. {literal(where)} {smoothing}"
    )


def _correction(campaign: Campaign, dyno: DynoResult) -> str:
    figures = dyno.figures
    if not dyno.corrected:
        text = (
            f"Power and torque stand as printed, with the dyno's own correction (**{literal(dyno.printed)}**), and are not corrected again."
            if dyno.printed not in ("", "none")
            else "Power and torque are **not corrected** to a reference state."
        )
        cell = figures["cell_temperature"]
        if cell.notna().all():
            span = formatting.interval(cell.min(), cell.max(), "temperature", campaign.about.units, 1)
            text += f" The temperature of the cell air lay between {span}; what the changes of the air did to power stays in the figures."
        return text
    low, high = (formatting.number(f, 4) for f in (figures["factor"].min(), figures["factor"].max()))
    boost = CORRECTIONS[dyno.method].boost  # a method for compression ignition holds for one kind of boost only
    boosted = f"boosted, taken as {boost}" if boost else "boosted"
    engine = "naturally aspirated" if dyno.aspiration == "natural" else boosted
    inside, validity = figures["in_validity"].dropna(), "the method publishes no range of validity"
    if len(inside):
        validity = f"{sum(inside)} of {formatting.count(len(figures), 'pull')} lie within its range of validity"
    return (
        f"Correction: **{literal(dyno.correction)}** to {literal(dyno.reference)}, {engine}; factors "
        f"{low if low == high else f'{low} to {high}'}; {validity}. It takes the air of the cell, never the intake air: correcting with "
        "intake air would correct away the effect under test. A factor more than 7 % away from 1 is a limitation (common practice)."
    )


def _pulls(result: ReportResult, dyno: DynoResult) -> Block:
    def figure(name: str, title: str, quantity: str) -> list[Field]:
        uncorrected = f"{name}_uncorrected"
        if name not in dyno.figures or dyno.figures[name].isna().all():
            return []
        also = dyno.corrected and uncorrected in dyno.figures
        return [Field(name, title, quantity, 1), *([Field(uncorrected, "Uncorrected", quantity, 1)] if also else [])]

    curves = dyno.grid is not None
    state = "uncorrected" if dyno.printed in ("", "none") else f"as printed ({dyno.printed})"
    groups = dyno.figures.groupby("configuration", sort=False)["pull"]
    return TableOf(result.units, "tab-pulls", dyno.figures).declared(
        f"Pulls that count, {f'corrected ({dyno.correction}) and uncorrected' if dyno.corrected else state}",
        Field("pull", "Pull"),
        Field("order", "Order", "number"),
        Field("cell_temperature", "Cell", "temperature", 1),
        Field("cell_pressure", "Cell", "pressure", 2),
        Field("cell_humidity", "Humidity", "ratio"),
        *([Field("factor", "Factor", "number", 4)] if dyno.corrected else []),
        *figure("peak_power", "Peak power", "power"),
        *([Field("peak_power_speed", "at", "engine_speed")] if curves else figure("mean_power", "Mean power", "power")),
        *figure("peak_torque", "Peak torque", "torque"),
        *([] if curves else figure("mean_torque", "Mean torque", "torque")),
        notes=(f"{result.name_of(str(id))}: {formatting.listing(pulls.tolist())}." for id, pulls in groups),
    )


def _finding(result: ReportResult, dyno: DynoResult) -> str:
    parts = []
    for id in dict.fromkeys(c.candidate for c in dyno.differences):
        d = dyno.difference("mean_power", id, result.baseline.id)
        if d is not None and d.difference is not None:
            size = result.printed(d.difference, "power", 1, signed=True)
            limits = "" if d.low is None else f" ({formatting.interval(d.low, d.high, 'power', result.units, 1)})"
            parts.append(f"{result.name_of(id)} {size}{limits}")
    return f"Mean power against {result.baseline.name}: {formatting.listing(parts)}" if parts else "Difference of power"


def _curves(result: ReportResult, dyno: DynoResult) -> list[Block]:
    single = "; a single pull has none" if any(c.low is None for c in dyno.curves) else ""
    level = f"{percent(100 * dyno.level, 0, signed=False)} interval"
    means = FigureOf(dyno_figure(result, dyno, _peak_values(result, dyno)), "fig-dyno").captioned(
        f"Mean power and torque by engine speed ({literal(dyno.correction)}, {literal(dyno.basis)}); bands: {level} of the mean at each "
        f"speed by itself{single}.",
        "Two panels of mean curves by engine speed with bands, power left and torque right, one curve per configuration. Peaks, "
        "means over the band and areas are in the table of figures.",
    )
    if not dyno.differences:
        return [means]
    drawn = dyno_difference_figure(result, dyno, _finding(result, dyno))
    differences = FigureOf(drawn, "fig-dyno-difference").captioned(
        f"Difference of power from {literal(result.baseline.name)} by engine speed with its {level}, which holds at each speed by "
        "itself: where it leaves zero at a few speeds out of many, chance alone may do that.",
        "One panel per configuration with the difference of power from the baseline by engine speed and its interval around it.",
    )
    return [means, differences]


def _figures(result: ReportResult, dyno: DynoResult) -> Block:
    means = dyno.means[dyno.shown(dyno.means)].rename(columns={"low": "mean_low", "high": "mean_high"})
    differences = dyno.comparisons[dyno.shown(dyno.comparisons)].drop(columns=["title", "quantity", "n"])
    frame = means.merge(differences, on=["figure", "configuration"], how="left", suffixes=("_mean", "")).astype(object)
    texts = dict.fromkeys(said(row.note, result.units) for row in rows_of(differences) if row.note)
    notes = [f"{text[0].upper()}{text[1:]}." for text in texts]
    if len(differences) and not dyno.in_turn:
        notes.append(
            "The configurations were pulled one after the other: a drift of the session is mixed with these differences, so that "
            "an interval beside zero is an indication."
        )
    if len(differences):
        many = formatting.count(len(differences), "difference")
        notes.append(f"{many} are shown, and no interval is widened for their number.")
    band = "as the dyno printed them"
    if dyno.grid is not None:
        band = f"over {formatting.interval(dyno.grid.low, dyno.grid.high, 'engine_speed', 'si', 0)}"

    def says(row: Any, _: UnitSystem) -> str:
        return formatting.ABSENT if row.difference is None else verdict(row.low, row.high, balanced=dyno.in_turn)

    return TableOf(result.units, "tab-dyno-figures", frame.where(frame.notna(), None)).declared(
        f"Figures per configuration {band}: mean of the pulls, and difference from {result.baseline.name}",
        Field("title", "Figure", width=3.0),
        named(result, 2.2),
        Field("n", "Pulls", "number", width=0.4),
        Field("", "Mean", cell=dyno_text("mean"), align="right", width=1.1),
        interval_column(dyno.level, dyno_text("mean_low", "mean_high"), 2.0),
        Field("", "Difference", cell=dyno_text("difference", signed=True), align="right", width=1.1),
        interval_column(dyno.level, dyno_text("low", "high", signed=True), 2.0),
        Field("", "Percent", cell=share("percent"), align="right", width=0.7),
        Field("", "Verdict", cell=says, width=1.4),
        notes=notes,
    )


def _drift(result: ReportResult, dyno: DynoResult) -> Block:
    known = [drift for drift in dyno.drifts if drift.slope is not None]
    unknown = dict.fromkeys(said(drift.reason, result.units) for drift in dyno.drifts if drift.slope is None)
    figure = dyno.drifts[0].figure
    text = (
        f"Within a session the engine, its bay and the rollers warm up from pull to pull. The slope of {figure} against "
        "pull order, intake air and coolant temperature is taken within configurations and sessions; it can tell a drift from a "
        "configuration only as far as pulls of one configuration were made at different values."
    )
    if unknown:
        text += f" Not given: {'; '.join(unknown)}."
    if not known:
        return Paragraph(literal(text))
    words = {True: "drift shown", False: "no drift shown"}
    return TableOf(result.units, "tab-drift", known).declared(
        f"Drift of {figure} within the session",
        Field("covariate", "Against", width=2.4),
        Field("n", "Pulls", "number", width=0.7),
        Field("slope", "Slope", cell=DRIFT["text"], align="right", width=1.6),
        interval_column(dyno.level, DRIFT["interval_text"], 1.8),
        Field("over_span", "Over its range", cell=DRIFT["over_span_text"], align="right", width=1.4),
        Field("share", "Between configurations", "share", width=1.7),
        Field("", "Verdict", cell=lambda d, units: said(d.reason, units) or words[d.detected], width=1.9),
        notes=(
            text,
            "Between configurations: share of the covariate's variance that lies between configurations; at 100 % a drift and a "
            "configuration cannot be told apart.",
        ),
    )


def _peak_values(result: ReportResult, dyno: DynoResult) -> str:
    parts = []
    for quantity in ("power", "torque"):
        tops = [max(v for v in curve.mean if v is not None) for curve in dyno.curves if curve.quantity == quantity]
        parts.append(f"peak {quantity} {formatting.interval(min(tops), max(tops), quantity, result.units, 1)}")
    one = len({curve.configuration for curve in dyno.curves}) == 1
    return f"P{formatting.listing(parts)[1:]}{'' if one else ' over all configurations'}"
