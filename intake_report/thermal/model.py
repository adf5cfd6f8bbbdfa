"""The air at the intake sensor as a few first-order responses (under-hood air, duct, sensor), and what drives them."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg.lapack import dtbtrs

from intake_report.align.model import RoutePath
from intake_report.clean import CleanRun
from intake_report.clean.masks import RUNNING
from intake_report.messages import Message, Part, Value, message
from intake_report.metrics import RunSeries

Floats = NDArray[np.float64]
Wind = tuple[float, float]  # speed at 10 m [m/s] and where it comes from [°]
FLAT = 1e-6  # rate times step below which the series of a response is used: the quotient would lose digits
DIFFERENCE = 1e-4  # of a logarithm or of an effect's spread, for the derivatives
STEP = 2.0  # s; time step of the model: short against every response but the sensor's, which is exact in it
SETTLED = 300.0  # s after which a start state is forgotten (own choice)
SHORTEST = 600.0  # s; several times what under-hood air and duct remember (own choice)
LONGEST_GAP = 60.0  # s without speed that is bridged
AFTER_START = 60.0  # s after the engine was off for which the reading is that of air that stood still
WARM = 90.0  # °C; coolant of a warm engine where it is not recorded (common practice)
LEAST_FLOW = 0.5  # g/s
USUAL_FLOW = (3.0, 0.6, 0.0, 0.0)  # g/s, g/s per m/s …; where airflow is not recorded (common practice, a compact car)
FINE = 0.1  # K; step of a reading that shows none
SLOW, FAST = 0.5, 60.0 / 3.6  # m/s; standing, and beyond city speeds
LEAST_STOPPED, LEAST_FAST = 60.0, 120.0  # s over the runs of a configuration


class Coefficient(NamedTuple):
    """One parameter of a configuration; its distribution before the data was chosen on the demo's simulator."""

    name: str
    middle: float  # median of that distribution, log-normal (of a share: logit-normal)
    spread: float  # standard deviation of the logarithm (logit); values beyond three of it are refused
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
    """What drives the model through one run or one common drive, every `STEP` [s]."""

    run: str
    configuration: str
    block: str | None
    time: Floats  # (n,) as all down to `north`: elapsed [s]
    speed: Floats  # of the vehicle [m/s]
    airflow: Floats  # [g/s]
    coolant: Floats  # [°C]
    ambient: Floats  # [°C]
    east: Floats  # east, north: direction of travel as a unit vector; zeros where it is not known: then no wind acts
    north: Floats
    # (2,): where the air near the ground goes against the vehicle, to the east and north [m/s]
    wind: Floats = field(default_factory=lambda: np.zeros(2))
    wind_known: bool = False  # by a weather source
    # reading_time, reading (k,): readings to fit [s], middle of their step [°C]; empty on a common drive
    reading_time: Floats = field(default_factory=lambda: np.empty(0))
    reading: Floats = field(default_factory=lambda: np.empty(0))
    step: float = 1.0  # [K]
    lag: float = 5.0  # time constant of the sensor's element at 10 g/s [s]

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

    `rate` (..., n): rates [1/s], not negative, constant within a step at the mean of its two ends. `target` (..., n): straight
    between samples; the unit of x. `start` (...): first value. `step`: time between samples [s], one or (n − 1,).

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

    `shape` (..., 13): logarithms of `COEFFICIENTS`; `effects` (..., 7): `EFFECTS` of the run. Returns "bay" under-hood air,
    "drawn" air at the inlet, "air" at the sensor, "element" of the sensor.

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
    through = np.abs(drive.speed + (effects[..., 3:4] * drive.east + effects[..., 4:5] * drive.north))
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
    air = drawn + (respond(rate, (follow * drawn + conduction * core) / rate, start, STEP) - drawn) * passed
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


def drive_input(
    series: RunSeries, clean: CleanRun, path: RoutePath | None = None, wind: Wind | None = None, shift: float = 0.0
) -> tuple[DriveInput, tuple[Message, ...]] | Message:
    """Return a run, `series` and `clean`, as the model takes it, with what was assumed; or why it cannot be modelled.

    `path`: reference path, from which the direction of travel, and so the head wind, follows. `shift`: what is added to
    readings so that they stand for the middle of their step [K].
    """

    def of_run(text: str, code: str, **values: Part) -> Message:
        return message("{run}: " + text, code, run=series.run, **values)

    if series.ambient is None:
        return of_run("without an ambient temperature nothing can be modelled", "no-ambient")
    at, speed = clean.samples("speed")
    if at.size < 2 or series.time.size < 2:
        return of_run("speed or intake air temperature is missing", "no-channel")
    first, last = max(at[0], series.time[0]), min(at[-1], series.time[-1])
    if last - first < SHORTEST:
        lengths = {"length": Value(max(last - first, 0.0), "time", 0), "least": Value(SHORTEST, "time", 0)}
        return of_run("{length} are shorter than the model's memory, {least} are needed", "short-run", **lengths)
    inside = at[(at >= first) & (at <= last)]
    if inside.size < 2 or np.diff(inside).max() > LONGEST_GAP:
        return of_run("speed is missing for more than a minute", "speed-gap")
    time = np.arange(first, last + 1e-9, STEP)
    moving, notes = np.interp(time, at, speed) / 3.6, []
    channels = {"airflow": usual_airflow(moving), "coolant": np.full(time.shape, WARM)}
    for name, channel, taken in (("airflow", "maf", "from speed"), ("coolant", "coolant", Value(WARM, "temperature"))):
        known = clean.samples(channel)
        if known[0].size > 1:
            channels[name] = np.interp(time, *known)
        else:
            told = {"channel": name, "assumed": taken}
            notes.append(of_run("no {channel} recorded, taken {assumed}", "channel-assumed", **told))
    east = north = np.zeros(time.shape)
    if path is not None:
        where = np.interp(time, series.time, series.distance)
        east, north = (np.interp(where, path.s, np.gradient(along, path.s)) for along in (path.x, path.y))
        length = np.maximum(np.hypot(east, north), 1e-9)
        east, north = east / length, north / length
    strength, origin = wind or (0.0, 0.0)
    towards = np.radians(origin)  # wind from there goes against a vehicle that goes there
    against = np.array([np.sin(towards), np.cos(towards)]) * WIND_NEAR_GROUND * strength
    # neither in a stop of the engine nor just after one: the sensor then shows standing air
    rpm_at, rpm = clean.samples("rpm")
    off = rpm_at[rpm < RUNNING]
    since = series.time - np.append(-np.inf, off)[np.searchsorted(off, series.time, "right")]
    usable = (since > AFTER_START) & (series.time >= first) & (series.time <= last)
    if not np.any(series.time[usable] >= first + SETTLED):
        return of_run("no reading is left beside the stops of the engine", "no-reading")
    reading = (series.reading if series.reading.size == series.time.size else series.iat)[usable] + shift
    drive = DriveInput(
        run=series.run, configuration=series.configuration, block=series.block, time=time, speed=moving,
        airflow=np.maximum(channels["airflow"], LEAST_FLOW), coolant=channels["coolant"],
        ambient=np.interp(time, series.time, series.ambient), east=east, north=north, wind=against,
        wind_known=wind is not None and path is not None, reading_time=series.time[usable], reading=reading,
        step=series.step or FINE, lag=series.lag or 5.0,
    )  # fmt: skip
    return drive, tuple(notes)


def usual_airflow(speed: Floats, law: Sequence[float] = USUAL_FLOW) -> Floats:
    """Return airflow [g/s] on a drive of speeds [m/s] every `STEP` by the four coefficients of `airflow_law`."""
    return np.asarray(np.maximum(_terms(speed) @ np.array(law), LEAST_FLOW))


def _terms(speed: Floats) -> Floats:
    gain = np.maximum(np.gradient(speed, STEP), 0.0)
    return np.stack([np.ones(speed.shape), speed, speed * gain, speed**3 / 1000.0], axis=-1)


def airflow_law(drives: Sequence[DriveInput]) -> tuple[float, ...]:
    """Return how airflow follows speed in the runs: constant, with speed, with power to accelerate, with power of drag."""
    left = np.concatenate([_terms(drive.speed) for drive in drives])
    return tuple(np.linalg.lstsq(left, np.concatenate([drive.airflow for drive in drives]), rcond=None)[0].tolist())


def lacking(drives: Sequence[DriveInput]) -> Message | None:
    """Return what the runs of a configuration never did, without which no common drive can be foretold; None for nothing."""
    stopped = STEP * sum(float(np.sum(drive.speed < SLOW)) for drive in drives)
    fast = STEP * sum(float(np.sum(drive.speed > FAST)) for drive in drives)
    if stopped < LEAST_STOPPED:
        text = "its runs stood still for {time} in all: heat soak is not known"
        return message(text, "no-stops", time=Value(stopped, "time", 0))
    if fast < LEAST_FAST:
        text = "its runs were faster than {speed} for {time} in all: what speed does is not known"
        return message(text, "no-highway", speed=Value(FAST * 3.6, "speed", 0), time=Value(fast, "time", 0))
    return None


def trace(run: str, time: Floats, speed: Floats, law: Sequence[float], ambient: float) -> DriveInput:
    """Return a drive of stated speeds [m/s] at times [s], calm air of one temperature [°C], engine warm."""
    grid = np.arange(float(time[0]), float(time[-1]) + 1e-9, STEP)
    moving = np.interp(grid, time, speed)
    calm = np.zeros(grid.shape)
    flow, warm = usual_airflow(moving, law), calm + WARM
    return DriveInput(run, "", None, grid, moving, flow, warm, calm + ambient, calm, calm)
