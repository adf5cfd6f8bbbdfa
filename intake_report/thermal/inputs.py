"""From a cleaned run to what drives the model; a run that cannot be modelled is refused with the reason."""

from collections.abc import Sequence

import numpy as np

from intake_report.align.model import RoutePath
from intake_report.clean import CleanRun
from intake_report.clean.masks import RUNNING
from intake_report.messages import Message, Part, Value, message
from intake_report.metrics import RunSeries
from intake_report.thermal.fit import SETTLED
from intake_report.thermal.model import STEP, WIND_NEAR_GROUND, DriveInput, Floats

SHORTEST = 600.0  # s; several times what under-hood air and duct remember (own choice)
LONGEST_GAP = 60.0  # s without speed that is bridged
AFTER_START = 60.0  # s after the engine was off for which the reading is that of air that stood still
WARM = 90.0  # °C; coolant of a warm engine where it is not recorded (common practice)
LEAST_FLOW = 0.5  # g/s
USUAL_FLOW = (3.0, 0.6, 0.0, 0.0)  # g/s, g/s per m/s …; where airflow is not recorded (common practice, a compact car)
FINE = 0.1  # K; step of a reading that shows none
SLOW, FAST = 0.5, 60.0 / 3.6  # m/s; standing, and beyond city speeds
LEAST_STOPPED, LEAST_FAST = 60.0, 120.0  # s over the runs of a configuration


def drive_input(
    series: RunSeries,
    clean: CleanRun,
    path: RoutePath | None = None,
    wind: tuple[float, float] | None = None,
    shift: float = 0.0,
) -> tuple[DriveInput, tuple[Message, ...]] | Message:
    """Return a run as the model takes it, with what was assumed; or why it cannot be modelled.

    `series` and `clean` are the same run. `path`: reference path, from which the direction of travel, and so the head wind,
    follows. `wind`: speed at 10 m [m/s] and where it comes from [°]. `shift`: what is added to readings so that they stand for the
    middle of their step [K].
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
    channels: dict[str, Floats] = {"airflow": usual_airflow(moving), "coolant": np.full(time.shape, WARM)}
    for name, channel, assumed in (
        ("airflow", "maf", "from speed"),
        ("coolant", "coolant", Value(WARM, "temperature")),
    ):
        known = clean.samples(channel)
        if known[0].size > 1:
            channels[name] = np.interp(time, *known)
        else:
            template = "no {channel} recorded, taken {assumed}"
            notes.append(of_run(template, "channel-assumed", channel=name, assumed=assumed))
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
    reading = series.reading if series.reading.size == series.time.size else series.iat
    drive = DriveInput(
        run=series.run,
        configuration=series.configuration,
        block=series.block,
        time=time,
        speed=moving,
        airflow=np.maximum(channels["airflow"], LEAST_FLOW),
        coolant=channels["coolant"],
        ambient=np.interp(time, series.time, series.ambient),
        east=east,
        north=north,
        wind=against,
        wind_known=wind is not None and path is not None,
        reading_time=series.time[usable],
        reading=reading[usable] + shift,
        step=series.step or FINE,
        lag=series.lag or 5.0,
    )
    return drive, tuple(notes)


def usual_airflow(speed: Floats, law: Sequence[float] = USUAL_FLOW) -> Floats:
    """Return airflow [g/s] on a drive of speeds [m/s] every `STEP` by the four coefficients of `airflow_law`."""
    flow: Floats = np.maximum(_terms(speed) @ np.array(law), LEAST_FLOW)
    return flow


def _terms(speed: Floats) -> Floats:
    gain = np.maximum(np.gradient(speed, STEP), 0.0)
    return np.stack([np.ones(speed.shape), speed, speed * gain, speed**3 / 1000.0], axis=-1)


def airflow_law(drives: Sequence[DriveInput]) -> tuple[float, ...]:
    """Return how airflow follows speed in the runs: constant, with speed, with power to accelerate, with power of drag."""
    left = np.concatenate([_terms(drive.speed) for drive in drives])
    found = np.linalg.lstsq(left, np.concatenate([drive.airflow for drive in drives]), rcond=None)[0]
    return tuple(found.tolist())


def lacking(drives: Sequence[DriveInput]) -> Message | None:
    """Return what the runs of a configuration never did, without which no common drive can be foretold; None for nothing."""
    stopped = STEP * sum(float(np.sum(drive.speed < SLOW)) for drive in drives)
    fast = STEP * sum(float(np.sum(drive.speed > FAST)) for drive in drives)
    if stopped < LEAST_STOPPED:
        return message(
            "its runs stood still for {time} in all: heat soak is not known", "no-stops", time=Value(stopped, "time", 0)
        )
    if fast < LEAST_FAST:
        return message("its runs were faster than {speed} for {time} in all: what speed does is not known", "no-highway",
                       speed=Value(FAST * 3.6, "speed", 0), time=Value(fast, "time", 0))  # fmt: skip
    return None


def trace(run: str, time: Floats, speed: Floats, law: Sequence[float], ambient: float) -> DriveInput:
    """Return a drive of stated speeds [m/s] at times [s], calm air of one temperature [°C], engine warm."""
    grid = np.arange(float(time[0]), float(time[-1]) + 1e-9, STEP)
    moving = np.interp(grid, time, speed)
    calm = np.zeros(grid.shape)
    flow = usual_airflow(moving, law)
    return DriveInput(run, "", None, grid, moving, flow, calm + WARM, calm + ambient, calm, calm)
