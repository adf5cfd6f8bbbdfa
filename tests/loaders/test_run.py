"""Runs from logs: mapping, units, parts, dates, and messages that name the nearest right thing."""

import tomllib
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from pyarrow import parquet

from intake_report import loaders
from intake_report.errors import DataError
from intake_report.loaders import ReadOptions, format_mapping, load_run, propose_mapping, read_log
from intake_report.loaders.dialect import split_header, words
from intake_report.messages import said
from intake_report.weather import station_table

from .support import write

LOG = "Time [s],Intake Air Temp (F),Speed [mph],Boost [psi]\n0,77,60,1\n1,-40,0,2\n2,,30,3\n"


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return write(tmp_path / "log.csv", LOG)


def test_units_are_converted_once(log: Path) -> None:
    run = load_run("a", [log], {"Intake Air Temp (F)": "iat", "speed": "speed [mph]"})
    # 77 °F is 25 °C and −40 °F is −40 °C exactly; 60 mile of 1609.344 m (international mile).
    np.testing.assert_allclose(run.frame["iat"], [25.0, -40.0, np.nan], rtol=0, atol=1e-12)
    np.testing.assert_allclose(run.frame["speed"], [96.56064, 0.0, 48.28032], atol=1e-9)
    assert list(run.frame.index) == [0.0, 1.0, 2.0] and run.frame.index.name == "time"
    assert run.frame.dtypes.eq("float64").all() and run.start is None


def test_a_unit_of_the_mapping_wins_and_is_said(log: Path) -> None:
    run = load_run("a", [log], {"Speed": "speed [km/h]"})
    assert run.frame["speed"].iloc[0] == 60.0
    assert any(notice.code == "unit-stated" for notice in run.notices)


@pytest.mark.parametrize(
    ("mapping", "text"),
    [
        ({"Intake Air Tmp": "iat"}, "Did you mean “Intake Air Temp (F)”?"),
        ({"Speed": "sped"}, "Did you mean “speed”?"),
        ({"Speed": "speed [mphh]"}, "unit “mphh” is not known"),
        ({"Speed": "iat [mph]"}, "does not measure a temperature"),
        ({"Boost": "iat"}, "cannot be iat: the unit “psi” does not measure a temperature"),
        ({"Speed": "speed in mph"}, "no channel “speed in mph”. Did you mean “speed”?"),
        ({}, "intake-report check"),
    ],
)
def test_wrong_mappings_name_the_nearest_right_thing(log: Path, mapping: dict[str, str], text: str) -> None:
    with pytest.raises(DataError) as caught:
        load_run("a", [log], mapping)
    assert text in str(caught.value) and "log.csv" in str(caught.value)


def test_a_column_without_unit_asks_for_it(tmp_path: Path) -> None:
    path = write(tmp_path / "log.csv", "time [s],iat\n0,20\n1,21\n")
    with pytest.raises(DataError, match="State the unit"):
        load_run("a", [path], {"iat": "iat"})
    assert load_run("a", [path], {"iat": "iat [degC]"}).frame["iat"].iloc[1] == 21.0


def test_elapsed_parts_follow_one_another(tmp_path: Path) -> None:
    first = write(tmp_path / "a.csv", "time [s],iat [degC]\n5,20\n6,21\n7,22\n")
    later = write(tmp_path / "b.csv", "time [s],iat [degC]\n8,23\n9,24\n")
    again = write(tmp_path / "c.csv", "time [s],iat [degC]\n0,25\n1,26\n")
    assert list(load_run("a", [first, later], {"iat": "iat"}).frame.index) == [0, 1, 2, 3, 4]
    run = load_run("a", [first, again], {"iat": "iat"})
    assert list(run.frame.index) == [0, 1, 2, 3, 4]
    assert any(notice.code == "parts-without-clock" for notice in run.notices)


def test_clock_parts_pass_midnight_and_take_the_date_of_the_run(tmp_path: Path) -> None:
    first = write(tmp_path / "a.csv", "time,iat [degC]\n23:59:50.000,20\n23:59:55.500,21\n")
    later = write(tmp_path / "b.csv", "time,iat [degC]\n00:00:10.000,22\n00:00:20.000,23\n")
    run = load_run("a", [first, later], {"iat": "iat"})
    assert run.start is None
    np.testing.assert_allclose(run.frame.index, [0, 5.5, 20, 30])
    start = datetime(2025, 5, 2, 21, 59, tzinfo=UTC)
    one = load_run("a", [first], {"iat": "iat"}, ReadOptions(timezone="Europe/Madrid"), start=start)
    assert one.start.to_pydatetime() == datetime(2025, 5, 2, 21, 59, 50, tzinfo=UTC)  # 23:59:50 local, summer time


def test_absolute_and_elapsed_parts_do_not_mix_and_a_start_that_differs_is_said(tmp_path: Path) -> None:
    first = write(tmp_path / "a.csv", "time,iat [degC]\n2025-05-02T10:00:00Z,20\n2025-05-02T10:00:01Z,21\n")
    later = write(tmp_path / "b.csv", "time [s],iat [degC]\n0,22\n1,23\n")
    with pytest.raises(DataError, match="count time differently"):
        load_run("a", [first, later], {"iat": "iat"})
    run = load_run("a", [first], {"iat": "iat"}, start=datetime(2025, 5, 3, 10, tzinfo=UTC))
    assert [notice.code for notice in run.notices] == ["start-differs"]
    assert run.start is not None and run.start.day == 2


def test_the_stated_date_is_that_of_the_first_sample(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", "time,iat [degC]\n23:59:58,20\n00:00:01,21\n")
    log = read_log(path, ReadOptions(date=date(2024, 12, 31), timezone="UTC"))
    assert log.origin == datetime(2024, 12, 31, 23, 59, 58, tzinfo=UTC)
    np.testing.assert_allclose(log.time, [0, 3])


@pytest.mark.parametrize(
    ("header", "name", "unit"),
    [
        ("Intake Temperature [°C]", "Intake Temperature", "°C"),
        ("Intake Temperature [Â°C]", "Intake Temperature", "°C"),
        ("IAT (F)", "IAT", "F"),
        ("Speed, km/h", "Speed", "km/h"),
        ("speed_kph", "speed", "kph"),
        ("Bank 1 (upstream)", "Bank 1 (upstream)", None),
        ("Engine RPM", "Engine RPM", "RPM"),
        ("Speed km/h", "Speed", "km/h"),
        ("Throttle in", "Throttle in", None),
        ("pedal_d", "pedal_d", None),
        ("GPS VDOP [precision]", "GPS VDOP", "precision"),
        ('"Throttle  (%)"', "Throttle", "%"),
        ("", "", None),
    ],
)
def test_headers_are_split_into_name_and_unit(header: str, name: str, unit: str | None) -> None:
    assert split_header(header) == (name, unit)


def test_words_of_a_name() -> None:
    assert words("cycSecs") == ("cyc", "secs") and words("GPSSpeed_kmh") == ("gps", "speed", "kmh")


def test_two_columns_for_one_channel_lower_the_confidence(tmp_path: Path) -> None:
    text = "time [s],Intake Air Temperature 1 [degC],Intake Air Temperature 2 [degC]\n0,20,30\n1,20,30\n"
    (proposal,) = propose_mapping(read_log(write(tmp_path / "a.csv", text)))
    assert proposal.channel == "iat" and not proposal.certain
    assert "fits nearly as well" in said(proposal.reason, "si")


SECONDS = np.arange(400.0)
RPM, MANIFOLD = np.round(1800 + 900 * np.sin(SECONDS / 11.0)), np.round(55 + 30 * np.sin(SECONDS / 23.0 + 1.0))
AIRFLOW = np.round(1.5 * RPM / 120 * 1.2 * MANIFOLD / 100, 2)  # [g/s] of a 1.5 l engine at 1.2 kg/m³ and 100 kPa


def made_log(path: Path, columns: dict[str, np.ndarray]) -> Path:
    """Write the drive's time, engine speed and manifold pressure, and more columns by header."""
    own = {"time [s]": SECONDS, "Engine RPM [rpm]": RPM, "Intake manifold pressure [kPa]": MANIFOLD}
    return write(path, pd.DataFrame(own | columns).to_csv(index=False, float_format="%g"))


def test_two_columns_of_one_channel_are_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", "time [s],Speed 1 [km/h],Speed 2 [km/h]\n0,1,2\n1,1,2\n")
    with pytest.raises(DataError, match=r'columns\."Speed 2 \[km/h\]".*mapped to speed too'):
        load_run("a", [path], {"Speed 1 [km/h]": "speed", "Speed 2 [km/h]": "speed"})


@pytest.mark.parametrize(
    ("options", "name", "what"),
    [
        (ReadOptions(timezone="Nowhere/Land"), "a.csv", "There is no time zone “Nowhere/Land”"),
        (ReadOptions(format="table"), "a.csv", "There is no log format “table”"),
        (ReadOptions(format="parquet"), "b.parquet", "There is no such file"),
        (ReadOptions(format="mdf4"), ".", "This is a folder"),
    ],
)
def test_options_that_fit_nothing_are_said(tmp_path: Path, options: ReadOptions, name: str, what: str) -> None:
    write(tmp_path / "a.csv", "time,Speed [km/h]\n2025-05-02 10:00:00,1\n2025-05-02 10:00:01,2\n")
    with pytest.raises(DataError, match=what):
        read_log(tmp_path / name, options)


def test_columns_of_lists_are_left_out_of_a_typed_table(tmp_path: Path) -> None:
    table = pa.table({"time": [0.0, 1.0], "speed": [1.0, 2.0], "frames": [[1, 2], [3]]})
    parquet.write_table(table, tmp_path / "a.parquet")
    log = read_log(tmp_path / "a.parquet")
    assert [column.name for column in log.columns] == ["speed"]
    assert any(notice.code == "text-columns" for notice in log.notices)


def test_of_two_airflows_the_one_that_is_full_and_moves_is_proposed(tmp_path: Path) -> None:
    columns = {
        "Mass air flow [l/s]": np.where(SECONDS % 50 == 0, np.nan, AIRFLOW / 1.2),
        "Calculated mass air flow [g/s]": np.where(SECONDS % 80 == 0, 3 + SECONDS % 7, np.nan),
    }
    path = made_log(tmp_path / "a.csv", columns)
    (maf,) = [p for p in propose_mapping(read_log(path)) if p.channel == "maf"]
    assert maf.header == "Mass air flow [l/s]" and not maf.certain
    reason = said(maf.reason, "si").replace("\N{NO-BREAK SPACE}", " ")
    assert "l/s is no unit of mass flow" in reason and "98 %" in reason
    assert "“Calculated mass air flow [g/s]” is passed over" in reason and "only 1.2 % of its rows" in reason
    with pytest.raises(DataError, match=r"volume flow.*density"):
        load_run("a", [path], {maf.header: "maf"})


@pytest.mark.parametrize("order", [1, -1])
def test_content_decides_between_equal_words(tmp_path: Path, order: int) -> None:
    shuffled = np.random.default_rng(1).permutation(AIRFLOW)
    pair = [("Airflow 1 [g/s]", shuffled), ("Airflow 2 [g/s]", AIRFLOW)][::order]
    log = read_log(made_log(tmp_path / "a.csv", dict(pair)))
    (maf,) = [p for p in propose_mapping(log) if p.channel == "maf"]
    assert maf.header == "Airflow 2 [g/s]" and maf.certain
    assert "correlation 1.00 with engine speed × manifold pressure" in said(maf.reason, "si")


def test_a_speed_that_never_changes_is_doubted(tmp_path: Path) -> None:
    rows = "".join(f"{i},0,{20 + i % 3}\n" for i in range(50))
    log = read_log(write(tmp_path / "a.csv", "time [s],Vehicle speed [km/h],Intake temperature [degC]\n" + rows))
    assert {p.channel: p.certain for p in propose_mapping(log)} == {"speed": False, "iat": True}


def test_columns_of_the_weather_are_proposed_as_a_weather_table(tmp_path: Path) -> None:
    head = "Time,Speed [km/h],Relative Humidity [%],Wind Speed [m/s],Wind Direction [deg],Station Pressure [hPa]\n"
    rows = "".join(f"2025-05-02T10:00:{i:02d}Z,{50 + i},61,3.5,270,1003\n" for i in range(20))
    log = read_log(write(tmp_path / "a.csv", head + rows))
    assert "humidity" not in {p.channel for p in propose_mapping(log)}
    (source,) = tomllib.loads(loaders.propose_weather(log, "logs/a.csv"))["weather"]
    assert source["columns"] == {
        "Time": "time",
        "Relative Humidity [%]": "humidity [%]",
        "Wind Speed [m/s]": "wind_speed [m/s]",
        "Wind Direction [deg]": "wind_direction [deg]",
        "Station Pressure [hPa]": "station_pressure [hPa]",
    }
    (first, *_) = station_table(log.path, source["columns"], source=source["id"]).observations
    assert first.humidity == pytest.approx(61.0)


def test_the_printed_mapping_is_toml_to_paste(tmp_path: Path) -> None:
    text = 'time [s],"Intake ""A"" Air Temperature [°C]",Vehicle Speed [km/h],Airflow [l/s]\n0,20,30,4\n1,20,30,4\n'
    log = read_log(write(tmp_path / "a.csv", text))
    printed = format_mapping(propose_mapping(log))
    columns = tomllib.loads(printed)["log"]["columns"]
    assert columns["Vehicle Speed [km/h]"] == "speed [km/h]"
    assert "maf" not in " ".join(columns.values())
    assert '# "Airflow [l/s]" = "maf [g/s]"' in printed  # l/s is no mass flow: for the user to decide
    assert load_run("a", [log.path], columns).frame["speed"].iloc[0] == 30.0
