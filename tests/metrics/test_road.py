"""The metrics on series whose answers are known in closed form, and properties that hold for every series."""

import math
from dataclasses import replace

import numpy as np
import pytest

from intake_report.metrics import REGISTRY, Span, evaluate, evaluate_draws
from intake_report.results import MetricKey, Parameter
from metrics.support import decay, entered, reason, rebuild, recovery, series, stopped, value


# t = τ·ln(ΔT0/N) of a first-order recovery (identity); the values to 1 ms
@pytest.mark.parametrize(
    ("rise", "margin", "tau", "seconds"),
    [(30.0, 5.0, 60.0, 107.506), (40.0, 5.0, 45.0, 93.575), (25.0, 3.0, 90.0, 190.824), (38.0, 5.0, 75.0, 152.111),
     (38.0, 10.0, 75.0, 100.125), (38.0, 3.0, 75.0, 190.423)],
)  # fmt: skip
def test_recovery_of_a_first_order_decay(rise, margin, tau, seconds):
    # exact values, 1 s apart: a straight line between them is above the exponential by at most 1/8·(1 s)²·N/τ² in
    # temperature, which is 1/(8τ) s in time
    found = recovery(entered(*decay(rise, tau)), margin)
    assert found.status == "ok"
    assert found.value == pytest.approx(seconds, abs=1.0 / (8.0 * tau) + 6e-4)
    assert found.value == pytest.approx(tau * math.log(rise / margin), abs=1.0 / (8.0 * tau))
    assert (found.time, found.distance) == pytest.approx((found.value, 20.0 * found.value))


def test_recovery_timed_by_whole_degrees():
    # ambient 20 °C, 58 °C at entry, τ 75 s, a sample every 5 s, to within 5 K: true time 152.111 s
    time, air = decay(38.0, 75.0, step=5.0, end=360.0)
    by_edges = [recovery(entered(time, rebuild(time, cut(air), 1.0)), 5.0).value for cut in (np.round, np.floor)]
    # An edge lies anywhere in the 5 s between two samples and is put into their middle: 2.5 s; between two edges a
    # straight line stands for the exponential, which is late by up to `chord`.
    chord = max_lateness(5.0, 75.0)
    assert -2.5 <= by_edges[0] - 152.111 <= 2.5 + chord
    # A reading that is cut off is half a degree low on the whole: as if the margin were 5.5 K.
    assert -2.5 <= by_edges[1] - 75.0 * math.log(38.0 / 5.5) <= 2.5 + chord


def max_lateness(margin: float, tau: float) -> float:
    """Return by how much a straight line between the edges one degree apart around `margin` can be late [s]."""
    shares = np.linspace(0.0, 1.0, 401)
    upper, lower = margin + shares, margin + shares - 1.0
    straight = -np.log(upper) * (1.0 - shares) - np.log(lower) * shares
    return float(tau * np.max(straight + np.log(margin)))


def test_timing_the_edges_beats_the_first_reading_below():
    """With τ 45 s and a margin of 1.67 K the reading's edges time a recovery to 0.9 s, the first reading to 7.8 s.

    Standard deviations over where ambient lies between two whole degrees, the rise at entry and the time of polling.
    """
    tau, margin = 45.0, 5.0 / 3.0
    generator = np.random.default_rng(20260609)
    by_edges, by_first = [], []
    for _ in range(300):
        ambient, rise = 20.0 + generator.uniform(), generator.uniform(10.0, 20.0)
        time = np.arange(-20.0, 400.0) + generator.uniform()
        reading = np.round(ambient + rise * np.exp(-np.maximum(time, 0.0) / tau))
        truth = tau * math.log(rise / margin)
        by_edges.append(recovery(entered(time, rebuild(time, reading, 1.0), ambient), margin).value - truth)
        by_first.append(float(time[(time > 0.0) & (reading - ambient <= margin)][0]) - truth)
    assert np.std(by_edges) < 0.9
    assert 7.0 < np.std(by_first) < 8.6
    # A straight line between two edges would be late by up to `max_lateness` (2.2 s here) and half a polling interval; the
    # smooth curve has a part of that left, to either side.
    assert np.abs(by_edges).max() < 0.5 * max_lateness(margin, tau) + 0.5
    assert abs(np.mean(by_edges)) < 0.25


def test_sensor_in_series_is_later_than_the_air():
    # The sensor's own time constant of 15 s after air of τ 75 s: the element is within 5 K at 168.85 s, not 152.11 s (the
    # two-exponential solution of the two first-order lags in series, solved by bisection)
    time = np.arange(0.0, 400.0)
    element = 20.0 + 38.0 * (75.0 * np.exp(-time / 75.0) - 15.0 * np.exp(-time / 15.0)) / 60.0
    assert recovery(entered(time, element), 5.0).value == pytest.approx(168.85, abs=0.02)


def test_not_reached_is_a_result_with_its_bound():
    time, air = decay(30.0, 60.0, end=100.0)
    for run, bound in ((entered(time, air), 100.0), (entered(*decay(30.0, 60.0), entry_end=90.0), 90.0)):
        found = recovery(run, 5.0)
        assert (found.status, found.value, found.bound) == ("not reached", None, bound)


def test_within_the_margin_at_entry_is_a_state_of_its_own():
    time, air = decay(1.0, 60.0)
    key = MetricKey(REGISTRY["recovery_time"].spec, Parameter("margin", "1.50K", 1.5))
    for within in (air, air - 5.0):  # 1 K above ambient, and below ambient
        found = recovery(entered(time, within, hold=10.0), 1.5)
        assert (found.status, found.value, found.bound) == ("within at entry", None, 0.0)
        assert found.reason.code == "within" and not found.note
    risen = recovery(entered(time, np.where(time > 60.0, 30.0, air), hold=10.0), 1.5)
    assert (risen.status, risen.note.code) == ("within at entry", "left-margin")
    draws = evaluate_draws(key, entered(time, np.stack([air, air + 10.0, air + 1.0]), hold=10.0))
    # 11 K never come to 1.5 K within 400 s; 1 + exp(−t/60) = 1.5 at 60·ln 2
    assert draws == pytest.approx([-np.inf, np.inf, 60.0 * math.log(2.0)], abs=0.05)


def test_a_recovery_is_held():
    """A visit of 6 s does not end the recovery where it has to last 10 s; both times are stated."""
    time = np.arange(0.0, 200.0)
    air = np.where((time >= 40.0) & (time < 46.0) | (time >= 90.0), 21.0, 30.0)
    found = recovery(entered(time, air, hold=10.0), 2.0)
    # from 30 to 21 °C in the second before, the margin is crossed after 8/9 of it
    assert found.value == pytest.approx(89.0 + 8.0 / 9.0)
    assert found.note.code == "short-visit" and found.note.value("first").number == pytest.approx(39.0 + 8.0 / 9.0)
    assert recovery(entered(time, air, hold=5.0), 2.0).value == pytest.approx(39.0 + 8.0 / 9.0)
    # the highway ends before it is known whether the visit lasts: longer than up to its start
    late, lasts = (recovery(entered(time, air, hold=10.0, entry_end=end), 2.0) for end in (99.0, 100.0))
    assert (late.status, late.bound, lasts.status) == ("not reached", pytest.approx(89.0 + 8.0 / 9.0), "ok")
    short = recovery(entered(time, np.where((time >= 40.0) & (time != 42.0), 21.0, 30.0), hold=10.0), 2.0)
    assert (short.value, short.note.code) == (pytest.approx(42.0 + 8.0 / 9.0), "short-visit")
    visit = recovery(entered(time, np.where(time < 4.0, 21.0, air), hold=10.0), 2.0)
    assert visit.status == "ok" and visit.value == pytest.approx(89.0 + 8.0 / 9.0)


def test_a_dip_before_the_entry_does_not_count():
    time = np.arange(-30.0, 200.0)
    air = np.where(time < -10.0, 20.5, 20.0 + 20.0 * np.exp(-np.maximum(time, 0.0) / 40.0))
    assert recovery(entered(time, air), 2.0).value == pytest.approx(40.0 * math.log(10.0), abs=0.01)


@pytest.mark.parametrize(
    ("run", "said"),
    [
        (series([0, 1, 2], [30, 30, 30]), "the run has no highway entry"),
        (series([0, 1, 2], [30, 30, 30], entry=2.0, entry_end=2.0), "no intake air temperature samples after"),
        (series([0, 1, 2], [30, 30, 30], None, entry=0.0, entry_end=2.0), "no ambient temperature was recorded"),
        (series([], []), "the run has no intake air temperature channel"),
        (series([0], [30]), "1 intake air temperature samples, 2 are needed"),
    ],
)
def test_recovery_that_cannot_be_computed_says_why(run, said):
    found = recovery(run, 2.0)
    assert (found.status, found.value, found.bound) == ("not computed", None, None)
    assert said in reason(found)


def test_heat_soak_of_a_straight_rise():
    # 35 °C + 0.08 K/s over 180 s is 4.8 K/min
    time = np.arange(0.0, 181.0)
    assert value("heat_soak_rate", stopped(time, 35.0 + 0.08 * time)).value == pytest.approx(4.8, abs=1e-9)
    # in whole degrees the edges keep the slope: each edge is out by half a sample (0.5 s of 12.5 s per degree), and the
    # first and last plateaus, whose outer edges were not seen, by half a degree at most
    found = value("heat_soak_rate", stopped(time, rebuild(time, np.round(35.0 + 0.08 * time), 1.0))).value
    assert found == pytest.approx(4.8, rel=0.5 / 12.5)


def test_heat_soak_of_a_rise_that_levels_off():
    # 80 − 45·e^(−t/240 s) over 180 s: 58.7435 °C at the end, mean rate 7.9145, least-squares slope 7.8530, 11.25 K/min at
    # the start (arithmetic). The rate of this report is the median slope of all pairs, which must be said which it is.
    time = np.arange(0.0, 181.0)
    air = 80.0 - 45.0 * np.exp(-time / 240.0)
    found = value("heat_soak_rate", stopped(time, air)).value
    slopes = [(air[j] - air[i]) / (j - i) for i in range(181) for j in range(i + 1, 181)]
    assert found == pytest.approx(60.0 * float(np.median(slopes)), abs=1e-9)
    assert found == pytest.approx(7.8530, abs=0.1)
    assert 60.0 * (air[-1] - air[-2]) < found < 11.25


def test_heat_soak_is_the_median_of_the_stops_that_are_long_enough():
    time = np.arange(0.0, 200.0)
    rates = {(0, 30): 2.0, (50, 80): 6.0, (100, 130): 10.0, (150, 158): 60.0}
    air = np.full(200, 30.0)
    for (a, b), rate in rates.items():
        air[a : b + 1] += rate / 60.0 * (time[a : b + 1] - a)
    run = series(time, air, stops=tuple(Span(float(a), float(b)) for a, b in rates))
    assert value("heat_soak_rate", run).value == pytest.approx(6.0)
    assert value("heat_soak_rate", replace(run, minimum_stop=5.0)).value == pytest.approx(8.0)
    none = value("heat_soak_rate", replace(run, minimum_stop=60.0))
    assert reason(none) == "the run has no stop of 60 s or more with 5 samples or more"


def test_peaks_know_their_place():
    run = series([0, 1, 2, 3], [30, 33, 31, 32], [20, 25, 20, 20])
    top, over = value("peak_iat", run), value("peak_over_ambient", run)
    assert (top.value, top.time, top.distance) == (33.0, 1.0, 20.0)
    assert (over.value, over.time, over.distance) == (12.0, 3.0, 60.0)  # not where the air is hottest


def test_mean_is_weighted_by_time_and_not_by_samples():
    # ten samples in the first second, one each ten seconds after: a mean of samples would be near 11
    time = np.concatenate([np.linspace(0.0, 1.0, 10), [11.0, 21.0, 31.0]])
    over = np.where(time <= 1.0, 12.0, 2.0)
    run = series(time, 20.0 + over, phases=(Span(0.0, 31.0, "city"),), max_gap=10.0)
    by_hand = (12.0 * 1.0 + 7.0 * 10.0 + 2.0 * 20.0) / 31.0  # trapezoids
    assert value("mean_over_ambient", run, key="city").value == pytest.approx(by_hand)


def test_mean_of_a_phase_that_was_hardly_observed_is_not_given():
    time = np.concatenate([np.arange(0.0, 40.0), np.arange(70.0, 101.0)])
    run = series(time, np.full(time.size, 25.0), phases=(Span(0.0, 100.0, "city"),), max_gap=15.0)
    found = value("mean_over_ambient", run, key="city")
    assert found.status == "not computed"
    assert reason(found) == "only 69 % of the phase has intake air temperature samples"
    missing = value("mean_over_ambient", run, key="highway", label="Highway")
    assert reason(missing) == "the run does not pass through the phase “Highway”"


def test_time_above_the_limit():
    time = np.arange(0.0, 101.0)
    run = series(time, np.where((time >= 20.0) & (time < 50.0), 50.0, 40.0))
    assert value("time_above_limit", run, key="45C", number=45.0).value == pytest.approx(30.0, abs=1.0)
    assert value("time_above_limit", run, key="60C", number=60.0).value == 0.0


def test_density_ratio_is_that_of_absolute_temperatures():
    # equal pressure: density goes as 1/T; 10 °F more at 25 °C costs 1.86 % (arithmetic with 298.15 K)
    found = value("charge_density_ratio", series([0.0, 10.0], [25.0 + 50.0 / 9.0] * 2, 25.0)).value
    assert found - 100.0 == pytest.approx(-1.829, abs=1e-3)
    assert pytest.approx(found) == 100.0 * (298.15 / (298.15 + 50.0 / 9.0))


def test_draws_are_carried_along_the_leading_axis():
    """A stack of series gives a stack of values: what Monte Carlo relies on."""
    more = {"phases": (Span(0.0, 49.0, "city"),), "stops": (Span(0.0, 49.0),), "minimum_stop": 1.0}
    runs = [entered(np.arange(50.0), np.linspace(60.0, low, 50), 10.0, **more) for low in (12.0, 20.0, 55.0)]
    stack = replace(runs[0], iat=np.stack([run.iat for run in runs]))
    parameters = {
        "none": Parameter(), "margin": Parameter("margin", "5K", 5.0), "phase": Parameter("phase", "city"),
        "limit": Parameter("limit", "40C", 40.0),
    }  # fmt: skip
    sign = {"not reached": np.inf, "within at entry": -np.inf}
    for metric in REGISTRY.values():
        if not metric.assessed:
            continue  # rests on the bare reading or on the engine's channels, which draws do not touch
        key = MetricKey(metric.spec, parameters[metric.spec.parameter])
        together, alone = evaluate_draws(key, stack), [evaluate(key, run) for run in runs]
        if any(a.status == "not computed" for a in alone):  # a straight fall has no time constant, a fall no launch
            assert metric.spec.id in {"recovery_time_constant", "final_over_ambient", "half_fall_time"}
            assert together is None or np.isnan(together).all(), metric.spec.id
            continue
        assert together == pytest.approx([sign.get(a.status, a.value) for a in alone]), metric.spec.id


def test_limits_of_a_phase_that_are_moved_past_each_other_leave_nothing():
    run = series(np.arange(0.0, 60.0), np.full(60, 30.0), phases=(Span(30.0, 20.0, "city"),))
    result = value("mean_over_ambient", run, key="city", label="City")
    assert (result.status, result.reason.code) == ("not computed", "phase-not-covered")
