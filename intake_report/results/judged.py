"""Texts of values that are judged against a limit: shares, counts, hours and clock times beside measured quantities."""

from __future__ import annotations

from intake_report.results import formatting
from intake_report.units import UnitSystem

_DECIMALS = {
    "temperature": 0, "temperature_difference": 1, "speed": 0, "distance": 2, "length": 0, "time": 0, "duration": 0,
    "pressure": 1, "mass_flow": 1, "engine_speed": 0, "angle": 1, "ratio": 0, "number": 2, "voltage": 1, "fuel_rate": 1,
}  # fmt: skip


def judged_text(value: float | None, quantity: str, system: UnitSystem, more: int = 0) -> str:
    """Return a value as text with its unit; an en dash when there is none.

    Parameters
    ----------
    value : float or None
        Value [internal unit of `quantity`; a share is 0 to 1, hours are hours, a clock time is in hours].
    quantity : str
        Key of `units.QUANTITIES`, or "share", "count", "hours", "clock".
    system : {"si", "us"}
        Units of the reader.
    more : int
        Decimals more than usual, so that a value beyond its limit does not read like the limit.
    """
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
    blank, whole = formatting.NARROW_SPACE, round(seconds)
    if whole < 60:
        return f"{whole}{blank}s"
    if whole < 3600 and whole % 60 == 0:
        return f"{whole // 60}{blank}min"
    if whole < 3600:
        return f"{whole // 60}{blank}min {whole % 60:02d}{blank}s"
    return f"{whole // 3600}{blank}h {whole % 3600 // 60:02d}{blank}min"
