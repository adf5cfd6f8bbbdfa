"""The 30 real laps of one closed road: matched onto one path, with nothing but the road to judge by."""

from pathlib import Path

import numpy as np
import pytest

from align.junctions import at_way, crossing, junction, turns
from align.support import StubRun, loop_runs
from intake_report.align import Alignment, AlignSettings, align_runs, driven, frame_time, speed_samples


@pytest.fixture(scope="module")
def laps(drives: Path) -> Alignment:
    return align_runs(loop_runs(drives))


def test_every_lap_is_matched_where_it_covers_the_route_and_its_distance_never_falls(laps: Alignment) -> None:
    assert len(laps.runs) == 30
    for lap in laps.runs:
        own = lap.covered[-1][1] - lap.covered[0][0]
        assert lap.metres >= 0.97 * own, lap.run
        known = lap.distance.dropna().to_numpy()
        assert (np.diff(known) >= 0).all() and known.min() >= 0 and known.max() <= laps.reference.length
        if lap.run != laps.reference.source:
            assert 0.1 < lap.cross_track.abs().median() < 5.0, lap.run


def test_first_laps_of_a_session_are_told_to_join_from_off_the_route(laps: Alignment) -> None:
    # The first lap of each day's session starts 600 m and more away from where the others start
    for lap in laps.runs:
        if lap.clean.frame.iloc[0]["latitude"] > 51.5785 and not lap.on_route[0]:
            assert "joins-route" in {note.code for note in lap.notes} and np.isnan(lap.distance.iloc[0]), lap.run


@pytest.fixture(scope="module")
def junctions(laps: Alignment) -> list[dict[str, float]]:
    """Way at which every lap passes each junction that all laps show by their turning."""
    runs = [lap.clean for lap in laps.runs]
    places = turns(laps.run("2017-03-30_1515").clean, least=22.0)
    return [junction(runs, place) for place in places if all(crossing(run, *place) is not None for run in runs)]


def distances(alignment: Alignment, laps: Alignment, ways: dict[str, float]) -> np.ndarray:
    """Route distance of the runs of an alignment where the laps pass a junction."""
    return np.array([at_way(laps.run(run.run).clean, ways[run.run], run.distance) for run in alignment.runs])


def test_the_same_junction_lies_at_the_same_distance_in_every_lap(laps, junctions) -> None:
    assert len(junctions) >= 10
    for ways in junctions:
        at = distances(laps, laps, ways)
        assert len(at) == 30 and np.abs(at - np.median(at)).max() < 25.0


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
def test_a_slow_position_is_matched_all_the_same(laps, junctions, every: float, held: bool, within: float) -> None:
    """Junctions found in the fixes of every second, passed by a matching that has one fix per `every` seconds."""
    alignment = align_runs([slow(lap.clean, every, 1.7 * k % every, held) for k, lap in enumerate(laps.runs)])
    sound = [run.grade != "refused" and not run.findings for run in alignment.runs]
    assert sum(sound) >= 28
    notes = {note.code for run, is_sound in zip(alignment.runs, sound, strict=True) if is_sound for note in run.notes}
    assert ("slow-position" in notes) == (every > 8.0)
    for ways in junctions:
        at = distances(alignment, laps, ways)[sound]
        assert np.abs(at - np.median(at)).max() < within


def test_length_between_junctions_spreads_less_than_by_integrated_speed(laps, junctions) -> None:
    first, last = junctions[0], junctions[-1]
    matched = distances(laps, laps, last) - distances(laps, laps, first)
    raw = []
    for lap in laps.runs:
        odometer = lap.distance * 0 + driven(*speed_samples(lap.clean), frame_time(lap.clean))
        raw.append(at_way(lap.clean, last[lap.run], odometer) - at_way(lap.clean, first[lap.run], odometer))
    assert np.ptp(matched) / np.median(matched) < 0.01
    assert np.ptp(raw) / np.median(raw) > 3 * np.ptp(matched) / np.median(matched)


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
