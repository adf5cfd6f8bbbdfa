"""The demo's campaigns: which runs are driven, on which days."""

import zlib
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np

from intake_report.demo import articles
from intake_report.demo.articles import CONFIGURATIONS, SEALED, STOCK, Day, Intake, SimulatedVehicle
from intake_report.demo.logger import Units
from intake_report.demo.route import demo_route, draw_plan
from intake_report.demo.simulate import SimulatedRun, control_plan, simulate_runs

ZONE = "Etc/GMT+2"  # time zone of the invented place (two hours behind UTC)
SEED = 20260609  # of the committed demo campaigns
CONTROL = "-control"  # ends the name of a control vehicle's drive
_STARTS = (15.2, 16.4, 17.6)


@dataclass(frozen=True)
class Planned:
    """One run of the schedule; `day` is an index, `start` is in hours after midnight UTC."""

    run: str
    configuration: Intake
    day: int
    start: float


@dataclass(frozen=True)
class Scenario:
    """A campaign to simulate."""

    id: str
    title: str
    question: str
    days: tuple[Day, ...]  # blocks
    schedule: tuple[Planned, ...]  # in order of time
    units: Units = "si"  # of the logs and of the report
    vehicle: SimulatedVehicle = field(default_factory=SimulatedVehicle)
    rounding: str = "floor"  # how the control unit brings temperatures to whole °C: "floor" or "round"
    clock: bool = False  # logs hold local clock time instead of elapsed seconds
    reference: str = "station"  # ambient reference of the campaign: "station" or "vehicle"
    bench: bool = False  # with dyno pulls, restriction, trials, timed tasks, soak checks at dawn, drawings
    control: bool = False  # each run has a log of an unmodified control vehicle
    alarm: float = 45.0  # [°C]

    @property
    def configurations(self) -> tuple[Intake, ...]:
        """Configurations in the order of the catalogue."""
        used = {p.configuration.id: p.configuration for p in self.schedule}
        return tuple(used[id] for id in CONFIGURATIONS if id in used)


def crossed_schedule(configurations: tuple[Intake, ...], days: int) -> tuple[Planned, ...]:
    """Return a schedule in which each day drives every configuration and starts with another one (at most three)."""
    n = len(configurations)
    turned = ((day, place, configurations[(day + place) % n]) for day in range(days) for place in range(n))
    return tuple(Planned(f"d{day + 1}r{place + 1}-{c.id}", c, day, _STARTS[place]) for day, place, c in turned)


RAMP_TRIAL = Scenario(
    id="ramp-trial",
    title="City, on-ramp and highway trial of three intakes (simulated)",
    question="Does the sealed box with external snorkel keep intake air closer to ambient than the as-sold airbox?",
    days=(
        Day("day-1", datetime(2026, 6, 9, tzinfo=UTC), 27.3, traffic=1.0, wind_speed=3.0, wind_from=250.0, sun=0.8,
            pressure=101.3, dew_point=16.2),
        Day("day-2", datetime(2026, 6, 10, tzinfo=UTC), 26.8, traffic=1.2, wind_speed=4.5, wind_from=290.0, sun=0.5,
            pressure=101.0, dew_point=15.4),
        Day("day-3", datetime(2026, 6, 11, tzinfo=UTC), 27.7, traffic=0.85, wind_speed=2.0, wind_from=180.0, sun=0.9,
            pressure=101.6, dew_point=17.1),
    ),
    schedule=crossed_schedule((STOCK, articles.OPEN, SEALED), 3),
    bench=True,
)  # fmt: skip

THREE_DAYS = Scenario(
    id="three-days",
    title="Three intakes on three days, one run each (simulated)",
    question="How soon after joining the highway is the intake air back within 3 °F of ambient with each intake?",
    units="us",
    vehicle=articles.WAGON,
    days=(
        Day("monday", datetime(2026, 7, 13, tzinfo=UTC), 26.4, traffic=1.25, wind_speed=2.0, wind_from=200.0, sun=0.9,
            pressure=101.4, dew_point=17.8),
        Day("wednesday", datetime(2026, 7, 15, tzinfo=UTC), 27.3, traffic=1.0, wind_speed=3.5, wind_from=260.0, sun=0.7,
            pressure=101.2, dew_point=16.5),
        Day("friday", datetime(2026, 7, 17, tzinfo=UTC), 28.3, traffic=0.8, wind_speed=5.0, wind_from=330.0, sun=0.4,
            pressure=100.8, dew_point=18.0),
    ),
    schedule=(
        Planned("stock-run", STOCK, 0, 17.5),
        Planned("open-run", articles.OPEN_DEEP, 1, 16.25),
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
    days=(
        Day("day-1", datetime(2026, 6, 16, tzinfo=UTC), 26.6, traffic=1.15, wind_speed=3.5, wind_from=230.0, sun=0.7),
        Day("day-2", datetime(2026, 6, 18, tzinfo=UTC), 27.5, traffic=0.9, wind_speed=2.0, wind_from=300.0, sun=0.9),
    ),
    schedule=crossed_schedule((STOCK, SEALED), 2),
    control=True,
)

SCENARIOS: dict[str, Scenario] = {s.id: s for s in (RAMP_TRIAL, THREE_DAYS, TANDEM)}


def generator(scenario: Scenario, seed: int, *path: str) -> np.random.Generator:
    """Return the random generator of one purpose of one campaign (independent of all others)."""
    keys = [seed, *(zlib.crc32(part.encode()) for part in (scenario.id, *path))]
    return np.random.default_rng(np.random.SeedSequence(keys))


@lru_cache(maxsize=4)
def scenario_runs(scenario: Scenario, seed: int = SEED) -> dict[str, SimulatedRun]:
    """Return the full simulation of each run of the campaign, and of its control vehicle (the run's id and `CONTROL`)."""
    runs = {}
    for planned in scenario.schedule:
        day = scenario.days[planned.day]
        plan = draw_plan(demo_route(), day, planned.start, generator(scenario, seed, planned.run, "plan"))
        runs[planned.run] = (planned.configuration, day, plan)
        if scenario.control:  # the unmodified vehicle beside it
            beside = control_plan(plan, generator(scenario, seed, planned.run, "control"))
            runs[f"{planned.run}{CONTROL}"] = (STOCK, day, beside)
    return dict(zip(runs, simulate_runs([*runs.values()], scenario.vehicle), strict=True))
