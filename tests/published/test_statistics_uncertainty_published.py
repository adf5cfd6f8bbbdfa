"""Uncertainty, conformity and exponential fits against the GUM, JCGM 106, NIST and worked examples."""

import math

import numpy as np
import pytest
from scipy import optimize

from intake_report.statistics import (
    combine,
    conformance_probability,
    coverage_factor,
    decay,
    decide,
    fit_recovery,
    guard_band,
    line_fit,
    summarise_draws,
)

# ---------------------------------------------------------------- GUM (JCGM 100:2008)


def test_gum_g_4_1():
    # example of annex G.4.1 (from memory): relative uncertainties 0.25, 0.57, 0.82 % from 10, 5 and 15 readings
    u, df = combine([(0.25, 9), (0.57, 4), (0.82, 14)])
    assert u == pytest.approx(1.0295, abs=1e-4)
    assert df == pytest.approx(18.9987, abs=1e-3)
    factor = coverage_factor(0.95, df)
    assert factor == pytest.approx(2.093, abs=5e-4)  # rounding 18.9987 down to 18 would give 2.101
    assert 2.15 <= factor * u <= 2.16


def test_gum_h1_end_gauge():
    # inputs and results as in the GTC package (GUM_H1.py, test_uncertain_real_dof.py), nm
    inner = combine([(5.8, 24), (3.9, 5), (6.7, 8)])  # repeats, random and systematic part of the comparator
    assert inner == (pytest.approx(9.681941954, abs=1e-8), pytest.approx(25.447, abs=1e-3))
    # standard, difference, temperature, expansion
    u, df = combine([(25.0, 18), inner, (2.9, 50), (16.6, 2)])
    assert u == pytest.approx(31.66376741, abs=0.01)
    assert df == pytest.approx(16.75214751, abs=0.05)
    assert coverage_factor(0.99, 16) == pytest.approx(2.921, abs=5e-4)  # the GUM truncates to 16
    assert round(coverage_factor(0.99, 16) * round(u)) == 93


def test_gum_h3_thermometer():
    # annex H.3, values as in the GTC documentation (GUM_H3.rst)
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    got = line_fit(t, b, origin=20.0)
    assert (got.intercept, got.intercept_error) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (got.slope, got.slope_error) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    assert got.residual_sd == pytest.approx(0.0035, abs=5e-5)
    assert got.residual_sd**2 * got.df == pytest.approx(1.10096583e-4, rel=1e-8)
    there = line_fit(t, b, origin=30.0)
    assert (there.intercept, there.intercept_error) == pytest.approx((-0.1494, 0.0041), abs=5e-5)


def test_sum_of_four_rectangular_quantities():
    # JCGM 101:2008, 9.2.3: four rectangular quantities of u = 1: u = 2, 95 % interval ± 3.88 (from memory)
    rng = np.random.default_rng(3)
    draws = rng.uniform(-math.sqrt(3), math.sqrt(3), (200_000, 4)).sum(axis=1)
    got = summarise_draws(draws, 0.95)
    assert got.u == pytest.approx(2.0, abs=0.012)
    assert (got.low, got.high) == pytest.approx((-3.88, 3.88), abs=0.03)


# ---------------------------------------------------------------- conformity (JCGM 106:2012)


def test_voltage_reference_example():
    # upper limit −5.40 V, measured −5.47 V with u = 0.05 V: Φ(1.40) (from memory)
    assert conformance_probability(-5.47, 0.05, high=-5.40) == pytest.approx(0.9192, abs=1e-4)


def test_guard_bands():
    # normal tail beyond 2 and 1.645 standard uncertainties
    assert guard_band(1.0, 0.02275) == pytest.approx(2.0, abs=1e-4)
    assert guard_band(1.0, 0.05) == pytest.approx(1.6449, abs=1e-4)


def test_specific_risk():
    # values of the suncal package's tests (test_risk.py)
    assert 1 - conformance_probability(10.0, 0.4, 9.0, 11.0) == pytest.approx(0.01242, abs=1e-5)
    assert 1 - conformance_probability(10.5, 0.4, 9.0, 11.0) == pytest.approx(0.10574, abs=1e-5)
    assert decide(10.0, 0.4, 9.0, 11.0, risk=0.02).decision == "conforms"


# ---------------------------------------------------------------- exponential fits


def test_first_order_response():
    # 1 − exp(−n), n = 1 … 5, and ln 9, ln 2: identities; 63.2 % is how sensor data sheets define the time constant
    shares = 100 * (1 - decay(np.arange(1.0, 6.0), 1.0))
    assert shares == pytest.approx([63.2121, 86.4665, 95.0213, 98.1684, 99.3262], abs=1e-4)
    rise = fit_recovery(np.arange(0.0, 50.0), 7 - 5 * np.exp(-np.arange(0.0, 50.0) / 9.0))
    assert (rise.final, rise.change, rise.tau) == pytest.approx((7.0, -5.0, 9.0), rel=1e-9)


T = np.arange(0.0, 361.0, 5.0)
TRUE = 20.0 + 38.0 * np.exp(-T / 75.0)


def test_recovery_from_rounded_readings():
    # own vectors, computed beforehand with scipy's curve_fit
    free = fit_recovery(T, np.round(TRUE))
    assert (free.final, free.change, free.tau) == pytest.approx((19.956, 37.996, 75.085), abs=1e-3)


def test_recovery_from_truncated_readings_is_biased():
    free = fit_recovery(T, np.floor(TRUE))
    assert (free.final, free.change, free.tau) == pytest.approx((19.533, 38.245, 74.41), abs=1e-2)
    first = [float(T[np.argmax(reading <= 25.0)]) for reading in (np.round(TRUE), np.floor(TRUE))]
    assert first == [145.0, 140.0]  # the truth is 152.1 s


def test_recovery_seen_through_a_slow_sensor():
    def reading(t):  # two first-order lags in series
        return 20.0 + 38.0 * (75.0 * np.exp(-t / 75.0) - 15.0 * np.exp(-t / 15.0)) / 60.0

    # one exponential fitted to the reading of a 15 s sensor, with the end value held: 83.08 s
    assert fit_recovery(T, reading(T)).tau > 83.08
    # the reading comes to within 5 K later than the air, 168.85 s against 152.11 s
    crossing = optimize.brentq(lambda t: reading(t) - 25.0, 100.0, 300.0)
    assert crossing == pytest.approx(168.85, abs=1e-2)


def test_log_linear_regression_on_exact_data():
    assert -1 / line_fit(T, np.log(TRUE - 20.0)).slope == pytest.approx(75.0, abs=1e-6)
