"""How long and how far the intake air is above a temperature."""

from __future__ import annotations

import numpy as np

from intake_report.metrics.common import OWN, SHORTER, over_ambient
from intake_report.metrics.registry import Missing, Reading, metric, reading
from intake_report.metrics.series import Floats, RunSeries, weights
from intake_report.results import Parameter

SMALLER = ("smaller", "larger")


def _run_weights(series: RunSeries) -> Floats:
    return series.once(
        "run weights",
        lambda: weights(series.time, float(series.time[0]), float(series.time[-1]), series.max_gap),
    )


def _time_above(series: RunSeries, values: Floats, level: float) -> Floats:
    return np.asarray((values > level).astype(np.float64) @ _run_weights(series))


def _area_above(series: RunSeries, values: Floats, level: float) -> Floats:
    """Return the integral of what exceeds `level` [K·min]."""
    return np.asarray(np.maximum(values - level, 0.0) @ _run_weights(series) / 60.0)


@metric(
    title="Time above {parameter}",
    quantity="time",
    better="lower",
    decimals=0,
    definition="Time during the run for which intake air temperature is above the alarm limit of the campaign.",
    source=OWN,
    words=SHORTER,
    needs=("iat",),
    parameter="limit",
    group="exposure",
)
def time_above_limit(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the time for which intake air temperature is above the limit [s]."""
    assert parameter.number is not None
    return reading(_time_above(series, series.iat, parameter.number))


@metric(
    title="Degree-minutes above {parameter}",
    quantity="temperature_time",
    better="lower",
    decimals=1,
    definition="Integral over the run of what intake air temperature exceeds the alarm limit of the campaign by.",
    source=OWN,
    words=SMALLER,
    needs=("iat",),
    parameter="limit",
    group="exposure",
)
def degree_minutes_above_limit(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the integral of intake air temperature above the limit [K·min]."""
    assert parameter.number is not None
    return reading(_area_above(series, series.iat, parameter.number))


@metric(
    title="Time above ambient + {parameter}",
    quantity="time",
    better="lower",
    decimals=0,
    definition="Time during the run for which intake air temperature is more than the margin above ambient.",
    source=OWN,
    words=SHORTER,
    parameter="margin",
    group="exposure",
)
def time_above_margin(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the time for which the over-ambient temperature exceeds the margin [s]."""
    assert parameter.number is not None
    return reading(_time_above(series, over_ambient(series), parameter.number))


@metric(
    title="Degree-minutes above ambient + {parameter}",
    quantity="temperature_time",
    better="lower",
    decimals=1,
    definition="Integral over the run of what the over-ambient temperature exceeds the margin by.",
    source=OWN,
    words=SMALLER,
    parameter="margin",
    group="exposure",
)
def degree_minutes_above_margin(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the integral of over-ambient temperature above the margin [K·min]."""
    assert parameter.number is not None
    return reading(_area_above(series, over_ambient(series), parameter.number))
