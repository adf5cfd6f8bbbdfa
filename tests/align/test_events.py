"""Stops, phases, highway entry, places."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from align.roads import ONE_WAY, drive
from align.support import loop_runs
from intake_report.align import AlignSettings, PhaseSettings, RouteStop, align_runs
from intake_report.align.chain import find_phases, find_places, highway_entry
from intake_report.align.model import driven, find_stops, group


def test_hysteresis_keeps_a_stop_whole_and_a_crawl_out() -> None:
    speed = np.array([30, 15, 0, 0, 2, 3, 0, 0, 6, 20, 30, 3, 3, 3, 30, 0, 30, 30, 0, 0], dtype=float)
    # 4 and 5 creep below 4 km/h, 11 to 13 are no standstill, 15 and 18 to 19 are too short
    assert find_stops(np.arange(20.0), speed) == [(2.0, 7.0)]
    assert find_stops(2 * np.arange(20.0), speed) == [(4.0, 14.0), (36.0, 38.0)]
    speed[5] = 5.0
    assert find_stops(np.arange(20.0), speed) == []
    assert find_stops(3 * np.arange(20.0), speed)[:2] == [(6.0, 9.0), (18.0, 21.0)]


@settings(max_examples=60)
@given(st.lists(st.floats(0, 200), min_size=2, max_size=50), st.floats(0.01, 20.0))
def test_driven_distance_never_falls_and_adds_up(values: list[float], step: float) -> None:
    time, speed = np.arange(len(values)) * step, np.array(values)
    way = driven(time, speed, np.linspace(time[0], time[-1], 301))
    assert (np.diff(way) >= -1e-6).all()
    assert way[-1] == pytest.approx(np.trapezoid(speed / 3.6, time), abs=1e-6)


def distance_of(values) -> pd.Series:
    return pd.Series(np.asarray(values, dtype=float), index=np.arange(len(values), dtype=float))


def test_phases_by_distance_between_samples() -> None:
    distance = distance_of([np.nan, 0, 10, 20, 20, 20, 30, 40])
    abc = (PhaseSettings("a", "city", 0, 15), PhaseSettings("b", "highway", 20, 40), PhaseSettings("c", "city", 90, 99))
    a, b = find_phases(distance, abc)
    assert (a.start, a.end, b.start, b.end) == (1.0, 2.5, 3.0, 7.0)
    assert a.complete and b.complete
    (cut_short,) = find_phases(distance_of([0, 10, 20]), (PhaseSettings("a", "city", 5, 200),))
    assert not cut_short.complete and cut_short.end == 2.0


@pytest.mark.parametrize(("begin", "passage"), [(600.0, (90.0, 110.0)), (100.0, (40.0, 60.0)), (-600.0, (10.0, 30.0))])
def test_a_lap_begun_elsewhere_passes_each_phase_where_it_lies(begin: float, passage: tuple[float, float]) -> None:
    """One lap of 1,000 m at 10 m/s: where it began elsewhere the phase from 500 to 700 m comes one lap on, or back."""
    distance = distance_of(begin + 10.0 * np.arange(121))
    (span,) = find_phases(distance, (PhaseSettings("a", "city", 500, 700),), lap=1000.0)
    assert (span.start, span.end) == passage and span.complete


RAMP = (PhaseSettings("on-ramp", "ramp", 100, 400),)


def entry_of(speed, ramp=RAMP, **settings):
    """Highway entry of a run that drives 15 m in each second, whatever its speed channel says."""
    spans = find_phases(distance_of(np.arange(len(speed)) * 15.0), ramp)
    return highway_entry(np.arange(float(len(speed))), speed, spans, AlignSettings(**settings))


def test_highway_entry_is_the_first_held_crossing_within_the_ramp() -> None:
    speed = np.full(40, 50.0)
    speed[5:8] = 90.0  # before the ramp
    speed[15:17] = 85.0  # not held
    speed[20:] = [70, 78, 83, *([100] * 17)]
    assert entry_of(speed, threshold=80.0, hold=5.0) == (pytest.approx(21 + 2 / 5), None)


@pytest.mark.parametrize(
    ("speed", "why"),
    [
        (np.full(40, 100.0), "entry-above"), (np.full(40, 60.0), "entry-not-held"),
        (np.where(np.arange(40) % 4 < 2, 60.0, 90.0), "entry-not-held"),
        (np.concatenate([np.full(23, 60.0), np.full(3, 90.0)]), "entry-not-held"),  # cut off by the end of the log
    ],
)  # fmt: skip
def test_no_highway_entry_has_a_reason(speed, why) -> None:
    for ramp, code in ((RAMP, why), ((), "entry-no-ramp")):
        entry, reason = entry_of(speed, ramp)
        assert entry is None and reason is not None and reason.code == code


def test_places_do_not_chain_along_a_queue() -> None:
    stops = [(f"r{k}", RouteStop(0, 10, 1000.0 + 30 * k)) for k in range(10)] + [("r0", RouteStop(20, 25, 5000.0))]
    places = find_places(stops, 12)
    assert [round(12 * place.share) for place in places] == [5, 5, 1]
    assert places[-1].durations == (("r0", 5.0),)


def test_stops_of_different_runs_meet_at_their_junction() -> None:
    stops = {"base": [(900, 20), (3000, 30)], "queue": [(875, 45), (4500, 12)], "free": [(2990, 10)]}
    runs = [drive(name, ONE_WAY, stops=own, seed=k)[0] for k, (name, own) in enumerate(stops.items(), 1)]
    alignment = align_runs(runs, AlignSettings(run="base"))
    inner = [place for place in alignment.places if 100 < place.distance < 8800]
    assert [round(place.share, 2) for place in inner] == [0.67, 0.67, 0.33]
    assert dict(inner[0].durations).keys() == {"base", "queue"}
    assert dict(inner[0].durations)["queue"] == pytest.approx(45, abs=2)
    assert alignment.run("queue").stops[0].place in {inner[0].name, alignment.places[0].name}


def test_real_laps_stop_at_shared_places(drives: Path) -> None:
    alignment = align_runs(loop_runs(drives, range(0, 30, 3)))
    assert len([place for place in alignment.places if place.share >= 0.5]) >= 3
    for run in alignment.runs:
        for stop in run.stops:
            assert (stop.place is None) == (not np.isfinite(stop.distance))


@settings(max_examples=100)
@given(st.lists(st.floats(0, 20_000), max_size=60), st.floats(1.0, 300.0))
def test_groups_are_no_wider_than_told_and_do_not_overlap(values: list[float], width: float) -> None:
    at = np.array(values, dtype=float)
    label = group(at, width)
    spans = [(at[label == k].min(), at[label == k].max()) for k in range(label.max() + 1 if len(at) else 0)]
    assert all(b - a <= width for a, b in spans)
    assert all(before[1] <= after[0] for before, after in pairwise(spans))


def test_a_dense_junction_is_not_cut() -> None:
    assert len(set(group(np.array([0.0, 90, 95, 98, 100, 101, 103, 110, 190]), 60.0)[1:8].tolist())) == 1
