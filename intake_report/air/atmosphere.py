"""Standard atmosphere, density altitude by definition, and station pressure from what weather reports give.

Heights are geopotential metres unless stated; temperature [°C], pressure [kPa], density [kg/m³].
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np

from intake_report.air.humid import KELVIN, F, check_temperature
from intake_report.errors import DataError

GRAVITY = 9.80665
R_ISA = 287.05287
LAPSE = 0.0065
T0 = 288.15
P0 = 101.325
RHO0 = P0 * 1000.0 / (R_ISA * T0)
EXPONENT = GRAVITY / (R_ISA * LAPSE)
INCH_MERCURY = 3.386388640341
"""One conventional inch of mercury [kPa]."""

AltimeterForm = Literal["smithsonian", "isa"]

REDUCED_RANGE = (85.0, 110.0)
"""Pressures [kPa] that can be reduced to sea level: the records are 87.0 and 108.4 kPa (WMO archive of weather extremes,
from memory)."""

STATION_TOLERANCE = 0.05
"""Largest departure of a station pressure from the standard atmosphere that is not questioned (weather: about 4 %)."""


def _check_height(height: float | np.ndarray) -> None:
    h = np.asarray(height)
    if np.any((h < -2000.0) | (h > 11000.0)):
        raise DataError(
            f"{float(h[(h < -2000.0) | (h > 11000.0)].flat[0]):g} m is outside the troposphere part of the standard "
            "atmosphere (−2000 m to 11000 m).",
            remedy="Check the elevation and its unit.",
        )


def isa_pressure(height: F) -> F:
    """ISA pressure [kPa] at a geopotential height [m], −2000 m to 11000 m (ISO 2533)."""
    _check_height(height)
    pressure: F = P0 * (1.0 - LAPSE / T0 * height) ** EXPONENT
    return pressure


def density_altitude(density: F) -> F:
    """Geopotential height [m] at which the standard atmosphere has this density [kg/m³]: the definition.

    Give the density of the humid air (`density_ideal`, the gas law the standard atmosphere uses). The rules of
    thumb (118.8 or 120 ft per kelvin over ISA, common practice) are up to 70 m away from it.
    """
    height: F = T0 / LAPSE * (1.0 - (density / RHO0) ** (1.0 / (EXPONENT - 1.0)))
    _check_height(height)
    return height


def station_pressure(altimeter: F, elevation: F, form: AltimeterForm = "smithsonian") -> F:
    """Station pressure [kPa] from an altimeter setting (QNH) [kPa] and the station's elevation [m].

    `form` {"smithsonian", "isa"}: "smithsonian": Smithsonian Meteorological Tables 1951, with its 0.3 hPa; "isa": the
    standard atmosphere (k1 0.190263, k2 8.417286e-5 hPa^k1/m). They differ by 0.3 hPa at 500 m. Raises DataError: if
    the altimeter setting is not one (85 kPa to 110 kPa), or the elevation is outside −2000 m to 11000 m.
    """
    _check_reduced(altimeter, "altimeter setting")
    _check_height(elevation)
    station: F
    if form == "smithsonian":
        n = 287.04749 * LAPSE / GRAVITY
        station = ((10.0 * altimeter) ** n - 1013.25**n * LAPSE * elevation / 288.0) ** (1.0 / n) / 10.0 + 0.03
    else:
        station = ((10.0 * altimeter) ** 0.190263 - 8.417286e-5 * elevation) ** (1.0 / 0.190263) / 10.0
    return station


def _check_reduced(pressure: float | np.ndarray, what: str) -> None:
    p, (low, high) = np.asarray(pressure), REDUCED_RANGE
    bad = ~((p >= low) & (p <= high))
    if np.any(bad):
        sentence = f"{float(p[bad].flat[0]):g} kPa is no {what} ({low:g} kPa to {high:g} kPa)."
        raise DataError(sentence, remedy="Check the unit; a station pressure needs no reduction.")


def station_from_sea_level(sea_level: F, elevation: F, temperature: F) -> F:
    """Station pressure [kPa] from a pressure reduced to sea level (QFF, "SLP") [kPa].

    `elevation`: [m]; `temperature`: air temperature at the station [°C]; the column's mean is taken half way down at
    6.5 K/km. Raises DataError: if the pressure is none that is reduced to sea level, or the temperature is below
    absolute zero.

    Hydrostatic column as in psychrolib (gas constant 287.055, gravity 9.807). A weather service may use a twelve-hour
    mean temperature and a plateau correction, so an altimeter setting is the better source.
    """
    _check_reduced(sea_level, "pressure at sea level")
    check_temperature(temperature)
    column = temperature + LAPSE * elevation / 2.0 + KELVIN
    station: F = sea_level * np.exp(-elevation / (287.055 * column / 9.807))
    return station


class PressureQuestion(NamedTuple):
    """Why a pressure is not believed: one sentence and the remedy."""

    what: str
    remedy: str


_UNITS = (  # tried in turn: would the number be an air pressure if it were in this unit?
    ("hPa (mbar)", 0.1),
    ("Pa", 0.001),
    ("inHg", INCH_MERCURY),
    ("mmHg", 0.133322387415),
    ("psi", 6.894757293168361),
    ("bar or atm", 100.0),
)


def question_pressure(pressure: float, elevation: float | None = None) -> PressureQuestion | None:
    """Question a station pressure [kPa] that cannot be one, or not at this elevation [m].

    Returns none if nothing speaks against it. Without an elevation only the unit can be questioned; below about 420 m a
    sea-level pressure is within the weather's own range and cannot be told from a station pressure.
    """
    if not np.isfinite(pressure) or not 50.0 <= pressure <= 110.0:
        guesses = [unit for unit, factor in _UNITS if np.isfinite(pressure) and 80.0 <= pressure * factor <= 108.0]
        hint = f"The number looks like {guesses[0]}; give its unit." if guesses else "Check the value and its unit."
        return PressureQuestion(f"{pressure:g} kPa is not an air pressure at any road.", hint)
    if elevation is None:
        return None
    expected = float(isa_pressure(elevation))
    if abs(pressure / expected - 1.0) <= STATION_TOLERANCE:
        return None
    what = (
        f"A station pressure of {pressure:.1f} kPa is questionable at {elevation:g} m, "
        f"where the standard atmosphere has {expected:.1f} kPa."
    )
    if 95.0 <= pressure <= 106.0 and elevation > 0.0:
        return PressureQuestion(what, "It looks reduced to sea level: give it as an altimeter setting instead.")
    return PressureQuestion(what, "Check the pressure, the elevation and their units.")


def check_pressure(pressure: float, elevation: float | None = None) -> None:
    """Raise what `question_pressure` finds.

    Raises DataError: if the pressure [kPa] cannot be a station pressure, or not at this elevation [m].
    """
    question = question_pressure(pressure, elevation)
    if question is not None:
        raise DataError(question.what, remedy=question.remedy)
