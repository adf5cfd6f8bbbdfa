"""Figures of the route as a map and of the evidence beside the road logs; like `plots`, they compute nothing and set no global state."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from intake_report import formatting
from intake_report.align import RoutePath
from intake_report.bench import RestrictionSet
from intake_report.dyno import DynoResult
from intake_report.plots import (
    WIDTH,
    End,
    Look,
    axis_label,
    end_labels,
    end_of,
    new_figure,
    shown,
    styled,
    title,
    wrapped,
)
from intake_report.results import ReportResult
from intake_report.results.evidence import AirEvidence
from intake_report.units import to_display

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from PIL.Image import Image

GREY = "#555555"
PHASE_LINES = {"city": "#8f8360", "ramp": "#51678f", "highway": "#6d9379"}
SCALE = (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)  # lengths of a scale bar, in the reader's unit
PHOTOS_IN_A_ROW = 3


@styled
def mass_figure(result: ReportResult, air: AirEvidence, finding: str) -> Figure:
    """Draw the mass of air in the volume against its temperature, with ambient and the configurations on the curve."""
    look = Look(result)
    figure = new_figure(3.2)
    title(figure, finding)
    panel = figure.subplots()
    panel.plot(shown(air.temperatures, "temperature", result), air.masses, color="#8a8a8a", lw=1.0)
    ambient = float(to_display(air.ambient, "temperature", result.units))
    marks = [(ambient, air.ambient_mass, "_", GREY, "Ambient air")]
    for point in air.points:
        at, name = float(to_display(point.iat, "temperature", result.units)), result.name_of(point.configuration)
        marks.append((at, point.mass, look.marker(point.configuration), look.colour(point.configuration), name))
    for at, mass, marker, colour, name in marks:
        panel.plot(at, mass, marker=marker, color=colour, ms=11 if marker == "_" else 6, mew=1.6, ls="none")
        panel.annotate(name, (at, mass), xytext=(7, 5), textcoords="offset points", fontsize=7.5, color=colour)
    whole = air.ambient_mass
    share = panel.secondary_yaxis(
        "right", functions=(lambda m: np.asarray(m) * (100.0 / whole), lambda p: np.asarray(p) * (whole / 100.0))
    )
    share.set_ylabel("Share of ambient [%]")
    share.spines["right"].set_visible(True)
    panel.set_xlabel(axis_label("Temperature of the air", "temperature", result))
    panel.set_ylabel("Mass of air [g]")
    panel.grid()
    panel.margins(x=0.0)
    return figure


@styled
def dyno_figure(result: ReportResult, dyno: DynoResult, finding: str) -> Figure:
    """Draw the mean curves of power and torque with their pointwise bands."""
    look = Look(result)
    figure = new_figure(2.7)
    title(figure, finding)
    panels = figure.subplots(1, 2, sharex=True)
    for panel, quantity in zip(panels, ("power", "torque"), strict=True):
        ends: list[End] = []
        for curve in (c for id in look.ids for c in dyno.curves if c.quantity == quantity and c.configuration == id):
            id, mean = curve.configuration, shown(curve.mean, quantity, result)
            panel.plot(dyno.speeds, mean, color=look.colour(id), ls=look.dash(id))
            if curve.low is not None and curve.high is not None:
                low, high = (shown(limit, quantity, result) for limit in (curve.low, curve.high))
                panel.fill_between(dyno.speeds, low, high, color=look.colour(id), alpha=0.14, lw=0)
            ends += end_of(mean, id, result, look)
        panel.set_xlabel("Engine speed [rpm]")
        panel.set_ylabel(axis_label(quantity.capitalize(), quantity, result))
        panel.grid()
        panel.margins(x=0.0)
    end_labels(panels[1], ends, 0.16)  # the same lines in both panels
    return figure


@styled
def dyno_difference_figure(result: ReportResult, dyno: DynoResult, finding: str) -> Figure:
    """Draw the difference of power from the baseline by engine speed, one panel per configuration."""
    look = Look(result)
    curves = [curve for curve in dyno.differences if curve.quantity == "power"]
    rows = -(-len(curves) // 2)
    figure = new_figure(0.5 + 1.6 * rows)
    title(figure, finding)
    panels = figure.subplots(rows, min(2, len(curves)), sharex=True, sharey=True, squeeze=False).ravel()
    for panel in panels[len(curves) :]:
        panel.set_visible(False)
    for panel, curve in zip(panels, curves, strict=False):
        colour = look.colour(curve.candidate)
        low, high = (shown(limit, "power", result) for limit in (curve.low, curve.high))
        if np.isfinite(low).any():
            panel.fill_between(dyno.speeds, low, high, color=colour, alpha=0.16, lw=0)
        panel.plot(dyno.speeds, shown(curve.difference, "power", result), color=colour)
        panel.axhline(0.0, color=GREY, lw=0.8)
        panel.set_title(
            f"{result.name_of(curve.candidate)} ({curve.n_candidate} / {curve.n_baseline} pulls)",
            loc="left",
            color=colour,
        )
        panel.set_xlabel("Engine speed [rpm]")
        panel.grid(axis="y")
        panel.margins(x=0.0)
    panels[0].set_ylabel(axis_label("Difference of power", "power", result))
    return figure


@styled
def restriction_figure(result: ReportResult, curves: RestrictionSet, finding: str) -> Figure:
    """Draw measured points of restriction against airflow with the fitted power laws and the common airflow."""
    look = Look(result)
    figure = new_figure(2.6)
    title(figure, finding)
    panel = figure.subplots()
    ends: list[End] = []
    for fit in sorted(curves.fits, key=lambda f: look.rank[f.configuration]):
        id, flow = fit.configuration, np.linspace(fit.lowest, fit.highest, 60)
        law = shown(fit.coefficient * flow**fit.exponent, "restriction", result)
        panel.plot(shown(flow, "volume_flow", result), law, color=look.colour(id), ls=look.dash(id))
        flows, drops = zip(*fit.points, strict=True)
        measured = (shown(flows, "volume_flow", result), shown(drops, "restriction", result))
        panel.plot(*measured, ls="none", marker=look.marker(id), ms=4.5, color=look.colour(id))
        ends += end_of(law, id, result, look)
    if curves.airflow is not None:
        at = float(to_display(curves.airflow, "volume_flow", result.units))
        panel.axvline(at, color=GREY, lw=0.7, ls=(0, (1, 2)))
    panel.set_xlabel(axis_label("Airflow", "volume_flow", result))
    panel.set_ylabel(axis_label("Restriction", "restriction", result))
    panel.set_xlim(left=0.0)
    panel.set_ylim(bottom=0.0)
    panel.grid()
    end_labels(panel, ends)
    return figure


@styled
def photos_figure(result: ReportResult, photos: Mapping[str, Image]) -> Figure:
    """Place photographs of configurations side by side, three in a row, each under its name in its colour."""
    look = Look(result)
    rows = -(-len(photos) // PHOTOS_IN_A_ROW)
    figure = new_figure(2.0 * rows)
    panels = figure.subplots(rows, PHOTOS_IN_A_ROW, squeeze=False).ravel()
    for panel in panels:
        panel.axis("off")
    for panel, (id, photo) in zip(panels, photos.items(), strict=False):
        panel.imshow(np.asarray(photo), interpolation="none")
        panel.set_title(wrapped(result.name_of(id), 26), loc="left", color=look.colour(id))
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
    figure = new_figure(min(3.0, 1.3 + WIDTH * ratio))
    title(figure, finding)
    panel = figure.subplots()
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
    panel.plot(np.interp(stops, path.s, x), np.interp(stops, path.s, y), ls="none", marker="^", ms=3, color="#333333")
    panel.plot(x[0], y[0], marker="o", mfc="white", color="#333333", ms=5)
    panel.annotate("Start", (x[0], y[0]), xytext=(7, 0), textcoords="offset points", va="center", fontsize=8.0)
    one = 1.0 / float(to_display(1.0, "distance", result.units))  # m in one unit of the reader
    length = max((n for n in SCALE if n * one <= 0.2 * float(np.ptp(x))), default=SCALE[0])
    left, bottom = float(np.max(x)) - length * one, float(np.min(y)) - 0.06 * float(np.ptp(x))
    panel.plot([left, left + length * one], [bottom, bottom], color="#333333", lw=2.0, solid_capstyle="butt")
    unit = formatting.unit_of("distance", result.units)
    panel.annotate(f"{length:g} {unit}", (left, bottom), xytext=(0, 4), textcoords="offset points", fontsize=7.5)
    north = 0.05 * float(np.ptp(x)) * np.array([across[1], up[1]])
    foot = (left - 0.09 * float(np.ptp(x)), bottom)
    panel.annotate(
        "", (foot[0] + north[0], foot[1] + north[1]), foot, arrowprops={"arrowstyle": "->", "color": "#333333"}
    )
    panel.annotate("N", foot, xytext=(-8, -4), textcoords="offset points", fontsize=7.5)
    panel.set_aspect("equal", adjustable="datalim")
    panel.axis("off")
    return figure
