"""Station tables and handheld readings: mapping, units, times, refusals; pressures that contradict their kind."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from intake_report import air
from intake_report.errors import DataError
from intake_report.messages import said
from intake_report.weather import WeatherObservation, compare_pressures, handheld_record, station_table
from intake_report.weather.observations import completed

COLUMNS = {"Date_Time": "time", "Temp": "temperature [degF]", "RH": "humidity [%]", "Baro": "station_pressure [inHg]"}
TABLE = """Date_Time,Temp,RH,Baro
2026-05-12T14:00+02:00,80.6,40,28.02
2026-05-12T14:10+02:00,82.4,39,28.01
"""
NOON = pd.Timestamp("2026-05-12 12:00Z")


def test_units_are_converted_and_dew_point_completed():
    record = station_table(TABLE, COLUMNS, source="roof", elevation=550.0, resolution=0.1)
    first, second = record.observations
    assert first.time == pd.Timestamp("2026-05-12 12:00Z")
    assert first.temperature == pytest.approx(27.0) and second.temperature == pytest.approx(28.0)
    assert first.station_pressure == pytest.approx(28.02 * 3.386388640341)
    assert first.dew_point == pytest.approx(air.dew_point(27.0, 40.0), abs=1e-6)
    assert first.wind_speed is None and first.raining is None
    assert (first.resolution, record.kind, record.notices) == (0.1, "station", ())


def test_every_quantity():
    columns = {
        "t": "time [s]", "a": "temperature [degC]", "d": "dew-point [degC]", "q": "altimeter [hPa]", "w": "wind_speed [m/s]",
        "g": "wind_gust [kt]", "dir": "wind_direction [deg]", "r": "rain [in]", "s": "sky",
    }  # fmt: skip
    text = "t;a;d;q;w;g;dir;r;s\n1778587200;20,0;10,0;1013;5;20;270;0,1;few clouds\n1778588200;21;10;1013;--;;;0;\n"
    first, second = station_table(text, columns, source="s", elevation=500.0).observations
    assert first.time == pd.Timestamp(1778587200, unit="s", tz="UTC")
    assert first.station_pressure == pytest.approx(air.station_pressure(101.3, 500.0))
    assert first.pressure == pytest.approx(101.3)
    assert first.wind_speed == pytest.approx(18.0) and first.wind_gust == pytest.approx(37.04)
    assert (first.wind_direction, first.sky, first.raining) == (270.0, "few clouds", True)
    assert (second.wind_speed, second.sky, second.raining) == (None, None, False)
    assert first.humidity == pytest.approx(air.relative_humidity(20.0, 10.0))


def test_sea_level_pressure_is_reduced_with_the_temperature():
    columns = {"t": "time", "a": "temperature [degC]", "p": "sea_level_pressure [hPa]"}
    text = "t,a,p\n2026-05-12T12:00Z,17.19,1024.84\n2026-05-12T13:00Z,,1024.84\n"
    record = station_table(text, columns, source="s", elevation=105.0)
    assert record.observations[0].station_pressure == pytest.approx(101.2265, abs=1e-3)
    assert record.observations[1].station_pressure is None
    assert "pressure-not-reduced" in {n.code for n in record.notices}


def test_file_in_latin_1_with_a_date_column(tmp_path):
    path = tmp_path / "station.csv"
    path.write_bytes("Tag\tZeit\tLuft °C\n2026-05-12\t14:00\t19.5\n\n2026-05-12\t14:30\t---\n".encode("latin-1"))
    columns = {"Tag": "date", "Zeit": "time", "Luft °C": "temperature [degC]"}
    record = station_table(path, columns, source="s", timezone="Europe/Madrid")
    assert record.observations[0].time == pd.Timestamp("2026-05-12 12:00Z")
    assert [o.temperature for o in record.observations] == [19.5, None]


@pytest.mark.parametrize(
    ("text", "change", "says", "where", "remedy"),
    [
        (TABLE, {"Temp": None, "Tmp": "temperature [degF]"}, "no column “Tmp”", "line 1", "“Temp”"),
        (TABLE, {"Baro": "pressure [inHg]"}, "no quantity", None, "Declare the kind"),
        (TABLE, {"Baro": "qnh [inHg]"}, "no quantity", None, "Declare the kind"),
        (TABLE, {"RH": "humidty [%]"}, "no quantity", None, "“humidity”"),
        (TABLE, {"Temp": "temperature"}, "without a unit", None, "temperature [degC]"),
        (TABLE, {"Temp": "temperature [hPa]"}, "does not measure a temperature", None, ""),
        (TABLE, {"Temp": "temperature [furlong]"}, "not known", None, ""),
        (TABLE, {"RH": "temperature [degF]"}, "two columns are mapped to temperature", None, "one column"),
        (TABLE, {"Date_Time": None}, "no column is mapped to time", None, "Map the column"),
        (TABLE, {"RH": "altimeter [inHg]"}, "more than one pressure", None, "station pressure"),
        (TABLE.replace(",39,", ",104,"), {}, "humidity of 104 %", "line 3", "unit"),
        (TABLE.replace("82.4", "82.4.1"), {}, "“82.4.1” in the column “Temp” is not a number", "line 3", "Correct"),
        (TABLE.replace("82.4", '"82,4"'), {}, "is not a number", "line 3", "comma"),
        (TABLE.replace("82.4", "1_0"), {}, "is not a number", "line 3", "Correct"),
        (TABLE.replace("82.4", "inf"), {}, "is not a number", "line 3", "Correct"),
        (TABLE.replace("82.4", "300"), {}, "temperature of 148.889 °C is impossible", "line 3", "unit"),
        (TABLE, {"Baro": "station_pressure [hPa]"}, "pressure of 2.802 kPa is impossible", "line 2", "unit"),
        (TABLE.replace("T14:10+02:00", "T14:10"), {}, "has no time zone", "line 3", "time zone"),
        (TABLE.replace("T14:10+02:00", "T14:99+02:00"), {}, "cannot be read as ISO 8601", "line 3", "format"),
        (TABLE.replace(",39,28.01", ""), {}, "too few for the column “RH”", "line 3", "row"),
        (TABLE.splitlines()[0], {}, "header but no row", None, "one row"),
        ("", {}, "file is empty", None, ""),
    ],
)
def test_bad_tables_get_one_clear_sentence(tmp_path, text, change, says, where, remedy):
    columns = {k: v for k, v in (COLUMNS | change).items() if v is not None}
    path = tmp_path / "table.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DataError) as caught:
        station_table(path, columns, source="roof", elevation=550.0)
    assert says in caught.value.what
    assert caught.value.file == str(path)
    assert where is None or caught.value.where == where
    assert remedy in (caught.value.remedy or "")


@pytest.mark.parametrize("clock, says", [("2026-10-25 02:30", "exists twice"), ("2026-03-29 02:30", "does not exist")])
def test_clock_change(clock, says):
    columns = {"t": "time", "a": "temperature [degC]"}
    with pytest.raises(DataError, match=says) as caught:
        station_table(f"t,a\n{clock},20\n", columns, source="s", timezone="Europe/Madrid")
    assert caught.value.where == "line 2"


@pytest.mark.parametrize("clock", ["1e20", "-1e13"])
def test_epoch_time_outside_the_calendar(clock):
    with pytest.raises(DataError, match="outside the calendar"):
        station_table(f"T,C\n{clock},20\n", {"T": "time [s]", "C": "temperature [degC]"}, source="roof")


def test_time_in_no_year_of_ours():
    with pytest.raises(DataError, match="the year 1 is not one of"):
        station_table("T,C\n0001-01-01T00:00+05:00,20\n", {"T": "time", "C": "temperature [degC]"}, source="roof")


def test_absent_file(tmp_path):
    with pytest.raises(DataError, match="There is no such file"):
        station_table(tmp_path / "none.csv", COLUMNS, source="s")
    with pytest.raises(DataError, match="no row"):
        station_table("", COLUMNS, source="s")


ROW = st.tuples(st.none() | st.floats(-40, 55).map(lambda v: round(v, 2)), st.none() | st.floats(1, 100))


@given(
    st.dictionaries(st.integers(0, 10_000), ROW, min_size=1, max_size=12),
    st.sampled_from([",.", ";.", ";,", "\t,", "|."]),
    st.randoms(use_true_random=False),
)
def test_any_table_comes_back(rows, marks, order):
    delimiter, decimal = marks
    minutes = list(rows)
    order.shuffle(minutes)
    base = pd.Timestamp("2026-05-12 00:00Z")
    lines = [delimiter.join(["when", "air", "rh"])]
    for minute in minutes:
        cells = ["" if value is None else repr(value).replace(".", decimal) for value in rows[minute]]
        lines.append(delimiter.join([(base + pd.Timedelta(minutes=minute)).isoformat(), *cells]))
    columns = {"when": "time", "air": "temperature [degC]", "rh": "humidity [%]"}
    record = station_table("\n".join(lines), columns, source="s")
    assert [o.time for o in record.observations] == [base + pd.Timedelta(minutes=m) for m in sorted(rows)]
    assert [(o.temperature, o.humidity) for o in record.observations] == [rows[m] for m in sorted(rows)]


@pytest.mark.parametrize(
    ("pressure", "elevation", "kind", "questioned"),
    [
        (101.3, 1500.0, "station", True),
        (101.3, 500.0, "station", True),
        (101.3, 200.0, "station", False),  # below about 400 m the value alone cannot tell
        (84.6, 1500.0, "station", False),
        (101.3, 1500.0, "altimeter", False),
    ],
)
def test_sea_level_pressure_given_as_station_pressure_is_questioned(pressure, elevation, kind, questioned):
    o = completed(WeatherObservation(NOON, pressure=pressure, pressure_kind=kind), elevation)
    assert [n.code for n in o.notices] == ["pressure-questioned"] * questioned
    for notice in o.notices:
        text = said(notice, "si")
        assert "reduced to sea level" in text and f"{elevation:g}\N{NO-BREAK SPACE}m" in text
        assert o.station_pressure == pressure  # questioned, not changed


def test_two_sources_reveal_what_one_value_cannot():
    times = pd.date_range("2026-05-12 10:00", periods=3, freq="h", tz="UTC")

    def record(name, pressure, elevation):
        readings = [WeatherObservation(t, 20.0, pressure=pressure, pressure_kind="station") for t in times]
        return handheld_record(name, readings, elevation=elevation)

    right = record("a", float(air.station_pressure(101.3, 200.0)), 200.0)
    notice = compare_pressures(record("b", 101.3, 200.0), right)
    # 200 m are 2.35 % of pressure in the standard atmosphere (ISO 2533), 2.4 kPa.
    assert notice is not None and notice.code == "pressures-differ"
    expected = 101.3 * (101.325 / air.isa_pressure(200.0) - 1.0)
    assert notice.value("difference").number == pytest.approx(expected, abs=0.05)
    for reduced, agree in ((101.7, True), (101.9, False)):  # 0.4 and 0.6 kPa apart, in either order
        pair = right, record("c", float(air.station_pressure(reduced, 350.0)), 350.0)
        assert [compare_pressures(*some) is None for some in (pair, pair[::-1])] == [agree, agree]
    assert compare_pressures(right, handheld_record("d", [WeatherObservation(times[0], 20.0)])) is None


def test_handheld_readings_and_their_errors():
    readings = [WeatherObservation(NOON + pd.Timedelta(hours=1), 28.4), WeatherObservation(NOON, 27.9)]
    record = handheld_record("probe", readings, resolution=0.1)
    assert next((o.time, o.temperature) for o in record.observations) == (NOON, 27.9)
    assert record.resolution == 0.1
    with pytest.raises(DataError, match="kind of the pressure") as caught:
        handheld_record("probe", [WeatherObservation(NOON, 28.4, pressure=95.0)])
    assert caught.value.where == "probe, reading 1"
    with pytest.raises(DataError, match="no observation"):
        handheld_record("probe", [])


def test_humidity_and_dew_point_that_contradict():
    o = completed(WeatherObservation(NOON, 20.0, dew_point=10.0, humidity=90.0), None)
    assert ([n.code for n in o.notices], o.humidity) == (["humidity-contradicts-dew-point"], 90.0)
    # fog by rounding is saturated, more is refused
    assert completed(WeatherObservation(NOON, 9.8, dew_point=10.0), None).humidity == pytest.approx(100.0)
    with pytest.raises(DataError, match="above the temperature"):
        completed(WeatherObservation(NOON, 9.0, dew_point=10.0), None)


@pytest.mark.parametrize(
    ("cells", "unit", "step"),
    [
        (("20.5", "21.0"), "degC", 0.1),
        (("20", "21"), "degC", 1.0),
        (("70", "71"), "degF", 5.0 / 9.0),
        (("20,25", "21,0"), "degC", 0.01),
        (("", "-"), "degC", None),
    ],
)
def test_the_step_of_the_reading_is_the_last_decimal_written(cells, unit, step):
    text = "\n".join(["t;a", *(f"2026-05-12T{10 + k}:00Z;{cell}" for k, cell in enumerate(cells))])
    columns = {"t": "time", "a": f"temperature [{unit}]"}
    assert station_table(text, columns, source="s").resolution == pytest.approx(step)
    assert station_table(text, columns, source="s", resolution=0.3).resolution == 0.3
