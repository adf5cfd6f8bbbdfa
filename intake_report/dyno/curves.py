"""Pulls corrected with the air of the cell and read on one engine-speed grid: figures, mean curves, differences."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from intake_report.air import INTAKE_REFUSAL, Aspiration, correction, correction_spec, uncorrected
from intake_report.campaign.sections import DynoSection
from intake_report.dyno.pulls import Array, DynoPull
from intake_report.errors import DataError
from intake_report.statistics import Difference, Nouns, compare_blocked, mean_interval

Quantity = Literal["power", "torque"]

PULLS = Nouns("pull", "session")


def correct(pull: DynoPull, section: DynoSection) -> DynoPull:
    """Correct a pull by the method that the campaign names, with its cell air.

    Raises DataError: for intake air (it would correct away the effect under test), missing cell air, or anything
    `air.correction` refuses.
    """
    aspiration: Aspiration = section.aspiration or "natural"
    left = replace(pull, correction=uncorrected(aspiration))
    asked = correction_spec(section.correction).key != "none"
    if pull.printed not in ("", "none"):
        if asked:
            what = f"Pull {pull.id} is typed as the dyno printed it ({pull.printed}), and is not corrected again."
            raise DataError(what, remedy='Set dyno.correction to "none".')
        return left
    if section.air == "intake":
        raise DataError(INTAKE_REFUSAL, remedy="Correct with the air of the test cell.")
    if pull.cell is None:
        if asked:
            what = f"Pull {pull.id} cannot be corrected: its cell temperature, pressure and humidity are not all known."
            raise DataError(what, remedy='Give them, or use the correction "none".')
        return left
    fuel, elevation = section.fuel_per_cycle, section.elevation
    by = correction(section.correction, pull.cell, aspiration=aspiration, fuel_per_cycle=fuel, elevation=elevation)
    return replace(pull, correction=by, power=pull.power * by.factor, torque=pull.torque * by.factor)


def on_grid(speed: Array, values: Array, grid: Array, width: float) -> Array:
    """Values at the grid's engine speeds: a straight line fitted to the rows within ± width/2, NaN outside the pull.

    `speed`, `values` (n,): strictly increasing speed [rpm] and the values; `grid` (m,): [rpm]; `width`: smoothing
    window [rpm]; 0 interpolates between rows without smoothing.

    A local line has no bias where the curve is straight, also at the ends of the pull; at a peak it lowers the value
    by about curvature·width²/24.
    """
    smoothed = np.interp(grid, speed, values, left=np.nan, right=np.nan)
    first = np.searchsorted(speed, grid - width / 2.0, side="left")
    last = np.searchsorted(speed, grid + width / 2.0, side="right")
    # where the window is narrower than the rows there is nothing to smooth
    for i in np.flatnonzero(np.isfinite(smoothed) & (last - first >= 3)):
        x, y = speed[first[i] : last[i]] - grid[i], values[first[i] : last[i]]
        dx = x - x.mean()
        smoothed[i] = y.mean() - x.mean() * float(dx @ y) / float(dx @ dx)
    return smoothed


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
        return self.low + self.step * np.arange(round((self.high - self.low) / self.step) + 1, dtype=np.float64)


def common_grid(pulls: Sequence[DynoPull], step: float, smoothing: float = 0.0) -> Grid:
    """Grid from the lowest to the highest of its speeds that every pull covers [rpm].

    Raises DataError: if two pulls have disjoint speed ranges, or fewer than two grid speeds are common.
    """
    last, first = (max(pulls, key=lambda p: p.speed[0]), min(pulls, key=lambda p: p.speed[-1]))
    low, high = float(last.speed[0]), float(first.speed[-1])
    if low > high:
        what = f"one ends at {high:.0f} rpm, the other begins at {low:.0f} rpm."
        what = f"Pulls {first.id} and {last.id} have no engine speed in common: {what}"
        raise DataError(what, remedy="Leave one of them out.")
    low, high = math.ceil(low / step - 1e-9) * step, math.floor(high / step + 1e-9) * step
    if high - low < step:
        what = f"The pulls have fewer than two steps of the {step:g} rpm grid in common."
        raise DataError(what, remedy="Use a finer grid.")
    return Grid(low, high, step, smoothing)


def gridded(items: Sequence[DynoPull], quantity: Quantity, grid: Grid) -> Array:
    """Smoothed, corrected values of each pull at the grid's speeds, shape (pulls, m)."""
    return np.array([on_grid(i.speed, getattr(i, quantity), grid.speeds, grid.smoothing) for i in items])


def pull_figures(item: DynoPull, grid: Grid) -> dict[str, Any]:
    """Figures of one pull over the common band, corrected and not, with its correction.

    Returns peak_power [kW], peak_torque [N·m]: of the smoothed, corrected curve, at `peak_*_speed` [rpm]. mean_power,
    mean_torque: over the band by engine speed. area: under the power curve [kW·rpm]. peak_power_unsmoothed: highest
    corrected row; smoothing_effect: what smoothing took from it [%]. peak_at_edge: the highest power lies at an end of
    the band, so the true peak may be outside it. factor, cell_*, vapour, dry [kPa], in_validity, within_limit,
    limitations: of the correction.
    """
    by, speeds = item.correction, grid.speeds
    power, torque = (gridded([item], quantity, grid)[0] for quantity in ("power", "torque"))
    width, area = grid.high - grid.low, float(np.trapezoid(power, speeds))
    rows = (item.speed >= grid.low) & (item.speed <= grid.high)
    top, twist = int(np.argmax(power)), int(np.argmax(torque))
    raw = float(np.max(item.power[rows])) if rows.any() else float(power[top])
    return _about(item) | {
        "peak_power": float(power[top]),
        "peak_power_speed": float(speeds[top]),
        "peak_torque": float(torque[twist]),
        "peak_torque_speed": float(speeds[twist]),
        "mean_power": area / width,
        "mean_torque": float(np.trapezoid(torque, speeds)) / width,
        "area": area,
        "peak_power_unsmoothed": raw,
        "smoothing_effect": 100.0 * (float(power[top]) / raw - 1.0) if raw else 0.0,
        "peak_at_edge": top in (0, speeds.size - 1),
        "peak_power_uncorrected": float(power[top]) / by.factor,
        "mean_power_uncorrected": area / width / by.factor,
        "peak_torque_uncorrected": float(torque[twist]) / by.factor,
    }


def stated_figures(item: DynoPull) -> dict[str, Any]:
    """Figures of a pull as the dyno printed them, and corrected where they were printed without correction."""
    stated, factor = item.stated, item.correction.factor
    measured = stated if item.printed == "none" else {}
    figures = _about(item)
    figures |= {f"{name}_uncorrected": measured.get(name) for name in ("peak_power", "mean_power", "peak_torque")}
    for name in ("peak_power", "peak_torque", "mean_power", "mean_torque"):
        figures[name] = stated[name] * factor if name in stated else None
    return figures


def _about(item: DynoPull) -> dict[str, Any]:
    by, told = item.correction, ("configuration", "session", "order")
    about = {"pull": item.id, **{name: getattr(item, name) for name in told}, "factor": by.factor}
    about |= {
        f"cell_{name}": getattr(by.air or item.cell, name, None) for name in ("temperature", "pressure", "humidity")
    }
    return about | {name: getattr(by, name) for name in ("vapour", "dry", "in_validity", "within_limit", "limitations")}


@dataclass(frozen=True)
class MeanCurve:
    """Mean of a configuration's pulls by engine speed with its pointwise interval; limits None for a single pull."""

    configuration: str
    quantity: Quantity
    n: int
    mean: tuple[float, ...]
    low: tuple[float, ...] | None
    high: tuple[float, ...] | None


def mean_curves(
    items: Sequence[DynoPull], quantity: Quantity, grid: Grid, level: float = 0.95
) -> tuple[MeanCurve, ...]:
    """Mean curve of every configuration with the t interval at each speed by itself."""
    rows, names = gridded(items, quantity, grid), [item.configuration for item in items]
    curves = []
    for name in dict.fromkeys(names):
        points = [mean_interval(column, level) for column in rows[[n == name for n in names]].T]
        low = tuple(p.low for p in points if p.low is not None) or None
        high = tuple(p.high for p in points if p.high is not None) or None
        curves.append(MeanCurve(name, quantity, points[0].n, tuple(p.mean for p in points), low, high))
    return tuple(curves)


@dataclass(frozen=True)
class DifferenceCurve:
    """Candidate minus baseline by engine speed [kW or N·m, percent of the baseline's mean], with a pointwise interval.

    None where nothing links the two configurations, and limits where the pulls allow none.
    """

    candidate: str
    quantity: Quantity
    n_baseline: int
    n_candidate: int
    difference: tuple[float | None, ...]
    percent: tuple[float | None, ...]
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]
    method: str


def compare_figure(
    items: Sequence[DynoPull], values: Sequence[float], baseline: str, level: float = 0.95
) -> dict[str, Difference]:
    """Difference of one figure per pull from the baseline, within sessions where several were held."""
    sessions = [item.session or None for item in items]
    return compare_blocked(values, [item.configuration for item in items], sessions, baseline, level, PULLS)


def difference_curves(
    items: Sequence[DynoPull], quantity: Quantity, grid: Grid, baseline: str, level: float = 0.95
) -> tuple[DifferenceCurve, ...]:
    """Difference of every other configuration from the baseline by engine speed."""
    rows = gridded(items, quantity, grid)
    by_speed = [compare_figure(items, column.tolist(), baseline, level) for column in rows.T]
    base = rows[[item.configuration == baseline for item in items]].mean(axis=0)
    found = []
    for name in by_speed[0]:
        points = [at_speed[name] for at_speed in by_speed]
        percent = tuple(
            100.0 * point.difference / float(b) if point.difference is not None and b > 0.0 else None
            for point, b in zip(points, base, strict=True)
        )
        difference, low, high = (tuple(getattr(p, side) for p in points) for side in ("difference", "low", "high"))
        n, m, method = points[0].n_baseline, points[0].n_candidate, points[0].method
        found.append(DifferenceCurve(name, quantity, n, m, difference, percent, low, high, method))
    return tuple(found)
