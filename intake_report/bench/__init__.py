"""Evidence from off the road: restriction and airflow, exposure trials, serviceability."""

from intake_report.bench.evidence import BenchResult, bench_evidence
from intake_report.bench.restriction import (
    RestrictionSet,
    fit_restriction,
    restriction_set,
    theoretical_volume_flow,
    volumetric_efficiency,
)
from intake_report.bench.trials import CAUTION_ROAD, CAUTION_SERVICE, CAUTION_WATER, trial_cautions

__all__ = [
    "CAUTION_ROAD",
    "CAUTION_SERVICE",
    "CAUTION_WATER",
    "BenchResult",
    "RestrictionSet",
    "bench_evidence",
    "fit_restriction",
    "restriction_set",
    "theoretical_volume_flow",
    "trial_cautions",
    "volumetric_efficiency",
]
