"""The engine at operating points that all runs share, and power and torque of dyno pulls, which a claim may name."""

from typing import Any

import numpy as np

from intake_report.messages import Part, Value
from intake_report.metrics.registry import Missing, Reading, metric, reading
from intake_report.metrics.series import LEAST_LOAD, LEAST_SAMPLES, LOAD_CELL, RPM_CELL, EngineSamples, RunSeries
from intake_report.results import MetricSpec, Parameter

MATCHED = (
    f"at steady operating points ({RPM_CELL:.0f} rpm by {LOAD_CELL:.0f} % of calculated load, from {LEAST_LOAD:.0f} % up) "
    f"in which every run has {LEAST_SAMPLES} samples or more, each point with the same weight in all runs"
)
SOURCE = "definition of this report; matching by engine speed and load is common practice"
MORE = ("higher", "lower")
LEAST_SPREAD = 2.0  # K; standard deviation of IAT within the points, below which no slope can be told (own choice)


def _read(quantity: str, channel: str) -> dict[str, Any]:
    """Return what the metrics of the engine have in common."""
    usual = {"better": "neither", "decimals": 2, "source": SOURCE, "group": "engine", "assessed": False}
    return usual | {"quantity": quantity, "needs": (channel,)}


def _matched(series: RunSeries) -> tuple[EngineSamples, list[np.ndarray], np.ndarray]:
    """Return the samples, which of them lie in each shared point, and the weights of the points."""
    if series.engine is None or series.points is None or series.points.cells.size == 0:
        raise Missing("no operating point is shared by all runs", "no-shared-point")
    cells = series.engine.cells
    return series.engine, [cells == cell for cell in series.points.cells], series.points.weights


def _mean(series: RunSeries, channel: str) -> Reading:
    """Return the mean of a channel over the shared points, weighted alike in all runs."""
    samples, points, shares = _matched(series)
    values = samples.channels[channel]
    known = [values[inside & np.isfinite(values)] for inside in points]
    if not all(some.size for some in known):
        raise Missing("a shared operating point has no sample of this channel", "no-channel-at-point")
    return reading(float(shares @ np.array([some.mean() for some in known])))


@metric("Airflow at matched operating points", MORE, definition=f"Mean airflow {MATCHED}.", **_read("mass_flow", "maf"))
def matched_airflow(series: RunSeries, _: Parameter) -> Reading:
    """Return the mean airflow at the shared operating points [g/s]."""
    return _mean(series, "maf")


@metric(
    "Manifold over barometric pressure at matched operating points",
    MORE,
    definition=f"Mean manifold pressure over barometric pressure {MATCHED}.",
    **_read("ratio", "pressure_ratio"),
)
def matched_pressure_ratio(series: RunSeries, _: Parameter) -> Reading:
    """Return the mean ratio of manifold to barometric pressure at the shared operating points [%]."""
    return _mean(series, "pressure_ratio")


SPARK: dict[str, Part] = {"points": MATCHED, "spread": Value(LEAST_SPREAD, "temperature_difference")}


@metric("Spark advance per degree of intake air", MORE, values=SPARK, **_read("angle_per_temperature", "timing"))
def spark_per_kelvin(series: RunSeries, _: Parameter) -> Reading:
    """Slope of spark advance against intake air temperature {points}: least squares within the points, engine speed and
    load inside a point taken out; below zero where the engine control takes advance back. Needs a standard deviation of
    {spread} within the points.
    """
    samples, points, _weights = _matched(series)
    columns = [samples.channels["timing"], samples.channels["iat"], samples.rpm, samples.load]
    table = np.concatenate([_centred(np.stack([c[inside] for c in columns])) for inside in points], axis=1)
    if not table.size or np.sqrt(np.mean(table[1] ** 2)) < LEAST_SPREAD:
        template = "intake air temperature varies too little within the operating points for a slope"
        raise Missing(template, "small-spread")
    # scaled columns: engine speed in rpm and load in per cent differ by orders of magnitude
    design = (table[1:] / np.maximum(table[1:].std(axis=1, keepdims=True), 1e-9)).T
    return reading(float(np.linalg.lstsq(design, table[0], rcond=None)[0][0] / table[1].std()))


def _centred(part: np.ndarray) -> np.ndarray:
    known = part[:, np.isfinite(part).all(axis=0)]
    return np.empty((part.shape[0], 0)) if known.shape[1] < 2 else np.asarray(known - known.mean(axis=1, keepdims=True))


_DEFINITIONS = (
    ("peak_power", "Peak power on the dyno", "power", "Highest power of a pull within the band that all pulls cover."),
    ("mean_power", "Mean power on the dyno", "power", "Mean power of a pull by engine speed over the band that all pulls cover."),
    ("peak_torque", "Peak torque on the dyno", "torque", "Highest torque of a pull within the band that all pulls cover."),
    ("mean_torque", "Mean torque on the dyno", "torque", "Mean torque of a pull by engine speed over the band that all pulls cover."),
)  # fmt: skip
TYPED = "Figures that were typed by hand stand as the dyno printed them."
PULL_METRICS: dict[str, MetricSpec] = {
    id: MetricSpec(id, title, quantity, "higher", 2, f"{text} {TYPED}", (), 1, "common practice", MORE, group="engine")
    for id, title, quantity, text in _DEFINITIONS
}
