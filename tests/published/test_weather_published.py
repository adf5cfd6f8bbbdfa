"""METAR decoding and pressure reduction against published reports and decodes."""

import math

import pandas as pd
import pytest

from intake_report.errors import DataError
from intake_report.messages import said
from intake_report.units import from_internal
from intake_report.weather import WeatherObservation, metar_record
from intake_report.weather.reports import decode_metar, round_half_up


def decoded(report: str, **given: float) -> WeatherObservation:
    observation = decode_metar(report, year=2005, month=6, **given)
    assert observation is not None
    return observation


def knots(speed: float | None) -> float | None:
    return None if speed is None else float(from_internal(speed, "kt", "speed"))


# Reports 4.01 to 4.07: test/test_metar.py of the python-metar repository, with the values its tests expect.
KEWR = (
    "METAR KEWR 111851Z VRB03G19KT 2SM R04R/3000VP6000FT TSRA BR FEW015 BKN040CB BKN065 OVC200 22/22 A2987 "
    "RMK AO2 PK WND 29028/1817 WSHFT 1812 TSB05RAB22 SLP114 FRQ LTGICCCCG TS OHD AND NW-N-E MOV NE P0013 T02270215"
)


# The package prints 1011.517 hPa with 33.86398 hPa/inHg; the conventional inch is 33.86388640341 (3e-6 less): by it 29.92 inHg
# are 1013.20748 hPa.
DECODES = {
    KEWR: {
        "source": "KEWR", "time": pd.Timestamp("2005-06-11 18:51Z"), "wind_direction": None, "wind_variable": True, "knots": 3.0,
        "gust": 19.0, "temperature": 22.7, "dew_point": 21.5, "resolution": 0.1, "inches": 29.87, "raining": True,
        "present": "TSRA BR", "hpa": pytest.approx(1011.517 * 33.86388640341 / 33.86398, abs=5e-4),
    },
    "METAR KPIT 091955Z COR 22015G25KT 3/4SM R28L/2600FT TSRA OVC010CB 18/16 A2992 RMK SLP045 T01820159": {
        "wind_direction": 220.0, "wind_variable": False, "knots": 15.0, "gust": 25.0, "temperature": 18.2, "dew_point": 15.9,
        "hpa": pytest.approx(1013.20748, abs=1e-5),  # the inconsistent SLP 1004.5 is not used
    },
    "EGNX 191250Z VRB03KT 9999 -RASN FEW008 SCT024 BKN046 M01/M03 Q0989": {
        "temperature": -1.0, "dew_point": -3.0, "resolution": 1.0, "hpa": 989.0, "raining": True, "present": "-RASN",
        "inches": pytest.approx(29.2051, abs=2e-4),
    },
    "KDOV 040558Z 23004KT 1 1/2SM R01/2800FT -SN BR OVC006 M01/M01 A3015 RMK AO2A SLP213 P0000 4/001 60010 T10071007": {
        "temperature": -0.7, "dew_point": -0.7, "humidity": 100.0, "hpa": pytest.approx(1020.999, abs=5e-3),
    },
    "METAR FSIA 220100Z AUTO 14014KT 120V180 9999 ///////// 27/23 Q1010": {
        "wind_direction": 140.0, "temperature": 27.0, "dew_point": 23.0, "hpa": 1010.0, "raining": None, "present": None,
    },
    "KABI 031752Z 30010KT 6SM BR FEW009 OVC036 02/01 A3003 RMK AO2 SLP176 60001 T00170006 10017 21006": {
        "temperature": 1.7, "dew_point": 0.6, "hpa": pytest.approx(1016.935, abs=5e-3),
    },
    "METAR KCOF 191855Z 18015G22KT 7SM FEW049 SCT300 28/18 A3001 SLP162 RMK AO2": {
        "hpa": pytest.approx(1016.258, abs=5e-3),
    },
    # FMH-1 (1995) 12.7: 2.6 °C and -1.5 °C are coded T00261015, body 03/M01
    "METAR KXXX 022150Z 09010KT 10SM RA OVC020 03/M01 A3003 RMK AO2 SLP982 P0009 T00261015": {
        "temperature": 2.6, "dew_point": -1.5,
    },
}  # fmt: skip


@pytest.mark.parametrize(("report", "expected"), DECODES.items())
def test_decodes(report, expected):
    o = decoded(report)
    found = vars(o) | {"hpa": o.pressure * 10.0, "inches": from_internal(o.pressure, "inHg", "pressure")}
    found |= {"knots": knots(o.wind_speed), "gust": knots(o.wind_gust)}
    for name, value in expected.items():
        exact = not isinstance(value, float) or name in ("temperature", "dew_point", "wind_direction", "resolution")
        assert found[name] == (value if exact else pytest.approx(value, rel=1e-9)), name


def test_body_that_does_not_round_to_the_remarks_is_noticed():
    # 22.7 rounds to 23, the published (synthetic) report says 22; the others' bodies agree with their remarks.
    for report in DECODES:
        notices = [n for n in decoded(report).notices if n.code == "body-contradicts-remarks"]
        assert bool(notices) == (report == KEWR)
    notice = decoded(KEWR).notices[0]
    assert said(notice, "si").startswith("the body says 22\N{NO-BREAK SPACE}°C and the remarks 22.7")


@pytest.mark.parametrize(
    ("group", "speed", "direction", "gust", "variable"),
    [
        # python-metar tests; 10 m/s = 36 km/h exactly.
        ("09010MPS", 36.0, 90.0, None, False),
        ("00000KT", 0.0, None, None, False),
        ("VRB03G40KT", 3 * 1.852, None, 40 * 1.852, True),
        ("21010KT 180V240", 18.52, 210.0, None, False),
        ("/////KT", None, None, None, False),
        ("///05KT", 5 * 1.852, None, None, False),  # no direction is reported, which is not a variable one
        ("///05G15KT", 5 * 1.852, None, 15 * 1.852, False),
        ("/////", None, None, None, False),
    ],
)
def test_wind_groups(group, speed, direction, gust, variable):
    o = decoded(f"METAR EDXX 022150Z {group} CAVOK 20/16 Q1013")
    assert o.wind_speed == (None if speed is None else pytest.approx(speed, rel=1e-12))
    assert o.wind_gust == (None if gust is None else pytest.approx(gust, rel=1e-12))
    assert (o.wind_direction, o.wind_variable) == (direction, variable)


@pytest.mark.parametrize(
    ("body", "temperature", "dew_point"),
    # FMH-1 (1995) 2.6.3 and 12.6.10: -0.5 is coded M00, a missing dew point leaves the slash, 4/-2 is 04/M02.
    [("M00/M02", 0.0, -2.0), ("02/", 2.0, None), ("04/M02", 4.0, -2.0), ("03/M01", 3.0, -1.0)],
)
def test_body_temperatures(body, temperature, dew_point):
    o = decoded(f"METAR KXXX 022150Z 09010KT 10SM CLR {body} A3003")
    assert (o.temperature, o.dew_point) == (temperature, dew_point)
    assert not math.copysign(1.0, o.temperature) < 0.0
    assert (o.humidity is None) == (dew_point is None)


def test_sea_level_pressure_where_there_is_no_altimeter():
    # FMH-1 (1995) 12.7: 998.2 hPa is coded SLP982. At sea level nothing is reduced.
    o = decoded("METAR KXXX 022150Z 09010KT 10SM CLR 03/M01 RMK SLP982 T00261015", elevation=0.0)
    assert o.station_pressure == pytest.approx(99.82) and o.pressure_kind == "sea-level"


def test_rounding_rule_of_the_manual():
    # FMH-1 (1995) 2.6.3: half toward plus infinity; Python's round() would give -2 for -1.5 and 2 for 2.5.
    for tenths, whole in {15: 2, -15: -1, 13: 1, -26: -3, 25: 3, -5: 0}.items():
        assert round_half_up(tenths) == whole


def test_humidity_from_tenths_and_from_whole_degrees():
    # Reference values computed with one saturation formulation (checked to 0.1 % against ours): the tenths matter.
    exact = decoded("METAR KXXX 022150Z 09010KT 10SM CLR 03/M01 A3003 RMK T00261015").humidity
    rounded = decoded("METAR KXXX 022150Z 09010KT 10SM CLR 03/M01 A3003").humidity
    assert exact == pytest.approx(74.378, abs=0.1)
    assert rounded == pytest.approx(74.997, abs=0.1)
    # 12/5 against T01230054: avwx-engine tests/parsing/test_core.py (0.62228 and 0.62732).
    assert decoded("KXXX 022150Z 09010KT CLR 12/05 A3003").humidity == pytest.approx(62.23, abs=0.1)
    assert decoded("KXXX 022150Z 09010KT CLR 12/05 A3003 RMK T01230054").humidity == pytest.approx(62.73, abs=0.1)


def test_station_pressure_from_the_altimeter_setting():
    # MetPy test suite, altimeter_to_station_pressure: 29.8 inHg at 500 m is 950.96498 hPa. MetPy takes the inch of
    # mercury of its unit registry, 33.86389 hPa to 1e-7.
    o = decoded("METAR KXXX 022150Z 09010KT 10SM CLR 20/10 A2980", elevation=500.0)
    assert o.station_pressure * 10.0 == pytest.approx(950.96498, abs=1e-3)


def test_station_pressure_from_a_qnh():
    # QNH is by definition the setting with which an altimeter of the ICAO standard atmosphere shows the elevation
    # (ICAO Annex 3, from memory): p = 1013.25 hPa (1 - 0.0065 h / 288.15)^5.25588 (ISO 2533), h counted from QNH.
    o = decoded("METAR EDXX 022150Z 09010KT 9999 20/10 Q1013", elevation=500.0)
    from_qnh = 288.15 / 0.0065 * (1.0 - (1013.0 / 1013.25) ** (1.0 / 5.25588))
    expected = 1013.25 * (1.0 - 0.0065 * (from_qnh + 500.0) / 288.15) ** 5.25588
    assert o.station_pressure * 10.0 == pytest.approx(expected, abs=0.01)
    # MetPy 1.7.1 reduces it like a setting in inHg: 954.639 hPa, the Smithsonian 0.3 hPa more.
    assert o.station_pressure * 10.0 == pytest.approx(954.639 - 0.3, abs=0.05)
    # Unreduced it would be wrong by about 6 %: 29.8 inHg less 58.2 hPa.
    assert o.pressure / o.station_pressure == pytest.approx(1.061, abs=1e-3)


def test_report_that_must_not_parse():
    # python-metar tests: a temperature of three digits raises.
    with pytest.raises(DataError, match="201/16") as caught:
        text = "METAR EDDM 022120Z 26006KT CAVOK 20/16 Q1013=\nMETAR EDDM 022150Z 26006KT CAVOK 201/16"
        metar_record(text, year=2005, month=6)
    assert caught.value.where == "line 2"


def test_month_is_never_guessed_from_today():
    # python-metar tests 030 to 035: without a month, a day later than today is taken as last month.
    o = decode_metar("METAR EDDM 312150Z 26006KT CAVOK 20/16 Q1013", year=1999, month=12)
    assert o is not None and (o.time.year, o.time.month, o.time.day) == (1999, 12, 31)
