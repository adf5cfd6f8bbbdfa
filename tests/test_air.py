"""Behaviour of the air equations: limits, bad input, and that they agree with themselves."""

from __future__ import annotations

import json
from dataclasses import asdict

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from intake_report.air import (
    CORRECTIONS,
    POWER_MODELS,
    SATURATION,
    AirState,
    charge_density_ratio,
    check_pressure,
    correction,
    correction_spec,
    density_cipm,
    density_ideal,
    dew_point,
    dew_point_from_vapour,
    dry_pressure,
    expected_power,
    isa_pressure,
    mass_in_volume,
    power_ratio,
    question_pressure,
    relative_humidity,
    saturation_pressure,
    station_from_sea_level,
    station_pressure,
    vapour_pressure,
)
from intake_report.errors import DataError

NAMES = sorted(SATURATION)


@given(st.sampled_from(NAMES), st.floats(1.0, 45.0), st.floats(1.0, 100.0))
def test_dew_point_and_humidity_are_inverse(name: str, t: float, rh: float) -> None:
    spec = SATURATION[name]
    e = vapour_pressure(t, rh, name)
    if e < saturation_pressure(max(spec.lowest, -40.0), name):
        return
    dew = dew_point_from_vapour(e, name)
    assert dew <= t + 1e-9
    if name == "ashrae" and abs(dew - 0.01) < 1e-2:
        return  # ice and water curves meet with a small step there
    assert relative_humidity(t, min(dew, t), name) == pytest.approx(rh, rel=1e-8)


@given(st.sampled_from(NAMES), st.floats(0.0, 49.0))
def test_saturation_rises_with_temperature(name: str, t: float) -> None:
    assert saturation_pressure(t + 0.5, name) > saturation_pressure(t, name)


def test_arrays_and_floats_agree() -> None:
    t = np.array([5.0, 20.0, 35.0])
    array = saturation_pressure(t)
    assert isinstance(array, np.ndarray)
    for value, one in zip(array, t, strict=True):
        single = saturation_pressure(float(one))
        assert type(single) is float
        assert single == pytest.approx(value, rel=1e-15)
    dew = dew_point(t, np.array([50.0, 50.0, 50.0]))
    assert dew[1] == pytest.approx(dew_point(20.0, 50.0), abs=1e-12)


def test_every_formulation_and_method_has_a_source() -> None:
    assert all(spec.source and spec.lowest < spec.highest for spec in SATURATION.values())
    assert all(spec.source for key, spec in CORRECTIONS.items() if key != "none")
    assert all(model.standing for model in POWER_MODELS.values())
    assert "common practice" in POWER_MODELS["one-percent"].standing


def test_humidity_out_of_range() -> None:
    for rh in (100.1, 250.0, -1.0):
        with pytest.raises(DataError, match=r"relative humidity of .* % is not possible"):
            vapour_pressure(20.0, rh)
    with pytest.raises(DataError, match="over 100 %"):
        relative_humidity(20.0, 21.0)
    with pytest.raises(DataError, match="not possible"):
        density_cipm(20.0, 100.0, 101.0)
    with pytest.raises(DataError, match="no dew point"):
        dew_point(20.0, 0.0)
    with pytest.raises(DataError, match="not possible"):
        correction("sae-j1349-2004", AirState(20.0, 100.0, 130.0))


def test_ranges_are_held() -> None:
    with pytest.raises(DataError, match="outside the range"):
        saturation_pressure(300.0, "bolton")
    with pytest.raises(DataError, match="no saturation-pressure formulation 'magic'"):
        saturation_pressure(20.0, "magic")
    with pytest.raises(DataError, match="CIPM-2007 does not hold at 40 °C"):
        density_cipm(40.0, 100.0, 40.0)
    with pytest.raises(DataError, match="outside the troposphere"):
        isa_pressure(15000.0)
    with pytest.raises(DataError, match="no altimeter setting"):
        station_pressure(1013.0, 100.0)
    with pytest.raises(DataError, match="between 0 and the total"):
        dry_pressure(2.0, 3.0)


def test_humid_air_is_lighter() -> None:
    dry, humid = (density_ideal(25.0, 100.0, vapour_pressure(25.0, rh)) for rh in (0.0, 90.0))
    assert humid < dry


@given(st.floats(-200.0, 3000.0), st.floats(97.0, 105.0))
def test_station_pressure_forms_agree(elevation: float, altimeter: float) -> None:
    forms = [station_pressure(altimeter, elevation, form) for form in ("smithsonian", "isa", "simple")]
    assert max(forms) - min(forms) < 0.035  # the Smithsonian form's 0.3 hPa


def test_unreduced_pressure_is_six_percent_wrong_at_500_m() -> None:
    station = station_pressure(101.325, 500.0)
    assert 101.325 / station - 1.0 == pytest.approx(0.0612, abs=1e-3)
    assert station_from_sea_level(101.325, 500.0, 11.75) == pytest.approx(station, abs=0.05)


@pytest.mark.parametrize(
    ("value", "unit"),
    [(1013.0, "hPa"), (101325.0, "Pa"), (29.92, "inHg"), (760.0, "mmHg"), (14.7, "psi"), (1.01, "bar")],
)
def test_pressure_in_the_wrong_unit_is_named(value: float, unit: str) -> None:
    question = question_pressure(value)
    assert question is not None
    assert unit in question.remedy


def test_sea_level_pressure_at_1500_m_is_questioned() -> None:
    with pytest.raises(DataError, match="looks reduced to sea level") as caught:
        check_pressure(101.3, 1500.0)
    assert "84.6 kPa" in str(caught.value)
    check_pressure(84.0, 1500.0)
    check_pressure(101.3, 100.0)
    with pytest.raises(DataError, match="reduced to sea level"):
        correction("sae-j1349-2004", AirState(25.0, 101.3, 40.0), elevation=1500.0)
    with pytest.raises(DataError, match="Check the pressure, the elevation"):
        check_pressure(80.0, 100.0)


def test_intake_air_is_refused() -> None:
    with pytest.raises(DataError, match="correct away the effect under test"):
        correction("iso-1585-si", AirState(45.0, 99.0, 30.0, place="intake"))


def test_correction_says_where_it_holds() -> None:
    inside = correction("sae-j1349-2004", AirState(25.0, 100.0, 31.5))
    assert inside.factor == pytest.approx(1.0, abs=1e-4)
    assert inside.in_validity is True
    assert inside.within_limit
    assert inside.limitations == ()
    assert inside.name == "SAE J1349, 2004 and later coefficients"

    outside = correction("sae-j1349-2004", AirState(38.0, 88.0, 20.0))
    assert outside.in_validity is False
    assert not outside.within_limit
    assert len(outside.limitations) == 4
    assert any("validity range" in text for text in outside.limitations)
    assert any("7 %" in text for text in outside.limitations)

    no_range = correction("sae-j607", AirState(30.0, 92.0, 60.0))
    assert no_range.in_validity is None
    assert not no_range.within_limit

    boosted = correction("sae-j1349-2004", AirState(25.0, 100.0, 31.5), aspiration="boosted")
    assert "not written for a boosted engine" in boosted.limitations[0]
    assert json.loads(json.dumps(asdict(outside)))["method"] == "sae-j1349-2004"


def test_no_correction_is_one() -> None:
    none = correction("none", AirState(5.0, 80.0, 90.0))
    assert none.factor == 1.0
    assert none.limitations == ()


def test_din_uses_total_pressure() -> None:
    assert correction("din-70020", AirState(20.0, 101.3, 10.0)).factor == pytest.approx(1.0, abs=1e-12)
    assert correction("din-70020", AirState(20.0, 101.3, 90.0)).factor == pytest.approx(1.0, abs=1e-12)


def test_diesel_needs_its_fuel() -> None:
    air = AirState(30.0, 95.0, 40.0)
    with pytest.raises(DataError, match="needs the fuel per cycle"):
        correction("iso-1585-diesel-na", air)
    weak = correction("iso-1585-diesel-na", air, fuel_per_cycle=40.0).factor
    strong = correction("iso-1585-diesel-na", air, fuel_per_cycle=70.0).factor
    assert 1.0 < weak < strong
    with pytest.raises(DataError, match="must be positive"):
        correction("iso-1585-diesel-turbo", air, aspiration="boosted", fuel_per_cycle=0.0)
    with pytest.raises(DataError, match="no power correction 'magic'"):
        correction("magic", air)


def test_usual_names_are_understood_where_they_are_unique() -> None:
    assert correction_spec("STD").key == correction_spec("SAE J607").key == "sae-j607"
    assert correction_spec("DIN 70020").key == "din-70020"
    assert correction_spec("SAE J1349 1990").key == "sae-j1349-1990"
    with pytest.raises(DataError, match="several editions") as caught:
        correction_spec("SAE J1349")
    assert "sae-j1349-1990, sae-j1349-2004" in str(caught.value)
    with pytest.raises(DataError, match="no power correction ''"):
        correction_spec("")


def test_mass_in_a_fixed_volume() -> None:
    t = np.array([15.0, 25.0, 50.0])
    mass = mass_in_volume(t, 2.0, ambient_temperature=25.0, ambient_pressure=99.0, ambient_humidity=0.0)
    assert mass[1] == pytest.approx(2.0 * density_ideal(25.0, 99.0, 0.0), rel=1e-12)
    assert np.all(np.diff(mass) < 0.0)
    assert mass[2] / mass[1] == pytest.approx(charge_density_ratio(50.0, 25.0), rel=1e-12)
    with pytest.raises(DataError, match="holds no air"):
        mass_in_volume(20.0, 0.0, ambient_temperature=20.0, ambient_pressure=99.0, ambient_humidity=10.0)


def test_density_ratio_needs_both_pressures() -> None:
    with pytest.raises(DataError, match="both pressures or neither"):
        charge_density_ratio(30.0, 20.0, 99.0)


@given(st.floats(-20.0, 60.0), st.floats(-20.0, 60.0))
def test_power_models_bracket_each_other(t: float, reference: float) -> None:
    ratios = {e.model: e.ratio for e in expected_power(t, reference)}
    gain = 1.0 if t <= reference else -1.0
    assert gain * (ratios["density"] - 1.0) >= gain * (ratios["iso"] - 1.0) - 1e-12
    assert gain * (ratios["iso"] - 1.0) >= gain * (ratios["square-root"] - 1.0) - 1e-12
    assert power_ratio(t, t) == 1.0


def test_unknown_power_model() -> None:
    with pytest.raises(DataError, match="no power model 'magic'"):
        power_ratio(20.0, 30.0, "magic")
