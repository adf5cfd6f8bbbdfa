"""What the differences rest on; the same place and the same drive: over-ambient by place, models on one drive."""

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from intake_report import formatting
from intake_report.messages import Interval, Part, Value, message, said
from intake_report.plots_values import common_drive_figure, places_figure
from intake_report.render.blocks import Block, Heading, Paragraph, Preformatted, literal
from intake_report.render.figure import FigureOf
from intake_report.render.sections import tables
from intake_report.render.sections.tables import TableOf, amount, metric_column, named, with_unit
from intake_report.report_table import Across, Field, rows_of
from intake_report.results import Comparison, ReportResult
from intake_report.results.compared import COVARIATES, METHODS
from intake_report.results.evidence import Places
from intake_report.results.text import change_of, difference_interval, difference_quantity, less_control, p_text
from intake_report.thermal import CRUISE, HOT
from intake_report.units import UnitSystem, to_display


def basis_of_differences(result: ReportResult) -> Iterator[Block]:
    """Yield the tables behind the headline differences; nothing where nothing could be compared."""
    if rows := [c for c in result.comparisons if result.metric(c.key).spec.headline and c.basis != "none"]:
        yield Heading(2, "What the differences rest on", "sec-basis")
        yield Paragraph(_method(result, rows))
        yield _basis(result, rows)
    yield from _covariates(result)
    if tested := [check for check in result.checks if check.lag_p is not None or check.additivity_p is not None]:
        yield TableOf(result.units, "tab-checks", tested).declared(
            f"Assumptions about the runs, tested as far as the runs allow{less_control(result)}",
            metric_column(result, 3.2),
            Field("lag", "Correlation of consecutive runs of a block", "number", 2, signed=True, width=2.4),
            Field("lag_pairs", "Pairs", "number", width=0.7),
            Field("lag_p", "p", "p"),
            Field("additivity_p", "Blocks shift all configurations alike: p", "p", width=2.4),
            notes="Few runs show strong departures only: a large p is no proof.",
        )
    if result.direct:
        caption = f"Differences between other configurations that claims ask for{less_control(result)}"
        yield tables.comparison_table_of(result, list(result.direct), "tab-direct", caption)
    if result.control_drives:
        yield from _control(result)


def _method(result: ReportResult, rows: list[Comparison]) -> str:
    level = formatting.usual(result.level, "share", "si")
    methods = list(dict.fromkeys(METHODS[c.method][0] for c in rows))
    texts = [f"Differences of headline metrics are computed {formatting.listing([f'“{m}”' for m in methods])}."]
    if any(c.basis == "runs" for c in rows):
        texts.append(
            f"The {level} interval holds the scatter between runs and the biases that all runs share: every draw of these "
            "biases gives values of all runs and a t interval, and the interval printed is that of their mixture. What shifts "
            "all configurations alike cancels; the interval need not be symmetric. Runs are taken as independent and "
            "normally scattered, and blocks as shifting all configurations alike."
        )
    if any(c.basis == "instruments" for c in rows):
        texts.append(
            "Where runs were not replicated the interval is that of the instruments alone: it says nothing about day, traffic "
            "and driver, and the verdict is an indication at most."
        )
    return " ".join(texts)


def _basis(result: ReportResult, rows: list[Comparison]) -> Block:
    def permutation(c: Any, _: UnitSystem) -> str:
        return formatting.ABSENT if c.permutation is None else f"{p_text(c.permutation)} ({p_text(c.smallest)})"

    def equivalence(c: Any, units: UnitSystem) -> str:
        if c.margin is None:
            return "no margin"
        key = result.metric(c.key)
        margin = f"± {formatting.with_unit(c.margin, difference_quantity(key), units, key.spec.decimals)}"
        if c.equivalent is None:
            return f"{margin}: not tested"
        return f"{margin}: {'equivalent' if c.equivalent else 'not shown'} (p {p_text(c.equivalence_p)})"

    missed = [c.not_reached + c.not_reached_versus > 0 for c in rows]
    within = [c.within + c.within_versus > 0 for c in rows]
    counts = {
        "did not reach the margin and counts as “longer than”": sum(missed),
        "was within the margin at the entry: “sooner than”": sum(within),
    }
    on_scatter: tuple[str, ...] = (
        "Scatter of one run: standard deviation after configuration and block. Standardised: difference over that scatter, "
        "corrected for few degrees of freedom.",
        "Permutation: the unadjusted values of the runs (of each block) dealt anew to the two configurations in every way; in "
        "parentheses the smallest p that this layout can give.",
    )
    of_scatter: tuple[Field, ...] = (
        amount(result, "scatter", "Scatter of one run", more=1),
        amount(result, "between", "u, between runs", more=1),
        Field("standardised", "Standardised", "number", 1, signed=True, width=1.3),
        Field("", "Permutation p (smallest)", cell=permutation, align="right", width=1.5),
    )
    if not any(c.basis == "runs" for c in rows):
        of_scatter, on_scatter = (), ()
    return TableOf(result.units, "tab-basis", with_unit(result, rows)).declared(
        f"Headline differences from {result.baseline.name}{less_control(result)}: what their intervals rest on",
        metric_column(result, 3.0),
        named(result, 2.0),
        *of_scatter[:2],
        amount(result, "instrument", "u, shared biases", more=1),
        *of_scatter[2:],
        Field("", "Equivalence", cell=equivalence, width=1.5),
        notes=(
            "u: standard uncertainty.",
            *on_scatter,
            *(f"In {formatting.count(n, 'comparison')} a run {what}." for what, n in counts.items() if n),
        ),
    )


def _covariates(result: ReportResult) -> Iterator[Block]:
    rows = [
        {"key": c.key, "configuration": c.configuration, **vars(fit)}
        for c in (*result.comparisons, *result.direct)
        for fit in c.covariates
    ]
    if not rows:
        return
    both = [(c, c.unadjusted) for c in result.comparisons if c.unadjusted is not None]
    other = sum(c.call != plain.call for c, plain in both)
    text = (
        "Differences are adjusted for what was known before the phase began, fixed before the data were seen: the additive model "
        "of the runs' means in each block has the covariate as a further column, with one slope for all configurations, and the "
        "error and degrees of freedom are those of that model. The covariate counts as measured exactly. One that differs "
        "between configurations beyond chance (p below 0.05) is not adjusted for. Of "
        f"{formatting.count(len(both), 'adjusted difference')}, {other or 'none'} {'read' if other > 1 else 'reads'} otherwise without it."
    )

    def per(name: str) -> Callable[[Any, UnitSystem], str]:
        def cell(row: Any, units: UnitSystem) -> str:
            quantity, of = difference_quantity(result.metric(row.key)), COVARIATES[row.name][1]
            number = float(to_display(getattr(row, name), quantity, units) / to_display(1.0, of, units))
            unit = f"{formatting.unit_of(quantity, units)}/{formatting.unit_of(of, units)}"
            return f"{formatting.number(number, 3, signed=name == 'slope')} {unit}"

        return cell

    def change(row: Any, units: UnitSystem) -> str:
        return formatting.with_unit(row.unbalance, COVARIATES[row.name][1], units, 1, signed=True)

    yield Paragraph(text)
    yield TableOf(result.units, "tab-covariates", with_unit(result, rows)).declared(
        "Covariates: what they explain",
        metric_column(result, 2.6),
        named(result, 1.8),
        Field("", "Adjusted for", cell=lambda r, _: COVARIATES[r.name][0], width=2.2),
        Field("", "Slope", cell=per("slope"), align="right", width=1.3),
        Field("", "its u", cell=per("u"), align="right", width=1.2),
        Field("", "Difference in it", cell=change, align="right", width=1.2),
        amount(result, "scatter_without", "Residual scatter without", more=1),
        amount(result, "scatter", "with it", 0.9, more=1),
        Field("curved", "Bends: p", "p"),
        Field("unequal", "Slopes differ: p", "p"),
        notes="Bends: squares of the covariate added. Slopes differ: a slope for each configuration. A large p is no proof.",
    )


def _control(result: ReportResult) -> Iterator[Block]:
    without = [logs.run for logs in result.control_drives if not logs.files]
    alone = f" (not {formatting.listing(without, 'or')})" if without else ""
    beside = f"{len(result.control_drives) - len(without)} of {formatting.count(len(result.control_drives), 'run')}"
    taken = (
        "Differences between configurations are taken from each run's value less that of the control beside it, which is "
        "free of what both met: weather, traffic, lights. Values per run, their means and limits on a value are not: they "
        "are those of the test vehicle alone."
        if result.less_control
        else "Since not every run in the comparison has a control that could be measured, no difference is taken less its "
        "values; what it would have changed is shown for the runs that have one."
    )
    yield Heading(2, "Control vehicle", "sec-control")
    yield Paragraph(f"A control vehicle, left unmodified, drove beside {beside}{literal(alone)}. {taken}")
    rows = [e for e in result.control if e.difference is not None]
    if not rows:
        return
    both = [(e.half_width, e.plain_half_width) for e in rows]
    known = [(less, plain) for less, plain in both if less is not None and plain is not None]
    if known:
        narrower, of = sum(less < plain for less, plain in known), formatting.count(len(known), "headline difference")
        yield Paragraph(f"It narrows the interval in {narrower} of {of}.")

    def difference(prefix: str) -> Callable[[Any, UnitSystem], str]:
        def cell(e: Any, units: UnitSystem) -> str:
            key = result.metric(e.key)
            value, low, high = (getattr(e, prefix + name) for name in ("difference", "low", "high"))
            limits = f" ({said(Interval(low, high, difference_quantity(key), key.spec.decimals), units)})"
            return said(change_of(key, value), units) + ("" if low is None and high is None else limits)

        return cell

    yield TableOf(result.units, "tab-control", with_unit(result, rows)).declared(
        "Headline differences with and without the control vehicle, from the same runs",
        metric_column(result, 2.8),
        named(result, 2.0),
        Field("", "Less the control", cell=difference(""), align="right", width=2.1),
        Field("", "Without it", cell=difference("plain_"), align="right", width=2.1),
        amount(result, "scatter", "Scatter of one run", 1.1),
        amount(result, "plain_scatter", "Without it", 1.1),
        notes=message("In parentheses the {level} intervals.", level=Value(result.level, "share")),
    )


DELTA = "temperature_difference"


def places(result: ReportResult) -> tuple[Block, ...]:
    """Return the comparison by place; nothing when no run has a value on the route."""
    record = result.places
    if record is None:
        return ()
    drawn = "Over-ambient temperature" if record.quantity == DELTA else "Intake air temperature"
    proposed: tuple[Block, ...] = ()
    if record.proposed:
        text = "The campaign states no phases. The speed profile that the runs share suggests these:"
        proposed = (Paragraph(text), Preformatted(record.proposed))
    single = all(c.runs_used <= 1 for c in result.configurations)
    averaged = "" if single else ", then averaged over the runs of a configuration as if each had met every block"
    return (
        Heading(1, "The same place", "sec-places"),
        Paragraph(
            "Runs meet different lights. Here they are compared place by place, in cells of "
            f"{result.printed(record.step, 'length', 0)}, time-weighted within a cell{averaged}."
        ),
        FigureOf(places_figure(result, record, _farthest_apart(result, record)), "fig-places").captioned(
            f"{drawn} by place: mean of the runs of each configuration and their range, both of cell means; open marks: "
            "peak value of each run, which lies above the mean of its cell. Below: share of the runs that stopped.",
            f"{drawn} against route distance, one line per configuration with the range of its runs, and below it the "
            "share of runs that stopped at each place. results.json has the cells, the stops and their durations.",
        ),
        Paragraph(literal(_peaks(result, record))),
        *proposed,
    )


def _peaks(result: ReportResult, record: Places) -> str:
    if record.peak_centre is None or record.peak_share is None or record.peak_within is None:
        return "No run has a peak on the route."
    place, within = record.peak_centre, record.peak_within
    n, total = round(record.peak_share * len(record.peaks)), len(record.peaks)
    ramp = next((p for p in result.phases if p.kind == "ramp"), None)
    before = [at for at in record.stops["distance"] if ramp is not None and at <= ramp.start + within]
    centre = result.printed(place, "distance", 2)
    if before and abs(before[-1] - place) <= within:
        centre += " (the last stop before the ramp)"
    elif phase := result.phase_at(place):
        centre += f" (in the phase {phase})"
    if total == 1:
        return f"The run peaks at {centre}."
    if n < 2:
        at = [result.printed(at, "distance", 2) for at in record.peaks["distance"]]
        return f"Every run peaks at another place ({formatting.listing(at)}): traffic decided it and not the route."
    text = f"{n} of {total} runs peak within {result.printed(within, 'length', 0)} of {centre}"
    if n == total:
        return f"{text}, as expected where runs share their hottest place (common practice)."
    return (
        f"{text}, {total - n} elsewhere. One place is expected, before the ramp, after the longest city stretch (common "
        "practice); the peaks elsewhere were decided by traffic and not by the route."
    )


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
    times = [
        f"{result.name_of(row.configuration)} {result.printed(row.measured - row.common, 'time', 0, signed=True)}"
        for row in rows_of(record.standing)
    ]
    text = (
        "A thermal model of under-hood air, duct and sensor, fitted to the runs of each configuration, was replayed on one drive, "
        f"{said(record.drive, units)}: the same traffic, weather and start for all. Its standing time is "
        f"{result.printed(float(record.standing['common'].iloc[0]), 'time', 0)}; the runs met on average: "
        f"{formatting.listing(times)}. {decides}"
    )
    if record.single:
        text += " A configuration has one run only: this is an illustration."
    yield Paragraph(literal(f"{text} {notes}".strip()))
    yield FigureOf(common_drive_figure(result), "fig-common-drive").captioned(
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


def _farthest_apart(result: ReportResult, places: Places) -> str:
    means = np.array(places.curves["mean"].tolist(), dtype=np.float64)
    apart = np.where(np.isnan(means).any(axis=0), -1.0, np.ptp(means, axis=0))
    if len(means) < 2 or apart.max() < 0.0:
        return ""
    at = int(apart.argmax())
    there = [(result.name_of(curve.configuration), curve.mean[at]) for curve in rows_of(places.curves)]
    values = [f"{result.printed(mean, places.quantity, 1)} with {name}" for name, mean in there]
    return f"Farthest apart at {result.printed(places.centres[at], 'distance', 1)}: {formatting.listing(values)}"
