"""Figures compute nothing and set no global state; they draw what the result holds, also when little is there."""

from __future__ import annotations

import ast
from dataclasses import replace

import matplotlib as mpl
import numpy as np
import pytest
from conftest import ROOT

from intake_report import plots, plots_values
from intake_report.results.text import metric_title

FIGURES = {
    "route": lambda result: plots_values.route_figure(result, "Finding"),
    "recovery": lambda result: plots_values.recovery_figure(result, "Finding"),
    "soak": lambda result: plots.heat_soak_figure(result, "Finding"),
    "dots": lambda result: plots_values.dots_figure(result, drawable(result)[:6], "Finding"),
    "differences": lambda result: plots_values.difference_figure(result, compared(result), "Finding"),
}


def drawable(result):
    return [k for k in result.metrics if any(v.status != "not computed" for v in result.of(k.key))]


def compared(result):
    keys = {c.key for c in result.comparisons if c.difference is not None}
    return [k for k in result.metrics if k.spec.headline and k.key in keys]


def texts(figure) -> list[str]:
    return [t.get_text().replace("\n", " ") for t in figure.findobj(mpl.text.Text) if t.get_text()]


@pytest.fixture(params=["demo", "badly_designed"])
def result(request):
    return request.getfixturevalue(request.param).chain.result


@pytest.mark.parametrize("name", FIGURES)
def test_figures_leave_matplotlib_as_it_was_and_say_the_units_of_the_reader(name, result):
    import matplotlib.pyplot as plt

    before, opened = dict(mpl.rcParams), plt.get_fignums()
    figure = FIGURES[name](result)
    assert dict(mpl.rcParams) == before
    assert plt.get_fignums() == opened  # no figure is kept open behind the caller's back
    assert figure.get_axes() and figure.get_suptitle() == "Finding"
    joined = " ".join(texts(figure))
    unit = {"si": ("°C", "K", "km"), "us": ("°F", "mi")}[result.units]
    assert any(f"[{u}" in joined for u in unit) or "[s]" in joined
    if result.units == "us":
        assert "[°C]" not in joined and "[km]" not in joined


WITHOUT_UNITS = {
    "acceptance": lambda result: plots_values.acceptance_figure(result, "Finding"),
    "decision": lambda result: plots_values.decision_figure(result, "Finding"),
    "places": lambda result: plots_values.places_figure(result, result.places, "Finding"),
}


@pytest.mark.parametrize("name", [*FIGURES, *WITHOUT_UNITS])
def test_nothing_written_is_cut_off_or_written_over_the_title(name, result, monkeypatch):
    """Panels are placed from estimates of what is written beside them; 1.5 pt is half of the blank around a drawing."""
    from intake_report.render import figure as drawing

    lines: list[tuple[str, float, float, float, float]] = []  # text, left, top, right, bottom [pt]
    drawn = drawing.RendererSVG.draw_text

    def recorded(self, gc, x, y, s, prop, angle, **more):
        width, height, down = self.get_text_width_height_descent(s, prop, False)
        upright = (x - height + down, y - width, x + down, y) if angle else (x, y - height + down, x + width, y + down)
        lines.append((s, *upright))
        drawn(self, gc, x, y, s, prop, angle, **more)

    monkeypatch.setattr(drawing.RendererSVG, "draw_text", recorded)
    figure = (FIGURES | WITHOUT_UNITS)[name](result)
    drawing.FigureOf(figure, "fig").captioned("", "drawn")
    (foot,) = [bottom for text, *_, bottom in lines if text == "Finding"]
    width, height = (72 * side for side in figure.get_size_inches())
    assert len(lines) > 10
    for text, left, top, right, bottom in lines:
        assert left > -1.5 and right < width + 1.5 and top > -1.5 and bottom < height + 1.5, text
        assert text == "Finding" or top > foot - 1.5, text


def test_route_figure_draws_every_run_in_the_panel_of_its_configuration(demo):
    result = demo.chain.result
    figure = plots_values.route_figure(result, "")
    panels = figure.get_axes()
    assert len(panels) == len(result.configurations) == 3
    for panel, configuration in zip(panels, result.configurations, strict=True):
        assert configuration.name in panel.get_title(loc="left")
        lines = [line for line in panel.get_lines() if line.get_color() != "#7a7a7a"]
        curves = [c for c in result.route_curves if c.configuration == configuration.id]
        assert len(lines) == len(curves) == 3
        for line, curve in zip(lines, curves, strict=True):
            assert line.get_xdata() == pytest.approx(np.array(curve.x) / 1000.0)
            assert line.get_ydata() == pytest.approx(np.array(curve.y, dtype=float), nan_ok=True)
    assert "Route distance [km]" in texts(figure)
    assert {"City", "On-ramp", "Highway"} <= set(texts(figure))


def test_recovery_figure_is_aligned_at_the_entry_and_marks_the_margins(demo):
    result = demo.chain.result
    (panel,) = plots_values.recovery_figure(result, "").get_axes()
    levels = sorted({float(line.get_ydata()[0]) for line in panel.get_lines() if len(set(line.get_ydata())) == 1})
    assert {round(level, 3) for level in levels} >= {1.667, 2.778}
    assert any(list(line.get_xdata()) == [0.0, 0.0] for line in panel.get_lines())
    marks = [line for line in panel.get_lines() if len(line.get_xdata()) == 1]
    keys = [k.key for k in result.metrics if k.spec.id == "recovery_time"]
    reached = sorted(v.value for v in result.values if v.key in keys and v.value is not None)
    assert sorted(float(m.get_xdata()[0]) for m in marks) == pytest.approx(reached)


def test_dots_figure_shows_each_value_once_and_the_means(demo):
    result = demo.chain.result
    keys = drawable(result)[:3]
    for panel, key in zip(plots_values.dots_figure(result, keys, "").get_axes(), keys, strict=False):
        drawn = sorted(float(y) for line in panel.get_lines() for y in np.atleast_1d(line.get_ydata()))
        assert drawn == pytest.approx(sorted(v.value for v in result.of(key.key) if v.value is not None))
        assert metric_title(key, result.units) == panel.get_title(loc="left").replace("\n", " ")


def test_configurations_differ_in_more_than_colour_and_the_baseline_comes_first(demo):
    look = plots.Look(result := demo.chain.result)
    for kind in (look.colour, look.marker, look.dash):
        assert len({str(kind[id]) for id in look.ids}) == 3
    turned = replace(result, configurations=tuple(reversed(result.configurations)))
    assert plots.Look(turned).ids[0] == result.baseline.id


def test_runs_that_did_not_reach_a_margin_are_drawn_as_bounds(demo):
    result = demo.chain.result
    key = next(k for k in result.metrics if k.spec.id == "recovery_time")
    values = tuple(
        replace(v, status="not reached", value=None, bound=240.0) if v.key == key.key and v.block == "day-1" else v
        for v in result.values
    )
    panel = plots_values.dots_figure(replace(result, values=values), [key], "").get_axes()[0]
    arrows = [line for line in panel.get_lines() if line.get_marker() == plots_values.ARROW_UP]
    assert sum(len(line.get_ydata()) for line in arrows) == 3
    assert {float(y) for line in arrows for y in line.get_ydata()} == {240.0}


def test_module_imports_nothing_that_computes():
    """Figures are drawn from results: no statistics, no metrics, no data frame in the module."""
    modules = (ROOT / "intake_report" / f"{name}.py" for name in ("plots", "plots_values"))
    tree = ast.parse("".join(module.read_text("utf-8") for module in modules))
    (drawn_map,) = [node for node in tree.body if isinstance(node, ast.FunctionDef) and node.name == "map_figure"]
    tree.body.remove(drawn_map)  # which turns positions on the page
    names = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.module}
    names |= {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    own = {name.split(".")[1] for name in names if name.startswith("intake_report.")}
    assert own <= {"results", "units", "plots", "report_table", "align", "bench", "dyno"}  # of three the result types
    assert not names & {"pandas", "scipy", "scipy.stats", "statistics", "matplotlib.pyplot"}
    calls = {n.func.attr for n in ast.walk(tree) if isinstance(n, ast.Call) and isinstance(n.func, ast.Attribute)}
    assert not calls & {"mean", "median", "std", "polyfit", "interp", "percentile", "quantile", "gradient"}


def test_a_dollar_in_a_name_is_a_dollar(badly_designed):
    result = badly_designed.chain.result
    names = iter(("Kit at $300, was $400_x", r"$\foo$", "plain"))
    named = replace(result, configurations=tuple(replace(c, name=next(names)) for c in result.configurations))
    figure = plots_values.route_figure(named, "")
    figure.draw_without_rendering()  # mathematics that cannot be read would stop it here
    assert not any(t.get_parse_math() for t in figure.findobj(mpl.text.Text) if "$" in t.get_text())
    assert any(r"$\foo$" in text for text in texts(figure))
