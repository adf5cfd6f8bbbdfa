"""Power correction by named methods: what each refers to, where it holds, and the factor for one state of the air.

The state is that of the **ambient or test-cell air**. Intake air is refused: a correction with it would remove the very
effect that a comparison of intakes looks for.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from intake_report.air.atmosphere import check_pressure
from intake_report.air.humidity import DEFAULT_SATURATION, dry_pressure, vapour_pressure
from intake_report.air.methods import CORRECTIONS, Aspiration, CorrectionSpec
from intake_report.errors import DataError

Place = Literal["cell", "ambient", "intake"]

USUAL_LIMIT = 0.07
"""Distance of a factor from 1 beyond which it is flagged whatever the method (common practice)."""

INTAKE_REFUSAL = "Power is never corrected with intake air: that would correct away the effect under test."


@dataclass(frozen=True)
class AirState:
    """State of the air that the engine draws from.

    Parameters
    ----------
    temperature : float
        [°C].
    pressure : float
        Station (absolute, not reduced) pressure [kPa].
    humidity : float
        Relative humidity [%].
    place : {"cell", "ambient", "intake"}
        Where it was measured; "intake" can be described but not corrected with.
    """

    temperature: float
    pressure: float
    humidity: float
    place: Place = "cell"


@dataclass(frozen=True)
class Correction:
    """A correction factor with everything that belongs beside it.

    Attributes
    ----------
    method, title, edition, reference : str
        From `CorrectionSpec`.
    factor : float
        Multiplies measured power and torque.
    air : AirState or None
        Ambient or cell air used; None for figures that are left uncorrected because it is not known.
    vapour, dry : float or None
        Vapour and dry pressure [kPa].
    saturation : str
        Formulation of the saturation pressure.
    in_validity : bool or None
        None if the method publishes no range.
    within_limit : bool
        Whether the factor is within 7 % of 1 (common practice).
    limitations : tuple of str
        One sentence each; empty if there is nothing to say.
    """

    method: str
    title: str
    edition: str
    reference: str
    factor: float
    air: AirState | None
    vapour: float | None
    dry: float | None
    saturation: str
    aspiration: str
    in_validity: bool | None
    within_limit: bool
    limitations: tuple[str, ...]

    @property
    def name(self) -> str:
        """Title with the edition, as it stands beside every corrected figure."""
        return f"{self.title}, {self.edition}" if self.edition else self.title


def correction_spec(method: str) -> CorrectionSpec:
    """Return the method of this key, or of its usual name where that names one edition only.

    Raises
    ------
    DataError
        If there is none, or the name stands for several editions or forms, with the keys to choose from.
    """
    asked = "-".join(re.findall(r"[a-z0-9]+", method.lower()))
    asked = {"std": "sae-j607", "uncorrected": "none"}.get(asked, asked)
    if asked in CORRECTIONS:
        return CORRECTIONS[asked]
    near = [key for key in CORRECTIONS if asked and (key.startswith(f"{asked}-") or f"-{asked}" in key)]
    if len(near) == 1:
        return CORRECTIONS[near[0]]
    if near:
        raise DataError(
            f"The power correction '{method}' has several editions or forms, which give different figures.",
            remedy=f"Write one of {', '.join(near)}.",
        )
    raise DataError(f"There is no power correction '{method}'.", remedy=f"Use one of {', '.join(CORRECTIONS)}.")


def engine_factor(fuel_per_cycle: float) -> float:
    """Engine factor fm of ISO 1585 from the fuel per litre and cycle, corrected for boost, qc [mg/L]."""
    if fuel_per_cycle <= 0.0:
        raise DataError("The fuel per cycle must be positive.", remedy="Give it in mg per litre and cycle.")
    return min(max(0.036 * fuel_per_cycle - 1.14, 0.3), 1.2)


def raw_factor(spec: CorrectionSpec, temperature: float, pressure: float) -> float:
    """Factor from the temperature [°C] and the pressure of the method's basis [kPa], without engine factor."""
    kelvin = temperature + spec.kelvin_offset
    d = (spec.reference_pressure / pressure) ** spec.pressure_exponent
    d *= (kelvin / spec.reference_kelvin) ** spec.temperature_exponent
    return float(spec.gain * d + (1.0 - spec.gain))


def correction(
    method: str,
    air: AirState,
    *,
    aspiration: Aspiration = "natural",
    fuel_per_cycle: float | None = None,
    elevation: float | None = None,
    formulation: str = DEFAULT_SATURATION,
) -> Correction:
    """Power correction factor of a named method for a state of the ambient or cell air.

    Parameters
    ----------
    method : str
        Key of `CORRECTIONS`.
    air : AirState
        Ambient or cell air.
    aspiration : {"natural", "boosted"}
        A method not written for it is used, with a limitation.
    fuel_per_cycle : float, optional
        qc [mg/L] for the compression-ignition methods.
    elevation : float, optional
        Of the cell [m]; lets a pressure reduced to sea level be questioned.
    formulation : str
        Saturation pressure; the choice moves the factor by 1e-4 at most.

    Raises
    ------
    DataError
        For intake air, an unknown method, an impossible humidity or pressure, or a missing fuel quantity.
    """
    spec = correction_spec(method)
    if air.place == "intake":
        raise DataError(INTAKE_REFUSAL, remedy="Give the temperature of the ambient or test-cell air.")
    check_pressure(air.pressure, elevation)
    vapour = vapour_pressure(air.temperature, air.humidity, formulation)
    dry = dry_pressure(air.pressure, vapour)
    factor = raw_factor(spec, air.temperature, dry if spec.basis == "dry" else air.pressure)
    if spec.diesel:
        if fuel_per_cycle is None:
            raise DataError(
                f"{spec.title} for compression ignition needs the fuel per cycle.",
                remedy="Give qc in mg per litre and cycle, divided by the boost pressure ratio.",
            )
        factor **= engine_factor(fuel_per_cycle)
    limitations = _limitations(spec, air, dry, factor, aspiration)
    ranges = (spec.factor_range, spec.pressure_range, spec.temperature_range)
    in_validity = None if all(r is None for r in ranges) else not _outside(spec, air, dry, factor)
    return Correction(
        method=spec.key,
        title=spec.title,
        edition=spec.edition,
        reference=spec.reference,
        factor=factor,
        air=air,
        vapour=vapour,
        dry=dry,
        saturation=formulation,
        aspiration=aspiration,
        in_validity=in_validity,
        within_limit=abs(factor - 1.0) <= USUAL_LIMIT,
        limitations=limitations,
    )


def uncorrected(aspiration: Aspiration = "natural") -> Correction:
    """Return the factor 1 for figures whose air is not known."""
    spec = CORRECTIONS["none"]
    return Correction(
        spec.key, spec.title, spec.edition, spec.reference, 1.0, None, None, None, "", aspiration, None, True, ()
    )


def _outside(spec: CorrectionSpec, air: AirState, dry: float, factor: float) -> tuple[str, ...]:
    checks = (
        ("factor", factor, spec.factor_range, "", ".3f"),
        ("dry pressure", dry, spec.pressure_range, " kPa", ".1f"),
        ("air temperature", air.temperature, spec.temperature_range, " °C", ".1f"),
    )
    return tuple(
        f"The {what} of {value:{form}}{unit} is outside the validity range of {spec.title} "
        f"({span[0]:g}{unit} to {span[1]:g}{unit})."
        for what, value, span, unit, form in checks
        if span is not None and not span[0] <= value <= span[1]
    )


def _limitations(
    spec: CorrectionSpec, air: AirState, dry: float, factor: float, aspiration: Aspiration
) -> tuple[str, ...]:
    found = list(_outside(spec, air, dry, factor))
    if abs(factor - 1.0) > USUAL_LIMIT:
        found.append(
            f"The correction by {spec.title} changes the figures by {100.0 * (factor - 1.0):+.1f} %, "
            "more than the 7 % that common practice accepts."
        )
    if aspiration not in spec.aspiration:
        found.append(
            f"{spec.title}{f' ({spec.edition})' if spec.edition else ''} was not written for "
            f"{'a boosted' if aspiration == 'boosted' else 'a naturally aspirated'} engine; "
            "the corrected figures are for comparison within this campaign only."
        )
    return tuple(found)
