"""What a figure shows, in a line above it: computed from what it draws."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from intake_report import formatting
from intake_report.dyno import DynoResult
from intake_report.render.sections.answer import level
from intake_report.results import BudgetRow, MetricKey, ReportResult
from intake_report.results.evidence import AirEvidence, Places
from intake_report.results.text import metric_title, percent


def levels(result: ReportResult, keys: Sequence[MetricKey]) -> str:
    """Return the value of each configuration in the first of these metrics that has one."""
    for key in keys:
        known = [(level(result, key, c.id), c.name) for c in result.configurations]
        if all(text for text, _ in known):
            return f"{metric_title(key, result.units)}: {formatting.listing([f'{text} with {name}' for text, name in known])}"
    return ""


def hottest(result: ReportResult) -> str:
    """Return the highest intake air temperature of each configuration and the phase in which it was read."""
    parts = []
    for c in result.configurations:
        points = [
            (y, x)
            for curve in result.route_curves
            if curve.configuration == c.id
            for x, y in zip(curve.x, curve.y, strict=True)
            if y is not None
        ]
        if points:
            value, at = max(points)
            phase = next((p.name for p in result.phases if p.start <= at <= p.end), "")
            parts.append(
                f"{formatting.with_unit(value, 'temperature', result.units, 0)} with {c.name}{f' ({phase})' if phase else ''}"
            )
    return f"Highest intake air: {formatting.listing(parts)}" if parts else ""


def farthest_apart(result: ReportResult, places: Places) -> str:
    """Return where the means of the configurations lie farthest apart."""
    means = np.array([[np.nan if v is None else v for v in curve.mean] for curve in places.curves])
    apart = np.where(np.isnan(means).any(axis=0), -1.0, np.ptp(means, axis=0))
    if len(means) < 2 or apart.max() < 0.0:
        return ""
    at = int(apart.argmax())
    values = [
        f"{formatting.with_unit(float(mean), places.quantity, result.units, 1)} with {result.name_of(curve.configuration)}"
        for curve, mean in zip(places.curves, means[:, at], strict=True)
    ]
    where = formatting.with_unit(places.centres[at], "distance", result.units, 1)
    return f"Farthest apart at {where}: {formatting.listing(values)}"


def calls(result: ReportResult, keys: Sequence[MetricKey]) -> str:
    """Return how many of the differences of these metrics are shown."""
    rows = [c for c in result.comparisons if c.difference is not None and any(k.key == c.key for k in keys)]
    called = sum(c.call in ("shown", "exploratory") for c in rows)
    only = ", as indications only" if all(c.call == "indication" for c in rows) else ""
    return f"{called} of {len(rows)} differences from {result.baseline.name} are shown{only}"


def largest_sources(budgets: Sequence[tuple[MetricKey, Sequence[BudgetRow]]]) -> str:
    """Return which source of uncertainty is the largest in how many of the metrics."""
    first = Counter(max(rows, key=lambda row: row.u or 0.0).source for _, rows in budgets if any(row.u for row in rows))
    parts = [f"{source.lower()} in {count} of {len(budgets)}" for source, count in first.most_common()]
    return f"Largest source of a metric: {formatting.listing(parts)}" if parts else ""


def masses(result: ReportResult, air: AirEvidence) -> str:
    """Return how much air of ambient the volume holds with each configuration."""
    parts = [
        f"{percent(100.0 * (point.mass / air.ambient_mass - 1.0), 1)} with {result.name_of(point.configuration)}"
        for point in air.points
    ]
    return f"Mass of air against ambient air: {formatting.listing(parts)}" if parts else ""


def peaks(result: ReportResult, dyno: DynoResult) -> str:
    """Return between which values the peaks of the mean curves of the configurations lie."""
    parts = []
    for quantity in ("power", "torque"):
        found = [max(v for v in curve.mean if v is not None) for curve in dyno.curves if curve.quantity == quantity]
        if found:
            ends = (min(found), max(found))
            parts.append(f"peak {quantity} {formatting.interval(*ends, quantity, result.units, 1)}")
    text = formatting.listing(parts)
    one = len({curve.configuration for curve in dyno.curves}) == 1
    return f"{text[:1].upper()}{text[1:]}{'' if one else ' over all configurations'}"


def stops(result: ReportResult) -> str:
    """Return in which phases the places of stops lie."""
    places = result.places.stops if result.places else ()
    of = Counter(next((p.name for p in result.phases if p.start <= s.distance <= p.end), "elsewhere") for s in places)
    if not of:
        return "No place at which runs stopped"
    parts = [f"{count} in {name}" if name != "elsewhere" else f"{count} elsewhere" for name, count in of.items()]
    return f"{formatting.count(len(places), 'place')} where runs stopped: {formatting.listing(parts)}"
