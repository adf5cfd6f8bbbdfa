"""Texts that derive from one result object, shared by tables, sentences, figures and results.json."""

from collections.abc import Callable
from operator import attrgetter
from typing import Any

from intake_report import formatting
from intake_report.messages import Interval, Message, Part, Value, message, said
from intake_report.results import MetricKey, MetricResult, MetricSummary, ReportResult
from intake_report.results.compared import COVARIATES, Comparison
from intake_report.units import UnitSystem, to_display

DIFFERENCES = {"temperature": "temperature_difference", "ratio": "ratio_difference"}
"""Quantity → quantity of a difference, where it is another."""
SUGGESTED = "suggested, not confirmed"
"""How a verdict begins where only the adjustment for several comparisons takes a difference back."""
EXPLORATORY = "(exploratory)"
"""How a verdict ends on a metric that is not among those that the adjustment covers."""
ROUNDING_MODE = "Rounding mode"
"""Name of the source of uncertainty that stands for a way of rounding that is not declared."""


def title_of(key: MetricKey) -> Message:
    """Return the title of a metric with its parameter: "Recovery time to within 3 °F of ambient"."""
    parameter = key.parameter
    part: Part = parameter.label or parameter.key
    if parameter.kind == "margin":
        part = Value(parameter.number, "declared margin")
    elif parameter.kind == "limit":
        part = Value(parameter.number, "temperature", 0)
    return message(key.spec.title, parameter=part)


def metric_title(key: MetricKey, system: UnitSystem) -> str:
    """Return the title of a metric as printed."""
    return said(title_of(key), system)


def change_of(key: MetricKey, value: float | None, *, signed: bool = True) -> Value:
    """Return a difference of two values of a metric."""
    return Value(value, difference_quantity(key), key.spec.decimals, signed)


def limits_of(c: Comparison, key: MetricKey) -> Part:
    """Return the interval of a comparison: "−5.1 to −1.3 K"; an en dash without one."""
    if c.low is None and c.high is None and c.basis == "none":
        return formatting.ABSENT
    return Interval(c.low, c.high, difference_quantity(key), key.spec.decimals)


def value_text(value: MetricResult, key: MetricKey, system: UnitSystem) -> str:
    """Return the value of one run as printed: "12.3", "not reached in 240 s", "within at entry", an en dash when not computed."""
    if value.status == "not reached":
        return f"not reached in {formatting.with_unit(value.bound, key.spec.quantity, system, key.spec.decimals)}"
    if value.status == "within at entry":
        return value.status
    return formatting.bare(value.value, key.spec.quantity, system, key.spec.decimals)


def interval_text(value: MetricResult, key: MetricKey, system: UnitSystem) -> str:
    """Return "12.3 (11.0 to 13.5)", the interval being the instruments' alone; open where draws did not reach it."""
    text, form = value_text(value, key, system), (key.spec.quantity, system, key.spec.decimals)
    if value.draws_not_reached is None or (value.low is None and value.high is None):
        return text
    if value.low is not None and value.high is not None:
        return f"{text} ({formatting.interval(value.low, value.high, *form, unit=False)})"
    low = "within at entry" if value.low is None else formatting.bare(value.low, *form)
    high = "not reached" if value.high is None else formatting.bare(value.high, *form)
    return f"{text} ({low} to {high})"


def summary_text(summary: MetricSummary, key: MetricKey, system: UnitSystem) -> str:
    """Return "12.3 ± 0.8 (3)", mean, standard deviation and runs as the tables print it; the unit heads the row."""
    if summary.mean is None:
        return said(summary.reason, system) if summary.not_reached or summary.within else formatting.ABSENT
    parts = [formatting.bare(summary.mean, key.spec.quantity, system, key.spec.decimals), f"({summary.n})"]
    if summary.sd is not None:
        parts[1:1] = ["±", formatting.bare(summary.sd, difference_quantity(key), system, key.spec.decimals)]
    return formatting.NARROW_SPACE.join(parts)


def difference_interval(comparison: Comparison, key: MetricKey, system: UnitSystem) -> str:
    """Return "−5.1 to −1.3 K"; "above 12 s" where a side is open, "not bounded" where both are; an en dash without one."""
    return said(limits_of(comparison, key), system)


def never_negative(key: MetricKey) -> bool:
    """Return whether no value of a metric can lie below zero: times, and temperature over time above a limit."""
    return key.spec.quantity in ("time", "duration", "temperature_time")


def direction(key: MetricKey, higher: bool) -> str:
    """Return the word for the side of zero that a difference lies on ("closer to ambient")."""
    if key.spec.better == "neither":
        return "higher" if higher else "lower"
    return key.spec.words[0] if higher == (key.spec.better == "higher") else key.spec.words[1]


def difference_quantity(key: MetricKey) -> str:
    """Return the quantity of a difference: temperatures differ by a temperature difference, shares by percentage points."""
    return DIFFERENCES.get(key.spec.quantity, key.spec.quantity)


def less_control(result: ReportResult) -> str:
    """Return what the title of a table of differences adds where they are taken less the control vehicle."""
    return ", less the control vehicle" if result.less_control else ""


def adjusted_for(c: Comparison) -> str:
    """Return what a difference is adjusted for, in words; empty where it is not."""
    return formatting.listing([COVARIATES[fit.name][0] for fit in c.covariates])


def counts_text(result: ReportResult) -> str:
    """Return "3 runs of Stock, 3 runs of Sealed and 2 runs of Open"."""
    return formatting.listing([f"{formatting.count(c.runs_used, 'run')} of {c.name}" for c in result.configurations])


def p_text(p: float | None) -> str:
    """Return a p-value as printed."""
    return formatting.usual(p, "p", "si")


Text = Callable[[Any, UnitSystem], str]


def in_unit(name: str, quantity: str, decimals: int, *, signed: bool = False) -> Text:
    """Return how an attribute of a row is printed with its unit."""
    return lambda row, system: formatting.with_unit(getattr(row, name), quantity, system, decimals, signed=signed)


def limits(low: str, high: str, quantity: str, decimals: int, *, unit: bool = True) -> Text:
    """Return how an interval of two attributes of a row is printed."""
    ends = attrgetter(low, high)
    return lambda row, system: formatting.interval(*ends(row), quantity, system, decimals, unit=unit)


def percent(value: float | None, decimals: int = 1, *, signed: bool = True) -> str:
    """Return a percentage: "+1.3 %"."""
    return formatting.with_unit(value, "ratio", "si", decimals, signed=signed)


def percents(low: float | None, high: float | None) -> str:
    """Return an interval of percentages: "−1.2 to +3.4 %"."""
    if low is None or high is None:
        return formatting.ABSENT
    return f"{formatting.number(low, 1, signed=True)} to {percent(high)}"


def share(name: str) -> Text:
    """Return how an attribute of a row is printed as a signed percentage."""
    return in_unit(name, "ratio", 1, signed=True)


def shares(low: str, high: str) -> Text:
    """Return how an interval of two attributes of a row is printed as percentages."""
    return lambda row, _: percents(getattr(row, low), getattr(row, high))


def grams(value: float | None, decimals: int = 1) -> str:
    """Return a mass [g] as printed; grams in both unit systems."""
    if value is None:
        return formatting.ABSENT
    return f"{formatting.number(value, decimals)}{formatting.NARROW_SPACE}g"


def dyno_text(name: str, high: str = "", *, signed: bool = False) -> Text:
    """Return how a figure of the pulls or an interval is printed; `signed`: a decimal more, so that limits keep a sign."""

    def text(row: Any, system: UnitSystem) -> str:
        value, other = getattr(row, name), getattr(row, high or name)
        quantity, decimals, per = row.quantity, 2 if signed else 1, ""
        if quantity == "area":
            quantity, decimals, per = "power", 0, "·rpm"
        printed = formatting.with_unit(value, quantity, system, decimals, signed=signed)
        if high:
            printed = formatting.interval(value, other, quantity, system, decimals)
        return printed if None in (value, other) else printed + per

    return text


def verdict(low: float | None, high: float | None, *, balanced: bool = True) -> str:
    """Return what an interval of a difference says, from the interval alone; an indication where the order is not balanced."""
    if low is None or high is None:
        return "indication only"
    if low <= 0.0 <= high:
        return "no difference shown"
    word = "higher" if low > 0.0 else "lower"
    return word if balanced else f"indication: {word}"


def _slope(row: Any, system: UnitSystem) -> tuple[float | None, float | None, float | None, str]:
    """Return the slope of a drift with its limits, power per pull or per degree, and what it is per."""
    scale, per = 1.0, "pull"
    if row.quantity != "count":
        scale, per = 1.0 / float(to_display(1.0, row.quantity, system)), formatting.unit_of(row.quantity, system)
    slope, low, high = (None if x is None else x * scale for x in (row.slope, row.low, row.high))
    return slope, low, high, per


def _drift_slope(row: Any, system: UnitSystem) -> str:
    slope, *_, per = _slope(row, system)
    return formatting.with_unit(slope, row.of, system, 2, signed=True) + (f"/{per}" if slope is not None else "")


def _exposure_gain(row: Any, system: UnitSystem) -> str:  # noqa: ARG001 - grams for all readers
    """Return the gain of the filter's mass per trial with its interval and the number of trials."""
    if row.gain is None:
        return formatting.ABSENT
    mean, low, high = (None if x is None else 1000.0 * x for x in (row.gain, row.gain_low, row.gain_high))
    interval = "" if low is None or high is None else f" ({formatting.number(low, 1)} to {grams(high)})"
    return f"{grams(mean)}{interval}, n = {row.weighed}"


def _forecast(name: str) -> Text:
    def text(row: Any, system: UnitSystem) -> str:
        warm, change = row.quantity == "temperature", name == "difference"
        quantity = "temperature_difference" if warm and change else row.quantity
        return formatting.with_unit(getattr(row, name), quantity, system, 1 if warm else 0, signed=change)

    return text


OFFSET = {
    "text": in_unit("offset", "temperature_difference", 2, signed=True),
    "interval_text": limits("low", "high", "temperature_difference", 2),
}
FORECAST = {f"{name}_text": _forecast(name) for name in ("forecast", "actual", "difference")}
DRIFT: dict[str, Text] = {
    "text": _drift_slope,
    "interval_text": lambda row, units: formatting.interval(*_slope(row, units)[1:3], row.of, units, 2, unit=False),
    "over_span_text": lambda row, system: formatting.with_unit(row.over_span, row.of, system, 2, signed=True),
}
RESTRICTION = {
    "drop_text": in_unit("drop", "restriction", 2),
    "drop_interval_text": limits("drop_low", "drop_high", "restriction", 2),
    "difference_text": in_unit("difference", "restriction", 2, signed=True),
    "percent_text": share("percent"),
    "percent_interval_text": shares("percent_low", "percent_high"),
}
AIRFLOW = {
    "flow_text": in_unit("flow", "volume_flow", 0),
    "flow_interval_text": limits("flow_low", "flow_high", "volume_flow", 0),
    "more_text": share("more"),
    "more_interval_text": shares("more_low", "more_high"),
}
EXPOSURE = {"duration_text": in_unit("duration", "duration", 1), "mass_gain_text": _exposure_gain}
SERVICE = {
    "text": in_unit("mean", "duration", 1),
    "interval_text": limits("low", "high", "duration", 1),
    "range_text": limits("shortest", "longest", "duration", 1),
}
