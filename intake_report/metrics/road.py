"""Over-ambient temperature along the drive, and how long it is above a level; each metric is a plain function of one run's series and its parameter."""

from typing import Any

import numpy as np

from intake_report.messages import Value
from intake_report.metrics.registry import CLOSER, Missing, Reading, metric, over_ambient, peak, reading
from intake_report.metrics.series import Floats, RunSeries, Span, distance_weights, weights
from intake_report.results import Parameter

LEAST_COVERED = 0.8  # of a phase; own choice
SMALLER, SHORTER, COOLER = ("smaller", "larger"), ("shorter", "longer"), ("cooler", "warmer")


@metric("Peak intake air temperature", COOLER, quantity="temperature", needs=("iat",))
def peak_iat(series: RunSeries, parameter: Parameter) -> Reading:
    """Highest intake air temperature of the run on the route, with its time and route distance."""
    return peak(series, series.iat)


@metric("Peak over-ambient", CLOSER, headline=True)
def peak_over_ambient(series: RunSeries, parameter: Parameter) -> Reading:
    """Largest intake air temperature minus ambient during the run, with its time and route distance."""
    return peak(series, over_ambient(series))


@metric("Mean over-ambient, {parameter}", CLOSER, parameter="phase", headline=True, events=("phases",))
def mean_over_ambient(series: RunSeries, parameter: Parameter) -> Reading:
    """Time-weighted mean of intake air temperature minus ambient while the run is in the phase."""
    weight, _ = _phase(series, parameter)
    return reading(over_ambient(series) @ weight / weight.sum())


def _phase(series: RunSeries, parameter: Parameter) -> tuple[Floats, list[Span]]:
    """Return the trapezoid weights over the phase [s], and its passages."""
    spans = [span for span in series.phases if span.label == parameter.key]
    if not spans:
        name = parameter.label or parameter.key
        raise Missing("the run does not pass through the phase “{phase}”", "no-phase", phase=name)
    each = [(span.start, span.end, series.max_gap) for span in spans]
    weight: Floats = series.timed(
        f"weights of phase {parameter.key}", lambda: np.sum([weights(series.time, *span) for span in each], axis=0)
    )
    covered, duration = float(weight.sum()), sum(s.duration for s in spans)
    if covered <= max(LEAST_COVERED * duration, 0.0):  # limits that are moved past each other leave nothing
        share = Value(covered / duration if duration > 0.0 else 0.0, "share")
        raise Missing("only {share} of the phase has intake air temperature samples", "phase-not-covered", share=share)
    return weight, spans


@metric("Distance-weighted mean over-ambient, {parameter}", CLOSER, parameter="phase", events=("phases",))
def distance_mean_over_ambient(series: RunSeries, parameter: Parameter) -> Reading:
    """Mean of intake air temperature minus ambient over the route distance of the phase: every metre counts alike, so
    standing still does not count.
    """
    _, spans = _phase(series, parameter)
    each = [(span.start, span.end, series.max_gap) for span in spans]
    metres: Floats = series.timed(
        f"metres of phase {parameter.key}",
        lambda: np.sum([distance_weights(series.time, series.distance, *span) for span in each], axis=0),
    )
    if metres.sum() <= 0.0:
        raise Missing("the run does not move in the phase", "standing-phase")
    return reading(over_ambient(series) @ metres / metres.sum())


DENSITY: dict[str, Any] = {"quantity": "ratio", "better": "higher", "source": "ideal gas law at equal pressure"}


@metric("Charge-density ratio to ambient", ("denser", "less dense"), **DENSITY)
def charge_density_ratio(series: RunSeries, parameter: Parameter) -> Reading:
    """Time-weighted mean over the run of ambient over intake air absolute temperature: the density of the intake air
    relative to ambient air at the same pressure.
    """
    assert series.ambient is not None
    weight = _run_weights(series)
    return reading(((series.ambient + 273.15) * 100.0 / (series.iat + 273.15)) @ weight / weight.sum())


def _run_weights(series: RunSeries) -> Floats:
    first, last = float(series.time[0]), float(series.time[-1])
    return series.timed("run weights", lambda: weights(series.time, first, last, series.max_gap))


def _time_above(series: RunSeries, values: Floats, parameter: Parameter) -> Reading:
    assert parameter.number is not None
    return reading((values > parameter.number).astype(np.float64) @ _run_weights(series))


def _area_above(series: RunSeries, values: Floats, parameter: Parameter) -> Reading:
    """Return the integral of what exceeds the level [K·min]."""
    assert parameter.number is not None
    excess = values - parameter.number
    np.maximum(excess, 0.0, out=excess)
    return reading(excess @ _run_weights(series) / 60.0)


ABOVE_LIMIT: dict[str, Any] = {"needs": ("iat",), "parameter": "limit", "group": "exposure"}
ABOVE_MARGIN: dict[str, Any] = {"parameter": "margin", "group": "exposure"}


@metric("Time above {parameter}", SHORTER, quantity="time", decimals=0, **ABOVE_LIMIT)
def time_above_limit(series: RunSeries, parameter: Parameter) -> Reading:
    """Time during the run for which intake air temperature is above the alarm limit of the campaign."""
    return _time_above(series, series.iat, parameter)


@metric("Degree-minutes above {parameter}", SMALLER, quantity="temperature_time", **ABOVE_LIMIT)
def degree_minutes_above_limit(series: RunSeries, parameter: Parameter) -> Reading:
    """Integral over the run of what intake air temperature exceeds the alarm limit of the campaign by."""
    return _area_above(series, series.iat, parameter)


@metric("Time above ambient + {parameter}", SHORTER, quantity="time", decimals=0, **ABOVE_MARGIN)
def time_above_margin(series: RunSeries, parameter: Parameter) -> Reading:
    """Time during the run for which intake air temperature is more than the margin above ambient."""
    return _time_above(series, over_ambient(series), parameter)


@metric("Degree-minutes above ambient + {parameter}", SMALLER, quantity="temperature_time", **ABOVE_MARGIN)
def degree_minutes_above_margin(series: RunSeries, parameter: Parameter) -> Reading:
    """Integral over the run of what the over-ambient temperature exceeds the margin by."""
    return _area_above(series, over_ambient(series), parameter)
