"""Units: exact factors, an independent unit library, spellings of logs, and round trips."""

import contextlib
import functools

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from intake_report import units
from intake_report.errors import DataError
from intake_report.units import QUANTITIES, SPELLINGS, conversion, from_internal, parse_quantity, to_internal

# Exact by definition: the inch is 25.4 mm, the pound 0.45359237 kg, standard gravity 9.80665 m/s² (international yard
# and pound agreement of 1959; 3rd CGPM 1901); the conventional inch of mercury 3386.388640341 Pa and the millimetre
# 133.322387415 Pa (NIST SP 811, Appendix B.8, to its digits: 3.386389 kPa, 133.3224 Pa).
G, INCH, FOOT, MILE, POUND = 9.80665, 0.0254, 0.3048, 1609.344, 0.45359237
FACTORS = [
    ("inHg", "pressure", 3.386388640341),
    ("mmHg", "pressure", 0.133322387415),
    ("bar", "pressure", 100.0),
    ("hPa", "pressure", 0.1),
    ("inH2O", "restriction", INCH * 1000.0 * G / 1000.0),  # conventional: 249.08891 Pa
    ("lbf*ft", "torque", POUND * G * FOOT),  # 1.3558179483314004
    ("mph", "speed", MILE / 1000.0),
    ("ft", "length", FOOT),
    ("lb", "mass", POUND),
    ("m^3/h", "volume_flow", 1.0 / 3600.0),
    ("kg/h", "mass_flow", 1.0 / 3.6),
    ("lb/min", "mass_flow", POUND * 1000.0 / 60.0),
    ("cc", "volume", 0.001),
    ("°F", "temperature_difference", 5.0 / 9.0),
    ("K/min", "temperature_rate", 1.0),
    ("min", "time", 60.0),
    ("ms", "time", 0.001),
]


@pytest.mark.parametrize(("unit", "quantity", "factor"), FACTORS)
def test_exact_factors(unit, quantity, factor):
    scale, offset = conversion(unit, quantity)
    assert offset == 0.0
    assert scale == pytest.approx(factor, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "quantity", "printed"),
    # as printed in NIST SP 811 (2008), Appendix B.8, to its seven digits
    [
        ("1 psi", "pressure", 6.894757), ("1 inHg", "pressure", 3.386389), ("1 lbf*ft", "torque", 1.355818),
        ("1 hp", "power", 0.7456999), ("1 PS", "power", 0.7354988), ("1 mph", "speed", 1.609344),
        ("1 cfm", "volume_flow", 4.719474e-4),
    ],
)  # fmt: skip
def test_factors_as_printed_in_a_guide(text, quantity, printed):
    assert parse_quantity(text, quantity) == pytest.approx(printed, rel=2e-7)


def test_pressures_that_the_trade_quotes():
    # conventional inches: at 60 °F one of mercury is 3376.8485 Pa, 0.28 % less, and one of water 248.84 Pa, not what
    # altimeters, power corrections and flow benches mean
    assert parse_quantity("1 inHg", "pressure") == 3.386388640341
    assert parse_quantity("10 inH2O", "restriction") == 2.4908891
    # 29.92 inHg = 1013.20748 hPa; 1013.25 hPa = 29.921256 inHg; 99 kPa = 29.234683 inHg; 100 kPa = 29.529983 inHg
    # (arithmetic with the conventional inch of mercury above)
    assert parse_quantity("29.92 inHg", "pressure") == pytest.approx(101.320748, abs=1e-6)
    for kpa, inches in ((101.325, 29.921256), (99.0, 29.234683), (100.0, 29.529983)):
        assert float(from_internal(kpa, "inHg", "pressure")) == pytest.approx(inches, abs=5e-7)


@pytest.mark.parametrize(("f", "c"), [(59.0, 15.0), (60.0, 140.0 / 9.0), (77.0, 25.0), (-40.0, -40.0), (32.0, 0.0)])
def test_fahrenheit(f, c):
    # 59 °F is the 15 °C of the standard atmosphere, 77 °F the 25 °C of power correction
    assert float(to_internal(f, "°F", "temperature")) == pytest.approx(c, abs=1e-12)
    # exactly: 25.000000000000057 °C would pass a limit of 25 °C
    assert parse_quantity("77 degF", "temperature") == 25.0
    assert float(from_internal(c, "degF", "temperature")) == pytest.approx(f, abs=1e-12)


def test_a_margin_in_fahrenheit_is_an_interval():
    assert parse_quantity("3 °F", "temperature_difference") == pytest.approx(5.0 / 3.0, rel=1e-15)
    assert parse_quantity("3 °F", "temperature") == pytest.approx(-16.11111, abs=1e-5)
    assert parse_quantity("2 K", "temperature_difference") == 2.0
    assert parse_quantity("300 K", "temperature") == pytest.approx(26.85, abs=1e-12)


def quantities_of(spelling):
    """Names of the quantities that a unit can measure."""
    names = []
    for name in QUANTITIES:
        with contextlib.suppress(DataError):
            conversion(spelling, name)
            names.append(name)
    return names


# What the library calls a spelling of ours where it would take it for something else (cfm: a centifemtometre).
LIBRARY = {
    "cfm": "ft^3/min", "ft3/min": "ft^3/min", "cid": "inch^3", "l/min": "L/min", "gal/h": "gallon/hour",
    "lb/ft3": "lb/ft^3", "slug/ft3": "slug/ft^3", "kn": "knot", "kph": "km/hour", "ps": "metric_horsepower",
    "lb-ft": "lbf*ft", "rad": "radian", "mph/s": "mph/s", "psi": "psi", "torr": "torr", "atm": "atm", "hp": "horsepower",
    "mg": "mg", "kg/min": "kg/min", "lb/h": "lb/hour", "ft/s^2": "ft/s^2", "mi": "mile", "nm": "N*m", "%": "percent",
}  # fmt: skip


registry = functools.cache(pint.UnitRegistry)  # half a second


@pytest.mark.parametrize("spelling", LIBRARY)
def test_factors_agree_with_an_independent_library(spelling):
    for name in quantities_of(spelling):
        internal = {"deg": "degree", "%": "percent", "1": ""}.get(unit := QUANTITIES[name].internal, unit)
        expected = registry().Quantity(1.0, LIBRARY[spelling]).to(internal).magnitude
        assert conversion(spelling, name) == (pytest.approx(expected, rel=1e-12), 0.0)


def test_spellings_found_in_logs():
    for quantity, spellings in (
        ("temperature", ("°C", "Â°C", "[°C]", "C", "degC", " deg C ", "celsius", "℃")),
        ("engine_speed", ("RPM", "rpm", "U/min", "1/min", "r/min")),
    ):
        assert {conversion(spelling, quantity) for spelling in spellings} == {(1.0, 0.0)}


@pytest.mark.parametrize(
    ("text", "quantity", "words"),
    [
        *((text, quantity, "does not measure") for text, quantity in (
            ("1 cfm", "length"), ("3 deg", "ratio"), ("3 %", "angle"), ("1 %", "mass"), ("1 kPa", "temperature"))),
        ("1 kmh/", "speed", r"the unit “kmh/” is not known\. Did you mean “kmh”\?"),
        *((text, "temperature", ".") for text in (
            "", "degC", "three degF", "3 3 degF", "nan degC", "inf degC", "3", "1e999 degC degC")),
    ],
)  # fmt: skip
def test_what_is_no_quantity_or_one_of_another_kind_is_refused(text, quantity, words):
    with pytest.raises(DataError, match=words):
        parse_quantity(text, quantity)
    assert parse_quantity("50 %", "ratio") == 50.0


@pytest.mark.parametrize("text", ["−40 °C", "-40 °F", "-40degC", "-4e1 degC", " -40. °C "])
def test_signs_and_spaces(text):
    assert parse_quantity(text, "temperature") == pytest.approx(-40.0)


def test_every_quantity_has_units_that_convert_and_a_label():
    for name, quantity in QUANTITIES.items():
        assert conversion(quantity.internal, name) == (1.0, 0.0), name
        for unit in (quantity.si, quantity.us):
            assert units.known_unit(unit), name
            assert name in quantities_of(unit)
            assert "delta" not in units.unit_label(unit) and "^" not in units.unit_label(unit)
    assert all(quantities_of(spelling) for spelling in SPELLINGS)


@given(spelling=st.sampled_from(sorted(s for s in SPELLINGS if s)), value=st.floats(-1e6, 1e6), data=st.data())
def test_there_and_back(spelling, value, data):
    quantity = data.draw(st.sampled_from(quantities_of(spelling)))
    there = to_internal(value, spelling, quantity)
    scale, offset = conversion(spelling, quantity)
    rounding = 1e-9 + abs(offset / scale) * 1e-12
    assert float(from_internal(there, spelling, quantity)) == pytest.approx(value, rel=1e-12, abs=rounding)


@given(kelvin=st.floats(-50.0, 50.0))
def test_a_difference_is_shown_without_the_offset_of_the_scale(kelvin):
    assert float(units.to_display(kelvin, "temperature_difference", "us")) == pytest.approx(1.8 * kelvin, abs=1e-12)
    a, b = (float(units.to_display(20.0 + x, "temperature", "us")) for x in (0.0, kelvin))
    assert b - a == pytest.approx(1.8 * kelvin, abs=1e-9)
