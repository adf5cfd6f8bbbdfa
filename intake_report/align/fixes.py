"""Position fixes of a run, cleaned for matching."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from intake_report.align.model import Bools, Floats, Run
from intake_report.align.odometer import driven, speed_samples
from intake_report.align.projection import to_metres
from intake_report.align.settings import ChannelNames

FASTEST = 90.0  # m/s; a fix that needs more is an outlier when there is no speed channel to compare with


@dataclass(frozen=True)
class Fixes:
    """Position fixes in local metres with the distance driven up to each (all shape (n,)); `outliers` were dropped."""

    time: Floats
    x: Floats
    y: Floats
    driven: Floats
    outliers: int


def has_position(run: Run, channels: ChannelNames) -> bool:
    """Tell whether a run has at least two position fixes."""
    if not (run.has(channels.latitude) and run.has(channels.longitude)):
        return False
    return len(position_samples(run, channels)[0]) >= 2


def position_samples(run: Run, channels: ChannelNames) -> tuple[Floats, Floats, Floats]:
    """Return time [s], latitude and longitude [°] where both are valid true samples."""
    latitude, longitude = run.good(channels.latitude), run.good(channels.longitude)
    shared = latitude.index.intersection(longitude.index)
    return (
        shared.to_numpy(dtype=np.float64),
        latitude.loc[shared].to_numpy(dtype=np.float64),
        longitude.loc[shared].to_numpy(dtype=np.float64),
    )


def fixes_of(run: Run, channels: ChannelNames, centre: tuple[float, float]) -> Fixes:
    """Return the fixes of a run in local metres about `centre`, single outliers dropped.

    A fix is an outlier when the ways to it and from it are both much longer than what was driven meanwhile.
    """
    time, latitude, longitude = position_samples(run, channels)
    x, y = to_metres(latitude, longitude, centre)
    speed = speed_samples(run, channels)
    way = driven(*speed, time) if speed is not None else None
    bad = _spikes(time, x, y, way)
    time, x, y = time[~bad], x[~bad], y[~bad]
    way = way[~bad] if way is not None else _way_by_position(x, y)
    return Fixes(time=time, x=x, y=y, driven=way - way[0] if speed is None else way, outliers=int(bad.sum()))


def _spikes(time: Floats, x: Floats, y: Floats, way: Floats | None) -> Bools:
    step = np.hypot(np.diff(x), np.diff(y))
    allowed = 60.0 + 1.3 * (np.diff(way) if way is not None else FASTEST * np.diff(time))
    far = step > allowed
    bad = np.zeros(len(x), dtype=bool)
    bad[1:-1] = far[:-1] & far[1:]
    if len(x) > 2:
        bad[0], bad[-1] = far[0] and not far[1], far[-1] and not far[-2]
    return bad


def _way_by_position(x: Floats, y: Floats, least: float = 10.0) -> Floats:
    """Return driven distance from positions alone; moves below `least` metres are drift until they add up."""
    kept, px, py = [0], float(x[0]), float(y[0])
    for i, (xi, yi) in enumerate(zip(x.tolist(), y.tolist(), strict=True)):
        if (xi - px) ** 2 + (yi - py) ** 2 >= least**2:
            kept.append(i)
            px, py = xi, yi
    at = np.array(kept)
    total = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x[at]), np.diff(y[at])))])
    return np.asarray(np.interp(np.arange(len(x)), at, total), dtype=np.float64)


def thin(fixes: Fixes, spacing: float) -> np.ndarray:
    """Return the indices of fixes about `spacing` metres of driving apart, the first and the last included.

    Standstill adds no distance, so that drift at standstill adds no node.
    """
    cell = np.floor((fixes.driven - fixes.driven[0]) / spacing)
    first = np.concatenate([[True], np.diff(cell) > 0])
    first[-1] = True
    return np.flatnonzero(first)
