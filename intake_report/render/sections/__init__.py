"""The sections of the report, each a function from the result to blocks."""

from intake_report.render.blocks import Begins
from intake_report.render.sections.answer import limitations
from intake_report.render.sections.bench import exposure, restriction, service
from intake_report.render.sections.body import brief, conditions, cover, decision, method, results, tables_of
from intake_report.render.sections.comparisons import places
from intake_report.render.sections.conditions import data_quality, instrumentation, run_log, weather
from intake_report.render.sections.findings import all_values, details, limitation_table, uncertainty
from intake_report.render.sections.power import air, dyno, off_road
from intake_report.render.sections.stated import articles, cautions, changes, data, definitions, methodology, provenance
