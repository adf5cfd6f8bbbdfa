"""An invented route: a stop-and-go city, a loop on-ramp that crosses under itself, and a highway.

The coordinates lie in the open ocean, so that nobody mistakes the route for a real one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from intake_report.demo.articles import Array

ORIGIN_LATITUDE, ORIGIN_LONGITUDE = 8.4, -31.2  # first point [°]: open ocean

_WGS84_A, _WGS84_E2 = 6378137.0, 6.69437999014e-3  # semi-major axis [m], first eccentricity squared

# Turtle moves: ("go", metres) or ("turn", radius in metres, angle in degrees, left positive).
_CITY: tuple[tuple[str, float, float], ...] = (
    ("go", 620, 0), ("turn", 12, -90), ("go", 460, 0), ("turn", 12, 90), ("go", 740, 0), ("turn", 14, 90),
    ("go", 880, 0), ("turn", 12, 90), ("go", 500, 0), ("turn", 12, 90), ("go", 580, 0), ("turn", 14, 90),
    ("go", 1270, 0), ("turn", 12, 90), ("go", 400, 0), ("turn", 12, -90), ("go", 730, 0),
)  # fmt: skip
_RAMP: tuple[tuple[str, float, float], ...] = (("turn", 58, -270), ("go", 470, 0))
_HIGHWAY: tuple[tuple[str, float, float], ...] = (
    ("go", 900, 0), ("turn", 1400, 35), ("go", 1300, 0), ("turn", 1100, -60), ("go", 1500, 0), ("turn", 2000, 25),
    ("go", 1700, 0), ("turn", 1600, -30), ("go", 2300, 0),
)  # fmt: skip

# Signal-controlled junctions by route distance [m]; the last one feeds the on-ramp.
_JUNCTIONS = (290, 600, 870, 1085, 1480, 1845, 2150, 2470, 2745, 3020, 3275, 3590, 3880, 4400, 4790, 5180, 5590, 5960,
              6270)  # fmt: skip


@dataclass(frozen=True)
class SimulatedRoute:
    """The route as a table of points one metre apart."""

    distance: Array  # route distance [m]
    x: Array  # east of the origin [m]
    y: Array  # north of the origin [m]
    heading: Array  # direction of travel, counter-clockwise from east [rad]
    elevation: Array  # height above sea level [m]
    grade: Array  # slope along the route [m/m]
    limit: Array  # highest speed a calm driver would use there, braking for what is ahead included [m/s]
    ramp_start: float  # phase edge [m]
    highway_start: float  # phase edge [m]
    length: float  # [m]
    junctions: tuple[float, ...]  # route distances of the stop lines of the signals [m]

    def position(self, distance: Array, cross: Array | float = 0.0) -> tuple[Array, Array]:
        """Return latitude and longitude [°] at route distances [m], `cross` metres to the left of the path."""
        d = np.asarray(distance, dtype=np.float64)
        heading = np.interp(d, self.distance, self.heading)
        x = np.interp(d, self.distance, self.x) - cross * np.sin(heading)
        y = np.interp(d, self.distance, self.y) + cross * np.cos(heading)
        return to_degrees(x, y)


def to_degrees(x: Array, y: Array) -> tuple[Array, Array]:
    """Convert east/north offsets [m] from the origin to latitude and longitude [°] (local radii of the ellipsoid)."""
    sin2 = math.sin(math.radians(ORIGIN_LATITUDE)) ** 2
    w = math.sqrt(1.0 - _WGS84_E2 * sin2)
    meridian = _WGS84_A * (1.0 - _WGS84_E2) / w**3
    normal = _WGS84_A / w
    latitude = ORIGIN_LATITUDE + np.degrees(y / meridian)
    longitude = ORIGIN_LONGITUDE + np.degrees(x / (normal * np.cos(np.radians(latitude))))
    return latitude, longitude


def _length(moves: tuple[tuple[str, float, float], ...]) -> float:
    return sum(a if kind == "go" else a * math.radians(abs(b)) for kind, a, b in moves)


def _curvature(moves: tuple[tuple[str, float, float], ...], distance: Array) -> Array:
    """Return the signed curvature [1/m] of the moves at the given distances."""
    curvature = np.zeros_like(distance)
    start = 0.0
    for kind, a, b in moves:
        end = start + (a if kind == "go" else a * math.radians(abs(b)))
        if kind == "turn":
            curvature[(distance >= start) & (distance < end)] = math.copysign(1.0 / a, b)
        start = end
    return curvature


@lru_cache(maxsize=1)
def demo_route() -> SimulatedRoute:
    """Return the invented route (about 18 km): city, on-ramp, highway."""
    ramp_start = _length(_CITY)
    highway_start = ramp_start + _length(_RAMP)
    moves = _CITY + _RAMP + _HIGHWAY
    length = math.floor(_length(moves))
    distance = np.arange(0.0, length + 1.0)
    curvature = _curvature(moves, distance + 0.5)
    heading = np.concatenate([[0.0], np.cumsum(curvature[:-1])])
    middle = heading + 0.5 * curvature
    x = np.concatenate([[0.0], np.cumsum(np.cos(middle[:-1]))])
    y = np.concatenate([[0.0], np.cumsum(np.sin(middle[:-1]))])
    elevation = 24.0 + 5.0 * np.sin(distance / 900.0) + 9.0 * np.sin(distance / 2600.0 + 0.8)
    limit = np.full_like(distance, 112.0 / 3.6)
    limit[distance < ramp_start] = 52.0 / 3.6
    limit[(distance > 1900) & (distance < 2700)] = 62.0 / 3.6
    limit[(distance > 3900) & (distance < 5150)] = 58.0 / 3.6
    turning = np.abs(curvature) > 0
    limit[turning] = np.minimum(limit[turning], np.sqrt(2.6 / np.abs(curvature[turning])))  # lateral 2.6 m/s²
    limit = _brake_ahead(limit, 1.7)
    return SimulatedRoute(distance, x, y, heading, elevation, np.gradient(elevation, distance), limit, ramp_start,
                 highway_start, float(length), tuple(float(j) for j in _JUNCTIONS))  # fmt: skip


def _brake_ahead(limit: Array, deceleration: float) -> Array:
    """Lower speed limits [m/s] on a 1 m grid so that no braking harder than `deceleration` [m/s²] is needed."""
    square = limit**2
    for i in range(len(square) - 2, -1, -1):
        square[i] = min(square[i], square[i + 1] + 2.0 * deceleration)
    return np.sqrt(square)


def gpx(route: SimulatedRoute, step: float = 10.0) -> str:
    """Return the route as a GPX 1.1 track with a point each `step` metres (at turns each 2 m)."""
    every = np.where(np.abs(np.gradient(route.heading)) > 1e-3, 2.0, step)
    keep, last = [0], len(route.distance) - 1
    for i in range(1, last + 1):
        if route.distance[i] - route.distance[keep[-1]] >= every[i] or i == last:
            keep.append(i)
    latitude, longitude = to_degrees(route.x[keep], route.y[keep])
    points = "\n".join(
        f'   <trkpt lat="{a:.6f}" lon="{o:.6f}"><ele>{e:.1f}</ele></trkpt>'
        for a, o, e in zip(latitude, longitude, route.elevation[keep], strict=True)
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<gpx version="1.1" creator="simulated demo route" xmlns="http://www.topografix.com/GPX/1/1">\n'
        f" <trk><name>Demo route</name><trkseg>\n{points}\n </trkseg></trk>\n</gpx>\n"
    )
