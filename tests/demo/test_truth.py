from itertools import combinations, pairwise

import numpy as np
import pytest
from simulated import HOLD, batch_truth, design, expected_metrics, run_events, run_truth, simulate_campaigns, truth

from intake_report.demo.route import demo_route
from intake_report.demo.scenario import RAMP_TRIAL, SEALED, STOCK, THREE_DAYS

BASES = ("true_air", "sensor_element")


@pytest.mark.parametrize("basis", BASES)
def test_truth_agrees_with_brute_force(run, basis):
    """Plain loops over the 0.1 s series; straight lines between steps bound the difference."""
    found, events = run_truth(run, basis), run_events(run)
    value = getattr(run, basis)
    over = [float(a) - float(b) for a, b in zip(value, run.ambient, strict=True)]
    assert found.peak_iat == max(value)
    assert found.peak_over_ambient == max(over)

    sums = {"city": [0.0, 0.0], "on-ramp": [0.0, 0.0], "highway": [0.0, 0.0]}
    for i in range(len(over) - 1):
        s = run.distance[i]
        phase = "city" if s < run.route.ramp_start else "on-ramp" if s < run.route.highway_start else "highway"
        sums[phase][0] += 0.5 * (over[i] + over[i + 1]) * run.step
        sums[phase][1] += run.step
    for phase, (area, duration) in sums.items():
        assert found.mean_over_ambient[phase] == pytest.approx(area / duration, abs=0.02)
        start, end = events.phases[phase]
        assert end - start == pytest.approx(duration, abs=2 * run.step)

    entry = next(
        run.time[i]
        for i in range(1, len(over))
        if run.route.ramp_start <= run.distance[i] <= run.route.highway_start
        and run.speed[i - 1] <= 80.0 < run.speed[i]
    )
    assert events.highway_entry == pytest.approx(entry, abs=run.step)
    for margin, seconds in found.recovery.items():
        above = [t for t, x in zip(run.time, over, strict=True) if t >= entry and x > margin]
        # from the first sample after one above, from which on none is above for as long as a recovery is held
        lasting = next(a for a, b in pairwise([*above, run.time[-1]]) if b - a > HOLD)
        assert seconds == pytest.approx(lasting - entry, abs=2 * run.step)
    count = sum(1 for x in value if x > 45.0)
    edges = sum(1 for a, b in pairwise(value) if (a > 45.0) != (b > 45.0))
    assert found.time_above_alarm == pytest.approx(count * run.step, abs=(edges + 1) * run.step)


@pytest.mark.parametrize("basis", BASES)
def test_stop_rates_agree_with_brute_force(run, basis):
    found = run_truth(run, basis)
    value = getattr(run, basis)
    stretches = np.split(np.arange(len(run.speed)), np.flatnonzero(np.diff(run.speed == 0.0)) + 1)
    stops = [(i[0], i[-1]) for i in stretches if run.speed[i[0]] == 0.0 and run.time[i[-1]] - run.time[i[0]] >= 10.0]
    assert len(stops) == len(found.stops) >= 5
    for (i, j), (start, end, slope) in zip(stops, found.stops, strict=True):
        assert (start, end) == (run.time[i], run.time[j])
        pairs = combinations(range(i, j + 1, 10), 2)
        slopes = [(value[b] - value[a]) / (run.time[b] - run.time[a]) for a, b in pairs]
        assert slope == pytest.approx(60.0 * float(np.median(slopes)), abs=1e-6)
    assert found.median_soak_rate == pytest.approx(float(np.median([slope for *_, slope in found.stops])))


def test_margin_that_is_never_met_is_none(run):
    assert run_truth(run, margins=(0.01, 40.0)).recovery == {0.01: None, 40.0: 0.0}


def test_sealed_is_truly_better_and_open_truly_adverse_only_at_the_lights():
    expected = expected_metrics(RAMP_TRIAL, 5, seed=1)

    def difference(id, metric):
        return float(np.mean(expected[id][metric] - expected["stock"][metric]))

    assert -6.0 < difference("sealed-snorkel", "mean_city") < -3.0
    assert -60.0 < difference("sealed-snorkel", "recovery_0") < -15.0
    assert -60.0 < difference("sealed-snorkel", "recovery_1") < -30.0
    assert difference("open-cone", "mean_city") > 2.5 and difference("open-cone", "soak_rate") > 1.0
    assert abs(difference("open-cone", "mean_highway")) < 0.8


@pytest.mark.slow
def test_one_intake_of_the_three_days_never_recovers_to_three_degrees_fahrenheit():
    recovery = truth(THREE_DAYS)["open-run"].sensor_element.recovery
    assert recovery[5.0 / 3.0] is None and recovery[25.0 / 9.0] > 60.0


def test_mean_difference_of_campaigns_is_the_expected_one():
    """Unpaired campaigns and the paired expectation estimate one value; compared by their standard errors."""
    scenario = design((STOCK, SEALED), 2)
    study = simulate_campaigns(scenario, 25, seed=8)
    city = batch_truth(study.batch, demo_route())["mean_city"]
    of = {id: city[[e.configuration == id for e in study.entries]] for id in ("stock", "sealed-snorkel")}
    found = of["sealed-snorkel"].mean() - of["stock"].mean()
    error = np.hypot(*(x.std(ddof=1) / np.sqrt(len(x)) for x in of.values()))
    expected = expected_metrics(scenario, 15, seed=9, redraw_days=True)
    paired = expected["sealed-snorkel"]["mean_city"] - expected["stock"]["mean_city"]
    error = np.hypot(error, paired.std(ddof=1) / np.sqrt(len(paired)))
    assert abs(found - paired.mean()) < 3.5 * error
    assert abs(found) > 5.0 * error
