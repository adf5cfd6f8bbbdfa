"""Weather of a campaign: reports, station tables and handheld readings become the conditions during each run."""

from intake_report.weather.conditions import Declared, RunConditions, ambient_at, conditions_during
from intake_report.weather.metar import metar_record
from intake_report.weather.observations import (
    KIND_LABELS,
    WeatherObservation,
    WeatherRecord,
    compare_pressures,
    handheld_record,
)
from intake_report.weather.reference import (
    RULE,
    SPREAD_LIMIT,
    AmbientReference,
    Contribution,
    ReferenceCandidate,
    ambient_spread,
    choose_reference,
    interpolation_error,
    reference_contributions,
)
from intake_report.weather.sources import (
    MIN_SPEED,
    SETTLE,
    SourceComparison,
    VehicleAmbient,
    compare_records,
    compare_vehicle,
    too_slow,
)
from intake_report.weather.stations import station_table

__all__ = [
    "KIND_LABELS",
    "MIN_SPEED",
    "RULE",
    "SETTLE",
    "SPREAD_LIMIT",
    "AmbientReference",
    "Contribution",
    "Declared",
    "ReferenceCandidate",
    "RunConditions",
    "SourceComparison",
    "VehicleAmbient",
    "WeatherObservation",
    "WeatherRecord",
    "ambient_at",
    "ambient_spread",
    "choose_reference",
    "compare_pressures",
    "compare_records",
    "compare_vehicle",
    "conditions_during",
    "handheld_record",
    "interpolation_error",
    "metar_record",
    "reference_contributions",
    "station_table",
    "too_slow",
]
