"""Result to figure: how all are drawn; the route, photographs, heat soak. Computes nothing and sets no global state."""

import gc
import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import lru_cache, wraps
from itertools import cycle
from typing import Any, Literal

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path
from PIL.Image import Image

from intake_report import formatting
from intake_report.align import RoutePath
from intake_report.results import MetricKey, ReportResult, RunCurve
from intake_report.units import to_display

WIDTH = 6.9  # in; the text width of the report, so that letters keep their size
# Distinguishable with the common colour deficiencies and in grey; each configuration also has its own marker and dash.
COLOURS = ("#3b3b3b", "#c2571a", "#1b6ca8", "#3f8f5b", "#8e5aa8", "#a88a1b")
MARKERS = ("o", "s", "^", "D", "v", "P")
DASHES: tuple[Any, ...] = ("solid", (0, (6, 2)), (0, (3, 1.5)), (0, (1, 1)), (0, (5, 1, 1, 1)), (0, (8, 3)))
EDGE, GAP = 3.0, (8.0, 4.0)  # pt: around all panels; between two of them, beside and below
TICK, MARK, LEGEND = 8.0, 7.0, 18.0  # pt: type of tick labels, mark of a tick and blank, height of a legend
LINE = 1.2  # height of a line in type sizes
GREY, INK = "#555555", "#333333"
PHASE_SHADES = {"city": "#f1efe9", "ramp": "#dfe3ea", "highway": "#edf2ee"}
PHASE_LINES = {"city": "#8f8360", "ramp": "#51678f", "highway": "#6d9379"}
SCALE = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)  # lengths of a scale bar, in the reader's unit
PHOTOS_IN_A_ROW = 3
STOP: dict[str, Any] = {"marker": "^", "ms": 4, "ls": "none"}
STYLE: dict[Any, Any] = {
    "text.parse_math": False,  # names are text, dollars and all
    "font.size": 8.5,
    "axes.titlesize": 9.0,
    "axes.labelsize": 8.5,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.7,
    "axes.edgecolor": GREY,
    "axes.axisbelow": True,
    "grid.color": "#d9d9d9",
    "grid.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "xtick.labelsize": TICK,
    "ytick.labelsize": TICK,
    "lines.linewidth": 1.1,
    "lines.solid_capstyle": "round",
}


class Look:
    """Colour, marker and dash of each configuration, the same in all figures of a report.

    The baseline is always dark with round markers; the others take the next in campaign order, the same from campaign to campaign.
    """

    def __init__(self, result: ReportResult) -> None:
        self.ids = [c.id for c in result.ordered]
        self.colour = dict(zip(self.ids, cycle(COLOURS)))
        self.marker = dict(zip(self.ids, cycle(MARKERS)))
        self.dash: dict[str, Any] = dict(zip(self.ids, cycle(DASHES)))


@contextmanager
def uncollected() -> Iterator[None]:
    """Look for no garbage meanwhile: a figure makes thousands of objects, and every look goes over the whole result."""
    enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if enabled:
            gc.enable()


def styled(draw: Callable[..., Figure]) -> Callable[..., Figure]:
    """Run a drawing function with this module's style, and leave matplotlib as it was."""

    @wraps(draw)
    def drawn(*args: Any, **kwargs: Any) -> Figure:
        with mpl.rc_context(STYLE), uncollected():
            figure = draw(*args, **kwargs)
            _place(figure)
            return figure

    return drawn


def drawing(
    result: ReportResult, height: float, finding: str, rows: int = 1, columns: int = 1, n: int | None = None, **own: Any
) -> tuple[Look, Figure, list[Axes]]:
    """Return the look of a result, a figure of the text width under what it shows, and its panels in reading order.

    `height` [in]; `n`: so many of the panels are needed, the others hidden; `own`: as `Figure.subplots` takes it.
    """
    figure = Figure(figsize=(WIDTH, height))
    if finding:
        style: dict[str, Any] = {"ha": "left", "va": "top", "fontsize": 9.5, "fontweight": "bold"}
        figure.suptitle(wrapped(finding, 84), x=0.01, y=1.0 - EDGE / (72.0 * height), **style)
    panels = list(figure.subplots(rows, columns, squeeze=False, **own).ravel())
    for panel in panels[n:] if n is not None else ():
        panel.set_visible(False)
    return Look(result), figure, panels[:n]


def name_axes(panel: Axes, x: str = "", y: str = "", grid: Literal["x", "y", "both"] = "y") -> None:
    """Write the names of the axes and draw the lines of the grid across one of them or both."""
    panel.set(xlabel=x, ylabel=y)
    panel.grid(axis=grid)


@lru_cache(maxsize=4096)
def text_size(text: str, font: FontProperties) -> tuple[float, float, float]:
    """Return width, height and descent of one line of text [pt]."""
    size: tuple[float, float, float] = text_to_path.get_text_width_height_descent(text, font, False)
    return size


def _extent(texts: Iterable[str], points: float) -> tuple[float, float]:
    """Return width of the widest and height of the highest of some texts of several lines [pt]."""
    font, lines = FontProperties(size=points), [text.split("\n") for text in texts if text]
    width = max((text_size(line, font)[0] for text in lines for line in text), default=0.0)
    return width, LINE * points * max(map(len, lines), default=0)


def _place(figure: Figure) -> None:
    """Give the panels of a grid their places, so that what is written beside one is neither cut off nor written over.

    Every text is measured once; matplotlib's own layout draws all of them twice to learn the same.
    """
    panels = [panel for panel in figure.axes if panel.get_visible()]
    width, height = (72.0 * side for side in figure.get_size_inches())
    heading = _extent([figure.get_suptitle()], 9.5)[1]
    ends = EDGE + (LEGEND if figure.legends else 0.0), height - EDGE - (heading + EDGE if heading else 0.0)
    spots: list[Any] = [panel.get_subplotspec() for panel in panels]
    grid = spots[0].get_gridspec()
    rows, columns = [spot.rowspan.start for spot in spots], [spot.colspan.start for spot in spots]
    bottoms, heights = _shares(rows, map(_below_and_above, panels), ends, grid.get_height_ratios(), GAP[1], -1)
    for panel, row in zip(panels, rows, strict=True):  # how many ticks there are depends on the height
        panel.set_position((0.0, bottoms[row] / height, 0.75 / grid.ncols, heights[row] / height))
    ends = EDGE, width - EDGE
    lefts, widths = _shares(columns, map(_left_and_right, panels), ends, grid.get_width_ratios(), GAP[0], 1)
    for panel, row, column in zip(panels, rows, columns, strict=True):
        left, bottom = lefts[column] / width, bottoms[row] / height
        panel.set_position((left, bottom, widths[column] / width, heights[row] / height))


def _shares(
    place: list[int], needs: Iterable[tuple[float, float]], ends: tuple[float, float], ratios: Any, gap: float, way: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return begin and length of every column of panels, or of every row from the top (`way` -1), between two ends [pt].

    `place`, `needs`: of each panel the number of its row or column, and the room before and after it.
    """
    before, after = np.zeros((2, len(ratios)))
    for side, room in zip((before, after), zip(*needs, strict=True), strict=True):
        np.maximum.at(side, place, room)
    lengths = (ends[1] - ends[0] - sum(before + after) - gap * (len(ratios) - 1)) * np.array(ratios) / sum(ratios)
    whole = before + lengths + after + gap
    return ends[0] + np.cumsum(whole[::way])[::way] - whole + before, lengths


def _ticks(axis: Axis, side: str) -> tuple[float, float, float, float]:
    """Return width and height of the labels of an axis on one side of its panel, and how far the first and last stand out [pt]."""
    params = axis.get_tick_params(which="major")
    low, high = sorted(axis.get_view_interval())
    slack = 1e-9 * (high - low)
    places = [place for place in axis.get_majorticklocs() if low - slack <= place <= high + slack]
    if not axis.axes.axison or not params[f"label{side}"] or not places:
        return 0.0, 0.0, 0.0, 0.0
    formatter: Any = axis.major.formatter
    labels, points = formatter.format_ticks(places), params.get("labelsize", TICK)
    wide, tall = _extent(labels, points)
    if params.get("rotation") == 90:
        wide, tall = tall, wide
    scale = axis.axes.get_position().width * 72.0 * WIDTH / (high - low)
    ends = ((labels[:1], places[0] - low), (labels[-1:], high - places[-1]))
    first, last = (max(0.0, 0.5 * _extent(label, points)[0] - inside * scale) for label, inside in ends)
    return wide, tall, first, last


def _beside(size: float, axis: Axis, *, label: bool = True) -> float:
    """Return the room that tick labels of this size need beside a panel with their marks, and the name of the axis [pt]."""
    words = axis.label.get_text() if label and axis.axes.axison else ""
    name = _extent([words], float(axis.label.get_fontsize()))[1] + EDGE if words else 0.0
    return name + (size + MARK if size else 0.0)


def _notes(panel: Axes) -> list[Any]:
    texts: Iterable[Any] = panel.texts
    return [text for text in texts if text.xycoords != "data"]


def _below_and_above(panel: Axes) -> tuple[float, float]:
    title = panel.get_title(loc="left")
    heading = _extent([title], 9.0)[1] + 6.0 if title else 0.0
    over = [t.xyann[1] + _extent([t.get_text()], t.get_fontsize())[1] for t in _notes(panel) if t.xy[1] == 1.0]
    below = _beside(_ticks(panel.xaxis, "bottom")[1], panel.xaxis)
    return below, max(heading, _beside(_ticks(panel.xaxis, "top")[1], panel.xaxis, label=False), *over, 0.5 * TICK)


def _left_and_right(panel: Axes) -> tuple[float, float]:
    names = [4.0 + _extent([t.get_text()], t.get_fontsize())[0] for t in _notes(panel) if t.get_ha() == "left"]
    twins = [_beside(_ticks(twin.yaxis, "right")[0], twin.yaxis) for twin in panel.child_axes]
    _, _, first, last = _ticks(panel.xaxis, "bottom")
    return max(_beside(_ticks(panel.yaxis, "left")[0], panel.yaxis), first), max(*names, *twins, last, 0.0)


def shown(values: Iterable[float | None], quantity: str, result: ReportResult) -> np.ndarray:
    """Return internal values in the unit of the reader, NaN where there is none."""
    return to_display(np.array([np.nan if v is None else v for v in values], dtype=np.float64), quantity, result.units)


def legend(figure: Figure, *panels: Axes) -> None:
    """Put one legend of all panels below the figure, each name once."""
    unique: dict[str, Any] = {}
    for panel in panels:
        handles, labels = panel.get_legend_handles_labels()
        unique |= {label: handle for label, handle in zip(labels, handles, strict=True) if label not in unique}
    figure.legend(unique.values(), unique.keys(), loc="lower left", borderaxespad=0.3, ncols=len(unique))


def axis_label(text: str, quantity: str, result: ReportResult) -> str:
    """Return the label of an axis with its unit."""
    unit = formatting.unit_of(quantity, result.units)
    return f"{text} [{unit}]" if unit else text


def by_configuration(curves: Sequence[RunCurve], result: ReportResult) -> Iterator[tuple[str, list[RunCurve]]]:
    """Yield the curves of each configuration that has any, the baseline first."""
    for configuration in result.ordered:
        if found := [curve for curve in curves if curve.configuration == configuration.id]:
            yield configuration.id, found


def extent(axes: Iterable[Axes]) -> tuple[float, float]:
    """Return from where to where the curves of these panels go, without a blank before or after."""
    x = np.concatenate([np.asarray(line.get_xdata(), float) for panel in axes for line in panel.get_lines()])
    return float(np.nanmin(x)), float(np.nanmax(x))


def keys_of(result: ReportResult, id: str) -> list[MetricKey]:
    """Return the metrics of one definition, a margin or phase each."""
    return [key for key in result.metrics if key.spec.id == id]


@styled
def heat_soak_figure(result: ReportResult, finding: str) -> Figure:
    """Draw the rise of intake air temperature during each stop, and rise and rate of each stop against its duration."""
    look, figure, panels = drawing(result, 3.2, finding, 1, 3, width_ratios=(3, 2, 2))
    traces, rises, rates = panels
    of_run = {run.id: run.configuration for run in result.runs}
    rise = "temperature_difference"
    for id, curves in by_configuration(result.stop_curves, result):
        style: dict[str, Any] = {"color": look.colour[id], "ls": look.dash[id], "lw": 0.7, "alpha": 0.8}
        for curve in curves:
            traces.plot(curve.x, shown(curve.y, rise, result), label=result.name_of(id), **style)
        stops = [s for s in result.stops if of_run[s.run] == id and s.rate is not None]
        marks: dict[str, Any] = {"ls": "none", "marker": look.marker[id], "ms": 3.0, "color": look.colour[id]}
        durations = [s.duration for s in stops]
        rises.plot(durations, shown((s.rise for s in stops), rise, result), **marks)
        rates.plot(durations, shown((s.rate for s in stops), "temperature_rate", result), **marks)
    name_axes(traces, "Time since the stop began [s]", axis_label("Rise of IAT", rise, result))
    name_axes(rises, "Duration of the stop [s]", axis_label("Rise per stop", rise, result))
    name_axes(rates, "Duration of the stop [s]", axis_label("Heat-soak rate", "temperature_rate", result))
    legend(figure, traces)
    return figure


def wrapped(text: str, width: int) -> str:
    """Return text in lines of at most so many characters."""
    return "\n".join(textwrap.wrap(text, width, break_long_words=False))


def end_labels(panel: Axes, lines: Mapping[str, np.ndarray], result: ReportResult, look: Look, least: float) -> None:
    """Write the names of configurations at the right edge beside the ends of their `lines`, at `least` so far apart."""
    known = {id: y[np.isfinite(y)] for id, y in lines.items()}
    ends = sorted((float(y[-1]), wrapped(result.name_of(id), 18), look.colour[id]) for id, y in known.items() if y.size)
    low, high = panel.get_ylim()
    shares: list[float] = []
    for y, _, _ in ends:
        share = (min(max(y, low), high) - low) / (high - low)
        shares.append(max(share, shares[-1] + least) if shares else share)
    over = max([1.0, *shares[-1:]]) - 1.0  # lines that end at the top push each other out of the panel
    place: dict[str, Any] = {"xycoords": "axes fraction", "xytext": (4, 0), "textcoords": "offset points"}
    style: dict[str, Any] = {"ha": "left", "va": "center", "fontsize": 7.5, "annotation_clip": False}
    for share, (_, name, colour) in zip(shares, ends, strict=True):
        panel.annotate(name, (1.0, share - over), color=colour, **place, **style)


def phases(panel: Axes, result: ReportResult, above: int | None = 3) -> None:
    """Shade the phases, with their names so far above the panel [pt]."""
    for phase in result.phases:
        start, middle, end = shown((phase.start, (phase.start + phase.end) / 2, phase.end), "distance", result)
        panel.axvspan(start, end, color=PHASE_SHADES.get(phase.kind, "#f4f4f4"), lw=0, zorder=0)
        if above is not None:
            panel.annotate(
                phase.name, (middle, 1.0), xycoords=("data", "axes fraction"), xytext=(0, above), textcoords="offset points",
                ha="center", va="bottom", fontsize=7.5, color=GREY,
            )  # fmt: skip


@styled
def strip_figure(result: ReportResult, finding: str) -> Figure:
    """Draw the route as a strip of distance with its phases and places of stops, where no log holds a position."""
    _, figure, (panel,) = drawing(result, 1.2, finding)
    phases(panel, result)
    stops = shown(result.places.stops["distance"] if result.places else (), "distance", result)
    panel.plot(stops, np.full(len(stops), 0.5), color=INK, **STOP)
    start, end = min(p.start for p in result.phases), max(p.end for p in result.phases)
    panel.set(xlim=shown((start, end), "distance", result), ylim=(0.0, 1.0), yticks=[])
    panel.spines["left"].set_visible(False)
    panel.set_xlabel(axis_label("Route distance", "distance", result))
    return figure


@styled
def map_figure(result: ReportResult, path: RoutePath, finding: str) -> Figure:
    """Draw the route from positions with phases, places of stops, start, scale and north; no map lies below it.

    It is turned so that its longer side lies across the page.
    """
    points = np.vstack([path.x, path.y]) - np.array([[np.mean(path.x)], [np.mean(path.y)]])
    _, axes = np.linalg.eigh(np.cov(points))
    across, up = axes[:, 1], np.array([-axes[1, 1], axes[0, 1]])
    x, y = across @ points, up @ points
    if x[0] > x[-1]:  # from left to right
        x, y, across, up = -x, -y, -across, -up
    _, figure, (panel,) = drawing(result, min(3.0, 1.3 + WIDTH * float(np.ptp(y) / np.ptp(x))), finding)
    for phase in result.phases:
        at = np.linspace(phase.start, min(phase.end, float(path.s[-1])), 200)
        px, py = np.interp(at, path.s, x), np.interp(at, path.s, y)
        colour = PHASE_LINES.get(phase.kind, "#777777")
        panel.plot(px, py, color=colour, lw=2.2)
        below = phase.kind == "ramp"
        middle = (float(np.mean(px)), float(np.min(py) if below else np.max(py)))
        style: dict[str, Any] = {"ha": "center", "fontsize": 8.0, "color": colour, "fontweight": "bold"}
        panel.annotate(phase.name, middle, xytext=(0, -14 if below else 8), textcoords="offset points", **style)
    stops = list(result.places.stops["distance"]) if result.places else []
    panel.plot(np.interp(stops, path.s, x), np.interp(stops, path.s, y), color=INK, **(STOP | {"ms": 3}))
    panel.plot(x[0], y[0], marker="o", mfc="white", color=INK, ms=5)
    small: dict[str, Any] = {"textcoords": "offset points", "fontsize": 7.5}
    panel.annotate("Start", (x[0], y[0]), xytext=(7, 0), va="center", **(small | {"fontsize": 8.0}))
    wide = float(np.ptp(x))
    one = 1.0 / float(to_display(1.0, "distance", result.units))  # m in one unit of the reader
    length = max((n for n in SCALE if n * one <= 0.2 * wide), default=SCALE[0])
    left, bottom = float(np.max(x)) - length * one, float(np.min(y)) - 0.06 * wide
    panel.plot([left, left + length * one], [bottom, bottom], color=INK, lw=2.0, solid_capstyle="butt")
    panel.annotate(f"{length:g} {formatting.unit_of('distance', result.units)}", (left, bottom), xytext=(0, 4), **small)
    foot, north = (left - 0.09 * wide, bottom), 0.05 * wide * np.array([across[1], up[1]])
    panel.annotate("", (foot[0] + north[0], foot[1] + north[1]), foot, arrowprops={"arrowstyle": "->", "color": INK})
    panel.annotate("N", foot, xytext=(-8, -4), **small)
    panel.set_aspect("equal", adjustable="datalim")
    panel.axis("off")
    return figure


@styled
def photos_figure(result: ReportResult, photos: Mapping[str, Image]) -> Figure:
    """Place photographs of configurations side by side, three in a row, each under its name in its colour."""
    rows = -(-len(photos) // PHOTOS_IN_A_ROW)
    look, figure, panels = drawing(result, 2.0 * rows, "", rows, PHOTOS_IN_A_ROW, len(photos))
    for panel, (id, photo) in zip(panels, photos.items(), strict=True):
        panel.axis("off")
        panel.imshow(np.asarray(photo), interpolation="none")
        panel.set_title(wrapped(result.name_of(id), 26), loc="left", color=look.colour[id])
    return figure
