"""Texts that derive from one result object: titles, values, differences; shared by tables, sentences and figures."""

from __future__ import annotations

from intake_report import formatting
from intake_report.messages import Interval, Message, Part, Value, message, said
from intake_report.results.compared import COVARIATES, Comparison
from intake_report.results.types import MetricKey, MetricResult, ReportResult, Summary
from intake_report.units import UnitSystem

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
    if parameter.kind == "margin" and parameter.number is not None:
        part = Value(parameter.number, "declared margin")
    elif parameter.kind == "limit" and parameter.number is not None:
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


def value_text(value: MetricResult, key: MetricKey, system: UnitSystem, *, unit: bool = False) -> str:
    """Return the value of one run as printed: "12.3", "not reached in 240 s", "within at entry", an en dash when not computed."""
    form = formatting.with_unit if unit else formatting.bare
    if value.status == "not reached":
        return f"not reached in {formatting.with_unit(value.bound, key.spec.quantity, system, key.spec.decimals)}"
    if value.status == "within at entry":
        return value.status
    return form(value.value, key.spec.quantity, system, key.spec.decimals)


def interval_text(value: MetricResult, key: MetricKey, system: UnitSystem) -> str:
    """Return "12.3 (11.0 to 13.5)", the interval being the instruments' alone; open where draws did not reach it."""
    text = value_text(value, key, system)
    if value.draws_not_reached is None or (value.low is None and value.high is None):
        return text
    form = (key.spec.quantity, system, key.spec.decimals)
    if value.low is not None and value.high is not None:
        return f"{text} ({formatting.interval(value.low, value.high, *form, unit=False)})"
    low = "within at entry" if value.low is None else formatting.bare(value.low, *form)
    high = "not reached" if value.high is None else formatting.bare(value.high, *form)
    return f"{text} ({low} to {high})"


def summary_text(summary: Summary, key: MetricKey, system: UnitSystem) -> str:
    """Return "12.3 ± 0.8 (3)", mean, standard deviation and runs as the tables print it; the unit heads the row."""
    if summary.mean is None:
        return said(summary.reason, system) if summary.not_reached or summary.within else formatting.ABSENT
    decimals = key.spec.decimals
    mean = formatting.bare(summary.mean, key.spec.quantity, system, decimals)
    if summary.sd is None:
        return f"{mean}{formatting.NARROW_SPACE}({summary.n})"
    sd = formatting.bare(summary.sd, difference_quantity(key), system, decimals)
    return f"{mean}{formatting.NARROW_SPACE}±{formatting.NARROW_SPACE}{sd}{formatting.NARROW_SPACE}({summary.n})"


def difference_interval(comparison: Comparison, key: MetricKey, system: UnitSystem) -> str:
    """Return "−5.1 to −1.3 K"; "above 12 s" where a side is open, "not bounded" where both are; an en dash without one."""
    return said(limits_of(comparison, key), system)


def never_negative(key: MetricKey) -> bool:
    """Return whether no value of a metric can lie below zero: times, and temperature over time above a limit."""
    return key.spec.quantity in ("time", "duration", "temperature_time")


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
    parts = [f"{formatting.count(c.runs_used, 'run')} of {c.name}" for c in result.configurations]
    return formatting.listing(parts)


def p_text(p: float | None) -> str:
    """Return a p-value as printed."""
    if p is None:
        return formatting.ABSENT
    return "< 0.001" if p < 0.001 else formatting.number(p, 3)
