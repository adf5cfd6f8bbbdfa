"""Weather of a campaign: reports, station tables and handheld readings become the conditions during each run."""

from intake_report.weather.conditions import (
    MAX_AGE,
    RunConditions,
    ambient_at,
    conditions_during,
    report_age,
)
from intake_report.weather.forecast import Forecast, ForecastRow, forecast_against_actual, forecast_from_record
from intake_report.weather.handheld import Reading, handheld_record
from intake_report.weather.metar import decode_metar, metar_record
from intake_report.weather.nearby import Declared
from intake_report.weather.readings import compare_pressures, make_observation, question_pressure
from intake_report.weather.records import Observation, WeatherNotice, WeatherRecord, build_record
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
from intake_report.weather.stations import COLUMN_QUANTITIES, station_table
from intake_report.weather.vehicle import (
    SourceComparison,
    VehicleAmbient,
    compare_records,
    compare_vehicle,
    too_slow,
    vehicle_ambient_at_speed,
)

__all__ = [
    "COLUMN_QUANTITIES",
    "MAX_AGE",
    "RULE",
    "SPREAD_LIMIT",
    "AmbientReference",
    "AmbientSpread",
    "Contribution",
    "Declared",
    "Forecast",
    "ForecastRow",
    "Observation",
    "Reading",
    "ReferenceCandidate",
    "RunConditions",
    "SourceComparison",
    "VehicleAmbient",
    "WeatherNotice",
    "WeatherRecord",
    "ambient_at",
    "ambient_spread",
    "build_record",
    "choose_reference",
    "compare_pressures",
    "compare_records",
    "compare_vehicle",
    "conditions_during",
    "decode_metar",
    "forecast_against_actual",
    "forecast_from_record",
    "handheld_record",
    "interpolation_error",
    "make_observation",
    "metar_record",
    "question_pressure",
    "reference_contributions",
    "report_age",
    "station_table",
    "too_slow",
    "vehicle_ambient_at_speed",
]
