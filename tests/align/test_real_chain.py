"""The alignment on what the readers and the cleaning really return."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from intake_report.align import align_runs
from intake_report.clean import CleanRun, clean
from intake_report.loaders import ReadOptions, load_run

MAPPING = {
    "latitude [deg]": "latitude [deg]",
    "longitude [deg]": "longitude [deg]",
    "Speed [km/h]": "speed [km/h]",
    "Intake Temperature [c]": "iat [degC]",
}


@pytest.fixture(scope="module")
def cleaned(drives: Path) -> tuple[CleanRun, ...]:
    files = sorted(drives.glob("loop/*.csv"))[1:29:9]
    return tuple(clean(load_run(f.stem, [f], MAPPING, ReadOptions(time_column="time"))) for f in files)


def test_laps_through_readers_and_cleaning(cleaned: tuple[CleanRun, ...]) -> None:
    alignment = align_runs(cleaned)
    assert alignment.reference.method == "position"
    for lap in alignment.runs:
        assert lap.coverage > 0.9, lap.run
        assert lap.cross_track is not None and lap.cross_track.abs().median() < 5.0
        assert lap.speed_scale == pytest.approx(1.0, abs=0.03)
        assert len(lap.distance) == len(lap.clean.frame)
        assert np.array_equal(lap.on_route, lap.distance.notna().to_numpy())
        assert len(lap.stops) > 2
