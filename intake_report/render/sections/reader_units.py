"""Texts that were written in SI units, in the reader's units."""

from __future__ import annotations

import re

from intake_report import formatting
from intake_report.units import UnitSystem

_QUANTITIES = {
    "K": "temperature_difference", "°C": "temperature", "km/h": "speed", "km": "distance", "m": "length",
    "kPa": "pressure",
}  # fmt: skip
_INTERNAL = {"km": 1000.0}  # internal units in one of the printed unit, where they differ
# "3 °F (1.7 K)" names both on purpose: a value in brackets of its own stays as it is
_VALUE = re.compile(r"(?<![\w.(])([+\-−]?)(\d+(?:\.\d+)?)([ \u00a0\u202f])(K|°C|km/h|km|m|kPa)(?![\w/²³*·])")


def in_reader_units(text: str, system: UnitSystem) -> str:
    """Return a text with its values and units in the reader's system.

    Parameters
    ----------
    text : str
        Values as "2 K", "+1.3 K", "60 km/h", "17.9 km", "16 m", "101.3 kPa", "40 °C".
    system : {"si", "us"}
        Units of the reader; a text for "si" stays as it is.

    Returns
    -------
    str
        As many decimals as before, or one more where a whole difference of temperatures is not whole any more.
    """
    if system == "si":
        return text
    return _VALUE.sub(lambda match: _converted(match, system), text)


def _converted(match: re.Match[str], system: UnitSystem) -> str:
    sign, digits, _, unit = match.groups()
    value = float(digits) * _INTERNAL.get(unit, 1.0) * (-1.0 if sign in ("-", "−") else 1.0)
    quantity, decimals = _QUANTITIES[unit], len(digits.partition(".")[2])
    if quantity == "temperature_difference" and decimals == 0 and float(digits) % 5 != 0.0:
        decimals = 1  # 5 K are 9 °F; other whole kelvins are no whole degrees Fahrenheit
    return formatting.with_unit(value, quantity, system, decimals, signed=sign == "+")
