"""From a declared table to the block that notebook, page and files show; columns, tables and titles of figures that sections share."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import pandas as pd

from intake_report import formatting
from intake_report.messages import Message, Part, message, said
from intake_report.render.blocks import Column, Table, literal
from intake_report.report_table import Across, Field, ReportTable, frame_of
from intake_report.results import Comparison, MetricKey, MetricSpec, ReportResult, text
from intake_report.units import QUANTITIES, UnitSystem

PARAMETERS = {"none": "", "margin": "a margin", "phase": "one phase", "limit": "a limit"}


def block_of(table: ReportTable, units: UnitSystem) -> Table:
    """Return a declared table as a block: cells in the reader's units, CSV in internal ones; no text acts as markup."""
    columns = table.columns(units)
    internal = [field.internal for field in table.fields] + [False] * len(columns)
    heads = zip(columns, internal, strict=False)
    return Table(
        label=table.label,
        caption=literal(said(table.caption, units)),
        columns=tuple(Column(literal(title), align, hidden) for (title, align, _), hidden in heads),
        rows=tuple(tuple(literal(cell) for cell in row) for row in table.cells(units)),
        notes=tuple(literal(said(note, units)) for note in table.notes),
        values=tuple(table.values()),
        widths=tuple(width for _, _, width in columns),
    )


class TableOf(NamedTuple):
    """Rows that the report prints as a table under a label."""

    units: UnitSystem
    label: str
    rows: Iterable[Any]

    def declared(
        self, caption: str | Message, *fields: Field, notes: Part | Iterable[Part] = (), across: Across | None = None
    ) -> Table:
        """Return the block; see `ReportTable`."""
        every = (notes,) if isinstance(notes, Part) else tuple(notes)
        return block_of(ReportTable(self.label, caption, fields, frame_of(self.rows), every, across), self.units)


def named(result: ReportResult, width: float = 1.0) -> Field:
    """Return the column of the names of configurations."""
    return Field("configuration", "Configuration", cell=lambda row, _: result.name_of(row.configuration), width=width)


def metric_column(result: ReportResult, width: float) -> Field:
    """Return the column of the titles of metrics."""
    return Field("key", "Metric", cell=lambda row, units: text.metric_title(result.metric(row.key), units), width=width)


def amount(
    result: ReportResult, name: str, header: str, width: float = 1.2, *, more: int = 0, signed: bool = False
) -> Field:
    """Return the column of a difference, or a part of its uncertainty, in the unit of its metric with so many more digits."""

    def cell(row: Any, units: UnitSystem) -> str:
        key = result.metric(row.key)
        form = (text.difference_quantity(key), units, key.spec.decimals + more)
        return formatting.with_unit(getattr(row, name), *form, signed=signed)

    return Field(name, header, cell=cell, align="right", width=width)


def interval_column(level: float, cell: Callable[[Any, UnitSystem], str], width: float = 1.0, what: str = "") -> Field:
    """Return the column of intervals at a level; `what` they are of, where that must be said."""
    return Field("", f"{formatting.usual(level, 'share', 'si')} interval{what}", cell=cell, align="right", width=width)


def with_unit(result: ReportResult, rows: Iterable[Any], *, difference: bool = True) -> pd.DataFrame:
    """Return rows of a metric each as a frame, with the unit that their differences, or values, have in files."""
    frame = frame_of(rows)
    of = [_quantity(result.metric(key), difference) for key in frame.get("key", ())]
    return frame.assign(unit=[QUANTITIES[quantity].internal for quantity in of])


def _quantity(key: MetricKey, difference: bool) -> str:
    return text.difference_quantity(key) if difference else key.spec.quantity


def titled(key: MetricKey, units: UnitSystem, *, difference: bool = False) -> str:
    """Return the title of a metric with its unit, as it heads a column or row."""
    return f"{text.metric_title(key, units)} [{formatting.unit_of(_quantity(key, difference), units)}]"


def general_title(spec: MetricSpec) -> str:
    """Return the title of a metric for whatever margin, phase or limit."""
    return said(message(spec.title, parameter=PARAMETERS[spec.parameter]), "si")


def once(notes: Iterable[tuple[str, Part]], units: UnitSystem) -> tuple[str, ...]:
    """Return "run: note." for every note that says something, each once."""
    texts = ((of, said(note, units).rstrip(".")) for of, note in notes)
    return tuple(dict.fromkeys(f"{of}: {words}." for of, words in texts if words))


def in_parts(keys: Sequence[MetricKey], most: int) -> Iterator[tuple[Sequence[MetricKey], str, str]]:
    """Yield metrics in parts of about equal length, each with what a label ("-1") and a caption (" (1 of 2)") add to tell them apart."""
    parts = -(-len(keys) // most)
    width = -(-len(keys) // parts)
    for part in range(parts):
        marks = (f"-{part + 1}", f" ({part + 1} of {parts})") if parts > 1 else ("", "")
        yield keys[part * width : (part + 1) * width], *marks


def comparison_table(result: ReportResult, keys: Sequence[MetricKey], label: str, caption: str) -> Table:
    """Return the differences from the baseline, one row per metric and configuration."""
    rows = [c for key in keys for c in result.comparisons if c.key == key.key]
    caption = f"{caption}, compared with {result.baseline.name}{text.less_control(result)}"
    return comparison_table_of(result, rows, label, caption)


def comparison_table_of(result: ReportResult, rows: list[Comparison], label: str, caption: str) -> Table:
    """Return these differences, whatever they are taken from; the other configuration is named where it is not the baseline."""
    pairs = [(row, row is not c) for c in rows for row in (c, c.unadjusted) if row is not None]
    rows = [row for row, _ in pairs]

    def whom(c: Any, _: UnitSystem) -> str:
        name = result.name_of(c.configuration)
        name = name if c.versus == result.baseline.id else f"{name} against {result.name_of(c.versus)}"
        return f"{name}, unadjusted" if c.unadjusted_row else name

    def interval(c: Any, units: UnitSystem) -> str:
        limits = text.difference_interval(c, result.metric(c.key), units)
        return f"{limits} (instruments)" if c.basis == "instruments" else limits

    frame = with_unit(result, rows).assign(
        unadjusted_row=[plain for _, plain in pairs],
        adjusted_for=list(map(text.adjusted_for, rows)),
    )
    return TableOf(result.units, label, frame).declared(
        caption,
        metric_column(result, 3.0),
        Field("configuration", "Configuration", cell=whom, width=2.1),
        amount(result, "difference", "Difference", 1.3, signed=True),
        interval_column(result.level, interval, 2.0),
        Field("", "Runs", cell=lambda c, _: f"{c.n} / {c.n_versus}", align="center", width=0.8),
        Field("p_value", "p", "p", width=0.9),
        Field("p_adjusted", "p (Holm)", "p", width=0.9),
        Field("verdict", "Verdict", width=1.9),
        notes=_comparison_notes(result, rows),
    )


def _comparison_notes(result: ReportResult, rows: list[Comparison]) -> tuple[str, ...]:
    """Return every note once, with the metrics that it concerns unless it concerns all."""
    concerned: dict[str, list[str]] = {}
    for c in rows:
        if c.note:
            concerned.setdefault(said(c.note, result.units), []).append(c.key)
    notes = []
    for note, keys in concerned.items():
        titles = [text.metric_title(result.metric(key), result.units) for key in dict.fromkeys(keys)]
        every = len(titles) == len({c.key for c in rows})
        notes.append(f"{note[0].upper()}{note[1:]}." if every else f"{formatting.listing(titles)}: {note}.")
    adjusted = dict.fromkeys(text.adjusted_for(c) for c in rows if c.covariates)
    notes += [f"Adjusted for {names}; the same without adjustment in the row below." for names in adjusted]
    calls = {c.call for c in rows}
    if any(c.basis == "instruments" for c in rows):
        notes.append("(instruments): interval from the instruments alone, without scatter between runs.")
    if "suggested" in calls:
        looked = sum(c.p_adjusted is not None for c in result.comparisons)
        notes.append(
            f"{text.SUGGESTED[0].upper()}{text.SUGGESTED[1:]}: the interval excludes zero, but not after allowing for the "
            f"{looked} comparisons looked at together (Holm)."
        )
    if "exploratory" in calls:
        notes.append(
            f"{text.EXPLORATORY}: not a headline metric, so nothing allows for the number of metrics looked at; at "
            f"{formatting.usual(result.level, 'share', 'si')} one in {round(1.0 / (1.0 - result.level))} such calls comes by chance where there is "
            "no difference."
        )
    if any(result.metric(c.key).spec.headline and c.basis == "runs" for c in rows):
        smallest = [c.smallest for c in rows if c.smallest is not None and c.basis == "runs" and c.replicated]
        assumed = "The intervals assume that runs scatter normally"
        without = f"{assumed}; no exact permutation test is possible to do without that."
        if smallest:
            ends = dict.fromkeys(text.p_text(of(smallest)) for of in (min, max))
            without = (
                f"{assumed}. Without that, an exact permutation test could reach no p below {' to '.join(ends)}"
                f"{', by comparison' if len(ends) > 1 else ''} with this layout, whatever the data."
            )
        notes.append(without)
    return tuple(notes)


def values_table(result: ReportResult, keys: Sequence[MetricKey], label: str, caption: str) -> Table:
    """Return the value of every run with what the instruments leave open, one row per run, one column per metric."""
    excluded = {run.id for run in result.runs if run.decision == "excluded"}
    notes = Counter((key.key, said(v.note, result.units)) for key in keys for v in result.of(key.key) if v.note)
    columns = tuple((key.key, titled(key, result.units)) for key in keys)
    rows = (v for key in keys for v in result.of(key.key))
    table = TableOf(result.units, label, with_unit(result, rows, difference=False)).declared(
        caption,
        Field("run", "Run", cell=lambda v, _: f"{v.run} (excluded)" if v.run in excluded else v.run),
        named(result),
        notes=tuple(
            f"{text.metric_title(result.metric(key), result.units)}: {note} ({formatting.count(runs, 'run')})."
            for (key, note), runs in notes.items()
        ),
        across=Across("run", "key", columns, lambda v, units: text.interval_text(v, result.metric(v.key), units)),
    )
    return replace(table, widths=None)


def summary_table(result: ReportResult, keys: Sequence[MetricKey], label: str, caption: str) -> Table:
    """Return n, mean and standard deviation of every metric, one column per configuration."""
    rows = (result.summary(key.key, c.id) for key in keys for c in result.configurations)
    columns = tuple((c.id, c.name) for c in result.configurations)

    def cell(s: Any, units: UnitSystem) -> str:
        return text.summary_text(s, result.metric(s.key), units)

    return TableOf(result.units, label, with_unit(result, rows, difference=False)).declared(
        caption,
        Field("key", "Metric", cell=lambda s, units: titled(result.metric(s.key), units), width=3.0),
        notes="Mean ± standard deviation between runs (number of runs).",
        across=Across("key", "configuration", columns, cell, width=1.8),
    )
