"""Dyno pulls: what is refused, what is computed, and that it finds what was put in."""

import datetime as dt
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from intake_report.analyse.evidence_limits import dyno_limitations
from intake_report.campaign.sections import DynoSection
from intake_report.dyno import DynoResult, analyse_pulls, difference_curves, drift, leave_out_warm_up, mean_curves
from intake_report.dyno import pulls as module
from intake_report.dyno.pulls import DynoPull, Grid, common_grid, correct, estimate_at_engine, make_pull, on_grid
from intake_report.errors import DataError
from intake_report.loaders import read_columns
from intake_report.messages import said
from intake_report.report_table import rows_of
from intake_report.results.text import DRIFT, as_json

SPEED = np.arange(2000.0, 6501.0, 25.0)
CELL = {"cell_temperature": 28.0, "cell_pressure": 98.0, "cell_humidity": 45.0}
GRID = Grid(2500.0, 6000.0, 500.0, 0.0)


def torque_curve(speed: np.ndarray, top: float = 250.0) -> np.ndarray:
    return top * (1.0 - ((speed - 4200.0) / 3500.0) ** 2)


def pull(id="p1", configuration="standard", order=1, *, speed=SPEED, gain=1.0, noise=0.0, seed=0, **kwargs) -> DynoPull:
    torque = torque_curve(speed) * gain + noise * np.random.default_rng(seed).standard_normal(speed.size)
    table = {"rpm": speed, "torque": torque, **CELL}
    table |= {name: kwargs.pop(name) for name in (*CELL, "iat", "coolant") if name in kwargs}
    return make_pull(id, configuration, kwargs.pop("measured_at", "wheel"), order, table, **kwargs)


def figures_of(**columns) -> DynoPull:
    return make_pull("p", "standard", "wheel", 1, {"rpm": SPEED, **columns})


def section(correction: str = "none", **keys: object) -> DynoSection:
    return DynoSection(correction=correction, **keys)  # type: ignore[arg-type]


def texts(result: DynoResult) -> list[str]:
    names = {"standard": "standard", "trial": "trial"}
    return [said(x.text, "si").replace("\u00a0", " ") for x in dyno_limitations(result, names)]


@pytest.mark.parametrize(
    ("torque_scale", "power_scale", "hint"),
    [
        (1.0, 1.0 / 0.7456998715822702, "power looks like hp"),
        (1.0, 1.0 / 0.73549875, "power looks like PS"),
        (1.0 / 1.3558179483314004, 1.0, "torque looks like lbf·ft"),
        (1.3558179483314004, 1.0, "torque looks like N·m, not lbf·ft"),
        (1.0 / 1.3558179483314004, 1.0 / 0.7456998715822702, "hp and lbf·ft"),
        (1.0, 1.011, "Check the units of both columns"),
    ],
)
def test_contradiction_is_refused_with_a_hint(torque_scale: float, power_scale: float, hint: str) -> None:
    good = pull()
    with pytest.raises(DataError, match="torque and power contradict each other") as caught:
        figures_of(torque=good.torque * torque_scale, power=good.power * power_scale)
    assert hint in str(caught.value)


def test_columns_that_agree_are_kept_and_power_alone_gives_torque() -> None:
    good = pull()
    both = figures_of(torque=good.torque, power=good.power * 1.009)
    np.testing.assert_array_equal(both.power, good.power * 1.009)
    found = figures_of(power=good.power)
    np.testing.assert_allclose(found.torque, good.torque, rtol=1e-12)
    assert found.cell is None


NOON = dt.datetime(2026, 5, 4, 12, 0, tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("words", "call"),
    [
        ("neither torque nor power", figures_of),
        ("differ in length", lambda: figures_of(torque=np.ones(3))),
        ("the engine speed has fallen by 975 rpm", lambda: pull(speed=np.concatenate([SPEED, SPEED[::-1][1:40]]))),
        ("4 rows", lambda: pull(speed=SPEED[:4])),
        ("not positive", lambda: pull(speed=SPEED - 2000.0)),
        ("looks like hPa", lambda: pull(cell_pressure=980.0)),
        *(("not a driveline loss with a name", lambda text=text: estimate_at_engine(pull(), text)) for text in ("15 %", "fifteen", "80 % (a guess)")),
        ("Pull c follows pull a by its order but not by its time", lambda: leave_out_warm_up(
            [pull("a", time=NOON), pull("b", order=2), pull("c", order=3, time=NOON - dt.timedelta(minutes=9))], section())),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(words, call) -> None:
    with pytest.raises(DataError, match=words):
        call()


def test_scatter_of_the_speed_reading_is_not_backwards() -> None:
    row = np.arange(SPEED.size)
    back = pull(speed=np.where(row == 10, SPEED[9] - 20.0, SPEED))
    holed = figures_of(torque=np.where(row == 3, np.nan, torque_curve(SPEED)))
    for found, note in ((back, "in which the engine speed did not rise left out"), (holed, "without a value")):
        assert found.speed.size == SPEED.size - 1 and np.all(np.diff(found.speed) > 0.0)
        assert said(found.notes[0], "si").startswith(f"1 row {note}")


def test_incomplete_cell_air_cannot_be_corrected() -> None:
    half = pull(cell_humidity=None)
    assert "humidity missing" in said(half.notes[0], "si")
    with pytest.raises(DataError, match="cannot be corrected"):
        correct(half, section("sae-j1349-2004"))
    assert correct(half, section()).correction.factor == 1.0


def test_correction_multiplies_both_by_the_air_of_the_cell_alone() -> None:
    cool, hot = (correct(pull(iat=iat), section("sae-j1349-2004")) for iat in (20.0, 60.0))
    assert cool.correction.factor == hot.correction.factor > 1.02
    np.testing.assert_allclose(cool.power, pull().power * cool.correction.factor, rtol=1e-15)
    np.testing.assert_allclose(cool.torque, pull().torque * cool.correction.factor, rtol=1e-15)


@settings(max_examples=30)
@given(st.floats(0.0, 600.0), st.floats(-0.05, 0.05), st.floats(50.0, 400.0))
def test_smoothing_leaves_a_straight_line_and_ends_with_it(width: float, slope: float, start: float) -> None:
    grid = np.arange(1900.0, 6601.0, 100.0)
    found = on_grid(SPEED, start + slope * SPEED, grid, width)
    assert np.isnan(found[[0, -1]]).all()
    np.testing.assert_allclose(found[1:-1], start + slope * grid[1:-1], rtol=1e-9)


def test_smoothing_lowers_a_peak_by_its_curvature() -> None:
    # On a parabola c·x² the local line at the centre is the mean of the rows: 25 rpm apart, 10 on either side.
    smoothed = on_grid(SPEED, 300.0 - 1e-5 * (SPEED - 4500.0) ** 2, np.array([4500.0]), 500.0)[0]
    expected = 1e-5 * 25.0**2 * 2.0 * sum(k**2 for k in range(1, 11)) / 21.0
    assert 300.0 - smoothed == pytest.approx(expected, rel=1e-9)


def test_common_band() -> None:
    low, high = pull("a", speed=SPEED[:120]), pull("b", speed=SPEED[60:])
    assert common_grid([low, high], 100.0) == Grid(3500.0, 4900.0, 100.0, 0.0)
    with pytest.raises(DataError, match="Pulls a and b have no engine speed in common"):
        common_grid([pull("a", speed=SPEED[:40]), pull("b", speed=SPEED[100:])], 100.0)
    with pytest.raises(DataError, match="fewer than two steps"):
        common_grid([low, high], 5000.0)


def test_figures_of_a_known_curve() -> None:
    speed = np.arange(2000.0, 6001.0, 20.0)
    linear = make_pull("p", "standard", "engine", 1, {"rpm": speed, "power": 0.03 * speed, **CELL})
    item = correct(linear, section("iso-1585-si"))
    figures, factor = module.pull_figures(item, Grid(2000.0, 6000.0, 100.0, 200.0)), item.correction.factor
    assert figures["mean_power"] == pytest.approx(0.03 * 4000.0 * factor, rel=1e-12)
    assert figures["area"] == pytest.approx(0.03 * 4000.0 * 4000.0 * factor, rel=1e-12)
    assert figures["peak_power"] == pytest.approx(180.0 * factor, rel=1e-12)
    assert figures["peak_power_speed"] == 6000.0 and figures["peak_at_edge"]
    constant = 0.03 * 60_000.0 / (2.0 * np.pi)  # N·m at every speed
    for name, value in (("peak_power", 180.0), ("mean_power", 120.0), ("peak_torque", constant)):
        assert figures[f"{name}_uncorrected"] == pytest.approx(value, rel=1e-12)
    assert figures["smoothing_effect"] == pytest.approx(0.0, abs=1e-9)


def test_smoothing_effect_on_a_noisy_peak_is_stated() -> None:
    item = correct(pull(noise=4.0), section())
    rough, smooth = (module.pull_figures(item, Grid(2000.0, 6500.0, 100.0, width)) for width in (0.0, 500.0))
    assert smooth["peak_power"] < rough["peak_power"] <= smooth["peak_power_unsmoothed"]
    assert smooth["smoothing_effect"] < -0.5


def test_mean_curve_has_the_t_interval() -> None:
    gains = np.array([1.0, 1.01, 0.985])
    items = [correct(pull(f"p{i}", order=i, gain=g), section()) for i, g in enumerate(gains, 1)]
    (curve,) = mean_curves(items, "torque", GRID)
    assert curve.n == 3
    values = torque_curve(np.array([4000.0])) * gains
    interval = stats.t.interval(0.95, 2, values.mean(), stats.sem(values))
    at = GRID.speeds.tolist().index(4000.0)
    assert (curve.mean[at], curve.low[at], curve.high[at]) == pytest.approx((values.mean(), *interval), rel=1e-9)
    assert mean_curves(items[:1], "power", GRID)[0].low is None


def test_difference_curve_finds_the_offset() -> None:
    base = [correct(pull(f"b{i}", order=2 * i - 1, gain=1.0 + 0.002 * i), section()) for i in range(1, 4)]
    cand = [correct(pull(f"c{i}", "trial", 2 * i, gain=1.03 + 0.002 * i), section()) for i in range(1, 4)]
    (curve,) = difference_curves(base + cand, "torque", GRID, "standard")
    np.testing.assert_allclose(curve.difference, 0.03 * torque_curve(GRID.speeds), rtol=1e-9)
    assert all(low is not None and low > 0.0 for low in curve.low)
    assert curve.percent[0] == pytest.approx(100.0 * 0.03 / 1.004, rel=1e-9)
    assert (curve.n_baseline, curve.n_candidate) == (3, 3)
    (bare,) = difference_curves([base[0], cand[0]], "torque", GRID, "standard")
    assert set(bare.low) == {None} and bare.method == "none"


def test_wheel_and_engine_are_not_mixed() -> None:
    wheel, engine = pull("w"), pull("e", "trial", 2, measured_at="engine")
    with pytest.raises(DataError, match=r"at the wheel and at the engine are not mixed \(w: wheel; e: engine\)"):
        analyse_pulls([wheel, engine], "standard", section())
    loss = "15 % (assumed, front-wheel drive)"
    estimated = estimate_at_engine(wheel, loss)
    np.testing.assert_allclose(estimated.power, wheel.power / 0.85, rtol=1e-12)
    assert estimated.assumption == "a driveline loss of 15 % (assumed, front-wheel drive)"
    assert estimate_at_engine(engine, loss) is engine
    with pytest.raises(DataError, match="not mixed"):
        analyse_pulls([wheel, engine], "standard", section(driveline_loss=loss))


def test_warm_up_pulls_are_left_out_by_rule() -> None:
    pulls = [pull(id, order=order, coolant=60.0 + 10.0 * order) for order, id in enumerate("abc", 1)]
    pulls += [
        pull("d", order=4, coolant=91.0, warm_up=True),
        pull("e", "trial", 1, session="afternoon", coolant=90.0),
        pull("f", "trial", 2, session="afternoon"),
    ]
    kept, out = leave_out_warm_up(pulls, section(warm_up_pulls=1, least_coolant="85 degC"))
    assert [p.id for p in kept] == ["c", "f"]
    assert {o.pull: said(o.reason, "si").replace("\u00a0", " ") for o in out} == {
        "a": "first of its session",
        "b": "coolant at 80 °C, below 85 °C",
        "d": "declared as a warm-up pull",
        "e": "first of its session",
    }
    with pytest.raises(DataError, match="leaves no pull"):
        leave_out_warm_up(pulls[:1], section(warm_up_pulls=1))
    with pytest.raises(DataError, match="have the order 1"):
        leave_out_warm_up([pulls[0], pull("z", order=1)], section())


def test_drift_is_the_common_slope() -> None:
    rng = np.random.default_rng(4)
    names = ["standard", "trial"] * 5
    order = np.arange(1.0, 11.0)
    values = 150.0 - 0.4 * order + np.array([0.0, 3.0] * 5) + 0.1 * rng.standard_normal(10)
    pulls = [pull(f"p{i}", n, i) for i, n in enumerate(names, 1)]
    found = drift(values.tolist(), order.tolist(), pulls, name="pull order", quantity="count")
    # the same by least squares with a level per configuration
    design = np.column_stack([order, np.array([1.0, 0.0] * 5), np.array([0.0, 1.0] * 5)])
    (slope, *_), squares, *_ = np.linalg.lstsq(design, values, rcond=None)
    error = np.sqrt(squares[0] / 7.0 * np.linalg.inv(design.T @ design)[0, 0])
    assert found.slope == pytest.approx(slope, rel=1e-9) and found.df == 7
    # t(0.975, 7) = 2.3646 (any t table)
    assert (found.high - found.low) / 2.0 == pytest.approx(2.3646 * error, rel=1e-4)
    assert found.detected and found.share < 0.05
    # kW/K: a kelvin is 1.8 °F, a kilowatt 1.341 hp
    warm = replace(found, quantity="temperature_difference", slope=-1.8)
    shown = [DRIFT["text"](warm, system).replace("\u202f", " ").replace("\u00a0", " ") for system in ("si", "us")]
    assert shown == ["\u22121.80 kW/K", "\u22121.34 hp/°F"]


@pytest.mark.parametrize(
    ("iat", "why"),
    [([None, 3.0, None], "at least 3"), ([20.0, 30.0, 20.0], "does not vary"), ([20.0, 30.0, 25.0], "too few pulls")],
)
def test_drift_that_cannot_be_told(iat: list, why: str) -> None:
    pulls = [pull("a", order=1), pull("b", "trial", 2), pull("c", order=3)]
    found = drift([1.0, 2.0, 3.0], iat, pulls, name="iat", quantity="temperature_difference")
    assert why in said(found.reason, "si") and found.low is None and not found.detected
    assert (found.slope is None) == (why != "too few pulls")


def session(gain: float = 0.02, slope: float = 0.0) -> list[DynoPull]:
    pulls = []
    for order in range(1, 9):
        name = "trial" if order in (3, 4, 7, 8) else "standard"
        factor = (1.0 + (gain if name == "trial" else 0.0)) * (1.0 + slope * order)
        iat = 40.0 + order + (-5.0 if name == "trial" else 0.0)
        coolant = 88.0 + 0.2 * order
        pulls.append(pull(f"p{order}", name, order, gain=factor, noise=1.0, seed=order, iat=iat, coolant=coolant))
    return pulls


def test_whole_session() -> None:
    result = analyse_pulls(session(), "standard", section("sae-j1349-2004", smoothing="300 rpm", warm_up_pulls=2))
    assert [o.pull for o in result.left_out] == ["p1", "p2"]
    assert result.basis == "wheel"
    means = {(row.figure, row.configuration): row for row in rows_of(result.means)}
    assert (means["mean_power", "standard"].n, means["mean_power", "trial"].n) == (2, 4)
    difference = next(row for row in rows_of(result.comparisons) if row.figure == "mean_power")
    assert difference.low < 0.02 * means["mean_power", "standard"].mean < difference.high
    assert "session" in said(difference.note, "si") and "run" not in said(difference.note, "si")
    assert result.smoothing_effect < 0.0
    assert [x.covariate for x in result.drifts] == ["pull order", "intake air temperature", "coolant temperature"]
    json.dumps(as_json(result, "si"), allow_nan=False)
    within = analyse_pulls(TWO_SESSIONS, "standard", section())
    one = within.difference("mean_power", "trial", "standard")
    assert {one.method, *within.comparisons["method"], *(curve.method for curve in within.differences)} == {"blocked"}


ORDERED = [replace(p, order=i) for i, p in enumerate(sorted(session(), key=lambda p: p.configuration), 1)]
# in turn within each of two sessions: balanced, although the order counts on from one session to the next
TWO_SESSIONS = [
    pull(f"p{o}", name, o, gain=1.0 + 0.001 * o, noise=0.5, seed=o, session="am" if o < 10 else "pm")
    for o, name in zip((1, 2, 3, 4, 11, 12, 13, 14), ("standard", "trial") * 4, strict=True)
]
SHORT = [pull(f"s{o}", "standard", o, speed=SPEED[:80]) for o in (1, 2)]  # they end before their peak
HOT = [replace(p, cell=replace(p.cell, temperature=40.0, pressure=88.0)) for p in session()]


@pytest.mark.parametrize(
    ("pulls", "keys", "words", "said_so"),
    [
        (session(slope=-0.01), {"correction": "sae-j607"}, "not adjusted", True),
        (session(), {}, "one after the other", False),
        ([ORDERED[0], ORDERED[1], *ORDERED[6:]], {}, "one after the other", True),
        (TWO_SESSIONS, {}, "one after the other", False),
        (SHORT, {}, "2 of 2 pulls lies at an end", True),
        (session(), {"smoothing": "600 rpm"}, "at an end", False),
        (session()[:3], {}, "trial has one pull", True),
        (session(), {"driveline_loss": "12 % (assumed)"}, "estimated with a driveline loss of 12 % (assumed)", True),
        (HOT, {"correction": "sae-j1349-2004"}, "(pulls p1, p2", True),
        ([pull("t", "trial")], {}, "standard has no pull that counts", True),
    ],
)
def test_session_limitations(pulls, keys, words: str, said_so: bool) -> None:
    assert any(words in text for text in texts(analyse_pulls(pulls, "standard", section(**keys)))) == said_so


def test_without_the_baseline_or_another_configuration_nothing_is_compared() -> None:
    for pulls in (session()[:2], [pull("t", "trial")]):
        alone = analyse_pulls(pulls, "standard", section())
        assert alone.differences == () and alone.comparisons.empty


def test_expected_power_stands_beside_the_measured() -> None:
    (expected,) = analyse_pulls(session(), "standard", section()).expected
    # order 1, 2, 5, 6 against 3, 4, 7, 8, and 5 K cooler by construction
    assert expected.baseline_iat == pytest.approx(43.5)
    assert expected.candidate_iat == pytest.approx(40.5)
    by_model = {m.model: m.percent for m in expected.models}
    assert by_model["density"] == pytest.approx(100.0 * (316.65 / 313.65 - 1.0), rel=1e-9)
    assert by_model["one-percent"] == pytest.approx(0.54, rel=1e-9)
    assert expected.measured_low < 2.0 < expected.measured_high
    assert analyse_pulls([replace(p, iat=None) for p in session()], "standard", section()).expected == ()


MAPPING = {"Speed": "rpm [rpm]", "Torque": "torque [lbf*ft]", "Air": "cell_temperature [degF]"}


@pytest.mark.parametrize(("delimiter", "decimal"), [(",", "."), (";", ","), ("\t", ".")])
def test_columns_of_a_table(tmp_path: Path, delimiter: str, decimal: str) -> None:
    rows = ["# made for a test", "Speed,Torque,Air", "1000,73.7562,82.4", "1500,147.5125,82.4"]
    text = "\n".join(row.replace(",", "|").replace(".", decimal).replace("|", delimiter) for row in rows)
    (tmp_path / "p.csv").write_text(text, encoding="utf-8")
    found = read_columns(tmp_path / "p.csv", MAPPING, module.COLUMNS)
    # 1 lbf·ft is 0.45359237 kg · 9.80665 m/s² · 0.3048 m, exact by definition: 1.3558179 N·m
    np.testing.assert_allclose(found["torque"], [100.0, 200.0], atol=2e-4)
    assert found["cell_temperature"][0] == pytest.approx(28.0, abs=1e-9)


@pytest.mark.parametrize(
    ("mapping", "text", "message"),
    [
        ({"RPM": "rpm [rpm]"}, None, "There is no column 'RPM'"),
        ({"Speed": "revs [rpm]"}, None, "'revs \\[rpm\\]' is not a column"),
        ({"Speed": "rpm [rpm]", "Torque": "torque [kPa]"}, None, "does not measure a torque"),
        ({"Speed": "rpm [rpm]", "Torque": "rpm [rpm]"}, None, "Two columns are mapped"),
        ({}, None, "No column is mapped"),
        (MAPPING, "Speed,Torque\n", "no row of data"),
        ({"Speed": "rpm [rpm]"}, "Speed,Torque\n1000,5\n1100\n", "1 row with too few fields"),
        ({"Speed": "rpm [rpm]"}, "Speed,Speed\n1000,5\n", "occurs twice"),
        ({"Speed": "rpm [rpm]"}, "Speed,Torque\n1000,5\nfast,6\n", "'fast' is not a number"),
        ({"Speed": "rpm [rpm]"}, "Speed,Torque\n2026-01-01,5\n2026-01-02,6\n", "'2026-01-01' is not a number"),
        ({"Speed": "rpm [rpm]"}, "Speed,Torque\n12:00:01,5\n12:00:02,6\n", "'12:00:01' is not a number"),
    ],
)
def test_bad_tables(tmp_path: Path, mapping: dict[str, str], text: str | None, message: str) -> None:
    path = tmp_path / "p.csv"
    path.write_text(text or "Speed,Torque\n1000,5\n", encoding="utf-8")
    with pytest.raises(DataError, match=message):
        read_columns(path, mapping, module.COLUMNS)
