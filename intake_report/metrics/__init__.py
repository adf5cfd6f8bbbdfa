"""Pure metric functions and their registry."""

from intake_report.metrics import engine, recovery, road, soak  # they register their metrics
from intake_report.metrics.engine import PULL_METRICS
from intake_report.metrics.registry import REGISTRY, evaluate, evaluate_draws, keys
from intake_report.metrics.series import EngineSamples, RunSeries, Span, shared_points
from intake_report.metrics.soak import half_falls, soaking_stops, stop_rates, stop_rises
from intake_report.metrics.steps import find_nodes, rebuilt
