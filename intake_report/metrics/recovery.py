"""Recovery after the highway entry: crossings of the margins, and a first-order fit."""

from typing import Any

import numpy as np

from intake_report.messages import Listing, Part, Value, message
from intake_report.metrics.registry import CLOSER, FASTER, Missing, Reading, metric, over_ambient, reading
from intake_report.metrics.series import Floats, RunSeries, first_below
from intake_report.results import Parameter
from intake_report.statistics import CAVEATS, fit_recovery, fit_recovery_many

FIT_SPAN = 300.0  # s after the entry; later changes are of traffic and weather
FIT_POINTS = 60  # samples of one step are not independent, and more of them would only look more certain
LEAST_POINTS = 8
LEAST_FALL = 3.0  # K; a smaller fall has too few steps of a usual reading to tell its shape (own choice)
LARGEST_ERROR = 0.5  # of the time constant; beyond it the fit has not determined it
OF_MARGIN: dict[str, Any] = {"quantity": "time", "decimals": 0, "parameter": "margin", "group": "recovery"}


def _recovery_span(series: RunSeries) -> tuple[float, float]:
    if series.entry is None:
        raise Missing("the run has no highway entry", "no-entry")
    end = series.entry_end if series.entry_end is not None else float(series.time[-1])
    if np.count_nonzero((series.time > series.entry) & (series.time <= end)) < 2:
        raise Missing("there are no intake air temperature samples after the highway entry", "no-samples-after-entry")
    return series.entry, end


@metric("Recovery time to within {parameter} of ambient", FASTER, headline=True, events=("entry",), **OF_MARGIN)
def recovery_time(series: RunSeries, parameter: Parameter) -> Reading:
    """Time from the highway entry until intake air temperature comes within the margin of ambient and stays there for
    the hold of the campaign (recovery_hold, 10 s unless stated), timed by the steps of the reading; a shorter visit
    before it is stated beside it. “Within at entry” where it stays there from the entry on; “not reached” when it
    does not happen before the highway ends.
    """
    entry, end = _recovery_span(series)
    assert parameter.number is not None
    over = over_ambient(series)
    crossing, reached = first_below(series.time, over, parameter.number, entry, end, series.hold)
    lasting = float(np.ravel(crossing)[0])
    within = reached & (crossing <= entry)
    note: Part = ""
    if over.ndim == 1 and within and over[series.window(entry, end)][-1] > parameter.number:
        note = message(
            "the temperature rises out of the margin later and is above it when the highway ends", "left-margin"
        )
    elif over.ndim == 1:
        first = float(first_below(series.time, over, parameter.number, entry, end)[0])
        if first < lasting - 0.5:
            template = "first within the margin {first} after the entry, for less than the hold of {hold}"
            after, hold = Value(first - entry, "time", 0), Value(series.hold, "time", 0)
            note = message(template, "short-visit", first=after, hold=hold)
    return Reading(np.asarray(crossing - entry), reached, within, lasting, note)


@metric(
    "First reading within {parameter} of ambient", ("earlier", "later"), assessed=False, compared=False,
    **(OF_MARGIN | {"source": "common practice"}),
)  # fmt: skip
def first_reading_below(series: RunSeries, parameter: Parameter) -> Reading:
    """Time from the highway entry to the first sample whose bare reading is within the margin of ambient: shown
    because it is what is usually quoted. It waits for the reading's next step and is no estimate of the recovery
    time, so that no differences of it are formed.
    """
    entry, end = _recovery_span(series)
    if series.reading.size != series.time.size or series.ambient is None:
        raise Missing("the bare readings are not kept", "no-readings")
    assert parameter.number is not None
    below = (series.reading - series.ambient <= parameter.number) & (series.time >= entry) & (series.time <= end)
    if not below.any():
        return Reading(np.asarray(end - entry), False)
    index = int(np.argmax(below))
    time = float(series.time[index])
    within = index == int(np.searchsorted(series.time, entry))
    return Reading(np.asarray(time - entry), True, within, time)


def _fit(series: RunSeries) -> tuple[Floats, Floats, Part]:
    """Fit the fall after the highway entry, final + change·exp(−t/tau), or say why the data do not determine it.

    Time constant [s] and final over-ambient [K], (...) each, NaN where refused, and a note. At most `FIT_POINTS` evenly spaced
    samples of the first `FIT_SPAN` after the entry, equal weights.
    """
    entry, end = _recovery_span(series)
    inside = series.window(entry, min(end, entry + FIT_SPAN))
    time, over = series.time[inside] - entry, over_ambient(series)[..., inside]
    if time.size < LEAST_POINTS:
        template = "there are {found} samples after the highway entry, {least} are needed for a fit"
        raise Missing(template, "few-samples-for-fit", found=int(time.size), least=LEAST_POINTS)
    some = np.unique(np.linspace(0, time.size - 1, FIT_POINTS).round().astype(np.intp))
    time, over = time[some], over[..., some]
    if over.ndim > 1:
        final, _, tau = fit_recovery_many(time, over, grid=40, tolerance=1e-4)
        return tau, final, ""
    fall = float(over[0] - over.min())
    if fall < LEAST_FALL:
        raise Missing("the over-ambient temperature falls too little after the highway entry for a fit", "small-fall")
    fit = fit_recovery(time, over)
    caveats = Listing(tuple(CAVEATS[caveat] for caveat in fit.caveats), last=";")
    if fit.tau is None or fit.final is None:
        raise Missing("the first-order fit is refused: {caveats}", "fit-refused", caveats=caveats)
    if fit.tau_error is not None and fit.tau_error > LARGEST_ERROR * fit.tau:
        raise Missing("the first-order fit does not determine the time constant to half of itself", "fit-undetermined")
    return np.asarray(fit.tau), np.asarray(fit.final), caveats if fit.caveats else ""


def _fitted(series: RunSeries, index: int) -> Reading:
    fit = series.once("recovery fit", lambda: _fit(series))
    return reading((fit[0], fit[1])[index], fit[2])


FITTED: dict[str, Any] = {
    "source": "first-order response; fit by variable projection (G. H. Golub and V. Pereyra, 1973)",
    "group": "recovery",
}
LIMITS = {"span": Value(FIT_SPAN, "time", 0), "fall": Value(LEAST_FALL, "temperature_difference")}


@metric("Recovery time constant", FASTER, values=LIMITS, quantity="time", decimals=0, **FITTED)
def recovery_time_constant(series: RunSeries, _: Parameter) -> Reading:
    """Time constant of a first-order fall of the over-ambient temperature after the highway entry, fitted over at most
    {span}; refused when that falls by less than {fall} or the data do not determine it.
    """
    return _fitted(series, 0)


@metric("Final over-ambient of the fit", CLOSER, **FITTED)
def final_over_ambient(series: RunSeries, _: Parameter) -> Reading:
    """Over-ambient temperature that the first-order fit of the recovery settles to."""
    return _fitted(series, 1)
