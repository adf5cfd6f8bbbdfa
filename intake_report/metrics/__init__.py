"""Pure metric functions and their registry."""

from intake_report.metrics import engine, recovery, road, soak  # noqa: F401 - they register their metrics
from intake_report.metrics.pulls import PULL_METRICS
from intake_report.metrics.registry import REGISTRY, Metric, Missing, Reading, evaluate, evaluate_draws, keys
from intake_report.metrics.series import (
    EngineSamples,
    OperatingPoints,
    RunSeries,
    Span,
    distance_weights,
    first_below,
    shared_points,
    slope,
    weights,
)
from intake_report.metrics.soak import half_falls, soaking_stops, stop_rates, stop_rises
from intake_report.metrics.steps import Nodes, find_nodes, rebuild

__all__ = [
    "PULL_METRICS",
    "REGISTRY",
    "EngineSamples",
    "Metric",
    "Missing",
    "Nodes",
    "OperatingPoints",
    "Reading",
    "RunSeries",
    "Span",
    "distance_weights",
    "evaluate",
    "evaluate_draws",
    "find_nodes",
    "first_below",
    "half_falls",
    "keys",
    "rebuild",
    "shared_points",
    "slope",
    "soaking_stops",
    "stop_rates",
    "stop_rises",
    "weights",
]
