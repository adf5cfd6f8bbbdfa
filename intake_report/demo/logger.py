"""The logger: channels polled in turn, the last value repeated on every row, a row each tenth of a second.

What a low-priced adapter with a phone does to the truth: each channel is refreshed about once a second although the
file has ten rows a second; answers fail now and then; the recording has gaps; the position drops out.
"""

import gzip
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from intake_report.demo.scenario import Array, Units
from intake_report.demo.simulate import SPEED_SCALE, SimulatedRun

Rows = NDArray[np.int64]
ELAPSED_HEADER, CLOCK_HEADER = "Time (s)", "Device Time"
_GAPS, _DROPOUTS = 2, 1  # recording gaps (2–7 s) and position dropouts (12–35 s) of a log
_MISSED = 0.004  # share of answers that do not come


class LogColumn(NamedTuple):
    """A column of the log in one unit system."""

    title: str
    unit: str  # printed in the header
    spelling: str  # of the unit in the column mapping
    decimals: int
    convert: Callable[[Array], Array] = lambda values: values  # from the internal unit

    @property
    def header(self) -> str:
        """As the file has it."""
        return f"{self.title} ({self.unit})"


_SI = {
    "rpm": LogColumn("Engine RPM", "rpm", "rpm", 0),
    "speed": LogColumn("Vehicle Speed", "km/h", "km/h", 0),
    "iat": LogColumn("Intake Air Temperature", "°C", "degC", 0),
    "maf": LogColumn("Mass Air Flow", "g/s", "g/s", 2),
    "map": LogColumn("Manifold Absolute Pressure", "kPa", "kPa", 0),
    "throttle": LogColumn("Throttle Position", "%", "%", 1),
    "load": LogColumn("Engine Load", "%", "%", 1),
    "timing": LogColumn("Timing Advance", "°", "deg", 1),
    "coolant": LogColumn("Coolant Temperature", "°C", "degC", 0),
    "ambient": LogColumn("Ambient Air Temperature", "°C", "degC", 0),
    "latitude": LogColumn("Latitude", "°", "deg", 6),
    "longitude": LogColumn("Longitude", "°", "deg", 6),
    "gps_speed": LogColumn("GPS Speed", "km/h", "km/h", 1),
}
_US: dict[str, tuple[str, str, int, Callable[[Array], Array]]] = {
    "km/h": ("mph", "mph", 1, lambda values: values / 1.609344),
    "°C": ("°F", "degF", 1, lambda values: values * 1.8 + 32.0),
    "kPa": ("inHg", "inHg", 2, lambda values: values / 3.386388640341),
}
# channel → column
COLUMNS: dict[Units, dict[str, LogColumn]] = {
    "si": _SI, "us": {name: LogColumn(c.title, *_US.get(c.unit, c[1:])) for name, c in _SI.items()}
}  # fmt: skip
POSITION = ("latitude", "longitude", "gps_speed")
POLLED = tuple(name for name in _SI if name not in POSITION)
LogTable = dict[str, list[str]]  # header → cell texts; time first


def packed(table: LogTable) -> bytes:
    """Return the table as delimited text, compressed so that equal input gives equal bytes on one zlib version (no time)."""
    text = "\n".join(",".join(row) for row in (table, *zip(*table.values(), strict=True))) + "\n"
    return gzip.compress(text.encode("utf-8"), compresslevel=9, mtime=0)


def column_mapping(units: Units) -> dict[str, str]:
    """Return header → "channel [unit]" for every column but time."""
    return {column.header: f"{name} [{column.spelling}]" for name, column in COLUMNS[units].items()}


def quantise(values: Array, mode: str = "floor", step: float = 1.0) -> Array:
    """Return what the control unit sends, in whole steps (NaN stays); units differ in "floor" or "round" and do not say."""
    return step * (np.floor if mode == "floor" else np.round)(values / step)


def control_unit(run: SimulatedRun, rounding: str, rng: np.random.Generator) -> dict[str, Array]:
    """Return what the control unit offers at every instant, (t,) each, in its own steps; fast channels flutter."""
    percent = 100.0 / 255.0

    def flutter(size: float) -> Array:
        return size * rng.standard_normal(len(run.time))

    return {
        "rpm": quantise(np.maximum(run.rpm + flutter(7.0), 0.0), "floor", 0.25),
        "speed": quantise(run.speed * SPEED_SCALE, "round", 1.0),
        "iat": quantise(run.sensor_element, rounding),
        "maf": quantise(run.airflow * (1.0 + flutter(0.012)), "round", 0.01),
        "map": quantise(run.manifold_pressure + flutter(0.4), "round", 1.0),
        "throttle": quantise(np.clip(run.throttle + flutter(0.15), 0.0, 100.0), "round", percent),
        "load": quantise(np.clip(run.load + flutter(0.4), 0.0, 100.0), "round", percent),
        "timing": quantise(run.spark_advance + flutter(0.3), "round", 0.5),
        "coolant": quantise(run.coolant, rounding),
        "ambient": quantise(run.ambient_element, rounding),
    }


def log_run(
    run: SimulatedRun, seed: int | np.random.Generator, *, units: Units = "si", rounding: str = "floor",
    clock: ZoneInfo | None = None,
) -> LogTable:  # fmt: skip
    """Record a run as the logger does, a row each step; with `clock` in that zone, not in elapsed time."""
    rng = np.random.default_rng(seed)
    n, width, columns = len(run.time), len(POLLED), COLUMNS[units]
    offered, cells = control_unit(run, rounding, rng), {}
    offset = int(rng.integers(width))
    for k, name in enumerate(POLLED):
        at = np.arange((k - offset) % width, n, width)
        at = at[rng.random(len(at)) > _MISSED]
        cells[name] = _repeat(offered[name][at], at, n, columns[name])
    fix, readings = _position(run, rng)
    blank = ~_outside(run.time, rng, _DROPOUTS, (0.1, 0.9), (12.0, 35.0))
    for name in POSITION:
        texts = _repeat(readings[name], fix, n, columns[name])
        cells[name] = ["" if b else c for b, c in zip(blank.tolist(), texts, strict=True)]
    rows = np.flatnonzero(_outside(run.time, rng, _GAPS, (0.05, 0.95), (2.0, 7.0)))
    times = {ELAPSED_HEADER: [f"{t:.1f}" for t in run.time[rows].tolist()]}
    if clock is not None:
        tenths = np.round(run.time[rows] * 10.0).astype(np.int64).tolist()
        moments = ((start_time(run) + timedelta(milliseconds=100 * t)).astimezone(clock) for t in tenths)
        times = {CLOCK_HEADER: [f"{at:%Y-%m-%d %H:%M:%S}.{at.microsecond // 100000}" for at in moments]}
    return times | {columns[name].header: [texts[i] for i in rows.tolist()] for name, texts in cells.items()}


def start_time(run: SimulatedRun) -> datetime:
    """Return when the log starts (UTC), to the second."""
    return run.day.date.astimezone(UTC) + timedelta(seconds=round(run.plan.start * 3600.0))


def _outside(
    time: Array, rng: np.random.Generator, count: int, place: tuple[float, float], length: tuple[float, float]
) -> NDArray[np.bool_]:
    """Return which times lie outside `count` random stretches: begin as share of the run, length [s]."""
    outside = np.ones(len(time), dtype=bool)
    for _ in range(count):
        start = rng.uniform(*place) * time[-1]
        outside &= ~((time >= start) & (time < start + rng.uniform(*length)))
    return outside


def _repeat(values: Array, at: Rows, n: int, column: LogColumn) -> list[str]:
    """Return n cell texts: each value from its row on until the next, nothing before the first."""
    cells = [""] * n
    for value, a, b in zip((column.convert(values) + 0.0).tolist(), at.tolist(), [*at[1:].tolist(), n], strict=True):
        cells[a:b] = [f"{value:.{column.decimals}f}"] * (b - a)
    return cells


def _position(run: SimulatedRun, rng: np.random.Generator) -> tuple[Rows, dict[str, Array]]:
    """Return rows of the fixes (1 Hz) and what the receiver reports, 0.3 s late and metres off."""
    every = max(1, round(1.0 / run.step))
    fix = np.arange(int(rng.integers(every)), len(run.time), every)
    count = len(fix)
    seen = run.time[fix] - 0.3
    s, v = np.interp(seen, run.time, run.distance), np.interp(seen, run.time, run.speed)
    # slow drift of the fix, plus a little noise
    drift, noise = rng.standard_normal((2, 2, count)).swapaxes(0, 1)
    east, north = 2.2 * lfilter([0.222], [1.0, -0.975], drift) + 0.35 * noise
    heading = np.interp(s, run.route.distance, run.route.heading)
    along, across = east * np.cos(heading) + north * np.sin(heading), north * np.cos(heading) - east * np.sin(heading)
    latitude, longitude = run.route.position(np.clip(s + along, 0.0, run.route.length), across)
    speed = np.maximum(v + 0.25 * rng.standard_normal(count), 0.0)
    return fix, {"latitude": latitude, "longitude": longitude, "gps_speed": np.where(v < 0.5, 0.0, speed)}
