"""A dyno session from its pulls to figures: warm-up pulls left out by rule, correction, comparison, drift."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from intake_report.air import Aspiration, Correction
from intake_report.dyno.corrected import CorrectedPull, correct
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
    pull_figures,
    summarise,
)
from intake_report.dyno.expectation import ExpectedPower, expected_beside_measured
from intake_report.dyno.pulls import DrivelineLoss, Pull, estimate_at_engine, one_basis
from intake_report.errors import DataError
from intake_report.messages import said
from intake_report.statistics import Difference, MeanInterval


@dataclass(frozen=True)
class WarmUpRule:
    """Which pulls are left out before anything is computed.

    Attributes
    ----------
    first : int
        Number of pulls left out at the start of each session.
    coolant : float, optional
        Least mean coolant temperature [°C]; a pull without a coolant reading passes.
    """

    first: int = 0
    coolant: float | None = None


@dataclass(frozen=True)
class LeftOut:
    """A pull that the rule left out, and why; `coolant` and `least` [°C] where it was for a cold engine."""

    pull: str
    configuration: str
    reason: str
    coolant: float | None = None
    least: float | None = None


def leave_out_warm_up(pulls: Sequence[Pull], rule: WarmUpRule) -> tuple[tuple[Pull, ...], tuple[LeftOut, ...]]:
    """Split pulls into those that count and those the rule leaves out.

    Raises
    ------
    DataError
        If no pull remains, two pulls of a session have the same order, or order and time contradict each other.
    """
    kept: list[Pull] = []
    out: list[LeftOut] = []
    for session in dict.fromkeys(pull.session for pull in pulls):
        members = sorted((p for p in pulls if p.session == session), key=lambda p: p.order)
        orders = [p.order for p in members]
        if len(set(orders)) < len(orders):
            twice = next(o for o in orders if orders.count(o) > 1)
            raise DataError(
                f"Two pulls of {f'session {session}' if session else 'the session'} have the order {twice}.",
                remedy="Number the pulls of a session in the order in which they were made.",
            )
        timed = [p for p in members if p.time is not None]
        for before, after in pairwise(timed):
            if before.time is not None and after.time is not None and after.time <= before.time:
                raise DataError(
                    f"Pull {after.id} follows pull {before.id} by its order but not by its time.",
                    remedy="Correct the order or the time.",
                )
        for position, pull in enumerate(members, 1):
            cold: tuple[float, float] | tuple[()] = ()
            if pull.warm_up:
                reason = "declared as a warm-up pull"
            elif position <= rule.first:
                reason = f"among the first {rule.first} of its session" if rule.first > 1 else "first of its session"
            elif rule.coolant is not None and pull.coolant is not None and pull.coolant < rule.coolant:
                reason = f"coolant at {pull.coolant:.0f} °C, below {rule.coolant:g} °C"
                cold = (pull.coolant, rule.coolant)
            else:
                kept.append(pull)
                continue
            out.append(LeftOut(pull.id, pull.configuration, reason, *cold))
    if not kept:
        raise DataError("The warm-up rule leaves no pull.", remedy="Record more pulls or relax the rule.")
    return tuple(kept), tuple(out)


@dataclass(frozen=True)
class DynoSettings:
    """How pulls are brought to common conditions.

    Attributes
    ----------
    correction : str
        Key of `air.CORRECTIONS`.
    air : {"cell", "ambient", "intake"}
        What to correct with; "intake" is refused.
    grid, smoothing : float
        Engine-speed step and smoothing window [rpm].
    """

    correction: str = "none"
    air: Literal["cell", "ambient", "intake"] = "cell"
    aspiration: Aspiration = "natural"
    grid: float = 100.0
    smoothing: float = 0.0
    warm_up: WarmUpRule = WarmUpRule()
    driveline_loss: DrivelineLoss | None = None
    fuel_per_cycle: float | None = None
    elevation: float | None = None
    level: float = 0.95


@dataclass(frozen=True)
class FigureSummary:
    """One figure of all configurations: mean, number of pulls and interval, and the differences from the baseline."""

    figure: str
    title: str
    unit: str
    means: dict[str, MeanInterval]
    differences: dict[str, Difference]


@dataclass(frozen=True)
class PullCorrection:
    """The correction of one pull."""

    pull: str
    correction: Correction


@dataclass(frozen=True)
class DynoResult:
    """Everything a report says about the pulls; JSON-able by `dataclasses.asdict`, without NaN.

    Attributes
    ----------
    basis : str
        Where the figures apply, with the named driveline loss where one was assumed.
    smoothing_effect : float
        Mean change of the peak power by smoothing and grid [%].
    limitations : tuple of str
        One sentence each.
    """

    basis: str
    correction: str
    reference: str
    baseline: str
    grid: Grid
    level: float
    figures: tuple[PullFigures, ...]
    summaries: tuple[FigureSummary, ...]
    curves: tuple[MeanCurve, ...]
    differences: tuple[DifferenceCurve, ...]
    drifts: tuple[Drift, ...]
    expected: tuple[ExpectedPower, ...]
    corrections: tuple[PullCorrection, ...]
    left_out: tuple[LeftOut, ...]
    smoothing_effect: float
    notes: tuple[str, ...]
    limitations: tuple[str, ...]


_FIGURES = (
    ("peak_power", "Peak power", "kW"),
    ("peak_torque", "Peak torque", "N·m"),
    ("mean_power", "Mean power over the common band", "kW"),
    ("mean_torque", "Mean torque over the common band", "N·m"),
    ("area", "Area under the power curve", "kW·rpm"),
    ("peak_power_uncorrected", "Peak power, uncorrected", "kW"),
    ("peak_torque_uncorrected", "Peak torque, uncorrected", "N·m"),
    ("mean_power_uncorrected", "Mean power over the common band, uncorrected", "kW"),
)


def analyse_pulls(pulls: Sequence[Pull], baseline: str, settings: DynoSettings) -> DynoResult:
    """Figures, curves, differences and drift of a set of pulls.

    Parameters
    ----------
    pulls : sequence of Pull
        All pulls, warm-up pulls included.
    baseline : str
        Configuration that the others are compared with.

    Raises
    ------
    DataError
        If pulls of different basis are mixed, have no engine speed in common, or cannot be corrected as asked.
    """
    kept, left_out = leave_out_warm_up(pulls, settings.warm_up)
    if settings.driveline_loss is not None:
        loss = settings.driveline_loss
        kept = tuple(estimate_at_engine(p, loss) if p.measured_at == "wheel" else p for p in kept)
    basis = one_basis(kept)
    items = tuple(
        correct(
            pull,
            settings.correction,
            air=settings.air,
            aspiration=settings.aspiration,
            fuel_per_cycle=settings.fuel_per_cycle,
            elevation=settings.elevation,
        )
        for pull in kept
    )
    low, high = common_band(kept, settings.grid)
    grid = Grid(low, high, settings.grid, settings.smoothing)
    figures = tuple(pull_figures(item, grid) for item in items)
    names = [item.pull.configuration for item in items]
    compared = len(set(names)) > 1 and baseline in names
    level = settings.level
    summaries = []
    for key, title, unit in _FIGURES:
        values = [float(getattr(f, key)) for f in figures]
        differences = compare_figure(items, values, baseline, level) if compared else {}
        summaries.append(FigureSummary(key, title, unit, summarise(values, names, level), differences))
    curves = tuple(
        mean_curve([i for i in items if i.pull.configuration == name], quantity, grid, level)
        for quantity in ("power", "torque")
        for name in dict.fromkeys(names)
    )
    differences_by_speed = (
        difference_curves(items, "power", grid, baseline, level)
        + difference_curves(items, "torque", grid, baseline, level)
        if compared
        else ()
    )
    power = [f.mean_power for f in figures]
    drifts = tuple(
        drift(power, covariate, kept, name=name, covariate_unit=unit, unit="kW", level=level)
        for name, unit, covariate in (
            ("pull order", "pull", [float(p.order) for p in kept]),
            ("intake air temperature", "K", [p.iat for p in kept]),
            ("coolant temperature", "K", [p.coolant for p in kept]),
        )
    )
    return DynoResult(
        basis=basis,
        correction=items[0].correction.name,
        reference=items[0].correction.reference,
        baseline=baseline,
        grid=grid,
        level=level,
        figures=figures,
        summaries=tuple(summaries),
        curves=curves,
        differences=differences_by_speed,
        drifts=drifts,
        expected=expected_beside_measured(
            kept, baseline, next(s for s in summaries if s.figure == "mean_power").differences, power
        ),
        corrections=tuple(PullCorrection(i.pull.id, i.correction) for i in items),
        left_out=left_out,
        smoothing_effect=float(np.mean([f.smoothing_effect for f in figures])),
        notes=tuple(f"Pull {p.id}: {note}." for p in kept for note in p.notes),
        limitations=_limitations(items, figures, drifts, baseline),
    )


def _limitations(
    items: Sequence[CorrectedPull], figures: Sequence[PullFigures], drifts: Sequence[Drift], baseline: str
) -> tuple[str, ...]:
    found: dict[str, list[str]] = {}
    for item in items:
        for limitation in item.correction.limitations:
            found.setdefault(said(limitation, "si"), []).append(item.pull.id)
    texts = [f"{text} (pull{'s' if len(ids) > 1 else ''} {', '.join(ids)})" for text, ids in found.items()]
    edge = [f.pull for f in figures if f.peak_at_edge]
    if edge:
        texts.append(
            f"The highest power of {len(edge)} of {len(figures)} pulls lies at an end of the common speed band, "
            "so their peak power may lie outside it."
        )
    counts: dict[str, int] = {}
    for item in items:
        counts[item.pull.configuration] = counts.get(item.pull.configuration, 0) + 1
    if baseline not in counts:
        texts.append(f"The baseline {baseline} has no pull that counts, so no difference of power or torque is given.")
    texts += [f"Configuration {name} has one pull: its scatter is not known." for name, n in counts.items() if n == 1]
    for found_drift in drifts:
        if found_drift.detected and found_drift.over_span is not None:
            texts.append(
                f"Mean power changed by {found_drift.over_span:+.2f} {found_drift.unit} over the range of the {found_drift.covariate} within the "
                "session, and the comparison is not adjusted for it."
            )
        if (found_drift.share or 0.0) > 0.5 and len(counts) > 1 and found_drift.covariate == "pull order":
            texts.append(
                "The configurations were pulled one after the other, not in turn, so a drift of the session cannot be "
                "told from a difference between them."
            )
    if items and items[0].pull.assumption:
        texts.append(f"Engine figures are estimated with {items[0].pull.assumption}; they were not measured.")
    return tuple(texts)
