"""Faults: codes, range, engine off, impossible rates, spikes, stuck channels."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from intake_report.channels import CHANNELS
from intake_report.clean import clean, faults

from .support import log_of

TIME = np.arange(600.0)
RNG = np.random.default_rng(11)
CALM = 30 + np.round(np.cumsum(RNG.normal(0, 0.3, 600)))


def bad_times(run, channel):
    return run.frame.index[run.masks[channel].to_numpy()].to_list()


def entries(run, step, channel=None):
    return [e for e in run.quality if e.step == step and channel in (None, e.channel)]


@pytest.mark.parametrize("code", [-40.0, 215.0, -39.9999999])  # an app may write the last for -40
def test_no_sensor_codes_are_masked_and_counted(code):
    iat = CALM.copy()
    iat[[100, 300, 301]] = code
    run = clean(log_of({"iat": iat}, TIME))
    assert bad_times(run, "iat") == [100, 300, 301]
    assert entries(run, "engine-off-unknown", "iat")  # no engine speed
    (found,) = entries(run, "fault-code")
    assert found.touched == 3 and found.share == pytest.approx(3 / 600)
    # The raw reading stays in the frame; only good() leaves it out.
    assert run.frame.loc[100.0, "iat"] == code
    assert code not in run.good("iat").to_numpy()


def test_full_scale_of_each_channel_in_the_catalogue():
    for name, known in CHANNELS.items():
        for code in known.fault_codes:
            values = np.full(50, 0.5 * (known.low + min(known.high, 120.0)))
            values[20] = code
            run = clean(log_of({name: values}, np.arange(50.0)))
            assert run.masks[name].iloc[20], f"{name} lets its code {code} through"


@pytest.mark.parametrize(
    ("step", "name", "values", "bad"),
    [
        ("implausible", "speed", np.select([TIME == 5, TIME == 6], [-3.0, 400.0], 60 + 20 * np.sin(TIME / 30)), [5, 6]),
        # 60 K in 3 s, and a true step of 60 K: at 8 K/s (plus two steps of 1 K) accepted again after 8 s
        ("impossible-rate", "iat", 30.0 + 20.0 * (TIME - 199) * ((TIME >= 200) & (TIME < 203)), [200, 201, 202]),
        ("impossible-rate", "iat", np.where(TIME < 200, 30.0, 90.0), list(range(200, 207))),
        ("impossible-rate", "iat", np.clip(30 + 3.0 * (TIME - 100), 30, 90), []),
    ],
)
def test_what_cannot_be_is_masked_and_counted(step, name, values, bad):
    run = clean(log_of({name: values}, TIME))
    assert bad_times(run, name) == bad
    assert [e.touched for e in entries(run, step, name)] == ([len(bad)] if bad else [])


def test_noise_beyond_the_rate_everywhere_is_said_not_masked():
    ambient = 20 + RNG.normal(0, 10, 600)
    run = clean(log_of({"ambient": ambient}, TIME))
    (found,) = entries(run, "rate-not-applied", "ambient")
    # A step of sd 14.1 K exceeds 2 K/s + 2 steps of 1 K with probability 0.777.
    assert found.reason.value("n") == pytest.approx(0.777 * 599, abs=40)
    assert not run.masks["ambient"].any()


def test_spike_on_true_samples():
    # 16 K on a 1 s channel: reachable by rate (2 s at 8 K/s), yet out and back between neighbours.
    time = np.arange(300) * 2.0
    iat = np.full(300, 30.0) + np.tile([0.0, 1.0], 150)
    iat[150] = 30 + 8.0 * 2.0 + 5.0
    assert bad_times(clean(log_of({"iat": iat}, time)), "iat") == [300.0]


@given(
    arrays(np.float64, st.integers(7, 80), elements=st.integers(-5, 5).map(float)),
    st.sampled_from([1, 2, 3]),
    st.sampled_from([0.0, 0.5, 2.0, 4.0]),
)
def test_spike_rule_equals_the_plain_hampel_rule(values, half, floor):
    expected = np.zeros(values.size, dtype=bool)
    for i in range(values.size):
        first = min(max(i - half, 0), values.size - 2 * half - 1)
        window = values[first : first + 2 * half + 1]
        middle = np.median(window)
        spread = 1.4826 * np.median(np.abs(window - middle))
        off = abs(values[i] - middle)
        expected[i] = off > 5.0 * spread and off > floor
    mask = faults.spikes(values, half, 5.0, floor)
    np.testing.assert_array_equal(np.zeros(values.size, dtype=bool) if mask is None else mask, expected)


@given(
    arrays(np.float64, st.integers(2, 60), elements=st.integers(-30, 30).map(float)),
    st.sampled_from([1.0, 5.0, 20.0]),
    st.sampled_from([0.0, 1.0]),
)
def test_rate_rule_equals_the_plain_recursion(values, rate, step):
    time = np.arange(values.size) * 0.5
    expected = np.zeros(values.size, dtype=bool)
    good = 0
    for i in range(1, values.size):
        if abs(values[i] - values[good]) <= rate * (time[i] - time[good]) + 2 * step:
            good = i
        else:
            expected[i] = True
    mask, too_many = faults.impossible_rates(time, values, rate, step)
    if not too_many:
        np.testing.assert_array_equal(np.zeros(values.size, dtype=bool) if mask is None else mask, expected)


def engine_stop():
    """Engine cranked from 200 to 230 s: the intake reading climbs to 140 °C, falls over 10 s after, undershoots."""
    rpm = np.where((TIME >= 200) & (TIME < 230), 380.0, 420.0)
    off = np.clip(TIME - 200, 0, 3) / 3
    iat = np.where((TIME >= 200) & (TIME < 230), 25 + 115 * off, 25.0)
    after = (TIME >= 230) & (TIME < 300)
    iat[after] = 20 + 120 * np.exp(-(TIME[after] - 230) / 3) - 20 * np.exp(-(((TIME[after] - 245) / 12) ** 2))
    return rpm, np.round(iat)


def test_heat_of_the_stopped_engine_is_kept_out_of_metrics():
    rpm, iat = engine_stop()
    run = clean(log_of({"rpm": rpm, "iat": iat}, TIME))
    good = run.good("iat")
    assert good.max() <= 26
    assert good[(good.index >= 200) & (good.index < 260)].empty
    assert good[(good.index < 199)].size == 199
    assert entries(run, "engine-off", "iat")[0].reason.value("highest").number == 140.0


def test_restart_lasts_until_the_intake_is_no_longer_below_ambient():
    rpm, iat = engine_stop()
    iat[(TIME >= 255) & (TIME <= 275)] = 17.8
    run = clean(log_of({"rpm": rpm, "iat": iat, "ambient": np.full(600, 20.0)}, TIME))
    good = run.good("iat")
    assert good[(good.index >= 200) & (good.index <= 275)].empty
    assert (good[good.index > 276] > 17).any()
    assert entries(run, "restart", "iat")


def test_stuck_channel_while_driving():
    maf = 10 + 0.1 * SPEED + RNG.normal(0, 0.2, 600)
    maf[200:262] = 12.34
    run = clean(log_of({"speed": SPEED, "maf": maf}, TIME))
    assert bad_times(run, "maf") == list(range(200, 262))
    assert entries(run, "stuck", "maf")[0].touched == 62


FAST = np.arange(20_000) * 0.01
SPEED = np.round(60 + 30 * np.sin(TIME / 20))
IDLE = np.where((TIME > 200) & (TIME < 400), 0.0, SPEED)


@pytest.mark.parametrize(
    ("time", "data"),
    [
        pytest.param(FAST, {"iat": np.round(30 + 5 * np.sin(FAST / 20))}, id="steps at a high row rate"),
        pytest.param(TIME, {"rpm": 900.0 + RNG.integers(0, 9, 600), "iat": CALM}, id="an engine that never stops"),
        pytest.param(TIME, {"pedal_e": np.full(600, -1e6)}, id="a column outside the catalogue"),
        pytest.param(TIME, {"rpm": 9 * IDLE, "map": np.where(IDLE, 40.0, 98.0)}, id="pressure while the engine is off"),
        pytest.param(TIME, {"speed": IDLE, "map": np.where(IDLE, 40 + np.round(SPEED / 3), 35.0)}, id="idle"),
    ],
)
def test_what_may_be_is_not_masked(time, data):
    run = clean(log_of(data, time))
    assert not run.masks[list(data)[-1]].any() and run.has(list(data)[-1])


def test_position_that_stands_while_driving_or_leaps_away_and_back():
    speed = np.full(600, 72.0) + RNG.normal(0, 1, 600)
    latitude, longitude = 50 + TIME * 1.8e-4, 7 + TIME * 1e-5
    latitude[300:320], longitude[300:320] = latitude[300], longitude[300]
    run = clean(log_of({"speed": speed, "latitude": latitude, "longitude": longitude}, TIME))
    assert bad_times(run, "latitude")[:19] == bad_times(run, "longitude")[:19] == list(range(301, 320))
    latitude = 50 + TIME * 1.8e-4
    latitude[300] += 0.05
    assert bad_times(clean(log_of({"latitude": latitude, "longitude": longitude}, TIME)), "latitude") == [300]


def test_constant_channel_is_named_and_kept():
    run = clean(log_of({"iat": np.full(600, 25.0), "rpm": 900 + RNG.integers(0, 50, 600)}, TIME))
    (found,) = entries(run, "constant")
    assert found.channel == "iat" and found.reason.value("value").number == 25.0
    assert not run.masks["iat"].any()


@given(
    arrays(
        np.float64,
        st.tuples(st.integers(1, 60), st.just(3)),
        elements=st.floats(allow_nan=True, allow_infinity=False) | st.sampled_from([1e308, -1e308, 0.0, 20.0, -40.0]),
    )
)
def test_absurd_numbers_do_not_break_anything(values):
    run = clean(log_of(dict(zip(("iat", "pedal_e", "rpm"), values.T, strict=True)), np.arange(float(len(values)))))
    for name in ("iat", "rpm"):
        good = run.good(name).to_numpy()
        assert ((good >= CHANNELS[name].low) & (good <= CHANNELS[name].high)).all()


STOPS = ((100, 140), (220, 280), (400, 430))


def start_stop(kind):
    """A car that stops its engine at three lights; the log then holds zeros, nothing, or the last answers again."""
    off = np.any([(begin <= TIME) & (end > TIME) for begin, end in STOPS], axis=0)
    rng = np.random.default_rng(7)
    data = {
        "rpm": np.where(off, 0.0, 900 + rng.integers(0, 400, 600)),
        "iat": 30.0 + np.where(off, np.minimum(TIME % 60, 40.0), np.round(2 * np.sin(TIME / 50))),
        "maf": np.where(off, 0.0, 5 + rng.random(600)),
        "speed": np.where(off, 0.0, 40.0 + 5 * np.sin(TIME / 9)),
    }
    if kind == "stale":
        last = np.maximum.accumulate(np.where(off, 0, np.arange(600)))
        data = {name: values[last] for name, values in data.items()}
    elif kind == "missing":
        data |= {name: np.where(off, np.nan, data[name]) for name in ("rpm", "iat", "maf")}
        data["gps_speed"] = data["speed"] + rng.random(600)
    return data


@pytest.mark.parametrize("kind", ["zero", "stale", "missing"])
def test_start_stop_car_has_no_intake_temperature_while_its_engine_is_off(kind):
    data = start_stop(kind)
    # Hot air in the duct after each restart, which falls within some seconds
    for _, end in STOPS:
        data["iat"][end : end + 8] = 60.0 - 3.0 * np.arange(8)
    run = clean(log_of(data, TIME))
    good = run.good("iat")
    for begin, end in STOPS:
        assert good[(good.index > begin) & (good.index < end + 29)].empty, kind
    (said,) = entries(run, "start-stop", "iat")
    assert said.touched == 3 and said.reason.value("n").number == 3
    # 130 s off and 30 s after each of three starts, of 599 s; the stop lies within a second before the first sample
    assert said.share == pytest.approx((130 + 90) / 599, abs=0.01)


def test_an_engine_that_idles_evenly_is_not_taken_for_a_silent_one():
    """One value of one channel is not enough: the control unit is silent when nothing of it moves."""
    data = start_stop("stale")
    data["maf"] = 5 + np.random.default_rng(1).random(600)
    run = clean(log_of(data, TIME))
    assert not run.masks["iat"].any() and not entries(run, "start-stop")


def test_a_lost_stretch_of_the_whole_log_is_no_engine_stop():
    data = start_stop("missing")
    keep = ~np.isnan(data["rpm"])
    run = clean(log_of({name: values[keep] for name, values in data.items()}, TIME[keep]))
    assert not run.masks["iat"].any() and entries(run, "gap")


def slow_position(seed, decimals=6):
    """A drive of 30 min with stops, of which the position is refreshed every 10 to 14 s and held between."""
    rng = np.random.default_rng(seed)
    time = np.arange(1800.0)
    speed = np.clip(45 + 40 * np.sin(time / 70) + 25 * np.sin(time / 23), 0, None)
    metres = np.cumsum(speed / 3.6)
    heading = np.cumsum(rng.normal(0, 0.02, time.size))
    north, east = np.cumsum(np.diff(metres, prepend=0.0) * [np.cos(heading), np.sin(heading)], axis=1)
    latitude, longitude = np.round(50 + north / 111_200, decimals), np.round(7 + east / 71_600, decimals)
    fixes = np.cumsum(rng.integers(10, 15, time.size))
    fixes = np.append(0, fixes[fixes < time.size])
    held = fixes[np.searchsorted(fixes, np.arange(time.size), side="right") - 1]
    return time, {"speed": np.round(speed), "latitude": latitude[held], "longitude": longitude[held]}, fixes


POSITION_FAULTS = ("stuck", "impossible-rate", "rate-not-applied", "spike")


@pytest.mark.parametrize("seed", range(5))
def test_a_slow_position_is_named_and_only_its_fixes_count(seed):
    time, data, fixes = slow_position(seed)
    run = clean(log_of(data, time))
    moved = [f for f in fixes if f == 0 or data["latitude"][f] != data["latitude"][f - 1]]
    for name in ("latitude", "longitude"):
        assert run.good(name).index.to_list() == moved
        assert not [e.step for e in run.quality if e.channel == name and e.step in POSITION_FAULTS]
    (named,) = entries(run, "slow-position")
    assert 10.0 <= named.reason.value("interval").number <= 14.0


def test_a_wrong_fix_of_a_slow_position_is_judged_by_the_distance_travelled():
    """700 m in 12 s could be driven at 210 km/h; at the speed that the log shows it is not."""
    time, data, fixes = slow_position(1)
    data["latitude"][slice(fixes[60], fixes[61])] += 700.0 / 111_200
    assert bad_times(clean(log_of(data, time)), "latitude") == [fixes[60]]


def test_a_coarse_position_is_not_stuck():
    """Three decimals are cells of a hundred metres, which a car in town needs more than 10 s to cross."""
    time, data, _ = slow_position(2, decimals=3)
    run = clean(log_of(data, time))
    assert not [e for e in run.quality if e.channel == "latitude" and e.step in POSITION_FAULTS]
