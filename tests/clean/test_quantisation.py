"""Quantisation step found from the data."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from intake_report.clean import clean
from intake_report.clean.faults import quantisation_step

from .support import log_of

RNG = np.random.default_rng(3)
WALK = 40 + np.cumsum(RNG.normal(0, 0.8, 2000))


@settings(max_examples=60)
@given(st.sampled_from([0.1, 0.25, 0.5, 1.0, 2.0, 5.0]), st.integers(0, 2**32 - 1), st.sampled_from([None, 1.0, 0.1]))
def test_step_of_a_rounded_walk(step, seed, declared):
    walk = 40 + np.cumsum(np.random.default_rng(seed).normal(0, 1.2 * step, 1500))
    found, share = quantisation_step(np.round(walk / step) * step, declared)
    assert found == pytest.approx(step, rel=1e-3) and share == pytest.approx(1.0)


def test_values_that_an_app_interpolated_keep_their_step():
    """17.9999995 for 18, and a third of the values somewhere between two readings."""
    values = np.round(WALK) + RNG.normal(0, 5e-7, WALK.size)
    between = RNG.random(WALK.size) < 0.3
    values[between] += RNG.uniform(-0.5, 0.5, between.sum())
    step, share = quantisation_step(values, 1.0)
    assert step == pytest.approx(1.0) and 0.6 < share < 0.8


@pytest.mark.parametrize(
    ("values", "declared", "step"),
    [
        (np.round(np.round(WALK / (100 / 255)) * (100 / 255), 1), 100 / 255, 100 / 255),  # written with one decimal
        (np.round(WALK / 2.0) * 2.0 + 0.7, None, 2.0),  # a grid that does not begin at zero
        (np.where(np.arange(2000) < 1500, 0.0, WALK), None, None),  # a standing value does not invent a step
        *((WALK, declared, None) for declared in (None, 1.0)),  # a continuous reading
        (np.full(100, 20.0), None, None),
        (np.array([20.0, 21.0]), None, None),
        (np.array([]), None, None),
    ],
)
def test_step_of_other_readings(values, declared, step):
    assert quantisation_step(values, declared)[0] == (step and pytest.approx(step, rel=0.01))


def test_found_step_is_compared_with_the_declared_resolution():
    run = clean(log_of({"ambient": np.round(WALK / 5) / 1.0 * 0.5}, np.arange(2000) * 5.0), {"ambient": 0.1})
    assert run.sampling["ambient"].step == pytest.approx(0.5)
    (entry,) = [e for e in run.quality if e.step == "resolution" and e.channel == "ambient"]
    assert entry.reason.value("step").number == pytest.approx(0.5) and entry.reason.value("declared").number == 0.1
