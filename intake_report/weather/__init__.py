"""Weather of a campaign: reports, station tables and handheld readings become the conditions during each run."""

from intake_report.weather.conditions import MAX_AGE, Declared, RunConditions, ambient_at, conditions_during
from intake_report.weather.metar import decode_metar, metar_record
from intake_report.weather.observations import (
    KIND_LABELS,
    WeatherObservation,
    WeatherRecord,
    build_record,
    compare_pressures,
    completed,
    handheld_record,
)
from intake_report.weather.reference import (
    RULE,
    SPREAD_LIMIT,
    AmbientReference,
    AmbientSpread,
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
    "MAX_AGE",
    "MIN_SPEED",
    "RULE",
    "SETTLE",
    "SPREAD_LIMIT",
    "AmbientReference",
    "AmbientSpread",
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
    "build_record",
    "choose_reference",
    "compare_pressures",
    "compare_records",
    "compare_vehicle",
    "completed",
    "conditions_during",
    "decode_metar",
    "handheld_record",
    "interpolation_error",
    "metar_record",
    "reference_contributions",
    "station_table",
    "too_slow",
]
