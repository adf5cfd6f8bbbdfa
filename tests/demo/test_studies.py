import numpy as np
from simulated import batch_truth, design, expected_metrics, simulate_campaigns

from intake_report.demo.articles import OPEN, SEALED, STOCK
from intake_report.demo.route import demo_route


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


def test_study_repeats_and_its_first_campaigns_do_not_depend_on_the_count():
    scenario = design((STOCK, SEALED), 2)
    a, b = (simulate_campaigns(scenario, k, seed=4) for k in (1, 2))
    m = a.batch.samples.max()
    assert np.array_equal(a.batch.samples, b.batch.samples[:4])
    assert np.array_equal(a.batch.true_air[:, :m], b.batch.true_air[:4, :m], equal_nan=True)
    other = simulate_campaigns(scenario, 1, seed=5)
    assert not np.array_equal(a.batch.true_air[:, :600], other.batch.true_air[:, :600])


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
