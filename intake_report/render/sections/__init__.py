"""The sections of the report, each a function from the result to blocks."""

from intake_report.render.sections.air import air, off_road
from intake_report.render.sections.bench import exposure, service
from intake_report.render.sections.closing import cautions, changes, data, provenance
from intake_report.render.sections.conditions import data_quality, instrumentation, run_log
from intake_report.render.sections.dyno import dyno
from intake_report.render.sections.findings import all_values, claims, limitations, results
from intake_report.render.sections.opening import articles, cover, definitions, glance, methodology
from intake_report.render.sections.places import places
from intake_report.render.sections.restriction import restriction
from intake_report.render.sections.uncertainty import uncertainty
from intake_report.render.sections.weather import weather

__all__ = [
    "air",
    "all_values",
    "articles",
    "cautions",
    "changes",
    "claims",
    "cover",
    "data",
    "data_quality",
    "definitions",
    "dyno",
    "exposure",
    "glance",
    "instrumentation",
    "limitations",
    "methodology",
    "off_road",
    "places",
    "provenance",
    "restriction",
    "results",
    "run_log",
    "service",
    "uncertainty",
    "weather",
]
