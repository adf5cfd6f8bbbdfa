"""The sections of the report, each a function from the result to blocks."""

from intake_report.render.sections.changes import changes
from intake_report.render.sections.closing import cautions, data, provenance
from intake_report.render.sections.conditions import data_quality, instrumentation, run_log, weather
from intake_report.render.sections.findings import claims, limitations, results
from intake_report.render.sections.opening import articles, cover, glance, methodology

__all__ = [
    "articles",
    "cautions",
    "changes",
    "claims",
    "cover",
    "data",
    "data_quality",
    "glance",
    "instrumentation",
    "limitations",
    "methodology",
    "provenance",
    "results",
    "run_log",
    "weather",
]
