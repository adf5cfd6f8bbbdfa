"""One stock run and one short campaign, simulated once for all tests of the generator."""

from dataclasses import replace

import numpy as np
import pytest

from intake_report.demo.articles import STOCK, SimulatedVehicle
from intake_report.demo.route import demo_route, draw_plan
from intake_report.demo.scenario import RAMP_TRIAL
from intake_report.demo.simulate import simulate_runs


@pytest.fixture(scope="session")
def run():
    day = RAMP_TRIAL.days[0]
    return simulate_runs(
        [(STOCK, day, draw_plan(demo_route(), day, 16.0, np.random.default_rng(7)))], SimulatedVehicle()
    )[0]


@pytest.fixture(scope="session")
def short():
    """The well-designed campaign cut down to its first run, with everything else kept."""
    return replace(RAMP_TRIAL, schedule=RAMP_TRIAL.schedule[:1])
