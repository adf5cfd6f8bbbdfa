"""The demo's campaigns: invented vehicles, intake configurations and days, and which runs are driven when."""

import zlib
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Units = Literal["si", "us"]


@dataclass(frozen=True)
class SimulatedVehicle:
    """A generic passenger car; every figure is invented within the range usual for its class (common practice)."""

    name: str = "Compact hatchback, 2.0 L naturally aspirated petrol engine, six-speed gearbox"
    mass: float = 1430.0  # as driven [kg]
    drag_area: float = 0.68  # drag coefficient times frontal area [m²]
    rolling: float = 0.0105  # rolling resistance coefficient
    displacement: float = 1.998e-3  # [m³]
    gear_speed: tuple[float, ...] = (440.0, 243.0, 165.0, 123.0, 99.0, 81.0)  # engine per vehicle speed [rpm per m/s]
    shift_up: tuple[float, ...] = (5.2, 9.4, 13.6, 18.5, 24.0)  # vehicle speeds above which the next gear is used [m/s]
    idle: float = 740.0  # [rpm]
    indicated_efficiency: float = 0.375  # at part load


WAGON = SimulatedVehicle(
    name="Mid-size wagon, 2.5 L naturally aspirated petrol engine, six-speed gearbox",
    mass=1640.0,
    drag_area=0.76,
    displacement=2.488e-3,
    gear_speed=(410.0, 226.0, 153.0, 114.0, 90.0, 72.0),
)


@dataclass(frozen=True)
class Intake:
    """One state of the intake hardware; temperatures follow from these, none of them is known to the analysis."""

    id: str
    name: str
    role: str
    description: str
    deviations: tuple[str, ...] = ()
    draw_idle: float = 0.42  # share of under-hood air in the air drawn at standstill ...
    draw_cruise: float = 0.005  # ... and at speed
    draw_speed: float = 6.0  # vehicle speed over which the share falls by 1/e [m/s]
    inlet_recirculation: float = 0.10  # share of the under-hood excess temperature in front of the inlet at standstill
    outer: float = 3.6  # conductance from under-hood air to the duct's bulk at standstill [W/K] ...
    outer_speed: float = 0.005  # ... and what is added per m/s [W·s/(K·m)]
    through: float = 5.0  # conductance through the duct wall, bulk to inner surface [W/K]
    inner_still: float = 0.5  # conductance inner surface to air: constant part [W/K] ...
    inner_flow: float = 1.3  # ... and factor of airflow [g/s] to the power 0.8
    bulk: float = 420.0  # heat capacity of the duct's bulk ...
    surface: float = 280.0  # ... and of its inner surface [J/K]
    mount: float = 0.15  # conductance from the engine through mounts and throttle body to the duct's bulk [W/K]
    washed: float = 0.97  # how much of the duct's surroundings the ram stream replaces at speed, 0 to 1
    restriction: float = 1.9  # pressure drop at 100 g/s [kPa]
    restriction_exponent: float = 1.85  # exponent of airflow in the pressure drop


STOCK = Intake(
    "stock", "As-sold airbox", "baseline",
    "Closed airbox behind the headlamp with a short inlet above the radiator support, paper element.",
)  # fmt: skip
OPEN = Intake(
    "open-cone", "Open cone element", "candidate",
    "Cotton cone element on a short metal tube, no heat shield; the airbox is removed.",
    ("airbox and inlet removed", "cone element without shield", "metal tube in place of the moulded duct"),
    draw_idle=0.72, draw_cruise=0.012, draw_speed=6.5, outer=3.5, through=7.0, inner_flow=1.35, bulk=360.0, surface=240.0,
    washed=0.80, restriction=1.15, restriction_exponent=1.8,
)  # fmt: skip
SEALED = Intake(
    "sealed-snorkel", "Sealed box with external snorkel", "candidate",
    "Sealed moulded box with a gasketed lid, fed by a snorkel that opens ahead of the front wheel arch.",
    ("airbox replaced by a sealed box", "inlet moved outside the engine bay", "larger dry element"),
    draw_idle=0.2, draw_cruise=0.002, draw_speed=5.0, inlet_recirculation=0.06, outer=2.0, outer_speed=0.003, through=3.5,
    surface=270.0, mount=0.10, restriction=1.4, restriction_exponent=1.82,
)  # fmt: skip
# In a bay that the ram stream hardly reaches: it may never come back to within 3 °F of ambient.
OPEN_DEEP = replace(
    OPEN,
    name="Open cone element, long tube",
    washed=0.52,
    description="Cotton cone element on a metal tube that ends deep in the engine bay, no heat shield.",
)

CONFIGURATIONS: dict[str, Intake] = {c.id: c for c in (STOCK, OPEN, SEALED)}


@dataclass(frozen=True)
class Day:
    """Weather and traffic of one day; the name is the campaign's block."""

    name: str
    date: datetime  # midnight of the day, UTC
    ambient: float  # highest free-stream air temperature of the day [°C]
    warmest: float = 17.0  # its time [h after `date`]
    curvature: float = 0.09  # fall from it per squared hour [K/h²]
    wind_speed: float = 3.0  # [m/s]
    wind_from: float = 240.0  # [° clockwise from north]
    traffic: float = 1.0  # intensity, 1 = usual: more red lights, longer ones, slower stretches
    sun: float = 0.7  # solar heating of bonnet and road, 0 to 1
    pressure: float = 101.2  # station pressure [kPa]
    dew_point: float = 16.0  # [°C]

    @property
    def sunny(self) -> bool:
        """Whether the sky is clear."""
        return self.sun > 0.65

    def temperature(self, hours: Array | float) -> Array:
        """Return the free-stream air temperature [°C] at times [h after midnight UTC], fluctuation left out."""
        return self.ambient - self.curvature * (np.asarray(hours, dtype=np.float64) - self.warmest) ** 2


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
    schedule=crossed_schedule((STOCK, OPEN, SEALED), 3),
    bench=True,
)  # fmt: skip

THREE_DAYS = Scenario(
    id="three-days",
    title="Three intakes on three days, one run each (simulated)",
    question="How soon after joining the highway is the intake air back within 3 °F of ambient with each intake?",
    units="us",
    vehicle=WAGON,
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
