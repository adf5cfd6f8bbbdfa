"""Made-up roads and drives along them, with the true route distance known."""

import math
from collections.abc import Sequence

import numpy as np
import pyproj

from align.support import StubRun, make_run

CENTRE = (48.2, 11.6)


def along(corners: Sequence[tuple[float, float]], at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points on a polyline by distance along it."""
    x, y = np.array(corners, dtype=float).T
    s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    return np.interp(at, s, x), np.interp(at, s, y)


def to_degrees(x, y, centre: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    return pyproj.Proj(proj="aeqd", lat_0=centre[0], lon_0=centre[1], ellps="WGS84")(x, y, inverse=True)[::-1]


def length(corners: Sequence[tuple[float, float]]) -> float:
    x, y = np.array(corners, dtype=float).T
    return float(np.hypot(np.diff(x), np.diff(y)).sum())


def drive(
    name: str,
    corners: Sequence[tuple[float, float]],
    *,
    speed: float = 50.0,
    limits: Sequence[tuple[float, float]] = (),
    stops: Sequence[tuple[float, float]] = (),
    step: float = 1.0,
    noise: float = 3.0,
    scale: float = 1.0,
    seed: int = 0,
    begin: float = 0.0,
    end: float | None = None,
) -> tuple[StubRun, np.ndarray]:
    """A drive along a polyline with stops (place [m], duration [s]); returns the run and the true way at its rows.

    Speed falls and rises by 1.5 m/s² about every stop; `limits` are (place [m], speed [km/h]) from there on, in the order
    of the road; `scale` divides what the speed channel shows.
    """
    rng = np.random.default_rng(seed)
    end = length(corners) if end is None else end
    fine = 0.1
    ways, speeds = [begin], [0.0]
    waits, changes = sorted(stops), list(limits)
    way, v, waiting = begin, 0.0, 0.0
    while way < end - 0.5:
        if waiting > 0:
            waiting, v = waiting - fine, 0.0
        else:
            while changes and changes[0][0] <= way:
                speed = changes.pop(0)[1]
            ahead = min(next((p for p, _ in waits if p > way), end + 200.0), end + 200.0) - way
            v = min(v + 1.5 * fine, speed / 3.6, math.sqrt(max(2 * 1.5 * ahead, 0.0)) + 0.05)
            way = way + v * fine
            if waits and way >= waits[0][0] - 0.2:
                waiting = waits.pop(0)[1]
                v = 0.0
        ways.append(way)
        speeds.append(v)
    pick = np.arange(0, len(ways), round(step / fine))
    true, shown = np.array(ways)[pick], np.array(speeds)[pick] * 3.6 / scale
    x, y = along(corners, true)
    x, y = x + rng.normal(0, noise, len(x)), y + rng.normal(0, noise, len(y))
    latitude, longitude = to_degrees(x, y, CENTRE)
    return make_run(name, pick * fine, latitude=latitude, longitude=longitude, speed=shown), true


LOOP = [(0, 0), (2000, 0), (2000, 1200), (900, 1200), (900, -800), (0, -800), (0, 0)]  # crosses itself at (900, 0)
# one street (0 to 1000 on the x axis) driven twice in the same direction
TWICE = [(-500, 0), (1000, 0), (1500, 600), (700, 1200), (-600, 800), (-500, 0), (1000, 0), (1600, -900), (0, -1500)]
OUT_AND_BACK = [(0, 0), (1500, 0), (3000, 1000), (3000, 1003), (1500, 3), (0, 3)]
ONE_WAY = [(0, 0), (1200, 0), (1200, 1500), (3000, 1500), (3000, 3500), (5500, 3500)]
