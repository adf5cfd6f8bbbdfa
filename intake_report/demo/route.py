"""An invented route, and what differs between two drives of it: day, traffic, driver, and the resulting motion.

A stop-and-go city, a loop on-ramp that crosses under itself, and a highway; the coordinates lie in the open ocean, so that
nobody mistakes the route for a real one. Everything random about a run is drawn once into a `RunPlan`, by place or on a
fixed time grid, so that the same plan at another time step or in another configuration meets the same day and lights.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from intake_report.demo.scenario import Array, Day

_ORIGIN = 8.4, -31.2  # latitude and longitude of the first point [°]: open ocean
_WGS84_A, _WGS84_E2 = 6378137.0, 6.69437999014e-3  # semi-major axis [m], first eccentricity squared

# Moves: (metres, 0) straight on, or (radius in metres, angle in degrees, left positive).
Moves = tuple[tuple[float, float], ...]
_CITY: Moves = (
    (620, 0), (12, -90), (460, 0), (12, 90), (740, 0), (14, 90), (880, 0), (12, 90), (500, 0), (12, 90), (580, 0), (14, 90),
    (1270, 0), (12, 90), (400, 0), (12, -90), (730, 0),
)  # fmt: skip
_RAMP: Moves = ((58, -270), (470, 0))
_HIGHWAY: Moves = (
    (900, 0), (1400, 35), (1300, 0), (1100, -60), (1500, 0), (2000, 25), (1700, 0), (1600, -30), (2300, 0),
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
    ramp_start: float  # [m]
    highway_start: float  # [m]
    length: float  # [m]
    junctions: tuple[float, ...]  # route distances of the stop lines of the signals [m]

    def position(self, distance: Array, cross: Array | float = 0.0) -> tuple[Array, Array]:
        """Return latitude and longitude [°] at route distances [m], `cross` metres to the left of the path."""
        d = np.asarray(distance, dtype=np.float64)
        heading = np.interp(d, self.distance, self.heading)
        x = np.interp(d, self.distance, self.x) - cross * np.sin(heading)
        y = np.interp(d, self.distance, self.y) + cross * np.cos(heading)
        # local radii of the ellipsoid, along the meridian and across it
        w = math.sqrt(1.0 - _WGS84_E2 * math.sin(math.radians(_ORIGIN[0])) ** 2)
        latitude = _ORIGIN[0] + np.degrees(y / (_WGS84_A * (1.0 - _WGS84_E2) / w**3))
        return latitude, _ORIGIN[1] + np.degrees(x / (_WGS84_A / w * np.cos(np.radians(latitude))))


@lru_cache(maxsize=1)
def demo_route() -> SimulatedRoute:
    """Return the invented route (about 18 km): city, on-ramp, highway."""
    moves = _CITY + _RAMP + _HIGHWAY
    ends = np.cumsum([size * math.radians(abs(angle)) if angle else size for size, angle in moves])
    ramp_start, highway_start = float(ends[len(_CITY) - 1]), float(ends[len(_CITY + _RAMP) - 1])
    length = math.floor(ends[-1])
    distance = np.arange(0.0, length + 1.0)
    turns = np.array([math.copysign(1.0 / size, angle) if angle else 0.0 for size, angle in moves])
    curvature = turns[np.searchsorted(ends[:-1], distance + 0.5, side="right")]
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
    square = limit**2
    for i in range(length - 1, -1, -1):  # no braking harder than 1.7 m/s² is needed
        square[i] = min(square[i], square[i + 1] + 2.0 * 1.7)
    return SimulatedRoute(distance, x, y, heading, elevation, np.gradient(elevation, distance), np.sqrt(square), ramp_start,
                 highway_start, float(length), tuple(float(j) for j in _JUNCTIONS))  # fmt: skip


def gpx(route: SimulatedRoute, step: float = 10.0) -> str:
    """Return the route as a GPX 1.1 track with a point each `step` metres (at turns each 2 m)."""
    every = np.where(np.abs(np.gradient(route.heading)) > 1e-3, 2.0, step)
    keep, last = [0], len(route.distance) - 1
    for i in range(1, last + 1):
        if route.distance[i] - route.distance[keep[-1]] >= every[i] or i == last:
            keep.append(i)
    points = "\n".join(
        f'   <trkpt lat="{a:.6f}" lon="{o:.6f}"><ele>{e:.1f}</ele></trkpt>'
        for a, o, e in zip(*route.position(route.distance[keep]), route.elevation[keep], strict=True)
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<gpx version="1.1" creator="simulated demo route" xmlns="http://www.topografix.com/GPX/1/1">\n'
        f" <trk><name>Demo route</name><trkseg>\n{points}\n </trkseg></trk>\n</gpx>\n"
    )


NOISE_STEP = 10.0  # spacing of the time grid of the slow fluctuations [s]
_NOISE_POINTS = 420  # 70 minutes


@dataclass(frozen=True)
class RunPlan:
    """Everything random of one run."""

    start: float  # start of the log [h after midnight UTC]
    idle: float  # time idling at the start before moving off [s]
    stop_place: Array  # route distances of the standstills, ascending [m]
    stop_hold: Array  # their durations [s]
    pace: Array  # factor on the calm driver's speed every 50 m of the route
    acceleration: float  # highest in the city [m/s²]
    ramp_acceleration: float  # highest on the ramp [m/s²]
    coolant: float  # at the start [°C]
    soak: float  # under-hood air at the start, above ambient [K]
    metal: float  # slow metal at the start, above ambient [K]
    noise: Array  # slow fluctuation of ambient on a 10 s grid [K]
    gust: Array  # fluctuation of the head wind on the same grid [m/s]


def _correlated(rng: np.random.Generator, points: int, step: float, scale: float, spread: float) -> Array:
    """Return a first-order autoregressive series with correlation length `scale` and standard deviation `spread`."""
    keep, shocks = np.exp(-step / scale), rng.standard_normal(points) * spread
    shocks[1:] *= np.sqrt(1.0 - keep**2)
    return np.asarray(lfilter([1.0], [1.0, -keep], shocks))


def start_state(rng: np.random.Generator) -> tuple[float, float, float]:
    """Draw coolant [°C], under-hood air and slow metal above ambient [K] at the start of a run."""
    return rng.uniform(84.0, 93.0), rng.uniform(9.0, 20.0), rng.uniform(12.0, 20.0)


def draw_plan(route: SimulatedRoute, day: Day, start: float, rng: np.random.Generator) -> RunPlan:
    """Draw one run's traffic, driver, start state and fluctuations; `start` of the log [h after midnight UTC]."""
    places, holds = [0.0], [0.0]
    red = np.clip(0.50 * day.traffic, 0.05, 0.9)
    for junction in route.junctions:
        last = junction == route.junctions[-1]
        is_red, hold = rng.random() < red, 8.0 + rng.gamma(2.0, 13.0 * day.traffic)
        queue, creep, moves_up = rng.gamma(1.5, 8.0), rng.uniform(9.0, 22.0), rng.random() < 0.22
        if last:  # a metered ramp: everybody waits here, which is why the trade expects the peak at this place
            is_red, hold = True, 35.0 + rng.gamma(3.0, 9.0 * day.traffic)
        if not is_red:
            continue
        hold, line = min(hold, 110.0), max(junction - min(queue, 45.0), places[-1] + 30.0)
        if moves_up and line - creep > places[-1] + 30.0:  # the queue moves up once before the light turns
            places += [line - creep, line]
            holds += [0.4 * hold, 0.6 * hold]
        else:
            places.append(line)
            holds.append(hold)
    points = int(route.length // 50) + 2
    grid = np.arange(points) * 50.0
    city = 1.0 - 0.10 * day.traffic + _correlated(rng, points, 50.0, 250.0, 0.07)
    highway = 1.0 + rng.normal(-0.01, 0.012) + _correlated(rng, points, 50.0, 800.0, 0.012)
    if rng.random() < 0.25 * day.traffic:  # a slow wave on the highway
        centre = rng.uniform(route.highway_start + 2500.0, route.length - 1500.0)
        highway -= rng.uniform(0.08, 0.22) * np.exp(-(((grid - centre) / 450.0) ** 2))
    pace = np.where(grid < route.ramp_start, np.clip(city, 0.45, 1.06), np.clip(highway, 0.6, 1.03))
    idle, acceleration, ramp = rng.uniform(55.0, 100.0), rng.normal(1.55, 0.12), rng.normal(1.75, 0.09)
    state = start_state(rng)
    noise = _correlated(rng, _NOISE_POINTS, NOISE_STEP, 240.0, 0.22)
    gust = _correlated(rng, _NOISE_POINTS, NOISE_STEP, 40.0, 0.25) * day.wind_speed
    return RunPlan(start, idle, np.array(places), np.array(holds), pace, acceleration, ramp, *state, noise, gust)


def control_plan(p: RunPlan, rng: np.random.Generator, headway: float = 4.0) -> RunPlan:
    """Return the plan of the unmodified vehicle `headway` [s] behind a run: its own driver and start state."""
    places = np.concatenate([p.stop_place[:1], p.stop_place[1:] - 8.0])
    holds = p.stop_hold + rng.normal(0.0, 0.6, len(p.stop_hold)).clip(-2.0, 2.0)
    pace, gentle, ramp = (float(rng.normal(1.0, spread)) for spread in (0.004, 0.03, 0.03))
    driver = (p.pace * pace, p.acceleration * gentle, p.ramp_acceleration * ramp)
    return RunPlan(p.start, p.idle + headway, places, holds, *driver, *start_state(rng), p.noise, p.gust)


@dataclass(frozen=True)
class Motion:
    """Motion of n runs on one time grid of t steps, time first."""

    time: Array  # since the start of the log [s]
    distance: Array  # (t, n) route distance [m]; a run that is over stands at the end of the route
    speed: Array  # (t, n) [m/s]
    samples: NDArray[np.int64]  # (n,) time steps of each run, to the one before it reaches the end of the route


def drive(route: SimulatedRoute, plans: tuple[RunPlan, ...], dt: float, longest: float = 3000.0) -> Motion:
    """Drive the route once per plan, all runs in step of `dt` [s], 0.02 to 1; give up after `longest` [s]."""
    n, steps = len(plans), int(longest / dt) + 1
    stops = max(len(p.stop_place) for p in plans) + 1
    place = np.full((n, stops), np.inf)
    hold_for = np.zeros((n, stops))
    for i, p in enumerate(plans):
        place[i, : len(p.stop_place)] = p.stop_place
        hold_for[i, : len(p.stop_hold)] = p.stop_hold
        hold_for[i, 0] = p.idle
    fine = np.arange(len(route.distance))
    coarse = np.arange(len(plans[0].pace)) * 50.0
    wanted = np.array([route.limit * np.interp(fine, coarse, p.pace) for p in plans])
    gentle, ramp = np.array([(p.acceleration, p.ramp_acceleration) for p in plans]).T
    rows, braking, relax = np.arange(n), 1.9, (1.0 - np.exp(-dt / 0.7)) / dt
    s, v, k = np.zeros(n), np.zeros(n), np.zeros(n, dtype=np.int64)
    held, goal, hold = np.ones(n, dtype=bool), place[:, 0].copy(), hold_for[:, 0].copy()
    distance, speed = np.empty((steps, n)), np.empty((steps, n))
    samples = np.full(n, steps, dtype=np.int64)
    last = len(route.distance) - 1
    for step in range(steps):
        distance[step], speed[step] = s, v
        hold -= np.where(held, dt, 0.0)
        leaving = held & (hold <= 0.0)
        if leaving.any():
            k += leaving
            held &= ~leaving
            goal, hold = place[rows, k], np.where(leaving, hold_for[rows, k], hold)
        index = np.minimum(s.astype(np.int64), last)
        target = np.minimum(wanted[rows, index], np.sqrt(2.0 * braking * np.maximum(goal - s, 0.0)) + 0.25)
        strongest = np.where(index > route.ramp_start - 80.0, ramp, gentle) * (1.25 - 0.017 * v)
        v = np.maximum(v + dt * np.clip((target - v) * relax, -3.2, strongest), 0.0)
        v[held] = 0.0
        s = s + dt * v
        arrived = ~held & (s >= goal - 0.4)
        if arrived.any():
            held |= arrived
            v[arrived] = 0.0
        done = s >= route.length
        if done.any():
            samples[done & (samples == steps)] = step + 1
            s, v = np.minimum(s, route.length), np.where(done, 0.0, v)
            if done.all():
                steps = step + 1
                break
    return Motion(np.arange(steps, dtype=np.float64) * dt, distance[:steps], speed[:steps], samples)
