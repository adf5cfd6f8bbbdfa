"""Uncertainty, conformity and exponential fits against the GUM, JCGM 106, NIST and worked examples."""

import math
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize

from intake_report.statistics import (
    Component,
    capability,
    combine,
    conformance_probability,
    covariance_of_means,
    decay,
    decide,
    effective_df,
    exceeding_limit_relative,
    fit_recovery,
    fit_saturation,
    global_risk,
    guard_band,
    line_fit,
    one_sided_risk,
    propagate,
    resolution,
    summarise_draws,
)
from intake_report.statistics._numbers import coverage_factor

DATA = Path(__file__).parent / "data"


def strd_xy(name):
    rows = [line.split() for line in (DATA / f"{name}.dat").read_text().splitlines()[60:]]
    data = np.array([[float(v) for v in row] for row in rows if len(row) == 2])
    return data[:, 1], data[:, 0]


# ---------------------------------------------------------------- GUM (JCGM 100:2008)


def test_gum_g_4_1():
    # example of annex G.4.1 (from memory): relative uncertainties 0.25, 0.57, 0.82 % from 10, 5 and 15 readings
    got = combine([Component("a", 0.25, df=9), Component("b", 0.57, df=4), Component("c", 0.82, df=14)])
    assert got.u == pytest.approx(1.0295, abs=1e-4)
    assert got.df == pytest.approx(18.9987, abs=1e-3)
    expanded, factor = got.expanded(0.95)
    assert factor == pytest.approx(2.093, abs=5e-4)  # rounding 18.9987 down to 18 would give 2.101
    assert 2.15 <= expanded <= 2.16


def test_gum_h1_end_gauge():
    # inputs and results as in the GTC package (GUM_H1.py, test_uncertain_real_dof.py), nm
    inner = combine(
        [Component("repeats", 5.8, df=24), Component("random", 3.9, df=5), Component("systematic", 6.7, df=8)]
    )
    assert inner.u == pytest.approx(9.681941954, abs=1e-8)
    assert inner.df == pytest.approx(25.447, abs=1e-3)
    got = combine(
        [
            Component("standard", 25.0, df=18),
            Component("difference", inner.u, df=inner.df),
            Component("temperature", 2.9, df=50),
            Component("expansion", 16.6, df=2),
        ]
    )
    assert got.u == pytest.approx(31.66376741, abs=0.01)
    assert got.df == pytest.approx(16.75214751, abs=0.05)
    assert coverage_factor(0.99, 16) == pytest.approx(2.921, abs=5e-4)  # the GUM truncates to 16
    assert round(coverage_factor(0.99, 16) * round(got.u)) == 93
    assert sum(share for _, _, share in got.contributions) == pytest.approx(1.0)


def impedance(x):
    v, i, phi = x
    z = v / i
    return [z * math.cos(phi), z * math.sin(phi), z]


def test_gum_h2_raw_data():
    # simultaneous resistance and reactance, annex H.2: five sets of readings (from memory)
    rows = [
        [5.007, 4.994, 5.005, 4.990, 4.999],
        [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ]
    got = propagate(impedance, [float(np.mean(r)) for r in rows], covariance_of_means(rows))
    assert got.values == pytest.approx((127.732, 219.847, 254.260), abs=1e-3)
    assert got.u == pytest.approx((0.071, 0.296, 0.236), abs=1e-3)
    r = got.correlation
    assert (r[0][1], r[0][2], r[1][2]) == pytest.approx((-0.588, -0.485, 0.993), abs=1e-3)


def test_gum_h2_from_rounded_inputs():
    # GTC tests: u 3.2 mV, 9.5 µA, 0.75 mrad, correlations −0.36, 0.86, −0.65
    u = np.array([3.2e-3, 9.5e-6, 7.5e-4])
    r = np.array([[1.0, -0.36, 0.86], [-0.36, 1.0, -0.65], [0.86, -0.65, 1.0]])
    got = propagate(impedance, [4.9990, 19.6610e-3, 1.04446], r * np.outer(u, u))
    assert got.u == pytest.approx((0.0699787280, 0.2957168268, 0.2366029718), rel=1e-6)
    c = got.correlation
    assert (c[0][1], c[0][2], c[1][2]) == pytest.approx((-0.591485, -0.490624, 0.992797), abs=1e-6)


def test_gum_h3_thermometer():
    # annex H.3, values as in the GTC documentation (GUM_H3.rst)
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    got = line_fit(t, b, origin=20.0)
    assert (got.intercept, got.intercept_error) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (got.slope, got.slope_error) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    assert got.correlation == pytest.approx(-0.930, abs=5e-4)
    assert got.residual_sd == pytest.approx(0.0035, abs=5e-5)
    assert got.residual_sd**2 * got.df == pytest.approx(1.10096583e-4, rel=1e-8)
    assert got.at(30.0) == pytest.approx((-0.1494, 0.0041), abs=5e-5)


def test_one_degree_readings():
    # rectangular distribution of a rounded reading, GUM F.2.2.1: step/√12, √2 of it for a difference
    assert resolution(1.0) == pytest.approx(0.288675, abs=1e-6)
    both = combine([Component("first", resolution(1.0)), Component("second", resolution(1.0))])
    assert both.u == pytest.approx(0.408248, abs=1e-6)
    assert both.df is None
    # a reading, a thermocouple of class 1 (± 1.5 K, rectangular; IEC 60584-1) and 0.3 K
    total = combine(
        [Component("reading", resolution(1.0)), Component("class", resolution(3.0)), Component("rest", 0.3)]
    )
    assert total.u == pytest.approx(0.96090, abs=1e-5)


def test_effective_df_of_one_source_is_its_own():
    assert effective_df([2.0, 0.0], [7, None]) == pytest.approx(7.0)


def test_sum_of_four_rectangular_quantities():
    # JCGM 101:2008, 9.2.3: four rectangular quantities of u = 1: u = 2, 95 % interval ± 3.88 (from memory)
    rng = np.random.default_rng(3)
    draws = rng.uniform(-math.sqrt(3), math.sqrt(3), (200_000, 4)).sum(axis=1)
    got = summarise_draws(draws, 0.95)
    assert got.u == pytest.approx(2.0, abs=0.012)
    assert (got.low, got.high) == pytest.approx((-3.88, 3.88), abs=0.03)
    assert got.shortest_high - got.shortest_low == pytest.approx(2 * 3.88, abs=0.05)


# ---------------------------------------------------------------- conformity (JCGM 106:2012)


def test_voltage_reference_example():
    # upper limit −5.40 V, measured −5.47 V with u = 0.05 V: Φ(1.40) (from memory)
    assert conformance_probability(-5.47, 0.05, high=-5.40) == pytest.approx(0.9192, abs=1e-4)


def test_road_speed_example():
    # limit 100 km/h, u 2 %, probability 99.9 %: a reading of 107 km/h is needed (from memory)
    got = exceeding_limit_relative(100.0, 0.02, 0.999)
    assert got == pytest.approx(106.59, abs=0.01)
    assert math.ceil(got) == 107


def test_guard_bands():
    # normal tail beyond 2 and 1.645 standard uncertainties
    assert one_sided_risk(2.0, 1.0) == pytest.approx(0.02275, abs=1e-5)
    assert one_sided_risk(1.6449, 1.0) == pytest.approx(0.05, abs=1e-5)
    assert guard_band(1.0, 0.05) == pytest.approx(1.6449, abs=1e-4)


def test_specific_risk():
    # values of the suncal package's tests (test_risk.py)
    assert 1 - conformance_probability(10.0, 0.4, 9.0, 11.0) == pytest.approx(0.01242, abs=1e-5)
    assert capability(10.0, 0.4, 9.0, 11.0) == pytest.approx(0.8333, abs=5e-5)
    assert 1 - conformance_probability(10.5, 0.4, 9.0, 11.0) == pytest.approx(0.10574, abs=1e-5)
    assert decide(10.0, 0.4, 9.0, 11.0, risk=0.02).decision == "conforms"


@pytest.mark.parametrize(
    ("u", "limit", "guard", "accept", "reject"),
    [
        # suncal package's tests: process N(0, 1), ratio of limit to 2u of 4 and 2, guard band factor 0.91
        (0.25, 2.0, 0.0, 0.008006, 0.014851),
        (0.50, 2.0, 0.18, 0.008052, 0.06610),
        (0.25, 2.5, 0.0, 0.002445, None),
    ],
)
def test_global_risk(u, limit, guard, accept, reject):
    got = global_risk(1.0, u, -limit, limit, guard)
    assert got.false_accept == pytest.approx(accept, abs=1e-6)
    if reject is not None:
        assert got.false_reject == pytest.approx(reject, abs=1e-5)


@pytest.mark.parametrize(
    ("share", "percent"),
    [(0.6, 4.83860), (0.7, 3.92234), (0.8, 2.85583), (0.9, 1.59995), (0.95, 0.87101), (0.99, 0.19992)],
)
def test_global_risk_by_share_in_tolerance(share, percent):
    # table of suncal's tests: u a quarter of the process scatter
    limit = guard_band(1.0, (1.0 - share) / 2.0)
    assert 100 * global_risk(1.0, 0.25, -limit, limit).false_accept == pytest.approx(percent, abs=1e-4)


# ---------------------------------------------------------------- exponential fits

BOXBOD = {"a": 213.80940889, "a_sd": 12.354515176, "b": 0.54723748542, "b_sd": 0.10455993237}


@pytest.mark.parametrize("start", [(100.0, 0.75), (1.0, 1.0), None, (1.0, 1e6), (1.0, -1.0)])
def test_boxbod_from_any_start(start):
    # NIST StRD BoxBOD, certified; (100, 0.75) and (1, 1) are its two official starts
    got = fit_saturation(*strd_xy("BoxBOD"), start=start)
    assert got.usable
    assert got.final == pytest.approx(BOXBOD["a"], rel=1e-8)
    assert 1 / got.tau == pytest.approx(BOXBOD["b"], rel=1e-8)
    assert got.final_error == pytest.approx(BOXBOD["a_sd"], rel=1e-7)
    assert got.tau_error / got.tau**2 == pytest.approx(BOXBOD["b_sd"], rel=1e-7)
    assert (got.rss, got.residual_sd) == (pytest.approx(1168.0088766, rel=1e-9), pytest.approx(17.088072423, rel=1e-9))
    assert got.tau == pytest.approx(1.82736, abs=5e-6)


def test_boxbod_is_a_trap_for_plain_levenberg_marquardt():
    # why the search is global: from the first official start scipy's curve_fit stops on the plateau
    x, y = strd_xy("BoxBOD")
    with pytest.warns(optimize.OptimizeWarning):
        (a, b), covariance = optimize.curve_fit(lambda x, a, b: a * (1 - np.exp(-b * x)), x, y, p0=(1.0, 1.0))
    assert np.sum((y - a * (1 - np.exp(-b * x))) ** 2) > 9000
    assert not np.all(np.isfinite(covariance))


def test_misra1a():
    # NIST StRD Misra1a, certified
    got = fit_saturation(*strd_xy("Misra1a"))
    assert got.final == pytest.approx(2.3894212918e2, rel=1e-7)
    assert 1 / got.tau == pytest.approx(5.5015643181e-4, rel=1e-7)
    assert got.final_error == pytest.approx(2.7070075241, rel=1e-6)
    assert got.tau_error / got.tau**2 == pytest.approx(7.2668688436e-6, rel=1e-6)
    assert got.rss == pytest.approx(1.2455138894e-1, rel=1e-9)
    assert "span-shorter-than-time-constant" in got.caveats  # 760 against 1818


def test_first_order_response():
    # 1 − exp(−n), n = 1 … 5, and ln 9, ln 2: identities; 63.2 % is how sensor data sheets define the time constant
    shares = 100 * (1 - decay(np.arange(1.0, 6.0), 1.0))
    assert shares == pytest.approx([63.2121, 86.4665, 95.0213, 98.1684, 99.3262], abs=1e-4)
    rise = fit_recovery(np.arange(0.0, 50.0), 7 - 5 * np.exp(-np.arange(0.0, 50.0) / 9.0))
    assert rise.time_to(2 + 0.9 * 5) - rise.time_to(2 + 0.1 * 5) == pytest.approx(math.log(9) * 9.0, rel=1e-9)
    assert rise.time_to(4.5) == pytest.approx(0.693147 * 9.0, rel=1e-6)


@pytest.mark.parametrize(
    ("change", "margin", "tau", "seconds"),
    [(30, 5, 60, 107.506), (40, 5, 45, 93.575), (25, 3, 90, 190.824), (38, 5, 75, 152.111), (38, 10, 75, 100.125),
     (38, 3, 75, 190.423)],
)  # fmt: skip
def test_time_to_within_a_margin(change, margin, tau, seconds):
    # t = τ·ln(ΔT₀/N)
    t = np.arange(0.0, 4 * tau, 2.0)
    got = fit_recovery(t, 20.0 + change * np.exp(-t / tau))
    assert got.time_to(20.0 + margin) == pytest.approx(seconds, abs=1e-3)


T = np.arange(0.0, 361.0, 5.0)
TRUE = 20.0 + 38.0 * np.exp(-T / 75.0)


def test_recovery_from_rounded_readings():
    # own vectors, computed beforehand with scipy's curve_fit
    free, fixed = fit_recovery(T, np.round(TRUE)), fit_recovery(T, np.round(TRUE), final=20.0)
    assert (free.final, free.change, free.tau) == pytest.approx((19.956, 37.996, 75.085), abs=1e-3)
    assert fixed.tau == pytest.approx(74.772, abs=1e-3)


def test_recovery_from_truncated_readings_is_biased():
    free, fixed = fit_recovery(T, np.floor(TRUE)), fit_recovery(T, np.floor(TRUE), final=20.0)
    assert (free.final, free.change, free.tau) == pytest.approx((19.533, 38.245, 74.41), abs=1e-2)
    assert fixed.tau == pytest.approx(71.24, abs=1e-2)  # 5 % short: half a step of bias against a held ambient
    first = [float(T[np.argmax(reading <= 25.0)]) for reading in (np.round(TRUE), np.floor(TRUE))]
    assert first == [145.0, 140.0]  # the truth is 152.1 s


def test_recovery_seen_through_a_slow_sensor():
    reading = 20.0 + 38.0 * decay(T, 75.0, 15.0)
    plain, series = fit_recovery(T, reading), fit_recovery(T, reading, sensor_tau=15.0)
    # one exponential fitted to the reading of a 15 s sensor: own vector of the check list is a free fit with ambient held
    held = fit_recovery(T, reading, final=20.0)
    assert (held.tau, held.change) == pytest.approx((83.08, 41.91), abs=1e-2)
    assert plain.tau > 83.08
    assert (series.tau, series.final, series.change) == pytest.approx((75.0, 20.0, 38.0), rel=1e-9)
    assert series.time_to(25.0, "reading") == pytest.approx(168.85, abs=1e-2)
    assert series.time_to(25.0, "air") == pytest.approx(152.111, abs=1e-3)


def test_log_linear_regression_on_exact_data():
    assert -1 / line_fit(T, np.log(TRUE - 20.0)).slope == pytest.approx(75.0, abs=1e-6)


def test_heat_soak_rates_differ_by_definition():
    # 180 s of soak; the report has to say which rate it means
    t = np.arange(0.0, 181.0, 10.0)  # the regression slope depends on the step: the check value is for 10 s
    assert 60 * line_fit(t, 35 + 0.08 * t).slope == pytest.approx(4.800, abs=1e-9)
    soak = 80 - 45 * np.exp(-t / 240)
    assert soak[-1] == pytest.approx(58.7435, abs=1e-4)
    assert (soak[-1] - soak[0]) / 3 == pytest.approx(7.9145, abs=1e-4)
    assert 60 * line_fit(t, soak).slope == pytest.approx(7.8530, abs=1e-3)
    assert 60 * fit_recovery(t, soak).rate() == pytest.approx(11.25, abs=1e-6)
