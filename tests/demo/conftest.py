"""One stock run, simulated once for all tests of the generator."""

import numpy as np
import pytest

from intake_report.demo.route import demo_route, draw_plan
from intake_report.demo.scenario import RAMP_TRIAL, STOCK, SimulatedVehicle
from intake_report.demo.simulate import simulate_runs


@pytest.fixture(scope="session")
def run():
    day = RAMP_TRIAL.days[0]
    plan = draw_plan(demo_route(), day, 16.0, np.random.default_rng(7))
    return simulate_runs([(STOCK, day, plan)], SimulatedVehicle())[0]
