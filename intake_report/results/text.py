"""Texts that derive from one result object, shared by tables, sentences and figures; results.json holds them beside the numbers."""

import dataclasses
import json
import math
from collections.abc import Callable, Mapping
from operator import attrgetter
from typing import Any

import pandas as pd

from intake_report import formatting
from intake_report.messages import Interval, Message, Part, Phrase, Value, message, plain, said
from intake_report.report_table import rows_of
from intake_report.results import MetricKey, MetricResult, MetricSummary, ReportResult
from intake_report.results.compared import COVARIATES, Comparison
from intake_report.units import QUANTITIES, UnitSystem, to_display

SCHEMA = 1  # of results.json
DIFFERENCES = {"temperature": "temperature_difference", "ratio": "ratio_difference"}  # quantities of differences
SUGGESTED = "suggested, not confirmed"  # begins a verdict where only the adjustment for several takes a difference back
EXPLORATORY = "(exploratory)"  # ends a verdict on a metric that is not among those that the adjustment covers
ROUNDING_MODE = "Rounding mode"  # source of uncertainty: a way of rounding that is not declared


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
_IN_RUN: dict[str, Text] = {
    "ambient_change": in_unit("ambient_change", "temperature_difference", 1),
    "pressure": in_unit("pressure", "pressure", 2),
    "humidity": in_unit("humidity", "ratio", 0),
    "dew_point": in_unit("dew_point", "temperature", 1),
    "density": in_unit("density", "density", 3),
    "density_altitude": in_unit("density_altitude", "length", 0),
    "wind_speed": in_unit("wind_speed", "speed", 0),
}
_EXPECTED = {"text": share("percent")}
EVIDENCE_TEXTS: dict[str, dict[str, Callable[[Any, UnitSystem], Any]]] = {
    "weather.sources": {"uncertainty_text": in_unit("uncertainty", "temperature_difference", 2)},
    "weather.offsets": OFFSET,
    "weather.forecasts": FORECAST,
    "weather.runs": {"texts": lambda run, units: {name: told(run, units) for name, told in _IN_RUN.items()}},
    "air.points": {
        "iat_text": in_unit("iat", "temperature", 1),
        "mass_text": lambda point, _: grams(point.mass, 3),
        "change_text": share("change"),
    },
    "air.points.expected": _EXPECTED,
    "dyno.means": {"text": dyno_text("mean"), "interval_text": dyno_text("low", "high")},
    "dyno.comparisons": {
        "text": dyno_text("difference", signed=True),
        "interval_text": dyno_text("low", "high", signed=True),
        "percent_text": share("percent"),
    },
    "dyno.drifts": DRIFT,
    "dyno.expected": {
        "measured_text": share("measured"),
        "measured_interval_text": shares("measured_low", "measured_high"),
    },
    "dyno.expected.models": _EXPECTED,
    "bench.restrictions.rows": RESTRICTION | AIRFLOW,
    "bench.quotes": {"more_text": share("more")},
    "bench.exposures": EXPOSURE,
    "bench.services": SERVICE,
}
"""Texts beside the numbers of the evidence, by where its records lie."""


def results_document(result: ReportResult, date: str, revision: int) -> dict[str, Any]:
    """Return the result, of a report of this (ISO) date and revision, as JSON-able data with the printed texts; no NaN."""
    units = result.units
    document, keys = as_json(result, units), {key.key: key for key in result.metrics}
    document["metrics"] = [
        {
            "key": key.key,
            "printed_title": metric_title(key, units),
            "internal_unit": QUANTITIES[key.spec.quantity].internal,
            "printed_unit": formatting.unit_of(key.spec.quantity, units),
            "parameter": as_json(key.parameter, units),
            "spec": as_json(key.spec, units),
        }
        for key in result.metrics
    ]
    for row, value in zip(document["values"], result.values, strict=True):
        row["text"] = value_text(value, keys[value.key], units)
        row["interval_text"] = interval_text(value, keys[value.key], units)
    for row, summary in zip(document["summaries"], result.summaries, strict=True):
        row["text"] = summary_text(summary, keys[summary.key], units)
    for name, rows in (("comparisons", result.comparisons), ("direct", result.direct)):
        for row, found in zip(document[name], rows, strict=True):
            row["text"] = said(change_of(keys[found.key], found.difference), units)
            row["interval_text"] = difference_interval(found, keys[found.key], units)
    for path, texts in EVIDENCE_TEXTS.items():
        _add(document["evidence"], result.evidence, path.split("."), texts, units)
    return {"schema": SCHEMA, "date": date, "revision": revision, **document}


def _add(
    record: Any, of: Any, path: list[str], texts: Mapping[str, Callable[[Any, UnitSystem], Any]], units: UnitSystem
) -> None:
    """Put texts beside the numbers of `record`, the plain form of `of`, or of its rows; in place."""
    if isinstance(record, list):
        for one, row in zip(record, rows_of(of), strict=True):
            _add(one, row, path, texts, units)
    elif path and record is not None:
        _add(record[path[0]], getattr(of, path[0]), path[1:], texts, units)
    elif record is not None:
        record |= {name: told(of, units) for name, told in texts.items()}


def as_json(value: Any, units: UnitSystem) -> Any:
    """Return a result as JSON-able data; a message is its text, its values stand beside it under ``…_parts``."""
    if isinstance(value, Phrase):
        return said(value, units)
    if isinstance(value, pd.DataFrame):
        return [as_json(record, units) for record in value.to_dict("records")]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        value = {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}
    if isinstance(value, dict):
        rows = {str(key): as_json(item, units) for key, item in value.items()}
        for key, item in value.items():
            if isinstance(item, Phrase):
                rows[f"{key}_parts"] = plain(item)
            elif isinstance(item, list | tuple) and any(isinstance(one, Message) for one in item):
                rows[f"{key}_parts"] = [plain(one) for one in item]
        return rows
    if isinstance(value, list | tuple):
        return [as_json(item, units) for item in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError("a result holds a number that is not finite; a status and a reason belong there")
    return value


def results_json(result: ReportResult, date: str, revision: int) -> str:
    """Return results.json as text, keys in a fixed order."""
    return json.dumps(results_document(result, date, revision), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
