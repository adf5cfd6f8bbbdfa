import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from intake_report.statistics import CAVEATS, decay, fit_recovery, fit_recovery_many

T = np.arange(0.0, 300.0, 4.0)


def noisy(tau=60.0, final=20.0, change=30.0, sd=0.3, seed=0, t=T):
    return final + change * decay(t, tau) + np.random.default_rng(seed).normal(0, sd, t.size)


@settings(max_examples=60)
@given(st.floats(8, 250), st.floats(-40, 60), st.floats(2, 60), st.sampled_from([-1, 1]))
def test_exact_data_give_the_parameters_back(tau, final, change, sign):
    y = final + sign * change * decay(T, tau)
    got = fit_recovery(T, y)
    assert (got.final, got.change, got.tau) == pytest.approx((final, sign * change, tau), rel=1e-6, abs=1e-6)


@settings(max_examples=30)
@given(st.integers(0, 1000), st.floats(-100, 100), st.sampled_from([0.1, 10.0, -2.0]), st.sampled_from([0.5, 3.0]))
def test_shift_scale_and_unit_of_time(seed, shift, scale, stretch):
    y = noisy(seed=seed)
    plain, moved = fit_recovery(T, y), fit_recovery(stretch * T, scale * y + shift)
    assert moved.tau == pytest.approx(stretch * plain.tau, rel=1e-6)
    assert moved.final == pytest.approx(scale * plain.final + shift, rel=1e-6, abs=1e-6)
    assert moved.caveats == plain.caveats


def test_same_minimum_and_errors_as_scipy():
    y = noisy()
    got = fit_recovery(T, y)
    p, covariance = optimize.curve_fit(lambda t, c, tau, f: f + c * np.exp(-t / tau), T, y, p0=(25, 50, 18))
    assert (got.change, got.tau, got.final) == pytest.approx(p, rel=1e-5)
    assert got.tau_error == pytest.approx(math.sqrt(covariance[1, 1]), rel=1e-4)


def test_standard_error_is_the_scatter_over_repetitions():
    fits = [fit_recovery(T, noisy(seed=s)) for s in range(200)]
    taus = np.array([f.tau for f in fits])
    assert np.mean([f.tau_error for f in fits]) == pytest.approx(np.std(taus, ddof=1), rel=0.15)
    assert np.mean(taus) == pytest.approx(60.0, abs=3 * np.std(taus) / math.sqrt(200))
    assert sum("structured-residuals" in f.caveats for f in fits) <= 8  # 1 % of 200, with room for chance


@pytest.mark.parametrize(
    ("y", "caveat"),
    [
        (30.0 + 0.05 * T, "parameter-at-bound"),
        (np.where(T == 0.0, 40.0, 20.0), "parameter-at-bound"),
    ],
)
def test_data_without_a_time_constant_are_refused(y, caveat):
    got = fit_recovery(T, y)
    assert caveat in got.caveats
    assert (got.final, got.change, got.tau, got.tau_error) == (None, None, None, None)
    assert CAVEATS[got.caveats[0]]


def test_structured_residuals_are_named():
    # two time constants, one fitted
    y = 20 + 20 * np.exp(-T / 20) + 15 * np.exp(-T / 150) + np.random.default_rng(0).normal(0, 0.02, T.size)
    got = fit_recovery(T, y)
    assert "structured-residuals" in got.caveats


def test_short_record_is_named():
    t = np.arange(0.0, 40.0, 1.0)
    got = fit_recovery(t, 20 + 30 * np.exp(-t / 90.0) + np.random.default_rng(2).normal(0, 0.005, t.size))
    assert "span-shorter-than-time-constant" in got.caveats


def test_noise_alone_never_gives_a_confident_time_constant():
    confident = 0
    for seed in range(60):
        got = fit_recovery(T, np.random.default_rng(seed).normal(0, 1, T.size))
        confident += got.tau is not None and not got.caveats and got.tau > 3 * got.tau_error
    assert confident <= 3


# ---------------------------------------------------------------- many at once


def test_many_fits_equal_single_fits():
    rng = np.random.default_rng(3)
    taus = rng.uniform(20, 120, 40)
    y = np.round(20 + 30 * decay(T[None, :], taus[:, None]) + rng.normal(0, 0.4, (40, T.size)))
    for row, *got in zip(y, *fit_recovery_many(T, y), strict=True):
        one = fit_recovery(T, row)
        assert got == pytest.approx([one.final, one.change, one.tau], rel=1e-6)


def test_many_fits_refuse_rows_without_a_time_constant():
    y = np.vstack([noisy(), np.full(T.size, 30.0), 30 + 0.05 * T])
    assert list(np.isnan(fit_recovery_many(T, y)[2])) == [False, True, True]
