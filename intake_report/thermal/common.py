"""The fitted models on one common drive, and how far they can be believed: runs left out, drives of their own."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pandas as pd

from intake_report.metrics import RunSeries, evaluate, evaluate_draws
from intake_report.results import MetricKey, MetricResult
from intake_report.thermal.fit import DISCREPANCY, FLUCTUATION, SETTLED, ThermalFit, fit
from intake_report.thermal.inputs import trace
from intake_report.thermal.model import DriveInput, Floats, at_times, element, sensitivity

DRAWS = 100  # of the parameters, for the intervals
HOT, STANDSTILL, CRUISE = 35.0, 300.0, 100.0 / 3.6  # °C, s, m/s of the what-if table
BEFORE, CRUISING = 50.0 / 3.6, 900.0  # m/s, s: driven before the standstill; s of steady speed


class CommonDrive(NamedTuple):
    """One drive for all configurations: what drives the model, and distance, stops, phases and entry of it, for the metrics.

    `effects` (7,): of which wind and start state are taken for every configuration.
    """

    drive: DriveInput
    series: RunSeries
    effects: Floats


def seen(series: RunSeries, drive: DriveInput, run: DriveInput, temperature: Floats) -> RunSeries:
    """Return a modelled temperature, (..., n) on a drive, with the events of its series, under the name of a run."""
    inside = (series.time >= drive.time[0]) & (series.time <= drive.time[-1])
    time = series.time[inside]
    return replace(
        series,
        run=run.run,
        configuration=run.configuration,
        block=run.block,
        time=time,
        iat=at_times(temperature, drive.time, time),
        ambient=np.interp(time, drive.time, drive.ambient),
        distance=series.distance[inside],
        reading=np.empty(0),
        step=None,
        engine=None,
        points=None,
    )


class ReplayDraws:
    """Draws of what the runs of a configuration share on the common drive: its parameters and what these leave out.

    As `analyse.compare.InstrumentDraws`; every draw holds one error of each configuration, alike in all its runs.
    """

    def __init__(self, found: Mapping[tuple[str, str], Floats]) -> None:
        self._found = found

    def common(self, key: str, run: str) -> Floats | None:
        """Return draws of a metric of a run, (m,)."""
        return self._found.get((key, run))

    def total(self, key: str, run: str) -> Floats | None:
        """Return the same: a replayed run has no error of its own that is not shared."""
        return self.common(key, run)


class Replay(NamedTuple):
    """All configurations on the common drive.

    `values`: one per metric and run, its configuration's parameters with the effects of that run. `draws` of what the runs of a
    configuration share. `temperature` (n,) by configuration: mean over its runs of the element's temperature [°C].
    """

    values: tuple[MetricResult, ...]
    draws: ReplayDraws
    temperature: dict[str, Floats]


def replay(
    fits: Sequence[ThermalFit],
    common: CommonDrive,
    measured: Mapping[str, RunSeries],
    metrics: Sequence[MetricKey],
    rng: np.random.Generator,
) -> Replay:
    """Drive every fitted run on the common drive and compute the metrics on it.

    `fits`: one per configuration; `measured`: every fitted run as it was measured, by its id; `rng` for the draws. Metrics that
    need an engine are refused by the registry.

    Notes
    -----
    A run's value is its metric on the trace that the parameters of its configuration and its own effects give, these on the
    day of the common drive (`on_one_day`). Draws follow the trace along its derivatives: the fit leaves combinations of
    parameters open by factors, along which the trace would bend to where the data do not let it go. What runs differ by is
    in the scatter of their values, what parameters leave open in the draws, and nothing in both.

    What the model leaves out of a metric is a normal error of each configuration in the same draws: the fit brings the model to
    n runs that are each off by `left_out`, hence to a level that is off by this over √n. How it is off on the common drive
    itself is left to the difference, in which it cancels as far as it is of the drive.
    """
    values: list[MetricResult] = []
    found: dict[tuple[str, str], Floats] = {}
    temperature, off = {}, left_out(fits, measured, metrics)
    for fitted, own in zip(fits, on_one_day(fits, common.series.block), strict=True):
        shapes, effects = fitted.draws(DRAWS, rng)
        points, drawn, traces = [], [], []
        for i, drive in enumerate(fitted.drives):
            here = np.concatenate(
                [own[i, :3], common.effects[3:]]
            )  # in the wind and from the start state of this drive
            trace, slopes = sensitivity(fitted.shape, here, common.drive)
            moves = np.hstack([shapes, effects[i]])
            traces.append(trace)
            points.append(seen(common.series, common.drive, drive, trace))
            drawn.append(seen(common.series, common.drive, drive, trace + moves @ slopes[: moves.shape[1]]))
        temperature[fitted.configuration] = np.mean(traces, axis=0)
        for key in metrics:
            reached = [evaluate(key, point) for point in points]
            values += reached
            every = [evaluate_draws(key, draw) for draw in drawn]
            known = [draw for draw in every if draw is not None]
            if len(known) < len(points) or any(v.status == "not computed" for v in reached):
                continue
            numbers = np.array([_number(v) for v in reached])
            shift = np.mean(known, axis=0)
            usual = np.median(shift)
            shift = np.where(np.isfinite(shift), shift - (usual if np.isfinite(usual) else 0.0), shift)
            shift = shift + rng.normal(0.0, off[key.key] / np.sqrt(len(points)), DRAWS)
            for drive, number in zip(fitted.drives, numbers, strict=True):
                # a shift below nothing is within at entry; a run that is open stays open
                found[key.key, drive.run] = np.full(DRAWS, number) if np.isinf(number) else number + shift
    return Replay(tuple(values), ReplayDraws(found), temperature)


def left_out(
    fits: Sequence[ThermalFit], measured: Mapping[str, RunSeries], metrics: Sequence[MetricKey]
) -> dict[str, float]:
    """Return by metric the standard deviation of what the fitted model is off in one run [unit of the metric].

    From modelled − measured of each run on its own drive, its own effects fitted: what neither they nor the parameters
    take up. Squares about nothing, since a mean that the fit leaves is an error too, over all runs less one for each
    configuration, whose parameters go after their mean; one number for all, since two runs alone say little. Zero where no
    configuration has two runs with a value of both.
    """
    sides = [
        [(seen(measured[one.run], one, one, f.own(i)), measured[one.run]) for i, one in enumerate(f.drives)]
        for f in fits
    ]
    found = {}
    for key in metrics:
        off = [[_number(evaluate(key, a)) - _number(evaluate(key, b)) for a, b in pairs] for pairs in sides]
        known = [[x for x in each if np.isfinite(x)] for each in off]
        several = [each for each in known if len(each) > 1]
        free = sum(len(each) - 1 for each in several)
        found[key.key] = float(np.sqrt(sum(np.sum(np.square(each)) for each in several) / free)) if free else 0.0
    return found


def on_one_day(fits: Sequence[ThermalFit], block: str | None) -> list[Floats]:
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
            trace, slopes = sensitivity(others.shape, expected, left)
            predicted = at_times(trace, left.time, time)
            shared, own = np.split(at_times(slopes, left.time, time), [others.shape.size])
            known = others.covariance[: others.shape.size, : others.shape.size]
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
    stop = trace("standstill", *standing, law, ambient)
    steady = trace("cruise", np.array([0.0, CRUISING]), np.full(2, CRUISE), law, ambient)
    hot = replace(common.drive, ambient=np.full(common.drive.time.shape, HOT))
    cases = {"hot": (hot, common.effects), "standstill": (stop, stop.expected), "cruise": (steady, steady.expected)}
    rows = []
    for fitted in fits:
        for case, (drive, start) in cases.items():
            effects = fitted.effects.copy()
            effects[:, 3:] = start[3:]
            shape = np.broadcast_to(fitted.shape, (len(effects), fitted.shape.size))
            over = element(shape, effects, drive) - drive.ambient
            values = over.max(axis=1) if case == "hot" else over[:, -1]
            row = {"configuration": fitted.configuration, "case": case, "value": float(np.mean(values))}
            rows.append(row | {"low": float(values.min()), "high": float(values.max())})
    return pd.DataFrame(rows)
