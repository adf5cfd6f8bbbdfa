"""Power correction by named methods: what each refers to, where it holds, and the factor for one state of the air.

The state is that of the **ambient or test-cell air**. Intake air is refused: a correction with it would remove the very
effect that a comparison of intakes looks for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from intake_report.air.atmosphere import check_pressure
from intake_report.air.humidity import DEFAULT_SATURATION, KELVIN, dry_pressure, vapour_pressure
from intake_report.errors import DataError

Place = Literal["cell", "ambient", "intake"]
Aspiration = Literal["naturally aspirated", "boosted"]

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
class CorrectionSpec:
    """One published power correction.

    ``D = (reference_pressure/p)**pressure_exponent · (T/reference_kelvin)**temperature_exponent`` and
    ``factor = gain·D + (1 − gain)``; for compression ignition ``factor = D**fm``.

    Attributes
    ----------
    key, title, edition : str
        Name, and the edition the coefficients belong to.
    engine : str
        Engines it was written for.
    aspiration : tuple of str
        "naturally aspirated", "boosted".
    reference : str
        Reference state in words.
    basis : {"dry", "total"}
        Which pressure enters.
    reference_pressure, reference_kelvin, kelvin_offset : float
        [kPa], [K], and the offset the method adds to °C.
    factor_range, pressure_range, temperature_range : tuple of float, optional
        Published validity: of the factor, of the dry pressure [kPa], of the inlet temperature [°C].
    diesel : bool
        True if the engine factor fm of the fuel per cycle applies.
    source : str
        Where the figures come from, "from memory" where they do.
    """

    key: str
    title: str
    edition: str
    engine: str
    aspiration: tuple[str, ...]
    reference: str
    formula: str
    source: str
    basis: Literal["dry", "total"] = "dry"
    reference_pressure: float = 99.0
    reference_kelvin: float = 298.0
    kelvin_offset: float = 273.0
    pressure_exponent: float = 1.0
    temperature_exponent: float = 0.5
    gain: float = 1.0
    factor_range: tuple[float, float] | None = None
    pressure_range: tuple[float, float] | None = None
    temperature_range: tuple[float, float] | None = None
    diesel: bool = False


_NA = ("naturally aspirated",)
_BOTH = ("naturally aspirated", "boosted")
_SI = "spark ignition"

CORRECTIONS: dict[str, CorrectionSpec] = {
    spec.key: spec
    for spec in (
        CorrectionSpec(
            "none",
            "uncorrected",
            "",
            "any",
            _BOTH,
            "the air of the day",
            "factor = 1",
            "",
            gain=0.0,
        ),
        CorrectionSpec(
            "sae-j1349-1990",
            "SAE J1349",
            "JUN90 coefficients",
            _SI,
            _NA,
            "25 °C, 99 kPa dry air",
            "1.18·(99/pd)·√((t+273)/298) − 0.18",
            "secondary sources that quote the 1990 edition; validity range from memory; 7 % common practice",
            gain=1.18,
            factor_range=(0.93, 1.07),
            pressure_range=(90.0, 105.0),
            temperature_range=(15.0, 35.0),
        ),
        CorrectionSpec(
            "sae-j1349-2004",
            "SAE J1349",
            "2004 and later coefficients",
            _SI,
            _NA,
            "25 °C, 99 kPa dry air and 1 kPa vapour",
            "((99/pd)·√((t+273)/298) − 0.15)/0.85",
            "secondary sources (85 % mechanical efficiency); validity range from memory; 7 % common practice",
            gain=1.0 / 0.85,
            factor_range=(0.93, 1.07),
            pressure_range=(90.0, 105.0),
            temperature_range=(15.0, 35.0),
        ),
        CorrectionSpec(
            "iso-1585-si",
            "ISO 1585",
            "spark ignition",
            _SI,
            _BOTH,
            "25 °C, 99 kPa dry air",
            "(99/pd)^1.2·((t+273)/298)^0.6",
            "secondary sources (also UN R85, 80/1269/EEC); interval and use for boosted engines from memory",
            pressure_exponent=1.2,
            temperature_exponent=0.6,
            factor_range=(0.93, 1.07),
        ),
        CorrectionSpec(
            "iso-1585-diesel-na",
            "ISO 1585",
            "compression ignition, naturally aspirated",
            "compression ignition",
            _NA,
            "25 °C, 99 kPa dry air",
            "((99/pd)·((t+273)/298)^0.7)^fm",
            "secondary sources (also UN R85); interval from memory",
            temperature_exponent=0.7,
            factor_range=(0.90, 1.10),
            diesel=True,
        ),
        CorrectionSpec(
            "iso-1585-diesel-turbo",
            "ISO 1585",
            "compression ignition, turbocharged",
            "compression ignition",
            ("boosted",),
            "25 °C, 99 kPa dry air",
            "((99/pd)^0.7·((t+273)/298)^1.5)^fm",
            "secondary sources (also UN R85); interval from memory",
            pressure_exponent=0.7,
            temperature_exponent=1.5,
            factor_range=(0.90, 1.10),
            diesel=True,
        ),
        CorrectionSpec(
            "sae-j607",
            "SAE J607 (STD)",
            "dry-air form",
            _SI,
            _NA,
            "60 °F (15.56 °C), 29.92 inHg (101.32 kPa) dry air",
            "(29.92/(p − pv))·√((tF+459.67)/519.67)",
            "secondary sources of 1995; official tractor tests use the same factor without the humidity term",
            reference_pressure=101.32074811900272,  # 29.92 inHg conventional
            reference_kelvin=519.67 / 1.8,
            kelvin_offset=KELVIN,
        ),
        CorrectionSpec(
            "din-70020",
            "DIN 70020",
            "",
            _SI,
            _NA,
            "20 °C, 101.3 kPa total pressure",
            "(101.3/p)·√((t+273)/293)",
            "reference state and total pressure from an automotive handbook; formula from memory",
            basis="total",
            reference_pressure=101.3,
            reference_kelvin=293.0,
        ),
        CorrectionSpec(
            "jis-d-1001",
            "JIS D 1001",
            "",
            _SI,
            _NA,
            "25 °C, 99 kPa dry air",
            "(99/pd)^1.2·((t+273)/298)^0.6",
            "an automotive handbook that lists it with ISO 1585; another secondary source has different curves",
            pressure_exponent=1.2,
            temperature_exponent=0.6,
        ),
    )
}
"""The methods by key. Their factors differ by some 4 % for the same air, so a corrected figure names its method."""


@dataclass(frozen=True)
class Correction:
    """A correction factor with everything that belongs beside it.

    Attributes
    ----------
    method, title, edition, reference : str
        From `CorrectionSpec`.
    factor : float
        Multiplies measured power and torque.
    air : AirState
        Ambient or cell air used.
    vapour, dry : float
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
    air: AirState
    vapour: float
    dry: float
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
    """Return the method of this key.

    Raises
    ------
    DataError
        If there is none, with the names there are.
    """
    if method not in CORRECTIONS:
        raise DataError(f"There is no power correction '{method}'.", remedy=f"Use one of {', '.join(CORRECTIONS)}.")
    return CORRECTIONS[method]


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
    aspiration: Aspiration = "naturally aspirated",
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
    aspiration : {"naturally aspirated", "boosted"}
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
