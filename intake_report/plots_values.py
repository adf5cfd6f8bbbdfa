"""Figures of values, by place, time and run, and of budgets, acceptance, air, dyno, restriction; like `plots`, they compute nothing."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from intake_report import formatting, plots
from intake_report.bench import RestrictionSet
from intake_report.dyno import DynoResult
from intake_report.plots import GREY, STOP, Look, axis_label, drawing, legend, name_axes, phases, shown, styled, wrapped
from intake_report.report_table import rows_of
from intake_report.results import BudgetRow, MetricKey, ReportResult
from intake_report.results.evidence import AirEvidence, Places
from intake_report.results.text import difference_quantity, metric_title
from intake_report.units import to_display

NAMED = 3  # configurations that have room for their names below a panel
CARET_UP = 6  # matplotlib's caret that points upwards, its tip on the value
ARROW_UP = ((0.0, -1.0), (0.0, 1.0), (-0.6, 0.3), (0.0, 1.0), (0.6, 0.3))  # outlines: letters would be set as formulas
ARROW_DOWN = tuple((x, -y) for x, y in ARROW_UP)
SHARED: dict[str, Any] = {
    "color": "#ececec", "edgecolor": "#bbbbbb", "label": "same in all runs: cancels in a difference of temperatures",
}  # fmt: skip
OWN: dict[str, Any] = {"color": plots.COLOURS[2], "label": "each run its own"}
DELTA = "temperature_difference"
READABLE = 4.0  # height of the axis of recovery in largest margins
MARGIN: dict[str, Any] = {"color": GREY, "lw": 0.7, "ls": (0, (1, 2))}


@styled
def route_figure(result: ReportResult, finding: str) -> Figure:
    """Draw intake air temperature and ambient against route distance, one panel per configuration."""
    groups = list(plots.by_configuration(result.route_curves, result))
    look, figure, axes = drawing(result, 1.0 + 1.6 * len(groups), finding, len(groups), sharex=True, sharey=True)
    for panel, (id, curves) in zip(axes, groups, strict=True):
        phases(panel, result, 14 if panel is axes[0] else None)
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


@styled
def places_figure(result: ReportResult, places: Places, finding: str) -> Figure:
    """Draw the configurations by place: mean of the runs with their range, the peak of each run, and the stops below."""
    look, figure, (panel, stops) = drawing(result, 4.4, finding, 2, sharex=True, height_ratios=(4, 1))
    _by_place(panel, result, places, look, ranges=True)
    of_run = {run.id: run.configuration for run in result.runs}
    for peak in rows_of(places.peaks):
        at, value = shown((peak.distance,), "distance", result), shown((peak.value,), places.quantity, result)
        id = of_run[peak.run]
        panel.plot(at, value, ls="none", marker=look.marker[id], ms=4.5, mfc="white", color=look.colour[id])
    for place in rows_of(places.stops):
        stops.vlines(shown((place.distance,), "distance", result), 0.0, 100.0 * place.share, color=GREY, lw=1.6)
    stops.set_ylim(0.0, 105.0)
    name_axes(stops, axis_label("Route distance", "distance", result), "Stopped [% of runs]")
    stops.yaxis.label.set_fontsize(7.2)
    return figure


def _by_place(panel: Axes, result: ReportResult, places: Places, look: Look, *, ranges: bool = False) -> None:
    """Draw the mean of each configuration along the route, with the range of its runs where asked for."""
    phases(panel, result)
    x = shown(places.centres, "distance", result)
    ends: dict[str, np.ndarray] = {}
    for curve in rows_of(places.curves):
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
def decision_figure(result: ReportResult, finding: str) -> Figure:
    """Draw all configurations along the route with stops, and every fall after the highway entry with the margins."""
    places = result.places
    look, figure, panels = drawing(result, 4.3, finding, (places is not None) + bool(result.recovery_curves))
    if places is not None:
        panel = panels.pop(0)
        _by_place(panel, result, places, look)
        panel.set_xlabel(axis_label("Route distance", "distance", result))
        stops = shown(places.stops["distance"], "distance", result)
        panel.plot(stops, 0.0 * stops, transform=panel.get_xaxis_transform(), clip_on=False, color=GREY, **STOP)
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


def _margins(result: ReportResult) -> list[tuple[MetricKey, float]]:
    """Return the margins of recovery, each with its height on the axis."""
    keys = [key for key in plots.keys_of(result, "recovery_time") if key.parameter.number is not None]
    return [(key, float(to_display(key.parameter.number or 0.0, DELTA, result.units))) for key in keys]


@styled
def dots_figure(result: ReportResult, keys: Sequence[MetricKey], finding: str) -> Figure:
    """Draw each run's value as a dot and each configuration's mean as a bar, one panel per metric, under its finding."""
    columns, rows = min(3, len(keys)), -(-len(keys) // 3)
    look, figure, panels = drawing(result, 0.6 + 2.0 * rows, finding, rows, columns, len(keys))
    for panel, key in zip(panels, keys, strict=False):
        _dots(panel, key, result, look)
        if len(look.ids) <= NAMED:  # names below the marks; more would overlap
            panel.set_xticks(range(len(look.ids)), [wrapped(result.name_of(id), 11) for id in look.ids])
            panel.tick_params(axis="x", labelsize=7.0)
            for label, id in zip(panel.get_xticklabels(), look.ids, strict=True):
                label.set_color(look.colour[id])
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
        spread = np.linspace(-0.16, 0.16, len(reached)) if len(reached) > 1 else np.zeros(len(reached))
        style: dict[str, Any] = {"ls": "none", "color": look.colour[id], "ms": 4.5}
        name = result.name_of(id)
        panel.plot(position + spread, shown(reached, quantity, result), marker=look.marker[id], label=name, **style)
        # an open arrow at the bound: a value not reached lies above it, one within at the entry was so before it was timed
        for status, arrow in (("not reached", ARROW_UP), ("within at entry", ARROW_DOWN)):
            bounds = [v.bound for v in values if v.status == status]
            panel.plot([position] * len(bounds), shown(bounds, quantity, result), marker=arrow, **(style | {"ms": 8}))
        for x, v in zip(position + spread, (v for v in values if v.value is not None), strict=True):
            if v.low is None:
                continue
            start, stop = shown((v.low, top if v.high is None else v.high), quantity, result)
            panel.vlines(x, start, stop, color=look.colour[id], lw=0.7)
            if v.high is None:  # a caret, not the arrow of a run that did not reach the margin
                panel.plot(x, stop, marker=CARET_UP, color=look.colour[id], ms=4, ls="none")
        mean = result.summary(key.key, id).mean
        if mean is not None:
            level = float(to_display(mean, quantity, result.units))
            panel.hlines(level, position - 0.3, position + 0.3, color=look.colour[id], lw=1.4)
    panel.set_xlim(-0.42, len(look.ids) - 0.58)  # wide apart: names of neighbours must not touch
    panel.set_xticks([])
    panel.set_title(wrapped(metric_title(key, result.units), 30), loc="left", fontsize=8.2)
    name_axes(panel, y=f"[{formatting.unit_of(quantity, result.units)}]")
    panel.margins(y=0.15)


@styled
def difference_figure(result: ReportResult, keys: Sequence[MetricKey], finding: str) -> Figure:
    """Draw the differences from the baseline with their intervals, one panel per quantity."""
    rows_shown = [c for c in result.comparisons if c.difference is not None and any(k.key == c.key for k in keys)]
    of = {c.key: difference_quantity(result.metric(c.key)) for c in rows_shown}
    quantities = list(dict.fromkeys(of.values()))
    groups = [[c for c in rows_shown if of[c.key] == quantity] for quantity in quantities]
    rows = [list(dict.fromkeys(c.key for c in group)) for group in groups]
    height = 1.0 + sum(0.5 + 0.34 * len(r) for r in rows)
    look, figure, axes = drawing(result, height, finding, len(groups), height_ratios=[len(r) + 1 for r in rows])
    for panel, group, keys_here, quantity in zip(axes, groups, rows, quantities, strict=True):
        present = [id for id in look.ids if any(c.configuration == id for c in group)]
        for c in group:
            id, (difference, low, high) = c.configuration, shown((c.difference, c.low, c.high), quantity, result)
            lane = (len(present) - 1) / 2.0 - present.index(id)  # above or below the middle of its row
            row, colour = len(keys_here) - 1 - keys_here.index(c.key) + 0.24 * lane, look.colour[id]
            if bounded := np.isfinite(low) and np.isfinite(high):
                panel.hlines(row, low, high, color=colour, lw=1.3)
            style: dict[str, Any] = {"ls": "none", "marker": look.marker[id], "mfc": colour if bounded else "white"}
            panel.plot(difference, row, ms=5, label=result.name_of(id), color=colour, **style)
        names = [wrapped(metric_title(result.metric(key), result.units), 34) for key in keys_here]
        panel.set_yticks(range(len(keys_here)), list(reversed(names)))
        panel.set_ylim(-0.6, len(keys_here) - 0.4)
        panel.axvline(0.0, color=GREY, lw=0.8)
        name_axes(panel, x=axis_label(f"Difference from {result.baseline.name}", quantity, result), grid="x")
    legend(figure, *axes)
    return figure


@styled
def budget_figure(result: ReportResult, parts: Sequence[tuple[MetricKey, Sequence[BudgetRow]]], finding: str) -> Figure:
    """Draw what each source contributes to one run's value, one panel per metric; faint: common to all runs, so that it cancels.

    Sources below a fiftieth of the largest in every panel are left out.
    """
    most = {key.key: max((row.u or 0.0 for row in rows), default=0.0) for key, rows in parts}
    seen = {row.source for key, rows in parts for row in rows if row.u and row.u >= 0.02 * most[key.key]}
    sources = [s for s in result.uncertainty.sources if s.name in seen]
    columns, lines = min(3, len(parts)), -(-len(parts) // 3)
    height = 0.7 + lines * (0.65 + 0.21 * len(sources))
    _, figure, panels = drawing(result, height, finding, lines, columns, len(parts), sharey=True)
    for panel, (key, rows) in zip(panels, parts, strict=True):
        quantity = difference_quantity(key)
        widths = {row.source: row.u for row in rows}
        for position, source in enumerate(reversed(sources)):
            width = shown([widths.get(source.name)], quantity, result)
            panel.barh(position, width, height=0.62, lw=0.7, **(SHARED if source.common else OWN))
        panel.set_yticks(range(len(sources)), [wrapped(s.name, 24) for s in reversed(sources)])
        panel.tick_params(axis="y", labelsize=7.2)
        panel.set_title(wrapped(metric_title(key, result.units), 24), loc="left", fontsize=8.0)
        name_axes(panel, f"[{formatting.unit_of(quantity, result.units)}]", grid="x")
    legend(figure, panels[0])
    return figure


@styled
def acceptance_figure(result: ReportResult, finding: str) -> Figure:
    """Draw all runs against all acceptance criteria at a glance, under what they came to."""
    runs = [run.id for run in result.runs]
    criteria = list(dict.fromkeys((c.code, c.title) for c in rows_of(result.criteria)))
    titles = [wrapped(title, 26) for _, title in criteria]
    _, figure, (panel,) = drawing(result, 2.1 + 0.2 * len(runs), finding)
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
    panel.set(xlim=(-0.6, len(criteria) - 0.4), ylim=(-0.7, len(runs) - 0.3))
    panel.spines[["left", "bottom"]].set_visible(False)
    panel.tick_params(length=0)
    panel.grid(axis="y", lw=0.4)
    return figure


@styled
def common_drive_figure(result: ReportResult) -> Figure:
    """Draw the over-ambient temperature that the models give on the common drive, a line per configuration."""
    assert result.common_drive is not None
    look, figure, (panel,) = drawing(result, 2.6, "")
    for curve in result.common_drive.curves:
        id, y = curve.configuration, shown(curve.y, "temperature_difference", result)
        panel.plot(curve.x, y, color=look.colour[id], ls=look.dash[id], label=result.name_of(id))
    name = axis_label("Over-ambient (model)", "temperature_difference", result)
    name_axes(panel, "Time on the common drive [s]", name)
    legend(figure, panel)
    return figure


@styled
def mass_figure(result: ReportResult, air: AirEvidence, finding: str) -> Figure:
    """Draw the mass of air in the volume against its temperature, with ambient and the configurations on the curve."""
    look, figure, (panel,) = drawing(result, 3.2, finding)
    panel.plot(shown(air.temperatures, "temperature", result), air.masses, color="#8a8a8a", lw=1.0)
    marks = [(float(to_display(air.ambient, "temperature", result.units)), air.ambient_mass, "_", GREY, "Ambient air")]
    for point in rows_of(air.points):
        at, name = float(to_display(point.iat, "temperature", result.units)), result.name_of(point.configuration)
        marks.append((at, point.mass, look.marker[point.configuration], look.colour[point.configuration], name))
    for at, mass, marker, colour, name in marks:
        panel.plot(at, mass, marker=marker, color=colour, ms=11 if marker == "_" else 6, mew=1.6, ls="none")
        panel.annotate(name, (at, mass), xytext=(7, 5), textcoords="offset points", fontsize=7.5, color=colour)
    whole = air.ambient_mass / 100.0  # g for each percent
    share = panel.secondary_yaxis("right", functions=(lambda m: np.asarray(m) / whole, lambda p: np.asarray(p) * whole))
    share.set_ylabel("Share of ambient [%]")
    share.spines["right"].set_visible(True)
    name_axes(panel, axis_label("Temperature of the air", "temperature", result), "Mass of air [g]", grid="both")
    panel.margins(x=0.0)
    return figure


@styled
def dyno_figure(result: ReportResult, dyno: DynoResult, finding: str) -> Figure:
    """Draw the mean curves of power and torque with their pointwise bands."""
    look, figure, panels = drawing(result, 2.7, finding, 1, 2, sharex=True)
    for panel, quantity in zip(panels, ("power", "torque"), strict=True):
        ends: dict[str, np.ndarray] = {}
        for curve in (c for id in look.ids for c in dyno.curves if c.quantity == quantity and c.configuration == id):
            id, mean = curve.configuration, shown(curve.mean, quantity, result)
            panel.plot(dyno.speeds, mean, color=look.colour[id], ls=look.dash[id])
            if curve.low is not None and curve.high is not None:
                low, high = (shown(limit, quantity, result) for limit in (curve.low, curve.high))
                panel.fill_between(dyno.speeds, low, high, color=look.colour[id], alpha=0.14, lw=0)
            ends[id] = mean
        name_axes(panel, "Engine speed [rpm]", axis_label(quantity.capitalize(), quantity, result), grid="both")
        panel.margins(x=0.0)
    plots.end_labels(panels[1], ends, result, look, 0.16)  # the same lines in both panels
    return figure


@styled
def dyno_difference_figure(result: ReportResult, dyno: DynoResult, finding: str) -> Figure:
    """Draw the difference of power from the baseline by engine speed, one panel per configuration."""
    curves = [curve for curve in dyno.differences if curve.quantity == "power"]
    grid = -(-len(curves) // 2), min(2, len(curves))
    look, figure, panels = drawing(result, 0.5 + 1.6 * grid[0], finding, *grid, len(curves), sharex=True, sharey=True)
    for panel, curve in zip(panels, curves, strict=False):
        colour = look.colour[curve.candidate]
        low, high = (shown(limit, "power", result) for limit in (curve.low, curve.high))
        if np.isfinite(low).any():
            panel.fill_between(dyno.speeds, low, high, color=colour, alpha=0.16, lw=0)
        panel.plot(dyno.speeds, shown(curve.difference, "power", result), color=colour)
        panel.axhline(0.0, color=GREY, lw=0.8)
        title = f"{result.name_of(curve.candidate)} ({curve.n_candidate} / {curve.n_baseline} pulls)"
        panel.set_title(title, loc="left", color=colour)
        name_axes(panel, "Engine speed [rpm]")
        panel.margins(x=0.0)
    panels[0].set_ylabel(axis_label("Difference of power", "power", result))
    return figure


@styled
def restriction_figure(result: ReportResult, curves: RestrictionSet, finding: str) -> Figure:
    """Draw measured points of restriction against airflow with the fitted power laws and the common airflow."""
    look, figure, (panel,) = drawing(result, 2.6, finding)
    ends: dict[str, np.ndarray] = {}
    for fit in sorted(curves.fits, key=lambda f: look.ids.index(f.configuration)):
        id, flow = fit.configuration, np.linspace(fit.lowest, fit.highest, 60)
        law = shown(fit.coefficient * flow**fit.exponent, "restriction", result)
        panel.plot(shown(flow, "volume_flow", result), law, color=look.colour[id], ls=look.dash[id])
        flows, drops = zip(*fit.points, strict=True)
        measured = (shown(flows, "volume_flow", result), shown(drops, "restriction", result))
        panel.plot(*measured, ls="none", marker=look.marker[id], ms=4.5, color=look.colour[id])
        ends[id] = law
    if curves.airflow is not None:
        at = float(to_display(curves.airflow, "volume_flow", result.units))
        panel.axvline(at, color=GREY, lw=0.7, ls=(0, (1, 2)))
    panel.set(xlim=(0.0, None), ylim=(0.0, None))
    names = axis_label("Airflow", "volume_flow", result), axis_label("Restriction", "restriction", result)
    name_axes(panel, *names, "both")
    plots.end_labels(panel, ends, result, look, 0.11)
    return figure
