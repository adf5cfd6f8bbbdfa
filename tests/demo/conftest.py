"""One stock run and one short campaign, simulated once for all tests of the generator."""

from dataclasses import replace

import numpy as np
import pytest

from intake_report.demo.articles import STOCK
from intake_report.demo.route import demo_route
from intake_report.demo.scenario import RAMP_TRIAL, scenario_run
from intake_report.demo.simulate import simulate_run
from intake_report.demo.traffic import draw_plan


@pytest.fixture(scope="session")
def run():
    day = RAMP_TRIAL.days[0]
    return simulate_run(STOCK, day, draw_plan(demo_route(), day, 16.0, np.random.default_rng(7)))


@pytest.fixture(scope="session")
def short():
    """The well-designed campaign cut down to its first run, with everything else kept."""
    scenario = replace(RAMP_TRIAL, schedule=RAMP_TRIAL.schedule[:1])
    scenario_run(scenario, scenario.schedule[0])
    return scenario
