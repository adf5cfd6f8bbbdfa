import numpy as np
from simulated import batch_truth, design, expected_metrics, simulate_campaigns

from intake_report.demo.articles import SEALED, STOCK
from intake_report.demo.route import demo_route


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
