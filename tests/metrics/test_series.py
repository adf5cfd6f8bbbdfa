"""The pieces that metrics are made from: rebuilding from steps, weights, crossings, slopes."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import theilslopes

from intake_report.metrics.series import first_below, slope, weights
from metrics.support import rebuild

times = st.lists(st.floats(0.1, 5.0), min_size=3, max_size=40).map(np.cumsum)


@given(rate=st.floats(0.05, 0.9), start=st.floats(-1.0, 1.0), falls=st.booleans())
def test_rebuilt_ramp_is_the_ramp_to_the_polling(rate, start, falls):
    # an edge is known to half a sample, so the ramp to half a sample's change; at the ends no edge was seen
    time = np.arange(0.0, 60.0)
    air = start + (-rate if falls else rate) * time
    rebuilt = rebuild(time, np.round(air), 1.0)
    changes = np.flatnonzero(np.diff(np.round(air)))
    assert np.abs(rebuilt - air)[slice(changes[0] + 1, changes[-1] + 1)].max() <= 0.5 * rate + 1e-9


@pytest.mark.parametrize("reading, step", [([1.23, 4.56, 7.89], None), ([1.23, 4.56, 7.89], 0.0), ([21.0] * 10, 1.0)])
def test_a_reading_without_steps_is_left_alone(reading, step):
    assert rebuild(np.arange(len(reading)), np.array(reading), step).tolist() == reading


@given(time=times, start=st.floats(-5.0, 200.0), length=st.floats(0.0, 200.0), gap=st.floats(0.05, 6.0))
def test_weights_add_up_to_the_time_covered(time, start, length, gap):
    end = start + length
    weight = weights(time, start, end, gap)
    covered = sum(max(0.0, min(b, end) - max(a, start)) for a, b in pairwise(time) if b - a <= gap)
    assert weight.sum() == pytest.approx(covered, abs=1e-9)
    assert np.all(weight >= 0.0)


@given(time=times, data=st.data())
def test_integral_over_all_samples_is_the_trapezoid_rule(time, data):
    values = np.array(data.draw(st.lists(st.floats(-50, 50), min_size=time.size, max_size=time.size)))
    found = values @ weights(time, time[0], time[-1], np.inf)
    assert found == pytest.approx(np.trapezoid(values, time), abs=1e-6)


@given(time=times, hold=st.one_of(st.just(0.0), st.floats(0.1, 30.0)), data=st.data())
def test_a_crossing_that_lasts_against_a_plain_loop_row_by_row(time, hold, data):
    rows = st.lists(st.integers(-2, 2), min_size=time.size, max_size=time.size)
    values = np.array(data.draw(st.lists(rows, min_size=1, max_size=4)), dtype=float)
    start, end = float(time[0]), float(time[-1])
    crossing, reached = first_below(time, values, 0.0, start, end, hold)
    for row, found, ok in zip(values, crossing, reached, strict=True):
        above = [float(t) for t, v in zip(time, row, strict=True) if v > 0.0]
        begins = [i for i in range(time.size) if row[i] <= 0.0 and (i == 0 or row[i - 1] > 0.0)]
        lasting = [i for i in begins if all(t - time[i] >= hold for t in above if t > time[i])]
        if not lasting:
            assert (found, ok) == (end, False)
            continue
        i = lasting[0]
        share = 0.0 if i == 0 else (row[i - 1] - 0.0) / (row[i - 1] - row[i])
        assert found == pytest.approx(start if i == 0 else time[i - 1] + share * (time[i] - time[i - 1]))
        assert ok == (end - time[i] >= hold)


@given(time=times, data=st.data())
def test_slope_is_that_of_an_independent_implementation(time, data):
    values = np.array(data.draw(st.lists(st.floats(-50, 50), min_size=time.size, max_size=time.size)))
    assert float(slope(time, values)) == pytest.approx(theilslopes(values, time).slope, rel=1e-9, abs=1e-9)


def test_slope_of_the_published_example():
    # Sen, J. Am. Stat. Assoc. 63 (1968), as used in SciPy's test_mstats_basic.py: slope 4
    x, y = np.array([1, 2, 3, 4, 10, 12, 18.0]), np.array([9, 15, 19, 20, 45, 55, 78.0])
    assert float(slope(x, y)) == 4.0
