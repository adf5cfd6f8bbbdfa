"""True samples: what a log refreshes is kept, what it repeats is not."""

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from intake_report.clean import clean
from intake_report.clean.sampling import find_pattern

from .support import log_of, text

NAMES = ("iat", "rpm", "speed", "map", "coolant", "ambient", "throttle")


def round_robin(seed, channels, cycles, chances, *, empty_start=True, dt=0.09):
    """Poll `channels` channels in turn, one per row; returns rows, and which cells are true samples.

    `chances` are the probabilities that a refresh brings a new value: small ones are slow channels.
    """
    rng = np.random.default_rng(seed)
    rows = channels * cycles
    values = np.empty((channels, rows))
    truth = np.zeros((channels, rows), dtype=bool)
    for j in range(channels):
        moves = rng.random(cycles) < chances[j]
        polled = 40.0 + np.cumsum(np.where(moves, rng.choice([-1.0, 1.0], cycles) * rng.integers(1, 4, cycles), 0.0))
        polled = 30.0 + np.abs(polled - 30.0) % 50.0
        places = np.arange(j, rows, channels)
        truth[j, places] = True
        values[j] = np.nan if empty_start else polled[0]
        for k, place in enumerate(places):
            values[j, place:] = polled[k]
    return np.arange(rows) * dt, values, truth


def columns_of(values):
    return dict(zip(NAMES, values, strict=False))


def kept(run, time):
    """Whether each cell of the original rows is a true sample of the cleaned run."""
    return run.frame.reindex(time).notna().to_numpy().T


@st.composite
def pollings(draw):
    channels = draw(st.integers(2, 7))
    chances = draw(st.lists(st.sampled_from([0.0, 0.003, 0.03, 0.3, 0.8]), min_size=channels, max_size=channels))
    # At least one channel has to move for the cycle to be visible at all.
    chances[draw(st.integers(0, channels - 1))] = 0.8
    return draw(st.integers(0, 2**32 - 1)), channels, draw(st.integers(60, 150)), chances


@settings(max_examples=60)
@given(pollings())
def test_round_robin_is_reduced_to_exactly_its_true_samples(polling):
    time, values, truth = round_robin(*polling)
    run = clean(log_of(columns_of(values), time))
    np.testing.assert_array_equal(kept(run, time), truth)
    assert np.array_equal(run.frame.to_numpy().T[run.frame.notna().to_numpy().T], values[truth])


@settings(max_examples=40)
@given(pollings(), st.floats(0.2, 0.8))
def test_a_lost_row_does_not_shift_the_samples_after_it(polling, where):
    seed, channels, cycles, chances = polling
    assume(channels >= 3)
    # Two busy channels, so that the slip is seen within a few rows.
    chances = [0.8, 0.8, *chances[2:]]
    time, values, truth = round_robin(seed, channels, cycles, chances)
    lost = int(where * time.size)
    time, values, truth = np.delete(time, lost), np.delete(values, lost, axis=1), np.delete(truth, lost, axis=1)
    run = clean(log_of(columns_of(values), time))
    # Away from the lost row every sample is placed exactly; beside it the row of the slip cannot be known.
    away = np.abs(np.arange(time.size) - lost) > 6 * channels
    np.testing.assert_array_equal(kept(run, time)[:, away], truth[:, away])
    assert any(e.step == "cycle-slip" for e in run.quality)


def test_constant_channel_without_first_appearance_keeps_one_row_per_cycle():
    time, values, truth = round_robin(3, 5, 300, [0.8, 0.8, 0.5, 0.3, 0.0], empty_start=False)
    run = clean(log_of(columns_of(values), time))
    assert abs(run.sampling["coolant"].samples - truth[4].sum()) <= 1
    assert run.sampling["iat"].interval == pytest.approx(5 * 0.09, rel=1e-6)
    reasons = {e.channel: e.reason for e in run.quality if e.step == "true-samples"}
    assert "one row in 5" in text(reasons["iat"]) and reasons["coolant"].value("cycle") == 5


def test_channel_polled_twice_per_cycle():
    rng = np.random.default_rng(2)
    order = ["rpm", "iat", "rpm", "map", "coolant"]
    rows = len(order) * 300
    values = {name: np.full(rows, np.nan) for name in ("rpm", "iat", "map", "coolant")}
    truth = {name: np.zeros(rows, dtype=bool) for name in values}
    for row in range(rows):
        name = order[row % len(order)]
        values[name][row:] = 800.0 + 10 * rng.integers(0, 50) if name == "rpm" else 20.0 + rng.integers(0, 30)
        truth[name][row] = True
    run = clean(log_of(values, np.arange(rows) * 0.1))
    np.testing.assert_array_equal(kept(run, np.arange(rows) * 0.1), list(truth.values()))


def walk(rng, n):
    return 30 + np.round(np.cumsum(rng.normal(0, 1, n))) % 40


@pytest.mark.parametrize(
    "slow",
    [
        walk(np.random.default_rng(1), 2000),
        np.where(np.arange(2000) < 700, 20.0, 21.0),
        # a degree every twenty rows looks like a refresh every twenty rows, but goes one step at a time
        40.0 + np.arange(2000) // 20,
    ],
)
def test_rows_that_change_together_are_samples_and_a_slow_channel_beside_them_keeps_every_row(slow):
    rng = np.random.default_rng(0)
    together = {name: walk(rng, 2000) for name in ("rpm", "speed", "map")}
    run = clean(log_of(together | {"coolant": slow}, np.arange(2000.0)))
    assert all(s.samples == 2000 and s.interval == 1.0 and s.rows == 2000 for s in run.sampling.values())


def test_held_channels_on_a_free_running_grid():
    """Rows every 0.01 s, refreshes every 0.173 s: not locked to the rows."""
    rng = np.random.default_rng(4)
    n, period = 20_000, 17.3
    data = {}
    for name in ("rpm", "map", "maf"):
        index = ((np.arange(n) + rng.uniform(0, period)) / period).astype(int)
        data[name] = (20.0 + rng.integers(0, 200, index.max() + 1))[index].astype(float)
    run = clean(log_of(data, np.arange(n) * 0.01))
    for name in data:
        assert run.sampling[name].interval == pytest.approx(0.173, abs=0.01)
        assert run.sampling[name].samples == pytest.approx(n / period, rel=0.02)


def test_position_rows_between_polled_rows_do_not_hide_the_cycle():
    time, values, truth = round_robin(3, 5, 400, [0.8, 0.8, 0.5, 0.3, 0.02])
    gps_time = np.arange(0.033, time[-1], 1.0)
    both = np.concatenate((time, gps_time))
    data = {n: np.concatenate((v, np.full(gps_time.size, np.nan))) for n, v in columns_of(values).items()}
    data["gps_speed"] = np.concatenate((np.full(time.size, np.nan), 30 + 10 * np.sin(gps_time / 9)))
    run = clean(log_of(data, both))
    np.testing.assert_array_equal(kept(run, time)[:5], truth)
    assert run.sampling["gps_speed"].samples == gps_time.size


def test_sparse_columns_are_taken_as_they_are():
    nan = np.nan
    iat = np.array([20.0, nan, nan, 20.0, nan, nan, 21.0, nan, nan, 21.0])
    rpm = np.array([nan, 800.0, nan, nan, 800.0, nan, nan, 800.0, nan, nan])
    found = clean(log_of({"iat": iat, "rpm": rpm}, np.arange(10.0))).sampling
    assert found["iat"].samples == 4 and found["rpm"].samples == 3 and found["iat"].interval == 3.0


def test_long_log_is_followed_over_a_slip_between_the_examined_windows():
    rng, cycles, channels = np.random.default_rng(1), 110_000, 4
    rows = cycles * channels
    data, truth = {}, {}
    for j, name in enumerate(("rpm", "map", "maf", "coolant")):
        polled = np.where(rng.random(cycles) < (0.02 if name == "coolant" else 0.8), rng.integers(20, 90, cycles), 50.0)
        index = (np.arange(rows) - j) // channels
        data[name] = np.where(index >= 0, polled[np.maximum(index, 0)], np.nan)
        truth[name] = (np.arange(rows) - j) % channels == 0
    lost = 37_123
    data = {n: np.delete(v, lost) for n, v in data.items()}
    time = np.delete(np.arange(rows) * 0.02, lost)
    for name, found in zip(data, kept(clean(log_of(data, time)), time), strict=True):
        assert np.count_nonzero(found != np.delete(truth[name], lost)) <= 12


def test_pattern_of_one_silent_channel_is_unseen():
    assert find_pattern({"iat": np.full(100, 20.0)})[0]["iat"].reason.code == "unseen"


@st.composite
def any_log(draw):
    rows = draw(st.integers(1, 120))
    names = draw(st.lists(st.sampled_from(NAMES), min_size=1, max_size=4, unique=True))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    data = {}
    for name in names:
        kind = draw(st.sampled_from(["walk", "held", "noise", "faulty", "sparse"]))
        values = 30 + np.round(np.cumsum(rng.normal(0, 1, rows)))
        if kind == "held":
            values = values[(np.arange(rows) // draw(st.integers(2, 12))).clip(max=rows - 1)]
        elif kind == "noise":
            values = rng.normal(40, 30, rows)
        elif kind == "faulty":
            values[rng.random(rows) < 0.1] = draw(st.sampled_from([-40.0, 215.0, 255.0, 1e9, -1e9]))
        elif kind == "sparse":
            values[rng.random(rows) < 0.6] = np.nan
        data[name] = values
    steps = rng.choice([0.1, 0.1, 0.1, 0.0, 7.0, -0.3], rows, p=[0.3, 0.3, 0.3, 0.03, 0.03, 0.04])
    return log_of(data, np.cumsum(steps))


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(any_log() | pollings().map(lambda polling: log_of(columns_of((made := round_robin(*polling))[1]), made[0])))
def test_cleaning_a_cleaned_run_changes_nothing(log):
    once = clean(log)
    again = clean(log_of({n: once.frame[n] for n in once.frame}, once.frame.index))
    np.testing.assert_array_equal(again.frame.index, once.frame.index)
    np.testing.assert_array_equal(again.frame.to_numpy(), once.frame.to_numpy())
    np.testing.assert_array_equal(again.masks.to_numpy(), once.masks.to_numpy())


@settings(max_examples=40)
@given(any_log())
def test_the_input_is_not_altered_and_every_sample_is_one_of_the_log(log):
    before = log.frame.copy(deep=True)
    run = clean(log)
    np.testing.assert_array_equal(log.frame.to_numpy(), before.to_numpy())
    for name in run.frame:
        values = run.frame[name].dropna().to_numpy()
        assert np.isin(values, before[name].to_numpy()).all()
        assert run.sampling[name].samples == values.size
        assert not run.masks[name][run.frame[name].isna()].any()


def test_one_channel_of_a_polled_log_is_enough():
    """Mapped alone, a channel still shows its cycle when its changes keep to many different multiples of it."""
    time, values, truth = round_robin(9, 7, 600, [0.4, 0.8, 0.5, 0.3, 0.1, 0.0, 0.1])
    assert clean(log_of({"iat": values[0]}, time)).sampling["iat"].samples == truth[0].sum()
