"""Over-ambient temperature along the drive, and how long it is above a level; each metric is a plain function of one run's series and its parameter."""

from __future__ import annotations

import numpy as np

from intake_report.messages import Value
from intake_report.metrics.registry import (
    CLOSER,
    COOLER,
    SHORTER,
    Missing,
    Reading,
    metric,
    missing,
    over_ambient,
    peak,
    reading,
)
from intake_report.metrics.series import Floats, RunSeries, Span, distance_weights, weights
from intake_report.results import Parameter

LEAST_COVERED = 0.8  # of a phase; own choice
SMALLER = ("smaller", "larger")


@metric(
    "Peak intake air temperature",
    "Highest intake air temperature of the run on the route, with its time and route distance.",
    COOLER,
    quantity="temperature",
    needs=("iat",),
)
def peak_iat(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the highest intake air temperature [°C] and where it was."""
    return peak(series, series.iat)


@metric(
    "Peak over-ambient",
    "Largest intake air temperature minus ambient during the run, with its time and route distance.",
    CLOSER,
    headline=True,
)
def peak_over_ambient(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the largest over-ambient temperature [K] and where it was."""
    return peak(series, over_ambient(series))


@metric(
    "Mean over-ambient, {parameter}",
    "Time-weighted mean of intake air temperature minus ambient while the run is in the phase.",
    CLOSER,
    parameter="phase",
    headline=True,
    events=("phases",),
)
def mean_over_ambient(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the time-weighted mean over-ambient temperature [K] in one phase."""
    weight = _phase_weights(series, parameter)
    if isinstance(weight, Missing):
        return weight
    return reading(over_ambient(series) @ weight / weight.sum())


def _phase_weights(series: RunSeries, parameter: Parameter) -> Floats | Missing:
    return series.timed(f"weights of phase {parameter.key}", lambda: _weights_over(series, parameter))


def _weights_over(series: RunSeries, parameter: Parameter) -> Floats | Missing:
    """Return the trapezoid weights over the phase [s]."""
    spans = _spans(series, parameter)
    if not spans:
        name = parameter.label or parameter.key
        return missing("the run does not pass through the phase “{phase}”", "no-phase", phase=name)
    weight: Floats = np.sum([weights(series.time, s.start, s.end, series.max_gap) for s in spans], axis=0)
    covered, duration = float(weight.sum()), sum(s.duration for s in spans)
    if covered <= max(LEAST_COVERED * duration, 0.0):  # limits that are moved past each other leave nothing
        template = "only {share} of the phase has intake air temperature samples"
        return missing(
            template, "phase-not-covered", share=Value(covered / duration if duration > 0.0 else 0.0, "share")
        )
    return weight


def _spans(series: RunSeries, parameter: Parameter) -> list[Span]:
    return [span for span in series.phases if span.label == parameter.key]


@metric(
    "Distance-weighted mean over-ambient, {parameter}",
    "Mean of intake air temperature minus ambient over the route distance of the phase: every metre counts alike, "
    "so standing still does not count.",
    CLOSER,
    parameter="phase",
    events=("phases",),
)
def distance_mean_over_ambient(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the distance-weighted mean over-ambient temperature [K] in one phase."""
    weight = _phase_weights(series, parameter)
    if isinstance(weight, Missing):
        return weight
    spans, of_run = _spans(series, parameter), (series.time, series.distance)
    metres: Floats = series.timed(
        f"metres of phase {parameter.key}",
        lambda: np.sum([distance_weights(*of_run, s.start, s.end, series.max_gap) for s in spans], axis=0),
    )
    if metres.sum() <= 0.0:
        return missing("the run does not move in the phase", "standing-phase")
    return reading(over_ambient(series) @ metres / metres.sum())


@metric(
    "Charge-density ratio to ambient",
    "Time-weighted mean over the run of ambient over intake air absolute temperature: the density of the "
    "intake air relative to ambient air at the same pressure.",
    ("denser", "less dense"),
    quantity="ratio",
    better="higher",
    source="ideal gas law at equal pressure",
)
def charge_density_ratio(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the mean ratio of intake air to ambient air density at equal pressure [%]."""
    assert series.ambient is not None
    weight = _run_weights(series)
    ratio = series.ambient + 273.15
    ratio *= 100.0
    ratio = ratio / (series.iat + 273.15)
    return reading(ratio @ weight / weight.sum())


def _run_weights(series: RunSeries) -> Floats:
    first, last = float(series.time[0]), float(series.time[-1])
    return series.timed("run weights", lambda: weights(series.time, first, last, series.max_gap))


def _time_above(series: RunSeries, values: Floats, level: float) -> Floats:
    return np.asarray((values > level).astype(np.float64) @ _run_weights(series))


def _area_above(series: RunSeries, values: Floats, level: float) -> Floats:
    """Return the integral of what exceeds `level` [K·min]."""
    excess = values - level
    np.maximum(excess, 0.0, out=excess)
    return np.asarray(excess @ _run_weights(series) / 60.0)


@metric(
    "Time above {parameter}",
    "Time during the run for which intake air temperature is above the alarm limit of the campaign.",
    SHORTER,
    quantity="time",
    decimals=0,
    needs=("iat",),
    parameter="limit",
    group="exposure",
)
def time_above_limit(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the time for which intake air temperature is above the limit [s]."""
    assert parameter.number is not None
    return reading(_time_above(series, series.iat, parameter.number))


@metric(
    "Degree-minutes above {parameter}",
    "Integral over the run of what intake air temperature exceeds the alarm limit of the campaign by.",
    SMALLER,
    quantity="temperature_time",
    needs=("iat",),
    parameter="limit",
    group="exposure",
)
def degree_minutes_above_limit(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the integral of intake air temperature above the limit [K·min]."""
    assert parameter.number is not None
    return reading(_area_above(series, series.iat, parameter.number))


@metric(
    "Time above ambient + {parameter}",
    "Time during the run for which intake air temperature is more than the margin above ambient.",
    SHORTER,
    quantity="time",
    decimals=0,
    parameter="margin",
    group="exposure",
)
def time_above_margin(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the time for which the over-ambient temperature exceeds the margin [s]."""
    assert parameter.number is not None
    return reading(_time_above(series, over_ambient(series), parameter.number))


@metric(
    "Degree-minutes above ambient + {parameter}",
    "Integral over the run of what the over-ambient temperature exceeds the margin by.",
    SMALLER,
    quantity="temperature_time",
    parameter="margin",
    group="exposure",
)
def degree_minutes_above_margin(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the integral of over-ambient temperature above the margin [K·min]."""
    assert parameter.number is not None
    return reading(_area_above(series, over_ambient(series), parameter.number))
