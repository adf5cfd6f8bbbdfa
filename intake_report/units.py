"""The one place where units are parsed and converted; factors are exact fractions, rounded once to a float."""

import difflib
import functools
import math
import re
from fractions import Fraction as F
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from intake_report.errors import DataError

UnitSystem = Literal["si", "us"]


class Quantity(NamedTuple):
    """The internal unit of a physical quantity and the display units of the two unit systems, as spelt below."""

    internal: str
    si: str
    us: str


def _shown(internal: str, *, si: str = "", us: str = "") -> Quantity:
    return Quantity(internal, si or internal, us or internal)


QUANTITIES = {
    "temperature": _shown("degC", us="degF"), "temperature_difference": _shown("delta_degC", us="delta_degF"),
    "temperature_rate": _shown("delta_degC/min", us="delta_degF/min"),
    "temperature_time": _shown("delta_degC*min", us="delta_degF*min"), "speed": _shown("km/h", us="mph"),
    "acceleration": _shown("m/s^2", us="mph/s"), "distance": _shown("m", si="km", us="mi"),
    "length": _shown("m", us="ft"), "time": _shown("s"), "duration": _shown("s", si="min", us="min"), "pressure": _shown("kPa", us="inHg"),
    "restriction": _shown("kPa", us="inH2O"), "mass_flow": _shown("g/s"),
    "volume_flow": _shown("m^3/s", si="m^3/h", us="cfm"), "volume": _shown("L"), "fuel_rate": _shown("L/h", us="gal/h"),
    "engine_speed": _shown("rpm"), "angle": _shown("deg"),
    "angle_per_temperature": _shown("deg/delta_degC", us="deg/delta_degF"), "ratio": _shown("%"),
    "ratio_difference": _shown("%"), "number": _shown("1"), "voltage": _shown("V"), "power": _shown("kW", us="hp"),
    "torque": _shown("N*m", us="lbf*ft"), "mass": _shown("kg", us="lb"), "density": _shown("kg/m^3"),
}  # fmt: skip

_LABELS = {
    "degC": "°C", "degF": "°F", "delta_degC": "K", "delta_degF": "°F", "delta_degC/min": "K/min", "delta_degF/min": "°F/min",
    "delta_degC*min": "K·min", "delta_degF*min": "°F·min", "deg/delta_degC": "°/K", "deg/delta_degF": "°/°F", "deg": "°",
    "m/s^2": "m/s²", "m^3/s": "m³/s", "m^3/h": "m³/h", "N*m": "N·m", "lbf*ft": "lbf·ft", "kg/m^3": "kg/m³", "inH2O": "inH₂O",
    "1": "",
}  # fmt: skip

# Exact by definition: international yard and pound (1959), standard gravity (3rd CGPM, 1901), US gallon of 231 cubic
# inches; conventional inch of water and of mercury and millimetre of mercury: height x 9.80665 m/s2 x 1000 (13595.1) kg/m3.
_INCH, _FOOT, _MILE, _POUND = F("0.0254"), F("0.3048"), F("1609.344"), F("0.45359237")
_GRAVITY, _WATER, _MERCURY = F("9.80665"), F(1000), F("13595.1")
_PSI, _LBF_FT, _HOUR = _POUND * _GRAVITY / _INCH**2, _POUND * _GRAVITY * _FOOT, F(3600)
_ZERO_CELSIUS = F("273.15")

# What is measured: spellings in lower case and without blanks, and their factor to the SI unit of it; offsets of temperatures.
_FACTORS: dict[str, dict[str, F | int]] = {
    "temperature": {
        "c °c ℃ degc deg.c celsius â°c �c ºc gradc": 1, "f °f ℉ degf deg.f fahrenheit â°f �f ºf": F(5, 9),
        "k kelvin": 1,
    },
    "temperature_difference": {"delta_degc": 1, "delta_degf": F(5, 9)},
    "temperature_rate": {"delta_degc/min k/min": 1, "delta_degf/min": F(5, 9)},
    "angle_per_temperature": {"deg/delta_degc °/k deg/k": 1, "deg/delta_degf °/°f deg/degf": F(9, 5)},
    "temperature_time": {"delta_degc*min k*min k·min": 1, "delta_degf*min": F(5, 9)},
    "speed": {
        "km/h kmh kph km/hr kmph": 1000 / _HOUR, "mph mi/h miles/h": _MILE / _HOUR, "m/s": 1,
        "kt kn knots knot": 1852 / _HOUR, "ft/s": _FOOT,
    },
    "acceleration": {"m/s^2 m/s² m/s2": 1, "mph/s": _MILE / _HOUR, "ft/s^2": _FOOT},
    "length": {
        "m meter metre meters metres": 1, "km": 1000, "mi mile miles": _MILE, "ft feet": _FOOT, "in inch": _INCH,
        "mm": F("1e-3"), "cm": F("1e-2"),
    },
    "time": {
        "s sec secs seconds second": 1, "ms msec millis millisecond milliseconds": F("1e-3"), "min minute minutes": 60,
        "h hr hour hours": _HOUR, "us µs μs usec micros microseconds": F("1e-6"), "ns nanoseconds": F("1e-9"),
    },
    "pressure": {
        "pa": 1, "hpa": 100, "kpa": 1000, "mpa": 10**6, "mbar mb": 100, "bar": 10**5, "psi psia": _PSI,
        "inhg in_hg in.hg": _INCH * _GRAVITY * _MERCURY, "mmhg": F("1e-3") * _GRAVITY * _MERCURY,
        "torr": F(101325, 760), "inh2o in.h2o inwc iwc inwg inh₂o": _INCH * _GRAVITY * _WATER, "atm": 101325,
    },
    "mass_flow": {
        "g/s gps gm/s g/sec grams/sec": F("1e-3"), "kg/h kg/hr": 1 / _HOUR, "kg/min": F(1, 60), "kg/s": 1,
        "lb/min lbs/min": _POUND / 60, "lb/h": _POUND / _HOUR,
    },
    "volume_flow": {
        "cfm ft^3/min ft3/min": _FOOT**3 / 60, "m^3/s m³/s m3/s": 1, "m^3/h m³/h m3/h": 1 / _HOUR, "l/s": F("1e-3"),
        "l/min": F("1e-3") / 60, "l/h": F("1e-3") / _HOUR, "gal/h gph": 231 * _INCH**3 / _HOUR,
    },
    "volume": {"l liter litre": F("1e-3"), "cc cm3 cm³": F("1e-6"), "in3 in³ cid": _INCH**3},
    "engine_speed": {"rpm 1/min u/min r/min min-1 min^-1 rev/min /min": 1},
    "angle": {"° deg degree degrees °ca degbtdc â° º": 1, "rad": 180 / F(math.pi)},
    "number": {"% percent pct": F("1e-2"), "1 - ratio count": 1},
    "voltage": {"v volt volts": 1, "mv": F("1e-3")},
    "power": {"kw": 1000, "w": 1, "hp bhp whp": 550 * _LBF_FT, "ps cv pk": 75 * _GRAVITY},
    "torque": {"n*m nm n·m n.m": 1, "lbf*ft lbf·ft lb-ft lbft lb*ft ft-lb ftlb ft*lbf lbf-ft ft-lbf": _LBF_FT},
    "mass": {"kg": 1, "g": F("1e-3"), "lb lbs": _POUND, "mg": F("1e-6")},
    "density": {
        "kg/m^3 kg/m³ kg/m3": 1, "g/m3": F("1e-3"), "lb/ft3 lb/ft^3": _POUND / _FOOT**3,
        "slug/ft3 slug/ft^3": _LBF_FT / _FOOT**5,
    },
}  # fmt: skip
_OFFSETS = {"f": F(-160, 9), "k": -_ZERO_CELSIUS}  # by the first spelling
SPELLINGS = {
    spelling: (measures, F(factor), F(_OFFSETS.get(spellings.split()[0], 0)))
    for measures, factors in _FACTORS.items()
    for spellings, factor in factors.items()
    for spelling in spellings.split()
}
SPELLINGS[""] = SPELLINGS["1"]


def spelling(text: str) -> str:
    """Return a unit as `SPELLINGS` has it: without spaces, brackets and capitals."""
    return re.sub(r"\s+", "", text).strip("[](){}").lower()


def known_unit(text: str) -> bool:
    """Tell whether `text` is a unit spelling that can be converted."""
    return spelling(text) in SPELLINGS


@functools.lru_cache(maxsize=512)
def conversion(unit: str, quantity: str) -> tuple[float, float]:
    """Return scale and offset so that ``internal = scale * value + offset``, of a unit as a logger or a user writes it.

    Of a temperature difference it means an interval: 3 °F is 1.667 K. DataError: not known, or of another quantity.
    """
    if not known_unit(unit):
        near = difflib.get_close_matches(unit.lower(), SPELLINGS, n=1)
        raise DataError(f"the unit “{unit}” is not known.", remedy=f"Did you mean “{near[0]}”?" if near else None)
    measures, factor, offset = SPELLINGS[spelling(unit)]
    wanted, internal, _ = SPELLINGS[spelling(QUANTITIES[quantity].internal)]
    if wanted == "temperature_difference" and measures == "temperature":
        measures, offset = wanted, F(0)
    if measures != wanted:
        raise DataError(f"the unit “{unit}” does not measure a {quantity.replace('_', ' ')}.")
    return float(factor / internal), float(offset)


def to_internal(values: ArrayLike, unit: str, quantity: str) -> NDArray[np.float64]:
    """Convert `values` [`unit`], of any shape, to the internal unit of `quantity`; NaN stays NaN."""
    scale, offset = conversion(unit, quantity)
    array = np.asarray(values, dtype=np.float64)
    return array if (scale, offset) == (1.0, 0.0) else array * scale + offset


def from_internal(values: ArrayLike, unit: str, quantity: str) -> NDArray[np.float64]:
    """Convert `values` [internal unit of `quantity`] to `unit`; the inverse of `to_internal`."""
    scale, offset = conversion(unit, quantity)
    return (np.asarray(values, dtype=np.float64) - offset) / scale


_NUMBER_AND_UNIT = re.compile(r"^\s*([-+−]?\d+(?:\.\d*)?(?:[eE][-+]?\d+)?|[-+−]?\.\d+)\s*(.*?)\s*$")


def parse_quantity(text: str, quantity: str) -> float:
    """Return "3 degF" in the internal unit of `quantity`; DataError without a number, or a unit that measures it."""
    match = _NUMBER_AND_UNIT.match(text)
    example = QUANTITIES[quantity].internal.replace("delta_", "")
    if not match:
        raise DataError(f"“{text}” is not a number with a unit.", remedy=f"Write for example “3 {example}”.")
    number, unit = match.groups()
    if not unit and quantity != "number":
        raise DataError(f"“{text}” has no unit.", remedy=f"Write for example “{text.strip()} {example}”.")
    value = float(to_internal(float(number.replace("−", "-")), unit, quantity))
    if not math.isfinite(value):
        raise DataError(f"“{text}” is beyond all bounds.", remedy="Correct the number.")
    return value


def display_unit(quantity: str, system: UnitSystem) -> str:
    """Return the unit spelling in which a reader of `system` sees `quantity`."""
    return QUANTITIES[quantity].us if system == "us" else QUANTITIES[quantity].si


def unit_label(unit: str) -> str:
    """Return how a unit is printed: "degC" becomes "°C", a temperature difference in kelvin "K"."""
    return _LABELS.get(unit, unit)


def to_display(values: ArrayLike, quantity: str, system: UnitSystem) -> NDArray[np.float64]:
    """Convert internal `values` of `quantity` to the display unit of `system`."""
    return from_internal(values, display_unit(quantity, system), quantity)
