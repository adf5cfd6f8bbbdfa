"""Pure metric functions and their registry."""

from intake_report.metrics.registry import REGISTRY, Metric, Missing, Reading, evaluate, keys
from intake_report.metrics.road import soaking_stops, stop_rate, stop_rise
from intake_report.metrics.series import RunSeries, Span, first_below, rebuild, slope, weights

__all__ = [
    "REGISTRY",
    "Metric",
    "Missing",
    "Reading",
    "RunSeries",
    "Span",
    "evaluate",
    "first_below",
    "keys",
    "rebuild",
    "slope",
    "soaking_stops",
    "stop_rate",
    "stop_rise",
    "weights",
]
