"""The metrics of a drive; each is a plain function of one run's series and its parameter."""

from __future__ import annotations

import numpy as np

from intake_report.metrics.registry import Missing, Reading, metric, reading
from intake_report.metrics.series import Floats, RunSeries, Span, first_below, slope, weights
from intake_report.results import Parameter

OWN = "definition of this report; no standard for road tests of intake air temperature is known to its authors"
CLOSER = ("closer to ambient", "further from ambient")
LEAST_STOP_SAMPLES = 5
LEAST_COVERED = 0.8


def _over(series: RunSeries) -> Floats:
    over = series.over
    assert over is not None  # the registry checks the needed channels
    return over


def _place(series: RunSeries, index: int) -> tuple[float, float | None]:
    distance = float(series.distance[index])
    return float(series.time[index]), distance if np.isfinite(distance) else None


def _peak(series: RunSeries, values: Floats) -> Reading:
    top = values.max(axis=-1)
    index = int(np.argmax(values.reshape(-1, values.shape[-1])[0]))
    time, distance = _place(series, index)
    return reading(top, time=time, distance=distance)


@metric(
    title="Peak intake air temperature",
    quantity="temperature",
    better="lower",
    decimals=1,
    definition="Highest intake air temperature of the run on the route, with its time and route distance.",
    source=OWN,
    words=("cooler", "warmer"),
    needs=("iat",),
)
def peak_iat(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the highest intake air temperature [°C] and where it was."""
    return _peak(series, series.iat)


@metric(
    title="Peak over-ambient",
    quantity="temperature_difference",
    better="lower",
    decimals=1,
    definition="Largest intake air temperature minus ambient during the run, with its time and route distance.",
    source=OWN,
    words=CLOSER,
    headline=True,
)
def peak_over_ambient(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the largest over-ambient temperature [K] and where it was."""
    return _peak(series, _over(series))


@metric(
    title="Mean over-ambient, {parameter}",
    quantity="temperature_difference",
    better="lower",
    decimals=1,
    definition="Time-weighted mean of intake air temperature minus ambient while the run is in the phase.",
    source=OWN,
    words=CLOSER,
    parameter="phase",
    headline=True,
)
def mean_over_ambient(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the time-weighted mean over-ambient temperature [K] in one phase."""
    spans = [span for span in series.phases if span.label == parameter.key]
    if not spans:
        return Missing(f"the run does not pass through the phase “{parameter.label or parameter.key}”")
    weight = np.sum([weights(series.time, s.start, s.end, series.max_gap) for s in spans], axis=0)
    covered, duration = float(weight.sum()), sum(s.duration for s in spans)
    if covered < LEAST_COVERED * duration:
        return Missing(f"only {100.0 * covered / duration:.0f} % of the phase has intake air temperature samples")
    return reading(_over(series) @ weight / covered)


def soaking_stops(series: RunSeries) -> tuple[Span, ...]:
    """Return the stops that are long enough and have samples enough for a heat-soak rate."""
    return tuple(
        stop
        for stop in series.stops
        if stop.duration >= series.minimum_stop
        and np.count_nonzero((series.time >= stop.start) & (series.time <= stop.end)) >= LEAST_STOP_SAMPLES
    )


def stop_rate(series: RunSeries, stop: Span) -> Floats:
    """Return the heat-soak rate of one stop [K/min]: Theil–Sen slope of the intake air temperature."""
    inside = (series.time >= stop.start) & (series.time <= stop.end)
    return 60.0 * slope(series.time[inside], series.iat[..., inside])


def stop_rise(series: RunSeries, stop: Span) -> Floats:
    """Return the rise of intake air temperature during one stop [K]: its rate times its duration."""
    return stop_rate(series, stop) * stop.duration / 60.0


@metric(
    title="Heat-soak rate, median of stops",
    quantity="temperature_rate",
    better="lower",
    decimals=1,
    definition=(
        "Median over the run's stops of the slope (Theil–Sen, over the true samples of the whole stop) "
        "at which intake air temperature rises while the vehicle stands still."
    ),
    source=OWN,
    words=("slower", "faster"),
    needs=("iat",),
)
def heat_soak_rate(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the median heat-soak rate over the stops [K/min]."""
    stops = soaking_stops(series)
    if not stops:
        return Missing(
            f"the run has no stop of {series.minimum_stop:.0f} s or more with {LEAST_STOP_SAMPLES} samples or more"
        )
    return reading(np.median(np.stack([stop_rate(series, stop) for stop in stops]), axis=0))


@metric(
    title="Recovery time to within {parameter} of ambient",
    quantity="time",
    better="lower",
    decimals=0,
    definition=(
        "Time from the highway entry until intake air temperature first comes within the margin of ambient, "
        "timed by the steps of the reading; “not reached” when that does not happen before the highway ends."
    ),
    source=OWN,
    words=("faster", "slower"),
    parameter="margin",
    headline=True,
)
def recovery_time(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the time from highway entry to within the margin [s], censored at the end of the highway."""
    if series.entry is None:
        return Missing("the run has no highway entry")
    end = series.entry_end if series.entry_end is not None else float(series.time[-1])
    observed = np.count_nonzero((series.time > series.entry) & (series.time <= end))
    if observed < 2:
        return Missing("there are no intake air temperature samples after the highway entry")
    assert parameter.number is not None
    crossing, reached = first_below(series.time, _over(series), parameter.number, series.entry, end)
    value = np.asarray(crossing - series.entry)
    distance = np.interp(float(np.ravel(crossing)[0]), series.time, series.distance)
    place = float(distance) if np.isfinite(distance) else None
    return Reading(value, reached, float(np.ravel(crossing)[0]), place)


@metric(
    title="Time above {parameter}",
    quantity="time",
    better="lower",
    decimals=0,
    definition="Time during the run for which intake air temperature is above the alarm limit of the campaign.",
    source=OWN,
    words=("shorter", "longer"),
    needs=("iat",),
    parameter="limit",
)
def time_above_limit(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the time for which intake air temperature is above the limit [s]."""
    assert parameter.number is not None
    weight = weights(series.time, float(series.time[0]), float(series.time[-1]), series.max_gap)
    return reading((series.iat > parameter.number) @ weight)


@metric(
    title="Charge-density ratio to ambient",
    quantity="ratio",
    better="higher",
    decimals=1,
    definition=(
        "Time-weighted mean over the run of ambient over intake air absolute temperature: the density of the "
        "intake air relative to ambient air at the same pressure."
    ),
    source="ideal gas law at equal pressure",
    words=("denser", "less dense"),
)
def charge_density_ratio(series: RunSeries, parameter: Parameter) -> Reading | Missing:
    """Return the mean ratio of intake air to ambient air density at equal pressure [%]."""
    assert series.ambient is not None
    weight = weights(series.time, float(series.time[0]), float(series.time[-1]), series.max_gap)
    ratio = 100.0 * (series.ambient + 273.15) / (series.iat + 273.15)
    return reading(ratio @ weight / weight.sum())
