"""Many campaigns at once, for Monte Carlo studies of the analysis: designs, redrawn days, and the values to be found."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np

from intake_report.demo.articles import Configuration
from intake_report.demo.route import Array, demo_route
from intake_report.demo.scenario import RAMP_TRIAL, SEED, Scenario, crossed_schedule, generator
from intake_report.demo.simulate import SimulatedBatch, simulate_batch
from intake_report.demo.traffic import Day, RunPlan, draw_plan
from intake_report.demo.truth import MARGINS, Basis, batch_truth


@dataclass(frozen=True)
class Entry:
    """One run of a study: which campaign, block (index) and configuration (id)."""

    campaign: int
    block: int
    configuration: str


@dataclass(frozen=True)
class Study:
    """Many simulated campaigns of one design.

    Attributes
    ----------
    entries : tuple of n Entry
        One per run, campaign by campaign.
    batch : SimulatedBatch
        The n runs at 1 Hz.
    """

    entries: tuple[Entry, ...]
    batch: SimulatedBatch


def design(configurations: tuple[Configuration, ...], blocks: int) -> Scenario:
    """Return a crossed design: in each block every configuration once, the first one changing from block to block.

    Parameters
    ----------
    configurations : tuple of Configuration
        Two or three.
    blocks : int
        Number of days; beyond the third they repeat the demo's days a week later until `redraw_days` changes them.
    """
    base = RAMP_TRIAL.days
    days = tuple(
        replace(base[b % len(base)], name=f"day-{b + 1}", date=base[b % len(base)].date + timedelta(days=7 * (b // 3)))
        for b in range(blocks)
    )
    schedule = crossed_schedule(tuple(c.id for c in configurations), blocks, configurations)
    return replace(RAMP_TRIAL, id=f"design-{len(configurations)}x{blocks}", days=days, schedule=schedule, bench=False)


def redraw_day(day: Day, rng: np.random.Generator) -> Day:
    """Return another day of the same season: weather and traffic drawn anew (magnitudes: common practice)."""
    return replace(
        day,
        ambient=float(rng.normal(27.2, 0.6)),
        traffic=float(np.clip(rng.normal(1.0, 0.15), 0.6, 1.4)),
        wind_speed=float(rng.uniform(1.5, 5.0)),
        wind_from=float(rng.uniform(0.0, 360.0)),
        sun=float(rng.uniform(0.3, 1.0)),
        pressure=float(rng.normal(101.2, 0.4)),
    )


def simulate_campaigns(scenario: Scenario, count: int, seed: int = SEED, *, redraw_days: bool = True) -> Study:
    """Simulate many campaigns of one design with the fast path.

    Parameters
    ----------
    scenario
        The design: its schedule, vehicle and days.
    count : int
        Number of campaigns.
    seed : int
        Seed of all of them.
    redraw_days : bool
        Draw each campaign's days anew; otherwise only traffic, driver and fluctuations differ.
    """
    route = demo_route()
    entries: list[Entry] = []
    runs: list[tuple[Configuration, Day, RunPlan]] = []
    for campaign in range(count):
        days = _days(scenario, seed, str(campaign), redraw_days)
        for planned in scenario.schedule:
            day = days[planned.day]
            rng = generator(scenario, seed, "study", str(campaign), planned.run)
            runs.append((planned.configuration, day, draw_plan(route, day, planned.start, rng)))
            entries.append(Entry(campaign, planned.day, planned.configuration.id))
    return Study(tuple(entries), simulate_batch(runs, route=route, vehicle=scenario.vehicle))


def _days(scenario: Scenario, seed: int, part: str, redraw: bool) -> tuple[Day, ...]:
    if not redraw:
        return scenario.days
    rng = generator(scenario, seed, "days", part)
    return tuple(redraw_day(day, rng) for day in scenario.days)


def expected_metrics(
    scenario: Scenario,
    replicates: int,
    seed: int = SEED,
    basis: Basis = "true_air",
    *,
    margins: tuple[float, ...] = MARGINS,
    redraw_days: bool = False,
) -> dict[str, dict[str, Array]]:
    """Return true headline metrics of every configuration under identical days, lights and drivers.

    Each planned run is redrawn `replicates` times and driven in every configuration with the same plan. The mean over
    the first axis is what a campaign of endless length would find; differences between configurations are paired.

    Parameters
    ----------
    scenario
        The campaign whose days and times of day are used.
    replicates : int
        Redraws of each planned run.
    seed : int
        Seed of the redraws.
    basis : {"true_air", "sensor_element"}
        Which temperature.
    margins : tuple of float
        Recovery margins [K].
    redraw_days : bool
        Draw the days anew for each replicate, as `simulate_campaigns` does; otherwise the scenario's days stay.

    Returns
    -------
    dict of dict of array, (replicates · runs,)
        Configuration id → metric (see `truth.batch_truth`) → values.
    """
    route = demo_route()
    conditions: list[tuple[Day, RunPlan]] = []
    for replicate in range(replicates):
        days = _days(scenario, seed, f"expected-{replicate}", redraw_days)
        for planned in scenario.schedule:
            day = days[planned.day]
            rng = generator(scenario, seed, planned.run, "expected", str(replicate))
            conditions.append((day, draw_plan(route, day, planned.start, rng)))
    out = {}
    for configuration in scenario.configurations:
        batch = simulate_batch(
            [(configuration, day, plan) for day, plan in conditions], route=route, vehicle=scenario.vehicle
        )
        out[configuration.id] = batch_truth(batch, route, basis, margins=margins)
    return out
