"""What an engine can draw, what it draws, and airflow through an orifice plate or plain orifice.

Airflow [m³/s] or [g/s], displacement [L], engine speed [rpm], pressure [kPa], length [m].
"""

from __future__ import annotations

import math
from typing import Literal

from intake_report.errors import DataError

Taps = Literal["corner", "d", "flange"]


def theoretical_volume_flow(displacement: float, speed: float, *, strokes: Literal[2, 4] = 4) -> float:
    """Volume [m³/s] that an engine displaces: one filling every other revolution in a four-stroke engine.

    Raises
    ------
    DataError
        If displacement [L] or engine speed [rpm] is not positive.
    """
    if not (displacement > 0.0 and speed > 0.0):
        raise DataError("Displacement and engine speed must be positive.", remedy="Check the values and their units.")
    return displacement / 1000.0 * speed / 60.0 / (strokes / 2.0)


def theoretical_mass_flow(displacement: float, speed: float, density: float, *, strokes: Literal[2, 4] = 4) -> float:
    """Mass of air [g/s] that an engine displaces at an air density [kg/m³], ambient or in the manifold as stated."""
    return 1000.0 * density * theoretical_volume_flow(displacement, speed, strokes=strokes)


def volumetric_efficiency(
    mass_flow: float, displacement: float, speed: float, density: float, *, strokes: Literal[2, 4] = 4
) -> float:
    """Volumetric efficiency [%]: mass airflow [g/s] over the theoretical one at a stated density [kg/m³].

    With ambient density it contains restriction and heating of the intake; with manifold density it does not.
    """
    if not (mass_flow >= 0.0 and density > 0.0):
        raise DataError("Airflow and density must be positive.", remedy="Check the values and their units.")
    return 100.0 * mass_flow / theoretical_mass_flow(displacement, speed, density, strokes=strokes)


def simple_orifice(diameter: float, drop: float, density: float, *, coefficient: float = 0.6) -> float:
    """Airflow [m³/s] through a plain sharp orifice in a large wall.

    Parameters
    ----------
    diameter, drop, density : float
        [m], [kPa], [kg/m³].
    coefficient : float
        Discharge coefficient; about 0.6 for a sharp edge (common practice).
    """
    return coefficient * math.pi / 4.0 * diameter**2 * math.sqrt(2000.0 * drop / density)


def orifice_expansibility(ratio: float, upstream: float, downstream: float, isentropic: float = 1.4) -> float:
    """Expansibility of a gas in an orifice plate, ISO 5167-2:2003, for p2/p1 ≥ 0.75.

    Parameters
    ----------
    ratio : float
        Orifice over pipe diameter.
    upstream, downstream : float
        Absolute pressures [kPa].
    """
    if not 0.75 <= downstream / upstream <= 1.0:
        raise DataError(
            f"An orifice plate with p2/p1 of {downstream / upstream:.2f} is outside ISO 5167-2 (0.75 to 1).",
            remedy="Check the pressures.",
        )
    geometry = 0.351 + 0.256 * ratio**4 + 0.93 * ratio**8
    return float(1.0 - geometry * (1.0 - (downstream / upstream) ** (1.0 / isentropic)))


def discharge_coefficient(pipe: float, orifice: float, reynolds: float, taps: Taps = "corner") -> float:
    """Discharge coefficient of an orifice plate by Reader-Harris/Gallagher, ISO 5167-2:2003.

    Parameters
    ----------
    pipe, orifice : float
        Diameters [m]; ratio 0.1 to 0.75, pipe 50 mm to 1 m.
    reynolds : float
        Of the pipe flow.
    taps : {"corner", "d", "flange"}
        Position of the pressure taps ("d": D and D/2).

    Raises
    ------
    DataError
        If the diameter ratio is outside 0.1 to 0.75.
    """
    b = orifice / pipe
    if not 0.1 <= b <= 0.75:
        raise DataError(
            f"An orifice plate with a diameter ratio of {b:.2f} is outside ISO 5167-2 (0.1 to 0.75).",
            remedy="Use another plate.",
        )
    l1, l2 = {"corner": (0.0, 0.0), "d": (1.0, 0.47), "flange": (0.0254 / pipe, 0.0254 / pipe)}[taps]
    a = (19000.0 * b / reynolds) ** 0.8
    m2 = 2.0 * l2 / (1.0 - b)
    c = (
        0.5961
        + 0.0261 * b**2
        - 0.216 * b**8
        + 0.000521 * (1e6 * b / reynolds) ** 0.7
        + (0.0188 + 0.0063 * a) * b**3.5 * (1e6 / reynolds) ** 0.3
        + (0.043 + 0.080 * math.exp(-10.0 * l1) - 0.123 * math.exp(-7.0 * l1)) * (1.0 - 0.11 * a) * b**4 / (1.0 - b**4)
        - 0.031 * (m2 - 0.8 * m2**1.1) * b**1.3
    )
    return float(c + (0.011 * (0.75 - b) * (2.8 - pipe / 0.0254) if pipe < 0.07112 else 0.0))


def orifice_mass_flow(
    pipe: float,
    orifice: float,
    upstream: float,
    downstream: float,
    density: float,
    coefficient: float,
    expansibility: float,
) -> float:
    """Mass flow [kg/s] through an orifice plate with known coefficients, ISO 5167-1.

    Parameters
    ----------
    pipe, orifice : float
        Diameters [m].
    upstream, downstream : float
        Absolute pressures at the taps [kPa].
    density : float
        Upstream [kg/m³].
    """
    b = orifice / pipe
    area = math.pi / 4.0 * orifice**2
    drop = 1000.0 * (upstream - downstream)
    if drop < 0.0:
        raise DataError("The pressure after an orifice plate is above the one before it.", remedy="Swap the columns.")
    return coefficient / math.sqrt(1.0 - b**4) * expansibility * area * math.sqrt(2.0 * density * drop)


def orifice_plate(
    pipe: float,
    orifice: float,
    upstream: float,
    downstream: float,
    density: float,
    viscosity: float,
    *,
    isentropic: float | None = 1.4,
    taps: Taps = "corner",
) -> float:
    """Mass flow [kg/s] through an orifice plate, the coefficient found by iteration.

    Parameters
    ----------
    viscosity : float
        Dynamic viscosity [Pa·s].
    isentropic : float or None
        Isentropic exponent; None for a liquid.
    """
    epsilon = 1.0 if isentropic is None else orifice_expansibility(orifice / pipe, upstream, downstream, isentropic)
    coefficient = 0.6
    for _ in range(30):  # the coefficient hardly depends on the flow: converges by a factor of some 100 per step
        flow = orifice_mass_flow(pipe, orifice, upstream, downstream, density, coefficient, epsilon)
        reynolds = 4.0 * flow / (math.pi * pipe * viscosity)
        if reynolds <= 0.0:
            return 0.0
        coefficient = discharge_coefficient(pipe, orifice, reynolds, taps)
    return orifice_mass_flow(pipe, orifice, upstream, downstream, density, coefficient, epsilon)
