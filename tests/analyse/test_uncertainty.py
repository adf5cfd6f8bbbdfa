"""Uncertainty of one run's value: against closed forms, by simulation, and what it promises."""

import math
import time as clock
from dataclasses import replace

import numpy as np
import pytest
import roadlog
from conftest import run_chain
from metrics.support import entered, rebuild, series

from intake_report.analyse.inputs import pair
from intake_report.analyse.uncertainty import assess, find_sources, statement, with_uncertainty
from intake_report.analyse.uncertainty.sources import (
    EventEffects,
    EventLimits,
    Source,
    event_effects,
    event_limits,
    perturbed,
    prepare,
)
from intake_report.analyse.zeroing import NOT_ZEROED
from intake_report.messages import said
from intake_report.metrics import REGISTRY, Span, evaluate, evaluate_draws
from intake_report.render.sections import uncertainty as section
from intake_report.results import MetricKey, Parameter
from intake_report.results.text import results_json

INSTRUMENT = {
    "logger": "adapter",
    "clock_accuracy": "1 s",
    "channels": {
        "iat": {"resolution": "1 degC", "accuracy": "1 degC", "time_constant": "5 s"},
        "ambient": {"resolution": "1 degC", "accuracy": "1 degC"},
        "speed": {"resolution": "1 km/h", "accuracy": "2 km/h"},
    },
}


def key(id: str, kind: str = "none", text: str = "", number: float | None = None) -> MetricKey:
    return MetricKey(REGISTRY[id].spec, Parameter(kind, text, number))


def chain(folder, instrument=INSTRUMENT, **more):
    data = {**roadlog.campaign(**more), "instrument": instrument}
    data["metrics"] = {**data["metrics"], "draws": 2000}
    return run_chain(roadlog.write(folder, data))


@pytest.fixture(scope="module")
def known(tmp_path_factory):
    """Two blocks of two configurations with everything declared."""
    return chain(tmp_path_factory.mktemp("known"))


@pytest.fixture(scope="module")
def undeclared(tmp_path_factory):
    return chain(tmp_path_factory.mktemp("undeclared"), {"logger": "adapter"}, blocks=1)


def test_a_bias_shifts_a_recovery_along_the_exponential():
    # t = τ·ln(ΔT0 / (margin − b)) for a reading that is b too high (identity of the first-order fall)
    time = np.arange(0.0, 400.0)
    run = entered(time, 20.0 + 15.0 * np.exp(-time / 45.0))
    bias = np.array([-0.8, 0.0, 0.5, 0.9])
    draws = evaluate_draws(key("recovery_time", "margin", "m", 1.67), perturbed(prepare(run, None), {"reading": bias}))
    assert draws == pytest.approx(45.0 * np.log(15.0 / (1.67 - bias)), abs=0.02)


def test_the_time_constant_of_the_sensor_is_no_source(known):
    """The element is what is measured: its recovery is later than that of the air, and that is no error."""
    sources = known.result.uncertainty.sources
    assert not [s.name for s in sources if "time constant" in s.name]
    assert {s.name for s in sources if s.quantity == "time"} == {"Clock", "Times of events"}


def test_a_clock_that_is_off_shifts_ambient_by_its_slope():
    time = np.arange(0.0, 1001.0)
    run = series(time, np.full(1001, 40.0), 20.0 + 0.001 * time, phases=(Span(0.0, 1000.0, "city"),))
    shifts = {"clock": np.array([0.0, 60.0]), "ambient": np.array([0.0, 0.5])}
    draws = evaluate_draws(key("mean_over_ambient", "phase", "city"), perturbed(prepare(run, None), shifts))
    assert draws[1] - draws[0] == pytest.approx(-0.56)


def test_times_of_events_enter_by_their_effect():
    time = np.arange(0.0, 301.0)
    run = entered(time, 20.0 + 15.0 * np.exp(-time / 45.0), entry=10.0, phases=(Span(50.0, 150.0, "city"),))
    limits = EventLimits({"entry": 0.5, "stops": 0.5, "start of city": 2.0, "end of city": 1.0}, -0.2)
    found = event_effects(key("recovery_time", "margin", "m", 2.0), run, limits)
    assert found.times == pytest.approx((-0.5, 0.0, 0.0, 0.0))
    assert found.per_speed == pytest.approx(0.2)  # 1 km/h too high: the entry is seen early and the recovery is longer
    over = 15.0 * np.exp(-np.array([50.0, 150.0]) / 45.0)
    mean = 15.0 * 45.0 * (math.exp(-50.0 / 45.0) - math.exp(-150.0 / 45.0)) / 100.0
    found = event_effects(key("mean_over_ambient", "phase", "city"), run, limits)
    # d(mean)/d(start) = (mean − value at the start) / duration, and the other way round at the end
    assert found.times[1] == pytest.approx(2.0 * (mean - over[0]) / 100.0, rel=0.02)
    assert found.times[2] == pytest.approx(1.0 * (over[1] - mean) / 100.0, rel=0.02)
    assert event_effects(key("peak_iat"), run, limits).u == 0.0
    assert EventEffects((0.3, 0.0, 0.0, 0.4), 0.0).u == pytest.approx(0.5 / math.sqrt(3.0))  # GUM 4.3.7


def test_how_far_the_times_of_events_may_be_off(known):
    """Half a second of sampling, half a step of 2 km/h at 5 km/h per s; 5 m, or what a place by speed leaves, at a pace."""
    drive, run = pair(known.campaign, known.measured.cleaned, known.measured.alignment)[0], known.measured.series[0]
    for method, residual, pace, half in (
        ("position", None, 10.0, 0.5), ("position", None, 0.0, 5.0 / 1.4), ("speed", 1.0, 10.0, 0.5),
        ("speed", 60.0, 10.0, 6.0 * math.sqrt(3.0)), ("speed", 400.0, 10.0, 15.0 * math.sqrt(3.0)),
    ):  # fmt: skip
        one = replace(drive, aligned=replace(drive.aligned, method=method, residual=residual))
        found = event_limits(one, replace(run, distance=pace * run.time), 2.0)
        assert (found.half["entry"], found.half["stops"], found.per_speed) == pytest.approx((0.7, 0.5, -0.2))
        assert found.half["end of ramp"] == pytest.approx(half)


@pytest.mark.parametrize("normal", [False, True])
def test_the_values_that_stand_for_a_distribution_have_its_standard_deviation(normal):
    source = Source("s", "reading", True, "temperature_difference", "", 2.0, "normal" if normal else "rectangular")
    assert np.std(source.spread(33)) == pytest.approx(source.u, rel=0.03)
    assert np.std(source.draw(np.random.default_rng(1), 200_000)) == pytest.approx(source.u, rel=0.01)
    assert source.u == pytest.approx(2.0 if normal else 2.0 / math.sqrt(3.0))  # GUM 4.3.7


def test_a_way_of_rounding_that_is_not_known_is_one_of_two_never_between():
    """Rounded, or cut off: then half a step low on average; the value is raised by the mean, a quarter."""
    source = Source("s", "reading", True, "temperature_difference", "", 0.25, "two-valued", beside=1.0)
    draws = source.draw(np.random.default_rng(1), 20_000)
    assert set(np.unique(draws)) == {-0.25, 0.25} == set(np.unique(source.spread(34)))
    assert np.mean(draws) == pytest.approx(0.0, abs=0.01)
    # two equally likely values a apart: standard deviation a/2 (its definition)
    assert source.u == 0.25 == np.std(source.spread(34)) and np.std(draws) == pytest.approx(0.25, rel=0.01)
    # the same control unit sends ambient: nothing of it is left in an over-ambient temperature
    both = source.effects(draws)
    assert np.array_equal(both["reading"], both["ambient"])


def test_steps_alone_hold_the_true_recovery_in_most_trials():
    """Own simulation: first-order falls with readings of 1 °C; the interval from the steps alone against the truth."""
    rng, margin, held, widths, errors = np.random.default_rng(3), 5.0 / 3.0, [], [], []
    metric = key("recovery_time", "margin", "m", margin)
    for _ in range(80):
        time = np.arange(0.0, 400.0) + rng.uniform()
        ambient, rise = 20.0 + rng.uniform(), rng.uniform(8.0, 20.0)
        reading = np.round(ambient + rise * np.exp(-time / 45.0))
        run = entered(time, rebuild(time, reading, 1.0), ambient, entry=float(time[0]), reading=reading)
        readings = prepare(run, 1.0)
        noise = rng.uniform(-1.0, 1.0, (200, readings.errors))
        draws = evaluate_draws(metric, perturbed(readings, {"reading": np.zeros(200)}, noise))
        truth = 45.0 * math.log(rise / margin) - time[0]
        low, high = np.quantile(draws, [0.025, 0.975])
        held.append(low <= truth <= high)
        widths.append(np.std(draws))
        errors.append(evaluate(metric, run).value - truth)
    assert np.mean(held) >= 0.9
    # on the safe side of the errors that are made, and far below the 7.8 s of the first reading
    assert np.sqrt(np.mean(np.square(errors))) < np.mean(widths) < 5.0


def test_errors_of_one_plateau_go_together():
    # a reading that never changes is off by one and the same amount throughout
    time = np.arange(0.0, 100.0)
    run = series(time, np.full(100, 30.0), phases=(Span(0.0, 99.0, "city"),), reading=np.full(100, 30.0))
    readings = prepare(run, 1.0)
    assert readings.errors == 1
    rng = np.random.default_rng(1)
    stack = perturbed(readings, {"reading": np.zeros(4000)}, rng.uniform(-1.0, 1.0, (4000, 1)))
    draws = evaluate_draws(key("mean_over_ambient", "phase", "city"), stack)
    assert np.std(draws) == pytest.approx(1.0 / math.sqrt(12.0), rel=0.03)  # GUM F.2.2.1


def test_a_mean_has_the_uncertainty_of_the_sum_of_its_sources(known):
    statement = known.result.uncertainty
    shared = [s for s in statement.sources if s.common and s.quantity == "temperature_difference"]
    assert {s.name for s in shared} == {"Sensor accuracy", "Rounding mode", "Ambient: accuracy"}
    # limits ±1 and ±1 K; one control unit rounds both readings alike, so that its way of rounding cancels
    expected = math.sqrt(2.0 / 3.0)
    alone = next(b for b in statement.budgets if b.source == "Rounding mode" and b.key == "mean_over_ambient:city")
    assert alone.u == pytest.approx(0.0, abs=1e-9)
    for value in known.result.of("mean_over_ambient:city"):
        assert value.u_common == pytest.approx(expected, rel=0.12)
        assert value.u**2 == pytest.approx(value.u_common**2 + value.u_own**2, rel=0.15)
        assert max(value.u_common, value.u_own) <= value.u
        assert value.low < value.value < value.high


def test_what_runs_share_cancels_in_differences(known):
    found = {row.key: row for row in known.result.uncertainty.differences.itertuples()}
    value = known.result.of("mean_over_ambient:city")[0]
    mean = found["mean_over_ambient:city"]
    assert mean.u_common < 0.05 * value.u_common
    # two runs on each side, own parts independent: √(u²/2 + u²/2) = u
    assert mean.u_own == pytest.approx(value.u_own, rel=0.25)
    # degree-minutes respond by the time above the margin, which differs between the configurations: something is left
    area = found["degree_minutes_above_margin:2.78K"]
    above = known.result.of("time_above_margin:2.78K")
    times = [v.value / 60.0 * (1 if v.configuration == "stock" else -1) for v in above]
    apart = abs(sum(times)) / 2.0
    assert area.u_common == pytest.approx(math.sqrt(2.5 / 3.0) * apart, rel=0.3)
    assert mean.low < mean.high


def assessed(campaign, measured, runs=None):
    """Return the uncertainty of the first `runs`, of all without."""
    drives, m = pair(campaign, measured.cleaned, measured.alignment)[:runs], measured
    return assess(campaign, drives, m.ambient, m.zeroing, tuple(m.series)[:runs], m.metrics, m.values)


def test_draws_are_reproducible_and_runs_do_not_disturb_each_other(known):
    campaign, measured = known.campaign, known.measured
    again = assessed(campaign, measured)
    assert again.statement == measured.uncertainty.statement
    for some in (again, assessed(campaign, measured, 1)):
        for run, one in some.runs.items():
            other = measured.uncertainty.runs[run]
            assert all(np.array_equal(one.all[k], other.all[k], equal_nan=True) for k in other.all)
    other_seed = campaign.model_copy(update={"metrics": campaign.metrics.model_copy(update={"seed": 2})})
    run, first = next(iter(measured.uncertainty.runs.items()))
    changed, first = (of.all["peak_iat"] for of in (assessed(other_seed, measured, 1).runs[run], first))
    assert not np.array_equal(changed, first) and np.std(changed) == pytest.approx(np.std(first), rel=0.1)


def test_common_draws_are_the_same_in_all_runs(known):
    # a mean moves by the bias itself: the same draw moves every run by the same amount
    runs = list(known.measured.uncertainty.runs.values())
    moves = [run.common["mean_over_ambient:city"] - run.common["mean_over_ambient:city"].mean() for run in runs]
    assert all(np.corrcoef(moves[0], other)[0, 1] > 0.99 for other in moves[1:])
    own = [run.own["mean_over_ambient:city"] for run in runs]
    assert abs(np.corrcoef(own[0], own[1])[0, 1]) < 0.2


def test_draws_that_do_not_reach_a_margin_are_counted(undeclared):
    # ±2.5 K assumed on both sides of a margin of 1.67 K: some draws cannot reach it
    values = undeclared.result.of("recovery_time:1.67K")
    assert all(v.draws_not_reached > 0.025 and v.u is None and v.high is None for v in values)
    # in others it is within the margin at the entry already: no lower limit where these are more than a tail
    assert all(v.low is None or v.low <= v.value for v in values if v.value is not None)


def test_every_number_that_is_assumed_is_said(known, undeclared):
    texts = " ".join(said(text, "si") for text in undeclared.result.uncertainty.assumptions)
    for what in ("intake air temperature", "logger's clock", "speed reading"):
        assert f"of the {what} is declared" in texts
    # how the control unit rounds
    (rounding,) = known.result.uncertainty.assumptions
    assert "cut off" in said(rounding, "si")


def test_a_known_rounding_is_no_source_and_a_reading_cut_off_is_put_right(tmp_path, known):
    channels = INSTRUMENT["channels"]
    cut = {**INSTRUMENT, "channels": {**channels, "iat": {**channels["iat"], "rounding": "down"}}}
    down = chain(tmp_path, cut)
    assert "Rounding mode" not in {s.name for s in down.result.uncertainty.sources}
    for one, other in zip(down.result.of("peak_iat"), known.result.of("peak_iat"), strict=True):
        assert one.value == pytest.approx(other.value + 0.25)  # half a step; a quarter where it is not known


def test_a_normal_accuracy_is_taken_as_95_percent_limits(known):
    campaign = known.campaign
    iat = campaign.instrument.channels["iat"].model_copy(update={"accuracy_distribution": "normal"})
    instrument = campaign.instrument.model_copy(update={"channels": {**campaign.instrument.channels, "iat": iat}})
    campaign = campaign.model_copy(update={"instrument": instrument})
    found = find_sources(campaign, known.measured.ambient, {"iat": 1.0}, NOT_ZEROED)
    accuracy = next(s for s in found.sources if s.name == "Sensor accuracy")
    assert accuracy.shape == "normal" and accuracy.u == pytest.approx(1.0 / 1.96, rel=1e-3)


def test_budgets_name_every_source_for_every_headline_metric(known):
    statement = known.result.uncertainty
    headline = [k for k in known.result.metrics if k.spec.headline]
    every = {(k.key, s.name) for k in headline for s in statement.sources}
    assert {(b.key, b.source) for b in statement.budgets} == every
    row = {b.source: b for b in statement.budgets if b.key == "mean_over_ambient:city"}
    assert row["Sensor accuracy"].u == pytest.approx(1.0 / math.sqrt(3.0), rel=0.01)
    assert row["Speed accuracy"].u == 0.0
    runs = [run.budget["mean_over_ambient:city"]["Times of events"] for run in known.measured.uncertainty.runs.values()]
    assert row["Times of events"].u == pytest.approx(math.sqrt(np.mean(np.square(runs)))) and np.ptp(runs) > 0.0


def test_values_are_as_without_uncertainty_and_what_has_none_has_no_uncertainty(known):
    parts = ("u", "low", "high", "u_common", "u_own")
    for value in known.result.values:
        plain = replace(value, **dict.fromkeys(parts), draws_not_reached=None, note="")
        assert plain == replace(evaluate(known.result.metric(value.key), known.measured.series[value.run]), note="")
        assert value.status != "not computed" or [getattr(value, name) for name in parts] == [None] * 5
    assert with_uncertainty((), known.measured.uncertainty) == ()
    assert not statement(known.campaign, known.measured.uncertainty, known.result.metrics, ()).differences.size


def test_one_run_per_configuration_is_labelled_and_results_are_json_without_nan(undeclared, known):
    for result, single in ((undeclared.result, True), (known.result, False)):
        texts = " ".join(block.text for block in section(result) if hasattr(block, "text"))
        assert ("instrument uncertainty only" in texts) == single
        text = results_json(result, "2026-07-01", 1)
        assert "NaN" not in text and "Infinity" not in text and '"u_common"' in text


@pytest.mark.bench
def test_two_thousand_draws_of_nine_runs_take_less_than_ten_seconds(demo):
    measured, campaign = demo.chain.measured, demo.chain.campaign
    assert campaign.metrics.draws == 2000 and len(measured.series) == 9
    begin = clock.process_time()
    assessed(campaign, measured)
    assert clock.process_time() - begin < 20.0  # processor seconds of two cores; 3 s were measured
