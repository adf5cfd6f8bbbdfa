"""Heat soak: how fast and how far the intake air warms at stops, and how fast it cools after the launch."""

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from intake_report.messages import Part, Value, message
from intake_report.metrics.registry import FASTER, Missing, Reading, metric, reading
from intake_report.metrics.series import Floats, Pairs, RunSeries, Span, first_below, median, pairs, slope, value_at
from intake_report.results import Parameter

LEAST_STOP_SAMPLES = 5
RESOLVED = 2.0  # steps of the reading; a smaller rise shows one edge or none, which gives it no slope (own simulation)
AT_ONCE = 30_000  # slopes, which fit the processor's cache
LEAST_RISE = 2.0  # K; half of a smaller rise is within one step of a usual reading (own choice)


def soaking_stops(series: RunSeries) -> tuple[Span, ...]:
    """Return the stops that are long enough and have samples enough for a heat-soak rate."""

    def soaks(stop: Span) -> bool:
        samples = series.time[series.window(stop.start, stop.end)].size
        return stop.duration >= series.minimum_stop and samples >= LEAST_STOP_SAMPLES

    return series.timed("soaking stops", lambda: tuple(filter(soaks, series.stops)))


def stop_rates(series: RunSeries) -> Floats:
    """Return the heat-soak rate of each soaking stop, (..., stops) [K/min]: Theil–Sen slope of the intake air temperature."""
    draws = np.atleast_2d(series.iat)
    rates = np.empty((len(draws), len(soaking_stops(series))))
    for stops, some in series.timed(f"stop pairs, {series.most_pairs} at most", lambda: _stop_pairs(series)):
        few = max(1, AT_ONCE // some[0].size)
        for start in range(0, len(draws), few):
            rates[start : start + few, stops] = 60.0 * slope(series.time, draws[start : start + few], some)
    return rates.reshape(*series.iat.shape[:-1], rates.shape[-1])


def _stop_pairs(series: RunSeries) -> list[tuple[list[int], Pairs]]:
    """Return the pairs of samples, (stops, pairs) each, of the soaking stops that have equally many, with their numbers."""
    alike: dict[int, list[tuple[int, NDArray[np.intp]]]] = {}
    for i, stop in enumerate(soaking_stops(series)):
        inside = series.window(stop.start, stop.end)
        both = inside.start + np.stack(pairs(inside.stop - inside.start, series.most_pairs))
        alike.setdefault(both.shape[1], []).append((i, both))
    stacked = (([i for i, _ in some], np.stack([both for _, both in some], axis=1)) for some in alike.values())
    return [(numbers, (both[0], both[1])) for numbers, both in stacked]


def _stop_limits(series: RunSeries) -> tuple[Floats, Floats]:
    """Return the intake air temperature at the start and at the end of each soaking stop, (..., stops) each [°C]."""
    time, iat = series.time, series.iat
    starts, ends = np.array([(stop.start, stop.end) for stop in soaking_stops(series)]).reshape(-1, 2).T
    return series.once("stop limits", lambda: (value_at(time, iat, starts), value_at(time, iat, ends)))


def stop_rises(series: RunSeries) -> Floats:
    """Return the rise of intake air temperature during each soaking stop, (..., stops) [K]."""
    start, end = _stop_limits(series)
    return end - start


def half_falls(series: RunSeries) -> tuple[tuple[Span, Floats, np.ndarray], ...]:
    """Return how long after each launch the intake air has lost half of the stop's rise: (stop, time, reached).

    Stops with a rise of `LEAST_RISE` or more that a launch follows; time from the launch (...) [s], and whether it was reached
    before the next stop or the end of the record (else the time is the bound).
    """
    soaking = soaking_stops(series)
    if not soaking:
        return ()
    found, rises, (_, at_end) = [], stop_rises(series), _stop_limits(series)
    ends = dict(zip(series.stops, [*(stop.start for stop in series.stops[1:]), float(series.time[-1])], strict=True))
    for i, stop in enumerate(soaking):
        rise, end = rises[..., i], ends[stop]
        if float(np.median(rise)) < LEAST_RISE or series.time[series.window(stop.end, end)].size < 2:
            continue
        crossing, reached = first_below(series.time, series.iat, at_end[..., i] - 0.5 * rise, stop.end, end)
        found.append((stop, np.asarray(crossing - stop.end), reached))
    return tuple(found)


def _median_of_stops(series: RunSeries, of_stops: Callable[[RunSeries], Floats]) -> Reading:
    """Return the median over the soaking stops, with a note where their rise is too small for the steps of the reading."""
    values = of_stops(series)
    if not values.shape[-1]:
        template = "the run has no stop of {duration} or more with {least} samples or more"
        raise Missing(template, "no-stop", duration=Value(series.minimum_stop, "time", 0), least=LEAST_STOP_SAMPLES)
    note: Part = ""
    single = series.iat.ndim == 1 and series.step is not None
    if single and np.median(stop_rises(series)) < RESOLVED * (series.step or 0.0):
        template = "the rise at its stops is below two steps of the reading ({step} each), which cannot resolve it"
        note = message(template, "unresolved-rise", step=Value(series.step, "temperature_difference"))
    return reading(median(values), note)


AT_STOPS: dict[str, Any] = {"needs": ("iat",), "group": "heat soak", "events": ("stops",)}


@metric("Heat-soak rate, median of stops", ("heats slower", "heats faster"), quantity="temperature_rate", **AT_STOPS)
def heat_soak_rate(series: RunSeries, _: Parameter) -> Reading:
    """Median over the run's stops of the rate at which intake air temperature rises while the vehicle stands still:
    the median slope over all pairs of true samples of the whole stop (Theil–Sen), which is neither the initial rate
    nor the rise over the duration.
    """
    return _median_of_stops(series, stop_rates)


@metric("Rise per stop, median of stops", ("smaller", "larger"), **AT_STOPS)
def rise_per_stop(series: RunSeries, _: Parameter) -> Reading:
    """Median over the run's stops of the intake air temperature at the end of the stop minus that at its start; the
    stops of one run differ in duration, so the figure of rise against duration belongs to it.
    """
    return _median_of_stops(series, stop_rises)


RISE = {"rise": Value(LEAST_RISE, "temperature_difference")}


@metric("Half-fall time after launch, median", FASTER, values=RISE, quantity="time", decimals=0, **AT_STOPS)
def half_fall_time(series: RunSeries, _: Parameter) -> Reading:
    """Median over the launches of the time until intake air temperature has lost half of what it gained during the
    stop, for stops with a rise of {rise} or more; a launch that the next stop cuts short counts as longer.
    """
    falls = half_falls(series)
    if not falls:
        raise Missing("the run has no launch after a stop with enough rise", "no-launch")
    times = np.stack([time for _, time, _ in falls], axis=-1)
    reached = np.stack([ok for _, _, ok in falls], axis=-1)
    # a launch that was cut short is longer than its bound: it sorts last, and the median counts if it is reached
    middle = median(np.where(reached, times, np.inf))
    known = np.isfinite(middle)
    return Reading(np.where(known, middle, median(times)), np.asarray(known))
