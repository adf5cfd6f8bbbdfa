"""Result to figure; computes nothing and sets no global state."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from intake_report import formatting
from intake_report.results import Curve, MetricKey, ReportResult
from intake_report.results.types import Places
from intake_report.units import to_display

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH = 6.9  # in; the text width of the report, so that letters keep their size
# Distinguishable with the common colour deficiencies and in grey; each configuration also has its own marker and dash.
COLOURS = ("#3b3b3b", "#c2571a", "#1b6ca8", "#3f8f5b", "#8e5aa8", "#a88a1b")
MARKERS = ("o", "s", "^", "D", "v", "P")
DASHES: tuple[Any, ...] = ("solid", (0, (6, 2)), (0, (3, 1.5)), (0, (1, 1)), (0, (5, 1, 1, 1)), (0, (8, 3)))
READABLE = 4.0  # height of the axis of recovery in largest margins
PHASE_SHADES = {"city": "#f1efe9", "ramp": "#dfe3ea", "highway": "#edf2ee"}
STYLE: dict[Any, Any] = {
    "text.parse_math": False,  # names are text, dollars and all
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


class Look:
    """Colour, marker and dash of each configuration, the same in all figures of a report.

    The baseline is always dark with round markers; the others take the next colours in campaign order. A configuration
    keeps its colour from campaign to campaign as long as its role and its place among the others stay the same.
    """

    def __init__(self, result: ReportResult) -> None:
        ordered = sorted(result.configurations, key=lambda c: c.role != "baseline")
        self.rank = {c.id: i % len(COLOURS) for i, c in enumerate(ordered)}
        self.ids = [c.id for c in ordered]

    def colour(self, configuration: str) -> str:
        """Return its colour."""
        return COLOURS[self.rank[configuration]]

    def marker(self, configuration: str) -> str:
        """Return its marker."""
        return MARKERS[self.rank[configuration]]

    def dash(self, configuration: str) -> Any:
        """Return its dash pattern."""
        return DASHES[self.rank[configuration]]


def styled(draw: Callable[..., Figure]) -> Callable[..., Figure]:
    """Run a drawing function with this module's style, and leave matplotlib as it was."""

    def drawn(*args: Any, **kwargs: Any) -> Figure:
        import matplotlib as mpl

        with mpl.rc_context(STYLE):
            figure = draw(*args, **kwargs)
            layout = figure.get_layout_engine()
            if layout is not None:  # found now, with the ticks, which are made late and would miss the style
                layout.execute(figure)
                figure.set_layout_engine("none")
            return figure

    drawn.__doc__ = draw.__doc__
    drawn.__name__ = draw.__name__
    return drawn


def new_figure(height: float) -> Figure:
    """Return an empty figure of the text width; height in inches."""
    from matplotlib.figure import Figure

    return Figure(figsize=(WIDTH, height), layout="constrained")


def _array(values: Iterable[float | None]) -> np.ndarray:
    return np.array([np.nan if v is None else v for v in values], dtype=np.float64)


def shown(values: Iterable[float | None], quantity: str, result: ReportResult) -> np.ndarray:
    """Return internal values in the unit of the reader, NaN where there is none."""
    return to_display(_array(values), quantity, result.units)


def legend(figure: Figure, *panels: Axes) -> None:
    """Put one legend of all panels above the figure, each name once."""
    unique: dict[str, Any] = {}
    for panel in panels:
        handles, labels = panel.get_legend_handles_labels()
        unique |= {label: handle for label, handle in zip(labels, handles, strict=True) if label not in unique}
    figure.legend(unique.values(), unique.keys(), loc="outside upper left", ncols=len(unique))


def axis_label(text: str, quantity: str, result: ReportResult) -> str:
    """Return the label of an axis with its unit."""
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
    look = Look(result)
    groups = list(_by_configuration(result.route_curves, look.ids))
    figure = new_figure(0.8 + 1.6 * len(groups))
    axes = figure.subplots(len(groups), 1, sharex=True, sharey=True, squeeze=False)[:, 0]
    for panel, (id, curves) in zip(axes, groups, strict=True):
        _phases(panel, result)
        for i, curve in enumerate(curves):
            x = shown(curve.x, "distance", result)
            panel.plot(x, shown(curve.y, "temperature", result), color=look.colour(id), alpha=1.0 - 0.22 * (i % 4))
            if curve.y2:
                panel.plot(x, shown(curve.y2, "temperature", result), color="#7a7a7a", lw=0.8, ls=(0, (2, 1.5)))
        panel.set_title(
            f"{result.name_of(id)} ({formatting.count(len(curves), 'run')})", loc="left", color=look.colour(id)
        )
        panel.grid(axis="y")
        panel.set_ylabel(axis_label("IAT", "temperature", result))
    _phase_names(axes[0], result)
    axes[-1].set_xlabel(axis_label("Route distance", "distance", result))
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
        start, end = shown((phase.start, phase.end), "distance", result)
        panel.axvspan(start, end, color=PHASE_SHADES.get(phase.kind, "#f4f4f4"), lw=0, zorder=0)


def _phase_names(panel: Axes, result: ReportResult) -> None:
    for phase in result.phases:
        middle = float(shown(((phase.start + phase.end) / 2,), "distance", result)[0])
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
    look = Look(result)
    figure = new_figure(3.3)
    panel = figure.subplots()
    for id, curves in _by_configuration(result.recovery_curves, look.ids):
        for i, curve in enumerate(curves):
            panel.plot(
                curve.x,
                shown(curve.y, "temperature_difference", result),
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
    panel.set_ylabel(axis_label("Over-ambient", "temperature_difference", result))
    panel.set_xlim(start - 0.02 * (end - start), end + 0.02 * (end - start))  # no mark lies on the frame
    legend(figure, panel)
    return figure


def _margin_line(panel: Axes, key: MetricKey, result: ReportResult, look: Look) -> None:
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
    look = Look(result)
    figure = new_figure(3.0)
    traces, rises, rates = figure.subplots(1, 3, width_ratios=(3, 2, 2))
    of_run = {run.id: run.configuration for run in result.runs}
    for id, curves in _by_configuration(result.stop_curves, look.ids):
        for i, curve in enumerate(curves):
            traces.plot(
                curve.x,
                shown(curve.y, "temperature_difference", result),
                color=look.colour(id),
                ls=look.dash(id),
                lw=0.7,
                alpha=0.8,
                label=result.name_of(id) if i == 0 else None,
            )
        stops = [s for s in result.stops if of_run[s.run] == id and s.rate is not None]
        marks: dict[str, Any] = {"ls": "none", "marker": look.marker(id), "ms": 3.0, "color": look.colour(id)}
        durations = [s.duration for s in stops]
        rises.plot(durations, shown((s.rise for s in stops), "temperature_difference", result), **marks)
        rates.plot(durations, shown((s.rate for s in stops), "temperature_rate", result), **marks)
    traces.set_xlabel("Time since the stop began [s]")
    traces.set_ylabel(axis_label("Rise of IAT", "temperature_difference", result))
    for panel in (rises, rates):
        panel.set_xlabel("Duration of the stop [s]")
    rises.set_ylabel(axis_label("Rise per stop", "temperature_difference", result))
    rates.set_ylabel(axis_label("Heat-soak rate", "temperature_rate", result))
    for panel in (traces, rises, rates):
        panel.grid(axis="y")
    legend(figure, traces)
    return figure


def wrapped(text: str, width: int) -> str:
    """Return text in lines of at most so many characters."""
    import textwrap

    return "\n".join(textwrap.wrap(text, width, break_long_words=False))


@styled
def places_figure(result: ReportResult, places: Places) -> Figure:
    """Draw the configurations by place: mean of the runs with their range, the peak of each run, and the stops below."""
    look = Look(result)
    figure = new_figure(4.2)
    panel, stops = figure.subplots(2, 1, sharex=True, height_ratios=(4, 1))
    _phases(panel, result)
    x = shown(places.centres, "distance", result)
    for curve in places.curves:
        colour = look.colour(curve.configuration)
        low, high = (shown(values, places.quantity, result) for values in (curve.low, curve.high))
        panel.fill_between(x, low, high, color=colour, alpha=0.15, lw=0)
        panel.plot(
            x,
            shown(curve.mean, places.quantity, result),
            color=colour,
            ls=look.dash(curve.configuration),
            label=result.name_of(curve.configuration),
        )
    of_run = {run.id: run.configuration for run in result.runs}
    for peak in places.peaks:
        configuration = of_run[peak.run]
        panel.plot(
            shown((peak.distance,), "distance", result),
            shown((peak.value,), places.quantity, result),
            ls="none",
            marker=look.marker(configuration),
            ms=4.5,
            mfc="white",
            color=look.colour(configuration),
        )
    title = "Over-ambient" if places.quantity == "temperature_difference" else "Intake air temperature"
    panel.set_ylabel(axis_label(title, places.quantity, result))
    panel.grid(axis="y")
    panel.set_xlim(float(x[0]), float(x[-1]))
    _phase_names(panel, result)
    _stops(stops, result, places)
    legend(figure, panel)
    return figure


def _stops(panel: Axes, result: ReportResult, places: Places) -> None:
    for place in places.stops:
        at = float(shown((place.distance,), "distance", result)[0])
        panel.vlines(at, 0.0, 100.0 * place.share, color="#555555", lw=1.6)
    panel.set_ylim(0.0, 105.0)
    panel.set_ylabel("Stopped [% of runs]")
    panel.yaxis.label.set_fontsize(7.2)
    panel.grid(axis="y")
    panel.set_xlabel(axis_label("Route distance", "distance", result))


def end_labels(panel: Axes, labels: Sequence[tuple[float, str, str]], least: float = 0.11) -> None:
    """Write names at the right edge beside the ends of their lines: (height [data], name, colour), none over another."""
    low, high = panel.get_ylim()
    previous = -1.0
    for y, name, colour in sorted(labels):
        share = max((min(max(y, low), high) - low) / (high - low), previous + least)
        previous = share
        panel.annotate(
            name,
            (1.0, share),
            xycoords="axes fraction",
            xytext=(4, 0),
            textcoords="offset points",
            ha="left",
            va="center",
            fontsize=7.5,
            color=colour,
            annotation_clip=False,
        )


@styled
def decision_figure(result: ReportResult, finding: str, height: float = 4.3) -> Figure:
    """Draw all configurations along the route with stops, and every fall after the highway entry with the margins."""
    look = Look(result)
    figure = new_figure(height)
    figure.get_layout_engine().set(rect=(0.0, 0.0, 0.96, 1.0))  # type: ignore[union-attr, call-arg]  # names at the right
    figure.suptitle(wrapped(finding, 84), x=0.01, ha="left", fontsize=9.5, fontweight="bold")
    panels = list(figure.subplots((result.places is not None) + bool(result.recovery_curves), 1, squeeze=False)[:, 0])
    if result.places is not None:
        _along_the_route(panels.pop(0), result, result.places, look)
    if panels:
        _after_the_entry(panels[0], result, look)
    return figure


def _along_the_route(panel: Axes, result: ReportResult, places: Places, look: Look) -> None:
    _phases(panel, result)
    x = shown(places.centres, "distance", result)
    ends = []
    for curve in places.curves:
        id, y = curve.configuration, shown(curve.mean, places.quantity, result)
        panel.plot(x, y, color=look.colour(id), ls=look.dash(id))
        known = y[np.isfinite(y)]
        if known.size:
            ends.append((float(known[-1]), wrapped(result.name_of(id), 18), look.colour(id)))
    panel.set_xlim(float(x[0]), float(x[-1]))
    panel.set_ylabel(
        axis_label("Over-ambient" if places.quantity == "temperature_difference" else "IAT", places.quantity, result)
    )
    panel.set_xlabel(axis_label("Route distance", "distance", result))
    panel.grid(axis="y")
    stops = shown((place.distance for place in places.stops), "distance", result)
    panel.plot(stops, np.zeros(len(stops)), transform=panel.get_xaxis_transform(), marker="^", ms=4, ls="none",
               color="#555555", clip_on=False)  # fmt: skip
    if result.recovery_curves and places.quantity == "temperature_difference":
        for key in _keys(result, "recovery_time"):
            _margin(panel, key, result)
    _phase_names(panel, result)
    end_labels(panel, ends, 0.16)


def _after_the_entry(panel: Axes, result: ReportResult, look: Look) -> None:
    ends = []
    for id, curves in _by_configuration(result.recovery_curves, look.ids):
        for curve in curves:
            y = shown(curve.y, "temperature_difference", result)
            panel.plot(curve.x, y, color=look.colour(id), ls=look.dash(id), lw=0.9)
        known = y[np.isfinite(y)]
        if known.size:
            ends.append((float(known[-1]), wrapped(result.name_of(id), 18), look.colour(id)))
    margins = [key for key in _keys(result, "recovery_time") if key.parameter.number is not None]
    for key in margins:
        _margin(panel, key, result)
        panel.annotate(
            formatting.margin(key.parameter.number or 0.0, result.units),
            (1.0, float(to_display(key.parameter.number or 0.0, "temperature_difference", result.units))),
            xycoords=("axes fraction", "data"), xytext=(-3, 1.5), textcoords="offset points", ha="right", fontsize=7.0, color="#555555",
        )  # fmt: skip
    if margins:  # so that a margin can be read; what lies above it falls off steeply
        top = float(
            to_display(
                READABLE * max(k.parameter.number or 0.0 for k in margins), "temperature_difference", result.units
            )
        )
        panel.set_ylim(min(0.0, panel.get_ylim()[0]), min(top, panel.get_ylim()[1]))
    start, end = _extent([panel])
    panel.set_xlim(max(start, -5.0), end)
    panel.set_xlabel("Time since highway entry [s]")
    panel.set_ylabel(axis_label("Over-ambient", "temperature_difference", result))
    panel.grid(axis="y")
    end_labels(panel, ends, 0.16)


def _margin(panel: Axes, key: MetricKey, result: ReportResult) -> None:
    level = float(to_display(key.parameter.number or 0.0, "temperature_difference", result.units))
    panel.axhline(level, color="#555555", lw=0.7, ls=(0, (1, 2)))
