"""Restriction, airflow, exposure, power and torque against published values; each check names its source."""

import math

import numpy as np
import pytest

from intake_report.air import density_ideal, theoretical_volume_flow, volumetric_efficiency
from intake_report.bench import Scaling, exposure_bound, fit_restriction
from intake_report.dyno.pulls import power_from_torque, torque_from_power
from intake_report.units import from_internal, to_internal

CFM = 4.719474432e-4
CUBIC_INCH = 0.016387064
INH2O = 0.24908891


def test_inches_of_water() -> None:
    # Conventional inch of water 249.08891 Pa = 25.4·9.80665 (exact): 28, 25 and 10 inH2O in kPa.
    for inches, kpa in ((28.0, 6.97449), (25.0, 6.22722), (10.0, 2.49089)):
        assert float(to_internal(inches, "inH2O", "restriction")) == pytest.approx(kpa, abs=1e-5)


def test_airflow_units() -> None:
    # 1 m³/s = 2118.880 cfm (exact feet); g/s × 3.6 = kg/h, × 0.1322774 = lb/min.
    assert float(from_internal(1.0, "cfm", "volume_flow")) == pytest.approx(2118.880, abs=5e-4)
    assert float(to_internal(1.0, "cfm", "volume_flow")) == pytest.approx(4.719474e-4, abs=1e-10)
    assert float(from_internal(1.0, "kg/h", "mass_flow")) == pytest.approx(3.6, rel=1e-12)
    assert float(from_internal(1.0, "lb/min", "mass_flow")) == pytest.approx(0.1322774, abs=1e-7)


def test_depression_scaling() -> None:
    # The square-root rule, common practice (no published table seen): factors to 28 inH2O.
    for inches, factor in ((10.0, 1.673320), (25.0, 1.058301), (3.0, 3.055050), (1.5, 4.320494)):
        assert Scaling(inches, 28.0).factor == pytest.approx(factor, abs=1e-6)


def test_restriction_curve() -> None:
    # Arithmetic of the power law: 3.0 inH2O at 300 cfm is 5.3333 at 400 cfm (n = 2), 5.0351 (n = 1.8).
    q = np.array([200.0, 300.0, 400.0]) * CFM
    for n, expected in ((2.0, 5.3333), (1.8, 5.0351)):
        fit = fit_restriction("standard", q, 3.0 * INH2O * (q / (300.0 * CFM)) ** n)
        assert math.exp(fit.log_drop_at(400.0 * CFM)[0]) / INH2O == pytest.approx(expected, abs=1e-4)
    fit = fit_restriction("standard", q, 0.7 * (q / q[0]) ** 1.85)
    assert fit.exponent == pytest.approx(1.85, abs=1e-9)


def test_theoretical_airflow() -> None:
    # A motoring web page: in³·rpm/3456: 250 in³ at 6000 rpm displaces 434 cfm; 350 in³ gives 607.639 (computed).
    assert theoretical_volume_flow(250.0 * CUBIC_INCH, 6000.0) / CFM == pytest.approx(434.0, abs=0.05)
    assert theoretical_volume_flow(350.0 * CUBIC_INCH, 6000.0) / CFM == pytest.approx(607.639, abs=1e-3)


def test_volumetric_efficiency() -> None:
    # A motoring web page: 320 cfm, 350 in³, 5500 rpm: 57.45 %.
    density = 1.2
    mass = 1000.0 * density * 320.0 * CFM
    assert volumetric_efficiency(mass, 350.0 * CUBIC_INCH, 5500.0, density) == pytest.approx(57.45, abs=5e-3)
    # Computed: 2.0 L at 6000 rpm, 25 °C, 99 kPa dry: 115.676 g/s, 211.888 cfm; 90 g/s is 77.80 %. The density there is
    # 1.156759 (gas constant of the standard atmosphere, 287.05).
    assert volumetric_efficiency(115.676, 2.0, 6000.0, 1.156759) == pytest.approx(100.0, abs=1e-3)
    assert theoretical_volume_flow(2.0, 6000.0) / CFM == pytest.approx(211.888, abs=1e-3)
    assert volumetric_efficiency(90.0, 2.0, 6000.0, 1.156759) == pytest.approx(77.80, abs=5e-3)
    assert density_ideal(25.0, 99.0, 0.0) == pytest.approx(1.156759, rel=5e-5)


def test_exposure_bounds_are_two_sided_unless_nothing_happened() -> None:
    # the intervals themselves: test_statistics_published.py; one-sided 95 % upper limit 1 − 0.05^(1/n), computed
    for k, n, kind, high in ((4, 20, "two-sided", 0.436614), (0, 10, "one-sided upper", 0.258866)):
        found = exposure_bound(k, n, 0.95, "wet")
        assert (found["kind"], found["high"]) == (kind, pytest.approx(high, abs=1e-6))


def test_power_from_torque() -> None:
    # By definition of the units: 300 N·m at 5000 rpm is 157.0796 kW = 210.6473 hp = 213.5689 PS = 221.2686 lbf·ft.
    power = power_from_torque(np.array([300.0]), np.array([5000.0]))
    assert power[0] == pytest.approx(157.0796, abs=5e-5)
    assert from_internal(power, "hp", "power")[0] == pytest.approx(210.6473, abs=5e-5)
    assert from_internal(power, "PS", "power")[0] == pytest.approx(213.5689, abs=5e-5)
    assert from_internal(300.0, "lbf*ft", "torque") == pytest.approx(221.2686, abs=5e-5)


def test_units_of_the_trade() -> None:
    # hp = lbf·ft·rpm/5252.113122 (33000/2π, exact), kW = N·m·rpm/9549.296586; 1 hp = 745.6998715822702 W.
    torque = to_internal(np.array([200.0]), "lbf*ft", "torque")
    horsepower = from_internal(power_from_torque(torque, np.array([5252.113122])), "hp", "power")
    assert horsepower[0] == pytest.approx(200.0, rel=1e-9)
    assert torque_from_power(np.array([1.0]), np.array([9549.296586]))[0] == pytest.approx(1.0, rel=1e-9)
