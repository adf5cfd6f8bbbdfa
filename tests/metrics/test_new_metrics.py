"""Distance-weighted means, rise and half-fall per stop, the fitted recovery, exposure, matched operating points."""

import math
from dataclasses import replace

import numpy as np
import pytest

from intake_report import metrics
from intake_report.messages import said
from intake_report.metrics import REGISTRY, EngineSamples, Span, find_nodes, shared_points
from intake_report.metrics.recovery import fit_recovery
from intake_report.results import GROUPS, MetricKey
from metrics.support import decay, entered, reason, rebuild, series, stopped, value


def test_every_metric_has_a_definition_a_source_words_and_a_group():
    for id, metric in REGISTRY.items():
        spec = metric.spec
        assert spec.id == id == metric.function.__name__
        assert said(spec.definition, "si").endswith(".") and spec.source and all(spec.words), id
        assert spec.group in GROUPS, id
        assert ("{parameter}" in spec.title) == (spec.parameter != "none"), id


def test_keys_come_group_by_group_and_are_unique():
    found = metrics.keys((5 / 3, 25 / 9), (("city", "City"), ("highway", "Highway")), 45.0)
    assert len({key.key for key in found}) == len(found)
    order = [list(GROUPS).index(key.spec.group) for key in found]
    assert order == sorted(order)
    assert not any(key.spec.parameter == "limit" for key in metrics.keys((1.0,), (), None))


def test_standing_still_counts_for_time_and_not_for_distance():
    # 60 s at 10 m/s with 4 K, then 60 s standing with 10 K: 7 K over time, 4 K over distance
    time = np.arange(0.0, 121.0)
    distance = np.minimum(10.0 * time, 600.0)
    over = np.where(time <= 60.0, 4.0, 10.0)
    run = replace(series(time, 20.0 + over, phases=(Span(0.0, 120.0, "city"),)), distance=distance)
    assert value("mean_over_ambient", run, key="city").value == pytest.approx(7.0, abs=0.03)
    assert value("distance_mean_over_ambient", run, key="city").value == pytest.approx(4.0, abs=1e-9)
    found = value("distance_mean_over_ambient", replace(run, distance=np.zeros(121)), key="city")
    assert (found.status, found.reason.code) == ("not computed", "standing-phase")


def test_half_of_the_rise_is_lost_after_tau_ln_two_or_later_than_the_next_stop():
    """A stop of 60 s with a rise of 2.1 K, then an exponential fall back to where it came from."""
    time = np.arange(0.0, 401.0)
    air = 30.0 + 2.1 * np.where(time <= 60.0, time / 60.0, np.exp(-(time - 60.0) / 50.0))
    run = series(time, air, stops=(Span(0.0, 60.0),))
    found = value("half_fall_time", run)
    assert found.status == "ok" and found.value == pytest.approx(50.0 * math.log(2.0), abs=0.01)
    assert value("rise_per_stop", run).value == pytest.approx(2.1)
    assert value("rise_per_stop", replace(run, step=1.1)).note.code == "unresolved-rise"
    assert not value("rise_per_stop", replace(run, step=1.0)).note
    # 34.7 s would be needed, 20 s are there
    found = value("half_fall_time", replace(run, stops=(*run.stops, Span(80.0, 85.0))))
    assert (found.status, found.value, found.bound) == ("not reached", None, 20.0)


def test_stops_with_a_small_rise_are_not_asked_for_their_fall():
    time = np.arange(0.0, 200.0)
    run = series(time, 30.0 + 1.9 * np.interp(time, [0.0, 60.0, 90.0], [0.0, 1.0, 0.0]), stops=(Span(0.0, 60.0),))
    assert metrics.half_falls(run) == ()
    assert value("half_fall_time", run).reason.code == "no-launch"


def test_rise_is_end_minus_start_and_not_slope_times_duration():
    time = np.arange(0.0, 181.0)
    air = 80.0 - 45.0 * np.exp(-time / 240.0)
    assert float(metrics.stop_rises(stopped(time, air))[0]) == pytest.approx(air[-1] - air[0])


def lagged(tau: float, lag: float, time: np.ndarray, start: float, final: float) -> np.ndarray:
    """First-order fall seen by a first-order sensor in step with it at the start (solution of the two equations)."""
    return final + (start - final) * (tau * np.exp(-time / tau) - lag * np.exp(-time / lag)) / (tau - lag)


@pytest.mark.parametrize(("tau", "lag"), [(60.0, 0.001), (60.0, 5.0), (45.0, 15.0)])
def test_the_fit_is_of_the_element_whose_fall_is_longer_than_that_of_the_air(tau, lag):
    time = np.arange(0.0, 300.0)
    run = entered(time, 20.0 + lagged(tau, lag, time, 4.4, 1.2))
    found = value("recovery_time_constant", run).value
    assert tau - 0.01 <= found == pytest.approx(tau + lag, abs=0.6 * lag + 0.01)
    # what is known of the sensor's lag changes nothing: the element is what is measured
    assert value("recovery_time_constant", replace(run, lag=lag)).value == found


def test_the_fit_of_readings_of_one_degree_is_near_the_truth_and_says_when_residuals_follow_a_pattern():
    time = np.arange(0.0, 300.0)
    run = entered(time, rebuild(time, np.round(20.3 + lagged(60.0, 5.0, time, 15.0, 0.6)), 1.0), 20.3)
    found = value("recovery_time_constant", run)
    assert found.value == pytest.approx(65.0, rel=0.1)
    assert "residuals follow a pattern" in said(found.note, "si")


@pytest.mark.parametrize(
    ("air", "code"),
    [
        (lambda t: 21.0 + 2.9 * np.exp(-t / 40.0), "small-fall"),
        (lambda t: 40.0 - 0.05 * t, "fit-refused"),  # a straight fall has no time constant
        (lambda t: 40.0 - 4.0 * (t / 300.0) ** 3, "fit-refused"),  # it falls faster and faster
    ],
)
def test_a_fit_that_fails_gives_no_number_and_says_why(air, code):
    time = np.arange(0.0, 300.0)
    for id in ("recovery_time_constant", "final_over_ambient"):
        found = value(id, entered(time, air(time)))
        assert (found.status, found.value, found.reason.code) == ("not computed", None, code)


@pytest.mark.parametrize(("noise", "code"), [(0.1, ""), (0.35, "fit-undetermined")])
def test_a_time_constant_that_is_not_known_to_half_of_itself_is_no_result(noise, code):
    """60 s of a fall with 200 s: the fit of the same samples has a standard error of about 0.25, then of about 0.8 of tau."""
    time, air = decay(15.0, 200.0, end=60.0)
    run = entered(time, air + np.random.default_rng(8).normal(0.0, noise, time.size))
    inside = run.window(0.0, 60.0)
    fit = fit_recovery(run.time[inside], run.over[inside])
    assert (0.5 < fit.tau_error / fit.tau < 2.0) == bool(code)
    found = value("recovery_time_constant", run)
    assert (found.status, getattr(found.reason, "code", "")) == ("not computed" if code else "ok", code)


def test_the_fit_takes_the_five_minutes_after_the_entry():
    time = np.arange(0.0, 400.0)
    air = 21.0 + 14.0 * np.exp(-time / 60.0)
    runs = [entered(time, air + np.where((time >= low) & (time <= low + 20.0), 1.0, 0.0)) for low in (280.0, 301.0)]
    inside, after = (value("recovery_time_constant", run).value for run in runs)
    assert after == pytest.approx(60.0, abs=1e-3) and abs(inside - 60.0) > 1.0


def test_the_fit_of_draws_is_the_fit_of_each():
    time = np.arange(0.0, 300.0)
    runs = [entered(time, 21.0 + 14.0 * np.exp(-time / tau)) for tau in (40.0, 60.0, 90.0)]
    stack = replace(runs[0], iat=np.stack([run.iat for run in runs]))
    draws = metrics.evaluate_draws(MetricKey(REGISTRY["recovery_time_constant"].spec), stack)
    assert draws == pytest.approx([40.0, 60.0, 90.0], rel=1e-3)


def test_first_reading_is_the_bare_reading():
    time, air = decay(38.0, 75.0, step=5.0, end=360.0)
    reading = np.round(air)
    run = replace(entered(time, rebuild(time, reading, 1.0)), reading=reading)
    # ambient 20 °C, to within 5 K: the first sample at or below 25 °C is at 145 s, 7 s before the truth (arithmetic)
    assert value("first_reading_below", run, key="5K", number=5.0).value == 145.0
    never, within = (value("first_reading_below", run, key="K", number=margin) for margin in (-1.0, 38.0))
    assert (never.status, never.bound, within.status) == ("not reached", 360.0, "within at entry")
    assert not REGISTRY["first_reading_below"].spec.headline


def test_degree_minutes_of_a_triangle():
    # 30 °C up to 60 °C and back in 60 s each: above 40 °C a triangle of 20 K over 80 s, 13.33 K·min
    time = np.arange(0.0, 121.0)
    run = series(time, 60.0 - 0.5 * np.abs(time - 60.0), ambient=35.0)
    assert value("degree_minutes_above_limit", run, key="40C", number=40.0).value == pytest.approx(40.0 / 3.0)
    # ambient 35 °C and a margin of 5 K is the same level
    assert value("degree_minutes_above_margin", run, key="5K", number=5.0).value == pytest.approx(40.0 / 3.0)
    assert value("time_above_margin", run, key="5K", number=5.0).value == pytest.approx(79.0)  # samples strictly above


def engine(rng: np.random.Generator, n: int, low_rpm: float, per_kelvin: float = -0.2) -> EngineSamples:
    """Airflow by engine speed and load, spark advance taken back by IAT."""
    rpm, load = rng.uniform(low_rpm, 3000.0, n), rng.uniform(10.0, 70.0, n)
    iat = rng.uniform(25.0, 50.0, n)
    timing = 30.0 - 0.1 * load + 0.002 * rpm + per_kelvin * (iat - 30.0)
    return EngineSamples(rpm, load, {"maf": rpm * load / 10_000.0, "timing": timing, "iat": iat})


def test_only_cells_that_every_run_visited_are_shared_and_idle_is_not():
    rng = np.random.default_rng(1)
    runs = [engine(rng, 6000, 1000.0), engine(rng, 6000, 1500.0)]
    points = shared_points(runs)
    assert points.weights.sum() == pytest.approx(1.0)
    assert set(points.cells) <= set(runs[0].cells) & set(runs[1].cells)
    assert points.cells.size == 6 * 5  # 1500 to 3000 rpm in cells of 250, 20 to 70 % in cells of 10
    assert shared_points([]).cells.size == 0
    few = EngineSamples(np.full(14, 2000.0), np.repeat([19.9, 20.1, 30.0], [5, 5, 4]))  # idling, enough, one too few
    assert shared_points([few]).cells.tolist() == [few.cells[5]]


def test_airflow_at_matched_points_does_not_depend_on_how_a_run_was_driven():
    rng = np.random.default_rng(2)
    runs = [engine(rng, 40_000, 1000.0), engine(rng, 40_000, 2000.0)]
    plain = [float(run.channels["maf"].mean()) for run in runs]
    points = shared_points(runs)
    base = series([0, 1, 2], [30, 30, 30])
    matched = [value("matched_airflow", replace(base, engine=run, points=points)).value for run in runs]
    assert abs(plain[1] - plain[0]) > 1.0
    assert matched[0] == pytest.approx(matched[1], rel=0.01)


def test_spark_per_kelvin_is_found_beside_speed_and_load():
    run = engine(np.random.default_rng(3), 20_000, 1000.0, per_kelvin=-0.35)
    base = replace(series([0, 1, 2], [30, 30, 30]), engine=run, points=shared_points([run]))
    assert value("spark_per_kelvin", base).value == pytest.approx(-0.35, abs=1e-6)
    for spread, status in ((1.9, "not computed"), (2.1, "ok")):  # standard deviations; that of the engine is 25/√12
        iat = 30.0 + run.channels["iat"] * spread * 12.0**0.5 / 25.0
        steady = EngineSamples(run.rpm, run.load, {**run.channels, "iat": iat})
        assert value("spark_per_kelvin", replace(base, engine=steady)).status == status


def test_missing_channels_and_points_are_said():
    base = series([0, 1, 2], [30, 30, 30])
    assert "lacks one of the channels airflow" in reason(value("matched_airflow", base))
    alone = replace(base, engine=engine(np.random.default_rng(4), 100, 1000.0), points=shared_points([]))
    assert value("matched_airflow", alone).reason.code == "no-shared-point"


def test_nodes_are_edges_with_the_time_that_they_may_be_off():
    # 0.1 K/s sampled each 2 s: an edge each 10 s
    time = np.arange(0.0, 100.0, 2.0)
    nodes = find_nodes(time, np.round(30.0 - 0.1 * time), 1.0)
    edges = np.isclose(nodes.value % 1.0, 0.5) & (nodes.time > 0.0) & (nodes.time < 98.0)
    assert np.abs(nodes.value - (30.0 - 0.1 * nodes.time))[edges].max() <= 0.1 * 1.0 + 1e-9
    assert np.abs(nodes.spread[np.isin(nodes.open, nodes.time[edges])]).max() <= 0.75 * 0.1 * 2.0 * 1.6
    # edges are found again: what lies between them is no more open than that
    assert nodes.spread[(nodes.open > 15.0) & (nodes.open < 85.0)].max() < 0.25
    assert find_nodes(time, np.full(time.size, 21.0), 1.0) is None
