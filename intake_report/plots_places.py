"""Figures by place; like `plots`, they compute nothing and set no global state."""

from __future__ import annotations

from typing import TYPE_CHECKING

from intake_report.plots import _axis_label, _figure, _legend, _Look, _phase_names, _phases, _shown, styled
from intake_report.results import ReportResult
from intake_report.results.places import Places

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@styled
def places_figure(result: ReportResult, places: Places) -> Figure:
    """Draw the configurations by place: mean of the runs with their range, the peak of each run, and the stops below."""
    look = _Look(result)
    figure = _figure(4.2)
    panel, stops = figure.subplots(2, 1, sharex=True, height_ratios=(4, 1))
    _phases(panel, result)
    x = _shown(places.centres, "distance", result)
    for curve in places.curves:
        colour = look.colour(curve.configuration)
        low, high = (_shown(values, places.quantity, result) for values in (curve.low, curve.high))
        panel.fill_between(x, low, high, color=colour, alpha=0.15, lw=0)
        panel.plot(
            x,
            _shown(curve.mean, places.quantity, result),
            color=colour,
            ls=look.dash(curve.configuration),
            label=result.name_of(curve.configuration),
        )
    of_run = {run.id: run.configuration for run in result.runs}
    for peak in places.peaks:
        configuration = of_run[peak.run]
        panel.plot(
            _shown((peak.distance,), "distance", result),
            _shown((peak.value,), places.quantity, result),
            ls="none",
            marker=look.marker(configuration),
            ms=4.5,
            mfc="white",
            color=look.colour(configuration),
        )
    title = "Over-ambient" if places.quantity == "temperature_difference" else "Intake air temperature"
    panel.set_ylabel(_axis_label(title, places.quantity, result))
    panel.grid(axis="y")
    panel.set_xlim(float(x[0]), float(x[-1]))
    _phase_names(panel, result)
    _stops(stops, result, places)
    _legend(figure, panel)
    return figure


def _stops(panel: Axes, result: ReportResult, places: Places) -> None:
    for place in places.stops:
        at = float(_shown((place.distance,), "distance", result)[0])
        panel.vlines(at, 0.0, 100.0 * place.share, color="#555555", lw=1.6)
    panel.set_ylim(0.0, 105.0)
    panel.set_ylabel("Stopped [% of runs]")
    panel.yaxis.label.set_fontsize(7.2)
    panel.grid(axis="y")
    panel.set_xlabel(_axis_label("Route distance", "distance", result))
