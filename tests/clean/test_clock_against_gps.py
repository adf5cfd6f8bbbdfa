"""The log's own clock against GPS time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from intake_report.clean import clean, cross_checks
from intake_report.loaders import RunLog

EPOCH = 1.78e9  # s, some day in 2026


def run(ppm: float, late: float = 0.0, columns: tuple[str, ...] = ("speed", "gps_time")):
    time = np.arange(0.0, 1500.0, 1.0)
    gps = EPOCH + time / (1.0 + ppm * 1e-6)
    gps[::5] += late
    frame = pd.DataFrame(
        {"speed": 50.0 + 10.0 * np.sin(time / 20.0), "gps_time": gps}, index=pd.Index(time, name="time")
    )
    return clean(RunLog("r", frame[list(columns)], None, (Path("r.csv"),)))


def found(**kwargs):
    return next(check for check in cross_checks(run(**kwargs)) if check.name == "clock-against-gps")


@pytest.mark.parametrize("ppm", [-400.0, -20.0, 0.0, 20.0, 400.0])
def test_drift_is_found_and_flagged_beyond_what_a_quartz_does(ppm):
    check = found(ppm=ppm)
    # doubles near 1.8e9 resolve 0.24 us: over 1500 s that is far below 1 ppm
    assert check.numbers["drift_ppm"] == pytest.approx(ppm, abs=0.5)
    assert check.numbers["gained_s"] == pytest.approx(ppm * 1e-6 * 1500.0, abs=1e-2)
    assert check.status == ("flagged" if abs(ppm) > 100.0 else "agrees")


def test_one_late_stamp_in_five_does_not_move_the_drift():
    # Theil-Sen resists 29 % of wrong stamps
    assert found(ppm=30.0, late=0.4).numbers["drift_ppm"] == pytest.approx(30.0, abs=1.0)


def test_without_gps_time_the_check_says_so():
    check = next(c for c in cross_checks(run(0.0, columns=("speed",))) if c.name == "clock-against-gps")
    assert check.status == "not-possible" and "no GPS time" in check.evidence
