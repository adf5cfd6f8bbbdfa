"""Matching as a whole: self-crossing roads, bad fixes, and drives that are not the route."""

import numpy as np
import pytest

from align.roads import CENTRE, LOOP, ONE_WAY, OUT_AND_BACK, TWICE, drive, length
from align.support import StubRun, make_run
from intake_report.align import AlignSettings, align_runs, chain
from intake_report.align.path import path_through

STRAIGHT = [(0, 0), (4000, 0), (8988, 0)]


def matched(corners, run, true=np.nan):
    """Match a run onto a clean drive along the corners; also by how much its route distance is off, at its rows [m]."""
    base, _ = drive("reference", corners, noise=0.5, seed=99)
    alignment = align_runs([base, run], AlignSettings(run="reference"))
    aligned = alignment.runs[1]
    return aligned, np.abs(aligned.distance.to_numpy() - true * alignment.reference.length / length(corners))


@pytest.mark.parametrize("corners", [LOOP, TWICE, OUT_AND_BACK, ONE_WAY])
@pytest.mark.parametrize("step", [0.1, 1.0, 5.0])
def test_distance_follows_the_true_way_where_the_road_meets_itself(corners, step) -> None:
    run, true = drive("run", corners, step=step, stops=[(700, 40), (2600, 15)], scale=1.02, seed=3)
    aligned, error = matched(corners, run, true)
    assert aligned.on_route.mean() > 0.97
    assert np.nanmax(error) < 25.0 and np.nanmedian(error) < 6.0
    assert not aligned.findings


def test_no_drift_at_standstill() -> None:
    run, _ = drive("run", ONE_WAY, stops=[(2000, 300)], noise=8.0, seed=5)
    aligned, _ = matched(ONE_WAY, run)
    still = run.frame["speed"].to_numpy() == 0.0
    waiting = still & (run.frame.index > 60)
    assert waiting.sum() > 280
    assert np.ptp(aligned.distance.to_numpy()[waiting]) == 0.0


def test_outliers_and_gaps_do_not_move_the_run() -> None:
    run, true = drive("run", ONE_WAY, seed=7)
    frame = run.frame.copy()
    frame.iloc[[100, 200, 301], 0] += 0.02  # 2 km north
    frame.iloc[400:460, :2] = np.nan  # a minute without fixes, speed goes on
    aligned, error = matched(ONE_WAY, StubRun("run", frame), true)
    assert np.nanmax(error) < 25.0
    assert aligned.on_route.mean() > 0.97


@pytest.mark.parametrize("every", [12, 30])
def test_a_fix_that_is_held_is_used_once(every: int) -> None:
    """Rows of every second repeat the last fix: the run is on the route, and said to have slow positions."""
    run, true = drive("run", ONE_WAY, stops=[(2000, 60)], seed=7)
    frame = run.frame.copy()
    frame.loc[np.arange(len(frame)) % every != 0, ["latitude", "longitude"]] = np.nan
    aligned, error = matched(ONE_WAY, StubRun("run", frame.ffill()), true)
    assert np.nanmax(error) < 25.0 and aligned.on_route.mean() > 0.95
    assert not aligned.findings and [note.code for note in aligned.notes if note.code == "slow-position"]


def test_detour_is_named_and_left_out() -> None:
    corners = [(0, 0), (1200, 0), (1200, 1500), (1700, 1500), (1700, 2200), (2500, 2200), (2500, 1500), (3000, 1500)]
    corners += [(3000, 3500), (5500, 3500)]
    run, _ = drive("run", corners, seed=8)
    aligned, _ = matched(ONE_WAY, run)
    assert [finding.text.code for finding in aligned.findings] == ["detour"]
    detour = aligned.findings[0].text
    for name, metres, within in (("start", 3200, 60), ("end", 4000, 60), ("gone", 2200, 120), ("away", 700, 20)):
        assert detour.value(name).number == pytest.approx(metres, abs=within)
    known = aligned.distance[aligned.on_route]
    assert not ((known > 3260) & (known < 3940)).any()
    assert aligned.coverage == pytest.approx(1 - 800 / length(ONE_WAY), abs=0.02)


@pytest.mark.parametrize(
    ("corners", "driven", "code"),
    [
        (ONE_WAY, ONE_WAY[::-1], "reversed"),
        (LOOP, LOOP[::-1], "reversed"),
        (ONE_WAY, [(0, 0), (1200, 0), (2500, -900), (5000, -3000), (5400, -3000)], "wrong-route"),
        (LOOP, [*LOOP, (2000, 0), (2000, 640)], "several-laps"),
        (ONE_WAY, [*ONE_WAY, (5500, -1000), (0, -1000), *ONE_WAY], "several-laps"),
    ],
)
def test_what_is_not_one_pass_of_the_route_is_named_and_refused(corners, driven, code) -> None:
    run, _ = drive("run", driven, seed=9)
    aligned, _ = matched(corners, run)
    assert aligned.grade == "refused"
    assert [finding.text.code for finding in aligned.findings if finding.hard] == [code]
    if code in ("reversed", "wrong-route"):
        assert not aligned.on_route.any() and aligned.coverage == 0.0 and aligned.distance.isna().all()


def test_half_a_route_keeps_its_half() -> None:
    run, true = drive("run", ONE_WAY, begin=0.0, end=4000.0, seed=10)
    aligned, error = matched(ONE_WAY, run, true)
    assert [finding.text.code for finding in aligned.findings] == ["part-of-route"]
    assert aligned.coverage == pytest.approx(4000 / length(ONE_WAY), abs=0.01)
    ((first, last),) = aligned.covered
    assert first < 1.0 and last == pytest.approx(4000, abs=40)
    assert np.nanmax(error) < 20.0
    fifth, _ = drive("run", [(0, 0), (1200, 0), (2500, -900), (4600, -2700)], seed=10)  # 22 % of what it drove
    assert [finding.text.code for finding in matched(ONE_WAY, fifth)[0].findings] == ["part-of-route"]


def test_start_elsewhere_on_a_loop_runs_on_past_the_seam() -> None:
    run, _ = drive("run", [*LOOP[3:], *LOOP[1:4]], seed=11)
    aligned, _ = matched(LOOP, run)
    assert aligned.coverage > 0.98 and not aligned.findings
    known = aligned.distance.dropna().to_numpy()
    assert (np.diff(known) >= 0).all()
    folded = np.mod(known, length(LOOP))
    assert folded.min() < 30 and folded.max() > length(LOOP) - 30


def test_joining_from_off_the_route_is_told() -> None:
    run, _ = drive("run", [(-700, 600), (-700, 0), *ONE_WAY], seed=12)
    aligned, _ = matched(ONE_WAY, run)
    assert aligned.coverage > 0.98
    assert np.isnan(aligned.distance.iloc[0])
    assert [note.code for note in aligned.notes] == ["joins-route"]


def test_medoid_is_not_the_odd_run() -> None:
    runs = [drive(f"r{i}", ONE_WAY, seed=20 + i)[0] for i in range(4)]
    odd, _ = drive("odd", [(0, 0), (1200, 0), (1200, -2500), (3000, -2500)], seed=30)
    alignment = align_runs([odd, *runs])
    assert alignment.reference.source != "odd"
    assert [run.grade for run in alignment.runs[1:]] == ["good"] * 4


def test_refining_brings_the_path_nearer_to_the_road(monkeypatch) -> None:
    corners = [(2000 * np.sin(a), 2000 * (1 - np.cos(a))) for a in np.linspace(0, 3.0, 200)]
    runs = [drive(f"r{i}", corners, step=5.0, speed=90.0, noise=2.0, seed=40 + i)[0] for i in range(8)]
    wide = {}
    for refine in (False, True):
        monkeypatch.setattr(chain, "LEAST_POOLED", 3 if refine else 99)
        alignment = align_runs(runs)
        # the projection of the runs has another centre: judge by the offsets that all runs share
        wide[refine] = np.median([run.cross_track.abs().median() for run in alignment.runs])  # type: ignore[union-attr]
    assert wide[True] < wide[False]


def test_a_loop_is_drawn_over_its_seam_as_elsewhere() -> None:
    """Smoothing cuts a bend inside; a line from one side of the seam alone would lie outside."""
    radius, s = 1000.0 / np.pi, np.arange(1.5, 2000.0, 3.0)
    path = path_through(s, radius * np.cos(s / radius), radius * np.sin(s / radius), CENTRE, True, 2000.0)
    assert (radius - np.hypot(path.x, path.y)).min() > 0.1


def test_position_without_speed() -> None:
    run, true = drive("run", ONE_WAY, stops=[(2000, 60)], seed=13)
    bare = make_run("run", run.frame.index, latitude=run.frame["latitude"], longitude=run.frame["longitude"])
    aligned, error = matched(ONE_WAY, bare, true)
    assert np.nanmax(error) < 30.0
    assert aligned.stops == ()


def test_a_run_without_position_is_placed_among_runs_with_one() -> None:
    stops = [(900, 20), (2700, 20), (3900, 10), (5100, 30)]
    limits = [(0, 50), (1500, 30), (2200, 60), (3500, 40), (4300, 80), (5600, 50), (6400, 100), (8000, 60)]
    located = [drive(f"r{i}", ONE_WAY, stops=stops, limits=limits, seed=50 + i)[0] for i in range(3)]
    hidden, true = drive("hidden", ONE_WAY, stops=stops, limits=limits, scale=0.98, seed=60)
    alignment = align_runs([*located, make_run("hidden", hidden.frame.index, speed=hidden.frame["speed"])])
    aligned = alignment.run("hidden")
    assert aligned.method == "speed" and aligned.cross_track is None
    assert np.nanmax(np.abs(aligned.distance.to_numpy() - true)) < 60.0


@pytest.mark.parametrize(
    ("end", "aside", "noise", "expected"),
    [
        (8988, 0, 7, "good"), (8988, 0, 8.5, "fair"), (8800, 0, 1, "good"), (8650, 0, 1, "fair"), (8200, 0, 1, "fair"),
        (7980, 0, 1, "poor"), (8988, 14, 1, "fair"), (8988, 16, 1, "poor"),
    ],
)  # fmt: skip
def test_a_grade_goes_with_coverage_and_distance_from_the_path(end, aside, noise, expected) -> None:
    """The route is 8,988 m long: 100, 98, 96, 91 and 89 % of it; noise of 7 and 8.5 m lies 4.7 and 5.6 m off it."""
    run, _ = drive("run", [(x, y + aside) for x, y in STRAIGHT], end=end, noise=noise, seed=14)
    aligned, _ = matched(STRAIGHT, run)
    assert aligned.grade == expected


@pytest.mark.parametrize(("north", "side"), [(6.6, "left"), (-6.6, "right")])
def test_a_run_beside_the_path_is_on_its_side(north: float, side: str) -> None:
    """Driving east, north is to the left."""
    near, run = (drive("run", [(x, y + s * north) for x, y in STRAIGHT], noise=1.0, seed=15)[0] for s in (0.8, 1))
    aligned, _ = matched(STRAIGHT, run)
    assert not matched(STRAIGHT, near)[0].findings
    (finding,) = aligned.findings
    assert finding.text.code == "beside-path" and finding.text.value("side") == side
    assert finding.text.value("away").number == pytest.approx(6.6, abs=0.5)
    assert (aligned.cross_track.median() > 0) == (side == "left")
