"""Restriction against airflow: power-law fit, values at a common airflow and a common depression, scaling.

Airflow [m³/s] at one stated air density per curve, pressure drop [kPa]; what an engine displaces.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from intake_report.errors import DataError
from intake_report.messages import Listing, Message, Part, Value, message
from intake_report.report_table import frame_of
from intake_report.statistics import coverage_factor, line_fit

Array = NDArray[np.float64]

# Choices of this package unless a line says otherwise
USUAL_EXPONENT = (1.5, 2.2)  # between porous (1) and turbulent (2) flow, not questioned (common practice)
SCALING_RANGE = 4.0  # largest ratio of depressions for which the square-root rule is not flagged
EQUAL_DEPRESSION = 0.01  # share by which two depressions may differ and still count as equal
OTHER_EXPONENT = 1.8  # that a paper element with its box may have instead of 2: what the square-root rule is worth
# what a column of a restriction table can be, and its quantity in `units.QUANTITIES`
RESTRICTION_COLUMNS = {"airflow": "volume_flow", "drop": "restriction"}


@dataclass(frozen=True)
class RestrictionFit:
    """``drop = coefficient · airflow**exponent`` through measured points, for drop in kPa and airflow in m³/s."""

    configuration: str
    coefficient: float
    exponent: float
    exponent_low: float | None  # confidence limits; None for two points
    exponent_high: float | None
    centre: float  # log of the points' geometric mean airflow, and log drop there
    log_drop: float
    centre_error: float | None  # standard uncertainties, uncorrelated at the centre
    exponent_error: float | None
    residual: float | None  # standard deviation of the log
    df: int
    n: int
    lowest: float  # range of measured airflow [m³/s]
    highest: float
    level: float
    note: Part  # what a reader has to know; empty if nothing
    points: tuple[tuple[float, float], ...] = ()  # measured airflow [m³/s] and drop [kPa]

    def log_drop_at(self, airflow: float) -> tuple[float, float | None]:
        """Log of the drop [kPa] at an airflow [m³/s] of the measured range, and its standard uncertainty."""
        step = math.log(airflow) - self.centre
        return self.log_drop + self.exponent * step, self._error(step)

    def log_airflow_at(self, drop: float) -> tuple[float, float | None]:
        """Log of the airflow [m³/s] at a drop [kPa], and its standard uncertainty (first order)."""
        step = (math.log(drop) - self.log_drop) / self.exponent
        error = self._error(step)
        return self.centre + step, None if error is None else error / self.exponent

    def _error(self, step: float) -> float | None:
        if self.centre_error is None or self.exponent_error is None:
            return None
        return math.hypot(self.centre_error, step * self.exponent_error)


def fit_restriction(
    configuration: str, airflow: ArrayLike, drop: ArrayLike, *, level: float = 0.95, file: str | None = None
) -> RestrictionFit:
    """Fit a power law through restriction points by least squares of the logarithms.

    `airflow`, `drop` (n,): [m³/s] and [kPa], all positive, at two or more different airflows. Raises DataError: fewer
    than two points, one airflow only, or a value that is not positive.
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
    notes = [] if line.df else [message("two points only: the curve has no interval", code="two-points")]
    if not USUAL_EXPONENT[0] <= line.slope <= USUAL_EXPONENT[1]:
        template = "the exponent of {exponent} is outside {low} to {high}, which is usual for intakes (common practice)"
        limits = {name: Value(x, decimals=1) for name, x in zip(("low", "high"), USUAL_EXPONENT, strict=True)}
        notes.append(message(template, code="unusual-exponent", exponent=Value(line.slope, decimals=2), **limits))
    return RestrictionFit(
        configuration=configuration, coefficient=math.exp(line.intercept - line.slope * centre), exponent=line.slope,
        exponent_low=None if half is None else line.slope - half,
        exponent_high=None if half is None else line.slope + half, centre=centre, log_drop=line.intercept,
        centre_error=line.intercept_error, exponent_error=line.slope_error, residual=line.residual_sd, df=line.df,
        n=int(q.size), lowest=float(q.min()), highest=float(q.max()), level=level,
        note=Listing(tuple(notes), ";") if notes else "", points=tuple(zip(q.tolist(), dp.tolist(), strict=True)),
    )  # fmt: skip


@dataclass(frozen=True)
class Scaling:
    """Airflow carried from one test depression to another [kPa] by the square-root rule (common practice).

    ``Q2 = Q1·√(Δp2/Δp1)`` assumes turbulent flow with a constant discharge coefficient. Beyond a ratio of
    `SCALING_RANGE` it is flagged; no published range was found.
    """

    depression: float
    to_depression: float

    @property
    def factor(self) -> float:
        """Airflow at the other depression over that at the first."""
        return math.sqrt(self.to_depression / self.depression)

    @property
    def in_range(self) -> bool:
        """Whether the rule is not questioned."""
        return 1.0 / SCALING_RANGE <= self.to_depression / self.depression <= SCALING_RANGE

    @property
    def note(self) -> Message:
        """What the assumption of the rule is worth, and whether the depressions are too far apart for it."""
        ratio = self.to_depression / self.depression
        spread = Value(100.0 * abs(ratio ** (1.0 / OTHER_EXPONENT) / self.factor - 1.0), "ratio", 1)
        text = "with an exponent of {other} instead of 2 the scaled airflow would be {spread} different"
        note = message(text, code="other-exponent", other=Value(OTHER_EXPONENT, decimals=1), spread=spread)
        if self.in_range:
            return note
        text = "the depressions differ by a factor of {far}, too far for the rule; {note}"
        return message(text, code="too-far", far=Value(max(ratio, 1.0 / ratio), decimals=1), note=note)


@dataclass(frozen=True, eq=False)
class RestrictionSet:
    """Curves of one source (a bench, the road) that may be compared with each other.

    `rows`: one row per fit: drop at the common airflow, difference from the baseline's [kPa, %]; airflow at the common
    depression, `more` than the baseline's [%], scaled. Each with the interval of the fitted curves (a difference with the
    smaller of their degrees of freedom, so rather wide); limits None for a curve of two points.
    """

    source: str
    fits: tuple[RestrictionFit, ...]
    airflow: float | None  # at which restrictions are compared [m³/s]; None where there is none in common
    depression: float | None  # highest common one [kPa], at which airflows are compared
    scaling: Scaling | None  # to the depression that the campaign asks for
    rows: pd.DataFrame
    reason: Part = ""  # why there is no common airflow


COMPARED = (
    "drop", "drop_low", "drop_high", "difference", "percent", "percent_low", "percent_high",
    "flow", "flow_low", "flow_high", "more", "more_low", "more_high", "scaled",
)  # fmt: skip


def comparable_airflow(fits: Sequence[RestrictionFit], asked: float | None = None) -> tuple[float | None, Part]:
    """Airflow [m³/s] at which restrictions are compared: as asked, else the highest that every curve covers.

    Returns the airflow, None where a curve does not cover it, since a power law is not extrapolated; and the reason.
    """
    top, bottom = min(fits, key=lambda f: f.highest), max(fits, key=lambda f: f.lowest)
    if bottom.lowest > top.highest:
        text = "The restriction curves of {first} and {second} have no airflow in common."
        return None, message(text, code="no-common-airflow", first=top.configuration, second=bottom.configuration)
    at = top.highest if asked is None else asked
    for fit in fits:
        if not fit.lowest * (1.0 - 1e-9) <= at <= fit.highest * (1.0 + 1e-9):
            text, flows = (
                "Restriction of {name}: {airflow} is outside the measured {low} to {high}.",
                (at, fit.lowest, fit.highest),
            )
            values = dict(zip(("airflow", "low", "high"), (Value(q, "volume_flow", 0) for q in flows), strict=True))
            return None, message(text, code="airflow-outside", name=fit.configuration, **values)
    return at, ""


def common_depression(fits: Sequence[RestrictionFit]) -> float | None:
    """Highest depression [kPa] that every curve reaches; None without one, or where a curve is not known to rise."""
    if any((fit.exponent if fit.exponent_low is None else fit.exponent_low) <= 0.0 for fit in fits):
        return None  # read backwards, such a law gives any airflow
    lowest = max(math.exp(fit.log_drop_at(fit.lowest)[0]) for fit in fits)
    highest = min(math.exp(fit.log_drop_at(fit.highest)[0]) for fit in fits)
    return highest if lowest <= highest else None


def restriction_set(
    source: str,
    fits: Sequence[RestrictionFit],
    baseline: str,
    airflow: float | None = None,
    scale_to: float | None = None,
) -> RestrictionSet:
    """Values at one airflow, airflow at one depression, and differences from the baseline.

    `airflow`: where restrictions are compared [m³/s]; the highest common one by default; `scale_to`: depression to
    which airflows are scaled by the square-root rule [kPa].

    Percentages of airflow are taken at the one common depression only: the fitted law is read backwards there.
    """
    base = next((fit for fit in fits if fit.configuration == baseline), None)
    at, reason = comparable_airflow(fits, airflow)
    depression = None if at is None else common_depression(fits)
    scaling = Scaling(depression, scale_to) if depression is not None and scale_to is not None else None
    if base is None and at is not None:
        reason = message("The baseline {baseline} has no curve.", code="no-baseline-curve", baseline=baseline)
    rows = []
    for fit in fits:
        row: dict[str, Any] = {"configuration": fit.configuration, **dict.fromkeys(COMPARED)}
        if at is not None:
            row |= _read("drop", "percent", fit, base, lambda f: f.log_drop_at(at))
            if base is not None and base is not fit:
                row["difference"] = row["drop"] - math.exp(base.log_drop_at(at)[0])
        if depression is not None:
            row |= _read("flow", "more", fit, base, lambda f: f.log_airflow_at(depression))
            row["scaled"] = row["flow"] * scaling.factor if scaling else None
        rows.append(row)
    return RestrictionSet(source, tuple(fits), at, depression, scaling, frame_of(rows), reason)


def _read(
    name: str, more: str, fit: RestrictionFit, base: RestrictionFit | None,
    log_of: Callable[[RestrictionFit], tuple[float, float | None]],
) -> dict[str, float | None]:  # fmt: skip
    """Return a value of a curve and by how much it is above the baseline's [%], from their logs and standard uncertainties."""
    log, error = log_of(fit)
    found = _limits(name, math.exp, log, error, fit.level, fit.df)
    if base is not None and base is not fit:
        base_log, base_error = log_of(base)
        both = None if error is None or base_error is None else math.hypot(error, base_error)
        found |= _limits(more, lambda x: 100.0 * math.expm1(x), log - base_log, both, fit.level, min(fit.df, base.df))
    return found


def _limits(
    name: str, of: Callable[[float], float], log: float, error: float | None, level: float, df: int
) -> dict[str, float | None]:
    if error is None:
        return {name: of(log)}
    half = coverage_factor(level, df) * error
    return {name: of(log), f"{name}_low": of(log - half), f"{name}_high": of(log + half)}


def comparable_quote(depression: float | None, versus: float | None) -> Message:
    """Return whether a quoted percentage of airflow compares like with like, by the depressions [kPa] it was taken at.

    The code is "equal", "unequal" or "unknown"; airflow goes with about the square root of the depression, so that a
    percentage between unequal ones says little of the parts.
    """
    if not depression or not versus:
        return message("depression not known: cannot be compared", code="unknown")
    at, other = Value(depression, "restriction", 2), Value(versus, "restriction", 2)
    if abs(depression / versus - 1.0) > EQUAL_DEPRESSION:
        return message("taken at {at} and {other}: cannot be compared", code="unequal", at=at, other=other)
    return message("both at {at}: like with like, as quoted, without an interval", code="equal", at=at)


def theoretical_volume_flow(displacement: float, speed: float) -> float:
    """Volume [m³/s] that a four-stroke engine displaces: one filling every other revolution.

    Raises DataError: if displacement [L] or engine speed [rpm] is not positive.
    """
    if not (displacement > 0.0 and speed > 0.0):
        raise DataError("Displacement and engine speed must be positive.", remedy="Check the values and their units.")
    return displacement / 1000.0 * speed / 60.0 / 2.0


def volumetric_efficiency(mass_flow: float, displacement: float, speed: float, density: float) -> float:
    """Volumetric efficiency [%]: mass airflow [g/s] over the theoretical one at a stated density [kg/m³].

    With ambient density it contains restriction and heating of the intake; with manifold density it does not.
    """
    if not (mass_flow >= 0.0 and density > 0.0):
        raise DataError("Airflow and density must be positive.", remedy="Check the values and their units.")
    return 100.0 * mass_flow / (1000.0 * density * theoretical_volume_flow(displacement, speed))
