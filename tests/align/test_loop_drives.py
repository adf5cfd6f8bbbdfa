"""The 30 real laps of one closed road: matched onto one path, with nothing but the road to judge by."""

from __future__ import annotations

import numpy as np
import pytest

from align.support import loop_runs
from intake_report.align import Alignment, align_runs


@pytest.fixture(scope="module")
def laps() -> Alignment:
    return align_runs(loop_runs())


def test_every_lap_is_matched_where_it_covers_the_route(laps: Alignment) -> None:
    assert len(laps.runs) == 30
    for lap in laps.runs:
        assert lap.own_coverage >= 0.97, lap.run
        assert lap.cross_track is not None
        if lap.run != laps.reference.source:
            assert 0.1 < lap.cross_track.abs().median() < 5.0, lap.run


def test_first_laps_of_a_session_are_told_to_join_from_off_the_route(laps: Alignment) -> None:
    # The first lap of each day's session starts 600 m and more away from where the others start
    for lap in laps.runs:
        first = lap.clean.frame.iloc[0]
        path = laps.reference.path
        assert path is not None
        joins = [note for note in lap.notes if "joins the route" in note]
        if first["latitude"] > 51.5785 and not lap.on_route[0]:
            assert joins and np.isnan(lap.distance.iloc[0]), lap.run


def test_route_distance_never_falls(laps: Alignment) -> None:
    for lap in laps.runs:
        known = lap.distance.dropna().to_numpy()
        assert (np.diff(known) >= 0).all()
        assert known.min() >= 0 and known.max() <= laps.reference.length
