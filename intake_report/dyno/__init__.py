"""Dyno pulls of a campaign: warm-up pulls left out by rule, figures, mean curves, differences with their scatter, drift."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from intake_report.air import PowerExpectation, expected_power
from intake_report.campaign import Campaign
from intake_report.campaign.sections import DynoSection
from intake_report.dyno import pulls as sweep
from intake_report.dyno.pulls import DynoPull, Grid, Quantity, gridded
from intake_report.errors import DataError, placed
from intake_report.messages import Count, Message, Part, Value, message
from intake_report.report_table import frame_of, rows_of
from intake_report.statistics import Difference, Nouns, compare_blocked, coverage_factor, mean_interval

# share of the pull order's variance between configurations from which a drift cannot be told from a difference: pulls one
# after the other have 0.75 or more of two configurations, pulls in turn 0.1 or less
SEPARABLE = 0.5
LEAST_FOR_DRIFT = 3  # pulls with a known covariate that a slope needs
PULLS = Nouns("pull", "session")
QUANTITIES: tuple[Quantity, ...] = ("power", "torque")  # of the curves

# of a pull: column of `DynoResult.figures`, title, quantity: power [kW], torque [N·m], area [kW·rpm]
Figure = tuple[str, str, str]
_UNCORRECTED = (
    ("peak_power_uncorrected", "Peak power, uncorrected", "power"),
    ("peak_torque_uncorrected", "Peak torque, uncorrected", "torque"),
    ("mean_power_uncorrected", "Mean power over the common band, uncorrected", "power"),
)
FIGURES = (
    ("peak_power", "Peak power", "power"), ("peak_torque", "Peak torque", "torque"),
    ("mean_power", "Mean power over the common band", "power"),
    ("mean_torque", "Mean torque over the common band", "torque"),
    ("area", "Area under the power curve", "area"), *_UNCORRECTED,
)  # fmt: skip
# the same of pulls whose figures were typed by hand
PRINTED = (
    ("peak_power", "Peak power, as printed", "power"), ("peak_torque", "Peak torque, as printed", "torque"),
    ("mean_power", "Mean power, as printed", "power"), ("mean_torque", "Mean torque, as printed", "torque"), *_UNCORRECTED,
)  # fmt: skip
DRIFT_OF = ("mean_power", "peak_power", "mean_torque", "peak_torque")  # the first that all pulls have is looked at


@dataclass(frozen=True)
class MeanCurve:
    """Mean of a configuration's pulls by engine speed with its pointwise interval; limits None for a single pull."""

    configuration: str
    quantity: Quantity
    n: int
    mean: tuple[float, ...]
    low: tuple[float, ...] | None
    high: tuple[float, ...] | None


@dataclass(frozen=True)
class DifferenceCurve:
    """Candidate minus baseline by engine speed [kW or N·m, % of the baseline's mean], pointwise; None where not known."""

    candidate: str
    quantity: Quantity
    n_baseline: int
    n_candidate: int
    difference: tuple[float | None, ...]
    percent: tuple[float | None, ...]
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]
    method: str


@dataclass(frozen=True)
class LeftOut:
    """A pull that the rule left out, and why."""

    pull: str
    configuration: str
    reason: Message


@dataclass(frozen=True)
class Drift:
    """Change of a figure (mean power, where the pulls have it) with a covariate, within configurations and sessions."""

    covariate: str
    quantity: str  # of differences of the covariate, "count" for the order of the pulls
    n: int
    df: int = 0
    slope: float | None = None  # [kW or N·m per pull or K]
    low: float | None = None  # limits; None when the pulls allow none
    high: float | None = None
    span: float | None = None  # range of the covariate
    over_span: float | None = None  # slope times range
    share: float | None = None  # of its variance within sessions between configurations: 0 balanced, 1 inseparable
    detected: bool = False  # the interval of the slope excludes 0
    reason: Part = ""  # why there is no slope or no interval
    figure: str = "mean power"
    of: str = "power"  # quantity of the figure


@dataclass(frozen=True)
class ExpectedPower:
    """What intake air temperatures let expect of a candidate, other things equal, and what its pulls gave."""

    baseline: str
    candidate: str
    baseline_iat: float  # mean of the pulls' mean intake air temperatures [°C]
    candidate_iat: float
    models: tuple[PowerExpectation, ...]  # expected change of power by every model, each with its standing
    measured: float | None  # change of the mean power over the common band [%], with its interval
    measured_low: float | None
    measured_high: float | None


@dataclass(frozen=True, eq=False)
class DynoResult:
    """Everything a report says about the pulls."""

    basis: str  # where the figures apply
    assumption: str  # the named driveline loss, where one was assumed
    method: str  # key, name with edition and reference state of the correction, and kind of engine
    correction: str
    reference: str
    aspiration: str
    baseline: str
    level: float
    grid: Grid | None  # of the curves; None for figures as the dyno `printed` them
    figures: pd.DataFrame  # one row per pull that counts, see `pulls.pull_figures`
    means: pd.DataFrame  # one row per figure and configuration: mean, sd, n, interval
    comparisons: pd.DataFrame  # one per figure and candidate: difference from the baseline, percent of its mean
    speeds: tuple[float, ...]  # of the grid [rpm]
    curves: tuple[MeanCurve, ...]
    differences: tuple[DifferenceCurve, ...]
    drifts: tuple[Drift, ...]
    expected: tuple[ExpectedPower, ...]
    left_out: tuple[LeftOut, ...]
    smoothing_effect: float | None  # mean change of the peak power by smoothing and grid [%]
    notes: tuple[Message, ...]
    printed: str = ""  # correction that the dyno printed

    @property
    def corrected(self) -> bool:
        """Whether the figures were brought to a reference state."""
        return self.method != "none"

    def shown(self, rows: pd.DataFrame) -> pd.Series:
        """Mark the rows of `means` or `comparisons` that are printed: uncorrected ones only where a correction was made."""
        return self.corrected | ~rows["figure"].str.endswith("_uncorrected").astype(bool)

    def difference(self, figure: str, configuration: str, versus: str) -> Difference | None:
        """Return the difference of a figure between any two configurations; None where a pull has no such figure."""
        values, names = self.figures[figure], self.figures["configuration"].tolist()
        if values.isna().any() or not {configuration, versus} <= set(names):
            return None
        sessions = [session or None for session in self.figures["session"]]
        return compare_blocked(values.tolist(), names, sessions, versus, self.level, PULLS)[configuration]

    @property
    def in_turn(self) -> bool:
        """Whether the order of the pulls can tell a drift of the session from a difference of configurations."""
        order = next((drift for drift in self.drifts if drift.covariate == "pull order"), None)
        return order is None or (order.share or 0.0) <= SEPARABLE


def leave_out_warm_up(pulls: Sequence[DynoPull], section: DynoSection) -> tuple[list[DynoPull], list[LeftOut]]:
    """Split pulls into those that count and those the rule leaves out; a pull without a coolant reading passes."""
    kept, left_out = [], []
    for session in dict.fromkeys(pull.session for pull in pulls):
        members = sorted((p for p in pulls if p.session == session), key=lambda p: p.order)
        for one, following in pairwise(members):
            if one.order == following.order:
                what = f"Two pulls of {f'session {session}' if session else 'the session'} have the order {one.order}."
                raise DataError(what, remedy="Number the pulls of a session in the order in which they were made.")
        for (earlier, id), (later, next_id) in pairwise((p.time, p.id) for p in members if p.time is not None):
            if later <= earlier:
                what = f"Pull {next_id} follows pull {id} by its order but not by its time."
                raise DataError(what, remedy="Correct the order or the time.")
        for position, pull in enumerate(members, 1):
            if (reason := _warming_up(pull, position, section)) is None:
                kept.append(pull)
            else:
                left_out.append(LeftOut(pull.id, pull.configuration, reason))
    if not kept:
        raise DataError("The warm-up rule leaves no pull.", remedy="Record more pulls or relax the rule.")
    return kept, left_out


def _warming_up(pull: DynoPull, position: int, section: DynoSection) -> Message | None:
    first, least = section.warm_up_pulls, section.least_coolant
    if pull.warm_up:
        return message("declared as a warm-up pull", code="declared")
    if position <= first:
        text = "first of its session" if first == 1 else "among the first {first} of its session"
        return message(text, code="first", first=first)
    if least is not None and pull.coolant is not None and pull.coolant < least:
        coolant, limit = Value(pull.coolant, "temperature", 0), Value(least, "temperature", 0)
        return message("coolant at {coolant}, below {least}", code="cold", coolant=coolant, least=limit)
    return None


def drift(
    values: Sequence[float], covariate: Sequence[float | None], pulls: Sequence[DynoPull], *, name: str, quantity: str,
    level: float = 0.95,
) -> Drift:  # fmt: skip
    """Slope of a figure against a covariate (order, intake air, coolant) within configuration and session.

    Ordinary least squares with one level per configuration and session and one common slope (analysis of covariance);
    n − groups − 1 degrees of freedom. It can tell drift from configuration only as far as pulls of one configuration
    were made at different values of the covariate; pulls without it are left out.
    """
    of_pulls = {of: [getattr(pull, of) for pull in pulls] for of in ("configuration", "session")}
    frame = pd.DataFrame({"x": covariate, "y": values}, dtype=float).assign(**of_pulls).dropna(subset="x")
    n = len(frame)
    if n < LEAST_FOR_DRIFT:
        text, of = "{name} is known for {n} of {pulls}; a drift needs at least {least}", Count(len(pulls), "pull")
        reason = message(text, code="few-pulls", name=name, n=n, pulls=of, least=LEAST_FOR_DRIFT)
        return Drift(name, quantity, n, reason=reason)
    groups = frame.groupby(["configuration", "session"], sort=False)
    dx, dy = (frame[["x", "y"]] - groups[["x", "y"]].transform("mean")).to_numpy().T
    # about the session's mean, so that time between sessions does not count as imbalance
    about = (frame["x"] - frame.groupby("session")["x"].transform("mean")).to_numpy()
    inner, total = float(dx @ dx), float(about @ about)
    if inner <= 1e-12 * max(total, float(frame["x"].abs().max()) ** 2 * 1e-6):
        reason = message("{name} does not vary among the pulls of one configuration", code="no-variation", name=name)
        return Drift(name, quantity, n, reason=reason)
    slope, df = float(dx @ dy) / inner, n - groups.ngroups - 1
    low = high = None
    if df >= 1:
        residual = dy - slope * dx
        half = coverage_factor(level, df) * math.sqrt(float(residual @ residual) / df / inner)
        low, high = slope - half, slope + half
    span = float(np.ptp(frame["x"]))
    return Drift(
        name, quantity, n, max(df, 0), slope, low, high, span, slope * span, 1.0 - inner / total,
        detected=low is not None and high is not None and (low > 0.0 or high < 0.0),
        reason="" if df >= 1 else message("too few pulls for an interval of the slope", code="no-interval"),
    )  # fmt: skip


def mean_curves(items: Sequence[DynoPull], quantity: Quantity, grid: Grid, level: float = 0.95) -> list[MeanCurve]:
    """Mean curve of every configuration with the t interval at each speed by itself."""
    rows, names = gridded(items, quantity, grid), [item.configuration for item in items]
    curves = []
    for name in dict.fromkeys(names):
        points = [mean_interval(column, level) for column in rows[[n == name for n in names]].T]
        low = tuple(p.low for p in points if p.low is not None) or None
        high = tuple(p.high for p in points if p.high is not None) or None
        curves.append(MeanCurve(name, quantity, points[0].n, tuple(p.mean for p in points), low, high))
    return curves


def _compare(items: Sequence[DynoPull], values: list[float], baseline: str, level: float) -> dict[str, Difference]:
    sessions = [item.session or None for item in items]
    return compare_blocked(values, [item.configuration for item in items], sessions, baseline, level, PULLS)


def difference_curves(
    items: Sequence[DynoPull], quantity: Quantity, grid: Grid, baseline: str, level: float = 0.95
) -> list[DifferenceCurve]:
    """Difference of every other configuration from the baseline by engine speed."""
    rows = gridded(items, quantity, grid)
    by_speed = [_compare(items, column.tolist(), baseline, level) for column in rows.T]
    base = rows[[item.configuration == baseline for item in items]].mean(axis=0)
    found = []
    for name in by_speed[0]:
        points = [at_speed[name] for at_speed in by_speed]
        both = zip((p.difference for p in points), base.tolist(), strict=True)
        percent = tuple(100.0 * x / b if x is not None and b > 0.0 else None for x, b in both)
        difference, low, high = (tuple(getattr(p, side) for p in points) for side in ("difference", "low", "high"))
        n, m, method = points[0].n_baseline, points[0].n_candidate, points[0].method
        found.append(DifferenceCurve(name, quantity, n, m, difference, percent, low, high, method))
    return found


def analyse_pulls(pulls: Sequence[DynoPull], baseline: str, section: DynoSection, level: float = 0.95) -> DynoResult:
    """Figures, curves, differences from the baseline and drift of all pulls, warm-up pulls included."""
    kept, left_out = leave_out_warm_up(pulls, section)
    if section.driveline_loss:
        kept = [sweep.estimate_at_engine(pull, section.driveline_loss) for pull in kept]
    basis = sweep.one_basis(kept)
    kept = [sweep.correct(pull, section) for pull in kept]
    names = {pull.configuration for pull in kept}
    compared = len(names) > 1 and baseline in names
    grid: Grid | None = None
    curves: list[MeanCurve] = []
    between: list[DifferenceCurve] = []
    if kept[0].printed:
        figures = frame_of(sweep.stated_figures(item) for item in kept)
        judged = [(name, title, quantity) for name, title, quantity in PRINTED if figures[name].notna().all()]
    else:
        grid = sweep.common_grid(kept, section.grid, section.smoothing or 0.0)
        figures, judged = frame_of(sweep.pull_figures(item, grid) for item in kept), list(FIGURES)
        for q in QUANTITIES:
            curves += mean_curves(kept, q, grid, level)
            between += difference_curves(kept, q, grid, baseline, level) if compared else ()
    comparisons = _comparisons(kept, figures, judged if compared else (), baseline, level)
    drifting = next((entry for name in DRIFT_OF for entry in judged if entry[0] == name), None)
    by, first = kept[0].correction, kept[0]
    return DynoResult(
        basis, first.assumption, by.spec.key, by.spec.name, by.spec.reference, by.aspiration, baseline, level, grid, figures,
        _means(figures, judged, level), comparisons,
        speeds=tuple(grid.speeds.tolist()) if grid else (),
        curves=tuple(curves), differences=tuple(between),
        drifts=() if drifting is None else _drifts(kept, figures, drifting, level),
        expected=_expected(kept, baseline, comparisons),
        left_out=tuple(left_out),
        smoothing_effect=float(np.mean(figures["smoothing_effect"])) if grid else None,
        notes=tuple(message("Pull {pull}: {note}.", note.code, pull=p.id, note=note) for p in kept for note in p.notes),
        printed=first.printed,
    )  # fmt: skip


def _drifts(pulls: Sequence[DynoPull], figures: pd.DataFrame, figure: Figure, level: float) -> tuple[Drift, ...]:
    name, title, of = figure
    short = title.partition(" over ")[0].partition(",")[0].lower()
    values = figures[name].tolist()
    return tuple(
        replace(drift(values, covariate, pulls, name=what, quantity=quantity, level=level), figure=short, of=of)
        for what, quantity, covariate in (
            ("pull order", "count", [float(p.order) for p in pulls]),
            ("intake air temperature", "temperature_difference", [p.iat for p in pulls]),
            ("coolant temperature", "temperature_difference", [p.coolant for p in pulls]),
        )
    )


def _means(figures: pd.DataFrame, judged: Sequence[Figure], level: float) -> pd.DataFrame:
    rows = [
        {"figure": figure, "title": title, "quantity": quantity, "configuration": name}
        | vars(mean_interval(group[figure].tolist(), level))
        for figure, title, quantity in judged
        for name, group in figures.groupby("configuration", sort=False)
    ]
    return frame_of(rows, () if rows else ("figure",))


_COMPARED = (
    "figure", "title", "quantity", "configuration", "difference", "low", "high", "percent", "baseline_mean", "df", "n",
    "n_baseline", "method", "standard_error", "p_value", "scatter", "note",
)  # fmt: skip


def _comparisons(
    items: list[DynoPull], figures: pd.DataFrame, judged: Sequence[Figure], baseline: str, level: float
) -> pd.DataFrame:
    rows = []
    for figure, title, quantity in judged:
        base = float(figures.loc[figures["configuration"] == baseline, figure].mean())
        for name, d in _compare(items, figures[figure].tolist(), baseline, level).items():
            percent = None if d.difference is None or base == 0.0 else 100.0 * d.difference / base
            about = {"figure": figure, "title": title, "quantity": quantity, "configuration": name, "percent": percent}
            rows.append({**vars(d), **about, "baseline_mean": base, "n": d.n_candidate, "note": d.note})
    return frame_of(rows, _COMPARED)


def _expected(pulls: Sequence[DynoPull], baseline: str, comparisons: pd.DataFrame) -> tuple[ExpectedPower, ...]:
    names = dict.fromkeys(pull.configuration for pull in pulls)
    known = {name: [p.iat for p in pulls if p.configuration == name and p.iat is not None] for name in names}
    iat = {name: sum(values) / len(values) for name, values in known.items() if values}
    rows = [row for row in rows_of(comparisons) if row.figure == "mean_power"]
    return tuple(
        ExpectedPower(
            baseline, row.configuration, iat[baseline], iat[row.configuration],
            expected_power(iat[row.configuration], iat[baseline]),
            *(None if x is None else 100.0 * x / row.baseline_mean for x in (row.difference, row.low, row.high)),
        )
        for row in rows
        if baseline in iat and row.configuration in iat
    )  # fmt: skip


def dyno_evidence(campaign: Campaign) -> DynoResult | None:
    """Everything the pulls of a campaign say; None if it has none. Aspiration from [dyno], else [vehicle]."""
    if not campaign.pulls:
        return None
    pulls = sweep.read_pulls(campaign)
    aspiration = campaign.dyno.aspiration or campaign.vehicle.aspiration
    section = campaign.dyno.model_copy(update={"aspiration": aspiration})
    with placed(file=campaign.file, where="dyno"):
        return analyse_pulls(pulls, campaign.baseline.id, section, campaign.metrics.confidence)
