"""Behaviour of the air equations: limits, bad input, and that they agree with themselves."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from intake_report import air
from intake_report.air import AirState, correction, correction_spec, dew_point, vapour_pressure
from intake_report.air.power import CORRECTIONS, POWER_MODELS, power_ratio
from intake_report.errors import DataError
from intake_report.messages import said


@given(st.floats(1.0, 45.0), st.floats(5.0, 100.0))
def test_dew_point_and_humidity_are_inverse(t: float, rh: float) -> None:
    dew = air.dew_point_from_vapour(vapour_pressure(t, rh))
    assert dew <= t + 1e-9
    assert air.relative_humidity(t, min(dew, t)) == pytest.approx(rh, rel=1e-8)


def test_arrays_and_floats_agree() -> None:
    t = np.array([5.0, 20.0, 35.0])
    for function in (air.saturation_pressure, lambda t: dew_point(t, 0.0 * t + 50.0)):
        single = [function(float(one)) for one in t]
        assert {type(one) for one in single} == {float}
        assert function(t) == pytest.approx(single, rel=1e-14)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: vapour_pressure(20.0, 100.1), r"relative humidity of 100.1 % is not possible"),
        (lambda: vapour_pressure(20.0, -1.0), "is not possible"),
        (lambda: vapour_pressure(20.0, math.nan), "is not possible"),
        (lambda: air.relative_humidity(20.0, 21.0), "over 100 %"),
        (lambda: air.density_cipm(20.0, 100.0, 101.0), "not possible"),
        (lambda: dew_point(20.0, 0.0), "no dew point"),
        (lambda: air.saturation_pressure(-60.0), "outside the range"),
        (lambda: air.isa_pressure(15000.0), "outside the troposphere"),
        (lambda: air.station_pressure(1013.0, 100.0), "no altimeter setting"),
        (lambda: air.station_pressure(math.nan, 100.0), "no altimeter setting"),
        (lambda: air.station_from_sea_level(1013.2, 100.0, 15.0), "no pressure at sea level"),
        (lambda: air.station_from_sea_level(29.92, 100.0, 15.0), "no pressure at sea level"),
        (lambda: air.station_from_sea_level(math.nan, 100.0, 15.0), "no pressure at sea level"),
        (lambda: air.density_ideal(20.0, 2.0, 3.0), "between 0 and the total"),
        (lambda: air.density_ideal(-300.0, 100.0, 0.0), "absolute zero"),
        (lambda: power_ratio(20.0, -280.0), "absolute zero"),
        (lambda: correction("sae-j1349-2004", AirState(20.0, 100.0, 130.0)), "not possible"),
        (lambda: correction("sae-j1349-2004", AirState(math.nan, 100.0, 30.0)), "not a number"),
        (lambda: correction("sae-j1349-2004", AirState(25.0, math.nan, 30.0)), "not an air pressure"),
        (lambda: correction("sae-j1349-2004", AirState(25.0, 99.0, math.nan)), "not possible"),
        (lambda: correction("iso-1585-diesel-na", AirState(30.0, 95.0, 40.0)), "needs the fuel per cycle"),
        (lambda: correction("iso-1585-diesel-na", AirState(30.0, 95.0, 40.0), fuel_per_cycle=0.0), "must be positive"),
        (lambda: correction("iso-1585-diesel-na", AirState(30.0, 95.0, 40.0), fuel_per_cycle=math.nan), "must be positive"),
        (lambda: correction("magic", AirState(30.0, 95.0, 40.0)), "no power correction 'magic'"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(call, words: str) -> None:
    with pytest.raises(DataError, match=words):
        call()


@pytest.mark.parametrize(
    ("value", "unit"),
    [(1013.0, "hPa"), (101325.0, "Pa"), (29.92, "inHg"), (760.0, "mmHg"), (14.7, "psi"), (1.01, "bar")],
)
def test_pressure_in_the_wrong_unit_is_named(value: float, unit: str) -> None:
    assert unit in air.question_pressure(value).remedy


def test_sea_level_pressure_at_1500_m_is_questioned() -> None:
    with pytest.raises(DataError, match="looks reduced to sea level") as caught:
        air.check_pressure(101.3, 1500.0)
    assert "84.6\N{NO-BREAK SPACE}kPa" in str(caught.value)
    for share in (0.96, 1.04):  # the weather moves it by about 4 %, see STATION_TOLERANCE
        air.check_pressure(share * air.isa_pressure(1500.0), 1500.0)
    with pytest.raises(DataError, match="reduced to sea level"):
        correction("sae-j1349-2004", AirState(25.0, 101.3, 40.0), elevation=1500.0)
    with pytest.raises(DataError, match="Check the pressure, the elevation"):
        air.check_pressure(0.945 * air.isa_pressure(100.0), 100.0)


def codes(found) -> list[str]:
    return [message.code for message in found.limitations]


def test_correction_says_where_it_holds() -> None:
    inside = correction("sae-j1349-2004", AirState(25.0, 100.0, 31.5))
    assert inside.factor == pytest.approx(1.0, abs=1e-4)
    assert inside.in_validity is True and inside.within_limit and inside.limitations == ()
    assert inside.spec.name == "SAE J1349, 2004 and later coefficients"

    outside = correction("sae-j1349-2004", AirState(38.0, 88.0, 20.0))
    assert outside.in_validity is False and not outside.within_limit
    assert codes(outside) == [f"correction-{of}" for of in ("factor", "dry-pressure", "air-temperature", "large")]
    assert said(outside.limitations[2], "us") == (
        "The air temperature of 100.4\N{NO-BREAK SPACE}°F is outside the validity range of SAE J1349 "
        "(59\N{NO-BREAK SPACE}°F to 95\N{NO-BREAK SPACE}°F)."
    )
    assert "+19.6\N{NO-BREAK SPACE}%, more than the 7\N{NO-BREAK SPACE}%" in said(outside.limitations[3], "si")

    none = correction("none", AirState(5.0, 80.0, 90.0))
    assert none.factor == 1.0 and none.limitations == ()
    assert correction("din-70020", AirState(20.0, 101.3, 90.0)).factor == pytest.approx(1.0, abs=1e-12)
    no_range = correction("sae-j607", AirState(30.0, 92.0, 60.0))
    assert no_range.in_validity is None and not no_range.within_limit
    boosted = correction("sae-j1349-2004", AirState(25.0, 100.0, 31.5), aspiration="boosted")
    assert codes(boosted) == ["correction-engine"]


@pytest.mark.parametrize(("factor", "flagged"), [(1.069, False), (1.071, True), (0.931, False), (0.929, True)])
def test_a_correction_by_more_than_seven_percent_is_flagged(factor: float, flagged: bool) -> None:
    # DIN 70020 at its reference temperature: the factor is 101.3 kPa over the pressure
    found = correction("din-70020", AirState(20.0, 101.3 / factor, 0.0))
    assert (found.factor, found.within_limit) == (pytest.approx(factor, rel=1e-12), not flagged)
    assert codes(found) == ["correction-large"] * flagged


def test_diesel_goes_with_its_fuel_and_its_kind_of_boost() -> None:
    state = AirState(30.0, 95.0, 40.0)
    weak, strong = (correction("iso-1585-diesel-na", state, fuel_per_cycle=q) for q in (40.0, 70.0))
    assert 1.0 < weak.factor < strong.factor
    assert "mechanically supercharged" in weak.spec.edition and weak.limitations == ()
    for form, kind in (("na", "where it is mechanically supercharged"), ("turbo", "where it is turbocharged")):
        found = correction(f"iso-1585-diesel-{form}", state, aspiration="boosted", fuel_per_cycle=40.0)
        assert codes(found) == ["correction-boost"] and kind in said(found.limitations[0], "si")
    assert codes(correction("iso-1585-diesel-turbo", state, fuel_per_cycle=40.0)) == ["correction-engine"]


@pytest.mark.parametrize(
    ("method", "inside", "outside"),
    [("iso-1585-si", (15.0, 35.0), (14.5, 35.5)), ("iso-1585-diesel-na", (10.0, 40.0), (9.5, 40.5))],
)
def test_iso_1585_has_a_temperature_range(method: str, inside, outside) -> None:
    def flags(t: float) -> list[str]:
        return codes(correction(method, AirState(t, 99.0, 0.0), fuel_per_cycle=50.0))

    assert all("correction-air-temperature" not in flags(t) for t in inside)
    assert all("correction-air-temperature" in flags(t) for t in outside)


def test_usual_names_are_understood_where_they_are_unique() -> None:
    assert all(spec.source for key, spec in CORRECTIONS.items() if key != "none")
    assert "common practice" in POWER_MODELS["one-percent"][2]
    assert correction_spec("STD").key == correction_spec("SAE J607").key == "sae-j607"
    assert correction_spec("DIN 70020").key == "din-70020"
    assert correction_spec("SAE J1349 1990").key == "sae-j1349-1990"
    with pytest.raises(DataError, match="several editions") as caught:
        correction_spec("SAE J1349")
    assert "sae-j1349-1990, sae-j1349-2004" in str(caught.value)
    with pytest.raises(DataError, match="no power correction ''"):
        correction_spec("")


def test_mass_in_a_fixed_volume() -> None:
    ambient = {"ambient_temperature": 25.0, "ambient_pressure": 99.0, "ambient_humidity": 0.0}
    mass = air.mass_in_volume(np.array([25.0, 50.0]), 2.0, **ambient)
    assert mass[0] == pytest.approx(2.0 * air.density_ideal(25.0, 99.0, 0.0), rel=1e-12)
    assert mass[1] / mass[0] == pytest.approx(298.15 / 323.15, rel=1e-12)
    for humidity in (0.0, 70.0):  # no vapour pressure is known there; what −40 °C holds makes 1e-4 of the density
        cold = air.mass_in_volume(20.0, 2.0, **ambient | {"ambient_temperature": -45.0, "ambient_humidity": humidity})
        assert cold == pytest.approx(2.0 * air.density_ideal(20.0, 99.0, 0.0), rel=1e-12)
    with pytest.raises(DataError, match="holds no air"):
        air.mass_in_volume(20.0, 0.0, **ambient)
