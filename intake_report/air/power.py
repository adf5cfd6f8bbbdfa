"""Power correction by named methods, with ambient or test-cell air only, and power expected from charge temperature."""

import math
import re
from dataclasses import dataclass
from typing import Literal

from intake_report.air import atmosphere
from intake_report.air.atmosphere import INCH_MERCURY, KELVIN, F, check_temperature
from intake_report.errors import DataError
from intake_report.messages import Message, Value, message

Aspiration = Literal["natural", "boosted"]

USUAL_LIMIT = 0.07  # distance of a factor from 1 beyond which it is flagged whatever the method (common practice)


@dataclass(frozen=True)
class CorrectionSpec:
    """One published power correction.

    ``D = (reference_pressure/p)**pressure_exponent · (T/reference_kelvin)**temperature_exponent`` and
    ``factor = gain·D + (1 − gain)``; for compression ignition ``factor = D**fm``.
    """

    key: str
    title: str
    edition: str  # or form, that the coefficients belong to
    aspiration: tuple[Aspiration, ...]  # engines it was written for
    reference: str  # state, in words
    source: str  # where the figures come from, "from memory" where they do
    basis: Literal["dry", "total"] = "dry"  # which pressure enters
    reference_pressure: float = 99.0  # kPa
    reference_kelvin: float = 298.0
    kelvin_offset: float = 273.0  # that the method adds to °C
    pressure_exponent: float = 1.0
    temperature_exponent: float = 0.5
    gain: float = 1.0
    factor_range: tuple[float, float] | None = None  # published validity: of the factor
    pressure_range: tuple[float, float] | None = None  # of the dry pressure [kPa]
    temperature_range: tuple[float, float] | None = None  # of the inlet temperature [°C]
    diesel: bool = False  # whether the engine factor fm of the fuel per cycle applies
    boost: str = ""  # how a boosted engine has to be boosted for the method to hold; empty where that does not matter

    @property
    def name(self) -> str:
        """As it stands beside every corrected figure."""
        return f"{self.title}, {self.edition}" if self.edition else self.title


_NATURAL: tuple[Aspiration, ...] = ("natural",)
_BOTH: tuple[Aspiration, ...] = ("natural", "boosted")
_NET = "25 °C, 99 kPa dry air"

_SAE = "secondary sources{}; validity range from memory; 7 % common practice"
_HANDBOOK = "an automotive handbook"
_SPECS = (
    CorrectionSpec("none", "uncorrected", "", _BOTH, "the air of the day", "", gain=0.0),
    CorrectionSpec("sae-j1349-1990", "SAE J1349", "JUN90 coefficients", _NATURAL, _NET,
                   _SAE.format(" that quote the 1990 edition"), gain=1.18,
                   factor_range=(0.93, 1.07), pressure_range=(90.0, 105.0), temperature_range=(15.0, 35.0)),
    CorrectionSpec("sae-j1349-2004", "SAE J1349", "2004 and later coefficients", _NATURAL, f"{_NET} and 1 kPa vapour",
                   _SAE.format(" (85 % mechanical efficiency)"), gain=1.0 / 0.85,
                   factor_range=(0.93, 1.07), pressure_range=(90.0, 105.0), temperature_range=(15.0, 35.0)),
    CorrectionSpec("iso-1585-si", "ISO 1585", "spark ignition", _BOTH, _NET,
                   "secondary sources (also UN R85, 80/1269/EEC); intervals and use for boosted engines from memory",
                   pressure_exponent=1.2, temperature_exponent=0.6, factor_range=(0.93, 1.07),
                   temperature_range=(15.0, 35.0)),
    CorrectionSpec("iso-1585-diesel-na", "ISO 1585",
                   "compression ignition, naturally aspirated or mechanically supercharged", _BOTH, _NET,
                   "secondary sources (also UN R85); intervals from memory; one form for naturally aspirated and "
                   "mechanically supercharged engines as in 40 CFR 89.331(b)",
                   temperature_exponent=0.7, boost="mechanically supercharged", diesel=True,
                   factor_range=(0.90, 1.10), temperature_range=(10.0, 40.0)),
    CorrectionSpec("iso-1585-diesel-turbo", "ISO 1585", "compression ignition, turbocharged", ("boosted",), _NET,
                   "secondary sources (also UN R85); intervals from memory; with or without cooling of the charge as in "
                   "40 CFR 89.331(b)",
                   pressure_exponent=0.7, temperature_exponent=1.5, boost="turbocharged", diesel=True,
                   factor_range=(0.90, 1.10), temperature_range=(10.0, 40.0)),
    CorrectionSpec("sae-j607", "SAE J607 (STD)", "dry-air form", _NATURAL,
                   "60 °F (15.56 °C), 29.92 inHg (101.32 kPa) dry air",
                   "secondary sources of 1995; official tractor tests use the same factor without the humidity term",
                   reference_pressure=29.92 * INCH_MERCURY, reference_kelvin=519.67 / 1.8, kelvin_offset=KELVIN),
    CorrectionSpec("din-70020", "DIN 70020", "", _NATURAL, "20 °C, 101.3 kPa total pressure",
                   f"reference state and total pressure from {_HANDBOOK}; formula from memory",
                   basis="total", reference_pressure=101.3, reference_kelvin=293.0),
    CorrectionSpec("jis-d-1001", "JIS D 1001", "", _NATURAL, _NET,
                   f"{_HANDBOOK} that lists it with ISO 1585; another secondary source has different curves",
                   pressure_exponent=1.2, temperature_exponent=0.6),
)  # fmt: skip
# Their factors differ by some 4 % for the same air, so a corrected figure names its method
CORRECTIONS = {spec.key: spec for spec in _SPECS}


@dataclass(frozen=True)
class AirState:
    """State of the air that the engine draws from."""

    temperature: float  # °C
    pressure: float  # kPa, of the station: absolute, not reduced
    humidity: float  # %, relative


@dataclass(frozen=True)
class Correction:
    """A correction factor, which multiplies measured power and torque, with everything that belongs beside it."""

    spec: CorrectionSpec
    factor: float
    aspiration: Aspiration
    air: AirState | None = None  # ambient or cell air used; None for figures left uncorrected because it is not known
    vapour: float | None = None  # its vapour and dry pressure [kPa]
    dry: float | None = None
    in_validity: bool | None = None  # None if the method publishes no range
    limitations: tuple[Message, ...] = ()

    @property
    def within_limit(self) -> bool:
        """Whether the factor is within 7 % of 1 (common practice)."""
        return abs(self.factor - 1.0) <= USUAL_LIMIT


def correction_spec(method: str) -> CorrectionSpec:
    """Return the method of this key, or of its usual name where that is one edition; DataError names the keys."""
    asked = "-".join(re.findall(r"[a-z0-9]+", method.lower()))
    asked = {"std": "sae-j607", "uncorrected": "none"}.get(asked, asked)
    if asked in CORRECTIONS:
        return CORRECTIONS[asked]
    near = [key for key in CORRECTIONS if asked and (key.startswith(f"{asked}-") or f"-{asked}" in key)]
    if len(near) == 1:
        return CORRECTIONS[near[0]]
    if near:
        what = f"The power correction '{method}' has several editions or forms, which give different figures."
        raise DataError(what, remedy=f"Write one of {', '.join(near)}.")
    raise DataError(f"There is no power correction '{method}'.", remedy=f"Use one of {', '.join(CORRECTIONS)}.")


def engine_factor(fuel_per_cycle: float) -> float:
    """Engine factor fm of ISO 1585 from the fuel per litre and cycle, corrected for boost, qc [mg/L]."""
    if not (math.isfinite(fuel_per_cycle) and fuel_per_cycle > 0.0):
        raise DataError("The fuel per cycle must be positive.", remedy="Give it in mg per litre and cycle.")
    return min(max(0.036 * fuel_per_cycle - 1.14, 0.3), 1.2)


def raw_factor(spec: CorrectionSpec, temperature: float, pressure: float) -> float:
    """Factor from the temperature [°C] and the pressure of the method's basis [kPa], without engine factor."""
    kelvin = temperature + spec.kelvin_offset
    d = (spec.reference_pressure / pressure) ** spec.pressure_exponent
    d *= (kelvin / spec.reference_kelvin) ** spec.temperature_exponent
    return float(spec.gain * d + (1.0 - spec.gain))


def correction(
    method: str, air: AirState, *, aspiration: Aspiration = "natural", fuel_per_cycle: float | None = None,
    elevation: float | None = None,
) -> Correction:  # fmt: skip
    """Power correction factor of a named method for a state of the ambient or cell air.

    `aspiration`: another than the method's gives a limitation; `fuel_per_cycle`: qc [mg/L], for compression ignition;
    `elevation` of the cell [m]: to question the pressure. DataError: unknown method, impossible air, no fuel quantity.
    """
    spec = correction_spec(method)
    if not math.isfinite(air.temperature):
        what = "The temperature of the air is not a number."
        raise DataError(what, remedy="Give it, or leave the figures uncorrected.")
    atmosphere.check_pressure(air.pressure, elevation)
    vapour = atmosphere.vapour_pressure(air.temperature, air.humidity)
    dry = atmosphere.dry_pressure(air.pressure, vapour)
    factor = raw_factor(spec, air.temperature, dry if spec.basis == "dry" else air.pressure)
    if spec.diesel:
        if fuel_per_cycle is None:
            what = f"{spec.title} for compression ignition needs the fuel per cycle."
            raise DataError(what, remedy="Give qc in mg per litre and cycle, divided by the boost pressure ratio.")
        factor **= engine_factor(fuel_per_cycle)
    outside = _outside(spec, air, dry, factor)
    known = spec.factor_range or spec.pressure_range or spec.temperature_range
    limitations = outside + _limitations(spec, factor, aspiration)
    return Correction(spec, factor, aspiration, air, vapour, dry, not outside if known else None, limitations)


def uncorrected(aspiration: Aspiration = "natural") -> Correction:
    """Return the factor 1 for figures whose air is not known."""
    return Correction(CORRECTIONS["none"], 1.0, aspiration)


def _outside(spec: CorrectionSpec, air: AirState, dry: float, factor: float) -> tuple[Message, ...]:
    checks = (
        ("factor", factor, spec.factor_range, "number", 3, 2),
        ("dry pressure", dry, spec.pressure_range, "pressure", 1, 0),
        ("air temperature", air.temperature, spec.temperature_range, "temperature", 1, 0),
    )
    return tuple(
        message(
            "The {what} of {value} is outside the validity range of {title} ({low} to {high}).",
            code=f"correction-{what.replace(' ', '-')}", what=what, value=Value(value, quantity, decimals), title=spec.title,
            low=Value(span[0], quantity, of_range), high=Value(span[1], quantity, of_range),
        )
        for what, value, span, quantity, decimals, of_range in checks
        if span is not None and not span[0] <= value <= span[1]
    )  # fmt: skip


_UNWRITTEN = "{title} was not written for {engine}; the corrected figures are for comparison within this campaign only."
_BOOSTED = "{title} ({edition}) holds for a boosted engine only where it is {boost}; a {other} one has its own form."


def _limitations(spec: CorrectionSpec, factor: float, aspiration: Aspiration) -> tuple[Message, ...]:
    rows = []
    if abs(factor - 1.0) > USUAL_LIMIT:
        text = "The correction by {title} changes the figures by {change}, more than the {limit} that common practice accepts."
        change, limit = Value(100.0 * (factor - 1.0), "ratio", 1, signed=True), Value(100.0 * USUAL_LIMIT, "ratio", 0)
        rows.append(message(text, code="correction-large", title=spec.title, change=change, limit=limit))
    if aspiration not in spec.aspiration:
        title = f"{spec.title} ({spec.edition})" if spec.edition else spec.title
        engine = "a boosted engine" if aspiration == "boosted" else "a naturally aspirated engine"
        rows.append(message(_UNWRITTEN, code="correction-engine", title=title, engine=engine))
    elif aspiration == "boosted" and spec.boost:
        other = "turbocharged" if spec.boost != "turbocharged" else "mechanically supercharged"
        about = {"title": spec.title, "edition": spec.edition, "boost": spec.boost, "other": other}
        rows.append(message(_BOOSTED, code="correction-boost", **about))
    return tuple(rows)


# Ways to expect power from charge temperature alone: title, exponent and where the model comes from. Power goes with
# T**-exponent (absolute temperature); None is the linear rule of thumb.
POWER_MODELS: dict[str, tuple[str, float | None, str]] = {
    "density": ("1/T (density)", 1.0, "ideal gas: trapped mass at constant volumetric efficiency"),
    "square-root": ("√T", 0.5, "temperature term of SAE J1349, J607 and DIN 70020"),
    "iso": ("T^0.6", 0.6, "temperature term of ISO 1585, spark ignition"),
    "one-percent": ("1 % per 10 °F", None, "common practice; agrees with √T and T^0.6, not with 1/T"),
}


@dataclass(frozen=True)
class PowerExpectation:
    """Power expected at one charge temperature over that at another [°C], by one model: as a ratio and a change [%]."""

    model: str
    title: str
    standing: str
    temperature: float
    reference_temperature: float
    ratio: float
    percent: float


def power_ratio(temperature: F, reference_temperature: F, model: str = "density") -> F:
    """Power at a charge temperature over power at a reference temperature [°C], by one of `POWER_MODELS`.

    Those of power correction were fitted to *ambient* temperature; for heated intake air they are an expectation only.
    """
    check_temperature(temperature)
    check_temperature(reference_temperature)
    _, exponent, _ = POWER_MODELS[model]
    if exponent is None:
        return 1.0 - 0.01 * (temperature - reference_temperature) * 1.8 / 10.0
    ratio: F = ((reference_temperature + KELVIN) / (temperature + KELVIN)) ** exponent
    return ratio


def expected_power(temperature: float, reference_temperature: float) -> tuple[PowerExpectation, ...]:
    """Every model's expectation side by side, for two charge temperatures [°C]."""
    return tuple(
        PowerExpectation(key, title, standing, temperature, reference_temperature, ratio, 100.0 * (ratio - 1.0))
        for key, (title, _, standing) in POWER_MODELS.items()
        for ratio in [float(power_ratio(temperature, reference_temperature, key))]
    )
