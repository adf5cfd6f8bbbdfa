"""results.json: the whole result as one document, numbers in internal units with the text that the report prints."""

import dataclasses
import json
import math
from collections.abc import Callable, Mapping
from typing import Any

import pandas as pd

from intake_report import formatting
from intake_report.messages import Message, Phrase, plain, said
from intake_report.report_table import rows_of
from intake_report.results import ReportResult, text
from intake_report.results.text import Text, dyno_text, grams, in_unit, share, shares
from intake_report.units import QUANTITIES, UnitSystem

SCHEMA = 1

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
    "weather.offsets": text.OFFSET,
    "weather.forecasts": text.FORECAST,
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
    "dyno.drifts": text.DRIFT,
    "dyno.expected": {
        "measured_text": share("measured"),
        "measured_interval_text": shares("measured_low", "measured_high"),
    },
    "dyno.expected.models": _EXPECTED,
    "bench.restrictions.rows": text.RESTRICTION | text.AIRFLOW,
    "bench.quotes": {"more_text": share("more")},
    "bench.exposures": text.EXPOSURE,
    "bench.services": text.SERVICE,
}
"""Texts beside the numbers of the evidence, by where its records lie."""


def results_document(result: ReportResult, date: str, revision: int) -> dict[str, Any]:
    """Return the result, of a report of this (ISO) date and revision, as JSON-able data with the printed texts; no NaN."""
    units = result.units
    document, keys = as_json(result, units), {key.key: key for key in result.metrics}
    document["metrics"] = [
        {
            "key": key.key,
            "printed_title": text.metric_title(key, units),
            "internal_unit": QUANTITIES[key.spec.quantity].internal,
            "printed_unit": formatting.unit_of(key.spec.quantity, units),
            "parameter": as_json(key.parameter, units),
            "spec": as_json(key.spec, units),
        }
        for key in result.metrics
    ]
    for row, value in zip(document["values"], result.values, strict=True):
        row["text"] = text.value_text(value, keys[value.key], units)
        row["interval_text"] = text.interval_text(value, keys[value.key], units)
    for row, summary in zip(document["summaries"], result.summaries, strict=True):
        row["text"] = text.summary_text(summary, keys[summary.key], units)
    for name, rows in (("comparisons", result.comparisons), ("direct", result.direct)):
        for row, found in zip(document[name], rows, strict=True):
            row["text"] = said(text.change_of(keys[found.key], found.difference), units)
            row["interval_text"] = text.difference_interval(found, keys[found.key], units)
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
