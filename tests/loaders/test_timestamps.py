"""Time columns of every form."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from intake_report.errors import DataError
from intake_report.loaders import RawLog, ReadOptions, read_log
from intake_report.loaders.clock import unroll_midnight

from .support import write


def read(folder: Path, times: list[str], header: str = "Time", name: str = "log.csv", **options: object) -> RawLog:
    body = "".join(f"{time};{index}\n" for index, time in enumerate(times))
    return read_log(write(folder / name, f"{header};iat [degC]\n{body}"), ReadOptions(**options))  # type: ignore[arg-type]


TEN = datetime(2025, 4, 3, 10, 0, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("texts", "options"),
    [
        (["2025-04-03T10:00:00Z", "2025-04-03T10:00:01.5Z"], {}),
        (["2025-04-03 10:00:00+00:00", "2025-04-03 10:00:01.500+00:00"], {}),
        (["2025-04-03T12:00:00+0200", "2025-04-03T12:00:01.5+0200"], {}),
        (["2025-04-03 12:00:00", "2025-04-03 12:00:01.5"], {"timezone": "Europe/Madrid"}),
        (["2025/04/03 10:00:00", "2025/04/03 10:00:01,5"], {"timezone": "UTC"}),
        (["20250403T100000Z", "20250403T100001.5Z"], {}),
        (["20250403100000", "20250403100001.5"], {"timezone": "UTC"}),
        (["03.04.2025 10:00:00", "03.04.2025 10:00:01.5"], {"timezone": "UTC"}),
        (["3-Apr-2025 10:00:00", "3-Apr-2025 10:00:01.5"], {"timezone": "UTC"}),
        (["03/04/25 10:00:00 AM", "03/04/25 10:00:01.5 AM"], {"timezone": "UTC", "day_first": True}),
        (["04/03/2025 10:00:00", "04/03/2025 10:00:01.5"], {"timezone": "UTC", "day_first": False}),
        (["1743674400", "1743674401.5"], {}),
        (["1743674400000", "1743674401500"], {}),
        (["1743674400000000", "1743674401500000"], {}),
        (["1743674400000000000", "1743674401500000000"], {}),
    ],
)
def test_instants(tmp_path: Path, texts: list[str], options: dict[str, object]) -> None:
    log = read(tmp_path, texts, **options)
    assert log.origin == TEN
    np.testing.assert_allclose(log.time, [0.0, 1.5], atol=1e-6)
    assert log.time_kind == "absolute"


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (["10:00:00", "10:00:01.5"], [36000, 36001.5]),
        (["9:59:59", "10:00:01"], [35999, 36001]),
        (["12:00:01 AM", "12:00:03 PM"], [1, 43203]),
        (["23:59:59", "00:00:01", "23:59:58"], [86399, 86401, 86398]),
        (["10:00:00:250", "10:00:00:500"], [36000.25, 36000.5]),
    ],
)
def test_clock_times(tmp_path: Path, texts: list[str], expected: list[float]) -> None:
    log = read(tmp_path, texts)
    assert log.time_kind == "clock"
    assert log.origin is None
    np.testing.assert_allclose(log.time, expected, atol=1e-9)


@pytest.mark.parametrize(
    ("header", "texts", "options", "expected"),
    [
        ("Time [ms]", ["0", "100"], {}, [0, 0.1]),
        ("Elapsed (min)", ["0", "0.5"], {}, [0, 30]),
        ("time_us", ["0", "250000"], {}, [0, 0.25]),
        ("t", ["5", "6"], {}, [5, 6]),
        ("t", ["5", "6"], {"time_unit": "ms"}, [0.005, 0.006]),
        ("Time", ["00:00:00.5", "00:00:01.0"], {}, [0.5, 1.0]),
    ],
)
def test_elapsed_times(
    tmp_path: Path, header: str, texts: list[str], options: dict[str, object], expected: list[float]
) -> None:
    log = read(tmp_path, texts, header, **options)
    assert log.time_kind == "elapsed"
    np.testing.assert_allclose(log.time, expected, atol=1e-12)


def test_the_order_of_day_and_month_is_decided_by_evidence(tmp_path: Path) -> None:
    past_midnight = ["03/04/2025 23:59:59", "04/04/2025 00:00:01"]
    log = read(tmp_path, past_midnight, timezone="UTC")
    assert log.origin == datetime(2025, 4, 3, 23, 59, 59, tzinfo=UTC)
    assert [notice.code for notice in log.notices] == ["date-order"]
    log = read(tmp_path, ["03/04/2025 10:00:00", "03/04/2025 10:00:01"], name="2025-03-04.csv", timezone="UTC")
    assert log.origin == datetime(2025, 3, 4, 10, tzinfo=UTC)
    log = read(tmp_path, ["04/04/2025 10:00:00", "04/04/2025 10:00:01"], timezone="UTC")
    assert log.origin == datetime(2025, 4, 4, 10, tzinfo=UTC)
    with pytest.raises(DataError, match="day_first"):
        read(tmp_path, ["03/04/2025 10:00:00", "03/04/2025 10:00:01"], timezone="UTC")


def test_a_separate_date_column_completes_the_clock(tmp_path: Path) -> None:
    text = "Date,Time,iat [degC]\n2025-04-03,23:59:59,1\n2025-04-04,00:00:01,2\n"
    log = read_log(write(tmp_path / "a.csv", text), ReadOptions(timezone="UTC"))
    assert log.origin == datetime(2025, 4, 3, 23, 59, 59, tzinfo=UTC)
    np.testing.assert_allclose(log.time, [0, 2])


def test_the_date_may_stand_above_the_header(tmp_path: Path) -> None:
    text = "Recorded 2025-04-03\nTime,iat [degC]\n10:00:00,1\n10:00:01,2\n"
    log = read_log(write(tmp_path / "a.csv", text), ReadOptions(timezone="UTC"))
    assert log.origin == TEN


def test_a_change_of_the_clocks_is_said(tmp_path: Path) -> None:
    # In Madrid 02:30 on 26 October 2025 exists twice: summer time ended at 03:00 (European directive 2000/84/EC).
    log = read(tmp_path, ["2025-10-26 02:30:00", "2025-10-26 02:30:01"], timezone="Europe/Madrid")
    assert any(notice.code == "clock-change" for notice in log.notices)


def test_nanoseconds_since_1970_lose_nothing(tmp_path: Path) -> None:
    log = read(tmp_path, ["1743674400000000000", "1743674400000000100"])
    np.testing.assert_allclose(log.time, [0.0, 1e-7], rtol=1e-6)


@given(st.lists(st.floats(0.001, 40_000.0), min_size=2, max_size=60), st.floats(0, 86_399.0))
def test_midnights_are_unrolled(steps: list[float], first: float) -> None:
    truth = first + np.concatenate([[0.0], np.cumsum(steps)])
    unrolled, midnights = unroll_midnight(truth % 86400.0)
    np.testing.assert_allclose(unrolled, truth, atol=1e-6)
    assert midnights == int(truth[-1] // 86400)
