"""The 30 real laps of one closed road: matched onto one path, with nothing but the road to judge by."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from align.junctions import at_way, crossing, junction, turns
from align.support import StubRun, loop_runs
from intake_report.align import Alignment, AlignSettings, align_runs
from intake_report.align.events import driven, frame_time, speed_samples


@pytest.fixture(scope="module")
def laps(drives: Path) -> Alignment:
    return align_runs(loop_runs(drives))


def test_every_lap_is_matched_where_it_covers_the_route(laps: Alignment) -> None:
    assert len(laps.runs) == 30
    for lap in laps.runs:
        own = lap.covered[-1][1] - lap.covered[0][0]
        assert lap.metres >= 0.97 * own, lap.run
        assert lap.cross_track is not None
        if lap.run != laps.reference.source:
            assert 0.1 < lap.cross_track.abs().median() < 5.0, lap.run


def test_first_laps_of_a_session_are_told_to_join_from_off_the_route(laps: Alignment) -> None:
    # The first lap of each day's session starts 600 m and more away from where the others start
    for lap in laps.runs:
        first = lap.clean.frame.iloc[0]
        path = laps.reference.path
        assert path is not None
        joins = [note for note in lap.notes if note.code == "joins-route"]
        if first["latitude"] > 51.5785 and not lap.on_route[0]:
            assert joins and np.isnan(lap.distance.iloc[0]), lap.run


def test_route_distance_never_falls(laps: Alignment) -> None:
    for lap in laps.runs:
        known = lap.distance.dropna().to_numpy()
        assert (np.diff(known) >= 0).all()
        assert known.min() >= 0 and known.max() <= laps.reference.length


@pytest.fixture(scope="module")
def junctions(laps: Alignment) -> dict[int, tuple[dict[str, float], dict[str, float]]]:
    """Route distance and raw integrated speed of every lap at every junction that all laps show by their turning."""
    runs = [lap.clean for lap in laps.runs]
    out = {}
    for k, place in enumerate(turns(laps.run("2017-03-30_1515").clean, least=22.0)):
        if any(crossing(run, *place) is None for run in runs):
            continue
        ways = junction(runs, place)
        matched = {n: at_way(laps.run(n).clean, way, laps.run(n).distance) for n, way in ways.items()}
        raw = {}
        for n, way in ways.items():
            run = laps.run(n).clean
            odometer = driven(*speed_samples(run), frame_time(run))
            raw[n] = at_way(run, way, laps.run(n).distance * 0 + odometer)
        out[k] = (matched, raw)
    return out


def test_the_same_junction_lies_at_the_same_distance_in_every_lap(junctions) -> None:
    found = junctions
    assert len(found) >= 10
    for matched, _ in found.values():
        at = np.array(list(matched.values()))
        assert len(at) == 30 and np.isfinite(at).all()
        assert np.abs(at - np.median(at)).max() < 25.0


def slow(run: StubRun, every: float, phase: float, held: bool) -> StubRun:
    """The same lap with one fix per `every` seconds, alone or repeated in the rows up to the next."""
    frame = run.frame.copy()
    count = np.floor((frame.index.to_numpy() + phase) / every)
    for name in ("latitude", "longitude"):
        frame.loc[np.concatenate([[False], np.diff(count) == 0]), name] = np.nan
    return StubRun(run.run, frame.ffill() if held else frame, run.start)


@pytest.mark.parametrize(
    ("every", "held", "within"),
    [
        (12.0, True, 60.0),
        *(
            pytest.param(every, held, within, marks=pytest.mark.slow)
            for every, within in ((5.0, 40.0), (12.0, 60.0), (30.0, 100.0))
            for held in (False, True)
        ),
    ],
)
def test_a_slow_position_is_matched_all_the_same(laps: Alignment, every: float, held: bool, within: float) -> None:
    """Junctions found in the fixes of every second, passed by a matching that has one fix per `every` seconds."""
    full = {lap.run: lap.clean for lap in laps.runs}
    thinned = [slow(run, every, phase=1.7 * k % every, held=held) for k, run in enumerate(full.values())]
    alignment = align_runs(thinned)
    matched = [run for run in alignment.runs if run.grade != "refused" and not run.findings]
    assert len(matched) >= 28
    assert ("slow-position" in {note.code for run in matched for note in run.notes}) == (every > 8.0)
    places = [p for p in turns(full["2017-03-30_1515"], least=22.0) if all(crossing(r, *p) for r in full.values())]
    assert len(places) >= 10
    for place in places:
        ways = junction(list(full.values()), place)
        at = np.array([at_way(full[run.run], ways[run.run], run.distance) for run in matched])
        assert np.isfinite(at).all() and np.abs(at - np.median(at)).max() < within


def test_length_between_junctions_spreads_less_than_by_integrated_speed(junctions) -> None:
    found = junctions
    first, last = found[min(found)], found[max(found)]
    spread = []
    for first_by, last_by in zip(first, last, strict=True):
        lengths = np.array([last_by[n] - first_by[n] for n in first_by])
        spread.append(np.ptp(lengths) / np.median(lengths))
    matched, raw = spread
    assert matched < 0.01
    assert raw > 3 * matched


@pytest.mark.slow
def test_agrees_with_the_same_laps_when_their_position_is_hidden(laps: Alignment) -> None:
    source = laps.reference.source
    blind = [StubRun(lap.run, lap.clean.frame.drop(columns=["latitude", "longitude"])) for lap in laps.runs]
    hidden = align_runs(blind, AlignSettings(run=source))
    known = laps.run(source)
    pairs = known.distance.notna().to_numpy() & hidden.run(source).distance.notna().to_numpy()
    base = known.distance.to_numpy()[pairs], hidden.run(source).distance.to_numpy()[pairs]
    typical, at_place = [], []
    grid = np.arange(500.0, 16000.0, 250.0)
    for lap, other in zip(laps.runs, hidden.runs, strict=True):
        if lap.run == source:
            continue
        assert other.method == "speed" and other.grade != "refused", other.run
        # by speed alone the route is measured in the metres of the reference run's speed
        moved = np.interp(other.distance.to_numpy(), base[1], base[0], left=np.nan, right=np.nan)
        apart = np.abs(moved - lap.distance.to_numpy())
        typical.append(np.nanmedian(apart))
        assert np.nanmax(apart) < 250.0, lap.run
        both = np.isfinite(moved) & lap.on_route
        at_place.append(np.interp(grid, lap.distance.to_numpy()[both], moved[both]))
    assert np.median(typical) < 40.0
    assert max(typical) < 100.0
    # what counts for a comparison by place is how the runs agree with each other
    apart = np.abs(np.array(at_place) - np.median(at_place, axis=0))
    assert np.median(apart) < 30.0
    assert np.percentile(apart, 90) < 70.0
