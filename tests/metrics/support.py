"""Series with known answers."""

from typing import Any

import numpy as np

from intake_report.analyse.uncertainty.sources import perturbed, prepare
from intake_report.messages import said
from intake_report.metrics import REGISTRY, RunSeries, Span, evaluate, evaluate_draws, find_nodes, rebuilt
from intake_report.results import MetricKey, MetricResult, Parameter


def series(time: Any, iat: Any, ambient: Any = 20.0, **more: Any) -> RunSeries:
    """Return a run on the route at 20 m/s."""
    time, iat = np.asarray(time, dtype=float), np.asarray(iat, dtype=float)
    given = None if ambient is None else np.broadcast_to(np.asarray(ambient, dtype=float), iat.shape).copy()
    return RunSeries("run-1", "stock", "day-1", time, iat, given, 20.0 * time, **more)


def value(id: str, run: RunSeries, **parameter: Any) -> MetricResult:
    """Return one metric of one run."""
    spec = REGISTRY[id].spec
    kind = spec.parameter
    return evaluate(MetricKey(spec, Parameter(kind, **parameter) if kind != "none" else Parameter()), run)


def reason(result: MetricResult) -> str:
    """Return why a metric has no value, as a reader of metric units sees it."""
    return said(result.reason, "si").replace("\N{NO-BREAK SPACE}", " ")


def rebuild(time: Any, reading: Any, step: float | None, *more: Any, **named: Any) -> np.ndarray:
    """Return the temperature of a reading with steps; further arguments as of `find_nodes`."""
    return rebuilt(find_nodes(time, reading, step, *more, **named), time, reading, step)


def in_steps(time: np.ndarray, air: np.ndarray, stops=(), corners=(), lag: float = 0.0, **more: Any) -> RunSeries:
    """Return a run whose readings are rounded to 1 K, with its temperature rebuilt from them."""
    reading = np.round(air)
    iat = rebuild(time, reading, 1.0, stops, corners, lag)
    return series(time, iat, **{"stops": stops, "reading": reading, "step": 1.0, "lag": lag, **more})


def steps_draws(run: RunSeries, keys: Any, rng: np.random.Generator, m: int, bias: Any = None) -> dict[str, np.ndarray]:
    """Return draws of metrics within the steps of the reading, and a bias, about their values as reported."""
    readings = prepare(run, 1.0)
    shift = np.zeros(m) if bias is None else bias
    some = perturbed(readings, {"reading": shift}, rng.uniform(-1.0, 1.0, (m, readings.errors)))
    plain = perturbed(readings, {"reading": np.zeros(1)})
    return {k.key: evaluate_draws(k, some) + evaluate(k, run).value - evaluate_draws(k, plain)[0] for k in keys}


def recovery(run: RunSeries, margin: float) -> MetricResult:
    return value("recovery_time", run, key=f"{margin:.2f}K", number=margin)


def decay(
    rise: float, tau: float, *, ambient: float = 20.0, step: float = 1.0, end: float = 400.0, before: float = 20.0
) -> tuple[np.ndarray, np.ndarray]:
    """Return time and air temperature: constant before the entry at 0 s, an exponential recovery after it."""
    time = np.arange(-before, end + step / 2, step)
    return time, ambient + rise * np.exp(-np.maximum(time, 0.0) / tau)


def entered(time: np.ndarray, iat: np.ndarray, ambient: Any = 20.0, **more: Any) -> RunSeries:
    """Return a run that enters the highway at 0 s and stays on it."""
    return series(time, iat, ambient, **{"entry": 0.0, "entry_end": float(time[-1]), **more})


def stopped(time: np.ndarray, iat: np.ndarray) -> RunSeries:
    """Return a run that stands still all the time."""
    return series(time, iat, stops=(Span(float(time[0]), float(time[-1])),))
