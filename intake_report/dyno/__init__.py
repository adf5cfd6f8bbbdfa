"""Dyno pulls: checked, corrected to common conditions, on one engine-speed grid, compared with their scatter."""

from intake_report.dyno.corrected import CorrectedPull, Quantity, correct
from intake_report.dyno.covariates import Drift, drift
from intake_report.dyno.curves import (
    DifferenceCurve,
    Grid,
    MeanCurve,
    PullFigures,
    common_band,
    compare_figure,
    difference_curves,
    mean_curve,
    on_grid,
    pull_figures,
)
from intake_report.dyno.evidence import dyno_evidence, dyno_settings, read_pulls
from intake_report.dyno.expectation import ExpectedPower, expected_beside_measured
from intake_report.dyno.pulls import (
    DrivelineLoss,
    Pull,
    estimate_at_engine,
    make_pull,
    one_basis,
    parse_driveline_loss,
    power_from_torque,
    torque_from_power,
)
from intake_report.dyno.session import (
    DynoResult,
    DynoSettings,
    FigureSummary,
    LeftOut,
    PullCorrection,
    WarmUpRule,
    analyse_pulls,
    leave_out_warm_up,
)
from intake_report.dyno.table import COLUMNS, read_pull

__all__ = [
    "COLUMNS",
    "CorrectedPull",
    "DifferenceCurve",
    "Drift",
    "DrivelineLoss",
    "DynoResult",
    "DynoSettings",
    "ExpectedPower",
    "FigureSummary",
    "Grid",
    "LeftOut",
    "MeanCurve",
    "Pull",
    "PullCorrection",
    "PullFigures",
    "Quantity",
    "WarmUpRule",
    "analyse_pulls",
    "common_band",
    "compare_figure",
    "correct",
    "difference_curves",
    "drift",
    "dyno_evidence",
    "dyno_settings",
    "estimate_at_engine",
    "expected_beside_measured",
    "leave_out_warm_up",
    "make_pull",
    "mean_curve",
    "on_grid",
    "one_basis",
    "parse_driveline_loss",
    "power_from_torque",
    "pull_figures",
    "read_pull",
    "read_pulls",
    "torque_from_power",
]
