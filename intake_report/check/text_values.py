"""Values, limits and sentences of the check as text, in the reader's units."""

from __future__ import annotations

from collections.abc import Sequence

from intake_report.check.model import CriterionCheck, PairCheck
from intake_report.results import formatting
from intake_report.units import UnitSystem

_DECIMALS = {
    "temperature": 0, "temperature_difference": 1, "speed": 0, "distance": 2, "length": 0, "time": 0, "duration": 0,
    "pressure": 1, "mass_flow": 1, "engine_speed": 0, "angle": 1, "ratio": 0, "number": 2, "voltage": 1, "fuel_rate": 1,
}  # fmt: skip
_PLAIN = {"share", "count", "acceleration", "hours"}


def value_text(value: float | None, quantity: str, system: UnitSystem, more: int = 0) -> str:
    """Return a value as text with its unit, with `more` decimals than usual; an en dash when there is none."""
    if value is None:
        return formatting.ABSENT
    blank = formatting.NARROW_SPACE
    if quantity == "share":
        return f"{formatting.number(100.0 * value, (0 if value == 0.0 or value >= 0.1 else 1) + more)}{blank}%"
    if quantity == "count":
        return formatting.number(value, 0)
    if quantity == "hours":
        return f"{formatting.number(value, 1 + more)}{blank}h"
    if quantity == "clock":
        minutes = round(value * 60.0) % (24 * 60)
        return f"{minutes // 60:02d}:{minutes % 60:02d}"
    if quantity == "duration":
        return duration_text(value)
    decimals = 2 if quantity == "acceleration" else _DECIMALS.get(quantity, 1)
    if quantity in ("time", "temperature_difference", "speed") and abs(value) < 10.0:
        decimals = 1
    return formatting.with_unit(value, quantity, system, decimals + more)


def duration_text(seconds: float) -> str:
    """Return "24 min 10 s", "1 h 05 min", "42 s"."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole}\N{NO-BREAK SPACE}s"
    if whole < 3600 and whole % 60 == 0:
        return f"{whole // 60}\N{NO-BREAK SPACE}min"
    if whole < 3600:
        return f"{whole // 60}\N{NO-BREAK SPACE}min {whole % 60:02d}\N{NO-BREAK SPACE}s"
    return f"{whole // 3600}\N{NO-BREAK SPACE}h {whole % 3600 // 60:02d}\N{NO-BREAK SPACE}min"


def limit_text(check: CriterionCheck, system: UnitSystem) -> str:
    """Return "≥ 95 %" or "≤ 1.1 K"."""
    if _nothing_wanted(check):
        return "none" if check.code != "one-pass" else "yes"
    sign = "≥" if check.sense == "at least" else "≤"
    return f"{sign}\N{NO-BREAK SPACE}{value_text(check.limit, check.quantity, system)}"


def found_text(check: CriterionCheck, system: UnitSystem) -> str:
    """Return the run's own value as the table shows it; where a difference is judged, `off_text` shows that."""
    if check.code == "one-pass" and check.value is not None:
        return "yes" if check.value == 0.0 else "no"
    if _nothing_wanted(check) and check.value == 0.0:
        return "none"
    if check.group == "alike":
        return value_text(check.own, check.own_quantity, system) if check.own is not None else ""
    return _judged(check, system)


def _judged(check: CriterionCheck, system: UnitSystem) -> str:
    """Return the value that is judged; one beyond its limit never reads like the limit."""
    for more in (0, 1, 2):
        text = value_text(check.value, check.quantity, system, more)
        if check.outcome != "fail" or text != value_text(check.limit, check.quantity, system, more):
            break
    return text


def _nothing_wanted(check: CriterionCheck) -> bool:
    return check.quantity == "count" and check.limit == 0.0 and check.group != "alike"


def off_text(check: CriterionCheck, system: UnitSystem) -> str:
    """Return the difference from the median of the runs; empty where none is judged."""
    return _judged(check, system) if check.group == "alike" else ""


def sentence(check: CriterionCheck, system: UnitSystem, pairs: Sequence[PairCheck] = ()) -> str:
    """Return one sentence on a criterion that was not met, with the run that is farthest in it."""
    if check.reason.startswith("The log has no "):
        return check.reason
    if check.code == "one-pass" or (_nothing_wanted(check) and check.reason):
        return check.reason
    limit = limit_text(check, system)
    value = _judged(check, system)
    if check.group == "alike":
        own = "" if check.own is None else f" {value_text(check.own, check.own_quantity, system)},"
        apart = max((p for p in pairs if p.code == check.code), key=lambda p: p.value or 0.0, default=None)
        farthest = (
            "" if apart is None else f"; farthest from {apart.other}, {value_text(apart.value, apart.quantity, system)}"
        )
        return f"{check.title}:{own} {value} from the median of the runs (limit {limit}){farthest}."
    return f"{check.title}: {value} (limit {limit}). {check.reason if check.group == 'log' else ''}".strip()
