"""What is driven: the invented vehicle and the intake configurations, as the simulator's parameters."""

from __future__ import annotations

from dataclasses import dataclass, field, replace


@dataclass(frozen=True)
class Vehicle:
    """A generic passenger car; every figure is invented within the range usual for its class (common practice).

    Attributes
    ----------
    mass : float
        Mass as driven [kg].
    drag_area : float
        Drag coefficient times frontal area [m²].
    rolling : float
        Rolling resistance coefficient.
    displacement : float
        Engine displacement [m³].
    gear_speed : tuple of float
        Engine speed per vehicle speed in each gear [rpm per m/s].
    shift_up : tuple of float
        Vehicle speeds [m/s] above which the next gear is used.
    idle : float
        Idle speed [rpm].
    rated_torque : float
        Peak torque at standard conditions [N·m].
    indicated_efficiency : float
        Indicated efficiency at part load.
    """

    name: str = "compact hatchback, 2.0 L naturally aspirated petrol engine, six-speed gearbox"
    mass: float = 1430.0
    drag_area: float = 0.68
    rolling: float = 0.0105
    displacement: float = 1.998e-3
    gear_speed: tuple[float, ...] = (440.0, 243.0, 165.0, 123.0, 99.0, 81.0)
    shift_up: tuple[float, ...] = (5.2, 9.4, 13.6, 18.5, 24.0)
    idle: float = 740.0
    rated_torque: float = 196.0
    indicated_efficiency: float = 0.375


@dataclass(frozen=True)
class Configuration:
    """One state of the intake hardware; temperatures follow from these, none of them is known to the analysis.

    Attributes
    ----------
    draw_idle, draw_cruise : float
        Share of under-hood air in the air drawn at standstill and at speed.
    draw_speed : float
        Vehicle speed [m/s] over which the share falls by 1/e.
    inlet_recirculation : float
        Share of the under-hood excess temperature found in front of the inlet at standstill.
    outer, outer_speed : float
        Conductance from under-hood air to the duct's bulk at standstill, and what is added per m/s [W/K; W·s/(K·m)].
    through : float
        Conductance through the duct wall, bulk to inner surface [W/K].
    inner_still, inner_flow : float
        Conductance inner surface to air: constant part [W/K] and factor of airflow [g/s] to the power 0.8.
    bulk, surface : float
        Heat capacities [J/K].
    mount : float
        Conductance from the engine through mounts and throttle body to the duct's bulk [W/K].
    washed : float
        How much of the duct's surroundings the ram stream replaces at speed, 0 to 1.
    restriction : float
        Pressure drop at 100 g/s [kPa].
    restriction_exponent : float
        Exponent of airflow in the pressure drop.
    """

    id: str
    name: str
    role: str
    description: str
    deviations: tuple[str, ...] = field(default=())
    draw_idle: float = 0.42
    draw_cruise: float = 0.005
    draw_speed: float = 6.0
    inlet_recirculation: float = 0.10
    outer: float = 3.6
    outer_speed: float = 0.005
    through: float = 5.0
    inner_still: float = 0.5
    inner_flow: float = 1.3
    bulk: float = 420.0
    surface: float = 280.0
    mount: float = 0.15
    washed: float = 0.97
    restriction: float = 1.9
    restriction_exponent: float = 1.85


STOCK = Configuration(
    "stock",
    "As-sold airbox",
    "baseline",
    "Closed airbox behind the headlamp with a short inlet above the radiator support, paper element.",
)

OPEN = Configuration(
    "open-cone",
    "Open cone element",
    "candidate",
    "Cotton cone element on a short metal tube, no heat shield; the airbox is removed.",
    ("airbox and inlet removed", "cone element without shield", "metal tube in place of the moulded duct"),
    draw_idle=0.72,
    draw_cruise=0.012,
    draw_speed=6.5,
    inlet_recirculation=0.10,
    outer=3.5,
    outer_speed=0.005,
    through=7.0,
    inner_still=0.5,
    inner_flow=1.35,
    bulk=360.0,
    surface=240.0,
    mount=0.15,
    washed=0.80,
    restriction=1.15,
    restriction_exponent=1.8,
)

SEALED = Configuration(
    "sealed-snorkel",
    "Sealed box with external snorkel",
    "candidate",
    "Sealed moulded box with a gasketed lid, fed by a snorkel that opens ahead of the front wheel arch.",
    ("airbox replaced by a sealed box", "inlet moved outside the engine bay", "larger dry element"),
    draw_idle=0.2,
    draw_cruise=0.002,
    draw_speed=5.0,
    inlet_recirculation=0.06,
    outer=2.0,
    outer_speed=0.003,
    through=3.5,
    inner_still=0.5,
    inner_flow=1.3,
    bulk=420.0,
    surface=270.0,
    mount=0.10,
    restriction=1.4,
    restriction_exponent=1.82,
)

OPEN_DEEP = replace(
    OPEN,
    name="Open cone element, long tube",
    description="Cotton cone element on a metal tube that ends deep in the engine bay, no heat shield.",
    washed=0.52,
)
"""The open cone in a bay that the ram stream hardly reaches: it may never come back to within 3 °F of ambient."""

CONFIGURATIONS: dict[str, Configuration] = {c.id: c for c in (STOCK, OPEN, SEALED)}
