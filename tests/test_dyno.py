"""Dyno pulls: what is refused, what is computed, and that it finds what was put in."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from intake_report.dyno import (
    DrivelineLoss,
    DynoSettings,
    Grid,
    Pull,
    WarmUpRule,
    analyse_pulls,
    common_band,
    correct,
    difference_curves,
    drift,
    estimate_at_engine,
    leave_out_warm_up,
    make_pull,
    mean_curve,
    on_grid,
    parse_driveline_loss,
    power_from_torque,
    pull_figures,
    read_pull,
    torque_from_power,
)
from intake_report.errors import DataError
from intake_report.messages import said

SPEED = np.arange(2000.0, 6501.0, 25.0)
CELL = {"cell_temperature": 28.0, "cell_pressure": 98.0, "cell_humidity": 45.0}


def torque_curve(speed: np.ndarray, top: float = 250.0) -> np.ndarray:
    return top * (1.0 - ((speed - 4200.0) / 3500.0) ** 2)


def pull(
    id: str = "p1",
    configuration: str = "standard",
    order: int = 1,
    *,
    speed: np.ndarray = SPEED,
    gain: float = 1.0,
    noise: float = 0.0,
    seed: int = 0,
    **kwargs: object,
) -> Pull:
    torque = torque_curve(speed) * gain + noise * np.random.default_rng(seed).standard_normal(speed.size)
    arguments: dict[str, object] = {**CELL, **kwargs}
    place = arguments.pop("measured_at", "wheel")
    return make_pull(id, configuration, place, order, speed, torque=torque, **arguments)  # type: ignore[arg-type]


@given(st.floats(1.0, 2000.0), st.floats(300.0, 12000.0))
def test_power_and_torque_are_inverse(torque: float, speed: float) -> None:
    t, n = np.array([torque]), np.array([speed])
    assert torque_from_power(power_from_torque(t, n), n)[0] == pytest.approx(torque, rel=1e-12)


def test_power_column_alone_gives_torque() -> None:
    expected = pull()
    found = make_pull("p", "standard", "wheel", 1, SPEED, power=expected.power)
    np.testing.assert_allclose(found.torque, expected.torque, rtol=1e-12)
    assert found.cell is None


@pytest.mark.parametrize(
    ("torque_scale", "power_scale", "hint"),
    [
        (1.0, 1.0 / 0.7456998715822702, "power looks like hp"),
        (1.0, 1.0 / 0.73549875, "power looks like PS"),
        (1.0 / 1.3558179483314004, 1.0, "torque looks like lbf·ft"),
        (1.3558179483314004, 1.0, "torque looks like N·m, not lbf·ft"),
        (1.0 / 1.3558179483314004, 1.0 / 0.7456998715822702, "hp and lbf·ft"),
        (1.0, 1.12, "Check the units of both columns"),
    ],
)
def test_contradiction_is_refused_with_a_hint(torque_scale: float, power_scale: float, hint: str) -> None:
    good = pull()
    with pytest.raises(DataError, match="torque and power contradict each other") as caught:
        make_pull("p", "standard", "wheel", 1, SPEED, torque=good.torque * torque_scale, power=good.power * power_scale)
    assert hint in str(caught.value)


def test_agreeing_columns_are_kept_as_given() -> None:
    good = pull()
    both = make_pull("p", "standard", "wheel", 1, SPEED, torque=good.torque, power=good.power * 1.004)
    np.testing.assert_array_equal(both.power, good.power * 1.004)


def test_backwards_pull_is_refused() -> None:
    with pytest.raises(DataError, match="runs backwards"):
        pull(speed=SPEED[::-1].copy())
    with_coast_down = np.concatenate([SPEED, SPEED[::-1][1:40]])
    with pytest.raises(DataError, match="runs backwards: the engine speed has fallen by 975 rpm"):
        pull(speed=with_coast_down)


def test_scatter_of_the_speed_reading_is_not_backwards() -> None:
    speed = SPEED.copy()
    speed[10] = speed[9] - 20.0
    found = pull(speed=speed)
    assert found.speed.size == SPEED.size - 1
    assert np.all(np.diff(found.speed) > 0.0)
    assert found.notes == ("1 rows in which the engine speed did not rise were left out",)


def test_rows_without_values_are_reported() -> None:
    torque = torque_curve(SPEED)
    torque[3] = np.nan
    found = make_pull("p", "standard", "wheel", 1, SPEED, torque=torque)
    assert found.speed.size == SPEED.size - 1
    assert "1 rows without a value" in found.notes[0]


def test_bad_pulls_are_refused() -> None:
    with pytest.raises(DataError, match="neither torque nor power"):
        make_pull("p", "standard", "wheel", 1, SPEED)
    with pytest.raises(DataError, match="differ in length"):
        make_pull("p", "standard", "wheel", 1, SPEED, torque=np.ones(3))
    with pytest.raises(DataError, match="4 rows"):
        pull(speed=SPEED[:4])
    with pytest.raises(DataError, match="not positive"):
        pull(speed=SPEED - 2000.0)
    with pytest.raises(DataError, match=r"Pull p1: A relative humidity of 140 %"):
        pull(cell_humidity=140.0)
    with pytest.raises(DataError, match="looks like hPa"):
        pull(cell_pressure=980.0)
    with pytest.raises(DataError, match="reduced to sea level"):
        pull(cell_pressure=101.3, elevation=1500.0)


def test_incomplete_cell_air_cannot_be_corrected() -> None:
    half = pull(cell_humidity=None)
    assert "humidity missing" in half.notes[0]
    with pytest.raises(DataError, match="cannot be corrected"):
        correct(half, "sae-j1349-2004")
    assert correct(half, "none").correction.factor == 1.0


def test_correction_multiplies_both_and_keeps_the_measured() -> None:
    measured = pull()
    found = correct(measured, "sae-j1349-2004")
    assert found.correction.factor > 1.02
    np.testing.assert_allclose(found.power, measured.power * found.correction.factor, rtol=1e-15)
    np.testing.assert_allclose(found.torque, measured.torque * found.correction.factor, rtol=1e-15)
    assert found.pull is measured


def test_correction_with_intake_air_is_refused() -> None:
    with pytest.raises(DataError, match="correct away the effect under test"):
        correct(pull(iat=48.0), "sae-j1349-2004", air="intake")


def test_correction_ignores_the_intake_air() -> None:
    assert correct(pull(iat=20.0), "iso-1585-si").correction.factor == (
        correct(pull(iat=60.0), "iso-1585-si").correction.factor
    )


@settings(max_examples=30)
@given(st.floats(0.0, 600.0), st.floats(-0.05, 0.05), st.floats(50.0, 400.0))
def test_smoothing_leaves_a_straight_line(width: float, slope: float, start: float) -> None:
    grid = np.arange(2000.0, 6501.0, 100.0)
    np.testing.assert_allclose(on_grid(SPEED, start + slope * SPEED, grid, width), start + slope * grid, rtol=1e-9)


def test_smoothing_lowers_a_peak_by_its_curvature() -> None:
    # On a parabola c·x² the local line at the centre is the mean of the rows: 25 rpm apart, 10 on either side.
    values = 300.0 - 1e-5 * (SPEED - 4500.0) ** 2
    smoothed = on_grid(SPEED, values, np.array([4500.0]), 500.0)[0]
    expected = 1e-5 * 25.0**2 * 2.0 * sum(k**2 for k in range(1, 11)) / 21.0
    assert 300.0 - smoothed == pytest.approx(expected, rel=1e-9)
    # many rows: curvature·width²/24, the curvature of c·x² being 2c
    fine = np.linspace(4000.0, 5000.0, 4001)
    dense = on_grid(fine, 300.0 - 1e-5 * (fine - 4500.0) ** 2, np.array([4500.0]), 500.0)[0]
    assert 300.0 - dense == pytest.approx(2e-5 * 500.0**2 / 24.0, rel=2e-3)


def test_grid_does_not_extrapolate() -> None:
    found = on_grid(SPEED, SPEED, np.array([1900.0, 2000.0, 6500.0, 6600.0]), 200.0)
    assert np.isnan(found[[0, 3]]).all()
    np.testing.assert_allclose(found[1:3], [2000.0, 6500.0], rtol=1e-12)


def test_common_band() -> None:
    low, high = pull("a", speed=SPEED[:120]), pull("b", speed=SPEED[60:])
    assert common_band([low, high], 100.0) == (3500.0, 4900.0)
    with pytest.raises(DataError, match="Pulls a and b have no engine speed in common"):
        common_band([pull("a", speed=SPEED[:40]), pull("b", speed=SPEED[100:])], 100.0)
    with pytest.raises(DataError, match="fewer than two steps"):
        common_band([low, high], 5000.0)
    with pytest.raises(DataError, match="not possible"):
        common_band([low, high], 0.0)


def test_figures_of_a_known_curve() -> None:
    speed = np.arange(2000.0, 6001.0, 20.0)
    linear = make_pull("p", "standard", "engine", 1, speed, power=0.03 * speed, **CELL)  # type: ignore[arg-type]
    item = correct(linear, "iso-1585-si")
    factor = item.correction.factor
    figures = pull_figures(item, Grid(2000.0, 6000.0, 100.0, 200.0))
    assert figures.mean_power == pytest.approx(0.03 * 4000.0 * factor, rel=1e-12)
    assert figures.area == pytest.approx(0.03 * 4000.0 * 4000.0 * factor, rel=1e-12)
    assert figures.peak_power == pytest.approx(180.0 * factor, rel=1e-12)
    assert figures.peak_power_speed == 6000.0
    assert figures.peak_at_edge
    assert figures.peak_power_uncorrected == pytest.approx(180.0, rel=1e-12)
    assert figures.smoothing_effect == pytest.approx(0.0, abs=1e-9)


def test_smoothing_effect_on_a_noisy_peak_is_stated() -> None:
    item = correct(pull(noise=4.0), "none")
    rough = pull_figures(item, Grid(2000.0, 6500.0, 100.0, 0.0))
    smooth = pull_figures(item, Grid(2000.0, 6500.0, 100.0, 500.0))
    assert smooth.peak_power < rough.peak_power <= smooth.peak_power_unsmoothed
    assert smooth.smoothing_effect == pytest.approx(
        100.0 * (smooth.peak_power / smooth.peak_power_unsmoothed - 1.0), rel=1e-12
    )
    assert smooth.smoothing_effect < -0.5


def test_mean_curve_has_the_t_interval() -> None:
    from scipy import stats

    items = [correct(pull(f"p{i}", order=i, gain=g), "none") for i, g in enumerate((1.0, 1.01, 0.985), 1)]
    curve = mean_curve(items, "torque", Grid(2500.0, 6000.0, 500.0, 0.0))
    assert curve.n == 3
    values = torque_curve(np.array([4000.0])) * np.array([1.0, 1.01, 0.985])
    low, high = stats.t.interval(0.95, 2, values.mean(), stats.sem(values))
    at = curve.speed.index(4000.0)
    assert curve.mean[at] == pytest.approx(values.mean(), rel=1e-9)
    assert curve.low is not None and curve.high is not None
    assert curve.low[at] == pytest.approx(low, rel=1e-9)
    assert curve.high[at] == pytest.approx(high, rel=1e-9)
    single = mean_curve(items[:1], "power", Grid(2500.0, 6000.0, 500.0, 0.0))
    assert single.low is None
    assert "scatter is not known" in single.note


def test_difference_curve_finds_the_offset() -> None:
    base = [correct(pull(f"b{i}", order=2 * i - 1, gain=1.0 + 0.002 * i), "none") for i in range(1, 4)]
    cand = [correct(pull(f"c{i}", "trial", 2 * i, gain=1.03 + 0.002 * i), "none") for i in range(1, 4)]
    (curve,) = difference_curves(base + cand, "torque", Grid(2500.0, 6000.0, 500.0, 0.0), "standard")
    expected = 0.03 * torque_curve(np.array(curve.speed))
    np.testing.assert_allclose(curve.difference, expected, rtol=1e-9)
    assert all(low is not None and low > 0.0 for low in curve.low)
    assert curve.percent[0] == pytest.approx(100.0 * 0.03 / 1.004, rel=1e-9)
    assert (curve.n_baseline, curve.n_candidate) == (3, 3)
    assert "at each speed by itself" in said(curve.note, "si")
    (bare,) = difference_curves([base[0], cand[0]], "torque", Grid(2500.0, 6000.0, 500.0, 0.0), "standard")
    assert set(bare.low) == {None}
    assert bare.method == "none"


def test_wheel_and_engine_are_not_mixed() -> None:
    wheel, engine = pull("w"), pull("e", "trial", 2, measured_at="engine")
    with pytest.raises(DataError, match=r"at the wheel and at the engine are not mixed \(w: wheel; e: engine\)"):
        analyse_pulls([wheel, engine], "standard", DynoSettings())
    loss = DrivelineLoss("a driveline loss of 15 %", 15.0)
    estimated = estimate_at_engine(wheel, loss)
    np.testing.assert_allclose(estimated.power, wheel.power / 0.85, rtol=1e-12)
    with pytest.raises(DataError, match="not mixed"):
        common_band([estimated, engine], 100.0)
    with pytest.raises(DataError, match="no driveline loss to add"):
        estimate_at_engine(engine, loss)


def test_driveline_loss_needs_a_name() -> None:
    loss = parse_driveline_loss("15 % (assumed, front-wheel drive)")
    assert loss.share == 15.0
    assert loss.name == "a driveline loss of 15 % (assumed, front-wheel drive)"
    for text in ("15 %", "fifteen", "80 % (a guess)"):
        with pytest.raises(DataError, match="not a driveline loss with a name"):
            parse_driveline_loss(text)


def test_different_corrections_are_not_mixed() -> None:
    items = [correct(pull(), "sae-j1349-2004"), correct(pull("p2", order=2), "sae-j607")]
    with pytest.raises(DataError, match="different methods are not mixed"):
        mean_curve(items, "power", Grid(2500.0, 6000.0, 500.0, 0.0))


def test_warm_up_pulls_are_left_out_by_rule() -> None:
    pulls = [
        pull("a", order=1, coolant=70.0),
        pull("b", order=2, coolant=80.0),
        pull("c", order=3, coolant=90.0),
        pull("d", order=4, coolant=91.0, warm_up=True),
        pull("e", "trial", 1, session="afternoon", coolant=90.0),
        pull("f", "trial", 2, session="afternoon"),
    ]
    kept, out = leave_out_warm_up(pulls, WarmUpRule(first=1, coolant=85.0))
    assert [p.id for p in kept] == ["c", "f"]
    assert {o.pull: o.reason for o in out} == {
        "a": "first of its session",
        "b": "coolant at 80 °C, below 85 °C",
        "d": "declared as a warm-up pull",
        "e": "first of its session",
    }
    with pytest.raises(DataError, match="leaves no pull"):
        leave_out_warm_up(pulls[:1], WarmUpRule(first=1))
    with pytest.raises(DataError, match="have the order 1"):
        leave_out_warm_up([pulls[0], pull("z", order=1)], WarmUpRule())


def test_drift_is_the_common_slope() -> None:
    rng = np.random.default_rng(4)
    names = ["standard", "trial"] * 5
    order = np.arange(1.0, 11.0)
    values = 150.0 - 0.4 * order + np.array([0.0, 3.0] * 5) + 0.1 * rng.standard_normal(10)
    pulls = [pull(f"p{i}", n, i) for i, n in enumerate(names, 1)]
    found = drift(values.tolist(), order.tolist(), pulls, name="pull order", covariate_unit="pull", unit="kW")
    # the same by least squares with a level per configuration
    design = np.column_stack([order, np.array([1.0, 0.0] * 5), np.array([0.0, 1.0] * 5)])
    (slope, *_), squares, *_ = np.linalg.lstsq(design, values, rcond=None)
    error = np.sqrt(squares[0] / 7.0 * np.linalg.inv(design.T @ design)[0, 0])
    assert found.slope == pytest.approx(slope, rel=1e-9)
    assert found.df == 7
    # t(0.975, 7) = 2.3646 (any t table)
    assert found.high is not None and found.low is not None
    assert (found.high - found.low) / 2.0 == pytest.approx(2.3646 * error, rel=1e-4)
    assert found.detected
    assert found.shifts["trial"] - found.shifts["standard"] == pytest.approx(slope * 1.0, rel=1e-9)
    assert found.share is not None and found.share < 0.05


def test_drift_that_cannot_be_told() -> None:
    pulls = [pull("a", order=1), pull("b", "trial", 2), pull("c", order=3)]
    few = drift([1.0, 2.0], [None, 3.0], pulls[:2], name="iat", covariate_unit="K", unit="kW")
    assert few.slope is None and "at least three" in few.reason
    flat = drift([1.0, 2.0, 3.0], [20.0, 30.0, 20.0], pulls, name="iat", covariate_unit="K", unit="kW")
    assert flat.slope is None and "does not vary" in flat.reason
    short = drift([1.0, 2.0, 3.0], [20.0, 30.0, 25.0], pulls, name="iat", covariate_unit="K", unit="kW")
    assert short.slope is not None and short.low is None and not short.detected


def session(gain: float = 0.02, slope: float = 0.0) -> list[Pull]:
    pulls = []
    for order in range(1, 9):
        name = "trial" if order in (3, 4, 7, 8) else "standard"
        factor = (1.0 + (gain if name == "trial" else 0.0)) * (1.0 + slope * order)
        iat = 40.0 + order + (-5.0 if name == "trial" else 0.0)
        pulls.append(
            pull(f"p{order}", name, order, gain=factor, noise=1.0, seed=order, iat=iat, coolant=88.0 + 0.2 * order)
        )
    return pulls


def test_whole_session() -> None:
    settings_ = DynoSettings("sae-j1349-2004", smoothing=300.0, warm_up=WarmUpRule(first=2))
    result = analyse_pulls(session(), "standard", settings_)
    assert [o.pull for o in result.left_out] == ["p1", "p2"]
    assert result.basis == "wheel"
    by_figure = {s.figure: s for s in result.summaries}
    mean = by_figure["mean_power"]
    assert mean.means["standard"].n == 2
    assert mean.means["trial"].n == 4
    difference = mean.differences["trial"]
    expected = 0.02 * mean.means["standard"].mean
    assert difference.low is not None and difference.high is not None
    assert difference.low < expected < difference.high
    corrected, measured = by_figure["peak_power"], by_figure["peak_power_uncorrected"]
    factor = result.corrections[0].correction.factor
    assert corrected.means["trial"].mean == pytest.approx(factor * measured.means["trial"].mean, rel=1e-9)
    assert result.smoothing_effect < 0.0
    assert {found.covariate for found in result.drifts} == {
        "pull order",
        "intake air temperature",
        "coolant temperature",
    }
    json.dumps(asdict(result), allow_nan=False)


def test_session_limitations() -> None:
    warming = analyse_pulls(session(slope=-0.01), "standard", DynoSettings("sae-j607"))
    assert any("not adjusted" in text for text in warming.limitations)
    ordered = [replace(p, order=i) for i, p in enumerate(sorted(session(), key=lambda p: p.configuration), 1)]
    assert not any(
        "one after the other" in text for text in analyse_pulls(session(), "standard", DynoSettings()).limitations
    )
    one_by_one = analyse_pulls([ordered[0], ordered[1], *ordered[6:]], "standard", DynoSettings())
    assert any("one after the other" in text for text in one_by_one.limitations)
    # in turn within each of two sessions: balanced, although the order counts on from one session to the next
    two = [
        pull(f"p{o}", name, o, gain=1.0 + 0.001 * o, noise=0.5, seed=o, session="am" if o < 10 else "pm")
        for o, name in zip((1, 2, 3, 4, 11, 12, 13, 14), ("standard", "trial") * 4, strict=True)
    ]
    balanced = analyse_pulls(two, "standard", DynoSettings())
    assert balanced.drifts[0].share == pytest.approx(0.2, abs=1e-9)
    assert not any("one after the other" in text for text in balanced.limitations)
    # a pull that ends before its peak
    short = [pull(f"s{o}", "standard", o, speed=SPEED[:80]) for o in (1, 2)]
    assert any("2 of 2 pulls lies at an end" in t for t in analyse_pulls(short, "standard", DynoSettings()).limitations)
    assert not any(
        "at an end" in t for t in analyse_pulls(session(), "standard", DynoSettings(smoothing=600.0)).limitations
    )
    lone = analyse_pulls(
        [*session()[:3]], "standard", DynoSettings(driveline_loss=DrivelineLoss("an assumed loss", 12.0))
    )
    assert any("trial has one pull" in text for text in lone.limitations)
    assert any("estimated with an assumed loss" in text for text in lone.limitations)
    hot = [replace(p, cell=replace(p.cell, temperature=40.0, pressure=88.0)) for p in session() if p.cell]
    outside = analyse_pulls(hot, "standard", DynoSettings("sae-j1349-2004"))
    assert any("validity range" in text and "(pulls p1, p2" in text for text in outside.limitations)


def test_expected_power_stands_beside_the_measured() -> None:
    result = analyse_pulls(session(), "standard", DynoSettings())
    (expected,) = result.expected
    # order 1, 2, 5, 6 against 3, 4, 7, 8, and 5 K cooler by construction
    assert expected.baseline_iat == pytest.approx(43.5)
    assert expected.candidate_iat == pytest.approx(40.5)
    by_model = {m.model: m.percent for m in expected.models}
    assert by_model["density"] == pytest.approx(100.0 * (316.65 / 313.65 - 1.0), rel=1e-9)
    assert by_model["one-percent"] == pytest.approx(0.54, rel=1e-9)
    assert expected.measured is not None and expected.measured_low is not None and expected.measured_high is not None
    assert expected.measured_low < 2.0 < expected.measured_high
    without = [replace(p, iat=None) for p in session()]
    assert analyse_pulls(without, "standard", DynoSettings()).expected == ()


def test_order_and_time_must_agree() -> None:
    noon = dt.datetime(2026, 5, 4, 12, 0, tzinfo=dt.UTC)
    pulls = [pull("a", order=1, time=noon), pull("b", order=2), pull("c", order=3, time=noon - dt.timedelta(minutes=9))]
    with pytest.raises(DataError, match="Pull c follows pull a by its order but not by its time"):
        leave_out_warm_up(pulls, WarmUpRule())


def test_one_configuration_has_no_difference() -> None:
    result = analyse_pulls(session()[:2], "standard", DynoSettings())
    assert result.differences == ()
    assert all(s.differences == {} for s in result.summaries)


def write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def table(unit_torque: float = 1.0, delimiter: str = ",", decimal: str = ".") -> str:
    rows = [["Speed", "Torque", "Air", "Baro", "RH"]]
    for n, t in zip(SPEED[::20], torque_curve(SPEED[::20]), strict=True):
        rows.append([f"{n:.0f}", f"{t * unit_torque:.4f}", "82.4", "29.0", "45"])
    return "\n".join(delimiter.join(r).replace(".", decimal) for r in rows) + "\n"


MAPPING = {
    "Speed": "rpm [rpm]",
    "Torque": "torque [lbf*ft]",
    "Air": "cell_temperature [degF]",
    "Baro": "cell_pressure [inHg]",
    "RH": "cell_humidity [%]",
}


@pytest.mark.parametrize(("delimiter", "decimal"), [(",", "."), (";", ","), ("\t", ".")])
def test_pull_from_a_table(tmp_path: Path, delimiter: str, decimal: str) -> None:
    path = write(tmp_path / "p.csv", "# made for a test\n" + table(1.0 / 1.3558179483314004, delimiter, decimal))
    found = read_pull(path, MAPPING, id="p", configuration="standard", measured_at="wheel", order=1)
    np.testing.assert_allclose(found.torque, torque_curve(SPEED[::20]), atol=2e-4)
    assert found.cell is not None
    assert found.cell.temperature == pytest.approx(28.0, abs=1e-9)
    assert found.cell.pressure == pytest.approx(98.205, abs=1e-3)
    declared = read_pull(
        path, MAPPING, id="p", configuration="standard", measured_at="wheel", order=1, cell_temperature=21.0
    )
    assert declared.cell is not None and declared.cell.temperature == 21.0


@pytest.mark.parametrize(
    ("mapping", "text", "message"),
    [
        ({"RPM": "rpm [rpm]"}, None, "There is no column 'RPM'"),
        ({"Speed": "revs [rpm]"}, None, "'revs \\[rpm\\]' is not a column"),
        ({"Torque": "torque [N*m]"}, None, "No column is mapped to rpm"),
        ({"Speed": "rpm [rpm]", "Torque": "torque [kPa]"}, None, "does not measure a torque"),
        ({"Speed": "rpm [rpm]", "Torque": "rpm [rpm]"}, None, "Two columns are mapped"),
        ({}, None, "No column is mapped"),
        (MAPPING, "Speed,Torque\n", "no row of data"),
        ({"Speed": "rpm [rpm]"}, "Speed,Torque\n1000,5\n1100\n", "1 row with too few fields"),
        ({"Speed": "rpm [rpm]"}, "Speed,Speed\n1000,5\n", "occurs twice"),
        ({"Speed": "rpm [rpm]"}, "Speed,Torque\n1000,5\nfast,6\n", "'fast' is not a number"),
    ],
)
def test_bad_tables(tmp_path: Path, mapping: dict[str, str], text: str | None, message: str) -> None:
    path = write(tmp_path / "p.csv", text or table())
    with pytest.raises(DataError, match=message):
        read_pull(path, mapping, id="p", configuration="standard", measured_at="wheel", order=1)


def test_unreadable_file(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="no such file"):
        read_pull(tmp_path / "absent.csv", MAPPING, id="p", configuration="s", measured_at="wheel", order=1)
