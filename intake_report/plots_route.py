"""Figures along the route: the picture that decides, curves by place, and the route itself; like `plots`, they compute nothing."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from PIL.Image import Image

from intake_report import formatting, plots
from intake_report.align import RoutePath
from intake_report.plots import GREY, INK, Look, axis_label, drawing, name_axes, shown, styled, wrapped
from intake_report.results import MetricKey, ReportResult
from intake_report.results.evidence import Places
from intake_report.units import to_display

DELTA = "temperature_difference"
READABLE = 4.0  # height of the axis of recovery in largest margins
PHASE_SHADES = {"city": "#f1efe9", "ramp": "#dfe3ea", "highway": "#edf2ee"}
PHASE_LINES = {"city": "#8f8360", "ramp": "#51678f", "highway": "#6d9379"}
SCALE = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)  # lengths of a scale bar, in the reader's unit
PHOTOS_IN_A_ROW = 3


@styled
def route_figure(result: ReportResult, finding: str) -> Figure:
    """Draw intake air temperature and ambient against route distance, one panel per configuration."""
    groups = list(plots.by_configuration(result.route_curves, result))
    look, figure, axes = drawing(result, 1.0 + 1.6 * len(groups), finding, len(groups), sharex=True, sharey=True)
    for panel, (id, curves) in zip(axes, groups, strict=True):
        _phases(panel, result, 14 if panel is axes[0] else None)
        for i, curve in enumerate(curves):
            x = shown(curve.x, "distance", result)
            panel.plot(x, shown(curve.y, "temperature", result), color=look.colour[id], alpha=1.0 - 0.22 * (i % 4))
            if curve.y2:
                panel.plot(x, shown(curve.y2, "temperature", result), color="#7a7a7a", lw=0.8, ls=(0, (2, 1.5)))
        title = f"{result.name_of(id)} ({formatting.count(len(curves), 'run')})"
        panel.set_title(title, loc="left", color=look.colour[id])
        name_axes(panel, y=axis_label("IAT", "temperature", result))
    axes[-1].set_xlabel(axis_label("Route distance", "distance", result))
    axes[-1].set_xlim(*plots.extent(axes))
    return figure


def _phases(panel: Axes, result: ReportResult, above: int | None = 3) -> None:
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
def places_figure(result: ReportResult, places: Places, finding: str) -> Figure:
    """Draw the configurations by place: mean of the runs with their range, the peak of each run, and the stops below."""
    look, figure, (panel, stops) = drawing(result, 4.4, finding, 2, sharex=True, height_ratios=(4, 1))
    _by_place(panel, result, places, look, ranges=True)
    of_run = {run.id: run.configuration for run in result.runs}
    for peak in places.peaks:
        at, value = shown((peak.distance,), "distance", result), shown((peak.value,), places.quantity, result)
        id = of_run[peak.run]
        panel.plot(at, value, ls="none", marker=look.marker[id], ms=4.5, mfc="white", color=look.colour[id])
    for place in places.stops:
        stops.vlines(shown((place.distance,), "distance", result), 0.0, 100.0 * place.share, color=GREY, lw=1.6)
    stops.set_ylim(0.0, 105.0)
    name_axes(stops, axis_label("Route distance", "distance", result), "Stopped [% of runs]")
    stops.yaxis.label.set_fontsize(7.2)
    return figure


def _by_place(panel: Axes, result: ReportResult, places: Places, look: Look, *, ranges: bool = False) -> None:
    """Draw the mean of each configuration along the route, with the range of its runs where asked for."""
    _phases(panel, result)
    x = shown(places.centres, "distance", result)
    ends: dict[str, np.ndarray] = {}
    for curve in places.curves:
        id, y = curve.configuration, shown(curve.mean, places.quantity, result)
        if ranges:
            low, high = (shown(values, places.quantity, result) for values in (curve.low, curve.high))
            panel.fill_between(x, low, high, color=look.colour[id], alpha=0.15, lw=0)
        panel.plot(x, y, color=look.colour[id], ls=look.dash[id])
        ends[id] = y
    panel.set_xlim(float(x[0]), float(x[-1]))
    name = "Over-ambient" if places.quantity == DELTA else "IAT"
    name_axes(panel, y=axis_label(name, places.quantity, result))
    plots.end_labels(panel, ends, result, look, 0.13 if ranges else 0.22)


@styled
def decision_figure(result: ReportResult, finding: str, height: float = 4.3) -> Figure:
    """Draw all configurations along the route with stops, and every fall after the highway entry with the margins."""
    places = result.places
    look, figure, panels = drawing(result, height, finding, (places is not None) + bool(result.recovery_curves))
    if places is not None:
        panel = panels.pop(0)
        _by_place(panel, result, places, look)
        panel.set_xlabel(axis_label("Route distance", "distance", result))
        stops = shown((place.distance for place in places.stops), "distance", result)
        panel.plot(
            stops, np.zeros(len(stops)), transform=panel.get_xaxis_transform(), clip_on=False, color=GREY, **STOP
        )
        if result.recovery_curves and places.quantity == DELTA:
            for _, level in _margins(result):
                panel.axhline(level, **MARGIN)
    if panels:
        _falls(panels[0], result, look, READABLE)
        start, end = plots.extent([panels[0]])
        panels[0].set_xlim(max(start, -5.0), end)
    return figure


@styled
def recovery_figure(result: ReportResult, finding: str) -> Figure:
    """Draw over-ambient temperature against time since the highway entry, all of it, with the time of each run."""
    look, figure, (panel,) = drawing(result, 3.5, finding)
    _falls(panel, result, look)
    start, end = plots.extent([panel])
    panel.axvline(0.0, color=GREY, lw=0.8)
    for key, level in _margins(result):
        for id, value in ((v.configuration, v.value) for v in result.of(key.key) if v.value is not None):
            panel.plot(value, level, marker=look.marker[id], color=look.colour[id], ms=4.0)
    panel.set_xlim(start - 0.02 * (end - start), end + 0.02 * (end - start))  # no mark lies on the frame
    return figure


def _falls(panel: Axes, result: ReportResult, look: Look, height: float = np.inf) -> None:
    """Draw the fall of every run after the highway entry with the margins, up to so many times the largest of them."""
    ends: dict[str, np.ndarray] = {}
    for id, curves in plots.by_configuration(result.recovery_curves, result):
        drawn = [shown(curve.y, DELTA, result) for curve in curves]
        for curve, y in zip(curves, drawn, strict=True):
            panel.plot(curve.x, y, color=look.colour[id], ls=look.dash[id], lw=0.9)
        last = sorted(y[np.isfinite(y)][-1] for y in drawn if np.isfinite(y).any())
        ends[id] = np.array(last[len(last) // 2 :][:1])  # of the run in the middle
    margins = _margins(result)
    for key, level in margins:
        panel.axhline(level, **MARGIN)
        panel.annotate(
            formatting.margin(key.parameter.number or 0.0, result.units, both=False), (1.0, level),
            xycoords=("axes fraction", "data"), xytext=(-3, 1.5), textcoords="offset points", ha="right", fontsize=7.0, color=GREY,
        )  # fmt: skip
    name_axes(panel, "Time since highway entry [s]", axis_label("Over-ambient", DELTA, result))
    low, high = panel.get_ylim()
    # so that a margin can be read; what lies above it falls off steeply
    panel.set_ylim(min(0.0, low), min(height * max((level for _, level in margins), default=np.inf), high))
    plots.end_labels(panel, ends, result, look, 0.22 if height < np.inf else 0.13)


MARGIN: dict[str, Any] = {"color": GREY, "lw": 0.7, "ls": (0, (1, 2))}
STOP: dict[str, Any] = {"marker": "^", "ms": 4, "ls": "none"}


def _margins(result: ReportResult) -> list[tuple[MetricKey, float]]:
    """Return the margins of recovery, each with its height on the axis."""
    keys = [key for key in plots.keys_of(result, "recovery_time") if key.parameter.number is not None]
    return [(key, float(to_display(key.parameter.number or 0.0, DELTA, result.units))) for key in keys]


@styled
def strip_figure(result: ReportResult, finding: str) -> Figure:
    """Draw the route as a strip of distance with its phases and places of stops, where no log holds a position."""
    _, figure, (panel,) = drawing(result, 1.2, finding)
    _phases(panel, result)
    stops = shown((place.distance for place in result.places.stops) if result.places else (), "distance", result)
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
    ratio = float(np.ptp(y) / np.ptp(x))
    _, figure, (panel,) = drawing(result, min(3.0, 1.3 + plots.WIDTH * ratio), finding)
    for phase in result.phases:
        at = np.linspace(phase.start, min(phase.end, float(path.s[-1])), 200)
        px, py = np.interp(at, path.s, x), np.interp(at, path.s, y)
        colour = PHASE_LINES.get(phase.kind, "#777777")
        panel.plot(px, py, color=colour, lw=2.2)
        below = phase.kind == "ramp"
        middle = (float(np.mean(px)), float(np.min(py) if below else np.max(py)))
        style: dict[str, Any] = {"ha": "center", "fontsize": 8.0, "color": colour, "fontweight": "bold"}
        panel.annotate(phase.name, middle, xytext=(0, -14 if below else 8), textcoords="offset points", **style)
    stops = [place.distance for place in result.places.stops] if result.places else []
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
