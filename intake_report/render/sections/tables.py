"""Tables that several sections share."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from intake_report import formatting
from intake_report.messages import said
from intake_report.render.blocks import Column, Scalar, Table
from intake_report.render.inline import literal
from intake_report.results import Comparison, MetricKey, ReportResult
from intake_report.results.text import (
    EXPLORATORY,
    SUGGESTED,
    difference_interval,
    difference_quantity,
    less_control,
    metric_title,
    p_text,
    summary_text,
    value_text,
)
from intake_report.units import QUANTITIES


def literal_table(**fields: Any) -> Table:
    """Return a table whose texts are printed as they are, so that no text of a campaign can act as markup."""
    table = Table(**fields)
    return replace(
        table,
        caption=literal(table.caption),
        columns=tuple(Column(literal(column.title), column.align) for column in table.columns),
        rows=tuple(tuple(literal(cell) for cell in row) for row in table.rows),
        notes=tuple(literal(note) for note in table.notes),
    )


def comparison_table(result: ReportResult, keys: tuple[MetricKey, ...], label: str, caption: str) -> Table:
    """Return the differences from the baseline, one row per metric and configuration."""
    pairs = [(key, c) for key in keys for c in result.comparisons if c.key == key.key]
    return comparison_table_of(
        result, pairs, label, f"{caption}, compared with {result.baseline.name}{less_control(result)}"
    )


def comparison_table_of(
    result: ReportResult, pairs: list[tuple[MetricKey, Comparison]], label: str, caption: str
) -> Table:
    """Return these differences, whatever they are taken from; the other configuration is named where it is not the baseline."""
    level = formatting.number(100 * result.level, 0)
    return literal_table(
        label=label,
        caption=caption,
        columns=(
            Column("Metric"),
            Column("Configuration"),
            Column("Difference", "right"),
            Column(f"{level} % interval", "right"),
            Column("Runs", "center"),
            Column("p", "right"),
            Column("p (Holm)", "right"),
            Column("Verdict"),
        ),
        rows=tuple(_comparison_row(result, key, c) for key, c in pairs),
        notes=_notes(result, pairs),
        values=(
            (
                "metric",
                "configuration",
                "versus",
                "unit",
                "difference",
                "low",
                "high",
                "level",
                "df",
                "n",
                "n_versus",
                "not_reached",
                "not_reached_versus",
                "basis",
                "p",
                "p_holm",
                "verdict",
            ),
            *(_comparison_values(key, c) for key, c in pairs),
        ),
        widths=(3.0, 2.1, 1.3, 2.0, 0.8, 0.9, 0.9, 1.9),
    )


def _notes(result: ReportResult, pairs: list[tuple[MetricKey, Comparison]]) -> tuple[str, ...]:
    """Return every note once, with the metrics that it concerns unless it concerns all."""
    concerned: dict[str, list[str]] = {}
    keys = {key.key for key, _ in pairs}
    for key, c in pairs:
        if c.note:
            titles = concerned.setdefault(said(c.note, result.units), [])
            if (title := metric_title(key, result.units)) not in titles:
                titles.append(title)
    notes = [
        f"{note[0].upper()}{note[1:]}." if len(titles) == len(keys) else f"{formatting.listing(titles)}: {note}."
        for note, titles in concerned.items()
    ]
    if any(c.basis == "instruments" for _, c in pairs):
        notes.append("(instruments): interval from the instruments alone, without scatter between runs.")
    if any(c.call == "suggested" for _, c in pairs):
        looked = sum(c.p_adjusted is not None for c in result.comparisons)
        notes.append(
            f"{SUGGESTED[0].upper()}{SUGGESTED[1:]}: the interval excludes zero, but not after allowing for the {looked} "
            "comparisons looked at together (Holm)."
        )
    if any(c.call == "exploratory" for _, c in pairs):
        notes.append(
            f"{EXPLORATORY}: not a headline metric, so nothing allows for the number of metrics looked at; at "
            f"{formatting.number(100 * result.level, 0)} % one in {round(1.0 / (1.0 - result.level))} such calls comes by "
            "chance where there is no difference."
        )
    if any(key.spec.headline and c.basis == "runs" for key, c in pairs):
        notes.append(_rests_on(pairs))
    return tuple(notes)


def _rests_on(pairs: list[tuple[MetricKey, Comparison]]) -> str:
    """Say what the intervals assume, and how little the layout can show without that."""
    smallest = [c.smallest for _, c in pairs if c.smallest is not None and c.basis == "runs" and c.replicated]
    text = "The intervals assume that runs scatter normally"
    if not smallest:
        return f"{text}; no exact permutation test is possible to do without that."
    low, high = p_text(min(smallest)), p_text(max(smallest))
    reach = low if low == high else f"{low} to {high}, by comparison"
    return (
        f"{text}. Without that, an exact permutation test within blocks could reach no p below {reach} with this layout, "
        "whatever the data."
    )


def _comparison_row(result: ReportResult, key: MetricKey, c: Comparison) -> tuple[str, ...]:
    quantity, decimals = difference_quantity(key), key.spec.decimals
    interval = difference_interval(c, key, result.units)
    name = result.name_of(c.configuration)
    return (
        metric_title(key, result.units),
        name if c.versus == result.baseline.id else f"{name} against {result.name_of(c.versus)}",
        formatting.with_unit(c.difference, quantity, result.units, decimals, signed=True),
        f"{interval} (instruments)" if c.basis == "instruments" else interval,
        f"{c.n} / {c.n_versus}",
        p_text(c.p_value),
        p_text(c.p_adjusted),
        c.verdict,
    )


def _comparison_values(key: MetricKey, c: Comparison) -> tuple[Scalar, ...]:
    unit = QUANTITIES[difference_quantity(key)].internal
    return (
        key.key, c.configuration, c.versus, unit, c.difference, c.low, c.high, c.level, c.df, c.n, c.n_versus,
        c.not_reached, c.not_reached_versus, c.basis, c.p_value, c.p_adjusted, c.verdict,
    )  # fmt: skip


def values_table(result: ReportResult, keys: tuple[MetricKey, ...], label: str, caption: str) -> Table:
    """Return the value of every run, one row per run, one column per metric."""
    runs = [run for run in result.runs if any(v.run == run.id for v in result.values)]
    found = {(v.key, v.run): v for v in result.values}
    excluded = {run.id for run in result.runs if run.decision == "excluded"}
    return literal_table(
        label=label,
        caption=caption,
        columns=(
            Column("Run"),
            Column("Configuration"),
            *(
                Column(
                    f"{metric_title(k, result.units)} [{formatting.unit_of(k.spec.quantity, result.units)}]", "right"
                )
                for k in keys
            ),
        ),
        rows=tuple(
            (
                f"{run.id} (excluded)" if run.id in excluded else run.id,
                result.name_of(run.configuration),
                *(value_text(found[(key.key, run.id)], key, result.units) for key in keys),
            )
            for run in runs
        ),
        notes=_value_notes(result, keys),
        values=(
            (
                "run",
                "configuration",
                "block",
                "metric",
                "unit",
                "status",
                "value",
                "bound",
                "time_s",
                "distance_m",
                "reason",
            ),
            *(
                (
                    v.run,
                    v.configuration,
                    v.block,
                    v.key,
                    QUANTITIES[k.spec.quantity].internal,
                    v.status,
                    v.value,
                    v.bound,
                    v.time,
                    v.distance,
                    said(v.reason, result.units),
                )
                for k in keys
                for v in result.of(k.key)
            ),
        ),
    )


def _value_notes(result: ReportResult, keys: tuple[MetricKey, ...]) -> tuple[str, ...]:
    """Return what must be known about values, each note once per metric with the number of runs."""
    notes = []
    for key in keys:
        found = [said(v.note, result.units) for v in result.of(key.key) if v.note]
        for note in dict.fromkeys(found):
            runs = formatting.count(found.count(note), "run")
            notes.append(f"{metric_title(key, result.units)}: {said(note, result.units)} ({runs}).")
    return tuple(notes)


def summary_table(result: ReportResult, keys: tuple[MetricKey, ...], label: str, caption: str) -> Table:
    """Return n, mean and standard deviation of every metric, one column per configuration."""
    values: list[tuple[Scalar, ...]] = [("metric", "configuration", "unit", "n", "not_reached", "mean", "sd")]
    for key in keys:
        for c in result.configurations:
            s = result.summary(key.key, c.id)
            values.append((key.key, c.id, QUANTITIES[key.spec.quantity].internal, s.n, s.not_reached, s.mean, s.sd))
    return literal_table(
        label=label,
        caption=caption,
        columns=(Column("Metric"), *(Column(c.name, "right") for c in result.configurations)),
        rows=tuple(
            (
                f"{metric_title(key, result.units)} [{formatting.unit_of(key.spec.quantity, result.units)}]",
                *(summary_text(result.summary(key.key, c.id), key, result.units) for c in result.configurations),
            )
            for key in keys
        ),
        notes=("Mean ± standard deviation between runs (number of runs).",),
        values=tuple(values),
        widths=(3.0, *(1.8 for _ in result.configurations)),
    )
