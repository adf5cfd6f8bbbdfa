"""Humid air, standard atmosphere and power correction: pure equations, each with its source and validity range.

Temperature [°C], pressure [kPa], relative humidity [%], density [kg/m³], height [m] throughout.
"""

from intake_report.air.atmosphere import (
    check_pressure,
    density_altitude,
    isa_pressure,
    question_pressure,
    station_from_sea_level,
    station_pressure,
)
from intake_report.air.humid import (
    SATURATION_RANGE,
    check_humidity,
    cipm_in_range,
    density_cipm,
    density_ideal,
    dew_point,
    dew_point_from_vapour,
    mass_in_volume,
    relative_humidity,
    saturation_pressure,
    vapour_pressure,
)
from intake_report.air.power import (
    CORRECTIONS,
    INTAKE_REFUSAL,
    AirState,
    Aspiration,
    Correction,
    PowerExpectation,
    correction,
    correction_spec,
    expected_power,
    uncorrected,
)

__all__ = [
    "CORRECTIONS",
    "INTAKE_REFUSAL",
    "SATURATION_RANGE",
    "AirState",
    "Aspiration",
    "Correction",
    "PowerExpectation",
    "check_humidity",
    "check_pressure",
    "cipm_in_range",
    "correction",
    "correction_spec",
    "density_altitude",
    "density_cipm",
    "density_ideal",
    "dew_point",
    "dew_point_from_vapour",
    "expected_power",
    "isa_pressure",
    "mass_in_volume",
    "question_pressure",
    "relative_humidity",
    "saturation_pressure",
    "station_from_sea_level",
    "station_pressure",
    "uncorrected",
    "vapour_pressure",
]
