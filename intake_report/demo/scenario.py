"""The demo's campaigns: which runs are driven, on which days, and the truth about them."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from intake_report.demo.articles import CONFIGURATIONS, OPEN, OPEN_DEEP, SEALED, STOCK, Configuration, Vehicle
from intake_report.demo.logger import Units
from intake_report.demo.route import Route, demo_route
from intake_report.demo.simulate import SimulatedRun, control_run, simulate_run
from intake_report.demo.traffic import Day, RunPlan, draw_plan, midnight
from intake_report.demo.truth import MARGINS, Basis, EventsTruth, MetricTruth, run_events, run_truth

ZONE = "Etc/GMT+2"
"""Time zone of the invented place (two hours behind UTC)."""

SEED = 20260609
"""Seed of the committed demo campaigns."""


@dataclass(frozen=True)
class Planned:
    """One run of the schedule: its id, configuration, day (index) and start [h after midnight UTC]."""

    run: str
    configuration: Configuration
    day: int
    start: float


@dataclass(frozen=True)
class Scenario:
    """A campaign to simulate.

    Attributes
    ----------
    id, title, question : str
        As in the campaign file.
    units : {"si", "us"}
        Units of the logs and of the report.
    vehicle
        The invented vehicle.
    days : tuple of Day
        Blocks.
    schedule : tuple of Planned
        Runs in order of time.
    rounding : {"floor", "round"}
        How the control unit brings temperatures to whole °C.
    clock : bool
        Logs hold local clock time instead of elapsed seconds.
    reference : {"station", "vehicle"}
        Ambient reference of the campaign.
    bench : bool
        Write dyno pulls, restriction, exposure trials and timed tasks.
    control : bool
        Each run has a log of an unmodified control vehicle.
    alarm : float
        Alarm limit [°C].
    """

    id: str
    title: str
    question: str
    units: Units
    vehicle: Vehicle
    days: tuple[Day, ...]
    schedule: tuple[Planned, ...]
    rounding: str = "floor"
    clock: bool = False
    reference: str = "station"
    bench: bool = False
    control: bool = False
    alarm: float = 45.0

    @property
    def configurations(self) -> tuple[Configuration, ...]:
        """Configurations in the order of the catalogue."""
        used = {p.configuration.id: p.configuration for p in self.schedule}
        return tuple(used[id] for id in CONFIGURATIONS if id in used)


WAGON = Vehicle(
    name="mid-size wagon, 2.5 L naturally aspirated petrol engine, six-speed gearbox",
    mass=1640.0,
    drag_area=0.76,
    displacement=2.488e-3,
    gear_speed=(410.0, 226.0, 153.0, 114.0, 90.0, 72.0),
    rated_torque=240.0,
)

_STARTS = (15.2, 16.4, 17.6)


def crossed_schedule(
    order: tuple[str, ...], days: int, configurations: tuple[Configuration, ...]
) -> tuple[Planned, ...]:
    """Return a schedule in which each day drives every configuration and starts with another one (at most three)."""
    out = []
    for day in range(days):
        turned = order[day % len(order) :] + order[: day % len(order)]
        for place, id in enumerate(turned):
            configuration = next(c for c in configurations if c.id == id)
            out.append(Planned(f"d{day + 1}r{place + 1}-{id}", configuration, day, _STARTS[place]))
    return tuple(out)


RAMP_TRIAL = Scenario(
    id="ramp-trial",
    title="City, on-ramp and highway trial of three intakes (simulated)",
    question="Does the sealed box with external snorkel keep intake air closer to ambient than the as-sold airbox?",
    units="si",
    vehicle=Vehicle(),
    days=(
        Day("day-1", midnight(2026, 6, 9), 27.3, traffic=1.0, wind_speed=3.0, wind_from=250.0, sun=0.8,
            pressure=101.3, dew_point=16.2),
        Day("day-2", midnight(2026, 6, 10), 26.8, traffic=1.2, wind_speed=4.5, wind_from=290.0, sun=0.5,
            pressure=101.0, dew_point=15.4),
        Day("day-3", midnight(2026, 6, 11), 27.7, traffic=0.85, wind_speed=2.0, wind_from=180.0, sun=0.9,
            pressure=101.6, dew_point=17.1),
    ),
    schedule=crossed_schedule(("stock", "open-cone", "sealed-snorkel"), 3, (STOCK, OPEN, SEALED)),
    bench=True,
)  # fmt: skip

THREE_DAYS = Scenario(
    id="three-days",
    title="Three intakes on three days, one run each (simulated)",
    question="How soon after joining the highway is the intake air back within 3 °F of ambient with each intake?",
    units="us",
    vehicle=WAGON,
    days=(
        Day("monday", midnight(2026, 7, 13), 26.4, traffic=1.25, wind_speed=2.0, wind_from=200.0, sun=0.9,
            pressure=101.4, dew_point=17.8),
        Day("wednesday", midnight(2026, 7, 15), 27.3, traffic=1.0, wind_speed=3.5, wind_from=260.0, sun=0.7,
            pressure=101.2, dew_point=16.5),
        Day("friday", midnight(2026, 7, 17), 28.3, traffic=0.8, wind_speed=5.0, wind_from=330.0, sun=0.4,
            pressure=100.8, dew_point=18.0),
    ),
    schedule=(
        Planned("stock-run", STOCK, 0, 17.5),
        Planned("open-run", OPEN_DEEP, 1, 16.25),
        Planned("sealed-run", SEALED, 2, 15.0),
    ),
    rounding="round",
    clock=True,
    reference="vehicle",
)  # fmt: skip

TANDEM = Scenario(
    id="tandem",
    title="Sealed box against as-sold airbox with a control vehicle in tandem (simulated)",
    question="What does a control vehicle on the same road at the same time add to the comparison?",
    units="si",
    vehicle=Vehicle(),
    days=(
        Day("day-1", midnight(2026, 6, 16), 26.6, traffic=1.15, wind_speed=3.5, wind_from=230.0, sun=0.7),
        Day("day-2", midnight(2026, 6, 18), 27.5, traffic=0.9, wind_speed=2.0, wind_from=300.0, sun=0.9),
    ),
    schedule=crossed_schedule(("stock", "sealed-snorkel"), 2, (STOCK, SEALED)),
    control=True,
)

SCENARIOS: dict[str, Scenario] = {s.id: s for s in (RAMP_TRIAL, THREE_DAYS, TANDEM)}


def generator(scenario: Scenario, seed: int, *path: str) -> np.random.Generator:
    """Return the random generator of one purpose of one campaign (independent of all others)."""
    keys = [seed, *(zlib.crc32(part.encode()) for part in (scenario.id, *path))]
    return np.random.default_rng(np.random.SeedSequence(keys))


def run_plan(scenario: Scenario, planned: Planned, seed: int, route: Route | None = None) -> RunPlan:
    """Return everything random of one run of the campaign."""
    day = scenario.days[planned.day]
    return draw_plan(route or demo_route(), day, planned.start, generator(scenario, seed, planned.run, "plan"))


@lru_cache(maxsize=24)
def scenario_run(scenario: Scenario, planned: Planned, seed: int = SEED) -> SimulatedRun:
    """Return the full simulation of one run of the campaign."""
    plan = run_plan(scenario, planned, seed)
    day = scenario.days[planned.day]
    return simulate_run(planned.configuration, day, seed, plan=plan, vehicle=scenario.vehicle)


def scenario_control(scenario: Scenario, planned: Planned, seed: int = SEED) -> SimulatedRun:
    """Return the control vehicle's drive beside one run of the campaign."""
    return control_run(scenario_run(scenario, planned, seed), generator(scenario, seed, planned.run, "control"))


@dataclass(frozen=True)
class RunTruth:
    """The truth about one run: events, and its metrics on both bases."""

    run: str
    configuration: str
    block: str
    events: EventsTruth
    true_air: MetricTruth
    sensor_element: MetricTruth


def truth(scenario: Scenario, seed: int = SEED, margins: tuple[float, ...] = MARGINS) -> dict[str, RunTruth]:
    """Return the truth about every run of the campaign that `write_campaign` writes for the same seed.

    Parameters
    ----------
    scenario
        The campaign.
    seed : int
        The seed given to `write_campaign`.
    margins : tuple of float
        Recovery margins [K].

    Returns
    -------
    dict
        Run id → `RunTruth`.
    """
    out = {}
    for planned in scenario.schedule:
        run = scenario_run(scenario, planned, seed)
        bases: tuple[Basis, Basis] = ("true_air", "sensor_element")
        air, element = (run_truth(run, basis, margins=margins, alarm=scenario.alarm) for basis in bases)
        out[planned.run] = RunTruth(
            planned.run, planned.configuration.id, scenario.days[planned.day].name, run_events(run), air, element
        )
    return out
