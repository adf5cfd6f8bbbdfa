"""Airflow at one test depression: read off the fitted curves, compared at equal depressions, scaled by the usual rule."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from intake_report.bench.restriction import RestrictionFit, ScaledAirflow, more_airflow, scale_airflow
from intake_report.errors import DataError
from intake_report.statistics import coverage_factor


@dataclass(frozen=True)
class AirflowValue:
    """Airflow of one configuration at a test depression.

    Attributes
    ----------
    depression : float
        Pressure drop at which the airflow is read off the fitted curve [kPa].
    airflow, low, high : float or None
        [m³/s], limits with the interval of the fitted curve; None for a curve of two points.
    more, more_low, more_high : float or None
        Airflow more than the baseline's at the same depression [%]; None for the baseline itself or without one.
    scaled : ScaledAirflow or None
        The same airflow carried to another depression, where the campaign asks for it.
    """

    configuration: str
    depression: float
    airflow: float
    low: float | None
    high: float | None
    level: float
    more: float | None = None
    more_low: float | None = None
    more_high: float | None = None
    scaled: ScaledAirflow | None = None


def common_depression(fits: Sequence[RestrictionFit]) -> float:
    """Highest depression [kPa] that every measured curve reaches.

    Raises
    ------
    DataError
        If two curves have no depression in common.
    """
    if not fits:
        raise DataError("There is no restriction curve.", remedy="Add points.")
    spans = [(_drop(fit, fit.lowest), _drop(fit, fit.highest), fit.configuration) for fit in fits]
    top, bottom = min(spans, key=lambda s: s[1]), max(spans, key=lambda s: s[0])
    if bottom[0] > top[1]:
        raise DataError(
            f"The restriction curves of {top[2]} and {bottom[2]} have no depression in common.",
            remedy="Measure both over one range.",
        )
    return top[1]


def _drop(fit: RestrictionFit, airflow: float) -> float:
    return float(fit.coefficient * airflow**fit.exponent)


def _log_airflow(fit: RestrictionFit, depression: float) -> tuple[float, float | None]:
    """Return the log of the airflow [m³/s] at a depression, and its standard uncertainty (first order)."""
    step = (math.log(depression) - fit.log_drop) / fit.exponent
    error = None
    if fit.centre_error is not None and fit.exponent_error is not None:
        error = math.hypot(fit.centre_error, step * fit.exponent_error) / fit.exponent
    return fit.centre + step, error


def airflow_values(
    fits: Sequence[RestrictionFit], depression: float, baseline: str, scale_to: float | None = None
) -> tuple[AirflowValue, ...]:
    """Airflow of every curve at one depression [kPa], each against the baseline's.

    Parameters
    ----------
    fits : sequence of RestrictionFit
        Curves of one source.
    depression : float
        That every curve reaches, as of `common_depression`.
    baseline : str
        Configuration compared with.
    scale_to : float, optional
        Another depression [kPa] to which the airflows are scaled.

    Notes
    -----
    The fitted power law is read backwards; limits are those of the curve by first-order propagation. The percentage is
    always taken between airflows at the one `depression` (`restriction.more_airflow` refuses unequal ones).
    """
    base = next((fit for fit in fits if fit.configuration == baseline), None)
    found = []
    for fit in fits:
        log, error = _log_airflow(fit, depression)
        airflow, low, high = math.exp(log), None, None
        if error is not None:
            half = coverage_factor(fit.level, fit.df) * error
            low, high = math.exp(log - half), math.exp(log + half)
        more = more_low = more_high = None
        if base is not None and fit is not base:
            base_log, base_error = _log_airflow(base, depression)
            more = more_airflow(
                math.exp(base_log), airflow, baseline_depression=depression, candidate_depression=depression
            )
            if error is not None and base_error is not None:
                half = coverage_factor(fit.level, min(fit.df, base.df)) * math.hypot(error, base_error)
                more_low, more_high = (100.0 * math.expm1(log - base_log + sign * half) for sign in (-1.0, 1.0))
        scaled = None if scale_to is None else scale_airflow(airflow, depression, scale_to)
        found.append(
            AirflowValue(
                fit.configuration, depression, airflow, low, high, fit.level, more, more_low, more_high, scaled
            )
        )
    return tuple(found)
