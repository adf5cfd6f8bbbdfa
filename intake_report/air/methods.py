"""The published power corrections as data: coefficients, reference state, validity range, source."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from intake_report.air.humidity import KELVIN

Aspiration = Literal["natural", "boosted"]


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
        "natural", "boosted".
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


_NA = ("natural",)
_BOTH = ("natural", "boosted")
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
