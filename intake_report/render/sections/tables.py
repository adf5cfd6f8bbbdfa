"""From a declared table to the block that notebook, page and files show; tables and titles of figures that several sections share."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from intake_report import formatting
from intake_report.dyno import DynoResult
from intake_report.messages import Part, message, said
from intake_report.render.blocks import Column, Table
from intake_report.render.inline import literal
from intake_report.render.sections.answer import level
from intake_report.report_table import Across, Field, ReportTable, frame_of
from intake_report.results import BudgetRow, Comparison, MetricKey, MetricSpec, ReportResult
from intake_report.results.evidence import AirEvidence, Places
from intake_report.results.text import (
    EXPLORATORY,
    SUGGESTED,
    adjusted_for,
    difference_interval,
    difference_quantity,
    less_control,
    metric_title,
    p_text,
    percent,
    summary_text,
    value_text,
)
from intake_report.units import QUANTITIES, UnitSystem

PARAMETERS = {"none": "", "margin": "a margin", "phase": "one phase", "limit": "a limit"}


def block_of(table: ReportTable, units: UnitSystem) -> Table:
    """Return a declared table as a block: cells in the reader's units, and the rows of its CSV file in internal ones.

    Every text is printed as it is, so that no text of a campaign can act as markup.
    """
    columns = table.columns(units)
    names = [field.name for field in table.fields if field.name]
    records = table.records()
    return Table(
        label=table.label,
        caption=literal(said(table.caption, units)),
        columns=tuple(
            Column(literal(title), align, internal=i < len(table.shown) and table.shown[i].internal)
            for i, (title, align, _) in enumerate(columns)
        ),
        rows=tuple(tuple(literal(cell) for cell in row) for row in table.cells(units)),
        notes=tuple(literal(said(note, units)) for note in table.notes),
        values=(tuple(names), *(tuple(record[name] for name in names) for record in records)),
        widths=tuple(width for _, _, width in columns),
    )


def files(*names: str) -> tuple[Field, ...]:
    """Return fields that are written to the files only."""
    return tuple(Field(name) for name in names)


def named(result: ReportResult, width: float = 1.0) -> Field:
    """Return the column of the names of configurations."""
    return Field("configuration", "Configuration", cell=lambda row, _: result.name_of(row.configuration), width=width)


def internal_unit(key: MetricKey) -> str:
    """Return the unit in which a difference of a metric is written to files."""
    return QUANTITIES[difference_quantity(key)].internal


def in_metric(keys: dict[str, MetricKey], name: str, more: int = 0) -> Callable[[Any, UnitSystem], str]:
    """Return the cell of a difference, or a part of its uncertainty, in the unit of its metric with so many more digits."""

    def cell(row: Any, units: UnitSystem) -> str:
        key = keys[row.key]
        return formatting.with_unit(getattr(row, name), difference_quantity(key), units, key.spec.decimals + more)

    return cell


def extended(frame: pd.DataFrame, **columns: list[Any]) -> pd.DataFrame:
    """Return a frame with further columns, whose missing values stay None."""
    return frame.assign(
        **{name: pd.Series(values, index=frame.index, dtype=object) for name, values in columns.items()}
    )


def titled(key: MetricKey, units: UnitSystem, *, difference: bool = False) -> str:
    """Return the title of a metric with its unit, as it heads a column or row."""
    quantity = difference_quantity(key) if difference else key.spec.quantity
    return f"{metric_title(key, units)} [{formatting.unit_of(quantity, units)}]"


def general_title(spec: MetricSpec) -> str:
    """Return the title of a metric for whatever margin, phase or limit."""
    return said(message(spec.title, parameter=PARAMETERS[spec.parameter]), "si")


def once(notes: Iterable[tuple[str, Part]], units: UnitSystem) -> tuple[str, ...]:
    """Return "run: note." for every note that says something, each once."""
    return tuple(dict.fromkeys(f"{of}: {said(note, units).rstrip('.')}." for of, note in notes if note))


def comparison_table(result: ReportResult, keys: tuple[MetricKey, ...], label: str, caption: str) -> Table:
    """Return the differences from the baseline, one row per metric and configuration."""
    rows = [c for key in keys for c in result.comparisons if c.key == key.key]
    return comparison_table_of(
        result, rows, label, f"{caption}, compared with {result.baseline.name}{less_control(result)}"
    )


def comparison_table_of(result: ReportResult, rows: list[Comparison], label: str, caption: str) -> Table:
    """Return these differences, whatever they are taken from; the other configuration is named where it is not the baseline."""
    keys = {key.key: key for key in result.metrics}
    beside = [c.unadjusted for c in rows if c.unadjusted is not None]
    rows = [row for c in rows for row in (c, c.unadjusted) if row is not None]

    def whom(c: Any, _: UnitSystem) -> str:
        name = result.name_of(c.configuration)
        name = name if c.versus == result.baseline.id else f"{name} against {result.name_of(c.versus)}"
        return f"{name}, unadjusted" if c.unadjusted_row else name

    def difference(c: Any, units: UnitSystem) -> str:
        key = keys[c.key]
        return formatting.with_unit(c.difference, difference_quantity(key), units, key.spec.decimals, signed=True)

    def interval(c: Any, units: UnitSystem) -> str:
        text = difference_interval(c, keys[c.key], units)
        return f"{text} (instruments)" if c.basis == "instruments" else text

    frame = frame_of(rows, tuple(Comparison.__dataclass_fields__))
    frame = frame.assign(
        unit=[internal_unit(keys[c.key]) for c in rows],
        unadjusted_row=[any(c is one for one in beside) for c in rows],
        adjusted_for=[adjusted_for(c) for c in rows],
    )
    table = ReportTable(
        label,
        caption,
        (
            Field("key", "Metric", cell=lambda c, units: metric_title(keys[c.key], units), width=3.0),
            Field("configuration", "Configuration", cell=whom, width=2.1),
            *files("versus", "unit"),
            Field("difference", "Difference", cell=difference, align="right", width=1.3),
            *files("low", "high"),
            Field("", f"{_percent(result.level)} interval", cell=interval, align="right", width=2.0),
            *files(
                "adjusted_for",
                "level",
                "df",
                "n",
                "n_versus",
                "not_reached",
                "not_reached_versus",
                "within",
                "within_versus",
                "basis",
            ),
            Field("", "Runs", cell=lambda c, _: f"{c.n} / {c.n_versus}", align="center", width=0.8),
            Field("p_value", "p", cell=lambda c, _: p_text(c.p_value), align="right", width=0.9),
            Field("p_adjusted", "p (Holm)", cell=lambda c, _: p_text(c.p_adjusted), align="right", width=0.9),
            Field("verdict", "Verdict", width=1.9),
        ),
        frame,
        _comparison_notes(result, [(keys[c.key], c) for c in rows]),
    )
    return block_of(table, result.units)


def _percent(level: float) -> str:
    return formatting.usual(level, "share", "si")


def _comparison_notes(result: ReportResult, pairs: list[tuple[MetricKey, Comparison]]) -> tuple[str, ...]:
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
    notes += [
        f"Adjusted for {text}; the same without adjustment in the row below."
        for text in dict.fromkeys(adjusted_for(c) for _, c in pairs if c.covariates)
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
            f"{_percent(result.level)} one in {round(1.0 / (1.0 - result.level))} such calls comes by chance where there is "
            "no difference."
        )
    if any(key.spec.headline and c.basis == "runs" for key, c in pairs):
        notes.append(_rests_on([c for _, c in pairs]))
    return tuple(notes)


def _rests_on(rows: list[Comparison]) -> str:
    """Say what the intervals assume, and how little the layout can show without that."""
    smallest = [c.smallest for c in rows if c.smallest is not None and c.basis == "runs" and c.replicated]
    text = "The intervals assume that runs scatter normally"
    if not smallest:
        return f"{text}; no exact permutation test is possible to do without that."
    low, high = p_text(min(smallest)), p_text(max(smallest))
    reach = low if low == high else f"{low} to {high}, by comparison"
    return (
        f"{text}. Without that, an exact permutation test within blocks could reach no p below {reach} with this layout, "
        "whatever the data."
    )


def values_table(result: ReportResult, keys: tuple[MetricKey, ...], label: str, caption: str) -> Table:
    """Return the value of every run, one row per run, one column per metric."""
    excluded = {run.id for run in result.runs if run.decision == "excluded"}
    of_key = {key.key: key for key in keys}
    table = ReportTable(
        label,
        caption,
        (
            Field("run", "Run", cell=lambda v, _: f"{v.run} (excluded)" if v.run in excluded else v.run),
            Field("configuration", "Configuration", cell=lambda v, _: result.name_of(v.configuration)),
            *files("block", "metric", "unit", "status", "value", "bound", "time", "distance", "reason"),
        ),
        metric_frame(result, keys),
        _value_notes(result, keys),
        Across(
            "run",
            "metric",
            tuple((key.key, titled(key, result.units)) for key in keys),
            lambda v, units: value_text(v, of_key[v.key], units),
            width=1.0,
        ),
    )
    return replace(block_of(table, result.units), widths=None)


def metric_frame(result: ReportResult, keys: tuple[MetricKey, ...] | list[MetricKey]) -> pd.DataFrame:
    """Return the values of all runs in these metrics, run by run, with the name of the metric and its unit."""
    units = {key.key: QUANTITIES[key.spec.quantity].internal for key in keys}
    frame = frame_of([v for key in keys for v in result.of(key.key)])
    return frame.assign(metric=frame["key"], unit=frame["key"].map(units))


def _value_notes(result: ReportResult, keys: tuple[MetricKey, ...]) -> tuple[str, ...]:
    """Return what must be known about values, each note once per metric with the number of runs."""
    notes = []
    for key in keys:
        texts = [said(v.note, result.units) for v in result.of(key.key) if v.note]
        for text in dict.fromkeys(texts):
            runs = formatting.count(texts.count(text), "run")
            notes.append(f"{metric_title(key, result.units)}: {text} ({runs}).")
    return tuple(notes)


def summary_table(result: ReportResult, keys: tuple[MetricKey, ...], label: str, caption: str) -> Table:
    """Return n, mean and standard deviation of every metric, one column per configuration."""
    of_key = {key.key: key for key in keys}
    rows = [result.summary(key.key, c.id) for key in keys for c in result.configurations]
    frame = frame_of(rows)
    table = ReportTable(
        label,
        caption,
        (
            Field("metric", "Metric", cell=lambda s, units: titled(of_key[s.key], units), width=3.0),
            *files("configuration", "unit", "n", "not_reached", "within", "mean", "sd"),
        ),
        frame.assign(metric=frame["key"], unit=[QUANTITIES[of_key[s.key].spec.quantity].internal for s in rows]),
        ("Mean ± standard deviation between runs (number of runs).",),
        Across(
            "key",
            "configuration",
            tuple((c.id, c.name) for c in result.configurations),
            lambda s, units: summary_text(s, of_key[s.key], units),
            width=1.8,
        ),
    )
    return block_of(table, result.units)


def levels(result: ReportResult, keys: Sequence[MetricKey]) -> str:
    """Return the value of each configuration in the first of these metrics that has one."""
    for key in keys:
        known = [(level(result, key, c.id), c.name) for c in result.configurations]
        if all(text for text, _ in known):
            return f"{metric_title(key, result.units)}: {formatting.listing([f'{text} with {name}' for text, name in known])}"
    return ""


def hottest(result: ReportResult) -> str:
    """Return the highest intake air temperature of each configuration and the phase in which it was read."""
    parts = []
    for c in result.configurations:
        points = [
            (y, x)
            for curve in result.route_curves
            if curve.configuration == c.id
            for x, y in zip(curve.x, curve.y, strict=True)
            if y is not None
        ]
        if points:
            value, at = max(points)
            phase = next((p.name for p in result.phases if p.start <= at <= p.end), "")
            parts.append(
                f"{formatting.with_unit(value, 'temperature', result.units, 0)} with {c.name}{f' ({phase})' if phase else ''}"
            )
    return f"Highest intake air: {formatting.listing(parts)}" if parts else ""


def farthest_apart(result: ReportResult, places: Places) -> str:
    """Return where the means of the configurations lie farthest apart."""
    means = np.array([[np.nan if v is None else v for v in curve.mean] for curve in places.curves])
    apart = np.where(np.isnan(means).any(axis=0), -1.0, np.ptp(means, axis=0))
    if len(means) < 2 or apart.max() < 0.0:
        return ""
    at = int(apart.argmax())
    values = [
        f"{formatting.with_unit(float(mean), places.quantity, result.units, 1)} with {result.name_of(curve.configuration)}"
        for curve, mean in zip(places.curves, means[:, at], strict=True)
    ]
    where = formatting.with_unit(places.centres[at], "distance", result.units, 1)
    return f"Farthest apart at {where}: {formatting.listing(values)}"


def calls(result: ReportResult, keys: Sequence[MetricKey]) -> str:
    """Return how many of the differences of these metrics are shown."""
    rows = [c for c in result.comparisons if c.difference is not None and any(k.key == c.key for k in keys)]
    called = sum(c.call in ("shown", "exploratory") for c in rows)
    only = ", as indications only" if all(c.call == "indication" for c in rows) else ""
    return f"{called} of {len(rows)} differences from {result.baseline.name} are shown{only}"


def largest_sources(budgets: Sequence[tuple[MetricKey, Sequence[BudgetRow]]]) -> str:
    """Return which source of uncertainty is the largest in how many of the metrics."""
    first = Counter(max(rows, key=lambda row: row.u or 0.0).source for _, rows in budgets if any(row.u for row in rows))
    parts = [f"{source.lower()} in {count} of {len(budgets)}" for source, count in first.most_common()]
    return f"Largest source of a metric: {formatting.listing(parts)}" if parts else ""


def masses(result: ReportResult, air: AirEvidence) -> str:
    """Return how much air of ambient the volume holds with each configuration."""
    parts = [
        f"{percent(100.0 * (point.mass / air.ambient_mass - 1.0), 1)} with {result.name_of(point.configuration)}"
        for point in air.points
    ]
    return f"Mass of air against ambient air: {formatting.listing(parts)}" if parts else ""


def peaks(result: ReportResult, dyno: DynoResult) -> str:
    """Return between which values the peaks of the mean curves of the configurations lie."""
    parts = []
    for quantity in ("power", "torque"):
        found = [max(v for v in curve.mean if v is not None) for curve in dyno.curves if curve.quantity == quantity]
        if found:
            ends = (min(found), max(found))
            parts.append(f"peak {quantity} {formatting.interval(*ends, quantity, result.units, 1)}")
    text = formatting.listing(parts)
    one = len({curve.configuration for curve in dyno.curves}) == 1
    return f"{text[:1].upper()}{text[1:]}{'' if one else ' over all configurations'}"


def stops(result: ReportResult) -> str:
    """Return in which phases the places of stops lie."""
    places = result.places.stops if result.places else ()
    of = Counter(next((p.name for p in result.phases if p.start <= s.distance <= p.end), "elsewhere") for s in places)
    if not of:
        return "No place at which runs stopped"
    parts = [f"{count} in {name}" if name != "elsewhere" else f"{count} elsewhere" for name, count in of.items()]
    return f"{formatting.count(len(places), 'place')} where runs stopped: {formatting.listing(parts)}"
