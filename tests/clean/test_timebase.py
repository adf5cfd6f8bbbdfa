"""Time base: backward steps, late rows, equal times, gaps."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from intake_report.clean import clean
from intake_report.clean.steps import repair

from .support import log_of, text


def steps(base):
    return [e.step for e in base.entries]


def test_what_needs_no_repair_is_left_alone_and_gaps_are_named():
    time = np.arange(100) * 0.1
    base = repair(time)
    assert base.order is None and base.time is time and base.entries == ()
    assert steps(repair(np.arange(0.0, 7 * 86_400.0, 60.0))) == []  # a week
    assert steps(repair(np.append(np.arange(500.0), 40 * 86_400.0 + np.arange(500.0)))) == ["gap"]
    base = repair(np.concatenate((time, 30.0 + time)))
    assert steps(base) == ["gap"] and "20.1 s at 9.9 s" in text(base.entries[0].reason)


def test_clock_set_back_keeps_file_order_and_moves_later_times_on():
    time = np.arange(100) * 0.1
    time[60:] -= 0.46
    base = repair(time)
    assert steps(base) == ["clock-set-back"] and base.entries[0].touched == 1 and base.order is None
    # The row after the step comes one usual interval after the row before it.
    np.testing.assert_allclose(base.time, np.arange(100) * 0.1, atol=1e-9)


def test_restarted_clock_says_that_the_pause_is_unknown():
    base = repair(np.concatenate((np.arange(3000) * 0.1, np.arange(3000) * 0.1)))
    assert steps(base) == ["clock-set-back"] and "unknown" in text(base.entries[0].reason)
    assert (np.diff(base.time) > 0).all()


def test_late_rows_are_sorted():
    time = np.arange(50.0)
    time[[20, 21]] = time[[21, 20]]
    base = repair(time)
    assert steps(base) == ["rows-out-of-order"] and base.order[20] == 21
    np.testing.assert_array_equal(base.time, np.arange(50.0))


def test_coarse_clock_is_spread():
    truth = np.arange(200) * 0.1
    base = repair(np.floor(truth + 1e-9))
    assert "coarse-clock" in steps(base)
    np.testing.assert_allclose(base.time, truth, atol=1e-9)


def test_one_message_in_several_rows_is_merged():
    iat, rpm = np.full((2, 40), np.nan)
    iat[::2] = np.linspace(20, 25, 20)
    rpm[1::2] = np.linspace(800, 1200, 20)
    run = clean(log_of({"iat": iat, "rpm": rpm}, np.repeat(np.arange(20.0), 2)))
    assert run.frame.shape == (20, 2) and run.frame.notna().to_numpy().all()
    assert [e.touched for e in run.quality if e.step == "duplicate-times"] == [20]


def test_few_equal_times_are_merged_with_the_last_sample():
    time = np.array([0.0, 1.0, 2.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0])
    run = clean(log_of({"iat": [20, 21, 22, 23, 24, 25, 26, 27, 28, 29]}, time))
    assert run.frame.loc[2.0, "iat"] == 23 and (np.diff(run.frame.index) > 0).all()


def test_nothing_is_interpolated_across_a_gap():
    time = np.concatenate((np.arange(20.0), 60.0 + np.arange(20.0)))
    run = clean(log_of({"iat": np.linspace(20, 30, 40)}, time))
    assert np.isnan(run.at("iat", [40.0])).all()
    assert np.isfinite(run.at("iat", [5.5, 19.0, 60.0, 70.5])).all()
    assert any(e.step == "channel-gap" and e.channel == "iat" for e in run.quality)
    assert np.isnan(run.at("iat", [-1.0, 200.0])).all()
    slow = clean(log_of({"speed": np.linspace(0, 50, 30)}, np.arange(30) * 6.0))
    assert np.isfinite(slow.at("speed", [9.0])).all()  # samples every 6 s are no gaps


def test_empty_log():
    run = clean(log_of({"iat": []}, []))
    assert run.frame.empty and run.masks.shape == (0, 1) and not run.has("iat")
    assert run.sampling["iat"].samples == 0 and np.isnan(run.sampling["iat"].interval)


@given(st.lists(st.floats(-1e6, 1e6) | st.sampled_from([0.0, 1.0, 2.0]), max_size=60))
def test_any_times_become_strictly_increasing(times):
    run = clean(log_of({"iat": np.linspace(10, 20, len(times))}, times))
    index = run.frame.index.to_numpy()
    assert np.isfinite(index).all() and (np.diff(index) > 0).all() and run.frame.shape == run.masks.shape
