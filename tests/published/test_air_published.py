"""Humid air, atmosphere and charge temperature against published values; each check names its source."""

import pytest

from intake_report import air
from intake_report.air.power import power_ratio

INHG = 3.386388640341
MMHG = 0.133322387415
FOOT = 0.3048
# Computed with iapws 1.5.5, 2026-11-25: °C, Pa.
IAPWS = {
    0.01: 611.657, 5.0: 872.530, 9.5: 1187.568, 10.0: 1228.112, 20.0: 2339.194, 25.0: 3169.824, 30.0: 4246.920,
    40.0: 7385.110, 50.0: 12352.48,
}  # fmt: skip


def vapour_from_ratio(pressure: float, ratio: float) -> float:
    """Vapour pressure [kPa] at a humidity ratio [kg/kg]; molar mass ratio of ASHRAE Fundamentals 2017, chapter 1."""
    return pressure * ratio / (0.621945 + ratio)


def test_saturation_table() -> None:
    for t, expected in IAPWS.items():
        # 1e-3 Pa; the last value is printed with two decimals only
        assert 1000.0 * air.saturation_pressure(t) == pytest.approx(expected, abs=1e-3 if t < 50.0 else 6e-3, rel=0), t


def test_saturation_against_other_publications() -> None:
    # IAPWS R7-97(2012), table 35 (from memory): 0.353658941e-2 MPa at 300 K; region 4 is another equation, good to 2.5e-4.
    assert air.saturation_pressure(300.0 - 273.15) == pytest.approx(3.53658941, rel=2.5e-4)
    # ASHRAE Fundamentals 2017, chapter 1, table 3, as in the tests of psychrolib, over water [Pa].
    for t, expected in {5.0: 872.6, 25.0: 3169.7, 50.0: 12351.3, 100.0: 101418.0}.items():
        assert 1000.0 * air.saturation_pressure(t) == pytest.approx(expected, rel=3e-4)
    # 40 CFR 1065.645(b): dew point 9.5 °C at 99.980 kPa is 0.011868 mol/mol; (c): 2.3371 kPa at 20 °C (Goff).
    assert air.saturation_pressure(9.5) / 99.980 == pytest.approx(0.011868, rel=1e-3)
    assert air.saturation_pressure(20.0) == pytest.approx(2.3371, rel=1e-3)


def test_cfr_dew_point_from_humidity() -> None:
    # 40 CFR 1065.645(d): 39.61 % at 20 °C; the dew-point equation there (coefficients from memory) gives 279.001 K.
    assert air.dew_point_from_vapour(0.925717) + 273.15 == pytest.approx(279.001, abs=0.01)
    assert air.dew_point(20.0, 39.61) + 273.15 == pytest.approx(279.001, abs=0.02)


@pytest.mark.parametrize(
    ("t", "pressure", "humidity", "density", "within"),
    [
        # masscor vignette (air density 0.001199314 g/cm³ at 20 °C, 1013.25 hPa, 50 %)
        (20.0, 101.325, 50.0, 1.199314, 5e-7),
        # masscor tests, citing a text on mass metrology, p. 205; at 40 °C outside the range, 6e-5 apart from the published
        (10.0, 730.0 * MMHG, 40.0, 1.19569, 1e-5),
        (40.0, 760.0 * MMHG, 40.0, 1.11497, 1e-4),
        # masscor tests, quoting NIST's appendix B, examples 1 and 3 (option B), to that short equation's own uncertainty
        (22.3, 748.1 * MMHG, 37.0, 1.17194, 1e-4),
        (23.4, 612.3 * MMHG, 23.0, 0.95632, 1e-4),
        # masscor tests
        (25.0, 760.0 * MMHG, 40.0, 1.178710, 1e-6),
    ],
)
def test_cipm_density(t: float, pressure: float, humidity: float, density: float, within: float) -> None:
    assert air.density_cipm(t, pressure, humidity) == pytest.approx(density, abs=within)


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
    got = air.density_ideal(t, p, air.vapour_pressure(t, rh))
    assert got == pytest.approx(ideal, abs=2e-6)
    assert air.density_cipm(t, p, rh) == pytest.approx(cipm, abs=2e-6)
    assert got == pytest.approx(cipm, rel=1e-3)


def test_density_against_coolprop() -> None:
    import CoolProp.CoolProp as coolprop

    humid_air = coolprop.HAPropsSI

    def density(t: float, p: float, rh: float) -> float:
        state = ("T", t + 273.15, "P", 1000.0 * p, "R", rh / 100.0)
        return (1.0 + humid_air("W", *state)) / humid_air("V", *state)

    for t, p, rh, *_ in DENSITIES:
        reference = density(t, p, rh)
        assert air.density_cipm(t, p, rh) == pytest.approx(reference, rel=3e-4)
        assert air.density_ideal(t, p, air.vapour_pressure(t, rh)) == pytest.approx(reference, rel=1e-3)
    for t in (5.0, 20.0, 45.0):
        saturation = coolprop.PropsSI("P", "T", t + 273.15, "Q", 0, "Water") / 1000.0
        assert air.saturation_pressure(t) == pytest.approx(saturation, rel=2e-4)


def test_against_psychrolib() -> None:
    import psychrolib

    psychrolib.SetUnitSystem(psychrolib.SI)
    for t, rh in ((20.0, 0.5), (35.0, 0.2), (10.0, 0.3), (-8.0, 0.7)):
        ratio = psychrolib.GetHumRatioFromRelHum(t, rh, 101325.0)
        vapour = vapour_from_ratio(101.325, ratio)
        if t > 0.01:  # over ice there, over water here
            assert air.vapour_pressure(t, 100.0 * rh) == pytest.approx(vapour, rel=3e-4)
            expected = psychrolib.GetTDewPointFromRelHum(t, rh)
            if expected > 0.01:
                assert air.dew_point(t, 100.0 * rh) == pytest.approx(expected, abs=5e-3)
        density = psychrolib.GetMoistAirDensity(t, ratio, 101325.0)
        assert air.density_ideal(t, 101.325, vapour) == pytest.approx(density, rel=1e-4)


def test_ashrae_dry_and_moist_air_density() -> None:
    # ASHRAE Fundamentals 2017, table 2, as in the tests of psychrolib: dry air at 25 °C has 0.8443 m³/kg.
    assert 1.0 / air.density_ideal(25.0, 101.325, 0.0) == pytest.approx(0.8443, rel=1e-3)
    # Tests of psychrolib: 30 °C, humidity ratio 0.02, 95461 Pa: 1.08411986 kg/m³, 0.94085537 m³ per kg of dry air.
    density = air.density_ideal(30.0, 95.461, vapour_from_ratio(95.461, 0.02))
    assert density == pytest.approx(1.08411986, rel=3e-4)
    assert 1.02 / density == pytest.approx(0.94085537, rel=3e-4)


def test_ashrae_example_1() -> None:
    # ASHRAE Fundamentals, chapter 1, example 1, as in the tests of psychrolib: 40 °C with 0.0065 kg/kg at 101325 Pa
    # has a dew point of 7 °C, 14 % and 0.896 m³ per kg of dry air. Tolerances as printed there.
    vapour = vapour_from_ratio(101.325, 0.0065)
    assert air.dew_point_from_vapour(vapour) == pytest.approx(7.0, abs=0.7)
    assert 100.0 * vapour / air.saturation_pressure(40.0) == pytest.approx(14.0, abs=1.0)
    assert 1.0065 / air.density_ideal(40.0, 101.325, vapour) == pytest.approx(0.896, rel=0.01)


ISA = (  # ISO 2533 / ICAO table (from memory), computed 2026-11-25: geopotential height [m], p [hPa], rho [kg/m³]
    (0.0, 1013.25, 1.22500),
    (500.0, 954.608, 1.167269),
    (1000.0, 898.746, 1.111642),
    (2000.0, 794.952, 1.006490),
    (3000.0, 701.085, 0.909122),
    (5000.0, 540.199, 0.736116),
    # ambiance 1.3.1 and fluids 1.3.1 agree on these (2026-11-25): 1000 and 5000 m geometric
    (999.843, 898.763, 1.111660),
    (4996.070, 540.483, 0.736429),
    # US standard atmosphere 1976, as in the tests of fluids: 2000 m geometric
    (1999.371, 795.01, 1.0066),
)


@pytest.mark.parametrize(("height", "hpa", "density"), ISA)
def test_standard_atmosphere(height: float, hpa: float, density: float) -> None:
    assert 10.0 * air.isa_pressure(height) == pytest.approx(hpa, abs=max(5e-6 * hpa, 0.01 if hpa == 795.01 else 0.0))
    # 5e-6 of the density is 0.06 m of height; the table of 1976 prints four decimals
    assert air.density_altitude(density) == pytest.approx(height, abs=0.8 if density == 1.0066 else 0.1)


def test_ashrae_standard_atmosphere() -> None:
    # ASHRAE Fundamentals 2017, chapter 1, table 1, as in the tests of psychrolib [Pa].
    table = {-500.0: 107478, 0.0: 101325, 500.0: 95461, 1000.0: 89875, 4000.0: 61640, 10000.0: 26436}
    for height, expected in table.items():
        assert 1000.0 * air.isa_pressure(height) == pytest.approx(expected, abs=1.0)


def test_altimeter_to_station() -> None:
    # Tests of MetPy: 29.8 inHg at 500 m gives 950.96498 hPa; 1013 hPa computed with MetPy 1.7.1.
    assert 10.0 * air.station_pressure(29.8 * INHG, 500.0) == pytest.approx(950.96498, abs=1e-3)
    assert 10.0 * air.station_pressure(101.3, 500.0) == pytest.approx(954.639, abs=1e-3)
    # A barometry page of the national weather service, by its simple form: 30.20 inHg at 5045 ft, 30.37 at 7014 [Pa].
    assert 1000.0 * air.station_pressure(30.20 * INHG, 5045 * FOOT) == pytest.approx(84977.0, abs=60.0)
    assert 1000.0 * air.station_pressure(30.37 * INHG, 7014 * FOOT) == pytest.approx(79375.0, abs=60.0)
    # Constants of an open-source glide computer (k1 0.190263, k2 8.417286e-5).
    assert 10.0 * air.station_pressure(29.8 * INHG, 500.0, "isa") == pytest.approx(950.6956, abs=1e-3)


def test_sea_level_reduction() -> None:
    # Tests of psychrolib: station 101226.5 Pa, 105 m, 17.19 °C is 102484 Pa at sea level (computed 102483.5).
    assert 1000.0 * air.station_from_sea_level(102.4835, 105.0, 17.19) == pytest.approx(101226.5, abs=1.0)


def test_density_altitude_by_definition() -> None:
    # 5000 ft, 29.45 inHg, 35 °C, dry: 8857 ft from the ISA density; the rule of thumb gives 9070 ft (a flying forum).
    station = air.station_pressure(29.45 * INHG, 5000 * FOOT, "isa")
    assert 10.0 * station == pytest.approx(829.324, abs=0.05)
    feet = air.density_altitude(air.density_ideal(35.0, station, 0.0)) / FOOT
    assert feet == pytest.approx(8857.0, abs=2.0)
    assert 9070.0 - feet == pytest.approx(200.0, abs=30.0)
    # An essay on density altitude: 0.001812 slug/ft³ is "9,000 ft" (8984 ft computed).
    assert air.density_altitude(0.001812 * 515.3788184) / FOOT == pytest.approx(8984.0, abs=1.0)


def test_rules_of_thumb_are_near() -> None:
    # avwx-engine tests: rules of thumb (120 ft per kelvin at the field's elevation), common practice.
    for inches, celsius, feet, density_feet in (
        (30.12, 10.0, 6400.0, 7136.0), (30.28, -10.0, 12000.0, 11520.0), (29.78, 18.0, 1200.0, 1988.0), (30.09, 31.0, 0.0, 1750.0)
    ):  # fmt: skip
        density = air.density_ideal(celsius, air.station_pressure(inches * INHG, feet * FOOT, "isa"), 0.0)
        assert air.density_altitude(density) / FOOT == pytest.approx(density_feet, abs=200.0)


def test_density_altitude_closed_form() -> None:
    # National weather service form with virtual temperature (a flying school's page): 25 °C, 29.92 inHg, dew point
    # 15 °C gives 1396 ft, and 20 ft (not 0) for the standard atmosphere itself: so ours is some 20 ft lower.
    vapour = air.saturation_pressure(15.0)
    feet = air.density_altitude(air.density_ideal(25.0, 29.92 * INHG, vapour)) / FOOT
    assert feet == pytest.approx(1396.0 - 20.0, abs=10.0)


def test_relative_humidity() -> None:
    # avwx-engine tests (Bolton coefficients, which lie up to 0.2 % from the IAPWS line), dew points over water above 0 °C;
    # tests of earthkit-meteo (Buck 1981); 25 °C with dew point 15 °C is 53.856 % by MetPy 1.7.
    bolton = {(10.0, 5.0): 0.71070, (27.0, 24.0): 0.83662, (15.0, 0.0): 0.35868, (12.3, 5.4): 0.62732}
    others = {(20.0, 10.0): 0.5252245, (35.0, 32.0): 0.8453912, (25.0, 15.0): 0.53856}
    for (t, dew), share in (bolton | others).items():
        assert air.relative_humidity(t, dew) / 100.0 == pytest.approx(share, rel=1e-3)


def test_dew_points() -> None:
    # Computed from the coefficients of Alduchov and Eskridge (2026-11-25), which hold to 0.06 K here.
    magnus = {(20, 50): 9.2611, (25, 60): 16.6977, (30, 80): 26.1709, (35, 20): 8.7016, (10, 30): -6.8016}
    for (t, rh), dew in magnus.items():
        assert air.dew_point(t, rh) == pytest.approx(dew, abs=0.06)


def test_power_against_charge_temperature() -> None:
    # Computed 2026-11-25: 10 °F at 25 °C is worth 1.86 % by density, 0.927 % by √T (SAE), 1.114 % by T^0.6 (ISO).
    hot = 25.0 + 10.0 / 1.8
    for model, expected in (("density", 1.863), ("square-root", 0.927), ("iso", 1.114)):
        assert 100.0 * (power_ratio(25.0, hot, model) - 1.0) == pytest.approx(expected, abs=5e-4)
    # 3 °C is about 1.01 % of density, 0.50 % of power by √T.
    assert 100.0 * (power_ratio(25.0, 28.0, "density") - 1.0) == pytest.approx(1.01, abs=5e-3)
    assert 100.0 * (power_ratio(25.0, 28.0, "square-root") - 1.0) == pytest.approx(0.50, abs=5e-3)


def test_one_percent_rule() -> None:
    # An agricultural text: derate 1 % per 10 °F above 85 °F; 165 bhp at 100 °F is 162.525 (common practice).
    hot, reference = (100.0 - 32.0) / 1.8, (85.0 - 32.0) / 1.8
    assert 165.0 * power_ratio(hot, reference, "one-percent") == pytest.approx(162.525, abs=1e-6)
    # It agrees with √T and T^0.6 and not with density: 10 °F at 25 °C.
    by_model = {e.model: e.percent for e in air.expected_power(25.0 + 10.0 / 1.8, 25.0)}
    assert abs(by_model["one-percent"] - by_model["square-root"]) < 0.15
    assert abs(by_model["one-percent"] - by_model["iso"]) < 0.15
    assert abs(by_model["one-percent"] - by_model["density"]) > 0.7


def test_mass_of_warmed_air_is_the_gas_law() -> None:
    vapour = air.vapour_pressure(20.0, 60.0)
    # heated to 45 °C at one pressure, composition unchanged
    warm = air.mass_in_volume(45.0, 1.0, ambient_temperature=20.0, ambient_pressure=100.0, ambient_humidity=60.0)
    assert warm == pytest.approx(air.density_ideal(45.0, 100.0, vapour), rel=1e-12)
