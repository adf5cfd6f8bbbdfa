"""True values of the simulated campaigns, and many campaigns at once for studies of the analysis.

Truth comes from continuous temperatures: what a perfect analysis of a perfect log would find. Each metric is given on two
bases: `true_air`, the air at the sensor's location, independent of any sensor, and `sensor_element`, the sensor's element
before the control unit rounds it. Ambient is the free stream at the vehicle. Between the simulation's steps temperatures
count as straight lines.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from intake_report.demo.campaign_files import Array, Day, Intake, generator, scenario_runs
from intake_report.demo.route import RunPlan, SimulatedRoute, demo_route, draw_plan
from intake_report.demo.scenario import RAMP_TRIAL, SEED, Scenario, SimulatedVehicle, crossed_schedule
from intake_report.demo.simulate import SimulatedRun, simulate

Runs = Sequence[tuple[Intake, Day, RunPlan]]
Basis = Literal["true_air", "sensor_element"]
PHASES = ("city", "on-ramp", "highway")
HOLD = 10.0  # s; how long a recovery stays within its margin, as a campaign has it
MARGINS = (5.0 / 3.0, 25.0 / 9.0)  # recovery margins [K]: 3 °F and 5 °F
ENTRY_SPEED, ENTRY_HOLD = 80.0, 10.0  # km/h, s: the highway entry is the upward crossing on the ramp that is held
MINIMUM_STOP = 10.0  # s; shortest standstill that gives a heat-soak rate
ALARM = 45.0  # °C
FAST_STEP = 0.5  # s; time step of many runs at once, which keep every second sample (1 Hz)
AT_ONCE = 180  # runs simulated in step: enough to fill numpy's loops, few enough to bound the memory


@dataclass(frozen=True)
class EventsTruth:
    """Events of one run."""

    stops: tuple[tuple[float, float, float], ...]  # all standstills: start, end, distance [s, s, m]
    phases: dict[str, tuple[float, float]]  # phase → start, end [s]
    highway_entry: float | None  # [s]


@dataclass(frozen=True)
class MetricTruth:
    """True metrics of one run on one basis."""

    peak_iat: float  # [°C]
    peak_over_ambient: float  # [K]
    mean_over_ambient: dict[str, float]  # phase → time-weighted mean [K]
    # standstills of at least the minimum duration: start, end, Theil–Sen slope over all pairs of 1 s values [s, s, K/min]
    stops: tuple[tuple[float, float, float], ...]
    median_soak_rate: float | None  # median of their slopes [K/min]
    recovery: dict[float, float | None]  # margin [K] → from entry until over-ambient is held at or below it [s]
    time_above_alarm: float  # [s]
    charge_density_ratio: float  # time-weighted mean of ambient over intake absolute temperature [%]


@dataclass(frozen=True)
class RunTruth:
    """The truth about one run: events, and its metrics on both bases."""

    configuration: str
    events: EventsTruth
    true_air: MetricTruth
    sensor_element: MetricTruth


def truth(scenario: Scenario) -> dict[str, RunTruth]:
    """Return the truth about every run of the campaign that `write_campaign` writes."""
    out = {}
    for name, run in scenario_runs(scenario, SEED).items():
        air, element = (run_truth(run, basis, alarm=scenario.alarm) for basis in ("true_air", "sensor_element"))
        out[name] = RunTruth(run.configuration.id, run_events(run), air, element)
    return out


def crossing(time: Array, values: Array, level: float, *, upward: bool) -> Array:
    """Return all times at which the straight lines through (time, values) cross `level` in one direction."""
    above = values > level if upward else values <= level
    at = np.flatnonzero(~above[:-1] & above[1:])
    share = (level - values[at]) / (values[at + 1] - values[at])
    return time[at] + share * (time[at + 1] - time[at])


def time_above(time: Array, values: Array, level: float) -> float:
    """Return how long the straight lines through (time, values) lie above `level` [s]."""
    a, b, width = values[:-1] - level, values[1:] - level, np.diff(time)
    both, crosses = (a > 0) & (b > 0), (a > 0) != (b > 0)
    partial = np.maximum(a, b)[crosses] / np.abs(a - b)[crosses] * width[crosses]
    return float(np.sum(width[both]) + np.sum(partial))


def time_mean(time: Array, values: Array, start: float, end: float) -> float:
    """Return the time-weighted mean of the straight lines through (time, values) from `start` to `end`."""
    inside = (time > start) & (time < end)
    t = np.concatenate([[start], time[inside], [end]])
    y = np.concatenate([[np.interp(start, time, values)], values[inside], [np.interp(end, time, values)]])
    return float(np.trapezoid(y, t) / (end - start))


def find_events(time: Array, distance: Array, speed: Array, route: SimulatedRoute) -> EventsTruth:
    """Return the events of one run (arrays (t,): [s], [m], [km/h])."""
    still = np.concatenate([[False], speed <= 0.0, [False]])
    starts = np.flatnonzero(~still[:-1] & still[1:])
    ends = np.flatnonzero(still[:-1] & ~still[1:]) - 1
    stops = tuple((float(time[a]), float(time[b]), float(distance[a])) for a, b in zip(starts, ends, strict=True))
    moving = np.concatenate([[True], np.diff(distance) > 0])
    edges = np.interp([route.ramp_start, route.highway_start], distance[moving], time[moving])
    bounds = [float(time[0]), *(float(e) for e in edges), float(time[-1])]
    phases = {name: (bounds[i], bounds[i + 1]) for i, name in enumerate(PHASES)}
    for t in crossing(time, speed, ENTRY_SPEED, upward=True):
        held = (time > t) & (time <= t + ENTRY_HOLD)
        if bounds[1] <= t <= bounds[2] and bool(np.all(speed[held] >= ENTRY_SPEED)):
            return EventsTruth(stops, phases, float(t))
    return EventsTruth(stops, phases, None)


def find_metrics(
    time: Array, temperature: Array, ambient: Array, events: EventsTruth, *,
    margins: tuple[float, ...] = MARGINS, alarm: float = ALARM,
) -> MetricTruth:  # fmt: skip
    """Return the true metrics of one temperature series (arrays (t,): [s], [°C], [°C])."""
    over = temperature - ambient
    means = {name: time_mean(time, over, a, b) for name, (a, b) in events.phases.items()}
    ratio = 100.0 * (ambient + 273.15) / (temperature + 273.15)
    long = [(start, end) for start, end, _ in events.stops if end - start >= MINIMUM_STOP]
    stops = tuple((start, end, _slope(time, temperature, start, end)) for start, end in long)
    entry = events.highway_entry
    recovery = {margin: None if entry is None else _recovery(time, over, entry, margin) for margin in margins}
    return MetricTruth(
        peak_iat=float(np.max(temperature)),
        peak_over_ambient=float(np.max(over)),
        mean_over_ambient=means,
        stops=stops,
        median_soak_rate=float(np.median([slope for *_, slope in stops])) if stops else None,
        recovery=recovery,
        time_above_alarm=time_above(time, temperature, alarm),
        charge_density_ratio=time_mean(time, ratio, float(time[0]), float(time[-1])),
    )


def _recovery(time: Array, over: Array, entry: float, margin: float) -> float | None:
    """Return when it comes within the margin to stay there for `HOLD` [s]; 0 where it is so at the entry."""
    falls, rises = (crossing(time, over, margin, upward=way) for way in (False, True))
    falls = np.concatenate([[entry] if np.interp(entry, time, over) <= margin else [], falls[falls > entry]])
    for fall in falls:
        left = rises[rises > fall]
        if (left[0] if left.size else time[-1]) - fall >= HOLD:
            return float(fall - entry)
    return None


def _slope(time: Array, temperature: Array, start: float, end: float) -> float:
    seconds = np.arange(0.0, end - start + 1e-9, 1.0)
    values = np.interp(start + seconds, time, temperature)
    i, j = np.triu_indices(len(seconds), 1)
    return 60.0 * float(np.median((values[j] - values[i]) / (seconds[j] - seconds[i])))


def run_events(run: SimulatedRun) -> EventsTruth:
    """Return the true events of a simulated run."""
    return find_events(run.time, run.distance, run.speed, run.route)


def run_truth(run: SimulatedRun, basis: Basis = "true_air", *, margins=MARGINS, alarm: float = ALARM) -> MetricTruth:
    """Return the true metrics of a simulated run on one basis; margins [K], alarm limit [°C]."""
    return find_metrics(run.time, getattr(run, basis), run.ambient, run_events(run), margins=margins, alarm=alarm)


@dataclass(frozen=True)
class Batch:
    """n runs on one 1 Hz grid of t seconds since the start of each log, runs first; NaN after a run's end."""

    time: Array
    samples: NDArray[np.int64]  # (n,) valid samples of each run
    distance: Array  # [m]
    speed: Array  # [km/h]
    true_air: Array  # [°C]
    sensor_element: Array  # [°C]
    ambient: Array  # [°C]
    ambient_element: Array  # [°C]
    airflow: Array  # [g/s]
    coolant: Array  # [°C]
    station: Array  # air temperature outside the city, without the fluctuation that the vehicle meets [°C]


def simulate_batch(runs: Runs, *, vehicle: SimulatedVehicle | None = None, step: float = FAST_STEP) -> Batch:
    """Simulate many runs, of many campaigns, in step; 1 s must be a multiple of `step`."""
    parts = [_part(runs[i : i + AT_ONCE], vehicle or SimulatedVehicle(), step) for i in range(0, len(runs), AT_ONCE)]
    length = max(len(time) for time, _, _ in parts)
    joined = {
        name: np.vstack([np.pad(s[name], ((0, 0), (0, length - len(t))), constant_values=np.nan) for t, _, s in parts])
        for name in parts[0][2]
    }
    return Batch(np.arange(length) * 1.0, np.concatenate([samples for _, samples, _ in parts]), **joined)


def _part(runs: Runs, vehicle: SimulatedVehicle, step: float) -> tuple[Array, NDArray[np.int64], dict[str, Array]]:
    stride = round(1.0 / step)
    drives = simulate(runs, demo_route(), vehicle, step)
    samples = (drives.motion.samples - 1) // stride + 1
    time = drives.motion.time[::stride]
    t = drives.temperatures
    series = {name: t[name] for name in ("ambient", "ambient_element", "coolant", "station")} | {
        "distance": drives.motion.distance, "speed": 3.6 * drives.motion.speed, "true_air": t["air"],
        "sensor_element": t["element"], "airflow": drives.engine.airflow,
    }  # fmt: skip
    after = np.arange(len(time))[None, :] >= samples[:, None]
    return time, samples, {name: np.where(after, np.nan, values[::stride].T) for name, values in series.items()}


def batch_truth(batch: Batch, route: SimulatedRoute, basis: Basis = "true_air", *, margins=MARGINS) -> dict[str, Array]:
    """Return headline metrics of all runs of a batch, (n,) each.

    "peak_iat" [°C], "peak_over_ambient" [K], "mean_city", "mean_on-ramp", "mean_highway" [K], "soak_rate" [K/min],
    "recovery_0", … [s] in the order of `margins`; infinite = not reached, NaN = no highway entry or no stop.
    """
    names = ["peak_iat", "peak_over_ambient", *(f"mean_{p}" for p in PHASES), "soak_rate"]
    rows = []
    for i, m in enumerate(batch.samples):
        time, temperature, ambient = batch.time[:m], getattr(batch, basis)[i, :m], batch.ambient[i, :m]
        events = find_events(time, batch.distance[i, :m], batch.speed[i, :m], route)
        found = find_metrics(time, temperature, ambient, events, margins=margins)
        never = np.nan if events.highway_entry is None else np.inf
        recoveries = [never if seconds is None else seconds for seconds in found.recovery.values()]
        rate = np.nan if found.median_soak_rate is None else found.median_soak_rate
        means = [found.mean_over_ambient[phase] for phase in PHASES]
        rows.append([found.peak_iat, found.peak_over_ambient, *means, rate, *recoveries])
    names += [f"recovery_{k}" for k in range(len(margins))]
    return dict(zip(names, np.array(rows).T, strict=True))


@dataclass(frozen=True)
class Entry:
    """One run of a study: which campaign, block (index) and configuration (id)."""

    campaign: int
    block: int
    configuration: str


@dataclass(frozen=True)
class Study:
    """Many simulated campaigns of one design: one entry per run, campaign by campaign, and the runs at 1 Hz."""

    entries: tuple[Entry, ...]
    batch: Batch


def design(configurations: tuple[Intake, ...], blocks: int) -> Scenario:
    """Return a crossed design of two or three configurations: in each block every one once, another one first each time.

    Blocks are days; beyond the third they repeat the demo's days a week later until `redraw_day` changes them.
    """
    base = RAMP_TRIAL.days
    days = tuple(
        replace(base[b % len(base)], name=f"day-{b + 1}", date=base[b % len(base)].date + timedelta(days=7 * (b // 3)))
        for b in range(blocks)
    )
    schedule = crossed_schedule(configurations, blocks)
    return replace(RAMP_TRIAL, id=f"design-{len(configurations)}x{blocks}", days=days, schedule=schedule, bench=False)


def redraw_day(day: Day, rng: np.random.Generator) -> Day:
    """Return another day of the same season: weather and traffic drawn anew (magnitudes: common practice)."""
    return replace(
        day,
        ambient=float(rng.normal(27.2, 0.6)),
        traffic=float(np.clip(rng.normal(1.0, 0.15), 0.6, 1.4)),
        wind_speed=float(rng.uniform(1.5, 5.0)),
        wind_from=float(rng.uniform(0.0, 360.0)),
        sun=float(rng.uniform(0.3, 1.0)),
        pressure=float(rng.normal(101.2, 0.4)),
    )


def simulate_campaigns(scenario: Scenario, count: int, seed: int) -> Study:
    """Simulate many campaigns of one design, each with its days drawn anew."""
    route = demo_route()
    entries: list[Entry] = []
    runs: list[tuple[Intake, Day, RunPlan]] = []
    for campaign in range(count):
        days = _days(scenario, seed, str(campaign), True)
        for planned in scenario.schedule:
            day = days[planned.day]
            rng = generator(scenario, seed, "study", str(campaign), planned.run)
            runs.append((planned.configuration, day, draw_plan(route, day, planned.start, rng)))
            entries.append(Entry(campaign, planned.day, planned.configuration.id))
    return Study(tuple(entries), simulate_batch(runs, vehicle=scenario.vehicle))


def _days(scenario: Scenario, seed: int, part: str, redraw: bool) -> tuple[Day, ...]:
    if not redraw:
        return scenario.days
    rng = generator(scenario, seed, "days", part)
    return tuple(redraw_day(day, rng) for day in scenario.days)


def expected_metrics(
    scenario: Scenario, replicates: int, seed: int = SEED, basis: Basis = "true_air", *,
    margins: tuple[float, ...] = MARGINS, redraw_days: bool = False,
) -> dict[str, dict[str, Array]]:  # fmt: skip
    """Return configuration → metric (see `batch_truth`) → true values (replicates · runs,) under identical conditions.

    Each planned run is redrawn `replicates` times and driven in every configuration with the same plan. The mean is what a
    campaign of endless length would find; differences between configurations are paired. `redraw_days`: not only traffic,
    driver and fluctuations differ.
    """
    route = demo_route()
    conditions: list[tuple[Day, RunPlan]] = []
    for replicate in range(replicates):
        days = _days(scenario, seed, f"expected-{replicate}", redraw_days)
        for planned in scenario.schedule:
            day = days[planned.day]
            rng = generator(scenario, seed, planned.run, "expected", str(replicate))
            conditions.append((day, draw_plan(route, day, planned.start, rng)))
    out = {}
    for configuration in scenario.configurations:
        batch = simulate_batch([(configuration, *condition) for condition in conditions], vehicle=scenario.vehicle)
        out[configuration.id] = batch_truth(batch, route, basis, margins=margins)
    return out
