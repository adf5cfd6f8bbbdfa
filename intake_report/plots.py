"""Result to figure; computes nothing and sets no global state."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from intake_report import formatting
from intake_report.results import Curve, MetricKey, ReportResult
from intake_report.units import to_display

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH = 6.9  # in; the text width of the report, so that letters keep their size
# Distinguishable with the common colour deficiencies and in grey; each configuration also has its own marker and dash.
COLOURS = ("#3b3b3b", "#c2571a", "#1b6ca8", "#3f8f5b", "#8e5aa8", "#a88a1b")
MARKERS = ("o", "s", "^", "D", "v", "P")
DASHES: tuple[Any, ...] = ("solid", (0, (6, 2)), (0, (3, 1.5)), (0, (1, 1)), (0, (5, 1, 1, 1)), (0, (8, 3)))
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
    """Put one legend of all panels below the figure, each name once."""
    unique: dict[str, Any] = {}
    for panel in panels:
        handles, labels = panel.get_legend_handles_labels()
        unique |= {label: handle for label, handle in zip(labels, handles, strict=True) if label not in unique}
    figure.legend(unique.values(), unique.keys(), loc="outside lower left", ncols=len(unique))


def title(figure: Figure, finding: str) -> None:
    """Write what a figure shows above it, if anything."""
    if not finding:
        return
    figure.suptitle(wrapped(finding, 84), x=0.01, ha="left", fontsize=9.5, fontweight="bold")


def axis_label(text: str, quantity: str, result: ReportResult) -> str:
    """Return the label of an axis with its unit."""
    unit = formatting.unit_of(quantity, result.units)
    return f"{text} [{unit}]" if unit else text


def by_configuration(curves: Sequence[Curve], ids: Sequence[str]) -> Iterator[tuple[str, list[Curve]]]:
    """Yield the curves of each configuration that has any, in the order of `ids`."""
    for id in ids:
        found = [curve for curve in curves if curve.configuration == id]
        if found:
            yield id, found


def extent(axes: Iterable[Axes]) -> tuple[float, float]:
    """Return from where to where the curves of these panels go, without a blank before or after."""
    ends = [
        x[np.isfinite(x)] for panel in axes for x in (np.asarray(line.get_xdata(), float) for line in panel.get_lines())
    ]
    return (min(float(x.min()) for x in ends if x.size), max(float(x.max()) for x in ends if x.size))


def keys_of(result: ReportResult, id: str) -> list[MetricKey]:
    """Return the metrics of one definition, a margin or phase each."""
    return [key for key in result.metrics if key.spec.id == id]


@styled
def heat_soak_figure(result: ReportResult, finding: str) -> Figure:
    """Draw the rise of intake air temperature during each stop, and rise and rate of each stop against its duration."""
    look = Look(result)
    figure = new_figure(3.2)
    title(figure, finding)
    traces, rises, rates = figure.subplots(1, 3, width_ratios=(3, 2, 2))
    of_run = {run.id: run.configuration for run in result.runs}
    for id, curves in by_configuration(result.stop_curves, look.ids):
        for i, curve in enumerate(curves):
            label = result.name_of(id) if i == 0 else None
            style = {"color": look.colour(id), "ls": look.dash(id), "lw": 0.7, "alpha": 0.8, "label": label}
            traces.plot(curve.x, shown(curve.y, "temperature_difference", result), **style)
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


def room_for_names(figure: Figure) -> None:
    """Leave room at the right edge for names beside the ends of lines."""
    figure.get_layout_engine().set(rect=(0.0, 0.0, 0.96, 1.0))  # type: ignore[union-attr, call-arg]


End = tuple[float, str, str]  # height of the end of a line [data], name, colour


def end_of(y: np.ndarray, id: str, result: ReportResult, look: Look) -> list[End]:
    """Return where the line of a configuration ends; nothing where it has no value."""
    known = y[np.isfinite(y)]
    return [(float(known[-1]), wrapped(result.name_of(id), 18), look.colour(id))] if known.size else []


def end_labels(panel: Axes, labels: Sequence[End], least: float = 0.11) -> None:
    """Write names at the right edge beside the ends of their lines, none over another."""
    low, high = panel.get_ylim()
    shares: list[float] = []
    for y, _, _ in sorted(labels):
        share = (min(max(y, low), high) - low) / (high - low)
        shares.append(max(share, shares[-1] + least) if shares else share)
    over = max(
        [0.0, *(share - 1.0 for share in shares[-1:])]
    )  # lines that end at the top push each other out of the panel
    for share, (_, name, colour) in zip(shares, sorted(labels), strict=True):
        beside(panel, name, share - over, colour)


def beside(panel: Axes, text: str, share: float, colour: str) -> None:
    """Write a text at the right edge of a panel, at a share of its height."""
    place: dict[str, Any] = {"xycoords": "axes fraction", "xytext": (4, 0), "textcoords": "offset points"}
    panel.annotate(
        text, (1.0, share), ha="left", va="center", fontsize=7.5, color=colour, annotation_clip=False, **place
    )
