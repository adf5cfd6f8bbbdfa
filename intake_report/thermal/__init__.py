"""A grey-box model of the air at the intake sensor: fitted by configuration, validated, replayed on one common drive."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.random import Generator
from scipy.optimize import least_squares
from scipy.special import log_ndtr

from intake_report.metrics import RunSeries, evaluate, evaluate_draws
from intake_report.results import MetricResult, Metrics
from intake_report.thermal import model
from intake_report.thermal.model import MIDDLE, NAMES, SETTLED, SPREAD, DriveInput, Floats

DISCREPANCY = 0.2  # K; standard deviation of what the model leaves out beyond slow fluctuations (own choice)
MEMORY = 20.0  # s over which what is left out is one and the same: readings within it count as one (own choice)
EVERY = 2.0  # s; readings nearer to each other say the same
TOLERANCE, MOST, FIRST = 1e-3, 30, 4  # of the sum of squares; evaluations in all, and of each start
BEYOND = 3.0  # spreads
# s, K; what the air is off its reference: a polygon of this spacing, knots of this spread (own choice)
KNOT, FLUCTUATION = 120.0, 0.25
NOT_EXCITED = 0.7  # of the spread before the data: with more left the drive says little of a parameter
STARTS = (("share_still", 0.5), ("bulk", -0.7))  # middles with one parameter moved by so many spreads
DRAWS = 100  # of the parameters, for the intervals
HOT, STANDSTILL, CRUISE = 35.0, 300.0, 100.0 / 3.6  # °C, s, m/s of the what-if table
BEFORE, CRUISING = 50.0 / 3.6, 900.0  # m/s, s: driven before the standstill; s of steady speed


@dataclass(frozen=True, eq=False)
class ThermalFit:
    """Parameters of one configuration, fitted to its r runs."""

    configuration: str
    drives: tuple[DriveInput, ...]
    shape: Floats  # (13,): logarithms of `COEFFICIENTS`
    effects: Floats  # (r, 7): `EFFECTS` of each run
    # (13 + 7·r, 13 + 7·r) of shape and effects, run by run, whatever the fluctuations of the air were
    covariance: Floats

    @property
    def not_excited(self) -> tuple[str, ...]:
        """Names of the parameters that the drives say little of: their spread is hardly less than before the data."""
        left = np.sqrt(np.diag(self.covariance)[: SPREAD.size]) / SPREAD
        return tuple(name for name, share in zip(NAMES, left.tolist(), strict=True) if share > NOT_EXCITED)

    def draws(self, m: int, rng: Generator) -> tuple[Floats, Floats]:
        """Return m draws of how far the shape is off, (m, 13), and the effects on parameters, (r, m, 3).

        Wind and start states are held at their best fit: on a common drive these are the same for all configurations, and
        what they leave open is not of the intake.
        """
        own = SPREAD.size + 7 * np.arange(len(self.drives))[:, None] + np.arange(3)
        moved = np.concatenate([np.arange(SPREAD.size), own.ravel()])
        conditional = np.linalg.inv(np.linalg.inv(self.covariance)[np.ix_(moved, moved)])
        off = rng.multivariate_normal(np.zeros(moved.size), conditional, m, method="eigh")
        return off[:, : SPREAD.size], np.moveaxis(off[:, SPREAD.size :].reshape(m, -1, 3), 1, 0)

    def own(self, index: int) -> Floats:
        """Return the temperature of the element on the drive of one of the runs [°C]."""
        return model.element(self.shape, self.effects[index], self.drives[index])


def deviance(model: Floats, reading: Floats, step: float) -> tuple[Floats, Floats]:
    """Return signed roots of the deviance of readings in steps, and their derivative by the model [1/K], (k,) each.

    The reading says that the temperature, off by a normal discrepancy, lies within half a step: the probability is that of
    a normal convolved with a rectangle. The sum of squares is twice what the log-likelihood lacks of its highest value.
    """
    off = model - reading
    low, high = (-0.5 * step - np.abs(off)) / DISCREPANCY, (0.5 * step - np.abs(off)) / DISCREPANCY
    top = 0.5 * step / DISCREPANCY
    a, b = log_ndtr(high), log_ndtr(low)
    log_p = a + np.log1p(-np.exp(b - a))
    best = np.log(1.0 - 2.0 * np.exp(log_ndtr(-top)))
    root = np.sqrt(np.maximum(2.0 * (best - log_p), 0.0))
    # d(−log p)/d|off| over the root; near the middle the root is straight in |off|
    density = (np.exp(-0.5 * low**2 - log_p) - np.exp(-0.5 * high**2 - log_p)) / (np.sqrt(2.0 * np.pi) * DISCREPANCY)
    small = root < 1e-4
    centre = np.sqrt(2.0 * top * np.exp(-0.5 * top**2 - best) / np.sqrt(2.0 * np.pi)) / DISCREPANCY
    return np.sign(off) * root, np.where(small, centre, -density / np.where(small, 1.0, root))


class _Problem:
    """Residuals of one configuration, whose squares are summed, and their derivatives by all parameters."""

    def __init__(self, drives: Sequence[DriveInput]) -> None:
        self.drives, self.own = drives, SPREAD.size + 7 * len(drives)
        self.kept, self.size = [], self.own
        self.polygons: list[tuple[slice, Floats]] = []
        for drive in drives:
            self.kept.append(np.flatnonzero(np.diff(np.floor(drive.reading_time / EVERY), prepend=-1.0) > 0.0))
            knots = np.arange(drive.time[0], drive.time[-1] + KNOT, KNOT)
            hats = np.maximum(1.0 - np.abs(drive.reading_time[self.kept[-1], None] - knots) / KNOT, 0.0)
            self.polygons.append((slice(self.size, self.size + knots.size), hats))
            self.size += knots.size
        self.before, self.spread = np.zeros(self.size), np.full(self.size, FLUCTUATION)
        self.before[: self.own] = np.concatenate([MIDDLE, *(one.expected for one in drives)])
        self.spread[: self.own] = np.concatenate([SPREAD, *(one.spread for one in drives)])
        self._at, self._found = np.empty(0), (np.empty(0), np.empty(0))

    def value(self, z: Floats) -> Floats:
        return self._both(z)[0]

    def slope(self, z: Floats) -> Floats:
        return self._both(z)[1]

    def _both(self, z: Floats) -> tuple[Floats, Floats]:
        if np.array_equal(z, self._at):
            return self._found
        parts, slopes = [], []
        weight = np.sqrt(min(1.0, EVERY / MEMORY))
        for i, (drive, kept, (fluctuation, hats)) in enumerate(zip(self.drives, self.kept, self.polygons, strict=True)):
            first = SPREAD.size + 7 * i
            columns = np.r_[: SPREAD.size, first : first + 7]
            found = np.vstack(model.sensitivity(z[: SPREAD.size], z[first : first + 7], drive))
            found = model.at_times(found, drive.time, drive.reading_time[kept])
            root, slope = deviance(found[0] + hats @ z[fluctuation], drive.reading[kept], drive.step)
            block = np.zeros((kept.size, self.size))
            block[:, columns] = weight * slope[:, None] * found[1:].T
            block[:, fluctuation] = weight * slope[:, None] * hats
            parts.append(weight * root)
            slopes.append(block)
        value = np.concatenate([*parts, (z - self.before) / self.spread])
        self._at, self._found = z.copy(), (value, np.vstack([*slopes, np.diag(1.0 / self.spread)]))
        return self._found


def fit(drives: Sequence[DriveInput], start: ThermalFit | None = None) -> ThermalFit:
    """Fit the model to the runs of one configuration, with readings, from `start` alone or else the best of several starts.

    Penalised least squares: maximum of the posterior. Deviance of the readings (see `deviance`), counted as one reading per
    `MEMORY`, and the distributions of `COEFFICIENTS` and `EFFECTS` before the data, which keep a parameter where a drive says
    nothing of it. The air that a run meets wanders about its reference; a polygon with a knot every `KNOT` is fitted with the
    rest, so that it neither passes for a warm intake nor counts as news with every reading. The covariance is the inverse of
    the normal matrix (Gauss–Newton).
    """
    problem = _Problem(drives)
    limits = problem.before - BEYOND * problem.spread, problem.before + BEYOND * problem.spread

    def descend(z: Floats, most: int) -> Any:
        inside = np.clip(z, limits[0] + 1e-6, limits[1] - 1e-6)
        options: dict[str, Any] = {"x_scale": problem.spread, "ftol": TOLERANCE, "xtol": 1e-4, "max_nfev": most}
        return least_squares(problem.value, inside, problem.slope, limits, **options)

    z = problem.before.copy()
    if start is not None:
        z[: SPREAD.size] = start.shape
        known = {drive.run: effects for drive, effects in zip(start.drives, start.effects, strict=True)}
        z[SPREAD.size : problem.own] = np.concatenate([known.get(drive.run, drive.expected) for drive in drives])
    else:
        tried = []
        for name, spreads in STARTS:
            moved, index = z.copy(), NAMES.index(name)
            moved[index] += spreads * SPREAD[index]
            tried.append(descend(moved, FIRST))
        z = min(tried, key=lambda found: float(found.cost)).x
    best = descend(z, MOST)
    shape, effects = best.x[: SPREAD.size], best.x[SPREAD.size : problem.own].reshape(len(drives), 7)
    covariance = np.linalg.inv(best.jac.T @ best.jac)[: problem.own, : problem.own]
    return ThermalFit(drives[0].configuration, tuple(drives), shape, effects, covariance)


class CommonDrive(NamedTuple):
    """One drive for all configurations."""

    drive: DriveInput
    series: RunSeries  # distance, stops, phases and entry of it, for the metrics
    effects: Floats  # (7,): of which wind and start state are taken for every configuration


def seen(series: RunSeries, drive: DriveInput, run: DriveInput, temperature: Floats) -> RunSeries:
    """Return a modelled temperature, (..., n) on a drive, with the events of its series, under the name of a run."""
    inside = (series.time >= drive.time[0]) & (series.time <= drive.time[-1])
    time = series.time[inside]
    iat, ambient = model.at_times(temperature, drive.time, time), np.interp(time, drive.time, drive.ambient)
    named = replace(series, run=run.run, configuration=run.configuration, block=run.block, engine=None, points=None)
    values: dict[str, Any] = {"time": time, "iat": iat, "ambient": ambient, "distance": series.distance[inside]}
    return replace(named, **values, reading=np.empty(0), step=None)


class ReplayDraws(dict[tuple[str, str], Floats]):
    """Draws (m,) by metric and run of what the runs of a configuration share: its parameters and what these leave out.

    As `analyse.compare.InstrumentDraws`; every draw holds one error of each configuration, alike in all its runs.
    """

    def common(self, key: str, run: str) -> Floats | None:
        """Return draws of a metric of a run, (m,)."""
        return self.get((key, run))

    total = common  # a replayed run has no error of its own that is not shared


class Replay(NamedTuple):
    """All configurations on the common drive."""

    values: tuple[MetricResult, ...]  # by metric and run: its configuration's parameters with the effects of that run
    draws: ReplayDraws
    temperature: dict[str, Floats]  # (n,) by configuration: mean over its runs of the element's temperature [°C]


def replay(
    fits: Sequence[ThermalFit], common: CommonDrive, measured: Mapping[str, RunSeries], metrics: Metrics, rng: Generator
) -> Replay:
    """Drive every fitted run, `measured` by its id, on the common drive and compute the metrics on it.

    A run's value is its metric on the trace that the parameters of its configuration and its own effects give, these on the
    day of the common drive (`_on_one_day`). Draws follow the trace along its derivatives: the fit leaves combinations of
    parameters open by factors, along which the trace would bend to where the data do not let it go. What runs differ by is
    in the scatter of their values, what parameters leave open in the draws, and nothing in both.

    What the model leaves out of a metric is a normal error of each configuration in the same draws: the fit brings the model to
    n runs that are each off by `left_out`, hence to a level that is off by this over √n. How it is off on the common drive
    itself is left to the difference, in which it cancels as far as it is of the drive.
    """
    values: list[MetricResult] = []
    found, temperature, off = ReplayDraws(), {}, left_out(fits, measured, metrics)
    for fitted, own in zip(fits, _on_one_day(fits, common.series.block), strict=True):
        shapes, effects = fitted.draws(DRAWS, rng)
        points, drawn, traces = [], [], []
        for i, drive in enumerate(fitted.drives):
            # in the wind and from the start state of this drive
            here = np.concatenate([own[i, :3], common.effects[3:]])
            there, slopes = model.sensitivity(fitted.shape, here, common.drive)
            moves = np.hstack([shapes, effects[i]])
            traces.append(there)
            points.append(seen(common.series, common.drive, drive, there))
            drawn.append(seen(common.series, common.drive, drive, there + moves @ slopes[: moves.shape[1]]))
        temperature[fitted.configuration] = np.mean(traces, axis=0)
        for key in metrics:
            reached = [evaluate(key, point) for point in points]
            values += reached
            known = [draw for draw in (evaluate_draws(key, draw) for draw in drawn) if draw is not None]
            if len(known) < len(points) or any(v.status == "not computed" for v in reached):
                continue
            shift = np.mean(known, axis=0)
            usual = np.median(shift)
            shift = np.where(np.isfinite(shift), shift - (usual if np.isfinite(usual) else 0.0), shift)
            shift = shift + rng.normal(0.0, off[key.key] / np.sqrt(len(points)), DRAWS)
            for drive, number in zip(fitted.drives, map(_number, reached), strict=True):
                # a shift below nothing is within at entry; a run that is open stays open
                found[key.key, drive.run] = np.full(DRAWS, number) if np.isinf(number) else number + shift
    return Replay(tuple(values), found, temperature)


def left_out(fits: Sequence[ThermalFit], measured: Mapping[str, RunSeries], metrics: Metrics) -> dict[str, float]:
    """Return by metric the standard deviation of what the fitted model is off in one run [unit of the metric].

    From modelled − measured of each run on its own drive, its own effects fitted: what neither they nor the parameters
    take up. Squares about nothing, since a mean that the fit leaves is an error too, over all runs less one for each
    configuration, whose parameters go after their mean; one number for all, since two runs alone say little. Zero where no
    configuration has two runs with a value of both.
    """
    sides = [[(seen(measured[x.run], x, x, f.own(i)), measured[x.run]) for i, x in enumerate(f.drives)] for f in fits]
    found = {}
    for key in metrics:
        off = [[_number(evaluate(key, a)) - _number(evaluate(key, b)) for a, b in pairs] for pairs in sides]
        several = [each for each in ([x for x in each if np.isfinite(x)] for each in off) if len(each) > 1]
        free = sum(len(each) - 1 for each in several)
        found[key.key] = float(np.sqrt(sum(np.sum(np.square(each)) for each in several) / free)) if free else 0.0
    return found


def _on_one_day(fits: Sequence[ThermalFit], block: str | None) -> list[Floats]:
    """Return the effects of each fit, (r, 7), as they would be on the day of a block: in sun and traffic of one day.

    The mean of the three factors over all runs of a block is of its day, and is put in place of that of each run's own; what a
    run differs from its block by stays. A block of one configuration keeps its own: there day and configuration cannot be told
    apart. Where `block` is none of those, the mean of all days stands for it.
    """
    rows = [(one.block, f.configuration, own[:3]) for f in fits for one, own in zip(f.drives, f.effects, strict=True)]
    days = {
        name: np.mean([own for b, _, own in rows if b == name], axis=0)
        for name in dict.fromkeys(b for b, _, _ in rows)
        if name is not None and len({c for b, c, _ in rows if b == name}) > 1
    }
    moved = [fitted.effects.copy() for fitted in fits]
    if days:
        chosen = days.get(block or "", np.mean(list(days.values()), axis=0))
        for fitted, effects in zip(fits, moved, strict=True):
            for drive, own in zip(fitted.drives, effects, strict=True):
                own[:3] += chosen - days[drive.block] if drive.block in days else 0.0
    return moved


def _number(value: MetricResult) -> float:
    if value.value is not None:
        return value.value
    return np.inf if value.status == "not reached" else -np.inf


def leave_one_out(fits: Sequence[ThermalFit]) -> pd.DataFrame:
    """Predict each run from the others of its configuration; columns run, configuration, rms, peak_bias, coverage, samples.

    Its readings are not used: effects are what is expected before the data, with their spread in the prediction interval
    of 95 %. `rms` [K] and `coverage` (share of the readings inside) over the readings from `SETTLED` on; `peak_bias` [K] is
    predicted minus read peak over ambient. Configurations of one run are left out.
    """
    rows = []
    for fitted in fits:
        for left in fitted.drives if len(fitted.drives) > 1 else ():
            others = fit([drive for drive in fitted.drives if drive.run != left.run], start=fitted)
            kept = (left.reading_time >= left.time[0] + SETTLED) & (left.reading_time <= left.time[-1])
            time, reading = left.reading_time[kept], left.reading[kept]
            expected = left.expected
            expected[5] = np.mean(others.effects[:, 5])
            whole, slopes = model.sensitivity(others.shape, expected, left)
            predicted = model.at_times(whole, left.time, time)
            shared, own = np.split(model.at_times(slopes, left.time, time), [SPREAD.size])
            known = others.covariance[: SPREAD.size, : SPREAD.size]
            variance = np.sum(shared * (known @ shared), axis=0) + np.sum((own.T * left.spread) ** 2, axis=1)
            half = 2.0 * np.sqrt(variance + DISCREPANCY**2 + FLUCTUATION**2) + 0.5 * left.step
            inside = np.abs(reading - predicted) <= half
            ambient = np.interp(time, left.time, left.ambient)
            rms = float(np.sqrt(np.mean((predicted - reading) ** 2)))
            bias = float(np.max(predicted - ambient) - np.max(reading - ambient))
            rows.append((left.run, fitted.configuration, rms, bias, float(np.mean(inside)), int(time.size)))
    return pd.DataFrame(rows, columns=["run", "configuration", "rms", "peak_bias", "coverage", "samples"])


def what_if(fits: Sequence[ThermalFit], common: CommonDrive, law: Sequence[float]) -> pd.DataFrame:
    """Return what the models say of conditions that were not driven: columns configuration, case, value, low, high [K].

    "hot": peak over ambient of the common drive in 35 °C; "standstill": over ambient after 5 min at idle that follow 10 min
    at 50 km/h; "cruise": over ambient after 15 min at 100 km/h. Mean over the runs of a configuration, and their range.
    """
    ambient = float(np.mean(common.drive.ambient))
    standing = np.array([0.0, 600.0, 602.0, 602.0 + STANDSTILL]), np.array([BEFORE, BEFORE, 0.0, 0.0])
    stop = model.trace("standstill", *standing, law, ambient)
    steady = model.trace("cruise", np.array([0.0, CRUISING]), np.full(2, CRUISE), law, ambient)
    hot = replace(common.drive, ambient=np.full(common.drive.time.shape, HOT))
    cases = {"hot": (hot, common.effects), "standstill": (stop, stop.expected), "cruise": (steady, steady.expected)}
    rows = []
    for fitted in fits:
        for case, (drive, start) in cases.items():
            effects = fitted.effects.copy()
            effects[:, 3:] = start[3:]
            shape = np.broadcast_to(fitted.shape, (len(effects), fitted.shape.size))
            over = model.element(shape, effects, drive) - drive.ambient
            values = over.max(axis=1) if case == "hot" else over[:, -1]
            rows.append((fitted.configuration, case, float(np.mean(values)), float(values.min()), float(values.max())))
    return pd.DataFrame(rows, columns=["configuration", "case", "value", "low", "high"])
