"""Figures of values: runs as dots, differences with their intervals, budgets, acceptance; like `plots`, they compute nothing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from intake_report import formatting
from intake_report.plots import COLOURS, Look, axis_label, legend, new_figure, shown, styled, title, wrapped
from intake_report.report_table import rows_of
from intake_report.results import BudgetRow, Comparison, MetricKey, ReportResult
from intake_report.results.text import metric_title
from intake_report.units import to_display

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

NAMED = 3  # configurations that have room for their names below a panel
CARET_UP = 6  # matplotlib's caret that points upwards, its tip on the value
ARROW_UP = ((0.0, -1.0), (0.0, 1.0), (-0.6, 0.3), (0.0, 1.0), (0.6, 0.3))  # outlines: letters would be set as formulas
ARROW_DOWN = tuple((x, -y) for x, y in ARROW_UP)


@styled
def dots_figure(result: ReportResult, keys: Sequence[MetricKey], finding: str) -> Figure:
    """Draw each run's value as a dot and each configuration's mean as a bar, one panel per metric, under its finding."""
    look = Look(result)
    columns = min(3, len(keys))
    rows = -(-len(keys) // columns)
    figure = new_figure(0.3 + 2.0 * rows + 0.3)
    title(figure, finding)
    panels = figure.subplots(rows, columns, squeeze=False).ravel()
    for panel in panels[len(keys) :]:
        panel.set_visible(False)
    for panel, key in zip(panels, keys, strict=False):
        _dots(panel, key, result, look)
        if len(look.ids) <= NAMED:  # names below the marks; more would overlap
            panel.set_xticks(range(len(look.ids)), [wrapped(result.name_of(id), 11) for id in look.ids])
            panel.tick_params(axis="x", labelsize=7.0)
            for label, id in zip(panel.get_xticklabels(), look.ids, strict=True):
                label.set_color(look.colour(id))
    if len(look.ids) > NAMED:
        legend(figure, panels[0])
    return figure


def _dots(panel: Axes, key: MetricKey, result: ReportResult, look: Look) -> None:
    quantity = key.spec.quantity
    # where an open interval ends: above everything that is known
    top = max((x for v in result.of(key.key) for x in (v.value, v.high, v.bound) if x is not None), default=0.0)
    for position, id in enumerate(look.ids):
        values = [v for v in result.of(key.key) if v.configuration == id]
        reached = [v.value for v in values if v.value is not None]
        bounds = [v.bound for v in values if v.bound is not None and v.status == "not reached"]
        within = [v.bound for v in values if v.bound is not None and v.status == "within at entry"]
        spread = np.linspace(-0.16, 0.16, max(len(reached), 1)) if len(reached) > 1 else np.zeros(len(reached))
        style: dict[str, Any] = {"ls": "none", "color": look.colour(id), "ms": 4.5}
        name = result.name_of(id)
        panel.plot(position + spread, shown(reached, quantity, result), marker=look.marker(id), label=name, **style)
        # not reached: an open arrow at the bound, because the value lies somewhere above it
        panel.plot([position] * len(bounds), shown(bounds, quantity, result), marker=ARROW_UP, **(style | {"ms": 8}))
        # within at entry: an arrow down, because it was so before it began to be timed
        panel.plot([position] * len(within), shown(within, quantity, result), marker=ARROW_DOWN, **(style | {"ms": 8}))
        known = [v for v in values if v.value is not None]
        limits = [(x, v.low, v.high) for x, v in zip(position + spread, known, strict=False)]
        for x, low, high in limits:
            if low is not None and high is not None:
                panel.vlines(x, *shown((low, high), quantity, result), color=look.colour(id), lw=0.7)
            elif low is not None:
                start, stop = shown((low, top), quantity, result)
                panel.vlines(x, start, stop, color=look.colour(id), lw=0.7)
                # a caret, not the arrow of a run that did not reach the margin
                panel.plot(x, stop, marker=CARET_UP, color=look.colour(id), ms=4, ls="none")
        mean = result.summary(key.key, id).mean
        if mean is not None:
            level = float(to_display(mean, quantity, result.units))
            panel.hlines(level, position - 0.3, position + 0.3, color=look.colour(id), lw=1.4)
    panel.set_xlim(-0.6, len(look.ids) - 0.4)
    panel.set_xticks([])
    panel.set_title(wrapped(metric_title(key, result.units), 30), loc="left", fontsize=8.2)
    panel.set_ylabel(f"[{formatting.unit_of(quantity, result.units)}]")
    panel.grid(axis="y")
    panel.margins(y=0.15)


@styled
def difference_figure(result: ReportResult, keys: Sequence[MetricKey], finding: str) -> Figure:
    """Draw the differences from the baseline with their intervals, one panel per quantity."""
    look = Look(result)
    rows_shown = [c for c in result.comparisons if c.difference is not None and any(k.key == c.key for k in keys)]
    quantities = list(dict.fromkeys(result.metric(c.key).spec.quantity for c in rows_shown))
    groups = [[c for c in rows_shown if result.metric(c.key).spec.quantity == q] for q in quantities]
    rows = [list(dict.fromkeys(c.key for c in group)) for group in groups]
    figure = new_figure(1.0 + sum(0.5 + 0.34 * len(r) for r in rows))
    title(figure, finding)
    axes = figure.subplots(len(groups), 1, squeeze=False, height_ratios=[len(r) + 1 for r in rows])[:, 0]
    for panel, group, keys_here, quantity in zip(axes, groups, rows, quantities, strict=True):
        for comparison in group:
            row = len(keys_here) - 1 - keys_here.index(comparison.key) + _lane(look, comparison, group)
            _difference(panel, row, comparison, quantity, result, look)
        names = [wrapped(metric_title(result.metric(key), result.units), 34) for key in keys_here]
        panel.set_yticks(range(len(keys_here)), list(reversed(names)))
        panel.set_ylim(-0.6, len(keys_here) - 0.4)
        panel.axvline(0.0, color="#555555", lw=0.8)
        panel.grid(axis="x")
        panel.set_xlabel(axis_label(f"Difference from {result.baseline.name}", quantity, result))
    legend(figure, *axes)
    return figure


def _lane(look: Look, comparison: Comparison, group: Sequence[Comparison]) -> float:
    """Return how far above or below the middle of its row a configuration is drawn."""
    present = [id for id in look.ids if any(c.configuration == id for c in group)]
    return 0.24 * ((len(present) - 1) / 2.0 - present.index(comparison.configuration))


def _difference(
    panel: Axes, row: float, comparison: Comparison, quantity: str, result: ReportResult, look: Look
) -> None:
    difference, low, high = shown((comparison.difference, comparison.low, comparison.high), quantity, result)
    colour, marker = look.colour(comparison.configuration), look.marker(comparison.configuration)
    if np.isfinite(low) and np.isfinite(high):
        panel.hlines(row, low, high, color=colour, lw=1.3)
    face = colour if np.isfinite(low) and np.isfinite(high) else "white"
    name = result.name_of(comparison.configuration)
    panel.plot(difference, row, ls="none", marker=marker, color=colour, ms=5, mfc=face, label=name)


@styled
def budget_figure(
    result: ReportResult, budgets: Sequence[tuple[MetricKey, Sequence[BudgetRow]]], finding: str
) -> Figure:
    """Draw what each source contributes to one run's value, one panel per metric; faint: common to all runs, so that it cancels.

    Sources below a fiftieth of the largest in every panel are left out.
    """
    assert result.uncertainty is not None
    most = {key.key: max((row.u or 0.0 for row in rows), default=0.0) for key, rows in budgets}
    seen = {row.source for key, rows in budgets for row in rows if row.u and row.u >= 0.02 * most[key.key]}
    sources = [s for s in result.uncertainty.sources if s.name in seen]
    columns = min(3, len(budgets))
    lines = -(-len(budgets) // columns)
    figure = new_figure(0.7 + lines * (0.65 + 0.21 * len(sources)))
    title(figure, finding)
    panels = figure.subplots(lines, columns, squeeze=False, sharey=True).ravel()
    for panel in panels[len(budgets) :]:
        panel.set_visible(False)
    for panel, (key, rows) in zip(panels, budgets, strict=False):
        quantity = "temperature_difference" if key.spec.quantity == "temperature" else key.spec.quantity
        widths = {row.source: row.u for row in rows}
        for position, source in enumerate(reversed(sources)):
            width = shown([widths.get(source.name)], quantity, result)
            style = {"color": "#ececec", "edgecolor": "#bbbbbb"} if source.common else {"color": COLOURS[2]}
            label = "same in all runs: cancels in a difference of temperatures" if source.common else "each run its own"
            panel.barh(position, width, height=0.62, lw=0.7, label=label, **style)
        panel.set_yticks(range(len(sources)), [wrapped(s.name, 24) for s in reversed(sources)])
        panel.tick_params(axis="y", labelsize=7.2)
        panel.set_title(wrapped(metric_title(key, result.units), 24), loc="left", fontsize=8.0)
        panel.set_xlabel(f"[{formatting.unit_of(quantity, result.units)}]")
        panel.grid(axis="x")
    legend(figure, panels[0])
    return figure


@styled
def acceptance_figure(result: ReportResult, finding: str) -> Figure:
    """Draw all runs against all acceptance criteria at a glance, under what they came to."""
    runs = [run.id for run in result.runs]
    criteria = list(dict.fromkeys((c.code, c.title) for c in rows_of(result.criteria)))
    titles = [wrapped(title, 26) for _, title in criteria]
    figure = new_figure(2.1 + 0.2 * len(runs))
    title(figure, finding)
    panel = figure.subplots()
    marks = {True: ("o", "#3f8f5b"), None: ("_", "#999999")}
    for criterion in rows_of(result.criteria):
        x = [code for code, _ in criteria].index(criterion.code)
        y = len(runs) - 1 - runs.index(criterion.run)
        failed = ("X", "#b3261e") if criterion.hard else ("D", "#c77700")
        marker, colour = failed if criterion.passed is False else marks[criterion.passed]
        panel.plot(x, y, marker=marker, color=colour, ms=6)
    panel.set_xticks(range(len(criteria)), titles, linespacing=0.95)
    panel.xaxis.tick_top()
    panel.tick_params(axis="x", rotation=90, labelsize=7.2)
    for label in panel.get_xticklabels():
        label.set(ha="left", va="center", rotation_mode="anchor")
    panel.set_yticks(range(len(runs)), list(reversed(runs)))
    panel.set_xlim(-0.6, len(criteria) - 0.4)
    panel.set_ylim(-0.7, len(runs) - 0.3)
    panel.spines[["left", "bottom"]].set_visible(False)
    panel.tick_params(length=0)
    panel.grid(axis="y", lw=0.4)
    return figure


@styled
def common_drive_figure(result: ReportResult) -> Figure:
    """Draw the over-ambient temperature that the models give on the common drive, a line per configuration."""
    assert result.common_drive is not None
    look, figure = Look(result), new_figure(2.6)
    panel = figure.subplots()
    for curve in result.common_drive.curves:
        id = curve.configuration
        shown_over = shown(curve.y, "temperature_difference", result)
        panel.plot(curve.x, shown_over, color=look.colour(id), ls=look.dash(id), label=result.name_of(id))
    panel.grid(axis="y")
    panel.set_xlabel("Time on the common drive [s]")
    panel.set_ylabel(axis_label("Over-ambient (model)", "temperature_difference", result))
    legend(figure, panel)
    return figure
