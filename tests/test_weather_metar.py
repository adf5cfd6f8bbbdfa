"""Reading METAR reports: cutting, month rollover, notices, errors, round trips."""

from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from intake_report.errors import DataError
from intake_report.messages import said
from intake_report.weather import metar_record
from intake_report.weather.reports import decode_metar, round_half_up, split_reports

PLAIN = "METAR LEXX 312200Z 24008KT CAVOK 24/11 Q1016"


def test_reports_are_cut_at_equal_signs_empty_lines_and_new_reports():
    text = (
        "# noted by hand\n"
        "    METAR LEXX 311000Z 24008KT CAVOK 24/11 Q1016=\n"
        "METAR LEXX 311030Z VRB03KT 9999\n"
        "     FEW040 25/11\n"
        "Q1016 NOSIG= SPECI LEXX 311040Z 24008KT CAVOK 25/11 Q1016=\n"
        "\n"
        "LEXX 311100Z 24008KT CAVOK 25/11 Q1016\n"
        "LEXX 311130Z 24008KT CAVOK 26/11 Q1016\n"
    )
    parts = split_reports(text)
    assert [p.where for p in parts] == ["line 2", "line 3", "line 5", "line 7", "line 8"]
    assert parts[1].text == "METAR LEXX 311030Z VRB03KT 9999 FEW040 25/11 Q1016 NOSIG"
    record = metar_record(text, year=2026, month=5)
    assert [o.temperature for o in record.observations] == [24.0, 25.0, 25.0, 25.0, 26.0]


def test_file_with_byte_order_mark_and_date_lines(tmp_path):
    path = tmp_path / "reports.txt"
    dates = [pd.Timestamp("2026-03-31 23:50Z"), pd.Timestamp("2026-04-01 00:50Z")]
    parts = (f"{date:%Y/%m/%d %H:%M}\nLEXX {date:%d%H%M}Z 24008KT CAVOK 14/11 Q1016\n" for date in dates)
    path.write_text("\ufeff" + "\n".join(parts), encoding="utf-8")
    # The date lines win over the month given.
    assert [o.time for o in metar_record(path, year=2025, month=1).observations] == dates


@pytest.mark.parametrize("backwards", [False, True])
def test_the_month_rolls_over_in_either_order(backwards):
    times = ["2026-12-30 23:00Z", "2026-12-31 23:30Z", "2027-01-01 00:00Z"]
    reports = [f"LEXX {t:%d%H%M}Z 24008KT CAVOK 14/11 Q1016" for t in map(pd.Timestamp, times)]
    year, month = (2027, 1) if backwards else (2026, 12)
    record = metar_record(reports[::-1] if backwards else reports, year=year, month=month)
    assert [o.time for o in record.observations] == [pd.Timestamp(t) for t in times]


@given(st.datetimes(datetime(2000, 1, 1), datetime(2060, 1, 1)), st.lists(st.integers(1, 312), min_size=1, max_size=8))
def test_any_list_with_gaps_under_two_weeks_gets_its_dates_back(start, hours):
    times = [start.replace(second=0, microsecond=0, tzinfo=UTC)]
    for step in hours:
        times.append(times[-1] + timedelta(hours=step))
    reports = [f"LEXX {t:%d%H%M}Z 24008KT CAVOK 14/11 Q1016" for t in times]
    record = metar_record(reports, year=start.year, month=start.month)
    assert [o.time for o in record.observations] == [pd.Timestamp(t) for t in times]


INTEGERS = [st.integers(*ends) for ends in ((-350, 450), (0, 150), (2810, 3110), (1, 99), (1, 36))]


@given(*INTEGERS, st.booleans())
def test_encoded_readings_come_back(t10, spread, altimeter, speed, direction, tenths):
    d10 = max(t10 - spread, -390)
    body, group = [], ""
    for value in (t10, d10):
        whole = round_half_up(value)
        body.append(f"M{-whole:02d}" if value < 0 else f"{whole:02d}")
        group += f"{int(value < 0)}{abs(value):03d}"
    remarks = f" RMK AO2 T{group}" if tenths else ""
    report = f"KXXX 151200Z {10 * direction:03d}{speed:02d}KT 10SM CLR {'/'.join(body)} A{altimeter:04d}{remarks}"
    o = decode_metar(report, year=2026, month=5)
    assert o.wind_speed == pytest.approx(speed * 1.852, rel=1e-12) and o.wind_direction == 10.0 * direction
    assert o.pressure == pytest.approx(altimeter / 100.0 * 3.386388640341, rel=1e-12)
    within = 0.0 if tenths else 0.5
    assert abs(o.temperature - t10 / 10.0) <= within and abs(o.dew_point - d10 / 10.0) <= within
    assert "body-contradicts-remarks" not in {n.code for n in o.notices}
    assert 0.0 < o.humidity <= 100.0


@given(st.integers(0, len(PLAIN) - 1), st.characters(codec="ascii", min_codepoint=32))
def test_one_wrong_character_never_escapes_as_another_error(position, character):
    text = PLAIN[:position] + character + PLAIN[position + 1 :]
    try:
        metar_record(text, year=2026, month=5, elevation=400.0)
    except DataError as error:
        assert str(error)


@pytest.mark.parametrize(
    ("report", "says"),
    [
        ("METAR LEXX 312200Z 24008KT CAVOK 24/1x Q1016", "24/1x"),
        ("METAR LEXX 322200Z 24008KT CAVOK 24/11 Q1016", "day is out of range"),
        ("METAR LEXX 312260Z 24008KT CAVOK 24/11 Q1016", "time group"),
        ("METAR LEXX 312200Z 99908KT CAVOK 24/11 Q1016", "wind group"),
        ("METAR LEXX 24008KT CAVOK 24/11 Q1016", "no time"),
        ("METAR", "does not parse"),
        ("METAR LEXX 312200Z 24008KT CAVOK 11/24 Q1016", "dew point 24.0 °C is above the temperature"),
        ("METAR LEXX 312200Z 24008KT CAVOK 24/11 Q0016", "impossible"),
    ],
)
def test_bad_reports_name_the_report_and_the_reason(report, says):
    with pytest.raises(DataError) as caught:
        metar_record([PLAIN, report], year=2026, month=5)
    assert says in caught.value.what and report in caught.value.what
    assert caught.value.where == "report 2"
    assert caught.value.remedy


def test_file_errors_name_the_file(tmp_path):
    path = tmp_path / "m.txt"
    path.write_text(PLAIN + "\nnonsense that is no report\n\n", encoding="utf-8")
    with pytest.raises(DataError) as caught:
        metar_record(path, year=2026, month=5)
    assert caught.value.file == str(path)
    with pytest.raises(DataError, match="no such file"):
        metar_record(tmp_path / "absent.txt", year=2026, month=5)
    (tmp_path / "binary").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(DataError, match="binary: The file is not utf-16-le text"):
        metar_record(tmp_path / "binary", year=2026, month=5)
    with pytest.raises(DataError, match="no METAR report"):
        metar_record("# nothing\n", year=2026, month=5)


def test_nil_reports_are_left_out():
    record = metar_record([PLAIN, "METAR LEXX 312230Z NIL"], year=2026, month=5, elevation=0.0)
    assert len(record.observations) == 1
    with pytest.raises(DataError, match="NIL"):
        metar_record("METAR LEXX 312230Z NIL=", year=2026, month=5)


def test_several_stations_are_refused():
    reports = [PLAIN, PLAIN.replace("LEXX", "LEYY").replace("24/", "14/")]
    with pytest.raises(DataError, match="LEXX, LEYY"):
        metar_record(reports, year=2026, month=5)
    assert metar_record(PLAIN, year=2026, month=5, source="airfield").source == "airfield"


def test_a_correction_replaces_what_it_corrects():
    record = metar_record([PLAIN, PLAIN.replace("METAR", "METAR COR").replace("24/", "23/")], year=2026, month=5)
    assert [o.temperature for o in record.observations] == [23.0]
    assert "repeated-time" in {n.code for n in record.notices}
    assert "repeated-time" not in {n.code for n in metar_record([PLAIN, PLAIN], year=2026, month=5).notices}


def test_without_elevation_there_is_no_station_pressure():
    record = metar_record([PLAIN, PLAIN.replace("312200", "312230")], year=2026, month=5)
    assert [o.station_pressure for o in record.observations] == [None, None]
    (notice,) = record.notices
    assert notice.code == "pressure-not-reduced" and "1 more of its 2" in said(notice, "si")


def test_station_pressure_given_as_altimeter_setting_is_questioned():
    # 870 hPa is what a barometer shows at 1,250 m; as a setting it is hardly possible weather.
    (notice,) = metar_record(PLAIN.replace("Q1016", "Q0870"), year=2026, month=5, elevation=1250.0).notices
    assert notice.code == "pressure-questioned"
    assert said(notice, "si").endswith("would be usual as station pressure at 1250\N{NO-BREAK SPACE}m.")
    # A reader of the other unit system gets all of it in those units: 1250 m are 4101 ft, 95 kPa are 28.1 inHg.
    assert "28.1\N{NO-BREAK SPACE}inHg" in said(notice, "us") and "4101\N{NO-BREAK SPACE}ft" in said(notice, "us")


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("24008KT", "24008", {"wind_speed": None, "wind_direction": None}),  # no unit: missing, not metres per second
        ("Q1016", "Q1016 BECMG 30030KT 4000 RA", {"wind_direction": 240.0, "raining": False}),  # a trend is no reading
        (
            "CAVOK",
            "CAVOK",
            {"sky": "no significant cloud, visibility 10 km or more", "raining": False, "present": None},
        ),
        ("CAVOK", "9999 VCSHRA BKN040", {"raining": False, "present": "VCSHRA", "sky": "broken clouds at 4000 feet"}),
    ],
)
def test_wind_sky_and_precipitation_are_those_of_the_station(old, new, expected):
    o = decode_metar(PLAIN.replace(old, new), year=2026, month=5)
    assert {name: getattr(o, name) for name in expected} == expected
