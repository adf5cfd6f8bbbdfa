"""What the differences rest on: scatter, shared biases, tests of what was assumed, the control vehicle."""

from __future__ import annotations

from intake_report import formatting
from intake_report.messages import said
from intake_report.render.blocks import Block, Column, Heading, Paragraph
from intake_report.render.sections.tables import comparison_table_of, literal_table
from intake_report.results import Comparison, ControlEffect, MetricKey, ModelCheck, ReportResult
from intake_report.results.compared import METHODS
from intake_report.results.text import difference_quantity, less_control, metric_title, open_interval, p_text
from intake_report.units import QUANTITIES


def basis_of_differences(result: ReportResult) -> list[Block]:
    """Return the tables behind the headline differences; nothing where nothing could be compared."""
    keys = {key.key: key for key in result.metrics}
    rows = [c for c in result.comparisons if keys[c.key].spec.headline and c.basis != "none"]
    blocks: list[Block] = []
    if rows:
        blocks += [Heading(2, "What the differences rest on", "sec-basis"), Paragraph(_said(result, rows))]
        blocks.append(_basis(result, keys, rows))
    tested = [check for check in result.checks if check.lag_p is not None or check.additivity_p is not None]
    if tested:
        blocks.append(_checks(result, keys, tested))
    if result.direct:
        pairs = [(keys[c.key], c) for c in result.direct]
        blocks.append(
            comparison_table_of(
                result,
                pairs,
                "tab-direct",
                f"Differences between other configurations that claims ask for{less_control(result)}",
            )
        )
    if result.control_drives:
        blocks += _control_drives(result)
        blocks += _control(result, keys)
    return blocks


def _said(result: ReportResult, rows: list[Comparison]) -> str:
    """Say how the intervals came about and what was assumed."""
    level = formatting.number(100 * result.level, 0)
    methods = list(dict.fromkeys(METHODS[c.method] for c in rows))
    texts = [f"Differences of headline metrics are computed {formatting.listing([f'“{m}”' for m in methods])}."]
    if any(c.basis == "runs" for c in rows):
        texts.append(
            f"The {level} % interval holds the scatter between runs and the biases that all runs share: every draw of these "
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
    return literal_table(
        label="tab-basis",
        caption=f"Headline differences from {result.baseline.name}{less_control(result)}: what their intervals rest on",
        columns=(
            Column("Metric"),
            Column("Configuration"),
            Column("Scatter of one run", "right"),
            Column("u, between runs", "right"),
            Column("u, shared biases", "right"),
            Column("Standardised", "right"),
            Column("Permutation p (smallest)", "right"),
            Column("Equivalence"),
        ),
        rows=tuple(_basis_row(result, keys[c.key], c) for c in rows),
        notes=_basis_notes(rows),
        values=(
            (
                "metric", "configuration", "versus", "unit", "basis", "method", "scatter", "u_between", "u_shared",
                "u", "standardised", "permutation_p", "smallest_p", "margin", "equivalent", "equivalence_p",
                "not_reached", "not_reached_versus",
            ),
            *(
                (
                    c.key, c.configuration, c.versus, QUANTITIES[difference_quantity(keys[c.key])].internal, c.basis,
                    c.method, c.scatter, c.between, c.instrument, c.standard_error, c.standardised, c.permutation,
                    c.smallest, c.margin, c.equivalent, c.equivalence_p, c.not_reached, c.not_reached_versus,
                )
                for c in rows
            ),
        ),
        widths=(3.0, 2.0, 1.2, 1.2, 1.2, 1.3, 1.5, 1.5),
    )  # fmt: skip


def _basis_row(result: ReportResult, key: MetricKey, c: Comparison) -> tuple[str, ...]:
    def amount(value: float | None) -> str:  # one digit more than the difference: parts of an uncertainty
        return formatting.with_unit(value, difference_quantity(key), result.units, key.spec.decimals + 1)

    order = formatting.ABSENT
    if c.permutation is not None:
        order = f"{p_text(c.permutation)} ({p_text(c.smallest)})"
    return (
        metric_title(key, result.units),
        result.name_of(c.configuration),
        amount(c.scatter),
        amount(c.between),
        amount(c.instrument),
        formatting.ABSENT if c.standardised is None else formatting.number(c.standardised, 1, signed=True),
        order,
        _equivalence(result, key, c),
    )


def _equivalence(result: ReportResult, key: MetricKey, c: Comparison) -> str:
    if c.margin is None:
        return "no margin"
    margin = formatting.with_unit(c.margin, difference_quantity(key), result.units, key.spec.decimals)
    if c.equivalent is None:
        return f"± {margin}: not tested"
    return f"± {margin}: {'equivalent' if c.equivalent else 'not shown'} (p {p_text(c.equivalence_p)})"


def _basis_notes(rows: list[Comparison]) -> tuple[str, ...]:
    notes = [
        "u: standard uncertainty. Scatter of one run: standard deviation after configuration and block. Standardised: "
        "difference over that scatter, corrected for few degrees of freedom.",
        "Permutation: the runs of each block dealt anew to the two configurations in every way; in parentheses the smallest p "
        "that this layout can give.",
    ]
    censored = sum(c.not_reached + c.not_reached_versus > 0 for c in rows)
    if censored:
        notes.append(
            f"In {formatting.count(censored, 'comparison')} a run did not reach the margin and counts as “longer than”."
        )
    return tuple(notes)


def _checks(result: ReportResult, keys: dict[str, MetricKey], checks: list[ModelCheck]) -> Block:
    return literal_table(
        label="tab-checks",
        caption=f"Assumptions about the runs, tested as far as the runs allow{less_control(result)}",
        columns=(
            Column("Metric"),
            Column("Correlation of consecutive runs of a block", "right"),
            Column("p", "right"),
            Column("Blocks shift all configurations alike: p", "right"),
        ),
        rows=tuple(
            (
                metric_title(keys[c.key], result.units),
                formatting.ABSENT
                if c.lag is None
                else f"{formatting.number(c.lag, 2, signed=True)} ({formatting.count(c.lag_pairs, 'pair')})",
                p_text(c.lag_p),
                p_text(c.additivity_p),
            )
            for c in checks
        ),
        notes=("Few runs show strong departures only: a large p is no proof.",),
        values=(
            ("metric", "lag_one", "lag_one_p", "pairs", "additivity_p", "additivity_test", "note"),
            *(
                (c.key, c.lag, c.lag_p, c.lag_pairs, c.additivity_p, c.additivity_method, said(c.note, result.units))
                for c in checks
            ),
        ),
        widths=(3.2, 2.4, 1.0, 2.4),
    )


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
    return [
        Heading(2, "Control vehicle", "sec-control"),
        Paragraph(text),
        literal_table(
            label="tab-control-drives",
            caption="Logs of the control vehicle",
            columns=(Column("Run"), Column("Log of the control vehicle")),
            rows=tuple((logs.run, ", ".join(logs.files) or "none") for logs in result.control_drives),
            values=(
                ("run", "file"),
                *((logs.run, file) for logs in result.control_drives for file in logs.files or ("",)),
            ),
            widths=(2.4, 4.0),
        ),
    ]


def _control(result: ReportResult, keys: dict[str, MetricKey]) -> list[Block]:
    """Return what the control vehicle bought: the same differences with it and without it."""
    rows = [e for e in result.control if e.difference is not None]
    if not rows:
        return []
    both = [e for e in rows if e.half_width is not None and e.plain_half_width is not None]
    narrower = sum((e.half_width or 0.0) < (e.plain_half_width or 0.0) for e in both)
    said = f"It narrows the interval in {narrower} of {formatting.count(len(both), 'headline difference')}."
    return [
        *([Paragraph(said)] if both else []),
        literal_table(
            label="tab-control",
            caption="Headline differences with and without the control vehicle, from the same runs",
            columns=(
                Column("Metric"),
                Column("Configuration"),
                Column("Less the control", "right"),
                Column("Without it", "right"),
                Column("Scatter of one run", "right"),
                Column("Without it", "right"),
            ),
            rows=tuple(_control_row(result, keys[e.key], e) for e in rows),
            values=(
                (
                    "metric", "configuration", "versus", "unit", "runs", "difference", "half_width", "scatter",
                    "plain_difference", "plain_half_width", "plain_scatter", "low", "high", "plain_low", "plain_high",
                ),
                *(
                    (
                        e.key, e.configuration, e.versus, QUANTITIES[difference_quantity(keys[e.key])].internal, e.runs,
                        e.difference, e.half_width, e.scatter, e.plain_difference, e.plain_half_width, e.plain_scatter,
                        e.low, e.high, e.plain_low, e.plain_high,
                    )
                    for e in rows
                ),
            ),
            notes=(f"In parentheses the {formatting.number(100 * result.level, 0)} % intervals.",),
            widths=(2.8, 2.0, 2.1, 2.1, 1.1, 1.1),
        ),
    ]  # fmt: skip


def _control_row(result: ReportResult, key: MetricKey, e: ControlEffect) -> tuple[str, ...]:
    form = (difference_quantity(key), result.units, key.spec.decimals)

    def with_interval(value: float | None, low: float | None, high: float | None) -> str:
        text = formatting.with_unit(value, *form, signed=True)
        return text if low is None and high is None else f"{text} ({open_interval(low, high, *form)})"

    return (
        metric_title(key, result.units),
        result.name_of(e.configuration),
        with_interval(e.difference, e.low, e.high),
        with_interval(e.plain_difference, e.plain_low, e.plain_high),
        formatting.with_unit(e.scatter, *form),
        formatting.with_unit(e.plain_scatter, *form),
    )
