"""Result to figure; computes nothing and sets no global state."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from intake_report import formatting
from intake_report.results import BudgetRow, Comparison, Curve, MetricKey, ReportResult
from intake_report.results.text import metric_title
from intake_report.units import to_display

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH = 6.9  # in; the text width of the report, so that letters keep their size
# Distinguishable with the common colour deficiencies and in grey; each configuration also has its own marker and dash.
COLOURS = ("#3b3b3b", "#c2571a", "#1b6ca8", "#3f8f5b", "#8e5aa8", "#a88a1b")
MARKERS = ("o", "s", "^", "D", "v", "P")
DASHES: tuple[Any, ...] = ("solid", (0, (6, 2)), (0, (3, 1.5)), (0, (1, 1)), (0, (5, 1, 1, 1)), (0, (8, 3)))
CARET_UP = 6  # matplotlib's caret that points upwards, its tip on the value
PHASE_SHADES = {"city": "#f1efe9", "ramp": "#dfe3ea", "highway": "#edf2ee"}
STYLE: dict[Any, Any] = {
    "font.size": 8.5,
    "axes.titlesize": 9.0,
    "axes.labelsize": 8.5,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.7,
    "axes.edgecolor": "#555555",
    "axes.axisbelow": True,
    "grid.color": "#d9d9d9",
    "grid.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "xtick.labelsize": 8.0,
    "ytick.labelsize": 8.0,
    "lines.linewidth": 1.1,
    "lines.solid_capstyle": "round",
}


class _Look:
    """Colour, marker and dash of each configuration, the same in all figures of a report.

    The baseline is always dark with round markers; the others take the next colours in campaign order. A configuration
    keeps its colour from campaign to campaign as long as its role and its place among the others stay the same.
    """

    def __init__(self, result: ReportResult) -> None:
        ordered = sorted(result.configurations, key=lambda c: c.role != "baseline")
        self.rank = {c.id: i % len(COLOURS) for i, c in enumerate(ordered)}
        self.ids = [c.id for c in ordered]

    def colour(self, configuration: str) -> str:
        return COLOURS[self.rank[configuration]]

    def marker(self, configuration: str) -> str:
        return MARKERS[self.rank[configuration]]

    def dash(self, configuration: str) -> Any:
        return DASHES[self.rank[configuration]]


def styled(draw: Callable[..., Figure]) -> Callable[..., Figure]:
    """Run a drawing function with this module's style, and leave matplotlib as it was."""

    def drawn(*args: Any, **kwargs: Any) -> Figure:
        import matplotlib as mpl

        with mpl.rc_context(STYLE):
            figure = draw(*args, **kwargs)
            figure.draw_without_rendering()  # ticks are made late and would miss the style
            figure.set_layout_engine("none")  # the layout is found now; saving twice need not find it twice more
            return figure

    drawn.__doc__ = draw.__doc__
    drawn.__name__ = draw.__name__
    return drawn


def _figure(height: float) -> Figure:
    from matplotlib.figure import Figure

    return Figure(figsize=(WIDTH, height), layout="constrained")


def _array(values: Iterable[float | None]) -> np.ndarray:
    return np.array([np.nan if v is None else v for v in values], dtype=np.float64)


def _shown(values: Iterable[float | None], quantity: str, result: ReportResult) -> np.ndarray:
    return to_display(_array(values), quantity, result.units)


def _legend(figure: Figure, *panels: Axes) -> None:
    unique: dict[str, Any] = {}
    for panel in panels:
        handles, labels = panel.get_legend_handles_labels()
        unique |= {label: handle for label, handle in zip(labels, handles, strict=True) if label not in unique}
    figure.legend(unique.values(), unique.keys(), loc="outside upper left", ncols=len(unique))


def _axis_label(text: str, quantity: str, result: ReportResult) -> str:
    unit = formatting.unit_of(quantity, result.units)
    return f"{text} [{unit}]" if unit else text


def _by_configuration(curves: Sequence[Curve], ids: Sequence[str]) -> Iterator[tuple[str, list[Curve]]]:
    for id in ids:
        found = [curve for curve in curves if curve.configuration == id]
        if found:
            yield id, found


@styled
def route_figure(result: ReportResult) -> Figure:
    """Draw intake air temperature and ambient against route distance, one panel per configuration."""
    look = _Look(result)
    groups = list(_by_configuration(result.route_curves, look.ids))
    figure = _figure(0.8 + 1.6 * len(groups))
    axes = figure.subplots(len(groups), 1, sharex=True, sharey=True, squeeze=False)[:, 0]
    for panel, (id, curves) in zip(axes, groups, strict=True):
        _phases(panel, result)
        for i, curve in enumerate(curves):
            x = _shown(curve.x, "distance", result)
            panel.plot(x, _shown(curve.y, "temperature", result), color=look.colour(id), alpha=1.0 - 0.22 * (i % 4))
            if curve.y2:
                panel.plot(x, _shown(curve.y2, "temperature", result), color="#7a7a7a", lw=0.8, ls=(0, (2, 1.5)))
        panel.set_title(
            f"{result.name_of(id)} ({formatting.count(len(curves), 'run')})", loc="left", color=look.colour(id)
        )
        panel.grid(axis="y")
        panel.set_ylabel(_axis_label("IAT", "temperature", result))
    _phase_names(axes[0], result)
    axes[-1].set_xlabel(_axis_label("Route distance", "distance", result))
    axes[-1].set_xlim(*_extent(axes))
    return figure


def _extent(axes: Iterable[Axes]) -> tuple[float, float]:
    """Return from where to where the curves of these panels go, without a blank before or after."""
    ends = [
        x[np.isfinite(x)] for panel in axes for x in (np.asarray(line.get_xdata(), float) for line in panel.get_lines())
    ]
    return (min(float(x.min()) for x in ends if x.size), max(float(x.max()) for x in ends if x.size))


def _phases(panel: Axes, result: ReportResult) -> None:
    for phase in result.phases:
        start, end = _shown((phase.start, phase.end), "distance", result)
        panel.axvspan(start, end, color=PHASE_SHADES.get(phase.kind, "#f4f4f4"), lw=0, zorder=0)


def _phase_names(panel: Axes, result: ReportResult) -> None:
    for phase in result.phases:
        middle = float(_shown(((phase.start + phase.end) / 2,), "distance", result)[0])
        panel.annotate(
            phase.name,
            (middle, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 14),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=7.5,
            color="#555555",
        )


@styled
def recovery_figure(result: ReportResult) -> Figure:
    """Draw over-ambient temperature against time since the highway entry, all runs aligned there, with the margins."""
    look = _Look(result)
    figure = _figure(3.3)
    panel = figure.subplots()
    for id, curves in _by_configuration(result.recovery_curves, look.ids):
        for i, curve in enumerate(curves):
            panel.plot(
                curve.x,
                _shown(curve.y, "temperature_difference", result),
                color=look.colour(id),
                ls=look.dash(id),
                label=result.name_of(id) if i == 0 else None,
            )
    start, end = _extent([panel])
    panel.axvline(0.0, color="#555555", lw=0.8)
    for key in _keys(result, "recovery_time"):
        _margin_line(panel, key, result, look)
    panel.grid(axis="y")
    panel.set_xlabel("Time since highway entry [s]")
    panel.set_ylabel(_axis_label("Over-ambient", "temperature_difference", result))
    panel.set_xlim(start - 0.02 * (end - start), end + 0.02 * (end - start))  # no mark lies on the frame
    _legend(figure, panel)
    return figure


def _margin_line(panel: Axes, key: MetricKey, result: ReportResult, look: _Look) -> None:
    assert key.parameter.number is not None
    level = float(to_display(key.parameter.number, "temperature_difference", result.units))
    panel.axhline(level, color="#555555", lw=0.7, ls=(0, (1, 2)))
    panel.annotate(
        formatting.margin(key.parameter.number, result.units),
        (1.0, level),
        xycoords=("axes fraction", "data"),
        xytext=(4, 0),
        textcoords="offset points",
        ha="left",
        va="center",
        fontsize=7.5,
        color="#555555",
        annotation_clip=False,
    )
    for value in result.of(key.key):
        if value.value is not None:
            panel.plot(
                value.value,
                level,
                marker=look.marker(value.configuration),
                color=look.colour(value.configuration),
                ms=4.0,
            )


def _keys(result: ReportResult, id: str) -> list[MetricKey]:
    return [key for key in result.metrics if key.spec.id == id]


@styled
def heat_soak_figure(result: ReportResult) -> Figure:
    """Draw the rise of intake air temperature during each stop, and rise and rate of each stop against its duration."""
    look = _Look(result)
    figure = _figure(3.0)
    traces, rises, rates = figure.subplots(1, 3, width_ratios=(3, 2, 2))
    of_run = {run.id: run.configuration for run in result.runs}
    for id, curves in _by_configuration(result.stop_curves, look.ids):
        for i, curve in enumerate(curves):
            traces.plot(
                curve.x,
                _shown(curve.y, "temperature_difference", result),
                color=look.colour(id),
                ls=look.dash(id),
                lw=0.7,
                alpha=0.8,
                label=result.name_of(id) if i == 0 else None,
            )
        stops = [s for s in result.stops if of_run[s.run] == id and s.rate is not None]
        marks: dict[str, Any] = {"ls": "none", "marker": look.marker(id), "ms": 3.0, "color": look.colour(id)}
        durations = [s.duration for s in stops]
        rises.plot(durations, _shown((s.rise for s in stops), "temperature_difference", result), **marks)
        rates.plot(durations, _shown((s.rate for s in stops), "temperature_rate", result), **marks)
    traces.set_xlabel("Time since the stop began [s]")
    traces.set_ylabel(_axis_label("Rise of IAT", "temperature_difference", result))
    for panel in (rises, rates):
        panel.set_xlabel("Duration of the stop [s]")
    rises.set_ylabel(_axis_label("Rise per stop", "temperature_difference", result))
    rates.set_ylabel(_axis_label("Heat-soak rate", "temperature_rate", result))
    for panel in (traces, rises, rates):
        panel.grid(axis="y")
    _legend(figure, traces)
    return figure


@styled
def dots_figure(result: ReportResult, keys: Sequence[MetricKey]) -> Figure:
    """Draw each run's value as a dot and each configuration's mean as a bar, one panel per metric."""
    look = _Look(result)
    columns = min(3, len(keys))
    rows = -(-len(keys) // columns)
    figure = _figure(0.45 + 1.8 * rows)
    panels = figure.subplots(rows, columns, squeeze=False).ravel()
    for panel in panels[len(keys) :]:
        panel.set_visible(False)
    for panel, key in zip(panels, keys, strict=False):
        _dots(panel, key, result, look)
    _legend(figure, panels[0])
    return figure


def _dots(panel: Axes, key: MetricKey, result: ReportResult, look: _Look) -> None:
    quantity = key.spec.quantity
    # where an open interval ends: above everything that is known
    top = max((x for v in result.of(key.key) for x in (v.value, v.high, v.bound) if x is not None), default=0.0)
    for position, id in enumerate(look.ids):
        values = [v for v in result.of(key.key) if v.configuration == id]
        reached = [v.value for v in values if v.value is not None]
        bounds = [v.bound for v in values if v.bound is not None]
        spread = np.linspace(-0.16, 0.16, max(len(reached), 1)) if len(reached) > 1 else np.zeros(len(reached))
        style: dict[str, Any] = {"ls": "none", "color": look.colour(id), "ms": 4.5}
        name = result.name_of(id)
        panel.plot(position + spread, _shown(reached, quantity, result), marker=look.marker(id), label=name, **style)
        # not reached: an open arrow at the bound, because the value lies somewhere above it
        panel.plot(
            [position] * len(bounds), _shown(bounds, quantity, result), marker=r"$\uparrow$", **(style | {"ms": 8})
        )
        known = [v for v in values if v.value is not None]
        limits = [(x, v.low, v.high) for x, v in zip(position + spread, known, strict=False)]
        for x, low, high in limits:
            if low is not None and high is not None:
                panel.vlines(x, *_shown((low, high), quantity, result), color=look.colour(id), lw=0.7)
            elif low is not None:
                start, stop = _shown((low, top), quantity, result)
                panel.vlines(x, start, stop, color=look.colour(id), lw=0.7)
                # a caret, not the arrow of a run that did not reach the margin
                panel.plot(x, stop, marker=CARET_UP, color=look.colour(id), ms=4, ls="none")
        mean = result.summary(key.key, id).mean
        if mean is not None:
            level = float(to_display(mean, quantity, result.units))
            panel.hlines(level, position - 0.3, position + 0.3, color=look.colour(id), lw=1.4)
    panel.set_xlim(-0.6, len(look.ids) - 0.4)
    panel.set_xticks([])
    panel.set_title(_wrapped(metric_title(key, result.units), 30), loc="left", fontsize=8.2)
    panel.set_ylabel(f"[{formatting.unit_of(quantity, result.units)}]")
    panel.grid(axis="y")
    panel.margins(y=0.15)


def _wrapped(text: str, width: int) -> str:
    import textwrap

    return "\n".join(textwrap.wrap(text, width, break_long_words=False))


@styled
def difference_figure(result: ReportResult, keys: Sequence[MetricKey]) -> Figure:
    """Draw the differences from the baseline with their intervals, one panel per quantity."""
    look = _Look(result)
    shown = [c for c in result.comparisons if c.difference is not None and any(k.key == c.key for k in keys)]
    quantities = list(dict.fromkeys(result.metric(c.key).spec.quantity for c in shown))
    groups = [[c for c in shown if result.metric(c.key).spec.quantity == q] for q in quantities]
    rows = [list(dict.fromkeys(c.key for c in group)) for group in groups]
    figure = _figure(0.75 + sum(0.5 + 0.34 * len(r) for r in rows))
    axes = figure.subplots(len(groups), 1, squeeze=False, height_ratios=[len(r) + 1 for r in rows])[:, 0]
    for panel, group, keys_here, quantity in zip(axes, groups, rows, quantities, strict=True):
        for comparison in group:
            row = len(keys_here) - 1 - keys_here.index(comparison.key) + _lane(look, comparison, group)
            _difference(panel, row, comparison, quantity, result, look)
        names = [_wrapped(metric_title(result.metric(key), result.units), 34) for key in keys_here]
        panel.set_yticks(range(len(keys_here)), list(reversed(names)))
        panel.set_ylim(-0.6, len(keys_here) - 0.4)
        panel.axvline(0.0, color="#555555", lw=0.8)
        panel.grid(axis="x")
        panel.set_xlabel(_axis_label(f"Difference from {result.baseline.name}", quantity, result))
    _legend(figure, *axes)
    return figure


def _lane(look: _Look, comparison: Comparison, group: Sequence[Comparison]) -> float:
    """Return how far above or below the middle of its row a configuration is drawn."""
    present = [id for id in look.ids if any(c.configuration == id for c in group)]
    return 0.24 * ((len(present) - 1) / 2.0 - present.index(comparison.configuration))


def _difference(
    panel: Axes, row: float, comparison: Comparison, quantity: str, result: ReportResult, look: _Look
) -> None:
    difference, low, high = _shown((comparison.difference, comparison.low, comparison.high), quantity, result)
    colour, marker = look.colour(comparison.configuration), look.marker(comparison.configuration)
    if np.isfinite(low) and np.isfinite(high):
        panel.hlines(row, low, high, color=colour, lw=1.3)
    face = colour if np.isfinite(low) and np.isfinite(high) else "white"
    name = result.name_of(comparison.configuration)
    panel.plot(difference, row, ls="none", marker=marker, color=colour, ms=5, mfc=face, label=name)


@styled
def budget_figure(result: ReportResult, budgets: Sequence[tuple[MetricKey, Sequence[BudgetRow]]]) -> Figure:
    """Draw what each source contributes to one run's value, one panel per metric; filled: common to all runs.

    Sources below a fiftieth of the largest in every panel are left out.
    """
    assert result.uncertainty is not None
    most = {key.key: max((row.u or 0.0 for row in rows), default=0.0) for key, rows in budgets}
    seen = {row.source for key, rows in budgets for row in rows if row.u and row.u >= 0.02 * most[key.key]}
    sources = [s for s in result.uncertainty.sources if s.name in seen]
    columns = min(3, len(budgets))
    lines = -(-len(budgets) // columns)
    figure = _figure(0.5 + lines * (0.65 + 0.21 * len(sources)))
    panels = figure.subplots(lines, columns, squeeze=False, sharey=True).ravel()
    for panel in panels[len(budgets) :]:
        panel.set_visible(False)
    for panel, (key, rows) in zip(panels, budgets, strict=False):
        quantity = "temperature_difference" if key.spec.quantity == "temperature" else key.spec.quantity
        widths = {row.source: row.u for row in rows}
        for position, source in enumerate(reversed(sources)):
            width = _shown([widths.get(source.name)], quantity, result)
            face = COLOURS[2] if source.common else "white"
            label = "same in all runs" if source.common else "each run its own"
            panel.barh(position, width, height=0.62, color=face, edgecolor=COLOURS[2], lw=0.9, label=label)
        panel.set_yticks(range(len(sources)), [_wrapped(s.name, 24) for s in reversed(sources)], fontsize=7.2)
        panel.set_title(_wrapped(metric_title(key, result.units), 24), loc="left", fontsize=8.0)
        panel.set_xlabel(f"[{formatting.unit_of(quantity, result.units)}]")
        panel.grid(axis="x")
    _legend(figure, panels[0])
    return figure
