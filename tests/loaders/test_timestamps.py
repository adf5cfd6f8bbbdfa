"""Time columns of every form."""

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from intake_report.errors import DataError
from intake_report.loaders import RawLog, ReadOptions, read_log
from intake_report.loaders.times import unroll_midnight
from intake_report.messages import said

from .support import write


def read(folder: Path, times: list[str], header: str = "Time", name: str = "log.csv", **options: object) -> RawLog:
    body = "".join(f"{time};{index}\n" for index, time in enumerate(times))
    return read_log(write(folder / name, f"{header};iat [degC]\n{body}"), ReadOptions(**options))  # type: ignore[arg-type]


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
    assert log.origin == datetime(2025, 4, 3, 10, tzinfo=UTC) and log.time_kind == "absolute"
    np.testing.assert_allclose(log.time, [0.0, 1.5], atol=1e-6)


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
    assert log.time_kind == "clock" and log.origin is None
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
def test_elapsed_times(tmp_path, header: str, texts: list[str], options, expected: list[float]) -> None:
    log = read(tmp_path, texts, header, **options)
    assert log.time_kind == "elapsed"
    np.testing.assert_allclose(log.time, expected, atol=1e-12)


def test_the_order_of_day_and_month_is_decided_by_evidence(tmp_path: Path) -> None:
    log = read(tmp_path, ["03/04/2025 10:00:00", "03/04/2025 10:00:01"], name="2025-03-04.csv", timezone="UTC")
    assert log.origin == datetime(2025, 3, 4, 10, tzinfo=UTC)
    assert [notice.code for notice in log.notices] == ["date-order"]
    log = read(tmp_path, ["04/04/2025 10:00:00", "04/04/2025 10:00:01"], timezone="UTC")
    assert log.origin == datetime(2025, 4, 4, 10, tzinfo=UTC)
    with pytest.raises(DataError, match="day_first"):
        read(tmp_path, ["03/04/2025 10:00:00", "03/04/2025 10:00:01"], timezone="UTC")


@pytest.mark.parametrize(
    ("text", "start", "second"),
    [
        ("Date,Time,iat [degC]\n2025-04-03,23:59:59,1\n2025-04-04,00:00:01,2\n", "2025-04-03T23:59:59+00:00", 2),
        ("Recorded 2025-04-03\nTime,iat [degC]\n10:00:00,1\n10:00:01,2\n", "2025-04-03T10:00:00+00:00", 1),
    ],
)
def test_the_date_may_stand_in_a_column_of_its_own_or_above_the_header(tmp_path: Path, text, start, second) -> None:
    log = read_log(write(tmp_path / "a.csv", text), ReadOptions(timezone="UTC"))
    assert log.origin == datetime.fromisoformat(start)
    np.testing.assert_allclose(log.time, [0, second])


# Summer time of the European Union ends and begins at 01:00 UTC on the last Sundays of October and March (directive
# 2000/84/EC), when clocks in Madrid go from 03:00 to 02:00 and from 02:00 to 03:00; Lord Howe Island moves by half an hour at
# 02:00 local time on the first Sunday of April (IANA tz database).
@pytest.mark.parametrize(
    ("zone", "instants"),
    [
        ("Europe/Madrid", ["2025-10-26T00:40:00", "2025-10-26T00:59:50", "2025-10-26T01:00:10", "2025-10-26T02:10:00"]),
        ("Europe/Madrid", ["2025-10-26T00:30:00", "2025-10-26T00:59:50", "2025-10-26T01:00:10", "2025-10-26T01:30:00"]),
        ("Europe/Madrid", ["2025-10-25T23:50:00", "2025-10-26T00:10:00", "2025-10-26T00:30:00"]),
        ("Europe/Madrid", ["2025-10-26T01:30:00", "2025-10-26T01:50:00", "2025-10-26T02:10:00"]),
        ("Europe/Madrid", ["2025-03-30T00:50:00", "2025-03-30T00:59:59", "2025-03-30T01:00:01", "2025-03-30T01:20:00"]),
        ("Australia/Lord_Howe", ["2025-04-05T14:50:00", "2025-04-05T14:59:50", "2025-04-05T15:00:10"]),
    ],
)
def test_every_row_has_the_offset_in_force_at_its_time(tmp_path: Path, zone: str, instants: list[str]) -> None:
    at = [datetime.fromisoformat(f"{instant}+00:00") for instant in instants]
    shown = [time.astimezone(ZoneInfo(zone)) for time in at]
    log = read(tmp_path, [f"{time:%Y-%m-%d %H:%M:%S}" for time in shown], timezone=zone)
    assert log.origin == at[0]
    np.testing.assert_allclose(log.time, [(time - at[0]).total_seconds() for time in at], atol=1e-6)
    changed = len({time.utcoffset() for time in shown}) > 1
    assert ("clock-change" in {notice.code for notice in log.notices}) == changed


@pytest.mark.parametrize("time", ["2025-10-26 02:30:00", "2025-03-30 02:30:00"])
def test_an_hour_shown_twice_or_never_needs_the_offset_of_the_logger(tmp_path: Path, time: str) -> None:
    texts = [time, f"{time[:-1]}1"]
    with pytest.raises(DataError, match=r"clocks of Europe/Madrid change.*Etc/GMT-2"):
        read(tmp_path, texts, timezone="Europe/Madrid")
    assert read(tmp_path, texts, timezone="Etc/GMT-2").origin == datetime.fromisoformat(time + "+02:00")


@pytest.mark.parametrize(
    ("damage", "options"),
    [
        ("03/00/2000 10:00:07", {}),
        ("45/13/2025 10:00:07", {}),
        ("99/99/9999 10:00:07", {}),
        ("23/04/2000 10:00:07", {}),  # a day, but years off
        ("04/23/2025 10:00:07", {"day_first": True}),
        ("00/00/0000 00:00:00", {}),
        ("17", {}),
        ("", {}),
    ],
)
@pytest.mark.parametrize("rows", [[0], [7], [0, 1, 2, 99]])
def test_damaged_stamps_cost_their_rows_and_are_counted(tmp_path, damage: str, options, rows: list[int]) -> None:
    texts = [f"23/04/2025 10:{i // 60:02d}:{i % 60:02d}" for i in range(100)]
    for row in rows:
        texts[row] = damage
    log = read(tmp_path, texts, timezone="UTC", **options)
    kept = [i for i in range(100) if i not in rows]
    np.testing.assert_array_equal(log.column("iat").values, kept)
    np.testing.assert_allclose(log.time - log.time[0], np.array(kept) - kept[0])
    (notice,) = [notice for notice in log.notices if notice.code == "rows-without-time"]
    assert notice.count == len(rows) and damage in said(notice.text, "si")


def test_too_many_damaged_stamps_are_refused_with_their_cause(tmp_path: Path) -> None:
    texts = [f"23/04/2025 10:00:{i % 60:02d}" for i in range(75)] + ["03/00/2000 10:00:00"] * 25
    with pytest.raises(DataError, match=r"25 of 100 times.*03/00/2000"):
        read(tmp_path, texts, timezone="UTC")


@pytest.mark.parametrize("absurd", ["1e10", "-4e12", "9" * 40, "1e308"])
@pytest.mark.parametrize("header", ["Time [s]", "Time [ms]", "timestamp"])
def test_an_absurd_time_is_none_of_the_log(tmp_path: Path, absurd: str, header: str) -> None:
    first = 1_743_674_400 if header == "timestamp" else 0
    texts = [f"{first + i * 100 if header == 'Time [ms]' else first + i}" for i in range(50)]
    texts[20], texts[30] = absurd, "-1e308"
    log = read(tmp_path, texts, header)
    assert len(log.time) == 48 and np.ptp(log.time) < 60.0
    assert "rows-without-time" in {notice.code for notice in log.notices}


def test_one_damaged_clock_does_not_move_the_rows_behind_it(tmp_path: Path) -> None:
    texts = [f"10:00:{i:02d}" for i in range(60)]
    texts[20] = "23:59:20"
    assert np.ptp(read(tmp_path, texts).time) == 59.0


def test_nanoseconds_since_1970_lose_nothing(tmp_path: Path) -> None:
    log = read(tmp_path, ["1743674400000000000", "1743674400000000100"])
    np.testing.assert_allclose(log.time, [0.0, 1e-7], rtol=1e-6)


@given(st.lists(st.floats(0.001, 40_000.0), min_size=2, max_size=60), st.floats(0, 86_399.0))
def test_midnights_are_unrolled(steps: list[float], first: float) -> None:
    truth = first + np.concatenate([[0.0], np.cumsum(steps)])
    unrolled, midnights = unroll_midnight(truth % 86400.0)
    np.testing.assert_allclose(unrolled, truth, atol=1e-6)
    assert midnights == int(truth[-1] // 86400)
