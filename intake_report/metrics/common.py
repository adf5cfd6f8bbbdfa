"""What the metric functions share."""

from __future__ import annotations

import numpy as np

from intake_report.metrics.registry import Reading, reading
from intake_report.metrics.series import Floats, RunSeries

OWN = "definition of this report; no standard for road tests of intake air temperature is known to its authors"
CLOSER = ("closer to ambient", "further from ambient")
COOLER = ("cooler", "warmer")
FASTER = ("faster", "slower")
SHORTER = ("shorter", "longer")


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
    """Return the highest value with the time and place of the first row's."""
    index = int(np.argmax(values.reshape(-1, values.shape[-1])[0]))
    time = float(series.time[index])
    return reading(values.max(axis=-1), time=time, distance=place(series, time))
