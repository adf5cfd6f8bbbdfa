"""The logger: channels polled in turn, the last value repeated on every row, a row each tenth of a second.

What a low-priced adapter with a phone does to the truth: each channel is refreshed about once a second although the
file has ten rows a second; answers fail now and then; the recording has gaps; the position drops out.
"""

from __future__ import annotations

import gzip
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from intake_report.demo.route import Array
from intake_report.demo.simulate import SPEED_SCALE, SimulatedRun, quantise

Rows = NDArray[np.int64]
Units = Literal["si", "us"]


@dataclass(frozen=True)
class Sensor:
    """One column of the log.

    Attributes
    ----------
    channel : str
        Channel name of the package's catalogue.
    header, unit, decimals : dict by "si" or "us"
        What the file says, unit spelling for the column mapping, and decimals written.
    convert : dict by "si" or "us"
        From the internal unit to the written one.
    """

    channel: str
    header: dict[Units, str]
    unit: dict[Units, str]
    decimals: dict[Units, int]
    convert: dict[Units, Callable[[Array], Array]]


def _same(values: Array) -> Array:
    return values


def _fahrenheit(values: Array) -> Array:
    return values * 1.8 + 32.0


def _mph(values: Array) -> Array:
    return values / 1.609344


def _inch_mercury(values: Array) -> Array:
    return values / 3.386388640341


def _sensor(
    channel: str,
    si: tuple[str, str, int],
    us: tuple[str, str, int] | None = None,
    convert: Callable[[Array], Array] = _same,
) -> Sensor:
    us = us or si
    return Sensor(
        channel,
        {"si": si[0], "us": us[0]},
        {"si": si[1], "us": us[1]},
        {"si": si[2], "us": us[2]},
        {"si": _same, "us": convert},
    )


POLLED: tuple[Sensor, ...] = (
    _sensor("rpm", ("Engine RPM (rpm)", "rpm", 0)),
    _sensor("speed", ("Vehicle Speed (km/h)", "km/h", 0), ("Vehicle Speed (mph)", "mph", 1), _mph),
    _sensor(
        "iat",
        ("Intake Air Temperature (°C)", "degC", 0),
        ("Intake Air Temperature (°F)", "degF", 1),
        _fahrenheit,
    ),
    _sensor("maf", ("Mass Air Flow (g/s)", "g/s", 2)),
    _sensor(
        "map",
        ("Manifold Absolute Pressure (kPa)", "kPa", 0),
        ("Manifold Absolute Pressure (inHg)", "inHg", 2),
        _inch_mercury,
    ),
    _sensor("throttle", ("Throttle Position (%)", "%", 1)),
    _sensor("load", ("Engine Load (%)", "%", 1)),
    _sensor("timing", ("Timing Advance (°)", "deg", 1)),
    _sensor("coolant", ("Coolant Temperature (°C)", "degC", 0), ("Coolant Temperature (°F)", "degF", 1), _fahrenheit),
    _sensor(
        "ambient",
        ("Ambient Air Temperature (°C)", "degC", 0),
        ("Ambient Air Temperature (°F)", "degF", 1),
        _fahrenheit,
    ),
)

POSITION: tuple[Sensor, ...] = (
    _sensor("latitude", ("Latitude (°)", "deg", 6)),
    _sensor("longitude", ("Longitude (°)", "deg", 6)),
    _sensor("gps_speed", ("GPS Speed (km/h)", "km/h", 1), ("GPS Speed (mph)", "mph", 1), _mph),
)

ELAPSED_HEADER, CLOCK_HEADER = "Time (s)", "Device Time"


@dataclass(frozen=True)
class LogTable:
    """What the logger wrote.

    Attributes
    ----------
    headers : tuple of str
        Column titles, time first.
    columns : tuple of list of str
        Cell texts, one list per column.
    rows : array, (r,)
        True elapsed time of each row [s].
    refreshed : dict
        Channel → row numbers at which it was really sampled.
    start : datetime
        Start of the log (UTC).
    """

    headers: tuple[str, ...]
    columns: tuple[list[str], ...]
    rows: Array
    refreshed: dict[str, Rows]
    start: datetime


def column_mapping(units: Units) -> dict[str, str]:
    """Return header → "channel [unit]" for every column but time."""
    return {s.header[units]: f"{s.channel} [{s.unit[units]}]" for s in (*POLLED, *POSITION)}


def control_unit(
    run: SimulatedRun, rounding: str = "floor", rng: np.random.Generator | None = None
) -> dict[str, Array]:
    """Return what the vehicle's control unit offers at every instant: channels in its own steps, (t,) each.

    Parameters
    ----------
    run
        The run.
    rounding : {"floor", "round"}
        How temperatures are brought to whole °C.
    rng : numpy Generator, optional
        Source of the flutter of the fast channels (idle speed, pulsating flow); none without it. Temperatures and
        vehicle speed do not flutter.
    """
    percent = 100.0 / 255.0
    n = len(run.time)

    def flutter(size: float) -> Array:
        return np.zeros(n) if rng is None else size * rng.standard_normal(n)

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
    run: SimulatedRun,
    seed: int | np.random.Generator,
    *,
    units: Units = "si",
    rounding: str = "floor",
    clock: ZoneInfo | None = None,
    gaps: int = 2,
    dropouts: int = 1,
) -> LogTable:
    """Record a run as the logger does.

    Parameters
    ----------
    run
        A full simulation (its `step` is the row interval).
    seed : int or numpy Generator
        Source of missed answers, gaps and position noise.
    units : {"si", "us"}
        Units of the file.
    rounding : {"floor", "round"}
        How the control unit brings temperatures to whole °C.
    clock : ZoneInfo, optional
        Write local date and time in this zone instead of elapsed seconds.
    gaps, dropouts : int
        Number of recording gaps (2–7 s) and of position dropouts (12–35 s).
    """
    rng = np.random.default_rng(seed)
    n = len(run.time)
    offered = control_unit(run, rounding, rng)
    width = len(POLLED)
    headers, columns, refreshed = [], [], {}
    offset = int(rng.integers(width))
    for k, sensor in enumerate(POLLED):
        at = np.arange((k - offset) % width, n, width)
        at = at[rng.random(len(at)) > 0.004]  # an answer that did not come
        values = sensor.convert[units](offered[sensor.channel][at])
        columns.append(_repeat(values, at, n, sensor.decimals[units]))
        headers.append(sensor.header[units])
        refreshed[sensor.channel] = at
    fix, readings = _position(run, rng)
    blank = np.zeros(n, dtype=bool)
    for _ in range(dropouts):
        start = rng.uniform(0.1, 0.9) * run.time[-1]
        blank |= (run.time >= start) & (run.time < start + rng.uniform(12.0, 35.0))
    for sensor in POSITION:
        cells = _repeat(sensor.convert[units](readings[sensor.channel]), fix, n, sensor.decimals[units])
        columns.append(["" if b else c for b, c in zip(blank.tolist(), cells, strict=True)])
        headers.append(sensor.header[units])
        refreshed[sensor.channel] = fix[~blank[fix]]
    keep = np.ones(n, dtype=bool)
    for _ in range(gaps):
        start = rng.uniform(0.05, 0.95) * run.time[-1]
        keep &= ~((run.time >= start) & (run.time < start + rng.uniform(2.0, 7.0)))
    rows = np.flatnonzero(keep)
    begin = start_time(run)
    time = run.time[rows]
    first = _elapsed(time) if clock is None else _clock(begin, time, clock)
    position = np.cumsum(keep) - 1
    return LogTable(
        headers=(ELAPSED_HEADER if clock is None else CLOCK_HEADER, *headers),
        columns=(first, *([c[i] for i in rows.tolist()] for c in columns)),
        rows=time,
        refreshed={name: position[at[keep[at]]] for name, at in refreshed.items()},
        start=begin,
    )


def start_time(run: SimulatedRun) -> datetime:
    """Return when the log starts (UTC), to the second."""
    return run.day.date.astimezone(UTC) + timedelta(seconds=round(run.plan.start * 3600.0))


def _elapsed(time: Array) -> list[str]:
    return [f"{t:.1f}" for t in time.tolist()]


def _clock(begin: datetime, time: Array, zone: ZoneInfo) -> list[str]:
    out = []
    for tenths in np.round(time * 10.0).astype(np.int64).tolist():
        moment = (begin + timedelta(milliseconds=100 * tenths)).astimezone(zone)
        out.append(f"{moment:%Y-%m-%d %H:%M:%S}.{moment.microsecond // 100000}")
    return out


def _repeat(values: Array, at: Rows, n: int, decimals: int) -> list[str]:
    """Return n cell texts: each value from its row on until the next, nothing before the first."""
    texts = [f"{v:.{decimals}f}" for v in (values + 0.0).tolist()]
    cells = [""] * n
    ends = [*at[1:].tolist(), n]
    for text, a, b in zip(texts, at.tolist(), ends, strict=True):
        cells[a:b] = [text] * (b - a)
    return cells


def _position(run: SimulatedRun, rng: np.random.Generator) -> tuple[Rows, dict[str, Array]]:
    """Return rows of the fixes (1 Hz) and what the receiver reports, 0.3 s late and metres off."""
    every = max(1, round(1.0 / run.step))
    fix = np.arange(int(rng.integers(every)), len(run.time), every)
    count = len(fix)
    seen = run.time[fix] - 0.3
    s, v = np.interp(seen, run.time, run.distance), np.interp(seen, run.time, run.speed)
    errors = []
    for _ in range(2):  # slow drift of the fix, plus a little noise
        shocks, value, series = rng.standard_normal(count), 0.0, np.empty(count)
        for i, shock in enumerate(shocks.tolist()):
            value = 0.975 * value + 0.222 * shock
            series[i] = 2.2 * value
        errors.append(series + 0.35 * rng.standard_normal(count))
    heading = np.interp(s, run.route.distance, run.route.heading)
    # errors are in east and north; turn them into the path's frame, along and across
    along = errors[0] * np.cos(heading) + errors[1] * np.sin(heading)
    across = -errors[0] * np.sin(heading) + errors[1] * np.cos(heading)
    latitude, longitude = run.route.position(np.clip(s + along, 0.0, run.route.length), across)
    speed = np.maximum(v + 0.25 * rng.standard_normal(count), 0.0)
    return fix, {"latitude": latitude, "longitude": longitude, "gps_speed": np.where(v < 0.5, 0.0, speed)}


def log_text(table: LogTable) -> str:
    """Return the table as delimited text with a header line."""
    lines = [",".join(table.headers)]
    lines += [",".join(row) for row in zip(*table.columns, strict=True)]
    return "\n".join(lines) + "\n"


def write_log(table: LogTable, path: Path) -> Path:
    """Write the table as UTF-8 text; packed, with no time or name inside, where the name ends in `.gz`."""
    path.parent.mkdir(parents=True, exist_ok=True)
    data = log_text(table).encode("utf-8")
    path.write_bytes(pack(data) if path.suffix == ".gz" else data)
    return path


def pack(data: bytes) -> bytes:
    """Compress so that equal input gives equal bytes on one zlib version (no time, no name)."""
    return gzip.compress(data, compresslevel=9, mtime=0)
