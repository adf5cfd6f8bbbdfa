"""Humid air, atmosphere and charge temperature against published values; each check names its source."""

from __future__ import annotations

import math

import numpy as np
import pytest

from intake_report.air import (
    charge_density_ratio,
    density_altitude,
    density_cipm,
    density_ideal,
    density_nist_b,
    density_oiml,
    dew_point,
    dew_point_from_vapour,
    expected_power,
    geopotential,
    humidity_ratio,
    isa_density,
    isa_pressure,
    isa_temperature,
    molar_mass,
    power_ratio,
    pressure_altitude,
    relative_humidity,
    saturation_pressure,
    station_from_sea_level,
    station_pressure,
    vapour_fraction,
    vapour_from_ratio,
    vapour_pressure,
)

INHG = 3.386388640341
MMHG = 0.133322387415
FOOT = 0.3048
TEMPERATURES = (0.01, 5.0, 9.5, 10.0, 20.0, 25.0, 30.0, 40.0, 50.0)

# Computed with iapws 1.5.5, psychrolib 2.5.0, MetPy 1.7.1 and the published coefficients, 2026-11-25 [Pa].
SATURATION_TABLE = {
    "iapws": (611.657, 872.530, 1187.568, 1228.112, 2339.194, 3169.824, 4246.920, 7385.110, 12352.48),
    "if97": (611.657, 872.575, 1187.638, 1228.184, 2339.215, 3169.747, 4246.688, 7384.427, 12351.27),
    "ashrae": (611.657, 872.487, 1187.460, 1227.995, 2338.804, 3169.216, 4246.030, 7383.460, 12349.86),
    "goff-1065": (611.139, 871.812, 1186.581, 1227.088, 2337.079, 3166.823, 4242.724, 7377.326, 12338.99),
    "alduchov-eskridge": (611.383, 871.560, 1185.610, 1226.021, 2333.441, 3161.736, 4236.650, 7374.717, 12360.58),
    "wmo": (611.643, 871.743, 1185.642, 1226.030, 2332.596, 3160.057, 4233.724, 7367.458, 12345.16),
    "bolton": (611.644, 872.147, 1186.689, 1227.170, 2336.947, 3167.429, 4245.575, 7394.901, 12402.41),
    "buck-1981": (611.654, 872.372, 1187.100, 1227.598, 2337.282, 3167.035, 4243.509, 7384.175, 12369.23),
    "buck-1996": (611.654, 872.440, 1187.336, 1227.860, 2338.340, 3168.531, 4245.126, 7382.360, 12349.40),
    "cipm": (611.657, 872.534, 1187.571, 1228.115, 2339.163, 3169.757, 4246.799, 7384.824, 12351.90),
}


@pytest.mark.parametrize("name", SATURATION_TABLE)
def test_saturation_table(name: str) -> None:
    for t, expected in zip(TEMPERATURES, SATURATION_TABLE[name], strict=True):
        # 1e-3 Pa; the last column is printed with two decimals only
        tolerance = 1e-3 if t < 50.0 else 6e-3
        assert 1000.0 * saturation_pressure(t, name) == pytest.approx(expected, abs=tolerance, rel=0), t


def test_if97_verification_table() -> None:
    # IAPWS R7-97(2012), table 35 (from memory): 300, 500, 600 K [MPa].
    # Nine digits are printed, so the tolerance is half a unit of the last one.
    for kelvin, expected, half in (
        (300.0, 0.353658941e-2, 0.5e-11),
        (500.0, 0.263889776e1, 0.5e-8),
        (600.0, 0.123443146e2, 0.5e-7),
    ):
        assert saturation_pressure(kelvin - 273.15, "if97") / 1000.0 == pytest.approx(expected, abs=half, rel=0)


def test_ashrae_table_3() -> None:
    # ASHRAE Fundamentals 2017, chapter 1, table 3, as in the tests of psychrolib: over ice below 0 °C [Pa].
    table = {-20.0: 103.24, -5.0: 401.74, 5.0: 872.6, 25.0: 3169.7, 50.0: 12351.3, 100.0: 101418.0}
    for t, expected in table.items():
        assert 1000.0 * saturation_pressure(t, "ashrae") == pytest.approx(expected, rel=3e-4)


def test_cfr_worked_vapour_pressures() -> None:
    # 40 CFR 1065.645(b): dew point 9.5 °C at 99.980 kPa; (c): 50.77 % at 20 °C.
    vapour = saturation_pressure(9.5, "goff-1065")
    assert vapour == pytest.approx(1.186581, abs=1e-6)
    assert vapour_fraction(99.980, vapour) == pytest.approx(0.011868, abs=1e-6)
    assert saturation_pressure(20.0, "goff-1065") == pytest.approx(2.3371, abs=1e-4)
    by_humidity = vapour_pressure(20.0, 50.77, "goff-1065")
    assert vapour_fraction(99.980, by_humidity) == pytest.approx(0.011868, abs=1e-6)


def test_cfr_dew_point_from_humidity() -> None:
    # 40 CFR 1065.645(d): 39.61 % at 20 °C; the dew-point equation there (coefficients from memory) gives 279.001 K.
    vapour = vapour_pressure(20.0, 39.61, "goff-1065")
    assert 1000.0 * vapour == pytest.approx(925.717, abs=1e-3)
    x = math.log(1000.0 * vapour)
    hardy = (207.98233 - 20.156028 * x + 0.46778925 * x**2 - 9.2288067e-6 * x**3) / (
        1.0 - 0.13319669 * x + 5.6577518e-3 * x**2 - 7.5172865e-5 * x**3
    )
    assert hardy == pytest.approx(279.001, abs=1e-3)
    assert dew_point_from_vapour(vapour, "iapws") + 273.15 == pytest.approx(279.001, abs=0.01)


def test_cfr_molar_mass() -> None:
    # 40 CFR 1065.640: water fraction 0.0169 gives 28.7805 g/mol.
    assert molar_mass(0.0169) == pytest.approx(28.7805, abs=1e-4)


def test_formulations_spread() -> None:
    # At 20 °C the ten formulations lie between 2332.6 and 2339.3 Pa (0.29 %).
    values = [1000.0 * saturation_pressure(20.0, name) for name in SATURATION_TABLE]
    assert min(values) == pytest.approx(2332.6, abs=0.05)
    assert max(values) == pytest.approx(2339.2, abs=0.05)


def test_cipm_density() -> None:
    # masscor vignette (air density 0.001199314 g/cm³ at 20 °C, 1013.25 hPa, 50 %).
    assert density_cipm(20.0, 101.325, 50.0) == pytest.approx(1.199314, abs=5e-7)
    # masscor tests, citing a text on mass metrology, p. 205: 10 °C, 730 mmHg, 40 %.
    assert density_cipm(10.0, 730.0 * MMHG, 40.0, extrapolate=True) == pytest.approx(1.19569, abs=1e-5)
    # Same source, 40 °C: outside the range, 6e-5 apart from the published 1.11497.
    assert density_cipm(40.0, 760.0 * MMHG, 40.0, extrapolate=True) == pytest.approx(1.11497, abs=1e-4)


def test_nist_and_oiml_density() -> None:
    # masscor tests, quoting NIST's appendix B, examples 1 and 3 (option B).
    assert density_nist_b(22.3, 748.1 * MMHG, 37.0) == pytest.approx(1.17194, abs=1e-5)
    assert density_nist_b(23.4, 612.3 * MMHG, 23.0) == pytest.approx(0.95632, abs=1e-5)
    # ... and the independent CIPM-2007 equation for the same states, to the short equation's own uncertainty.
    assert density_cipm(22.3, 748.1 * MMHG, 37.0) == pytest.approx(1.17194, abs=1e-4)
    assert density_cipm(23.4, 612.3 * MMHG, 23.0) == pytest.approx(0.95632, abs=1e-4)
    # masscor tests: 25 °C, 760 mmHg, 40 % by the approximate equation.
    assert density_oiml(25.0, 760.0 * MMHG, 40.0) == pytest.approx(1.1787, abs=1e-4)
    assert density_cipm(25.0, 760.0 * MMHG, 40.0) == pytest.approx(1.178710, abs=1e-6)


# Computed with Rd 287.058, Rv 461.495 (as in the R package ConSciR) and IF97 vapour, and by CIPM-2007, 2026-11-25.
DENSITIES = (
    (15.0, 101.325, 0.0, 1.224978, 1.225521),
    (20.0, 101.325, 0.0, 1.204085, 1.204557),
    (20.0, 101.325, 50.0, 1.198831, 1.199314),
    (25.0, 99.0, 0.0, 1.156727, 1.157118),
    (25.0, 101.325, 50.0, 1.176893, 1.177315),
    (30.0, 101.325, 80.0, 1.149609, 1.150012),
    (40.0, 100.0, 60.0, 1.093813, 1.094113),
    (0.0, 101.325, 0.0, 1.292248, 1.293049),
    (35.0, 95.0, 30.0, 1.066754, 1.067026),
)


@pytest.mark.parametrize(("t", "p", "rh", "ideal", "cipm"), DENSITIES)
def test_ideal_and_cipm_density(t: float, p: float, rh: float, ideal: float, cipm: float) -> None:
    got = density_ideal(t, p, vapour_pressure(t, rh, "if97"))
    assert got == pytest.approx(ideal, abs=2e-6)
    assert density_cipm(t, p, rh, extrapolate=True) == pytest.approx(cipm, abs=2e-6)
    assert got == pytest.approx(cipm, rel=1e-3)


def test_density_against_coolprop() -> None:
    # CoolProp 8.0.0, real-gas humid air: 1.199359 kg/m³ at 20 °C, 101325 Pa, 50 %.
    coolprop = pytest.importorskip("CoolProp.CoolProp", reason="CoolProp is not installed (extra test)")
    humid_air = coolprop.HAPropsSI
    reference = (1.0 + humid_air("W", "T", 293.15, "P", 101325.0, "R", 0.5)) / humid_air(
        "V", "T", 293.15, "P", 101325.0, "R", 0.5
    )
    assert reference == pytest.approx(1.199359, abs=1e-6)
    for t, p, rh, *_ in DENSITIES:
        w = humid_air("W", "T", t + 273.15, "P", 1000.0 * p, "R", rh / 100.0)
        reference = (1.0 + w) / humid_air("V", "T", t + 273.15, "P", 1000.0 * p, "R", rh / 100.0)
        assert density_cipm(t, p, rh, extrapolate=True) == pytest.approx(reference, rel=3e-4)
        assert density_ideal(t, p, vapour_pressure(t, rh)) == pytest.approx(reference, rel=1e-3)
    for t in (5.0, 20.0, 45.0):
        saturation = coolprop.PropsSI("P", "T", t + 273.15, "Q", 0, "Water") / 1000.0
        assert saturation_pressure(t, "iapws") == pytest.approx(saturation, rel=2e-4)


def test_against_psychrolib() -> None:
    psychrolib = pytest.importorskip("psychrolib", reason="psychrolib is not installed (extra test)")
    psychrolib.SetUnitSystem(psychrolib.SI)
    for t, rh in ((20.0, 0.5), (35.0, 0.2), (10.0, 0.3), (-8.0, 0.7)):
        ratio = psychrolib.GetHumRatioFromRelHum(t, rh, 101325.0)
        vapour = vapour_pressure(t, 100.0 * rh, "ashrae")
        assert humidity_ratio(101.325, vapour) == pytest.approx(ratio, rel=1e-6)
        density = psychrolib.GetMoistAirDensity(t, ratio, 101325.0)
        assert density_ideal(t, 101.325, vapour) == pytest.approx(density, rel=1e-4)
        expected = psychrolib.GetTDewPointFromRelHum(t, rh)
        assert dew_point(t, 100.0 * rh, "ashrae") == pytest.approx(expected, abs=2e-3)
    # psychrolib 2.5.0 gives 1.198898 kg/m³ for the first state at 101325 Pa.
    first = psychrolib.GetMoistAirDensity(20.0, psychrolib.GetHumRatioFromRelHum(20.0, 0.5, 101325.0), 101325.0)
    assert first == pytest.approx(1.198898, abs=1e-6)


def test_ashrae_dry_and_moist_air_density() -> None:
    # ASHRAE Fundamentals 2017, table 2, as in the tests of psychrolib: dry air at 25 °C has 0.8443 m³/kg.
    assert 1.0 / density_ideal(25.0, 101.325, 0.0) == pytest.approx(0.8443, rel=1e-3)
    # Tests of psychrolib: 30 °C, humidity ratio 0.02, 95461 Pa: 1.08411986 kg/m³, 0.94085537 m³ per kg of dry air.
    density = density_ideal(30.0, 95.461, vapour_from_ratio(95.461, 0.02))
    assert density == pytest.approx(1.08411986, rel=3e-4)
    assert 1.02 / density == pytest.approx(0.94085537, rel=3e-4)


def test_ashrae_example_1() -> None:
    # ASHRAE Fundamentals, chapter 1, example 1, as in the tests of psychrolib: 40 °C with 0.0065 kg/kg at 101325 Pa
    # has a dew point of 7 °C, 14 % and 0.896 m³ per kg of dry air. Tolerances as printed there.
    vapour = vapour_from_ratio(101.325, 0.0065)
    assert dew_point_from_vapour(vapour, "ashrae") == pytest.approx(7.0, abs=0.7)
    assert 100.0 * vapour / saturation_pressure(40.0, "ashrae") == pytest.approx(14.0, abs=1.0)
    assert 1.0065 / density_ideal(40.0, 101.325, vapour) == pytest.approx(0.896, rel=0.01)


ISA_GEOPOTENTIAL = (  # ISO 2533 / ICAO table (from memory), computed 2026-11-25: H, T [K], p [hPa], rho [kg/m³]
    (0.0, 288.15, 1013.25, 1.22500),
    (500.0, 284.90, 954.608, 1.167269),
    (1000.0, 281.65, 898.746, 1.111642),
    (2000.0, 275.15, 794.952, 1.006490),
    (3000.0, 268.65, 701.085, 0.909122),
    (5000.0, 255.65, 540.199, 0.736116),
)


@pytest.mark.parametrize(("height", "kelvin", "hpa", "density"), ISA_GEOPOTENTIAL)
def test_isa_by_geopotential(height: float, kelvin: float, hpa: float, density: float) -> None:
    assert isa_temperature(height) + 273.15 == pytest.approx(kelvin, rel=5e-6)
    assert 10.0 * isa_pressure(height) == pytest.approx(hpa, rel=5e-6)
    assert isa_density(height) == pytest.approx(density, rel=5e-6)
    assert density_altitude(isa_density(height)) == pytest.approx(height, abs=1e-6)
    assert pressure_altitude(isa_pressure(height)) == pytest.approx(height, abs=1e-6)


@pytest.mark.parametrize(
    ("height", "kelvin", "hpa", "density"),
    # ambiance 1.3.1 and fluids 1.3.1 agree on these (2026-11-25).
    [
        (1000.0, 281.651, 898.763, 1.111660),
        (2000.0, 275.154, 795.014, 1.006554),
        (3000.0, 268.659, 701.211, 0.909254),
        (5000.0, 255.676, 540.483, 0.736429),
    ],
)
def test_isa_by_geometric_height(height: float, kelvin: float, hpa: float, density: float) -> None:
    h = geopotential(height)
    assert isa_temperature(h) + 273.15 == pytest.approx(kelvin, rel=5e-6)
    assert 10.0 * isa_pressure(h) == pytest.approx(hpa, rel=5e-6)
    assert isa_density(h) == pytest.approx(density, rel=5e-6)


def test_us_1976_at_2000_m() -> None:
    # US standard atmosphere 1976, as in the tests of fluids: 275.15 K, 79501 Pa, 1.0066 kg/m³ at 2000 m geometric.
    h = geopotential(2000.0)
    assert isa_temperature(h) + 273.15 == pytest.approx(275.15, abs=0.005)
    assert 1000.0 * isa_pressure(h) == pytest.approx(79501.0, abs=1.0)
    assert isa_density(h) == pytest.approx(1.0066, abs=5e-5)


def test_ashrae_standard_atmosphere() -> None:
    # ASHRAE Fundamentals 2017, chapter 1, table 1, as in the tests of psychrolib [Pa].
    table = {-500.0: 107478, 0.0: 101325, 500.0: 95461, 1000.0: 89875, 4000.0: 61640, 10000.0: 26436}
    for height, expected in table.items():
        assert 1000.0 * isa_pressure(height) == pytest.approx(expected, abs=1.0)


def test_altimeter_to_station() -> None:
    # Tests of MetPy: 29.8 inHg at 500 m gives 950.96498 hPa; 1013 hPa computed with MetPy 1.7.1.
    assert 10.0 * station_pressure(29.8 * INHG, 500.0) == pytest.approx(950.96498, abs=1e-3)
    assert 10.0 * station_pressure(101.3, 500.0) == pytest.approx(954.639, abs=1e-3)
    # A barometry page of the national weather service: 30.20 inHg at 5045 ft, 30.37 inHg at 7014 ft [Pa].
    assert 1000.0 * station_pressure(30.20 * INHG, 5045 * FOOT, "simple") == pytest.approx(84977.0, abs=2.0)
    assert 1000.0 * station_pressure(30.37 * INHG, 7014 * FOOT, "simple") == pytest.approx(79375.0, abs=2.0)
    # Constants of an open-source glide computer (k1 0.190263, k2 8.417286e-5).
    assert 10.0 * station_pressure(29.8 * INHG, 500.0, "isa") == pytest.approx(950.6956, abs=1e-3)


def test_sea_level_reduction() -> None:
    # Tests of psychrolib: station 101226.5 Pa, 105 m, 17.19 °C is 102484 Pa at sea level (computed 102483.5).
    assert 1000.0 * station_from_sea_level(102.4835, 105.0, 17.19) == pytest.approx(101226.5, abs=1.0)


def test_density_altitude_by_definition() -> None:
    # 5000 ft, 29.45 inHg, 35 °C, dry: 8857 ft from the ISA density; the rule of thumb gives 9070 ft (a flying forum).
    station = station_pressure(29.45 * INHG, 5000 * FOOT, "isa")
    assert 10.0 * station == pytest.approx(829.324, abs=0.05)
    feet = density_altitude(density_ideal(35.0, station, 0.0)) / FOOT
    assert feet == pytest.approx(8857.0, abs=2.0)
    assert 9070.0 - feet == pytest.approx(200.0, abs=30.0)
    # An essay on density altitude: 0.001812 slug/ft³ is "9,000 ft" (8984 ft computed).
    assert density_altitude(0.001812 * 515.3788184) / FOOT == pytest.approx(8984.0, abs=1.0)


@pytest.mark.parametrize(
    ("inches", "celsius", "feet", "pressure_feet", "density_feet"),
    # avwx-engine tests: rules of thumb (1000 ft per inHg, 120 ft per kelvin at the field's elevation), common practice.
    [
        (30.12, 10.0, 6400.0, 6200.0, 7136.0),
        (30.28, -10.0, 12000.0, 11640.0, 11520.0),
        (29.78, 18.0, 1200.0, 1340.0, 1988.0),
        (30.09, 31.0, 0.0, -170.0, 1750.0),
    ],
)
def test_rules_of_thumb_are_near(
    inches: float, celsius: float, feet: float, pressure_feet: float, density_feet: float
) -> None:
    station = station_pressure(inches * INHG, feet * FOOT, "isa")
    assert pressure_altitude(station) / FOOT == pytest.approx(pressure_feet, abs=50.0)
    assert density_altitude(density_ideal(celsius, station, 0.0)) / FOOT == pytest.approx(density_feet, abs=200.0)


def test_density_altitude_closed_form() -> None:
    # National weather service form with virtual temperature (a flying school's page): 25 °C, 29.92 inHg, dew point
    # 15 °C gives 1396 ft, and 20 ft (not 0) for the standard atmosphere itself: so ours is some 20 ft lower.
    vapour = saturation_pressure(15.0)
    feet = density_altitude(density_ideal(25.0, 29.92 * INHG, vapour)) / FOOT
    assert feet == pytest.approx(1396.0 - 20.0, abs=10.0)


@pytest.mark.parametrize(
    ("t", "dew", "share"),
    # avwx-engine tests (Bolton coefficients).
    [
        (10.0, 5.0, 0.71070),
        (27.0, 24.0, 0.83662),
        (15.0, 0.0, 0.35868),
        (12.0, 5.0, 0.62228),
        (12.3, 5.4, 0.62732),
        (1.2, -12.3, 0.35818),
    ],
)
def test_relative_humidity_bolton(t: float, dew: float, share: float) -> None:
    assert relative_humidity(t, dew, "bolton") / 100.0 == pytest.approx(share, abs=5e-6)


def test_relative_humidity_buck() -> None:
    # Tests of earthkit-meteo: 20/10 °C is 52.52245 %, 35/32 °C is 84.53912 %.
    assert relative_humidity(20.0, 10.0, "buck-1981") == pytest.approx(52.52245, abs=5e-3)
    assert relative_humidity(35.0, 32.0, "buck-1981") == pytest.approx(84.53912, abs=5e-3)


def test_dew_point_tables() -> None:
    # Computed from the published coefficients (2026-11-25), and with psychrolib 2.5.0, which gives the frost point
    # below 0 °C: −6.0105 °C against −6.8016 °C for 30 % at 10 °C.
    states = ((20.0, 50.0), (25.0, 60.0), (30.0, 80.0), (35.0, 20.0), (10.0, 30.0))
    for (t, rh), magnus, frost in zip(
        states,
        (9.2611, 16.6977, 26.1709, 8.7016, -6.8016),
        (9.2724, 16.7011, 26.1686, 8.7067, -6.0105),
        strict=True,
    ):
        assert dew_point(t, rh, "alduchov-eskridge") == pytest.approx(magnus, abs=1e-4)
        assert dew_point(t, rh, "ashrae") == pytest.approx(frost, abs=1e-3)


def test_relative_humidity_of_one_state() -> None:
    # 25 °C with dew point 15 °C: 53.831 % (Alduchov–Eskridge), 53.813 % (ASHRAE), 53.856 % (MetPy 1.7).
    for name, expected in (("alduchov-eskridge", 53.831), ("ashrae", 53.813)):
        assert relative_humidity(25.0, 15.0, name) == pytest.approx(expected, abs=1e-3)
    assert relative_humidity(25.0, 15.0) == pytest.approx(53.856, abs=0.05)


def test_power_against_charge_temperature() -> None:
    # Computed 2026-11-25: 10 °F at 25 °C is worth 1.86 % by density, 0.927 % by √T (SAE), 1.114 % by T^0.6 (ISO).
    hot = 25.0 + 10.0 / 1.8
    for model, expected, tolerance in (
        ("density", 1.863, 5e-4),
        ("square-root", 0.927, 5e-4),
        ("iso", 1.114, 5e-4),
    ):
        assert 100.0 * (power_ratio(25.0, hot, model) - 1.0) == pytest.approx(expected, abs=tolerance)
    # 3 °C is about 1.01 % of density, 0.50 % of power by √T.
    assert 100.0 * (power_ratio(25.0, 28.0, "density") - 1.0) == pytest.approx(1.01, abs=5e-3)
    assert 100.0 * (power_ratio(25.0, 28.0, "square-root") - 1.0) == pytest.approx(0.50, abs=5e-3)


def test_one_percent_rule() -> None:
    # An agricultural text: derate 1 % per 10 °F above 85 °F; 165 bhp at 100 °F is 162.525 (common practice).
    hot, reference = (100.0 - 32.0) / 1.8, (85.0 - 32.0) / 1.8
    assert 165.0 * power_ratio(hot, reference, "one-percent") == pytest.approx(162.525, abs=1e-6)
    # It agrees with √T and T^0.6 and not with density: 10 °F at 25 °C.
    by_model = {e.model: e.percent for e in expected_power(25.0 + 10.0 / 1.8, 25.0)}
    assert abs(by_model["one-percent"] - by_model["square-root"]) < 0.15
    assert abs(by_model["one-percent"] - by_model["iso"]) < 0.15
    assert abs(by_model["one-percent"] - by_model["density"]) > 0.7


def test_charge_density_ratio_is_the_gas_law() -> None:
    vapour = vapour_pressure(20.0, 60.0)
    cool = density_ideal(20.0, 100.0, vapour)
    # throttled to 98 kPa and heated to 45 °C, composition unchanged
    warm = density_ideal(45.0, 98.0, vapour * 0.98)
    assert charge_density_ratio(45.0, 20.0, 98.0, 100.0) == pytest.approx(warm / cool, rel=1e-12)
    assert np.isclose(charge_density_ratio(45.0, 20.0), 293.15 / 318.15, rtol=1e-12)
