"""Evidence from off the road: restriction and airflow, exposure trials, times to change a part, cautions."""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from intake_report.campaign import Campaign
from intake_report.campaign.sections import Exposure, Observation
from intake_report.errors import DataError, placed
from intake_report.loaders import read_columns
from intake_report.messages import Listing, Message, Part, Value, message
from intake_report.report_table import frame_of
from intake_report.statistics import clopper_pearson, coverage_factor, line_fit, mean_interval, zero_failure_upper

CAUTION_WATER = (
    "An engine that draws in water can be wrecked within one revolution and may stall in traffic: do not drive through "
    "standing water to test an intake, and follow the vehicle maker's wading limits."
)
CAUTION_ROAD = (
    "Trials on open roads obey the law and the traffic; a passenger or the logger, not the driver, attends to "
    "instruments. Local rules and the judgement of licensed people come first."
)
CAUTION_SERVICE = (
    "Work on the intake only with the engine off and cool; a part that comes loose or an unfiltered engine can cause "
    "damage or injury. Where licensed practice is required, it applies."
)

_SHOWED = {"wet": "moisture", "dusty": "dust past the filter", "hot": "damage by heat"}
SMALL_CHANCE = 0.01  # chance below which a decimal is printed, since a limit above zero must not read as zero
# Choices of this package unless a line says otherwise
USUAL_EXPONENT = (1.5, 2.2)  # between porous (1) and turbulent (2) flow, not questioned (common practice)
SCALING_RANGE = 4.0  # largest ratio of depressions for which the square-root rule is not flagged
EQUAL_DEPRESSION = 0.01  # share by which two depressions may differ and still count as equal
OTHER_EXPONENT = 1.8  # that a paper element with its box may have instead of 2: what the square-root rule is worth
RESTRICTION_COLUMNS = {"airflow": "volume_flow", "drop": "restriction"}  # of a table, with their quantities


@dataclass(frozen=True)
class RestrictionFit:
    """``drop = coefficient · airflow**exponent`` through points at one air density: drop [kPa], airflow [m³/s]."""

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
        """Log of the drop [kPa] at an airflow [m³/s], and its standard uncertainty."""
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
    """Fit points (n,) [m³/s], [kPa] by least squares of the logarithms; DataError: one airflow, or one not positive."""
    q, dp = np.asarray(airflow, dtype=np.float64), np.asarray(drop, dtype=np.float64)
    known = np.isfinite(q) & np.isfinite(dp)
    q, dp = q[known], dp[known]
    wrong, remedy = "", "Measure more points."
    if q.size < 2 or np.all(q == q[0]):
        wrong = "a curve needs points at two airflows or more."
    elif np.any(q <= 0.0) or np.any(dp <= 0.0):
        wrong, remedy = "airflow and pressure drop must be positive.", "Leave out the zero reading; check the sign."
    if wrong:
        raise DataError(f"Restriction of {configuration}: {wrong}", file=file, remedy=remedy)
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

    It assumes turbulent flow with a constant discharge coefficient; no published range was found.
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


_LogOf = Callable[[RestrictionFit], tuple[float, float | None]]


@dataclass(frozen=True, eq=False)
class RestrictionSet:
    """Curves of one source (a bench, the road) that may be compared with each other.

    `rows`: for each fit the drop at the common airflow, difference from the baseline's [kPa, %]; airflow at the common
    depression, `more` than the baseline's [%], scaled. Intervals of the curves, a difference with the smaller df.
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


def _comparable_airflow(fits: Sequence[RestrictionFit], asked: float | None) -> tuple[float | None, Part]:
    """Return the airflow [m³/s] of the comparison, None with the reason where a curve would have to be extrapolated."""
    top, bottom = min(fits, key=lambda f: f.highest), max(fits, key=lambda f: f.lowest)
    if bottom.lowest > top.highest:
        text = "The restriction curves of {first} and {second} have no airflow in common."
        return None, message(text, code="no-common-airflow", first=top.configuration, second=bottom.configuration)
    at = top.highest if asked is None else asked
    for fit in fits:
        if not fit.lowest * (1.0 - 1e-9) <= at <= fit.highest * (1.0 + 1e-9):
            text = "Restriction of {name}: {airflow} is outside the measured {low} to {high}."
            airflow, low, high = (Value(q, "volume_flow", 0) for q in (at, fit.lowest, fit.highest))
            values: dict[str, Part] = {"name": fit.configuration, "airflow": airflow, "low": low, "high": high}
            return None, message(text, code="airflow-outside", **values)
    return at, ""


def _common_depression(fits: Sequence[RestrictionFit]) -> float | None:
    """Return the highest depression [kPa] that every curve reaches; None where one is not known to rise."""
    if any((fit.exponent if fit.exponent_low is None else fit.exponent_low) <= 0.0 for fit in fits):
        return None  # read backwards, such a law gives any airflow
    lowest = max(math.exp(fit.log_drop_at(fit.lowest)[0]) for fit in fits)
    highest = min(math.exp(fit.log_drop_at(fit.highest)[0]) for fit in fits)
    return highest if lowest <= highest else None


def restriction_set(
    source: str, fits: Sequence[RestrictionFit], baseline: str, airflow: float | None = None, to: float | None = None
) -> RestrictionSet:
    """Values at one airflow [m³/s], the highest common one by default, airflow at one depression, and differences.

    `to`: depression [kPa] to which airflows are scaled by the square-root rule. Percentages of airflow are taken at the
    one common depression only: the fitted law is read backwards there.
    """
    base = next((fit for fit in fits if fit.configuration == baseline), None)
    at, reason = _comparable_airflow(fits, airflow)
    depression = None if at is None else _common_depression(fits)
    scaling = Scaling(depression, to) if depression is not None and to is not None else None
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


def _read(name: str, more: str, fit: RestrictionFit, base: RestrictionFit | None, log_of: _LogOf) -> dict[str, Any]:
    """Return a value of a curve and by how much it is above the baseline's [%], from their logs and standard uncertainties."""

    def limits(name: str, of: Callable[[float], float], log: float, error: float | None, df: int) -> dict[str, float]:
        if error is None:
            return {name: of(log)}
        half = coverage_factor(fit.level, df) * error
        return {name: of(log), f"{name}_low": of(log - half), f"{name}_high": of(log + half)}

    log, error = log_of(fit)
    found = limits(name, math.exp, log, error, fit.df)
    if base is not None and base is not fit:
        base_log, base_error = log_of(base)
        both = None if error is None or base_error is None else math.hypot(error, base_error)
        found |= limits(more, lambda x: 100.0 * math.expm1(x), log - base_log, both, min(fit.df, base.df))
    return found


def _comparable_quote(depression: float | None, versus: float | None) -> Message:
    """Say whether a quoted percentage of airflow, which goes with the depression [kPa], compares like with like."""
    if not depression or not versus:
        return message("depression not known: cannot be compared", code="unknown")
    at, other = Value(depression, "restriction", 2), Value(versus, "restriction", 2)
    if abs(depression / versus - 1.0) > EQUAL_DEPRESSION:
        return message("taken at {at} and {other}: cannot be compared", code="unequal", at=at, other=other)
    return message("both at {at}: like with like, as quoted, without an interval", code="equal", at=at)


def trial_cautions(conditions: Iterable[str]) -> tuple[str, ...]:
    """Return what has to be said beside trials under these conditions."""
    met = set(conditions)
    return ((CAUTION_WATER,) if "wet" in met else ()) + ((CAUTION_ROAD,) if met else ())


def exposure_bound(k: int, n: int, level: float, condition: str) -> dict[str, Any]:
    """Exact bound on the chance per trial: upper 1 − (1 − level)^(1/n) for k = 0 of n, else Clopper and Pearson."""
    limits = clopper_pearson(k, n, level)
    low, high = (0.0, zero_failure_upper(n, level)) if k == 0 else (limits.low, limits.high)
    code, kind = ("exposure-none", "one-sided upper") if k == 0 else ("exposure-some", "two-sided")
    chance = "may still be up to {high} at {level} confidence (one-sided)."
    if k:
        chance = "lies between {low} and {high} at {level} confidence (two-sided)."
    of_low, of_high = (Value(100.0 * x, "ratio", 0 if x >= SMALL_CHANCE else 1) for x in (low, high))
    sentence = message(
        "{k} of {n} {condition} {trials} showed {what}: the chance per trial " + chance, code=code,
        k=k, n=n, condition=condition, trials="trial" if n == 1 else "trials", what=_SHOWED[condition],
        level=Value(100.0 * level, "ratio", 0), low=of_low, high=of_high,
    )  # fmt: skip
    return {"k": k, "n": n, "low": low, "high": high, "level": level, "kind": kind, "sentence": sentence}


def summarise_exposure(entries: Sequence[Exposure], level: float = 0.95) -> pd.DataFrame:
    """Trials by configuration and condition, in order of appearance; unlike configurations are never pooled.

    `exposure_bound` with configuration, condition, total duration [s] (None if one is not known), gain of the filter's mass per
    trial with its interval [kg] over the trials that weighed it, observations. DataError: if a filter lost mass.
    """
    rows = []
    for configuration, condition in dict.fromkeys((e.configuration, e.condition) for e in entries):
        members = [e for e in entries if (e.configuration, e.condition) == (configuration, condition)]
        durations = [e.duration * e.trials for e in members if e.duration is not None]
        gains = [
            e.filter_mass_after - e.filter_mass_before
            for e in members
            if e.trials == 1 and e.filter_mass_before is not None and e.filter_mass_after is not None
        ]
        if gains and min(gains) < 0.0:
            what = f"A filter of {configuration} lost {-1000.0 * min(gains):.1f} g in a {condition} trial."
            remedy = "Check that before and after are not exchanged and that the filter was weighed alike."
            raise DataError(what, remedy=remedy)
        gain = mean_interval(gains, level) if gains else None
        gained = {f"gain{side}": gain and getattr(gain, side[1:] or "mean") for side in ("", "_low", "_high")}
        adverse, trials = sum(e.adverse_trials for e in members), sum(e.trials for e in members)
        row: dict[str, Any] = {"configuration": configuration, "condition": condition}
        row |= exposure_bound(adverse, trials, level, condition)
        row |= {"duration": sum(durations) if len(durations) == len(members) else None, "weighed": len(gains)}
        rows.append(row | gained | {"observations": tuple(e.observation for e in members)})
    return frame_of(rows, () if rows else ("configuration", "condition"))


def service_times(entries: Sequence[Observation], level: float = 0.95) -> pd.DataFrame:
    """Mean time [s] per configuration and task with number, interval and range, over the timed entries."""
    times: dict[tuple[str, str], list[float]] = {}
    for entry in entries:
        if entry.time is None:
            continue
        if not entry.time > 0.0:
            what = f"'{entry.task}' on {entry.configuration} took {entry.time:g} s, which is not possible."
            raise DataError(what, remedy="Check the time.")
        times.setdefault((entry.configuration, entry.task), []).append(entry.time)
    rows = [
        {"configuration": configuration, "task": task, **vars(mean_interval(values, level)),
         "shortest": min(values), "longest": max(values)}
        for (configuration, task), values in times.items()
    ]  # fmt: skip
    return frame_of(rows, () if rows else ("configuration", "task", "n"))


@dataclass(frozen=True, eq=False)
class BenchResult:
    """See `restriction_set`, `summarise_exposure`, `service_times`; `quotes` with what they are worth."""

    restrictions: tuple[RestrictionSet, ...]
    exposures: pd.DataFrame
    services: pd.DataFrame
    remarks: pd.DataFrame
    quotes: pd.DataFrame


def bench_evidence(campaign: Campaign) -> BenchResult | None:
    """Everything the campaign's restriction, exposure and service entries say; None without any, DataError if one is wrong."""
    if not (campaign.restrictions or campaign.airflows or campaign.exposures or campaign.observations):
        return None
    level = campaign.metrics.confidence
    with placed(file=campaign.file, where="exposure"):
        exposures = summarise_exposure(campaign.exposures, level)
    with placed(file=campaign.file, where="observation"):
        services = service_times(campaign.observations, level)
    baseline, bench = campaign.baseline.id, campaign.bench
    remark = ("configuration", "task", "note")
    remarks = [entry for entry in campaign.observations if entry.time is None or entry.note]
    quoted = ("configuration", "versus", "more", "depression", "versus_depression", "source")
    quotes = []
    for entry in campaign.airflows:
        standing = _comparable_quote(entry.depression, entry.versus_depression)
        row = {name: getattr(entry, name) for name in quoted} | {"versus": entry.versus or baseline}
        quotes.append(row | {"standing": standing})
    of_source = _fits(campaign).items()
    sets = tuple(restriction_set(of, fits, baseline, bench.airflow, bench.depression) for of, fits in of_source)
    said = frame_of(({name: getattr(entry, name) for name in remark} for entry in remarks), remark)
    return BenchResult(sets, exposures, services, said, frame_of(quotes, (*quoted, "standing")))


def _fits(campaign: Campaign) -> dict[str, list[RestrictionFit]]:
    groups: dict[str, list[RestrictionFit]] = {}
    for entry in campaign.restrictions:
        group, id = groups.setdefault(entry.source, []), entry.configuration
        if any(other.configuration == id for other in group):
            what = f"Configuration {id} has two restriction curves of one source."
            remedy = "Put their points into one entry, or name different sources."
            raise DataError(what, file=campaign.file, where="restriction", remedy=remedy)
        file, flows, drops = campaign.file, [p.airflow for p in entry.points], [p.drop for p in entry.points]
        if entry.file is not None:
            file = campaign.folder / entry.file
            table = read_columns(file, entry.columns, RESTRICTION_COLUMNS)
            for name in RESTRICTION_COLUMNS:
                if name not in table:
                    raise DataError(f"No column is mapped to {name}.", file=file, remedy="Map airflow and drop.")
            flows, drops = table["airflow"].tolist(), table["drop"].tolist()
        group.append(fit_restriction(id, flows, drops, level=campaign.metrics.confidence, file=str(file)))
    return groups
