"""What the user states about a text log wins, and what cannot be stated is refused."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from intake_report.errors import DataError
from intake_report.loaders import ReadOptions, read_log
from intake_report.loaders.dialect import repair_double_encoding

from .support import write

TABLE = "time [s],iat [degC]\n" + "".join(f"{i},{20 + i}\n" for i in range(20))


def test_a_stated_delimiter_that_would_not_be_guessed(tmp_path: Path) -> None:
    path = write(tmp_path / "a.txt", TABLE.replace(",", "~"))
    with pytest.raises(DataError, match="delimiter"):
        read_log(path)
    assert len(read_log(path, ReadOptions(delimiter="~")).time) == 20


def test_a_stated_header_far_down(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", "".join(f"note {i}, see above, {i}\n" for i in range(700)) + TABLE)
    with pytest.raises(DataError, match="header_line"):
        read_log(path)
    log = read_log(path, ReadOptions(header_line=701))
    assert [column.name for column in log.columns] == ["iat"] and len(log.time) == 20


@pytest.mark.parametrize(
    ("text", "options", "columns"),
    [
        ("1,20\n2,21\n3,22\n", {"header_line": 0, "time_column": "column 1"}, {"column 2": [20, 21, 22]}),
        ("time;iat\n0;20\n1;21,5\n2;22.25\n", {"decimal": ","}, {"iat": [20, 21.5, 22.25]}),
        # thousands and signs; switches; empty cells, which are no samples, while zero is one
        ('time;a;b\n0;"1,250.5";−3\n1;"2,000";+4\n2;900;4\n', {}, {"a": [1250.5, 2000, 900], "b": [-3, 4, 4]}),
        ("time,fan,iat\n0,on,1\n1,off,2\n", {}, {"fan": [1, 0]}),
        ("time,a,b\n0,,0\n1,N/A,\n2,5,--\n", {}, {"a": [np.nan, np.nan, 5], "b": [0, np.nan, np.nan]}),
        # units behind commas belong to the names before them; rows that leave empty ends out keep their columns
        ("Time, s,IAT, °C,Speed, km/h\n0,20,50\n1,21,51\n", {}, {"IAT, °C": [20, 21], "Speed, km/h": [50, 51]}),
        ("time,iat,speed\n0,20\n1,21\n2,22,50\n", {}, {"speed": [np.nan, np.nan, 50]}),
    ],
)
def test_cells_and_columns(tmp_path, text: str, options, columns: dict[str, list[float]]) -> None:
    log = read_log(write(tmp_path / "a.csv", text), ReadOptions(**options))
    for header, values in columns.items():
        np.testing.assert_array_equal(log.column(header).values, values)


def test_comma_as_stated_delimiter_and_decimal_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError):
        read_log(write(tmp_path / "a.csv", "time,iat\n0,20,5\n1,21,5\n"), ReadOptions(decimal=",", delimiter=","))


def test_absent_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="no such file"):
        read_log(tmp_path / "absent.csv")
    with pytest.raises(DataError, match="folder"):
        read_log(tmp_path)


@pytest.mark.parametrize(
    ("broken", "right"),
    [("Â°C", "°C"), ("Ã‚Â°C", "°C"), ("Ã¤", "ä"), ("°C", "°C"), ("Âge", "Âge"), ("â„ƒ", "℃"), ("plain", "plain")],
)
def test_double_encoding(broken: str, right: str) -> None:
    assert repair_double_encoding(broken) == right


def test_importing_the_readers_loads_nothing_that_only_one_of_them_needs() -> None:
    code = "import sys, intake_report.loaders; print({'asammdf', 'cantools', 'gpxpy', 'scipy'} & set(sys.modules))"
    assert subprocess.check_output([sys.executable, "-c", code], text=True) == "set()\n"
