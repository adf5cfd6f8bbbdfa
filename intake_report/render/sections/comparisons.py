"""What the differences rest on: scatter, shared biases, tests of what was assumed, the control vehicle."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from intake_report import formatting
from intake_report.messages import Interval, Value, message, said
from intake_report.render.blocks import Block, Heading, Paragraph
from intake_report.render.sections.tables import block_of, comparison_table_of, files, in_metric, internal_unit, named
from intake_report.report_table import Field, ReportTable, frame_of
from intake_report.results import Comparison, MetricKey, ModelCheck, ReportResult
from intake_report.results.compared import COVARIATES, METHODS
from intake_report.results.text import difference_quantity, less_control, metric_title, p_text
from intake_report.units import UnitSystem, to_display


def basis_of_differences(result: ReportResult) -> list[Block]:
    """Return the tables behind the headline differences; nothing where nothing could be compared."""
    keys = {key.key: key for key in result.metrics}
    rows = [c for c in result.comparisons if keys[c.key].spec.headline and c.basis != "none"]
    blocks: list[Block] = []
    if rows:
        blocks += [Heading(2, "What the differences rest on", "sec-basis"), Paragraph(_method(result, rows))]
        blocks.append(_basis(result, keys, rows))
    blocks += _covariates(result, keys)
    tested = [check for check in result.checks if check.lag_p is not None or check.additivity_p is not None]
    if tested:
        blocks.append(_checks(result, keys, tested))
    if result.direct:
        blocks.append(
            comparison_table_of(
                result,
                list(result.direct),
                "tab-direct",
                f"Differences between other configurations that claims ask for{less_control(result)}",
            )
        )
    if result.control_drives:
        blocks += _control_drives(result)
        blocks += _control(result, keys)
    return blocks


def _method(result: ReportResult, rows: list[Comparison]) -> str:
    """Say how the intervals came about and what was assumed."""
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


def _basis(result: ReportResult, keys: dict[str, MetricKey], rows: list[Comparison]) -> Block:
    def permutation(c: Any, _: UnitSystem) -> str:
        return formatting.ABSENT if c.permutation is None else f"{p_text(c.permutation)} ({p_text(c.smallest)})"

    table = ReportTable(
        "tab-basis",
        f"Headline differences from {result.baseline.name}{less_control(result)}: what their intervals rest on",
        (
            Field("key", "Metric", cell=lambda c, units: metric_title(keys[c.key], units), width=3.0),
            named(result, 2.0),
            *files("versus", "unit", "basis", "method"),
            Field("scatter", "Scatter of one run", cell=in_metric(keys, "scatter", 1), align="right", width=1.2),
            Field("between", "u, between runs", cell=in_metric(keys, "between", 1), align="right", width=1.2),
            Field("instrument", "u, shared biases", cell=in_metric(keys, "instrument", 1), align="right", width=1.2),
            *files("standard_error"),
            Field("standardised", "Standardised", "number", 1, signed=True, width=1.3),
            Field("permutation", "Permutation p (smallest)", cell=permutation, align="right", width=1.5),
            *files("smallest", "margin"),
            Field("equivalent", "Equivalence", cell=lambda c, units: _equivalence(units, keys[c.key], c), width=1.5),
            *files("equivalence_p", "not_reached", "not_reached_versus", "within", "within_versus"),
        ),
        frame_of(rows).assign(unit=[internal_unit(keys[c.key]) for c in rows]),
        _basis_notes(rows),
    )
    return block_of(table, result.units)


def _equivalence(units: UnitSystem, key: MetricKey, c: Comparison) -> str:
    if c.margin is None:
        return "no margin"
    margin = formatting.with_unit(c.margin, difference_quantity(key), units, key.spec.decimals)
    if c.equivalent is None:
        return f"± {margin}: not tested"
    return f"± {margin}: {'equivalent' if c.equivalent else 'not shown'} (p {p_text(c.equivalence_p)})"


def _basis_notes(rows: list[Comparison]) -> tuple[str, ...]:
    notes = [
        "u: standard uncertainty. Scatter of one run: standard deviation after configuration and block. Standardised: "
        "difference over that scatter, corrected for few degrees of freedom.",
        "Permutation: the unadjusted values of the runs of each block dealt anew to the two configurations in every way; in parentheses the smallest p "
        "that this layout can give.",
    ]
    states = (
        (
            [c.not_reached + c.not_reached_versus for c in rows],
            "a run did not reach the margin and counts as “longer than”.",
        ),
        ([c.within + c.within_versus for c in rows], "a run was within the margin at the entry: “sooner than”."),
    )
    for counts, what in states:
        if any(counts):
            notes.append(f"In {formatting.count(sum(k > 0 for k in counts), 'comparison')} {what}")
    return tuple(notes)


def _covariates(result: ReportResult, keys: dict[str, MetricKey]) -> list[Block]:
    """Return what differences are adjusted for and what that changed; nothing where nothing was."""
    rows = [
        {
            "comparison": c,
            "fit": fit,
            "key": c.key,
            "configuration": c.configuration,
            **vars(fit),
            "unit": internal_unit(keys[c.key]),
        }
        for c in (*result.comparisons, *result.direct)
        for fit in c.covariates
    ]
    if not rows:
        return []
    text = (
        "Differences are adjusted for what was known before the phase began, fixed before the data were seen: the additive model "
        "of the runs' means in each block has the covariate as a further column, with one slope for all configurations, and the "
        "error and degrees of freedom are those of that model. The covariate counts as measured exactly. One that differs "
        f"between configurations beyond chance (p below 0.05) is not adjusted for. {_said_before(result)}"
    )

    def per(name: str) -> Callable[[Any, UnitSystem], str]:
        def cell(row: Any, units: UnitSystem) -> str:
            key, quantity = keys[row.key], COVARIATES[row.name][1]
            factor = to_display(1.0, quantity, units)
            number = float(to_display(getattr(row, name), difference_quantity(key), units) / factor)
            unit = f"{formatting.unit_of(difference_quantity(key), units)}/{formatting.unit_of(quantity, units)}"
            return f"{formatting.number(number, 3, signed=name == 'slope')} {unit}"

        return cell

    def change(row: Any, units: UnitSystem) -> str:
        return formatting.with_unit(row.unbalance, COVARIATES[row.name][1], units, 1, signed=True)

    def scatter(row: Any, units: UnitSystem) -> str:
        form = (difference_quantity(keys[row.key]), units, keys[row.key].spec.decimals + 1)
        return f"{formatting.bare(row.scatter_without, *form)} → {formatting.with_unit(row.scatter, *form)}"

    table = ReportTable(
        "tab-covariates",
        "Covariates: what they explain",
        (
            Field("key", "Metric", cell=lambda r, units: metric_title(keys[r.key], units), width=2.6),
            named(result, 1.8),
            Field("name", "Adjusted for", cell=lambda r, _: COVARIATES[r.name][0], width=2.2),
            Field("slope", "Slope", cell=per("slope"), align="right", width=1.3),
            Field("u", "its u", cell=per("u"), align="right", width=1.2),
            Field("unbalance", "Difference in it", cell=change, align="right", width=1.2),
            Field("scatter", "Residual scatter", cell=scatter, align="right", width=1.6),
            *files("scatter_without", "unit"),
            Field("curved", "Bends: p", cell=lambda r, _: p_text(r.curved), align="right"),
            Field("unequal", "Slopes differ: p", cell=lambda r, _: p_text(r.unequal), align="right"),
        ),
        frame_of(rows),
        (
            "Bends: squares of the covariate added. Slopes differ: a slope for each configuration. A large p is no proof.",
        ),
    )
    return [Paragraph(text), block_of(table, result.units)]


def _said_before(result: ReportResult) -> str:
    """Say how far the adjustment changes what the differences show."""
    both = [(c, c.unadjusted) for c in result.comparisons if c.unadjusted is not None]
    other = sum(c.call != plain.call for c, plain in both)
    text = f"Of {formatting.count(len(both), 'adjusted difference')}"
    return (
        f"{text}, {other} {'reads' if other == 1 else 'read'} otherwise without it."
        if other
        else f"{text}, none reads otherwise without it."
    )


def _checks(result: ReportResult, keys: dict[str, MetricKey], checks: list[ModelCheck]) -> Block:
    def correlation(c: Any, _: UnitSystem) -> str:
        if c.lag is None:
            return formatting.ABSENT
        return f"{formatting.number(c.lag, 2, signed=True)} ({formatting.count(c.lag_pairs, 'pair')})"

    table = ReportTable(
        "tab-checks",
        f"Assumptions about the runs, tested as far as the runs allow{less_control(result)}",
        (
            Field("key", "Metric", cell=lambda c, units: metric_title(keys[c.key], units), width=3.2),
            Field("lag", "Correlation of consecutive runs of a block", cell=correlation, align="right", width=2.4),
            Field("lag_p", "p", cell=lambda c, _: p_text(c.lag_p), align="right"),
            *files("lag_pairs"),
            Field("additivity_p", "Blocks shift all configurations alike: p", width=2.4, align="right",
                  cell=lambda c, _: p_text(c.additivity_p)),
            *files("additivity_method", "note"),
        ),
        frame_of(checks),
        ("Few runs show strong departures only: a large p is no proof.",),
    )  # fmt: skip
    return block_of(table, result.units)


def _control_drives(result: ReportResult) -> list[Block]:
    """Return which runs a control vehicle drove beside, from which files, and what is taken less its values."""
    beside = sum(bool(logs.files) for logs in result.control_drives)
    runs = formatting.count(len(result.control_drives), "run")
    text = f"A control vehicle, left unmodified, drove beside {beside} of {runs}. "
    if result.less_control:
        text += (
            "Differences between configurations are taken from each run's value less that of the control beside it, which is "
            "free of what both met: weather, traffic, lights. Values per run, their means and limits on a value are not: they "
            "are those of the test vehicle alone."
        )
    else:
        text += (
            "Since not every run in the comparison has a control that could be measured, no difference is taken less its values; "
            "what it would have changed is shown for the runs that have one."
        )
    drives = ReportTable(
        "tab-control-drives",
        "Logs of the control vehicle",
        (
            Field("run", "Run", width=2.4),
            Field(
                "files",
                "Log of the control vehicle",
                cell=lambda d, _: ", ".join(d.files) or "none",
                width=4.0,
                internal=True,
            ),
        ),
        frame_of(result.control_drives),
    )
    return [
        Heading(2, "Control vehicle", "sec-control"),
        Paragraph(text),
        block_of(drives, result.units),
    ]


def _control(result: ReportResult, keys: dict[str, MetricKey]) -> list[Block]:
    """Return what the control vehicle bought: the same differences with it and without it."""
    rows = [e for e in result.control if e.difference is not None]
    if not rows:
        return []
    both = [e for e in rows if e.half_width is not None and e.plain_half_width is not None]
    narrower = sum((e.half_width or 0.0) < (e.plain_half_width or 0.0) for e in both)
    text = f"It narrows the interval in {narrower} of {formatting.count(len(both), 'headline difference')}."

    def difference(prefix: str) -> Callable[[Any, UnitSystem], str]:
        def cell(e: Any, units: UnitSystem) -> str:
            form = (difference_quantity(keys[e.key]), units, keys[e.key].spec.decimals)
            value, low, high = (getattr(e, prefix + name) for name in ("difference", "low", "high"))
            text = formatting.with_unit(value, *form, signed=True)
            return (
                text
                if low is None and high is None
                else f"{text} ({said(Interval(low, high, form[0], form[2]), form[1])})"
            )

        return cell

    table = ReportTable(
        "tab-control",
        "Headline differences with and without the control vehicle, from the same runs",
        (
            Field("key", "Metric", cell=lambda e, units: metric_title(keys[e.key], units), width=2.8),
            named(result, 2.0),
            *files("versus", "unit", "runs"),
            Field("difference", "Less the control", cell=difference(""), align="right", width=2.1),
            Field("plain_difference", "Without it", cell=difference("plain_"), align="right", width=2.1),
            Field("scatter", "Scatter of one run", cell=in_metric(keys, "scatter"), align="right", width=1.1),
            Field("plain_scatter", "Without it", cell=in_metric(keys, "plain_scatter"), align="right", width=1.1),
            *files("half_width", "plain_half_width", "low", "high", "plain_low", "plain_high"),
        ),
        frame_of(rows).assign(unit=[internal_unit(keys[e.key]) for e in rows]),
        (message("In parentheses the {level} intervals.", level=Value(result.level, "share")),),
    )
    return [*([Paragraph(text)] if both else []), block_of(table, result.units)]
