"""Pieces of the demo's campaign files as TOML text."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from intake_report.demo.route import demo_route
from intake_report.demo.scenario import ZONE, Scenario


def text(value: str) -> str:
    """Return a TOML basic string (JSON's escapes are a subset of TOML's)."""
    return json.dumps(value, ensure_ascii=False)


def array(values: Iterable[str]) -> str:
    """Return a TOML array of strings, one a line where there are many."""
    items = [text(v) for v in values]
    return f"[{', '.join(items)}]" if len(items) < 4 else "[\n  " + ",\n  ".join(items) + ",\n]"


def inline(values: Mapping[str, str]) -> str:
    """Return a TOML inline table of ready texts."""
    return "{ " + ", ".join(f"{k} = {v}" for k, v in values.items()) + " }"


def key_values(table: str, values: Mapping[str, str], *, many: bool = False) -> str:
    """Return a TOML table (or one entry of an array of tables) of ready texts."""
    title = f"[[{table}]]" if many else f"[{table}]"
    return "\n".join([title, *(f"{k} = {v}" for k, v in values.items())]) + "\n"


def head(scenario: Scenario) -> str:
    """Return the schema line, [campaign], [vehicle] and the configurations."""
    vehicle = scenario.vehicle
    parts = [
        "# Simulated demo campaign. Vehicle, route, configurations, weather and readings are invented.\nschema = 1\n",
        key_values(
            "campaign",
            {
                "id": text(scenario.id),
                "title": text(scenario.title),
                "question": text(scenario.question),
                "units": text(scenario.units),
                "timezone": text(ZONE),
                "prepared_by": text("test engineer"),
                "reviewed_by": text("design review"),
            },
        ),
        key_values(
            "vehicle",
            {
                "description": text(vehicle.name[0].upper() + vehicle.name[1:] + " (simulated)"),
                "mass": text(f"{vehicle.mass:.0f} kg"),
                "displacement": text(f"{vehicle.displacement * 1000:.3f} L"),
                "aspiration": text("natural"),
                "transmission": text("six-speed"),
                "fuel": text("petrol"),
            },
        ),
    ]
    for c in scenario.configurations:
        values = {"id": text(c.id), "name": text(c.name), "role": text(c.role), "description": text(c.description)}
        if c.deviations:
            values["deviations"] = array(c.deviations)
        parts.append(key_values("configuration", values, many=True))
    return "\n".join(parts)


def instrument_tables() -> str:
    """Return [instrument] and what is known about its channels: data-sheet style figures (common practice)."""
    iat = {
        "resolution": text("1 degC"),
        "accuracy": text("1 degC"),
        "rounding": text("unknown"),
        "time_constant": text("5 s"),
        "location": text("airflow meter housing, behind the element"),
    }
    parts = [
        key_values(
            "instrument",
            {
                "logger": text("diagnostic-port adapter with a phone, ten channels in turn"),
                "clock_accuracy": text("1 s"),
            },
        ),
        key_values("instrument.channels.iat", iat),
        key_values(
            "instrument.channels.ambient",
            {"resolution": text("1 degC"), "accuracy": text("1 degC"), "location": text("behind the front bumper")},
        ),
        key_values("instrument.channels.speed", {"resolution": text("1 km/h"), "accuracy": text("2 km/h")}),
    ]
    return "\n".join(parts)


def route_tables() -> str:
    """Return [route] with its phases and the highway entry."""
    route = demo_route()
    description = "City with signal-controlled junctions, loop on-ramp with a metered light, highway; invented place"
    ramp, highway, end = (f"{edge:.0f} m" for edge in (route.ramp_start, route.highway_start, route.length))
    phases = (
        ("city", "City", "city", "0 m", ramp),
        ("on-ramp", "On-ramp", "ramp", ramp, highway),
        ("highway", "Highway", "highway", highway, end),
    )
    parts = [key_values("route", {"description": text(description), "reference": text("route.gpx")})]
    for id, name, kind, start, stop in phases:
        parts.append(
            key_values(
                "route.phase",
                {"id": text(id), "name": text(name), "kind": text(kind), "start": text(start), "end": text(stop)},
                many=True,
            )
        )
    parts.append(key_values("route.highway_entry", {"speed": text("80 km/h"), "hold": text("10 s")}))
    return "\n".join(parts)


@dataclass(frozen=True)
class _Claim:
    """One claim: the configurations it needs, and its table."""

    needs: frozenset[str]
    table: str


def _claim(id: str, sentence: str, metric: str, configuration: str, relation: str, **more: str) -> _Claim:
    values = {"id": text(id), "text": text(sentence), "metric": text(metric), "configuration": text(configuration)}
    values |= {"relation": text(relation)} | {k: text(v) for k, v in more.items()}
    return _Claim(frozenset({configuration, more.get("versus", configuration)}), key_values("claim", values, many=True))


_CLAIMS: dict[str, tuple[_Claim, ...]] = {
    "ramp-trial": (
        _claim(
            "city-closer", "In the city the sealed box keeps intake air closer to ambient than the as-sold airbox.",
            "mean_over_ambient", "sealed-snorkel", "lower", versus="stock", phase="city",
        ),
        _claim(
            "recovery-faster",
            "After joining the highway the sealed box is within 3 °F of ambient sooner than the as-sold airbox.",
            "recovery_time", "sealed-snorkel", "lower", versus="stock", margin="3 degF",
        ),
        _claim(
            "open-cooler", "The open cone runs cooler than the as-sold airbox in the city.",
            "mean_over_ambient", "open-cone", "lower", versus="stock", phase="city",
        ),
    ),
    "three-days": (
        _claim(
            "one-minute", "With the sealed box the intake air is within 3 °F of ambient a minute after entry.",
            "recovery_time", "sealed-snorkel", "at most", margin="3 degF", value="60 s",
        ),
        _claim(
            "faster-than-stock", "The sealed box recovers faster than the as-sold airbox.",
            "recovery_time", "sealed-snorkel", "lower", versus="stock", margin="5 degF",
        ),
    ),
    "tandem": (
        _claim(
            "city-closer", "In the city the sealed box keeps intake air closer to ambient than the as-sold airbox.",
            "mean_over_ambient", "sealed-snorkel", "lower", versus="stock", phase="city",
        ),
    ),
}  # fmt: skip


def claims(scenario: Scenario) -> str:
    """Return the [[claim]] tables whose configurations the campaign has."""
    there = {c.id for c in scenario.configurations}
    return "\n".join(c.table for c in _CLAIMS.get(scenario.id, ()) if c.needs <= there)
