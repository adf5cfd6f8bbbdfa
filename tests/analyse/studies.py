"""Simulated campaigns through metrics, instruments and comparisons, without files: how often intervals hold the truth."""

from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Self

import numpy as np
from metrics.support import rebuild
from simulated import HOLD, Study, design, expected_metrics, find_events, simulate_campaigns

from intake_report.analyse.compare import compare
from intake_report.analyse.uncertainty.sources import find_sources, perturbed, prepare
from intake_report.analyse.zeroing import FADING, NOT_ZEROED, WARM, Sight, Stand, Zeroing, draw_offsets
from intake_report.campaign import Campaign
from intake_report.demo.route import demo_route
from intake_report.demo.scenario import OPEN, SEALED, STOCK
from intake_report.metrics import RunSeries, Span, evaluate, evaluate_draws, keys
from intake_report.results import Comparison, MetricKey, MetricResult
from intake_report.thermal import ReplayDraws
from intake_report.weather.reference import reference_contributions

MARGINS = (5.0 / 3.0, 25.0 / 9.0)
PHASES = (("city", "City"), ("on-ramp", "On-ramp"), ("highway", "Highway"))
TRUTH = {
    "peak_over_ambient": "peak_over_ambient",
    "mean_over_ambient:city": "mean_city",
    "mean_over_ambient:on-ramp": "mean_on-ramp",
    "mean_over_ambient:highway": "mean_highway",
    "recovery_time:1.67K": "recovery_0",
    "recovery_time:2.78K": "recovery_1",
}
"""Headline metric → name in the simulator's truth."""

DESIGNS = {"3×3": ((STOCK, OPEN, SEALED), 3, 1), "2×4": ((STOCK, SEALED), 4, 1), "2×3×2": ((STOCK, SEALED), 3, 2)}
"""Configurations, blocks, runs of each configuration in each block."""
STATION = 0.3  # K; declared accuracy of the station, as in the demo
ACCURACY = 1.0  # K; declared accuracy of the sensor, as in the demo


def campaign(configurations, *, rounding: str = "unknown", seed: int = 1, **metrics) -> Campaign:
    """Return a campaign file's model for configurations of the simulator; its runs are not looked at."""
    iat = {"resolution": "1 degC", "accuracy": f"{ACCURACY:g} degC", "rounding": rounding, "time_constant": "5 s"}
    speed = {"resolution": "1 km/h", "accuracy": "2 km/h"}
    about = {"id": "study", "title": "Study", "question": "?", "units": "si", "timezone": "UTC"}
    return Campaign.model_validate(
        {
            "schema": 1, "campaign": about, "vehicle": {"description": "simulated"},
            "configuration": [{"id": c.id, "name": c.name, "role": c.role} for c in configurations],
            "instrument": {"logger": "1 Hz", "channels": {"iat": iat, "speed": speed}},
            "run": [{"id": "r", "configuration": configurations[0].id, "files": ["r.csv"]}],
            "metrics": {"recovery_margins": [f"{m} delta_degC" for m in MARGINS], "seed": seed, **metrics},
        }
    )  # fmt: skip


def headline() -> tuple[MetricKey, ...]:
    return tuple(key for key in keys(MARGINS, PHASES, None) if key.spec.headline)


@dataclass(frozen=True)
class Instruments:
    """What is wrong with the readings of one campaign: biases that all its runs share.

    `sensor`, `station`: of the sensor and of the ambient reference [K]; `edge`: where between two steps the reading changes, from
    the middle [steps]: 0 rounds, 0.5 cuts off.
    """

    sensor: float = 0.0
    station: float = 0.0
    edge: float = 0.5

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> Self:
        """Draw biases from what the campaign file declares; readings are rounded or cut off, each as often."""
        edge = float(rng.choice((0.0, 0.5)))
        return cls(float(rng.uniform(-ACCURACY, ACCURACY)), float(rng.uniform(-STATION, STATION)), edge)


def zeroed(model: Campaign, errors: Instruments, mornings: int, rng: np.random.Generator) -> Zeroing:
    """Return what soak checks after nights of 12 h, with one thermometer known to 0.1 K, say of a campaign's sensor."""
    if not mornings:
        return NOT_ZEROED
    wrong, air = rng.normal(0.0, 0.1), rng.uniform(5.0, 20.0, mornings)
    levels = np.floor(air + errors.sensor + 0.5 - errors.edge) - air - wrong
    warm = WARM * np.exp(-12.0 * 3600.0 / FADING)
    stands = tuple(Stand((Sight("iat", float(level), 0.5),), 0.1, float(warm)) for level in levels)
    found = draw_offsets(model, stands, lambda _: 1.0, rng)
    assert found is not None  # one sensor and one thermometer agree
    return Zeroing({"iat": -found["iat"]})


def study_series(study: Study, i: int, instruments: Instruments, *, shift: float) -> RunSeries:
    """Return run i as the metrics see it; `shift` [K] is what is added to its readings."""
    batch, entry = study.batch, study.entries[i]
    n = int(batch.samples[i])
    time = batch.time[:n]
    events = find_events(time, batch.distance[i, :n], batch.speed[i, :n], demo_route())
    reading = np.floor(batch.sensor_element[i, :n] + instruments.sensor + 0.5 - instruments.edge)
    ambient = np.round(batch.station[i, :n] + instruments.station, 1)
    stops = tuple(Span(a, b, "", d) for a, b, d in events.stops)
    return RunSeries(
        run=f"c{entry.campaign}-{i}",
        configuration=entry.configuration,
        block=f"day-{entry.block}",
        time=time,
        iat=rebuild(time, reading, 1.0, stops, (events.highway_entry,), 5.0) + shift,
        ambient=ambient,
        distance=batch.distance[i, :n],
        stops=stops,
        phases=tuple(Span(a, b, name) for name, (a, b) in events.phases.items()),
        entry=events.highway_entry,
        entry_end=float(time[-1]),
        reading=reading,
        lag=5.0,
        hold=HOLD,
    )


def study_draws(model: Campaign, metrics, runs, m: int, zeroing: Zeroing) -> ReplayDraws:
    """Draw the shared biases, by the product's own sources and arithmetic."""
    parts = reference_contributions("station", accuracy=STATION, resolution=0.1, interpolation=0.05)
    ambient = SimpleNamespace(choice=SimpleNamespace(source="station", contributions=parts))
    sources = [s for s in find_sources(model, ambient, {"iat": 1.0}, zeroing).sources if s.common and s.drawn]
    rng = np.random.default_rng([model.metrics.seed, 0])
    shifts: dict[str, np.ndarray] = {"reading": np.zeros(m)}
    for source in sources:
        for kind, values in source.effects(source.draw(rng, m)).items():
            shifts[kind] = shifts.get(kind, np.zeros(m)) + values
    found = {}
    for run in runs:
        series = perturbed(prepare(run, 1.0), shifts)
        found |= {(key.key, run.run): evaluate_draws(key, series) for key in metrics}
    return ReplayDraws(found)


@dataclass(frozen=True)
class Outcome:
    """Comparisons of every campaign of a study, and the true differences."""

    comparisons: tuple[tuple[Comparison, ...], ...]
    truth: dict[tuple[str, str], float]
    truth_error: dict[tuple[str, str], float]

    def covered(self) -> dict[tuple[str, str], tuple[int, int]]:
        """Return (metric, configuration) → intervals that hold the truth, intervals given."""
        counts: dict[tuple[str, str], tuple[int, int]] = {}
        for c in (c for rows in self.comparisons for c in rows if c.basis == "runs"):
            where = c.key, c.configuration
            inside, n = counts.get(where, (0, 0))
            holds = (c.low is None or c.low <= self.truth[where]) and (c.high is None or self.truth[where] <= c.high)
            counts[where] = (inside + holds, n + 1)
        return counts


def true_differences(scenario, replicates: int):
    expected = expected_metrics(scenario, replicates, basis="sensor_element", redraw_days=True)
    truth, error = {}, {}
    for key, name in TRUTH.items():
        for id, values in expected.items():
            if id != STOCK.id:
                difference = values[name] - expected[STOCK.id][name]
                truth[key, id] = float(np.mean(difference))
                error[key, id] = float(np.std(difference, ddof=1) / np.sqrt(difference.size))
    return truth, error


def study_coverage(
    name: str, campaigns: int, *, mornings: int = 0, draws: int = 200, replicates: int = 40, seed: int = 20260701
) -> Outcome:
    """Simulate campaigns with redrawn days and instruments and compare each by the product's functions.

    `mornings` with a soak check; `draws`: of the shared biases.
    """
    configurations, blocks, repeats = DESIGNS[name]
    scenario = design(configurations, blocks)
    twice = tuple(replace(p, run=f"{p.run}-{i}") for p in scenario.schedule for i in range(repeats))
    scenario = scenario if repeats == 1 else replace(scenario, schedule=twice)
    model, metrics, size = campaign(configurations), headline(), len(scenario.schedule)
    study = simulate_campaigns(scenario, campaigns, seed)
    rng, found = np.random.default_rng(seed), []
    for c in range(campaigns):
        errors = Instruments.drawn(rng)
        zeroing = zeroed(model, errors, mornings, rng)
        shift = zeroing.correction(model, "iat", 1.0)
        runs = [study_series(study, i, errors, shift=shift) for i in range(c * size, (c + 1) * size)]
        values = tuple(evaluate(key, run) for key in metrics for run in runs)
        found.append(compare(model, metrics, values, study_draws(model, metrics, runs, draws, zeroing)))
    return Outcome(tuple(found), *true_differences(scenario, replicates))


def value(key: str, run: str, configuration: str, block: str | None, number: float | None, **more) -> MetricResult:
    return MetricResult(key, run, configuration, block, more.pop("status", "ok"), value=number, **more)
