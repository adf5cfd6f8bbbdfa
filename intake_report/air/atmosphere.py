"""Humid air, the standard atmosphere, and station pressure from what weather reports give.

Floats or float arrays: temperature [°C], pressure [kPa], humidity [%], density [kg/m³], geopotential height [m].
"""

from typing import Literal, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from intake_report.errors import DataError
from intake_report.messages import Message, Value, message, said

Array = NDArray[np.float64]
F = TypeVar("F", float, Array)

KELVIN = 273.15
R_DRY, R_VAPOUR = 0.287058, 0.461495  # kJ/(kg·K), specific gas constants of the ideal mix
# Temperatures [°C] for which `saturation_pressure` is used. Below 0.01 °C it is extrapolated to supercooled water: 0.03 % from
# Murphy and Koop 2005 at −10 °C, 0.7 % at −40 °C. Other formulations in use differ by up to 0.3 % between 0 °C and 50 °C, which
# moves a power correction by 1e-4.
SATURATION_RANGE = (-40.0, 370.0)
_IAPWS = (  # factors and exponents
    (-7.85951783, 1.0), (1.84408259, 1.5), (-11.7866497, 3), (22.6807411, 3.5), (-15.9618719, 4), (1.80122502, 7.5),
)  # fmt: skip


def _iapws(t: Array) -> Array:
    tc, pc = 647.096, 22064.0
    kelvin = t + KELVIN
    x = 1.0 - kelvin / tc
    return pc * np.exp(tc / kelvin * sum(factor * x**exponent for factor, exponent in _IAPWS))


def _refuse(bad: NDArray[np.bool_], values: Array, what: str, remedy: str) -> None:
    """Raise DataError where a value is bad, with the first of them in place of ``{}``."""
    if np.any(bad):
        raise DataError(what.format(f"{float(values[bad].flat[0]):g}"), remedy=remedy)


def _like(value: Array, template: F) -> F:
    """Return `value` as a float where `template` is one, else as the array it is."""
    return value if isinstance(template, np.ndarray) else float(value)


def check_temperature(temperature: float | Array) -> None:
    """Refuse (DataError) a temperature [°C] at or below absolute zero; NaN in an array is a missing value."""
    t = np.asarray(temperature, dtype=np.float64)
    _refuse(t <= -KELVIN, t, "{} °C is not above absolute zero.", "Check the temperature and its unit.")


def saturation_pressure(temperature: F) -> F:
    """Saturation vapour pressure of water [kPa] at a temperature [°C]; DataError outside `SATURATION_RANGE`.

    Auxiliary equation of the IAPWS release on saturation properties, SR1-86(1992).
    """
    t = np.asarray(temperature, dtype=np.float64)
    low, high = SATURATION_RANGE
    what = f"{{}} °C is outside the range of the saturation pressure ({low:g} °C to {high:g} °C)."
    _refuse((t < low) | (t > high), t, what, "Check the temperature and its unit.")
    return _like(np.asarray(_iapws(t)), temperature)


def check_humidity(relative_humidity: float | Array) -> None:
    """Refuse (DataError) a relative humidity [%] below 0 or above 100, and one that is not a number."""
    rh = np.asarray(relative_humidity, dtype=np.float64)
    remedy = "Give relative humidity in percent, between 0 and 100."
    _refuse(~((rh >= 0.0) & (rh <= 100.0)), rh, "A relative humidity of {} % is not possible.", remedy)


def vapour_pressure(temperature: F, relative_humidity: F) -> F:
    """Vapour pressure [kPa] from temperature [°C] and relative humidity [%]; DataError for impossible ones."""
    check_humidity(relative_humidity)
    return relative_humidity / 100.0 * saturation_pressure(temperature)


def relative_humidity(temperature: F, dew_point: F) -> F:
    """Relative humidity [%] from temperature and dew point [°C]; DataError if a dew point is above its temperature."""
    if np.any(np.asarray(dew_point) > np.asarray(temperature)):
        what = "A dew point above the air temperature would mean a relative humidity over 100 %."
        raise DataError(what, remedy="Check which column is the dew point, and the units.")
    return 100.0 * saturation_pressure(dew_point) / saturation_pressure(temperature)


def dew_point_from_vapour(pressure: F) -> F:
    """Dew point [°C], over water also below 0 °C, of a vapour pressure [kPa]; DataError where there is none."""
    e = np.asarray(pressure, dtype=np.float64)
    if np.any(e <= 0.0):
        raise DataError("Air without water vapour has no dew point.", remedy="Check the humidity.")
    limits = np.array(SATURATION_RANGE)
    low, high = _iapws(limits)
    if np.any((e < low) | (e > high)):
        what = f"The dew point lies outside {limits[0]:g} °C to {limits[1]:g} °C."
        raise DataError(what, remedy="Check the humidity, the temperature and their units.")
    target = np.log(e)
    magnus = np.log(e / 0.61094)  # Alduchov and Eskridge 1996 as the first guess
    t = np.clip(243.04 * magnus / (17.625 - magnus), *limits)
    for _ in range(12):  # Newton on ln p, which is nearly straight: exact to rounding after four or five steps
        slope = (np.log(_iapws(t + 1e-3)) - np.log(_iapws(t - 1e-3))) / 2e-3
        t = np.clip(t - (np.log(_iapws(t)) - target) / slope, *limits)
    return _like(np.asarray(t), pressure)


def dew_point(temperature: F, humidity: F) -> F:
    """Dew point [°C] from temperature [°C] and relative humidity [%]; see `dew_point_from_vapour`."""
    return dew_point_from_vapour(vapour_pressure(temperature, humidity))


def dry_pressure(pressure: F, vapour: F) -> F:
    """Pressure of the dry part of the air [kPa]: total less vapour pressure; DataError where these do not fit."""
    if np.any(np.asarray(vapour) < 0.0) or np.any(np.asarray(vapour) >= np.asarray(pressure)):
        what = "The vapour pressure must lie between 0 and the total pressure."
        raise DataError(what, remedy="Check the pressure and its unit.")
    return pressure - vapour


def density_ideal(temperature: F, pressure: F, vapour: F) -> F:
    """Density of humid air [kg/m³] as an ideal mix of dry air and vapour, from total and vapour pressure [kPa].

    0.03 % to 0.06 % below CIPM-2007 between 0 °C and 40 °C near sea level.
    """
    check_temperature(temperature)
    kelvin = temperature + KELVIN
    return dry_pressure(pressure, vapour) / (R_DRY * kelvin) + vapour / (R_VAPOUR * kelvin)


def cipm_in_range(temperature: float, pressure: float) -> bool:
    """Tell whether CIPM-2007 is valid: 15 °C to 27 °C and 60 kPa to 110 kPa."""
    return 15.0 <= temperature <= 27.0 and 60.0 <= pressure <= 110.0


def density_cipm(temperature: float, pressure: float, humidity: float) -> float:
    """Density of humid air [kg/m³] by CIPM-2007, for 400e-6 mol/mol of carbon dioxide; see `cipm_in_range`.

    Metrologia 45, 149 (2008). Relative standard uncertainty of the equation 22e-6 inside its range.
    """
    check_humidity(humidity)
    t, kelvin, pa = temperature, temperature + KELVIN, pressure * 1000.0
    # equation A1.1 of the source, stated for 0 °C to 27 °C: 0.06 % from the IAPWS line at 60 °C
    saturation = np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * pa + 5.6e-7 * t**2
    x = enhancement * humidity / 100.0 * saturation / pa
    virial = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t**2
    virial += (5.707e-6 - 2.051e-8 * t) * x + (1.9898e-4 - 2.376e-6 * t) * x**2
    z = 1.0 - pa / kelvin * virial + (pa / kelvin) ** 2 * (1.83e-11 - 0.765e-8 * x**2)
    molar_mass = 28.96546e-3
    return float(pa * molar_mass / (z * 8.314472 * kelvin) * (1.0 - x * (1.0 - 18.01528e-3 / molar_mass)))


def mass_in_volume(
    temperature: F, volume: float, *, ambient_temperature: float, ambient_pressure: float, ambient_humidity: float
) -> F:
    """Mass of air [g] that a fixed volume holds at ambient pressure after the ambient air was warmed or cooled.

    `temperature` of the air in the volume [°C]; `volume` [L]; state in which the air was drawn in [°C], [kPa], [%]. The water
    content stays what it was; below `SATURATION_RANGE` there is too little to count (1e-4 of the density).
    """
    if volume <= 0.0:
        raise DataError(f"A volume of {volume:g} L holds no air.", remedy="Check the volume.")
    check_temperature(temperature)
    check_humidity(ambient_humidity)
    humid = ambient_temperature >= SATURATION_RANGE[0]
    vapour = vapour_pressure(ambient_temperature, ambient_humidity) if humid else 0.0
    ambient_density = density_ideal(ambient_temperature, ambient_pressure, vapour)
    return volume * ambient_density * (ambient_temperature + KELVIN) / (temperature + KELVIN)


GRAVITY = 9.80665
R_ISA = 287.05287
LAPSE = 0.0065
T0 = 288.15
P0 = 101.325
RHO0 = P0 * 1000.0 / (R_ISA * T0)
EXPONENT = GRAVITY / (R_ISA * LAPSE)
INCH_MERCURY = 3.386388640341  # kPa, conventional
# kPa that can be reduced to sea level: the records are 87.0 and 108.4 (WMO archive of weather extremes, from memory)
REDUCED_RANGE = (85.0, 110.0)
STATION_TOLERANCE = 0.05  # of the standard atmosphere: a departure that is not questioned (weather: about 4 %)

AltimeterForm = Literal["smithsonian", "isa"]


def _check_height(height: float | np.ndarray) -> None:
    h = np.asarray(height)
    what = "{} m is outside the troposphere part of the standard atmosphere (−2000 m to 11000 m)."
    _refuse((h < -2000.0) | (h > 11000.0), h, what, "Check the elevation and its unit.")


def isa_pressure(height: F) -> F:
    """ISA pressure [kPa] at a geopotential height [m], −2000 m to 11000 m (ISO 2533)."""
    _check_height(height)
    pressure: F = P0 * (1.0 - LAPSE / T0 * height) ** EXPONENT
    return pressure


def density_altitude(density: F) -> F:
    """Geopotential height [m] at which the standard atmosphere has this density [kg/m³]: the definition.

    For humid air (`density_ideal`); rules of thumb (118.8 or 120 ft per kelvin, common practice) are up to 70 m off.
    """
    height: F = T0 / LAPSE * (1.0 - (density / RHO0) ** (1.0 / (EXPONENT - 1.0)))
    _check_height(height)
    return height


def station_pressure(altimeter: F, elevation: F, form: AltimeterForm = "smithsonian") -> F:
    """Station pressure [kPa] from an altimeter setting (QNH) [kPa] and the station's elevation [m].

    `form`: "smithsonian": Smithsonian Meteorological Tables 1951, with its 0.3 hPa; "isa": the standard atmosphere (k1
    0.190263, k2 8.417286e-5 hPa^k1/m). They differ by 0.3 hPa at 500 m. DataError outside `REDUCED_RANGE` or the troposphere.
    """
    _check_reduced(altimeter, "altimeter setting")
    _check_height(elevation)
    station: F = ((10.0 * altimeter) ** 0.190263 - 8.417286e-5 * elevation) ** (1.0 / 0.190263) / 10.0
    if form == "smithsonian":
        n = 287.04749 * LAPSE / GRAVITY
        station = ((10.0 * altimeter) ** n - 1013.25**n * LAPSE * elevation / 288.0) ** (1.0 / n) / 10.0 + 0.03
    return station


def _check_reduced(pressure: float | np.ndarray, what: str) -> None:
    p, (low, high) = np.asarray(pressure), REDUCED_RANGE
    sentence = f"{{}} kPa is no {what} ({low:g} kPa to {high:g} kPa)."
    _refuse(~((p >= low) & (p <= high)), p, sentence, "Check the unit; a station pressure needs no reduction.")


def station_from_sea_level(sea_level: F, elevation: F, temperature: F) -> F:
    """Station pressure [kPa] from a pressure reduced to sea level (QFF, "SLP") [kPa], elevation [m], temperature [°C].

    Hydrostatic column as in psychrolib (gas constant 287.055, gravity 9.807), its mean temperature taken half way down at
    6.5 K/km. A weather service may use a twelve-hour mean temperature and a plateau correction, so an altimeter setting is the
    better source. DataError outside `REDUCED_RANGE`.
    """
    _check_reduced(sea_level, "pressure at sea level")
    check_temperature(temperature)
    column = temperature + LAPSE * elevation / 2.0 + KELVIN
    station: F = sea_level * np.exp(-elevation / (287.055 * column / 9.807))
    return station


class PressureQuestion(NamedTuple):
    """Why a pressure is not believed."""

    what: Message
    remedy: str


# tried in turn: would the number be an air pressure if it were in this unit?
_UNITS = {
    "hPa (mbar)": 0.1, "Pa": 0.001, "inHg": INCH_MERCURY, "mmHg": 0.133322387415, "psi": 6.894757293168361, "bar or atm": 100.0,
}  # fmt: skip


def question_pressure(pressure: float, elevation: float | None = None) -> PressureQuestion | None:
    """Question a station pressure [kPa] that cannot be one, or not at this elevation [m]; else None.

    Without an elevation only the unit can be; below about 420 m a sea-level pressure is within the weather's own range.
    """
    remedy = "Check the pressure, the elevation and their units."
    if not 50.0 <= pressure <= 110.0:
        guesses = [unit for unit, factor in _UNITS.items() if 80.0 <= pressure * factor <= 108.0]
        hint = f"The number looks like {guesses[0]}; give its unit." if guesses else "Check the value and its unit."
        return PressureQuestion(message(f"{pressure:g} kPa is not an air pressure at any road."), hint)
    if elevation is None:
        return None
    expected = float(isa_pressure(elevation))
    if abs(pressure / expected - 1.0) <= STATION_TOLERANCE:
        return None
    if 95.0 <= pressure <= 106.0 and elevation > 0.0:
        remedy = "It looks reduced to sea level: give it as an altimeter setting instead."
    text = "A station pressure of {pressure} is questionable at {elevation}, where the standard atmosphere has {usual}."
    of_day, usual = (Value(number, "pressure", 1) for number in (pressure, expected))
    what = message(text, pressure=of_day, elevation=Value(elevation, "length", 0), usual=usual)
    return PressureQuestion(what, remedy)


def check_pressure(pressure: float, elevation: float | None = None) -> None:
    """Raise what `question_pressure` finds as a DataError."""
    if question := question_pressure(pressure, elevation):
        raise DataError(said(question.what, "si"), remedy=question.remedy)


def theoretical_volume_flow(displacement: float, speed: float) -> float:
    """Volume [m³/s] that a four-stroke engine displaces, by displacement [L] and speed [rpm]: one filling in two revolutions."""
    return displacement / 1000.0 * speed / 60.0 / 2.0


def volumetric_efficiency(mass_flow: float, displacement: float, speed: float, density: float) -> float:
    """Volumetric efficiency [%]: mass airflow [g/s] over the theoretical one at a stated density [kg/m³].

    With ambient density it contains restriction and heating of the intake; with manifold density it does not.
    """
    return 100.0 * mass_flow / (1000.0 * density * theoretical_volume_flow(displacement, speed))
