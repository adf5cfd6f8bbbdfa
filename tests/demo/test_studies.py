from dataclasses import replace

import numpy as np
import pytest
from simulated import batch_truth, design, expected_metrics, redraw_day, simulate_campaigns

from intake_report.demo.articles import OPEN, SEALED, STOCK
from intake_report.demo.route import demo_route
from intake_report.demo.scenario import RAMP_TRIAL, THREE_DAYS


def test_designs_are_crossed_and_start_differently():
    for configurations, blocks in (((STOCK, OPEN, SEALED), 3), ((STOCK, SEALED), 4)):
        scenario = design(configurations, blocks)
        assert len(scenario.schedule) == len(configurations) * blocks
        assert len({p.run for p in scenario.schedule}) == len(scenario.schedule)
        for b in range(blocks):
            ids = [p.configuration.id for p in scenario.schedule if p.day == b]
            assert sorted(ids) == sorted(c.id for c in configurations)
        first = [p.configuration.id for p in scenario.schedule if p.start == min(q.start for q in scenario.schedule)]
        assert len(set(first)) == len(configurations)
        assert len({day.date for day in scenario.days}) == blocks


def test_study_orders_runs_and_reads_whole_degrees():
    scenario = design((STOCK, SEALED), 2)
    study = simulate_campaigns(scenario, 3, seed=4)
    assert [e.campaign for e in study.entries] == [0] * 4 + [1] * 4 + [2] * 4
    assert [e.configuration for e in study.entries[:4]] == [p.configuration.id for p in scenario.schedule]
    readings = study.batch.readings("floor")
    for i, n in enumerate(study.batch.samples):
        iat = readings["iat"][i]
        assert np.all(iat[:n] == np.floor(study.batch.sensor_element[i, :n])) and np.all(np.isnan(iat[n:]))
    assert np.nanmax(np.abs(study.batch.station - study.batch.ambient)) < 2.0


def test_study_repeats_and_its_first_campaigns_do_not_depend_on_the_count():
    scenario = design((STOCK, SEALED), 2)
    a, b = (simulate_campaigns(scenario, k, seed=4) for k in (1, 2))
    m = a.batch.samples.max()
    assert np.array_equal(a.batch.samples, b.batch.samples[:4])
    assert np.array_equal(a.batch.true_air[:, :m], b.batch.true_air[:4, :m], equal_nan=True)
    other = simulate_campaigns(scenario, 1, seed=5)
    assert not np.array_equal(a.batch.true_air[:, :600], other.batch.true_air[:, :600])


def test_splitting_into_portions_changes_nothing(monkeypatch):
    scenario = design((STOCK, SEALED), 2)
    whole = simulate_campaigns(scenario, 2, seed=4).batch
    monkeypatch.setattr("simulated.AT_ONCE", 3)
    split = simulate_campaigns(scenario, 2, seed=4).batch
    assert np.array_equal(whole.time, split.time) and np.array_equal(whole.samples, split.samples)
    for name in ("distance", "sensor_element", "station"):
        assert np.array_equal(getattr(whole, name), getattr(split, name), equal_nan=True)


def test_days_are_redrawn_within_the_season():
    rng = np.random.default_rng(1)
    days = [redraw_day(RAMP_TRIAL.days[0], rng) for _ in range(400)]
    ambient = np.array([day.ambient for day in days])
    assert ambient.mean() == pytest.approx(27.2, abs=4 * 0.6 / 20) and ambient.std() == pytest.approx(0.6, rel=0.2)
    assert all(day.date == RAMP_TRIAL.days[0].date for day in days)


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


def test_expected_metrics_repeat_and_depend_on_the_seed():
    one = replace(THREE_DAYS, schedule=THREE_DAYS.schedule[:1])
    first, again, other = (expected_metrics(one, 1, seed=s)["stock"]["mean_city"] for s in (1, 1, 2))
    assert np.array_equal(first, again) and not np.array_equal(first, other)
