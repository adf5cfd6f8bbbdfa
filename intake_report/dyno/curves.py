"""Pulls on one engine-speed grid: smoothing, mean curve with pointwise band, peak, band mean, area, difference."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from intake_report.dyno.corrected import CorrectedPull, Quantity, one_correction
from intake_report.dyno.pulls import Array, Pull, one_basis
from intake_report.errors import DataError
from intake_report.messages import Part
from intake_report.statistics import Difference, MeanInterval, Nouns, compare_blocked, in_one, mean_interval

UNITS: dict[str, str] = {"power": "kW", "torque": "N·m"}


def on_grid(speed: Array, values: Array, grid: Array, width: float) -> Array:
    """Values at the grid's engine speeds: a straight line fitted to the rows within ± width/2, NaN outside the pull.

    Parameters
    ----------
    speed, values : ndarray, shape (n,)
        Strictly increasing speed [rpm] and the values.
    grid : ndarray, shape (m,)
        [rpm].
    width : float
        Smoothing window [rpm]; 0 interpolates between rows without smoothing.

    Notes
    -----
    A local line has no bias where the curve is straight, also at the ends of the pull; at a peak it lowers the value
    by about curvature·width²/24.
    """
    inside = (grid >= speed[0]) & (grid <= speed[-1])
    result = np.full(grid.shape, np.nan)
    plain = np.interp(grid, speed, values)
    for i in np.flatnonzero(inside):
        first = int(np.searchsorted(speed, grid[i] - width / 2.0, side="left"))
        last = int(np.searchsorted(speed, grid[i] + width / 2.0, side="right"))
        if last - first < 3:  # window narrower than the rows: nothing to smooth
            result[i] = plain[i]
            continue
        x, y = speed[first:last] - grid[i], values[first:last]
        dx = x - x.mean()
        result[i] = y.mean() - x.mean() * float(dx @ y) / float(dx @ dx)
    return result


def common_band(pulls: Sequence[Pull], step: float) -> tuple[float, float]:
    """Lowest and highest grid speed [rpm] that every pull covers; `step` is the grid's.

    Raises
    ------
    DataError
        If two pulls have disjoint speed ranges, or fewer than two grid speeds are common.
    """
    one_basis(pulls)
    if not (math.isfinite(step) and step > 0.0):
        raise DataError(f"An engine-speed grid of {step:g} rpm is not possible.", remedy="Use for example 100 rpm.")
    starts, ends = (max(pulls, key=lambda p: p.speed[0]), min(pulls, key=lambda p: p.speed[-1]))
    low, high = float(starts.speed[0]), float(ends.speed[-1])
    if low > high:
        raise DataError(
            f"Pulls {ends.id} and {starts.id} have no engine speed in common: one ends at {high:.0f} rpm, "
            f"the other begins at {low:.0f} rpm.",
            remedy="Leave one of them out.",
        )
    low, high = math.ceil(low / step - 1e-9) * step, math.floor(high / step + 1e-9) * step
    if high - low < step:
        raise DataError(
            f"The pulls have fewer than two steps of the {step:g} rpm grid in common.", remedy="Use a finer grid."
        )
    return low, high


def grid_of(band: tuple[float, float], step: float) -> Array:
    """Engine speeds of a band in steps, shape (m,) [rpm]."""
    return band[0] + step * np.arange(round((band[1] - band[0]) / step) + 1, dtype=np.float64)


@dataclass(frozen=True)
class Grid:
    """Engine-speed band, step and smoothing window [rpm], the same for all curves that are compared."""

    low: float
    high: float
    step: float
    smoothing: float

    @property
    def speeds(self) -> Array:
        """Grid speeds, shape (m,) [rpm]."""
        return grid_of((self.low, self.high), self.step)


@dataclass(frozen=True)
class PullFigures:
    """Figures of one pull over the common band, corrected and not.

    Attributes
    ----------
    peak_power, peak_torque : float
        Of the smoothed, corrected curve within the band [kW], [N·m], at `peak_*_speed` [rpm].
    mean_power, mean_torque : float
        Mean over the band by engine speed [kW], [N·m].
    area : float
        Area under the power curve over the band [kW·rpm].
    peak_power_unsmoothed : float
        Highest corrected row within the band [kW]; `smoothing_effect` [%] is what smoothing took from it.
    peak_at_edge : bool
        The highest power lies at an end of the band, so the true peak may be outside it.
    peak_power_uncorrected, mean_power_uncorrected, peak_torque_uncorrected : float
        The same without the correction.
    """

    pull: str
    configuration: str
    session: str
    order: int
    factor: float
    peak_power: float
    peak_power_speed: float
    peak_torque: float
    peak_torque_speed: float
    mean_power: float
    mean_torque: float
    area: float
    peak_power_unsmoothed: float
    smoothing_effect: float
    peak_at_edge: bool
    peak_power_uncorrected: float
    mean_power_uncorrected: float
    peak_torque_uncorrected: float


def pull_figures(item: CorrectedPull, grid: Grid) -> PullFigures:
    """Peak, mean over the band and area under the curve of one pull."""
    speeds, pull, factor = grid.speeds, item.pull, item.correction.factor
    power = on_grid(pull.speed, item.power, speeds, grid.smoothing)
    torque = on_grid(pull.speed, item.torque, speeds, grid.smoothing)
    width = grid.high - grid.low
    area = float(np.trapezoid(power, speeds))
    rows = (pull.speed >= grid.low) & (pull.speed <= grid.high)
    top, twist = int(np.argmax(power)), int(np.argmax(torque))
    raw = float(np.max(item.power[rows])) if rows.any() else float(power[top])
    return PullFigures(
        pull=pull.id,
        configuration=pull.configuration,
        session=pull.session,
        order=pull.order,
        factor=factor,
        peak_power=float(power[top]),
        peak_power_speed=float(speeds[top]),
        peak_torque=float(torque[twist]),
        peak_torque_speed=float(speeds[twist]),
        mean_power=area / width,
        mean_torque=float(np.trapezoid(torque, speeds)) / width,
        area=area,
        peak_power_unsmoothed=raw,
        smoothing_effect=100.0 * (float(power[top]) / raw - 1.0) if raw else 0.0,
        peak_at_edge=top in (0, speeds.size - 1),
        peak_power_uncorrected=float(power[top]) / factor,
        mean_power_uncorrected=area / width / factor,
        peak_torque_uncorrected=float(torque[twist]) / factor,
    )


@dataclass(frozen=True)
class MeanCurve:
    """Mean of a configuration's pulls by engine speed with its pointwise interval.

    Attributes
    ----------
    speed, mean : tuple of float, length m
        [rpm] and [`unit`].
    low, high : tuple of float or None
        Pointwise confidence limits; None for a single pull.
    basis, correction : str
        Where the figures apply, and the method with its edition.
    """

    configuration: str
    quantity: str
    unit: str
    basis: str
    correction: str
    n: int
    speed: tuple[float, ...]
    mean: tuple[float, ...]
    low: tuple[float, ...] | None
    high: tuple[float, ...] | None
    level: float
    smoothing: float
    note: Part


def gridded(items: Sequence[CorrectedPull], quantity: Quantity, grid: Grid) -> Array:
    """Smoothed values of each pull at the grid's speeds, shape (pulls, m).

    Raises
    ------
    DataError
        If basis or correction differ, or a pull does not cover the grid.
    """
    one_basis([item.pull for item in items])
    one_correction(items)
    speeds = grid.speeds
    rows = np.array([on_grid(i.pull.speed, i.values(quantity), speeds, grid.smoothing) for i in items])
    short = np.isnan(rows).any(axis=1)
    if short.any():
        raise DataError(
            f"Pull {items[int(np.argmax(short))].pull.id} does not cover {grid.low:.0f} rpm to {grid.high:.0f} rpm.",
            remedy="Use the band that all pulls have in common.",
        )
    return rows


def mean_curve(items: Sequence[CorrectedPull], quantity: Quantity, grid: Grid, level: float = 0.95) -> MeanCurve:
    """Mean curve of one configuration's pulls with its pointwise t interval.

    Raises
    ------
    DataError
        If configuration, basis or correction differ, or a pull does not cover the grid.
    """
    rows = gridded(items, quantity, grid)
    configurations = {item.pull.configuration for item in items}
    if len(configurations) > 1:
        raise DataError(f"A mean curve is of one configuration, not of {', '.join(sorted(configurations))}.")
    points = [mean_interval(column, level) for column in rows.T]
    low = tuple(p.low for p in points if p.low is not None)
    high = tuple(p.high for p in points if p.high is not None)
    single = len(items) == 1
    return MeanCurve(
        configuration=configurations.pop(),
        quantity=quantity,
        unit=UNITS[quantity],
        basis=one_basis([item.pull for item in items]),
        correction=one_correction(items),
        n=len(items),
        speed=tuple(grid.speeds.tolist()),
        mean=tuple(p.mean for p in points),
        low=None if single else low,
        high=None if single else high,
        level=level,
        smoothing=grid.smoothing,
        note="one pull: its scatter is not known" if single else "the interval holds at each speed by itself",
    )


@dataclass(frozen=True)
class DifferenceCurve:
    """Candidate minus baseline by engine speed, with a pointwise interval.

    Attributes
    ----------
    difference, percent : tuple of float or None, length m
        [`unit`], and in percent of the baseline's mean; None where nothing links the two configurations.
    low, high : tuple of float or None, length m
        Confidence limits [`unit`]; None where the pulls allow none.
    """

    baseline: str
    candidate: str
    quantity: str
    unit: str
    basis: str
    correction: str
    n_baseline: int
    n_candidate: int
    speed: tuple[float, ...]
    difference: tuple[float | None, ...]
    percent: tuple[float | None, ...]
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]
    level: float
    method: str
    note: Part


def _blocks(items: Sequence[CorrectedPull]) -> list[str | None]:
    return [item.pull.session or None for item in items]


PULLS = Nouns("pull", "session")


def compare_figure(
    items: Sequence[CorrectedPull], values: Sequence[float], baseline: str, level: float = 0.95
) -> dict[str, Difference]:
    """Difference of one figure per pull from the baseline, within sessions where several were held.

    Parameters
    ----------
    items : sequence of CorrectedPull, length n
        The pulls that the values belong to.
    values : sequence of float, length n
        One figure per pull.
    """
    one_basis([item.pull for item in items])
    one_correction(items)
    return compare_blocked(values, [i.pull.configuration for i in items], _blocks(items), baseline, level, PULLS)


def difference_curves(
    items: Sequence[CorrectedPull], quantity: Quantity, grid: Grid, baseline: str, level: float = 0.95
) -> tuple[DifferenceCurve, ...]:
    """Difference of every other configuration from the baseline by engine speed.

    Raises
    ------
    DataError
        If basis or correction differ, the baseline has no pull, or a pull does not cover the grid.
    """
    rows = gridded(items, quantity, grid)
    points = [compare_figure(items, column.tolist(), baseline, level) for column in rows.T]
    base = rows[[i.pull.configuration == baseline for i in items]].mean(axis=0)
    basis, method = one_basis([i.pull for i in items]), one_correction(items)
    curves = []
    for name in points[0]:
        found = [at_speed[name] for at_speed in points]
        curves.append(
            DifferenceCurve(
                baseline=baseline,
                candidate=name,
                quantity=quantity,
                unit=UNITS[quantity],
                basis=basis,
                correction=method,
                n_baseline=found[0].n_baseline,
                n_candidate=found[0].n_candidate,
                speed=tuple(grid.speeds.tolist()),
                difference=tuple(point.difference for point in found),
                percent=tuple(
                    100.0 * point.difference / float(b) if point.difference is not None and b > 0.0 else None
                    for point, b in zip(found, base, strict=True)
                ),
                low=tuple(point.low for point in found),
                high=tuple(point.high for point in found),
                level=level,
                method=found[0].method,
                note=in_one((*found[0].notes, "the interval holds at each speed by itself")),
            )
        )
    return tuple(curves)


def summarise(values: Sequence[float], configurations: Sequence[str], level: float) -> dict[str, MeanInterval]:
    """Mean of one figure per configuration with number of pulls and interval, in order of appearance."""
    return {
        name: mean_interval([v for v, c in zip(values, configurations, strict=True) if c == name], level)
        for name in dict.fromkeys(configurations)
    }
