"""The one place where units are parsed and converted.

Every quantity has one internal unit; text from a log or a campaign file is converted into it once, at load, and
converted back once, when text is formatted. Factors come from pint; the spellings that logs use are listed here.
"""

from __future__ import annotations

import difflib
import functools
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from intake_report.errors import DataError

if TYPE_CHECKING:
    import pint
    from numpy.typing import ArrayLike, NDArray

UnitSystem = Literal["si", "us"]


@dataclass(frozen=True)
class Quantity:
    """A physical quantity with its internal unit and what a reader sees.

    Parameters
    ----------
    name : str
        Name used in code ("temperature_difference").
    internal : str
        Internal unit, as a spelling that this module knows.
    si, us : str
        Display units of the two unit systems.
    """

    name: str
    internal: str
    si: str
    us: str


QUANTITIES: dict[str, Quantity] = {
    q.name: q
    for q in (
        Quantity("temperature", "degC", "degC", "degF"),
        Quantity("temperature_difference", "delta_degC", "delta_degC", "delta_degF"),
        Quantity("temperature_rate", "delta_degC/min", "delta_degC/min", "delta_degF/min"),
        Quantity("temperature_time", "delta_degC*min", "delta_degC*min", "delta_degF*min"),
        Quantity("speed", "km/h", "km/h", "mph"),
        Quantity("acceleration", "m/s^2", "m/s^2", "mph/s"),
        Quantity("distance", "m", "km", "mi"),
        Quantity("length", "m", "m", "ft"),
        Quantity("time", "s", "s", "s"),
        Quantity("duration", "s", "min", "min"),
        Quantity("pressure", "kPa", "kPa", "inHg"),
        Quantity("restriction", "kPa", "kPa", "inH2O"),
        Quantity("mass_flow", "g/s", "g/s", "g/s"),
        Quantity("volume_flow", "m^3/s", "m^3/h", "cfm"),
        Quantity("volume", "L", "L", "L"),
        Quantity("fuel_rate", "L/h", "L/h", "gal/h"),
        Quantity("engine_speed", "rpm", "rpm", "rpm"),
        Quantity("angle", "deg", "deg", "deg"),
        Quantity("angle_per_temperature", "deg/delta_degC", "deg/delta_degC", "deg/delta_degF"),
        Quantity("ratio", "%", "%", "%"),
        Quantity("ratio_difference", "%", "%", "%"),
        Quantity("number", "1", "1", "1"),
        Quantity("voltage", "V", "V", "V"),
        Quantity("power", "kW", "kW", "hp"),
        Quantity("torque", "N*m", "N*m", "lbf*ft"),
        Quantity("mass", "kg", "kg", "lb"),
        Quantity("density", "kg/m^3", "kg/m^3", "kg/m^3"),
    )
}

_LABELS = {
    "degC": "°C",
    "degF": "°F",
    "delta_degC": "K",
    "delta_degF": "°F",
    "delta_degC/min": "K/min",
    "delta_degF/min": "°F/min",
    "delta_degC*min": "K·min",
    "delta_degF*min": "°F·min",
    "m/s^2": "m/s²",
    "m^3/s": "m³/s",
    "m^3/h": "m³/h",
    "N*m": "N·m",
    "lbf*ft": "lbf·ft",
    "kg/m^3": "kg/m³",
    "inH2O": "inH₂O",
    "deg": "°",
    "deg/delta_degC": "°/K",
    "deg/delta_degF": "°/°F",
    "1": "",
}

# Expression in our pint registry -> the spellings of it, in lower case and without blanks.
_SPELLINGS_OF = {
    "degC": "c °c ℃ degc deg.c celsius â°c �c ºc gradc",
    "degF": "f °f ℉ degf deg.f fahrenheit â°f �f ºf",
    "kelvin": "k kelvin",
    "delta_degC": "delta_degc",
    "delta_degF": "delta_degf",
    "delta_degC/min": "delta_degc/min k/min",
    "delta_degF/min": "delta_degf/min",
    "deg/delta_degC": "deg/delta_degc °/k deg/k",
    "deg/delta_degF": "deg/delta_degf °/°f deg/degf",
    "delta_degC*min": "delta_degc*min k*min k·min",
    "delta_degF*min": "delta_degf*min",
    "km/h": "km/h kmh kph km/hr kmph",
    "mile/hour": "mph mi/h miles/h",
    "m/s": "m/s",
    "knot": "kt kn knots knot",
    "ft/s": "ft/s",
    "m/s^2": "m/s^2 m/s² m/s2",
    "mile/hour/s": "mph/s",
    "ft/s^2": "ft/s^2",
    "m": "m meter metre meters metres",
    "km": "km",
    "mile": "mi mile miles",
    "ft": "ft feet",
    "inch": "in inch",
    "mm": "mm",
    "cm": "cm",
    "s": "s sec seconds second",
    "ms": "ms",
    "minute": "min minute minutes",
    "hour": "h hr hour hours",
    "us": "us µs",
    "ns": "ns",
    "Pa": "pa",
    "hPa": "hpa",
    "kPa": "kpa",
    "MPa": "mpa",
    "mbar": "mbar mb",
    "bar": "bar",
    "psi": "psi psia",
    "inch_mercury": "inhg in_hg in.hg",
    "millimetre_mercury": "mmhg",
    "torr": "torr",
    "inch_water": "inh2o in.h2o inwc iwc inwg inh₂o",
    "atm": "atm",
    "g/s": "g/s gps gm/s g/sec grams/sec",
    "kg/hour": "kg/h kg/hr",
    "kg/minute": "kg/min",
    "kg/s": "kg/s",
    "lb/minute": "lb/min lbs/min",
    "lb/hour": "lb/h",
    "ft^3/minute": "cfm ft^3/min ft3/min",
    "m^3/s": "m^3/s m³/s m3/s",
    "m^3/hour": "m^3/h m³/h m3/h",
    "L/s": "l/s",
    "L/minute": "l/min",
    "L": "l liter litre",
    "cm^3": "cc cm3 cm³",
    "inch^3": "in3 in³ cid",
    "L/hour": "l/h",
    "gallon/hour": "gal/h gph",
    "rpm": "rpm 1/min u/min r/min min-1 min^-1 rev/min /min",
    "degree": "° deg degree degrees °ca degbtdc â° º",
    "radian": "rad",
    "percent": "% percent pct",
    "1": "1 - ratio count",
    "V": "v volt volts",
    "mV": "mv",
    "kW": "kw",
    "W": "w",
    "horsepower": "hp bhp whp",
    "metric_horsepower": "ps cv pk",
    "N*m": "n*m nm n·m n.m",
    "lbf*ft": "lbf*ft lbf·ft lb-ft lbft lb*ft ft-lb ftlb ft*lbf lbf-ft ft-lbf",
    "kg": "kg",
    "g": "g",
    "lb": "lb lbs",
    "mg": "mg",
    "kg/m^3": "kg/m^3 kg/m³ kg/m3",
    "g/m^3": "g/m3",
    "lb/ft^3": "lb/ft3 lb/ft^3",
    "slug/ft^3": "slug/ft3 slug/ft^3",
}
_SPELLINGS = {spelling: unit for unit, spellings in _SPELLINGS_OF.items() for spelling in spellings.split()} | {"": "1"}


@functools.lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[Any]:
    import pint

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry()
    # Conventional inch of water and of mercury, exact by definition: 25.4 mm x 9.80665 m/s2 x 1000 (13595.1) kg/m3.
    registry.define("inch_water = 249.08891 * pascal")
    registry.define("inch_mercury = 3386.388640341 * pascal")
    registry.define("millimetre_mercury = 133.322387415 * pascal")
    return registry


def _expression(text: str) -> str | None:
    """Return the pint expression of a unit spelling, or None if the spelling is not known."""
    key = re.sub(r"\s+", "", text).strip("[](){}").lower()
    return _SPELLINGS.get(key)


def known_unit(text: str) -> bool:
    """Tell whether `text` is a unit spelling that can be converted."""
    return _expression(text) is not None


def quantity_of_unit(text: str) -> tuple[str, ...]:
    """Return the names of the quantities that unit `text` can measure (empty if it is not known)."""
    if not known_unit(text):
        return ()
    found = []
    for name in QUANTITIES:
        try:
            conversion(text, name)
        except DataError:
            continue
        found.append(name)
    return tuple(found)


@functools.lru_cache(maxsize=512)
def conversion(unit: str, quantity: str) -> tuple[float, float]:
    """Return (scale, offset) so that ``internal = scale * value + offset``.

    Parameters
    ----------
    unit : str
        Unit as written by a logger or a user.
    quantity : str
        Key of `QUANTITIES`. For "temperature_difference" a temperature unit means an interval: 3 °F is 1.667 K.

    Returns
    -------
    tuple of float
        Scale [internal unit per unit] and offset [internal unit].

    Raises
    ------
    DataError
        If the unit is not known or does not measure the quantity.
    """
    expression = _expression(unit)
    if expression is None:
        near = difflib.get_close_matches(unit.lower(), _SPELLINGS, n=1)
        hint = f" Did you mean “{near[0]}”?" if near else ""
        raise DataError(f"the unit “{unit}” is not known.", remedy=hint.strip() or None)
    if quantity == "temperature":
        return _temperature_conversion(expression, unit)
    if quantity.startswith("temperature_"):
        expression = re.sub(r"^(degC|kelvin)", "delta_degC", expression)
        expression = re.sub(r"^degF", "delta_degF", expression)
    internal = _expression(QUANTITIES[quantity].internal)
    if expression == internal:
        return 1.0, 0.0  # most logs are in internal units; starting pint for them costs half a second
    import pint

    registry = _registry()
    try:
        scale = registry.Quantity(1.0, expression).to(internal).magnitude
    except pint.DimensionalityError:
        raise DataError(f"the unit “{unit}” does not measure a {quantity.replace('_', ' ')}.") from None
    return float(scale), 0.0


def _temperature_conversion(expression: str, unit: str) -> tuple[float, float]:
    exact = {"degC": (1.0, 0.0), "degF": (5.0 / 9.0, -160.0 / 9.0), "kelvin": (1.0, -273.15)}
    if expression not in exact:
        raise DataError(f"the unit “{unit}” does not measure a temperature.")
    return exact[expression]


def to_internal(values: ArrayLike, unit: str, quantity: str) -> NDArray[np.float64]:
    """Convert `values` [`unit`] to the internal unit of `quantity`.

    Parameters
    ----------
    values : array_like of float
        Any shape; NaN stays NaN.
    unit : str
        Unit as written.
    quantity : str
        Key of `QUANTITIES`.

    Returns
    -------
    ndarray of float64
        Same shape [internal unit].
    """
    scale, offset = conversion(unit, quantity)
    array = np.asarray(values, dtype=np.float64)
    if scale == 1.0 and offset == 0.0:
        return array
    return array * scale + offset


def from_internal(values: ArrayLike, unit: str, quantity: str) -> NDArray[np.float64]:
    """Convert `values` [internal unit of `quantity`] to `unit`; the inverse of `to_internal`."""
    scale, offset = conversion(unit, quantity)
    return (np.asarray(values, dtype=np.float64) - offset) / scale


_NUMBER_AND_UNIT = re.compile(r"^\s*([-+−]?\d+(?:\.\d*)?(?:[eE][-+]?\d+)?|[-+−]?\.\d+)\s*(.*?)\s*$")


def parse_quantity(text: str, quantity: str) -> float:
    """Parse "3 degF" into the internal unit of `quantity`.

    Parameters
    ----------
    text : str
        A number and a unit.
    quantity : str
        Key of `QUANTITIES`.

    Returns
    -------
    float
        Value [internal unit].

    Raises
    ------
    DataError
        If there is no number, no unit, or a unit of another quantity.
    """
    match = _NUMBER_AND_UNIT.match(text)
    example = f"{QUANTITIES[quantity].internal.replace('delta_', '')}"
    if not match:
        raise DataError(f"“{text}” is not a number with a unit.", remedy=f"Write for example “3 {example}”.")
    number, unit = match.groups()
    if not unit and quantity not in ("number",):
        raise DataError(f"“{text}” has no unit.", remedy=f"Write for example “{text.strip()} {example}”.")
    return float(to_internal(float(number.replace("−", "-")), unit, quantity))


def display_unit(quantity: str, system: UnitSystem) -> str:
    """Return the unit spelling in which a reader of `system` sees `quantity`."""
    spec = QUANTITIES[quantity]
    return spec.us if system == "us" else spec.si


def unit_label(unit: str) -> str:
    """Return how a unit is printed: "degC" becomes "°C", a temperature difference in kelvin "K"."""
    return _LABELS.get(unit, unit)


def to_display(values: ArrayLike, quantity: str, system: UnitSystem) -> NDArray[np.float64]:
    """Convert internal `values` of `quantity` to the display unit of `system`."""
    return from_internal(values, display_unit(quantity, system), quantity)
