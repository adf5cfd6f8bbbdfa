"""Restriction against airflow: power-law fit, value at a common airflow, depression scaling.

Airflow [m³/s] at one stated air density per curve, pressure drop [kPa].
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from intake_report.errors import DataError
from intake_report.loaders import read_columns
from intake_report.statistics import coverage_factor, line_fit

Array = NDArray[np.float64]

USUAL_EXPONENT = (1.5, 2.2)
"""Exponents between porous (1) and turbulent (2) flow that are not questioned (common practice)."""

EQUAL_DEPRESSION = 0.01
"""Share by which two depressions may differ and still count as equal (a choice of this package)."""

SCALING_RANGE = 4.0
"""Largest ratio of depressions for which the square-root rule is not flagged (a choice of this package)."""


@dataclass(frozen=True)
class RestrictionFit:
    """``drop = coefficient · airflow**exponent`` through measured points.

    Attributes
    ----------
    coefficient, exponent : float
        For drop in kPa and airflow in m³/s.
    exponent_low, exponent_high : float or None
        Confidence limits; None for two points.
    centre, log_drop : float
        Log of the points' geometric mean airflow, and log drop there.
    centre_error, exponent_error, residual : float or None
        Standard uncertainties (uncorrelated at the centre) and residual standard deviation, of the log.
    lowest, highest : float
        Range of measured airflow [m³/s].
    note : str
        What a reader has to know; empty if nothing.
    points : tuple of (float, float)
        The measured points: airflow [m³/s] and drop [kPa].
    """

    configuration: str
    coefficient: float
    exponent: float
    exponent_low: float | None
    exponent_high: float | None
    centre: float
    log_drop: float
    centre_error: float | None
    exponent_error: float | None
    residual: float | None
    df: int
    n: int
    lowest: float
    highest: float
    level: float
    note: str
    points: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class RestrictionValue:
    """Restriction of one configuration at a stated airflow, with its interval."""

    configuration: str
    airflow: float
    drop: float
    low: float | None
    high: float | None
    level: float
    note: str


def fit_restriction(
    configuration: str, airflow: ArrayLike, drop: ArrayLike, *, level: float = 0.95, file: str | None = None
) -> RestrictionFit:
    """Fit a power law through restriction points by least squares of the logarithms.

    Parameters
    ----------
    airflow, drop : array_like, shape (n,)
        [m³/s] and [kPa], all positive, at two or more different airflows.

    Raises
    ------
    DataError
        Fewer than two points, one airflow only, or a value that is not positive.
    """

    def wrong(what: str, remedy: str) -> DataError:
        return DataError(f"Restriction of {configuration}: {what}", file=file, remedy=remedy)

    q, dp = np.asarray(airflow, dtype=np.float64), np.asarray(drop, dtype=np.float64)
    if q.shape != dp.shape or q.ndim != 1:
        raise wrong("airflow and pressure drop differ in length.", "Give one drop per airflow.")
    known = np.isfinite(q) & np.isfinite(dp)
    q, dp = q[known], dp[known]
    if q.size < 2 or np.all(q == q[0]):
        raise wrong("a curve needs points at two airflows or more.", "Measure more points.")
    if np.any(q <= 0.0) or np.any(dp <= 0.0):
        raise wrong("airflow and pressure drop must be positive.", "Leave out the zero reading; check the sign.")
    x, y = np.log(q), np.log(dp)
    centre = float(x.mean())
    line = line_fit(x, y, origin=centre)
    half = None if line.slope_error is None else coverage_factor(level, line.df) * line.slope_error
    notes = [] if line.df else ["two points only: the curve has no interval"]
    if not USUAL_EXPONENT[0] <= line.slope <= USUAL_EXPONENT[1]:
        notes.append(
            f"the exponent of {line.slope:.2f} is outside {USUAL_EXPONENT[0]:g} to {USUAL_EXPONENT[1]:g}, which is usual "
            "for intakes (common practice)"
        )
    return RestrictionFit(
        configuration=configuration,
        coefficient=math.exp(line.intercept - line.slope * centre),
        exponent=line.slope,
        exponent_low=None if half is None else line.slope - half,
        exponent_high=None if half is None else line.slope + half,
        centre=centre,
        log_drop=line.intercept,
        centre_error=line.intercept_error,
        exponent_error=line.slope_error,
        residual=line.residual_sd,
        df=line.df,
        n=int(q.size),
        lowest=float(q.min()),
        highest=float(q.max()),
        level=level,
        note="; ".join(notes),
        points=tuple(zip(q.tolist(), dp.tolist(), strict=True)),
    )


RESTRICTION_COLUMNS = {"airflow": "volume_flow", "drop": "restriction"}
"""What a column of a restriction table can be, and its quantity in `units.QUANTITIES`."""


def read_restriction(
    path: Path, columns: Mapping[str, str], *, configuration: str, level: float = 0.95
) -> RestrictionFit:
    """Read a restriction table and fit it.

    Parameters
    ----------
    path : Path
        Delimited text, see `tables.read_columns`.
    columns : mapping of str to str
        Their header to "airflow [unit]" or "drop [unit]".

    Raises
    ------
    DataError
        Anything `tables.read_columns` or `fit_restriction` refuses, or a column that is not mapped.
    """
    table = read_columns(path, columns, RESTRICTION_COLUMNS)
    absent = [name for name in RESTRICTION_COLUMNS if name not in table]
    if absent:
        raise DataError(f"No column is mapped to {absent[0]}.", file=path, remedy="Map airflow and drop.")
    return fit_restriction(configuration, table["airflow"], table["drop"], level=level, file=str(path))


def restriction_at(fit: RestrictionFit, airflow: float) -> RestrictionValue:
    """Restriction [kPa] at an airflow [m³/s] with the interval of the fitted curve.

    Raises
    ------
    DataError
        Outside the measured range of airflow: a power law is not extrapolated.
    """
    if not fit.lowest * (1.0 - 1e-9) <= airflow <= fit.highest * (1.0 + 1e-9):
        raise DataError(
            f"Restriction of {fit.configuration}: {airflow:.4g} m³/s is outside the measured "
            f"{fit.lowest:.4g} to {fit.highest:.4g} m³/s.",
            remedy="Compare at an airflow that all curves cover.",
        )
    step = math.log(airflow) - fit.centre
    value = fit.log_drop + fit.exponent * step
    low = high = None
    if fit.centre_error is not None and fit.exponent_error is not None:
        half = coverage_factor(fit.level, fit.df) * math.hypot(fit.centre_error, step * fit.exponent_error)
        low, high = math.exp(value - half), math.exp(value + half)
    return RestrictionValue(fit.configuration, airflow, math.exp(value), low, high, fit.level, fit.note)


def common_airflow(fits: Sequence[RestrictionFit]) -> float:
    """Highest airflow [m³/s] that every curve covers, where restrictions are compared.

    Raises
    ------
    DataError
        If two curves have no airflow in common, with their names.
    """
    if not fits:
        raise DataError("There is no restriction curve.", remedy="Add points.")
    top, bottom = min(fits, key=lambda f: f.highest), max(fits, key=lambda f: f.lowest)
    if bottom.lowest > top.highest:
        raise DataError(
            f"The restriction curves of {top.configuration} and {bottom.configuration} have no airflow in common.",
            remedy="Measure both over one range.",
        )
    return top.highest


def road_restriction(
    barometric: ArrayLike, absolute: ArrayLike, airflow: ArrayLike, throttle: ArrayLike, *, wide_open: float = 80.0
) -> tuple[Array, Array]:
    """Airflow [m³/s] and pressure drop [kPa] of the samples at wide-open throttle of a road log.

    Parameters
    ----------
    barometric, absolute : array_like, shape (n,)
        Barometric pressure and the pressure in airbox or manifold [kPa].
    airflow : array_like, shape (n,)
        [m³/s], at the ambient density.
    throttle : array_like, shape (n,)
        [%].
    wide_open : float
        Least throttle reading that counts as wide open [%].

    Notes
    -----
    In the manifold the drop includes the throttle body; it bounds the intake's own restriction from above. A boosted
    engine's manifold pressure says nothing about restriction: samples at or above barometric are left out. A barometric
    reading with 1 kPa steps is coarse against a drop of a few kPa.
    """
    arrays = [np.asarray(a, dtype=np.float64) for a in (barometric, absolute, airflow, throttle)]
    if len({a.shape for a in arrays}) != 1:
        raise DataError("The columns for a restriction from the road differ in length.", remedy="Use one time base.")
    p0, p1, q, open_ = arrays
    used = np.isfinite(p0) & np.isfinite(p1) & (q > 0.0) & (open_ >= wide_open) & (p1 < p0)
    return q[used], (p0 - p1)[used]


@dataclass(frozen=True)
class ScaledAirflow:
    """Airflow carried from one test depression to another by the square-root rule.

    Attributes
    ----------
    airflow : float
        [same unit as given].
    other : float
        The same with the exponent 1.8 instead of 2, to show what the rule's assumption is worth.
    standing : str
        "common practice".
    in_range : bool
        Whether the ratio of depressions is within 1/4 and 4.
    """

    airflow: float
    other: float
    from_depression: float
    to_depression: float
    factor: float
    standing: str
    in_range: bool
    note: str


def scale_airflow(airflow: float, from_depression: float, to_depression: float) -> ScaledAirflow:
    """Airflow at another test depression by the square-root rule (common practice).

    Parameters
    ----------
    airflow : float
        Any unit of volume flow.
    from_depression, to_depression : float
        Test pressure drops in one unit, positive.

    Notes
    -----
    ``Q2 = Q1·√(Δp2/Δp1)`` assumes turbulent flow with a constant discharge coefficient. Beyond a ratio of 4 the result
    is flagged; no published range was found.
    """
    if not (from_depression > 0.0 and to_depression > 0.0 and airflow >= 0.0):
        raise DataError("Depression scaling needs positive depressions.", remedy="Check the sign and the unit.")
    ratio = to_depression / from_depression
    factor = math.sqrt(ratio)
    in_range = 1.0 / SCALING_RANGE <= ratio <= SCALING_RANGE
    other = airflow * ratio ** (1.0 / 1.8)
    spread = 100.0 * abs(ratio ** (1.0 / 1.8) / factor - 1.0)
    note = f"with an exponent of 1.8 instead of 2 the scaled airflow would be {spread:.1f} % different"
    if not in_range:
        note = f"the depressions differ by a factor of {max(ratio, 1.0 / ratio):.1f}, too far for the rule; {note}"
    return ScaledAirflow(
        airflow * factor, other, from_depression, to_depression, factor, "common practice", in_range, note
    )


def more_airflow(
    baseline: float, candidate: float, *, baseline_depression: float, candidate_depression: float
) -> float:
    """Percentage more airflow of the candidate at the same depression.

    Raises
    ------
    DataError
        If the depressions differ by more than 1 %, or one is not positive.
    """
    if not (baseline > 0.0 and candidate > 0.0 and baseline_depression > 0.0 and candidate_depression > 0.0):
        raise DataError("Airflows and depressions must be positive.", remedy="Check the values and their units.")
    if abs(candidate_depression / baseline_depression - 1.0) > EQUAL_DEPRESSION:
        raise DataError(
            f"Airflows at {baseline_depression:.3g} kPa and {candidate_depression:.3g} kPa cannot be compared as a "
            "percentage.",
            remedy="Measure both at one depression, or compare the restriction at one airflow.",
        )
    return 100.0 * (candidate / baseline - 1.0)


def power_effect_bound(drop: float, pressure: float) -> float:
    """Upper bound of the power [%] that a restriction costs, by the pressure term of ISO 1585.

    Parameters
    ----------
    drop, pressure : float
        Restriction and dry ambient pressure [kPa].

    Notes
    -----
    ``(p/(p − Δp))**1.2 − 1``: as if the restriction were a lower barometric pressure all the time; at part throttle and
    in a boosted engine the effect is smaller or none.
    """
    if not 0.0 <= drop < pressure:
        raise DataError("A restriction lies between 0 and the ambient pressure.", remedy="Check the units.")
    return float(100.0 * ((pressure / (pressure - drop)) ** 1.2 - 1.0))
