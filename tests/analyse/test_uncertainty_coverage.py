"""Coverage by simulation: how often the interval of one run's value holds the truth (own simulation, no outside source)."""

import math
from dataclasses import replace

import numpy as np
import pytest
from metrics.support import steps_draws
from scipy.stats import binom
from simulated import find_events, find_metrics, simulate_campaigns

from analyse.studies import MARGINS, PHASES, Instruments, study_series
from intake_report.demo.route import demo_route
from intake_report.demo.scenario import RAMP_TRIAL
from intake_report.metrics import evaluate, keys

DRAWS = 400
STEPS_ONLY, WHOLE = "steps only", "steps, accuracy and rounding"


def true_values(truth) -> dict[str, float]:
    found = {
        "peak_iat": truth.peak_iat,
        "peak_over_ambient": truth.peak_over_ambient,
        "heat_soak_rate": truth.median_soak_rate,
        "charge_density_ratio": truth.charge_density_ratio,
    }
    found |= {f"mean_over_ambient:{name}": mean for name, mean in truth.mean_over_ambient.items()}
    times = {m: math.inf if time is None else time for m, time in truth.recovery.items() if m in MARGINS}
    return found | {f"recovery_time:{m:.2f}K": times[m] for m in MARGINS}


def held_by_metric(campaigns: int, kind: str) -> dict[str, list[bool]]:
    """Return by metric whether the 95 % interval of each run holds the truth.

    The readings are those of a control unit with steps of 1 °C; in the whole trial it also rounds in an unknown way and
    its sensor is off by up to 1 K, drawn for each run.
    """
    study, route = simulate_campaigns(RAMP_TRIAL, campaigns, 3), demo_route()
    batch, metrics = study.batch, keys(MARGINS, PHASES, None)
    rng = np.random.default_rng(5)
    held: dict[str, list[bool]] = {}
    for i, n in enumerate(batch.samples):
        time, ambient, distance = batch.time[:n], batch.ambient[i, :n], batch.distance[i, :n]
        level = rng.uniform(-0.5, 0.5)  # where the steps lie is chance
        events = find_events(time, distance, batch.speed[i, :n], route)
        element = batch.sensor_element[i, :n] + level
        truth = true_values(find_metrics(time, element, ambient, events, margins=MARGINS))
        off = rng.uniform(-1.0, 1.0) + rng.uniform(-0.5, 0.5) if kind == WHOLE else 0.0
        run = replace(study_series(study, i, Instruments(level + off, edge=0.0), shift=0.0), ambient=ambient)
        known = [key for key in metrics if key.key in truth and evaluate(key, run).value is not None]
        bias = rng.uniform(-1.0, 1.0, DRAWS) + rng.uniform(-0.5, 0.5, DRAWS) if kind == WHOLE else np.zeros(DRAWS)
        for id, draws in steps_draws(run, known, rng, DRAWS, bias).items():
            low, high = np.sort(draws)[[int(0.025 * DRAWS), int(0.975 * DRAWS) - 1]]
            held.setdefault(id, []).append(bool(low - 1e-6 <= truth[id] <= high + 1e-6))
    return held


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "share"), [(WHOLE, 0.95), (STEPS_ONLY, 0.92)])
def test_intervals_hold_the_truth_as_often_as_they_say(kind, share, part):
    """Within the binomial scatter of the trial; of the steps alone peaks were held in 82 % as long as a launch added nothing."""
    for id, held in held_by_metric(part(12, 2), kind).items():
        print(f"{id:30s} {sum(held):3d} of {len(held)}")
        assert sum(held) >= binom.ppf(0.001, len(held), share), id
