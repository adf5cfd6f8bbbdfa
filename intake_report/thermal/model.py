"""The air at the intake sensor as a few first-order responses: under-hood air, duct, sensor element."""

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg.lapack import dtbtrs

Floats = NDArray[np.float64]
FLAT = 1e-6  # rate times step below which the series of a response is used: the quotient would lose digits

DIFFERENCE = 1e-4  # of a logarithm or of an effect's spread, for the derivatives
STEP = 2.0  # s; time step of the model: short against every response but the sensor's, which is exact in it


class Coefficient(NamedTuple):
    """One parameter of a configuration.

    `middle`, `spread`: its distribution before the data, log-normal (of a share: logit-normal), as median and standard deviation
    of the logarithm (logit); chosen on the demo's simulator. Values beyond three spreads are refused. `unit`, `meaning`: as the
    report prints them.
    """

    name: str
    middle: float
    spread: float
    unit: str
    meaning: str


COEFFICIENTS = (
    Coefficient("heat", 0.015, 0.7, "1/s", "rate at which the engine heats the under-hood air"),
    Coefficient("flush", 0.006, 0.7, "1/s", "rate at which ambient air flushes it at standstill"),
    Coefficient("flush_speed", 0.020, 0.7, "1/s per 10 m/s", "what speed through the air adds to that rate"),
    Coefficient("share_still", 0.5, 0.8, "", "share of under-hood air in the intake at standstill"),
    Coefficient("share_cruise", 0.02, 1.0, "", "share that is left at speed"),
    Coefficient("share_speed", 6.0, 0.4, "m/s", "speed through the air over which the share falls by 1/e"),
    Coefficient("wall", 0.030, 0.6, "1/s", "rate at which the duct's inner wall follows 10 g/s of air"),
    Coefficient("transfer", 1.0, 0.3, "", "transfer units from wall to air at 10 g/s"),
    Coefficient("bulk", 0.010, 0.7, "1/s", "rate at which the duct's bulk follows the air around it"),
    Coefficient("conduction", 0.008, 1.0, "1/s", "rate at which the inner wall follows the bulk"),
    Coefficient("exposed", 0.05, 1.0, "", "share of under-hood air around the duct that is left at speed"),
    Coefficient("held", 0.015, 0.7, "1/s", "rate at which under-hood air follows the parts around it"),
    Coefficient("parts", 0.0015, 0.5, "1/s", "rate at which these parts follow the air"),
)
"""Parameters of a configuration, in the order of every array of them."""
NAMES = tuple(c.name for c in COEFFICIENTS)
MIDDLE = np.array([np.log(c.middle / (1.0 - c.middle) if c.name == "share_still" else c.middle) for c in COEFFICIENTS])
SPREAD = np.array([c.spread for c in COEFFICIENTS])
SHARE = NAMES.index("share_still")

EFFECTS = ("heat", "flush_speed", "share_still", "east", "north", "bay", "duct")
"""What each run has of its own: factors on three parameters, wind [m/s], start of under-hood air and duct [K]."""
_BAY, _DUCT = 5, 6
START, START_DUCT = 15.0, 5.0  # K; under-hood air and duct above ambient at the start, before the data
EFFECT_SPREAD = np.array([0.10, 0.10, 0.05, 2.0, 2.0, 5.0, 4.0])  # before the data; own choice
NO_HEADING = 0.15  # spread of the share's factor where the heading, and so the head wind at a stop, is not known
WIND_NEAR_GROUND = 0.6  # of the wind at 10 m: logarithmic profile over open country (roughness 0.03 m) at 1 m
WIND_SPREAD = 0.7  # m/s; what a known wind leaves open near the ground (own choice)


@dataclass(frozen=True, eq=False)
class DriveInput:
    """What drives the model through one run or one common drive, every `STEP` [s].

    `time`, `speed`, `airflow`, `coolant`, `ambient` (n,): elapsed time [s], vehicle speed [m/s], airflow [g/s], temperatures [°C].
    `east`, `north` (n,): direction of travel as a unit vector; zeros where it is not known: then no wind acts. `wind` (2,): where
    the air near the ground goes against the vehicle, to the east and north [m/s], as far as known; `wind_known`: whether a weather
    source gave it. `reading_time`, `reading` (k,): readings to fit [s, °C], the middle of their `step` [K]; empty on a common
    drive. `lag`: time constant of the sensor's element at 10 g/s [s].
    """

    run: str
    configuration: str
    block: str | None
    time: Floats
    speed: Floats
    airflow: Floats
    coolant: Floats
    ambient: Floats
    east: Floats
    north: Floats
    wind: Floats = field(default_factory=lambda: np.zeros(2))
    wind_known: bool = False
    reading_time: Floats = field(default_factory=lambda: np.empty(0))
    reading: Floats = field(default_factory=lambda: np.empty(0))
    step: float = 1.0
    lag: float = 5.0

    @property
    def heading_known(self) -> bool:
        """Whether the direction of travel is known anywhere."""
        return bool(np.any(self.east) or np.any(self.north))

    @property
    def expected(self) -> Floats:
        """Effects of the run before its data, (7,): none, wind as known."""
        return np.array([0.0, 0.0, 0.0, *self.wind, START, START_DUCT])

    @property
    def spread(self) -> Floats:
        """Standard deviation of the effects before the data, (7,)."""
        spread = EFFECT_SPREAD.copy()
        if self.wind_known:
            spread[3:5] = WIND_SPREAD
        if not self.heading_known:
            spread[2] = NO_HEADING
        return spread


def natural(shape: Floats) -> Floats:
    """Return parameters in their units from their logarithms (logit of the share at standstill), (..., 13)."""
    values = np.exp(shape)
    values[..., SHARE] = 1.0 / (1.0 + np.exp(-shape[..., SHARE]))
    return values


def respond(rate: ArrayLike, target: ArrayLike, start: ArrayLike, step: ArrayLike) -> Floats:
    """Return x with dx/dt = rate·(target − x), sample by sample, (..., n).

    `rate` (..., n): rates [1/s], not negative, at the samples; constant within a step at the mean of its two ends. `target` (..., n):
    targets at the samples, straight between them; the unit of x. `start` (...): first value. `step`: time between samples [s],
    one or (n − 1,); may differ from step to step.

    With k = rate·step, a = exp(−k) and m = (1 − a)/k a step maps x to a·x + (m − a)·u₀ + (1 − m)·u₁: the solution of the
    linear equation, stable for any step. All steps are one triangular band system, solved by LAPACK (dtbtrs).
    """
    rates, targets = np.broadcast_arrays(np.asarray(rate, dtype=np.float64), np.asarray(target, dtype=np.float64))
    k = 0.5 * (rates[..., 1:] + rates[..., :-1]) * step
    kept = np.exp(-k)
    mean = np.where(k < FLAT, 1.0 - 0.5 * k, -np.expm1(-k) / np.maximum(k, FLAT))
    right = np.empty((*targets.shape, 1))
    right[..., 0, 0] = start
    right[..., 1:, 0] = (mean - kept) * targets[..., :-1] + (1.0 - mean) * targets[..., 1:]
    band = np.ones((*targets.shape, 2))
    band[..., :-1, 1] = -kept
    band[..., -1, 1] = 0.0  # one series ends here: the next begins anew
    solved, _ = dtbtrs(band.reshape(-1, 2).T, right.reshape(-1, 1), uplo="L", diag="U", overwrite_b=1)
    return np.asarray(solved).reshape(targets.shape)


def over_ambient(shape: Floats, effects: Floats, drive: DriveInput) -> dict[str, Floats]:
    """Return temperatures above ambient [K] along a drive of n steps, (..., n) each.

    `shape` (..., 13): logarithms of `COEFFICIENTS`; `effects` (..., 7): `EFFECTS` of the run. Returns "bay" under-hood air, "drawn"
    air at the inlet, "air" at the sensor, "element" of the sensor.

    Notes
    -----
    Own model, lumped capacitances throughout: heat from the coolant's temperature, flushing linear in speed through the
    air, parts of the bay that follow slowly and hold under-hood air warm (they follow what it would be without them, so that
    the responses stay a cascade), the share of under-hood air falling exponentially with speed, turbulent transfer in the
    duct (as airflow to the power 0.8, so transfer units as its power −0.2), a sensor whose rate goes with the root of airflow
    (common practice). Valid for a warm engine; ambient may change slowly against the responses. Every temperature lies
    between ambient and coolant, the air at the sensor between ambient and under-hood air that is or was.
    """
    own = shape.copy()
    own[..., [NAMES.index(name) for name in EFFECTS[:3]]] += effects[..., :3]
    values = np.moveaxis(natural(own), -1, 0)[..., None]
    heat, flush, flush_speed, share_still, share_cruise, share_speed = values[:6]
    wall, transfer, bulk, conduction, exposed, held, parts = values[6:]
    wind = effects[..., 3:4] * drive.east + effects[..., 4:5] * drive.north
    through = np.abs(drive.speed + wind)
    rate = heat + flush + flush_speed * through / 10.0
    heated = heat * (drive.coolant - drive.ambient)
    metal = respond(parts, heated / rate, effects[..., _BAY], STEP)
    bay = respond(rate + held, (heated + held * metal) / (rate + held), effects[..., _BAY], STEP)
    still = np.exp(-through / share_speed)
    drawn = (share_cruise * (1.0 - still) + share_still * still) * bay
    outside = bay * (exposed + (1.0 - exposed) * np.sqrt(still))  # the ram stream washes the duct less than the inlet
    start = effects[..., _DUCT]
    core = respond(bulk, outside, start, STEP)
    passed = -np.expm1(-transfer * (drive.airflow / 10.0) ** -0.2)
    follow = wall * drive.airflow / 10.0 * passed
    rate = follow + conduction
    surface = respond(rate, (follow * drawn + conduction * core) / rate, start, STEP)
    air = drawn + (surface - drawn) * passed
    element = respond(np.sqrt(drive.airflow / 10.0) / drive.lag, air, air[..., 0], STEP)
    return {"bay": bay, "drawn": drawn, "air": air, "element": element}


def element(shape: Floats, effects: Floats, drive: DriveInput) -> Floats:
    """Return the temperature of the sensor's element [°C], (..., n); see `over_ambient`."""
    return over_ambient(shape, effects, drive)["element"] + drive.ambient


def sensitivity(shape: Floats, effects: Floats, drive: DriveInput) -> tuple[Floats, Floats]:
    """Return the temperature of the element [°C], (n,), and its derivatives by shape and effects, (13 + 7, n)."""
    at = np.concatenate([shape, effects])
    moves = DIFFERENCE * np.concatenate([np.ones(shape.size), drive.spread])
    moved = at + np.vstack([np.zeros(at.size), np.diag(moves)])
    found = element(moved[:, : shape.size], moved[:, shape.size :], drive)
    return found[0], (found[1:] - found[0]) / moves[:, None]


def at_times(values: Floats, grid: Floats, time: Floats) -> Floats:
    """Interpolate (..., n) on an even grid at times inside it, (k,)."""
    place = np.clip((time - grid[0]) / (grid[1] - grid[0]), 0.0, grid.size - 1.000001)
    index = place.astype(np.intp)
    share = place - index
    result: Floats = values[..., index] * (1.0 - share) + values[..., index + 1] * share
    return result
