"""The registry of metrics: one spec and one pure function each; missing channels and short data are handled here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from intake_report.metrics.series import Bools, Floats, RunSeries
from intake_report.results import MetricKey, MetricResult, MetricSpec, Parameter, ParameterKind

if TYPE_CHECKING:
    from intake_report.results.types import Better


@dataclass(frozen=True)
class Reading:
    """What a metric function returns.

    Parameters
    ----------
    value : ndarray, (...)
        Value [internal unit], one per draw.
    reached : ndarray of bool, (...)
        False where the value is censored: then `value` is the bound.
    time, distance : float or None
        Place of the nominal value: elapsed time [s], route distance [m].
    """

    value: Floats
    reached: Bools
    time: float | None = None
    distance: float | None = None


@dataclass(frozen=True)
class Missing:
    """A metric that cannot be computed, with the reason."""

    reason: str


MetricFunction = Callable[[RunSeries, Parameter], Reading | Missing]


@dataclass(frozen=True)
class Metric:
    """A spec with its function."""

    spec: MetricSpec
    function: MetricFunction


REGISTRY: dict[str, Metric] = {}


def metric(
    *,
    title: str,
    quantity: str,
    better: Better,
    decimals: int,
    definition: str,
    source: str,
    words: tuple[str, str],
    needs: tuple[str, ...] = ("over-ambient",),
    least: int = 2,
    parameter: ParameterKind = "none",
    headline: bool = False,
) -> Callable[[MetricFunction], MetricFunction]:
    """Register a metric function under its own name; see `MetricSpec` for the arguments."""

    def register(function: MetricFunction) -> MetricFunction:
        id = function.__name__
        spec = MetricSpec(
            id, title, quantity, better, decimals, definition, needs, least, source, words, parameter, headline
        )
        REGISTRY[id] = Metric(spec, function)
        return function

    return register


def reading(value: Floats | float, *, time: float | None = None, distance: float | None = None) -> Reading:
    """Return an uncensored reading."""
    array = np.asarray(value, dtype=np.float64)
    return Reading(array, np.ones(array.shape, dtype=np.bool_), time, distance)


def missing_input(spec: MetricSpec, series: RunSeries) -> str:
    """Return why `spec` cannot be computed from `series`, or an empty text."""
    if series.time.size == 0:
        return "the run has no intake air temperature channel"
    if "over-ambient" in spec.needs and series.ambient is None:
        return "no ambient temperature was recorded for this run"
    if series.time.size < spec.least:
        return f"the run has {series.time.size} intake air temperature samples, {spec.least} are needed"
    return ""


def evaluate(key: MetricKey, series: RunSeries) -> MetricResult:
    """Compute one metric of one run.

    Parameters
    ----------
    key : MetricKey
        Metric with its parameter.
    series : RunSeries
        The run; without leading axes.

    Returns
    -------
    MetricResult
        Never NaN: a value that cannot be computed has a status and a reason.
    """
    identity = (key.key, series.run, series.configuration, series.block)
    reason = missing_input(key.spec, series)
    if reason:
        return MetricResult(*identity, "not computed", reason=reason)
    found = REGISTRY[key.spec.id].function(series, key.parameter)
    if isinstance(found, Missing):
        return MetricResult(*identity, "not computed", reason=found.reason)
    value = float(found.value)
    if not np.isfinite(value):
        return MetricResult(*identity, "not computed", reason="the value is not a finite number")
    if not bool(found.reached):
        return MetricResult(*identity, "not reached", bound=value, reason="not reached within the run")
    return MetricResult(*identity, "ok", value=value, time=found.time, distance=found.distance)


def keys(margins: tuple[float, ...], phases: tuple[tuple[str, str], ...], limit: float | None) -> tuple[MetricKey, ...]:
    """Return every metric with every parameter that the campaign asks for, in registry order.

    Parameters
    ----------
    margins : tuple of float
        Recovery margins [K].
    phases : tuple of (id, name)
        Phases of the route.
    limit : float or None
        Alarm limit [°C].
    """
    parameters: dict[str, list[Parameter]] = {
        "none": [Parameter()],
        "margin": [Parameter("margin", f"{margin:.2f}K", margin) for margin in margins],
        "phase": [Parameter("phase", id, label=name) for id, name in phases],
        "limit": [Parameter("limit", f"{limit:.1f}C", limit)] if limit is not None else [],
    }
    return tuple(MetricKey(m.spec, p) for m in REGISTRY.values() for p in parameters[m.spec.parameter])
