"""One stock run and one short campaign, simulated once for all tests of the generator."""

from dataclasses import replace

import pytest

from intake_report.demo.articles import STOCK
from intake_report.demo.scenario import RAMP_TRIAL, scenario_run
from intake_report.demo.simulate import simulate_run


@pytest.fixture(scope="session")
def run():
    return simulate_run(STOCK, RAMP_TRIAL.days[0], 7, start=16.0)


@pytest.fixture(scope="session")
def short():
    """The well-designed campaign cut down to its first run, with everything else kept."""
    scenario = replace(RAMP_TRIAL, schedule=RAMP_TRIAL.schedule[:1])
    scenario_run(scenario, scenario.schedule[0])
    return scenario
