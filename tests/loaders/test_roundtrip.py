"""Write a log in any dialect, read it back the same."""

import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from intake_report.loaders import RawLog, ReadOptions, read_log

from .support import columnar, packed


class Dialect(NamedTuple):
    delimiter: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    line_end: str = "\n"
    packed: str = ""
    time: str = "iso"
    units: str = "row"
    preamble: int = 0
    quoted: bool = False
    trailing: bool = False


DIALECTS = st.builds(
    lambda signs, *rest: Dialect(*signs, *rest),
    st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), ("|", "."), ("|", ",")]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from(["", ".gz", ".zip", ".zst"]),
    st.sampled_from(["elapsed", "ms", "iso", "iso offset", "epoch", "clock", "day first", "two columns"]),
    st.sampled_from(["brackets", "parentheses", "comma", "row", "none"]),
    st.integers(0, 4),
    st.booleans(),
    st.booleans(),
)


ORIGIN = datetime(2025, 5, 23, 22, 58, 7, 250_000, tzinfo=UTC)
NAMES = ("Intake Air Temperature", "Vehicle Speed", "Airflow")
UNITS = ("°C", "km/h", "g/s")

cells = st.one_of(st.none(), st.floats(-999, 999, allow_nan=False).map(lambda v: round(v, 3)))
tables = st.lists(st.tuples(cells, cells, cells), min_size=2, max_size=40)


def times(count: int) -> np.ndarray:
    return np.round(np.arange(count) * 90.125, 3)  # passes midnight after 42 rows, hours before


def time_cells(seconds: float, dialect: Dialect) -> list[str]:
    at = ORIGIN + timedelta(seconds=float(seconds))
    stamp = f"{at:%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03d}"
    local = at + timedelta(hours=2)
    forms = {
        "elapsed": f"{seconds:.3f}".replace(".", dialect.decimal),
        "ms": f"{seconds * 1000:.0f}",
        "iso": stamp,
        "iso offset": f"{local:%Y-%m-%dT%H:%M:%S}.{local.microsecond // 1000:03d}+02:00",
        "epoch": f"{round(at.timestamp() * 1000)}",
        "clock": stamp[11:],
        "day first": f"{at:%d/%m/%Y %H:%M:%S}.{at.microsecond // 1000:03d}",
    }
    return [forms[dialect.time]] if dialect.time in forms else [f"{at:%Y-%m-%d}", stamp[11:]]


def headers(dialect: Dialect) -> tuple[list[str], list[str] | None]:
    unit = {"elapsed": "s", "ms": "ms"}.get(dialect.time)
    first = {"two columns": ["Date", "Time"], "epoch": ["Timestamp"]}.get(dialect.time, ["Time"])
    labels = [*first, *NAMES]
    units = [""] * (len(first) - 1) + [unit or "", *UNITS]
    if dialect.units == "row":
        return labels, units
    forms = {"brackets": "{} [{}]", "parentheses": "{} ({})", "comma": "{}, {}", "none": "{}"}
    form = dict.fromkeys(labels, forms[dialect.units])
    if dialect.units == "none":
        form["Time"] = forms["brackets"]
    return [form[label].format(label, u) if u else label for label, u in zip(labels, units, strict=True)], None


def quoted(cell: str, dialect: Dialect) -> str:
    needs = dialect.quoted or dialect.delimiter in cell
    return f'"{cell}"' if needs and cell else cell


def write_text(folder: Path, rows: list[tuple[float | None, ...]], dialect: Dialect) -> Path:
    names, units = headers(dialect)
    lines = [f"Recorder line {n}" for n in range(dialect.preamble)]
    tail = dialect.delimiter if dialect.trailing else ""
    lines.append(dialect.delimiter.join(quoted(name, dialect) for name in names) + tail)
    if units is not None:
        lines.append(dialect.delimiter.join(units) + tail)
    for seconds, row in zip(times(len(rows)), rows, strict=True):
        values = ["" if cell is None else f"{cell:.3f}".replace(".", dialect.decimal) for cell in row]
        cells = [*time_cells(seconds, dialect), *values]
        lines.append(dialect.delimiter.join(quoted(cell, dialect) for cell in cells) + tail)
    data = (dialect.line_end.join(lines) + dialect.line_end).encode(dialect.encoding)
    return packed(folder / f"run_2025-05-23.csv{dialect.packed}", data)


def same(log: RawLog, rows: list[tuple[float | None, ...]], dialect: Dialect) -> None:
    expected = np.array([[np.nan if cell is None else cell for cell in row] for row in rows], dtype=float)
    np.testing.assert_allclose(log.time - log.time[0], times(len(rows)), atol=2e-6)
    assert [column.name for column in log.columns] == list(NAMES)
    assert [column.unit for column in log.columns] == [None if dialect.units == "none" else unit for unit in UNITS]
    for index, column in enumerate(log.columns):
        np.testing.assert_allclose(column.values, expected[:, index], atol=1e-9)
    if dialect.time in ("elapsed", "ms"):
        assert log.origin is None and log.time_kind == "elapsed"
    else:
        assert log.origin is not None and abs((log.origin - ORIGIN).total_seconds()) < 1e-3


@given(rows=tables, dialect=DIALECTS)
@settings(max_examples=150)
def test_any_dialect_is_read_back_the_same(rows: list[tuple[float | None, ...]], dialect: Dialect) -> None:
    with tempfile.TemporaryDirectory() as folder:
        same(read_log(write_text(Path(folder), rows, dialect), ReadOptions(timezone="UTC")), rows, dialect)


@given(rows=tables, form=st.sampled_from(["parquet", "arrow", "stream"]), absolute=st.booleans())
@settings(max_examples=30)
def test_columnar_files_are_read_back_the_same(rows: list[tuple[float | None, ...]], form: str, absolute: bool) -> None:
    seconds = times(len(rows))
    stamps = [ORIGIN + timedelta(seconds=float(s)) for s in seconds]
    time = pa.array(stamps, pa.timestamp("us", "UTC")) if absolute else pa.array(seconds)
    columns = [pa.array([row[index] for row in rows], pa.float64()) for index in range(3)]
    fields = [pa.field("time", time.type, metadata=None if absolute else {"unit": "s"})]
    fields += [pa.field(name, pa.float64(), metadata={"unit": unit}) for name, unit in zip(NAMES, UNITS, strict=True)]
    table = pa.table([time, *columns], schema=pa.schema(fields))
    dialect = Dialect(time="iso" if absolute else "elapsed")
    with tempfile.TemporaryDirectory() as folder:
        same(read_log(columnar(Path(folder) / f"log.{form}", table)), rows, dialect)


@given(rows=tables, together=st.booleans())
@settings(max_examples=8)
def test_mdf_4_is_read_back_the_same(rows: list[tuple[float | None, ...]], together: bool) -> None:
    asammdf = pytest.importorskip("asammdf", reason="the extra mdf is not installed")
    rows = [tuple(0.0 if cell is None else cell for cell in row) for row in rows]  # MDF has no empty cells
    seconds = times(len(rows))
    signals = [
        asammdf.Signal(np.array([row[index] for row in rows]), seconds, name=name, unit=unit)
        for index, (name, unit) in enumerate(zip(NAMES, UNITS, strict=True))
    ]
    with tempfile.TemporaryDirectory() as folder:
        recording = asammdf.MDF(version="4.10")
        recording.start_time = ORIGIN
        for group in [signals] if together else [[signal] for signal in signals]:
            recording.append(group)
        path = recording.save(Path(folder) / "log.mf4", overwrite=True)
        recording.close()
        log = read_log(Path(path))
    same(log, rows, Dialect())
