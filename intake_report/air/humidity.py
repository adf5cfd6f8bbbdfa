"""Water vapour in air: saturation pressure by named formulations, dew point, relative humidity, dry pressure.

Every function takes and gives floats or float arrays: temperature [°C], pressure [kPa], relative humidity [%].
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from intake_report.errors import DataError

Array = NDArray[np.float64]
F = TypeVar("F", float, Array)

KELVIN = 273.15
MOLAR_MASS_RATIO = 0.621945
"""Molar mass of water over that of dry air (ASHRAE Fundamentals 2017, chapter 1)."""

DEFAULT_SATURATION = "iapws"


@dataclass(frozen=True)
class SaturationSpec:
    """What one saturation-pressure formulation is and where it holds.

    Attributes
    ----------
    key, title : str
        Name in code and in text.
    source : str
        Publication the coefficients come from.
    lowest, highest : float
        Temperature range [°C] in which this package lets it be used.
    note : str
        Anything a reader has to know about the range.
    """

    key: str
    title: str
    source: str
    lowest: float
    highest: float
    note: str = ""


def _iapws(t: Array) -> Array:
    tc, pc = 647.096, 22064.0
    kelvin = t + KELVIN
    x = 1.0 - kelvin / tc
    series = (
        -7.85951783 * x
        + 1.84408259 * x**1.5
        - 11.7866497 * x**3
        + 22.6807411 * x**3.5
        - 15.9618719 * x**4
        + 1.80122502 * x**7.5
    )
    return pc * np.exp(tc / kelvin * series)


def _if97(t: Array) -> Array:
    kelvin = t + KELVIN
    theta = kelvin - 0.23855557567849 / (kelvin - 650.17534844798)
    a = theta**2 + 1167.0521452767 * theta - 724213.16703206
    b = -17.073846940092 * theta**2 + 12020.82470247 * theta - 3232555.0322333
    c = 14.91510861353 * theta**2 - 4823.2657361591 * theta + 405113.40542057
    return 1000.0 * (2.0 * c / (-b + np.sqrt(b**2 - 4.0 * a * c))) ** 4


def _ashrae(t: Array) -> Array:
    kelvin = t + KELVIN
    water = (
        -5.8002206e3 / kelvin
        + 1.3914993
        - 4.8640239e-2 * kelvin
        + 4.1764768e-5 * kelvin**2
        - 1.4452093e-8 * kelvin**3
        + 6.5459673 * np.log(kelvin)
    )
    ice = (
        -5.6745359e3 / kelvin
        + 6.3925247
        - 9.677843e-3 * kelvin
        + 6.2215701e-7 * kelvin**2
        + 2.0747825e-9 * kelvin**3
        - 9.484024e-13 * kelvin**4
        + 4.1635019 * np.log(kelvin)
    )
    return np.exp(np.where(t < 0.01, ice, water)) / 1000.0


def _goff_cfr(t: Array) -> Array:
    ratio = (t + KELVIN) / 273.16
    log10 = (
        10.79574 * (1.0 - 1.0 / ratio)
        - 5.02800 * np.log10(ratio)
        + 1.50475e-4 * (1.0 - 10.0 ** (-8.2969 * (ratio - 1.0)))
        + 0.42873e-3 * (10.0 ** (4.76955 * (1.0 - 1.0 / ratio)) - 1.0)
        - 0.2138602
    )
    return 10.0**log10


def _magnus(base: float, slope: float, offset: float) -> Callable[[Array], Array]:
    def pressure(t: Array) -> Array:
        return base / 1000.0 * np.exp(slope * t / (offset + t))

    return pressure


def _buck_1996(t: Array) -> Array:
    return 0.61121 * np.exp((18.678 - t / 234.5) * t / (257.14 + t))


def _cipm(t: Array) -> Array:
    kelvin = t + KELVIN
    return np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin) / 1000.0


_SATURATION: dict[str, tuple[SaturationSpec, Callable[[Array], Array]]] = {
    spec.key: (spec, function)
    for spec, function in (
        (
            SaturationSpec(
                "iapws",
                "IAPWS saturation line",
                "IAPWS SR1-86(1992), auxiliary equation for the vapour pressure",
                -40.0,
                370.0,
                "extrapolated to supercooled water: 0.03 % from Murphy and Koop 2005 at −10 °C, 0.7 % at −40 °C",
            ),
            _iapws,
        ),
        (SaturationSpec("if97", "IAPWS-IF97 region 4", "IAPWS R7-97(2012)", 0.0, 370.0), _if97),
        (
            SaturationSpec(
                "ashrae",
                "ASHRAE 2017",
                "ASHRAE Fundamentals 2017, chapter 1, equations 5 and 6",
                -100.0,
                200.0,
                "over ice below 0.01 °C, so that the dew point becomes the frost point",
            ),
            _ashrae,
        ),
        (
            SaturationSpec("goff-1065", "Goff, 40 CFR 1065.645", "40 CFR 1065.645(a), equation 1", -40.0, 100.0),
            _goff_cfr,
        ),
        (
            SaturationSpec(
                "alduchov-eskridge", "Alduchov and Eskridge 1996", "J. Appl. Meteorol. 35, 601 (1996)", -40.0, 50.0
            ),
            _magnus(610.94, 17.625, 243.04),
        ),
        (
            SaturationSpec("wmo", "WMO No. 8", "WMO guide to instruments (No. 8), annex 4.B", -45.0, 60.0),
            _magnus(611.2, 17.62, 243.12),
        ),
        (
            SaturationSpec("bolton", "Bolton 1980", "Mon. Weather Rev. 108, 1046 (1980)", -35.0, 50.0),
            _magnus(611.2, 17.67, 243.5),
        ),
        (
            SaturationSpec("buck-1981", "Buck 1981", "J. Appl. Meteorol. 20, 1527 (1981)", -40.0, 50.0),
            _magnus(611.21, 17.502, 240.97),
        ),
        (SaturationSpec("buck-1996", "Buck 1996", "revision of 1996 of Buck 1981", -40.0, 50.0), _buck_1996),
        (
            SaturationSpec(
                "cipm",
                "CIPM vapour pressure",
                "Metrologia 45, 149 (2008), equation A1.1",
                0.0,
                60.0,
                "stated for 0 °C to 27 °C; 0.06 % from the IAPWS line at 60 °C",
            ),
            _cipm,
        ),
    )
}

SATURATION: dict[str, SaturationSpec] = {key: spec for key, (spec, _) in _SATURATION.items()}
"""The formulations by name. They differ by up to 0.3 % between 0 °C and 50 °C (a power correction by 1e-4)."""


def _formulation(name: str) -> tuple[SaturationSpec, Callable[[Array], Array]]:
    try:
        return _SATURATION[name]
    except KeyError:
        raise DataError(
            f"There is no saturation-pressure formulation '{name}'.", remedy=f"Use one of {', '.join(SATURATION)}."
        ) from None


def like(value: Array, template: F) -> F:
    """Return `value` as a float where `template` is one, else as the array it is."""
    return value if isinstance(template, np.ndarray) else float(value)


def saturation_pressure(temperature: F, formulation: str = DEFAULT_SATURATION) -> F:
    """Saturation vapour pressure of water [kPa] at a temperature [°C].

    Parameters
    ----------
    temperature : float or ndarray
        Air temperature, or dew point to get the vapour pressure [°C].
    formulation : str
        Key of `SATURATION`; each carries its source and range.

    Raises
    ------
    DataError
        If the formulation is unknown or a temperature is outside its range.
    """
    spec, function = _formulation(formulation)
    t = np.asarray(temperature, dtype=np.float64)
    outside = (t < spec.lowest) | (t > spec.highest)
    if np.any(outside):
        worst = float(t[outside].flat[0])
        raise DataError(
            f"{worst:g} °C is outside the range of the saturation pressure by {spec.title} "
            f"({spec.lowest:g} °C to {spec.highest:g} °C).",
            remedy="Check the temperature and its unit.",
        )
    return like(np.asarray(function(t)), temperature)


def check_humidity(relative_humidity: float | Array) -> None:
    """Refuse a relative humidity [%] below 0 or above 100.

    Raises
    ------
    DataError
        With the first offending value.
    """
    rh = np.asarray(relative_humidity, dtype=np.float64)
    bad = (rh < 0.0) | (rh > 100.0)
    if np.any(bad):
        raise DataError(
            f"A relative humidity of {float(rh[bad].flat[0]):g} % is not possible.",
            remedy="Give relative humidity in percent, between 0 and 100.",
        )


def vapour_pressure(temperature: F, relative_humidity: F, formulation: str = DEFAULT_SATURATION) -> F:
    """Partial pressure of water vapour [kPa] from temperature [°C] and relative humidity [%].

    Raises
    ------
    DataError
        If the humidity is not between 0 and 100 % or the temperature outside the formulation's range.
    """
    check_humidity(relative_humidity)
    return relative_humidity / 100.0 * saturation_pressure(temperature, formulation)


def relative_humidity(temperature: F, dew_point: F, formulation: str = DEFAULT_SATURATION) -> F:
    """Relative humidity [%] from temperature and dew point [°C].

    Raises
    ------
    DataError
        If a dew point is above its temperature (that would be more than 100 %).
    """
    above = np.asarray(dew_point) > np.asarray(temperature)
    if np.any(above):
        raise DataError(
            "A dew point above the air temperature would mean a relative humidity over 100 %.",
            remedy="Check which column is the dew point, and the units.",
        )
    return 100.0 * saturation_pressure(dew_point, formulation) / saturation_pressure(temperature, formulation)


def dew_point_from_vapour(pressure: F, formulation: str = DEFAULT_SATURATION) -> F:
    """Dew point [°C] at which the saturation pressure equals a vapour pressure [kPa].

    With `ashrae` the result below 0 °C is the frost point (up to 0.8 K higher than the dew point at −7 °C).

    Raises
    ------
    DataError
        If a vapour pressure is not positive or no temperature of the formulation's range has it.
    """
    spec, function = _formulation(formulation)
    e = np.asarray(pressure, dtype=np.float64)
    if np.any(e <= 0.0):
        raise DataError("Air without water vapour has no dew point.", remedy="Check the humidity.")
    low, high = (function(np.asarray(limit)) for limit in (spec.lowest, spec.highest))
    if np.any((e < low) | (e > high)):
        raise DataError(
            f"The dew point lies outside the range of {spec.title} ({spec.lowest:g} °C to {spec.highest:g} °C).",
            remedy="Check the humidity, the temperature and their units.",
        )
    target = np.log(e)
    magnus = np.log(e / 0.61094)
    t = np.clip(243.04 * magnus / (17.625 - magnus), spec.lowest, spec.highest)
    for _ in range(12):  # Newton on ln p, which is nearly straight: exact to rounding after four or five steps
        slope = (np.log(function(t + 1e-3)) - np.log(function(t - 1e-3))) / 2e-3
        t = np.clip(t - (np.log(function(t)) - target) / slope, spec.lowest, spec.highest)
    return like(np.asarray(t), pressure)


def dew_point(temperature: F, humidity: F, formulation: str = DEFAULT_SATURATION) -> F:
    """Dew point [°C] from temperature [°C] and relative humidity [%], by one formulation for both directions.

    Raises
    ------
    DataError
        If the humidity is 0 or not possible, or the dew point outside the formulation's range.
    """
    return dew_point_from_vapour(vapour_pressure(temperature, humidity, formulation), formulation)


def dry_pressure(pressure: F, vapour: F) -> F:
    """Pressure of the dry part of the air [kPa]: total (station) pressure less the vapour pressure [kPa].

    Raises
    ------
    DataError
        If the vapour pressure is negative or not below the total pressure.
    """
    if np.any(np.asarray(vapour) < 0.0) or np.any(np.asarray(vapour) >= np.asarray(pressure)):
        raise DataError(
            "The vapour pressure must lie between 0 and the total pressure.", remedy="Check the pressure and its unit."
        )
    return pressure - vapour


def humidity_ratio(pressure: F, vapour: F) -> F:
    """Mass of water vapour per mass of dry air [kg/kg] from total and vapour pressure [kPa]."""
    return MOLAR_MASS_RATIO * vapour / dry_pressure(pressure, vapour)


def vapour_from_ratio(pressure: F, ratio: F) -> F:
    """Vapour pressure [kPa] from total pressure [kPa] and humidity ratio [kg/kg]."""
    return pressure * ratio / (MOLAR_MASS_RATIO + ratio)


def vapour_fraction(pressure: F, vapour: F) -> F:
    """Mole fraction of water [mol/mol] from total and vapour pressure [kPa], as ideal gases (40 CFR 1065.645)."""
    return vapour / pressure


def molar_mass(fraction: F) -> F:
    """Molar mass of humid air [g/mol] from the mole fraction of water; constants of 40 CFR 1065.1005."""
    return 28.96559 * (1.0 - fraction) + 18.01528 * fraction
