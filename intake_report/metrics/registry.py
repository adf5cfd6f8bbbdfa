"""The registry of metrics: one spec and one pure function each; missing channels and short data are handled here."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from intake_report.messages import Part, message
from intake_report.metrics.series import Bools, Floats, RunSeries
from intake_report.results import GROUPS, MetricKey, MetricResult, MetricSpec, Parameter

OWN = "definition of this report; no standard for road tests of intake air temperature is known to its authors"
CLOSER = ("closer to ambient", "further from ambient")
FASTER = ("faster", "slower")

Event = Literal["entry", "phases", "stops"]

# what `needs` may ask of the engine's operating points, in words
ENGINE_LABELS = {"maf": "airflow", "pressure_ratio": "manifold and barometric pressure", "timing": "spark advance"}
NOT_REACHED = message("not reached within the run", "not-reached")
WITHIN = message("already within the margin at the highway entry, so that there is nothing to recover from", "within")


@dataclass(frozen=True)
class Reading:
    """What a metric function returns, (...) one value per draw [internal unit].

    `reached` is False where it is censored and `value` its bound; `within` True where it was reached before it began to be
    watched for: sooner than any value. `time` [s] is that of the nominal value, `note` what a reader must know about it.
    """

    value: Floats
    reached: Bools | bool = True
    within: Bools | bool = False
    time: float | None = None
    note: Part = ""


class Missing(Exception):
    """A metric that cannot be computed, with the reason; see `messages.message` for the arguments."""

    def __init__(self, template: str, /, code: str, **values: Part) -> None:
        super().__init__(template)
        self.reason = message(template, code, **values)


MetricFunction = Callable[[RunSeries, Parameter], Reading]


@dataclass(frozen=True)
class Metric:
    """A spec with its function; `events` are the times that the value hangs on.

    Readings with an uncertainty may be put through it where it is `assessed`: not where the value rests on the bare reading or
    on channels of the engine.
    """

    spec: MetricSpec
    function: MetricFunction
    events: tuple[Event, ...] = ()
    assessed: bool = True


REGISTRY: dict[str, Metric] = {}
USUAL: dict[str, Any] = {
    "quantity": "temperature_difference", "better": "lower", "decimals": 1, "source": OWN, "needs": ("over-ambient",), "least": 2,
}  # fmt: skip


def metric(
    title: str,
    words: tuple[str, str],
    *,
    definition: Part = "",
    values: Mapping[str, Part] | None = None,
    events: tuple[Event, ...] = (),
    assessed: bool = True,
    **more: Any,
) -> Callable[[MetricFunction], MetricFunction]:
    """Register a metric function, its docstring as definition; see `USUAL`, `MetricSpec` and `Metric`."""

    def register(function: MetricFunction) -> MetricFunction:
        id, text = function.__name__, " ".join((function.__doc__ or "").split())
        said = definition or (message(text, "", **values) if values else text)
        spec = MetricSpec(id=id, title=title, definition=said, words=words, **(USUAL | more))
        REGISTRY[id] = Metric(spec, function, events, assessed)
        return function

    return register


def reading(value: Floats | float, note: Part = "") -> Reading:
    """Return an uncensored reading."""
    return Reading(np.asarray(value, dtype=np.float64), note=note)


def over_ambient(series: RunSeries) -> Floats:
    """Return the over-ambient temperature of a series that has one, as the registry has checked."""
    over = series.over
    assert over is not None
    return over


def place(series: RunSeries, time: float) -> float | None:
    """Return the route distance at a time [m]; None off the route."""
    distance = float(np.interp(time, series.time, series.distance))
    return distance if np.isfinite(distance) else None


def peak(series: RunSeries, values: Floats) -> Reading:
    """Return the highest value with the time of the first row's."""
    index = int(np.argmax(values.reshape(-1, values.shape[-1])[0]))
    return Reading(values.max(axis=-1), time=float(series.time[index]))


def _found(key: MetricKey, series: RunSeries) -> Reading:
    """Return a metric of a series that has what it needs; else raise `Missing`."""
    recorded = series.engine.channels if series.engine is not None else {}
    for name in key.spec.needs:
        if name in ENGINE_LABELS and name not in recorded:
            template = "the run lacks one of the channels {channels}, engine speed and calculated load"
            raise Missing(template, "no-channel", channels=ENGINE_LABELS[name])
    if series.time.size == 0:
        raise Missing("the run has no intake air temperature channel", "no-iat")
    if "over-ambient" in key.spec.needs and series.ambient is None:
        raise Missing("no ambient temperature was recorded for this run", "no-ambient")
    if series.time.size < key.spec.least:
        template = "the run has {found} intake air temperature samples, {least} are needed"
        raise Missing(template, "few-samples", found=int(series.time.size), least=key.spec.least)
    return REGISTRY[key.spec.id].function(series, key.parameter)


def evaluate(key: MetricKey, series: RunSeries) -> MetricResult:
    """Compute one metric of one run, `series` without leading axes; never NaN: what cannot be computed has its reason."""
    identity = (key.key, series.run, series.configuration, series.block)
    try:
        found = _found(key, series)
        value = float(found.value)
        if not np.isfinite(value):
            raise Missing("the value is not a finite number", "not-finite")
    except Missing as missing:
        return MetricResult(*identity, "not computed", reason=missing.reason)
    if bool(found.within):
        return MetricResult(*identity, "within at entry", bound=0.0, reason=WITHIN, note=found.note)
    if not bool(found.reached):
        return MetricResult(*identity, "not reached", bound=value, reason=NOT_REACHED, note=found.note)
    where = None if found.time is None else place(series, found.time)
    return MetricResult(*identity, "ok", value=value, time=found.time, distance=where, note=found.note)


def evaluate_draws(key: MetricKey, series: RunSeries) -> Floats | None:
    """Compute one metric of m draws of one run, whose readings have one leading axis.

    Returns (m,): +inf where not reached, −inf where within at entry, NaN where there is none; None when the metric cannot be
    computed at all.
    """
    try:
        found = _found(key, series)
    except Missing:
        return None
    values = np.where(found.within, -np.inf, np.where(found.reached, found.value, np.inf))
    return np.broadcast_to(values, series.iat.shape[:-1]) if values.ndim == 0 else values


def keys(margins: tuple[float, ...], phases: tuple[tuple[str, str], ...], limit: float | None) -> tuple[MetricKey, ...]:
    """Return every metric with every margin [K], phase (id, name) and alarm limit [°C], group by group."""
    parameters: dict[str, list[Parameter]] = {
        "none": [Parameter()],
        "margin": [Parameter("margin", f"{margin:.2f}K", margin) for margin in margins],
        "phase": [Parameter("phase", id, label=name) for id, name in phases],
        "limit": [Parameter("limit", f"{limit:.1f}C", limit)] if limit is not None else [],
    }
    ordered = sorted(REGISTRY.values(), key=lambda m: list(GROUPS).index(m.spec.group))
    return tuple(MetricKey(m.spec, p) for m in ordered for p in parameters[m.spec.parameter])
