"""Simulated campaigns through the thermal model and the common drive, without files."""

from dataclasses import dataclass, replace

import numpy as np
from analyse.studies import Instruments, campaign, headline, study_series
from scipy import stats
from simulated import SEED, Entry, Study, _days, design, generator, simulate_batch, simulate_campaigns

from intake_report.analyse.compare import compare
from intake_report.demo.route import demo_route, draw_plan
from intake_report.demo.scenario import OPEN, SEALED, STOCK, Day
from intake_report.demo.simulate import SPEED_SCALE
from intake_report.metrics import evaluate
from intake_report.results import Comparison
from intake_report.thermal import CommonDrive, ThermalFit, fit, replay
from intake_report.thermal.model import MIDDLE, NAMES, SPREAD, STEP, WIND_NEAR_GROUND, DriveInput
from thermal.second import LAGGED, METAL, PLASTIC
from thermal.trials import Trial, median, second_trials

CUT = 0.5  # K; what is added to readings that are cut off


def simulated_drive(study: Study, i: int, series, day: Day) -> DriveInput:
    """Return run i of a study as `drive_input` would from a log of it, in the wind of that day."""
    batch, n = study.batch, int(study.batch.samples[i])
    every = slice(0, n, round(STEP))
    route, distance = demo_route(), batch.distance[i, every]
    heading = np.interp(distance, route.distance, route.heading)
    towards, strength = np.radians(day.wind_from), WIND_NEAR_GROUND * day.wind_speed
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
        wind_known=True,
        reading_time=series.time,
        reading=series.reading + CUT,
    )


@dataclass(frozen=True)
class One:
    """One simulated campaign: comparisons as measured and on the common drive, and what is true on it."""

    measured: tuple[Comparison, ...]
    replayed: tuple[Comparison, ...]
    truth: dict[tuple[str, str], float]


def demo_trials(configurations, blocks: int, campaigns: int, seed: int, *, still: bool = False) -> list[Trial]:
    """Simulate campaigns of the demo's route and vehicle; `still`: in air without fluctuations."""
    scenario = design(configurations, blocks)
    size, days = len(scenario.schedule), [_days(scenario, seed, str(c), True) for c in range(campaigns)]

    def plan(c: int, place: int, *, calm: bool):
        run = scenario.schedule[place]
        made = draw_plan(demo_route(), days[c][run.day], run.start, generator(scenario, seed, "study", str(c), run.run))
        return replace(made, noise=0.0 * made.noise) if calm else made

    study = simulate_campaigns(scenario, campaigns, seed)
    if still:
        every = [(c, place, scenario.schedule[place]) for c in range(campaigns) for place in range(size)]
        runs = [(run.configuration, days[c][run.day], plan(c, place, calm=True)) for c, place, run in every]
        study = Study(study.entries, simulate_batch(runs))
    stopped = np.array([np.sum(study.batch.speed[i, :n] < 1.0) for i, n in enumerate(study.batch.samples)])
    chosen = [median(range(c * size, (c + 1) * size), lambda i: stopped[i]) for c in range(campaigns)]
    places = [(c, days[c][study.entries[i].block], i - c * size) for c, i in enumerate(chosen)]
    planned = [(k, day, plan(c, place, calm=True)) for c, day, place in places for k in configurations]
    true = Study(tuple(Entry(0, 0, k.id) for k, _, _ in planned), simulate_batch(planned))
    trials = []
    for c in range(campaigns):
        own = range(c * size, (c + 1) * size)
        series = [study_series(study, i, Instruments(), shift=CUT) for i in own]
        dates = [days[c][study.entries[i].block] for i in own]
        drives = [simulated_drive(study, i, s, day) for i, s, day in zip(own, series, dates, strict=True)]
        truth = {}
        for i, k in enumerate(configurations, c * len(configurations)):
            real = study_series(true, i, Instruments(), shift=CUT)
            n = real.time.size
            truth[k.id] = replace(real, iat=true.batch.sensor_element[i, :n], ambient=true.batch.station[i, :n])
        trials.append(Trial(series, drives, series[chosen[c] - c * size].run, truth))
    return trials


SIMULATORS = {
    "demo": (demo_trials, (STOCK, OPEN, SEALED), (STOCK, SEALED)),
    "second": (second_trials, (PLASTIC, METAL, LAGGED), (PLASTIC, METAL)),
}
"""Simulator → its trials, three configurations and two, the baseline first."""


def fitted(trial: Trial, ids: list[str]) -> list[ThermalFit]:
    return [fit([drive for drive in trial.drives if drive.configuration == id]) for id in ids]


def study_common_drive(simulator: str, layout: str, campaigns: int, *, seed=SEED, how=fitted, **more) -> list[One]:
    """Simulate campaigns "3×2" (configurations × blocks) or "2×3" and compare each as measured and on its median run's drive."""
    trials, *sets = SIMULATORS[simulator]
    configurations = next(one for one in sets if len(one) == int(layout[0]))
    model = campaign(configurations)
    return [
        judged(model, trial, np.random.default_rng([seed, c]), how)
        for c, trial in enumerate(trials(configurations, int(layout[-1]), campaigns, seed, **more))
    ]


BAY = [NAMES.index(name) for name in ("heat", "flush", "flush_speed", "held", "parts")]
ONE_BAY = 0.05  # of a logarithm; as far as configurations may differ in parameters of the bay that they share


def fitted_with_one_bay(trial: Trial, ids: list[str]) -> list[ThermalFit]:
    """Fit again with the parameters of the under-hood air as good as shared: their mean over the configurations, by weight."""
    alone = fitted(trial, ids)
    weights = np.array([1.0 / np.diag(one.covariance)[BAY] for one in alone])
    before = MIDDLE[BAY], SPREAD[BAY]
    MIDDLE[BAY] = np.sum(weights * [one.shape[BAY] for one in alone], axis=0) / weights.sum(axis=0)
    SPREAD[BAY] = ONE_BAY
    try:
        return fitted(trial, ids)
    finally:
        MIDDLE[BAY], SPREAD[BAY] = before


def study_sharing(simulator: str, layout: str, campaigns: int, *, seed: int = SEED) -> tuple[list[One], list[One]]:
    """Return the same campaigns with parameters of their own and with one bay for all configurations."""
    ways = (fitted, fitted_with_one_bay)
    return tuple(study_common_drive(simulator, layout, campaigns, seed=seed, how=how) for how in ways)


def judged(model, trial: Trial, rng: np.random.Generator, how=fitted) -> One:
    """Fit a campaign, put it on its common drive, and compare there and as measured."""
    keys, ids = headline(), [c.id for c in model.configurations]
    fits = how(trial, ids)
    place = next(i for i, s in enumerate(trial.series) if s.run == trial.chosen)
    common = common_drive(fits, trial.drives[place], trial.series[place])
    replayed = replay(fits, common, {s.run: s for s in trial.series}, keys, rng)
    measured = tuple(evaluate(key, s) for key in keys for s in trial.series)
    truth = {}
    for key in keys:
        values = [evaluate(key, trial.truth[id]).value for id in ids]
        numbers = [np.nan if value is None else value for value in values]
        truth |= {(key.key, id): number - numbers[0] for id, number in zip(ids, numbers, strict=True)}
    return One(compare(model, keys, measured), compare(model, keys, replayed.values, replayed.draws), truth)


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
        truth, replayed, measured = np.array([(t, a.difference, b.difference) for t, a, b in pairs], dtype=float).T
        known = [(t, a) for t, a, _ in pairs if np.isfinite(t) and a.basis == "runs"]
        kept = [(t, a) for t, a in known if not (a.low is None and a.high is None)]
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


def described(rows: list[dict]) -> list[str]:
    """Return a line per row of a summary."""
    return [
        f"  {r['metric']:26s} {r['configuration']:15s} truth {r['truth']:7.2f}, bias {r['bias']:6.2f}, spread {r['spread']:6.2f} "
        f"(measured {r['measured_spread']:6.2f}), inside {r['inside']} of {r['n']}, half-width {r['half']:6.2f} "
        f"(measured {r['measured_half']:6.2f})"
        for r in rows
    ]


def runs_needed(spread: float, blocks: int, size: float, power: float = 0.8) -> int:
    """Return the blocks of one run of each of two configurations in which a difference is shown with a chance of `power`.

    `spread`: standard deviation of the difference with `blocks` of them; a t test of blocks, level 5 %, noncentral t.
    """
    for n in range(2, 200):
        edge, shift = stats.t.ppf(0.975, n - 1), size / (spread * np.sqrt(blocks / n))
        if stats.nct.sf(edge, n - 1, shift) + stats.nct.cdf(-edge, n - 1, shift) >= power:
            return n
    return 200


def power_table(rows: list[dict], blocks: int) -> list[str]:
    """Return for peak and recovery to within 5 °F the runs of each configuration that show 3 K and 20 s, both ways."""
    sizes = {"peak_over_ambient": 3.0, "recovery_time:2.78K": 20.0}
    return [
        f"  {r['metric']:26s} {r['configuration']:15s} {sizes[r['metric']]:g}: "
        + ", ".join(
            f"{name} {runs_needed(r[name], blocks, sizes[r['metric']])}" for name in ("measured_spread", "spread")
        )
        for r in rows
        if r["metric"] in sizes
    ]
