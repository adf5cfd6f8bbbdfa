"""A second simulator of drives and heat, built unlike the model and unlike the demo: two air zones, radiation, chimney draught.

Every number is invented within the trade's magnitudes. Traffic comes without fixed lights: stops wherever a queue is, now and
then a long one. No position is known, so no heading either.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

DT = 0.5  # s
SIGMA = 5.67e-8
TOWN, RAMP, ROAD = 7000.0, 150.0, 13000.0  # m
LAG = 7.0  # s; declared, of both stages of the sensor


@dataclass(frozen=True)
class Article:
    """One intake: what leaks into it at rest and up to which speed, from how deep in the bay, and what warms its pipe."""

    id: str
    name: str
    role: str
    leak: float  # share of bay air in the intake at rest
    gap: float  # what is left of it at any speed
    speed: float  # m/s at which ram pressure halves the leak
    deep: float  # 0 draws at the radiator, 1 beside the exhaust
    outer: float  # W/K from the bay to the pipe
    facing: float  # m² that the exhaust shines on
    wall: float  # J/K of each half of the pipe


PLASTIC = Article("plastic", "Plastic duct", "baseline", 0.75, 0.003, 4.5, 0.60, 0.6, 0.0004, 700.0)
METAL = Article("metal", "Metal pipe", "candidate", 0.85, 0.003, 5.0, 0.80, 0.9, 0.0005, 500.0)
LAGGED = Article("lagged", "Lagged duct", "candidate", 0.55, 0.002, 4.0, 0.50, 0.4, 0.0003, 800.0)


@dataclass(frozen=True)
class Weather:
    """One day: temperature [°C] and its drift [K/h], head wind [m/s], sun on the bonnet [W], traffic."""

    ambient: float
    drift: float
    wind: float
    sun: float
    traffic: float

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> Weather:
        ambient, drift, wind = (rng.normal(middle, spread) for middle, spread in ((22.0, 4.0), (0.0, 0.6), (0.0, 1.5)))
        return cls(ambient, drift, wind, rng.uniform(0.0, 150.0), rng.uniform(0.7, 1.3))


def traffic(rng: np.random.Generator, level: float) -> np.ndarray:
    """Return speeds [m/s] every `DT`: queues in town, then a slip road and the open road."""
    speeds, v, s, queued = [0.0] * int(rng.uniform(10.0, 30.0) / DT), 0.0, 0.0, False
    goal, left = rng.uniform(8.0, 16.0), rng.exponential(320.0 / level) + 80.0
    while s < TOWN + ROAD:
        if not queued:
            braking = left < v**2 / 3.2 or s > TOWN
            v = max(v - 1.6 * DT, 0.0) if braking else min(v + rng.uniform(0.7, 1.4) * DT, goal)
            if braking and v == 0.0:
                queued = s > TOWN  # the last queue is the one at the slip road
                long = queued or rng.random() < 0.15 * level
                speeds += [0.0] * int((rng.uniform(40.0, 150.0) if long else rng.gamma(2.0, 9.0 * level)) / DT)
                goal, left = rng.uniform(8.0, 16.0), rng.exponential(320.0 / level) + 80.0
        elif s < TOWN + RAMP:
            v = min(v + 1.0 * DT, 13.0)
        else:
            goal = 31.0 + 0.995 * ((goal if goal > 20.0 else 31.0) - 31.0) + rng.normal(0.0, 0.12)
            v = min(v + 1.5 * DT, goal)
        s, left = s + v * DT, left - v * DT
        speeds.append(v)
    return np.array(speeds)


def heat(runs: list[tuple[Article, Weather, np.ndarray, np.ndarray, np.ndarray]]) -> dict[str, np.ndarray]:
    """Return element, airflow and coolant, (t, n), of runs: article, day, speeds, ambient, start state (4,)."""
    n, steps = len(runs), max(len(run[2]) for run in runs)
    longer = ([np.pad(run[k], (0, steps - len(run[k])), "edge") for run in runs] for k in (2, 3))
    speed, outside = (np.stack(one, axis=1) for one in longer)
    leak, gap, half, deep, outer, facing, wall = (
        np.array([getattr(run[0], name) for run in runs])
        for name in ("leak", "gap", "speed", "deep", "outer", "facing", "wall")
    )
    head, sun = np.array([run[1].wind for run in runs]), np.array([run[1].sun for run in runs])
    coolant, rear, front, exhaust = np.array([run[4] for run in runs]).T.copy()
    first = second = outside[0] + 0.5 * (rear - outside[0])
    cap = element = outside[0] + 0.3 * (rear - outside[0])
    fan, out = np.zeros(n), {name: np.empty((steps, n)) for name in ("element", "airflow", "coolant")}
    for i in range(steps):
        v, ambient = speed[i], outside[i]
        air = np.abs(v + head)
        push = 1500.0 * (v - speed[max(i - 1, 0)]) / DT + 176.0 * (v > 0.0) + 0.39 * air**2
        fuel = 8000.0 + np.clip(push * v, 0.0, 45e3) / 0.3
        flow = fuel / 2950.0  # g/s
        fan = np.where(coolant > 99.0, 1.0, np.where(coolant < 95.0, 0.0, fan))
        draught = 0.006 * np.sqrt(np.maximum(rear - ambient, 0.0))  # kg/s
        through = 0.03 * air + 0.09 * fan + draught
        taken = 1006.0 * through * np.clip((coolant - 88.0) / 8.0, 0.03, 1.0) * 0.5
        coolant = coolant + DT / 7e4 * (0.3 * fuel + 300.0 - taken * (coolant - front) - 22.0 * (coolant - rear))
        back = 25.0 * np.exp(-air / 4.0)  # W/K that goes round to the grille at rest
        inflow = 1006.0 * through
        gained = inflow * (ambient - front) + 0.06 * taken * (coolant - front) + back * (rear - front) + 0.3 * sun
        front = front + DT / 1500.0 * gained
        glow = SIGMA * ((exhaust + 273.0) ** 4 - (rear + 273.0) ** 4)
        shed = (2.5 + 0.5 * air) * (exhaust - rear)
        exhaust = exhaust + DT / 9000.0 * (0.06 * fuel - 0.12 * glow - shed)
        source = 22.0 * (coolant - rear) + 0.5 * shed + 0.05 * glow + sun
        rear = rear + DT / 4000.0 * (source + (inflow + back) * (front - rear))
        share = gap + leak / (1.0 + (air / half) ** 2 * (8.0 / flow) ** 0.3)
        drawn = ambient + share * ((1.0 - deep) * front + deep * rear - ambient)
        passed = -np.expm1(-0.8 * (flow / 8.0) ** -0.3)
        around = front + deep * (rear - front)
        x = (exhaust + 273.0) ** 4
        middle = drawn + passed * (first - drawn)
        for side in (0, 1):
            inlet, metal = ((drawn, first), (middle, second))[side]
            gain = outer * (around - metal) + SIGMA * facing * (x - (metal + 273.0) ** 4)
            metal = metal + DT / wall * (1.006 * flow * passed * (inlet - metal) + gain)
            first, second = (metal, second) if side == 0 else (first, metal)
        at_sensor = middle + passed * (second - middle)
        cap = cap + DT / 3.0 * (at_sensor - cap)
        element = element + DT / (4.0 * (8.0 / flow) ** 0.4) * (cap - element)
        for name, value in zip(out, (element, flow, coolant), strict=True):
            out[name][i] = value
    return out


def wandering(rng: np.random.Generator, n: int) -> np.ndarray:
    """Return fluctuations of the air, (n,) every `DT` [K]: 0.2 K, correlated over 100 s."""
    kept, out = np.exp(-DT / 100.0), np.empty(n)
    out[0] = rng.normal(0.0, 0.2)
    for i, step in enumerate(rng.normal(0.0, 0.2 * np.sqrt(1.0 - kept**2), n - 1)):
        out[i + 1] = kept * out[i] + step
    return out
