"""Units of power and torque against outside values."""

import numpy as np
import pytest

from intake_report.dyno.pulls import power_from_torque, torque_from_power
from intake_report.units import from_internal, to_internal


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
