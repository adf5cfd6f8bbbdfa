"""What is driven and when: the invented vehicles, intake configurations with a drawing of each, and days."""

import io
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


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
OPEN_DEEP = replace(
    OPEN,
    name="Open cone element, long tube",
    description="Cotton cone element on a metal tube that ends deep in the engine bay, no heat shield.",
    washed=0.52,
)
"""The open cone in a bay that the ram stream hardly reaches: it may never come back to within 3 °F of ambient."""

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
        offset = np.asarray(hours, dtype=np.float64) - self.warmest
        return self.ambient - self.curvature * offset**2


_SIZE, _FINE = (600, 400), 3  # drawn three times as fine and reduced, for smooth edges
_EDGE, _BODY, _DUCT, _CONE, _ELEMENT = "#333333", "#b9c4cd", "#dfe5ea", "#d9c9a3", "#8a7440"
_Shape = tuple[str, tuple[float, ...], str]  # kind, points (x, y, x, y …), colour, or the text of a label

_BAY: tuple[_Shape, ...] = (
    ("area", (14, 46, 586, 46, 586, 354, 14, 354), "#f7f7f5"),
    ("area", (70, 120, 88, 120, 88, 340, 70, 340), "#c9c9c9"),
    ("area", (440, 90, 570, 90, 570, 330, 440, 330), "#a5a5a5"),
    ("label", (505, 205), "engine"),
    ("label", (300, 378), "drawing, demo (front of the vehicle: left)"),
)
_ARTICLES: dict[str, tuple[_Shape, ...]] = {
    "stock": (
        ("tube", (360, 190, 440, 190), _DUCT),
        ("tube", (30, 82, 190, 82, 190, 140), _DUCT),
        ("area", (150, 130, 360, 130, 360, 290, 150, 290), _BODY),
        ("line", (255, 140, 255, 280), _ELEMENT),
        ("label", (255, 312), "closed airbox"),
        ("label", (315, 82), "short inlet"),
    ),
    "open-cone": (
        ("tube", (330, 190, 440, 190), "#eeeeee"),
        ("area", (190, 168, 330, 130, 330, 250, 190, 212), _CONE),
        ("line", (205, 176, 318, 150), _ELEMENT),
        ("line", (205, 190, 318, 190), _ELEMENT),
        ("line", (205, 204, 318, 230), _ELEMENT),
        ("label", (262, 284), "cone element, no shield"),
        ("label", (380, 146), "tube"),
    ),
    "sealed-snorkel": (
        ("tube", (360, 190, 440, 190), _DUCT),
        ("tube", (30, 320, 190, 320, 190, 260), _DUCT),
        ("area", (150, 120, 360, 120, 360, 270, 150, 270), _BODY),
        ("frame", (164, 134, 346, 134, 346, 256, 164, 256), _EDGE),
        ("line", (255, 150, 255, 242), _ELEMENT),
        ("label", (275, 92), "sealed box, gasketed lid"),
        ("label", (315, 302), "external"),
        ("label", (315, 330), "snorkel"),
    ),
}


def drawing(article: str) -> bytes:
    """Return the drawing of a configuration, by its id, as PNG."""
    from PIL import Image, ImageDraw, ImageFont

    picture = Image.new("RGB", (_FINE * _SIZE[0], _FINE * _SIZE[1]), "white")
    pen, font = ImageDraw.Draw(picture), ImageFont.load_default(28 * _FINE)
    for kind, points, colour in _BAY + _ARTICLES[article]:
        at = [_FINE * value for value in points]
        if kind == "label":
            pen.text((at[0], at[1]), colour, fill="black", font=font, anchor="mm")
        elif kind == "area":
            pen.polygon(at, fill=colour, outline=_EDGE, width=3 * _FINE)
        elif kind == "frame":
            pen.polygon(at, outline=colour, width=2 * _FINE)
        elif kind == "line":
            pen.line(at, fill=colour, width=10 * _FINE)
        else:
            pen.line(at, fill=_EDGE, width=46 * _FINE, joint="curve")
            pen.line(at, fill=colour, width=40 * _FINE, joint="curve")
    file = io.BytesIO()
    picture.resize(_SIZE, Image.Resampling.LANCZOS).quantize(32).save(file, "PNG", optimize=True)
    return file.getvalue()
