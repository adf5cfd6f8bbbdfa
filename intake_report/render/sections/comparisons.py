"""What the differences rest on: scatter, shared biases, tests of what was assumed, the control vehicle."""

from collections.abc import Callable, Iterator
from typing import Any

from intake_report import formatting
from intake_report.messages import Interval, Value, message, said
from intake_report.render.blocks import Block, Heading, Paragraph, literal
from intake_report.render.sections import tables
from intake_report.render.sections.tables import TableOf, amount, metric_column, named, with_unit
from intake_report.report_table import Field
from intake_report.results import Comparison, ReportResult
from intake_report.results.compared import COVARIATES, METHODS
from intake_report.results.text import difference_quantity, less_control, p_text
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
    methods = list(dict.fromkeys(METHODS[c.method] for c in rows))
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

    missed = sum(c.not_reached + c.not_reached_versus > 0 for c in rows)
    within = sum(c.within + c.within_versus > 0 for c in rows)
    counts = (
        (missed, "did not reach the margin and counts as “longer than”"),
        (within, "was within the margin at the entry: “sooner than”"),
    )

    return TableOf(result.units, "tab-basis", with_unit(result, rows)).declared(
        f"Headline differences from {result.baseline.name}{less_control(result)}: what their intervals rest on",
        metric_column(result, 3.0),
        named(result, 2.0),
        amount(result, "scatter", "Scatter of one run", more=1),
        amount(result, "between", "u, between runs", more=1),
        amount(result, "instrument", "u, shared biases", more=1),
        Field("standardised", "Standardised", "number", 1, signed=True, width=1.3),
        Field("", "Permutation p (smallest)", cell=permutation, align="right", width=1.5),
        Field("", "Equivalence", cell=equivalence, width=1.5),
        notes=(
            "u: standard uncertainty. Scatter of one run: standard deviation after configuration and block. Standardised: "
            "difference over that scatter, corrected for few degrees of freedom.",
            "Permutation: the unadjusted values of the runs of each block dealt anew to the two configurations in every way; in parentheses the smallest p "
            "that this layout can give.",
            *(f"In {formatting.count(n, 'comparison')} a run {what}." for n, what in counts if n),
        ),
    )


def _covariates(result: ReportResult) -> Iterator[Block]:
    """Yield what differences are adjusted for and what that changed; nothing where nothing was."""
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
        narrower = (
            f"{sum(less < plain for less, plain in known)} of {formatting.count(len(known), 'headline difference')}"
        )
        yield Paragraph(f"It narrows the interval in {narrower}.")

    def difference(prefix: str) -> Callable[[Any, UnitSystem], str]:
        def cell(e: Any, units: UnitSystem) -> str:
            key = result.metric(e.key)
            quantity, decimals = difference_quantity(key), key.spec.decimals
            value, low, high = (getattr(e, prefix + name) for name in ("difference", "low", "high"))
            text = formatting.with_unit(value, quantity, units, decimals, signed=True)
            limits = said(Interval(low, high, quantity, decimals), units)
            return text if low is None and high is None else f"{text} ({limits})"

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
