"""Runs without a position: replayed cycles with known truth, real drives, and runs that cannot be placed."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from align.support import StubRun, commute_runs, drives, make_run
from intake_report.align import AlignSettings, EventSettings, RouteSettings, align_runs
from intake_report.align.events import driven, find_stops
from intake_report.align.landmarks import classes, place, register, speed_profile, usual_speeds
from intake_report.align.speed_only import not_registered
from intake_report.messages import said

RADIUS = EventSettings().place_radius


def cycle(name: str) -> tuple[np.ndarray, np.ndarray]:
    table = pd.read_csv(drives("cycles") / f"{name}.csv", encoding="utf-8-sig")
    return table["cycSecs"].to_numpy(dtype=float), table["cycMps"].to_numpy(dtype=float) * 3.6


def replay(name: str, trace, scale: float, late: float, rng: np.random.Generator) -> tuple[StubRun, np.ndarray]:
    """A cycle with random stop durations, a scaled speed channel and a late start; returns the true way at each row."""
    time, speed = trace
    way = driven(time, speed, time)
    moving = speed > 0
    edges = np.flatnonzero(np.diff(moving.astype(int))) + 1
    out_v, out_w = [], []
    for i in np.split(np.arange(len(time)), edges):
        n = len(i) if moving[i[0]] else int(rng.integers(4, 90))
        out_v.append(speed[i] if moving[i[0]] else np.zeros(n))
        out_w.append(way[i] if moving[i[0]] else np.full(n, way[i[0]]))
    v, w = np.concatenate(out_v), np.concatenate(out_w)
    begin = int(np.searchsorted(w, late))
    v, w = v[begin:], w[begin:]
    return make_run(name, np.arange(len(v)), speed=v / scale), w


@pytest.mark.parametrize("name", ["udds", "us06", "wltc_3a", "wltc_3b"])
def test_a_replayed_cycle_aligns_back_at_every_common_stop(name) -> None:
    rng = np.random.default_rng(1)
    trace = cycle(name)
    original, true = replay("original", trace, 1.0, 0.0, rng)
    runs = [(original, true)]
    for k, scale in enumerate([0.97, 0.985, 1.015, 1.03]):
        late = 0.0 if k % 2 else float(rng.uniform(200, 1500))
        runs.append(replay(f"replay {scale}", trace, scale, late, rng))
    settings = AlignSettings(route=RouteSettings(run="original"))
    alignment = align_runs([run for run, _ in runs], settings)
    for (_, way), aligned in zip(runs, alignment.runs, strict=True):
        assert aligned.grade != "refused"
        assert len(aligned.stops) >= 3
        for stop in aligned.stops:
            truth = way[int(np.searchsorted(aligned.clean.frame.index, stop.start + 0.5))]
            if np.isfinite(stop.distance):
                assert stop.distance == pytest.approx(truth, abs=10.0), (aligned.run, stop)


def test_another_road_is_not_placed_by_force() -> None:
    rng = np.random.default_rng(2)
    runs = [replay(f"run {k}", cycle("udds"), 1.0, 0.0, rng)[0] for k in range(4)]
    time, speed = cycle("hwfet")
    other = make_run("other road", time, speed=speed)
    alignment = align_runs([*runs, other], AlignSettings(route=RouteSettings(run="run 0")))
    assert alignment.run("other road").grade == "refused"
    assert [finding.code for finding in alignment.run("other road").findings] == ["not-registered"]
    assert [run.grade for run in alignment.runs[:-1]] == ["good", "fair", "fair", "fair"]


@pytest.mark.parametrize(
    ("gain", "margin", "words"),
    [
        (0.1, 1.6, "only 5.0 times less likely, where 20 times"),
        (0.1, 2.4, "only 11 times less likely"),  # e^2.4 = 11.02, e^3 = 20.09
        (-0.1, 8.0, "less like those of the other runs than chance"),
    ],
)
def test_likelihoods_are_said_as_odds(gain: float, margin: float, words: str) -> None:
    assert words in said(not_registered(gain, margin), "si")


def test_one_run_alone_is_its_own_reference() -> None:
    time, speed = cycle("udds")
    alignment = align_runs([make_run("only", time, speed=speed)])
    (run,) = alignment.runs
    assert alignment.reference.method == "speed" and run.coverage == pytest.approx(1.0)
    assert run.distance.iloc[-1] == pytest.approx(alignment.reference.length)
    assert run.grade == "good" and [note.code for note in run.notes] == ["alone"]


def likeliest_shifts(profiles, lines, who, grid, hidden) -> np.ndarray:
    """By how much each run's hidden stretch would rather lie elsewhere, by the usual speeds of the other runs there."""
    tallies = {i: place(profiles[i], grid, lines[i]) for i in who}
    total = np.sum(list(tallies.values()), axis=0)
    tries = np.arange(-1500.0, 1501.0, 20.0)
    out = []
    for i in who:
        scale, offset = lines[i]
        table = usual_speeds(total - tallies[i], 10.0)[hidden]
        speed = profiles[i].at((grid[hidden][:, None] - offset - tries[None, :]) / scale)
        score = table[np.arange(len(table))[:, None], classes(speed)].sum(axis=0)
        out.append(tries[int(np.argmax(score))])
    return np.array(out)


def profiles_and_stops(pick: slice = slice(None)):
    profiles, stops = [], []
    for run in commute_runs(pick):
        time, speed = run.frame.index.to_numpy(), run.frame["speed"].to_numpy()
        profiles.append(speed_profile(time, speed))
        at = [a for a, _ in find_stops(time, speed, EventSettings())]
        stops.append(driven(time, speed, np.array(at)))
    lengths = np.array([profile.length for profile in profiles])
    return profiles, stops, lengths, int(np.argsort(lengths)[len(lengths) // 2])


@pytest.mark.parametrize("pick", [slice(0, 19, 2), pytest.param(slice(None), marks=pytest.mark.slow)])
def test_commute_drives_arrive_at_the_same_place(pick) -> None:
    """Real drives, no position, judged by where they end: the speeds before it were used, the end itself was not."""
    profiles, stops, lengths, reference = profiles_and_stops(pick)
    found = register(profiles, stops, reference, RADIUS)
    assert all(one.margin > 3.0 for one in found)
    # one drive begins half way and ends in a jam
    full = np.flatnonzero(lengths > 50000)
    assert len(full) >= 10
    # the drives of summer 2017 and of 2018 differ by 2 % in what the speed channel makes of the same road
    assert np.ptp([found[i].scale for i in full]) > 0.015
    ends = np.array([found[i].offset + found[i].scale * lengths[i] for i in full])
    assert np.median(np.abs(ends - np.median(ends))) < 20.0
    assert np.median(np.abs(lengths[full] - np.median(lengths[full]))) > 400.0


@pytest.mark.slow
def test_commute_drives_agree_on_road_that_the_registration_did_not_see() -> None:
    profiles, stops, lengths, reference = profiles_and_stops()
    full = np.flatnonzero(lengths > 50000)
    grid = np.arange(len(profiles[reference].speed)) * 10.0
    hidden = (grid >= 21000) & (grid < 33000)
    outside = [way[(way < 20000) | (way > 34000)] for way in stops]
    blind = register(profiles, outside, reference, RADIUS, ignore=hidden)
    lines = [(one.scale, one.offset) for one in blind]
    registered = np.abs(likeliest_shifts(profiles, lines, full, grid, hidden))
    plain = np.abs(likeliest_shifts(profiles, [(1.0, 0.0)] * len(profiles), full, grid, hidden))
    assert np.median(registered) <= 40.0
    assert np.median(plain) > 3 * np.median(registered)
