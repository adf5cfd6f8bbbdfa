"""Simulated campaigns through the thermal model and the common drive, without files."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from analyse.studies import Instruments, campaign, headline, study_series
from simulated import SEED, SPEED_SCALE, Study, _days, design, generator, simulate_batch, simulate_campaigns

from intake_report.analyse.compare import compare
from intake_report.demo.articles import OPEN, SEALED, STOCK
from intake_report.demo.route import demo_route, draw_plan
from intake_report.metrics import evaluate
from intake_report.results import Comparison
from intake_report.thermal import CommonDrive, DriveInput, ThermalFit, fit, replay
from intake_report.thermal.model import STEP, WIND_NEAR_GROUND

DESIGNS = {"3×2": ((STOCK, OPEN, SEALED), 2), "2×3": ((STOCK, SEALED), 3)}
"""Configurations and blocks, one run of each in each block."""
CUT = 0.5  # K; what is added to readings that are cut off


def simulated_drive(study: Study, i: int, series, wind: tuple[float, float] | None) -> DriveInput:
    """Return run i of a study as `drive_input` would from a log of it; wind [m/s, ° it comes from]."""
    batch, n = study.batch, int(study.batch.samples[i])
    every = slice(0, n, round(STEP))
    route, distance = demo_route(), batch.distance[i, every]
    heading = np.interp(distance, route.distance, route.heading)
    towards = np.radians(0.0 if wind is None else wind[1])
    strength = WIND_NEAR_GROUND * (0.0 if wind is None else wind[0])
    return DriveInput(
        run=series.run,
        configuration=series.configuration,
        block=series.block,
        time=batch.time[every],
        speed=np.round(batch.speed[i, every] * SPEED_SCALE) / 3.6,
        airflow=np.maximum(batch.airflow[i, every], 0.5),
        coolant=np.round(batch.coolant[i, every]),
        ambient=series.ambient[:: round(STEP)],
        east=np.cos(heading),
        north=np.sin(heading),
        wind=strength * np.array([np.sin(towards), np.cos(towards)]),
        wind_known=wind is not None,
        reading_time=series.time,
        reading=series.reading + CUT,
    )


@dataclass(frozen=True)
class One:
    """One simulated campaign: comparisons as measured and on the common drive, and what is true on it."""

    measured: tuple[Comparison, ...]
    replayed: tuple[Comparison, ...]
    truth: dict[tuple[str, str], float]
    rms: dict[str, float]


def median_run(study: Study, runs: range) -> int:
    """Return the run with the median standing time."""
    stopped = [int(np.sum(study.batch.speed[i, : int(study.batch.samples[i])] < 1.0)) for i in runs]
    return runs[int(np.argsort(stopped)[(len(stopped) - 1) // 2])]


def study_common_drive(name: str, campaigns: int, *, known_wind: bool = True, seed: int = SEED) -> list[One]:
    """Simulate campaigns and compare each as measured and on the drive of its median run in air without fluctuations."""
    configurations, blocks = DESIGNS[name]
    scenario = design(configurations, blocks)
    study, size, keys = simulate_campaigns(scenario, campaigns, seed), len(scenario.schedule), headline()
    model, chosen, planned = campaign(configurations), [], []
    for c in range(campaigns):
        days = _days(scenario, seed, str(c), True)
        i = median_run(study, range(c * size, (c + 1) * size))
        run = scenario.schedule[i - c * size]
        plan = draw_plan(demo_route(), days[run.day], run.start, generator(scenario, seed, "study", str(c), run.run))
        plan = replace(plan, noise=0.0 * plan.noise)
        planned += [(configuration, days[run.day], plan) for configuration in configurations]
        chosen.append(i)
    true = Study(tuple(replace(study.entries[0], configuration=c.id) for c, _, _ in planned), simulate_batch(planned))
    out = []
    for c in range(campaigns):
        days = _days(scenario, seed, str(c), True)
        exact = Instruments()
        series, drives = {}, {}
        for i in range(c * size, (c + 1) * size):
            day = days[study.entries[i].block]
            series[i] = study_series(study, i, exact, shift=CUT)
            drives[i] = simulated_drive(study, i, series[i], (day.wind_speed, day.wind_from) if known_wind else None)
        fits = [fit([one for one in drives.values() if one.configuration == k.id]) for k in configurations]
        common = common_drive(fits, drives[chosen[c]], series[chosen[c]])
        replayed = replay(fits, common, keys, np.random.default_rng([seed, c]))
        truth = {}
        for k, configuration in enumerate(configurations):
            i = c * len(configurations) + k
            real = study_series(true, i, exact, shift=CUT)
            real = replace(
                real,
                iat=true.batch.sensor_element[i, : real.time.size],
                ambient=true.batch.station[i, : real.time.size],
            )
            for key in keys:
                value = evaluate(key, real).value
                truth[key.key, configuration.id] = np.nan if value is None else value
        for key in keys:
            for configuration in configurations[1:]:
                truth[key.key, configuration.id] -= truth[key.key, configurations[0].id]
        rms = {}
        for fitted in fits:
            for j, one in enumerate(fitted.drives):
                i = next(i for i in drives if drives[i] is one)
                element = study.batch.sensor_element[i, : int(study.batch.samples[i]) : round(STEP)]
                rms[one.run] = float(np.sqrt(np.mean((fitted.own(j) - element) ** 2)))
        measured = tuple(evaluate(key, s) for key in keys for s in series.values())
        out.append(
            One(compare(model, keys, measured), compare(model, keys, replayed.values, replayed.draws), truth, rms)
        )
    return out


def common_drive(fits: list[ThermalFit], drive: DriveInput, series) -> CommonDrive:
    """Return the drive of one of the runs as the common drive, in the wind fitted to it."""
    own = {one.run: effects for f in fits for one, effects in zip(f.drives, f.effects, strict=True)}
    return CommonDrive(drive, series, own[drive.run])


def summary(found: list[One]) -> list[dict]:
    """Return by metric and configuration: bias, spread and coverage on the common drive, spread as measured."""
    rows = []
    for key, configuration in dict.fromkeys((c.key, c.configuration) for one in found for c in one.replayed):
        pairs = [
            (one.truth[key, configuration], a, b)
            for one in found
            for a, b in zip(one.replayed, one.measured, strict=True)
            if (a.key, a.configuration) == (key, configuration)
        ]
        truth = np.array([t for t, _, _ in pairs])
        replayed, measured = (
            np.array([np.nan if c.difference is None else c.difference for c in side])
            for side in zip(*((a, b) for _, a, b in pairs), strict=True)
        )
        kept = [
            (t, a)
            for t, a, _ in pairs
            if np.isfinite(t) and a.basis == "runs" and not (a.low is None and a.high is None)
        ]
        inside = sum((a.low is None or a.low <= t) and (a.high is None or t <= a.high) for t, a in kept)
        half = [0.5 * (a.high - a.low) for _, a in kept if a.low is not None and a.high is not None]
        wide = [0.5 * (b.high - b.low) for _, _, b in pairs if b.low is not None and b.high is not None]
        off = replayed - truth
        rows.append(
            {"metric": key, "configuration": configuration, "truth": float(np.nanmean(truth)), "bias": float(np.nanmean(off)),
             "spread": float(np.nanstd(off, ddof=1)), "measured_spread": float(np.nanstd(measured, ddof=1)),
             "inside": inside, "n": len(kept), "half": float(np.median(half)) if half else np.nan,
             "measured_half": float(np.median(wide)) if wide else np.nan}
        )  # fmt: skip
    return rows
