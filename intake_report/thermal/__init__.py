"""A grey-box model of the air at the intake sensor: fitted per configuration, replayed on one common drive."""

from intake_report.thermal.common import CommonDrive, leave_one_out, replay, what_if
from intake_report.thermal.fit import ThermalFit, fit
from intake_report.thermal.inputs import airflow_law, drive_input, lacking, trace
from intake_report.thermal.model import COEFFICIENTS, DriveInput, element, natural, over_ambient, respond
