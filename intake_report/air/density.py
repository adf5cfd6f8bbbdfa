"""Density of humid air, the air mass in a fixed volume, and the power expected from density alone.

Temperature [°C], pressure [kPa], relative humidity [%], density [kg/m³].
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from intake_report.air.humidity import DEFAULT_SATURATION, KELVIN, F, check_humidity, dry_pressure, vapour_pressure
from intake_report.errors import DataError

R_DRY = 0.287058
"""Specific gas constant of dry air [kJ/(kg·K)], of the ideal mix."""
R_VAPOUR = 0.461495
"""Specific gas constant of water vapour [kJ/(kg·K)]."""

MMHG = 0.133322387415
"""One conventional millimetre of mercury [kPa]."""

CIPM_TEMPERATURE = (15.0, 27.0)
CIPM_PRESSURE = (60.0, 110.0)


def density_ideal(temperature: F, pressure: F, vapour: F) -> F:
    """Density of humid air [kg/m³] as an ideal mix of dry air and vapour.

    Parameters
    ----------
    temperature : float or ndarray
        [°C].
    pressure, vapour : float or ndarray
        Total (station) pressure and vapour pressure [kPa].

    Notes
    -----
    0.03 % to 0.06 % below CIPM-2007 between 0 °C and 40 °C near sea level.
    """
    kelvin = temperature + KELVIN
    return dry_pressure(pressure, vapour) / (R_DRY * kelvin) + vapour / (R_VAPOUR * kelvin)


def cipm_in_range(temperature: float, pressure: float) -> bool:
    """Tell whether CIPM-2007 is valid: 15 °C to 27 °C and 60 kPa to 110 kPa."""
    return (
        CIPM_TEMPERATURE[0] <= temperature <= CIPM_TEMPERATURE[1] and CIPM_PRESSURE[0] <= pressure <= CIPM_PRESSURE[1]
    )


def density_cipm(
    temperature: F, pressure: F, humidity: F, *, carbon_dioxide: float = 400e-6, extrapolate: bool = False
) -> F:
    """Density of humid air [kg/m³] by the CIPM-2007 equation.

    Parameters
    ----------
    temperature, pressure, humidity : float or ndarray
        [°C], [kPa], [%].
    carbon_dioxide : float
        Mole fraction of carbon dioxide [mol/mol].
    extrapolate : bool
        Allow use outside 15 °C to 27 °C and 60 kPa to 110 kPa (0 °C to 60 °C at most).

    Raises
    ------
    DataError
        Outside the range unless `extrapolate`.

    Notes
    -----
    Source: Metrologia 45, 149 (2008). Relative standard uncertainty of the equation 22e-6 inside its range.
    """
    if not extrapolate:
        for t, p in zip(*(np.ravel(a) for a in np.broadcast_arrays(temperature, pressure)), strict=True):
            if not cipm_in_range(float(t), float(p)):
                raise DataError(
                    f"CIPM-2007 does not hold at {float(t):g} °C and {float(p):g} kPa "
                    "(15 °C to 27 °C, 60 kPa to 110 kPa).",
                    remedy="Use the ideal mix there, or ask for the extrapolation by name.",
                )
    t, kelvin, pa = temperature, temperature + KELVIN, pressure * 1000.0
    enhancement = 1.00062 + 3.14e-8 * pa + 5.6e-7 * t**2
    x = enhancement * vapour_pressure(temperature, humidity, "cipm") / pressure
    z = (
        1.0
        - pa
        / kelvin
        * (
            1.58123e-6
            - 2.9331e-8 * t
            + 1.1043e-10 * t**2
            + (5.707e-6 - 2.051e-8 * t) * x
            + (1.9898e-4 - 2.376e-6 * t) * x**2
        )
        + (pa / kelvin) ** 2 * (1.83e-11 - 0.765e-8 * x**2)
    )
    dry_molar_mass = (28.96546 + 12.011 * (carbon_dioxide - 0.0004)) * 1e-3
    return pa * dry_molar_mass / (z * 8.314472 * kelvin) * (1.0 - x * (1.0 - 18.01528e-3 / dry_molar_mass))


def density_nist_b(temperature: F, pressure: F, humidity: F) -> F:
    """Density of humid air [kg/m³] by the short equation of mass calibration laboratories ("option B").

    Within 1e-4 of CIPM-2007 in a laboratory climate; coefficients from memory, checked by published examples.
    """
    check_humidity(humidity)
    saturation = 1.3146e9 * np.exp(-5315.56 / (temperature + KELVIN))
    density: F = 0.46460 * (pressure / MMHG - 0.0037960 * humidity * saturation) / (KELVIN + temperature)
    return density


def density_oiml(temperature: F, pressure: F, humidity: F) -> F:
    """Density of humid air [kg/m³] by the approximate equation of OIML R 111-1 (E.3).

    Stated for 90 kPa to 110 kPa, 10 °C to 30 °C, under 80 %, to 2e-4; coefficients from memory, checked by an example.
    """
    check_humidity(humidity)
    density: F = (3.4848 * pressure - 0.009 * humidity * np.exp(0.061 * temperature)) / (KELVIN + temperature)
    return density


def charge_density_ratio(
    temperature: F, reference_temperature: F, pressure: F | None = None, reference_pressure: F | None = None
) -> F:
    """Density of the charge over that of the same (equally humid) air in a reference state.

    Parameters
    ----------
    temperature, reference_temperature : float or ndarray
        Intake air and reference, usually ambient [°C].
    pressure, reference_pressure : float or ndarray, optional
        Both or neither [kPa]; without them the pressures count as equal.

    Notes
    -----
    Heating or throttling does not change the composition, so the ideal mix gives the ratio exactly as
    ``p/p_ref · T_ref/T``.
    """
    ratio = (reference_temperature + KELVIN) / (temperature + KELVIN)
    if pressure is None or reference_pressure is None:
        if (pressure is None) != (reference_pressure is None):
            raise DataError("A density ratio needs both pressures or neither.", remedy="Give the missing pressure.")
        return ratio
    return ratio * pressure / reference_pressure


def mass_in_volume(
    temperature: F,
    volume: float,
    *,
    ambient_temperature: float,
    ambient_pressure: float,
    ambient_humidity: float,
    formulation: str = DEFAULT_SATURATION,
) -> F:
    """Mass of air [g] that a fixed volume holds at ambient pressure after the ambient air was warmed or cooled.

    Parameters
    ----------
    temperature : float or ndarray
        Temperature of the air in the volume [°C].
    volume : float
        [L].
    ambient_temperature, ambient_pressure, ambient_humidity : float
        State in which the air was drawn in [°C], [kPa], [%]. The water content stays what it was.
    """
    if volume <= 0.0:
        raise DataError(f"A volume of {volume:g} L holds no air.", remedy="Check the volume.")
    vapour = vapour_pressure(ambient_temperature, ambient_humidity, formulation)
    ambient_density = density_ideal(ambient_temperature, ambient_pressure, vapour)
    return volume * ambient_density * (ambient_temperature + KELVIN) / (temperature + KELVIN)


@dataclass(frozen=True)
class PowerModel:
    """One way to expect power from charge temperature alone.

    Attributes
    ----------
    key, title : str
        Name in code and in text.
    exponent : float or None
        Power goes with ``T**-exponent`` (absolute temperature); None for the linear rule of thumb.
    standing : str
        Where the model comes from, and "common practice" where it is one.
    """

    key: str
    title: str
    exponent: float | None
    standing: str


POWER_MODELS: dict[str, PowerModel] = {
    model.key: model
    for model in (
        PowerModel("density", "1/T (density)", 1.0, "ideal gas: trapped mass at constant volumetric efficiency"),
        PowerModel("square-root", "√T", 0.5, "temperature term of SAE J1349, J607 and DIN 70020"),
        PowerModel("iso", "T^0.6", 0.6, "temperature term of ISO 1585, spark ignition"),
        PowerModel("one-percent", "1 % per 10 °F", None, "common practice; agrees with √T and T^0.6, not with 1/T"),
    )
}


@dataclass(frozen=True)
class PowerExpectation:
    """Power expected at one charge temperature over that at another, by one model.

    Attributes
    ----------
    model, title, standing : str
        From `PowerModel`.
    ratio : float
        Power at `temperature` over power at `reference_temperature`.
    percent : float
        The same as a change [%].
    """

    model: str
    title: str
    standing: str
    temperature: float
    reference_temperature: float
    ratio: float
    percent: float


def power_ratio(temperature: F, reference_temperature: F, model: str = "density") -> F:
    """Power at a charge temperature over power at a reference temperature [°C], by density alone.

    The models that power correction uses were fitted to *ambient* temperature; for intake air heated by the engine
    bay they are an expectation, not a measurement.

    Raises
    ------
    DataError
        If the model is not one of `POWER_MODELS`.
    """
    if model not in POWER_MODELS:
        raise DataError(f"There is no power model '{model}'.", remedy=f"Use one of {', '.join(POWER_MODELS)}.")
    exponent = POWER_MODELS[model].exponent
    if exponent is None:
        return 1.0 - 0.01 * (temperature - reference_temperature) * 1.8 / 10.0
    ratio: F = ((reference_temperature + KELVIN) / (temperature + KELVIN)) ** exponent
    return ratio


def expected_power(temperature: float, reference_temperature: float) -> tuple[PowerExpectation, ...]:
    """Every model's expectation side by side, for two charge temperatures [°C]."""
    return tuple(
        PowerExpectation(
            model.key,
            model.title,
            model.standing,
            float(temperature),
            float(reference_temperature),
            ratio := float(power_ratio(temperature, reference_temperature, model.key)),
            100.0 * (ratio - 1.0),
        )
        for model in POWER_MODELS.values()
    )
