"""Channels by place, peaks, and proposed phases."""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from align.roads import LOOP, ONE_WAY, drive
from align.support import loop_runs, make_run
from intake_report.align import Alignment, AlignSettings, align_runs, grid_by_place, peak_summary, propose_phases
from intake_report.align.chain import find_phases


def iat_of(alignment: Alignment) -> dict:
    return {run.run: run.clean.good("iat") for run in alignment.runs}


def test_values_are_weighted_by_time_and_dwell_by_standstill() -> None:
    # 10 m/s, but 10 s at 500 m; the channel reads 20 while driving and 40 at standstill
    time = np.arange(0.0, 111.0)
    way = np.concatenate([np.arange(0, 501, 10), np.full(10, 500), np.arange(510, 1001, 10)])
    speed = np.gradient(way, time) * 3.6
    speed[50:61] = 0.0
    run = make_run("run", time, speed=speed, iat=np.where((time >= 51) & (time <= 60), 40.0, 20.0))
    alignment = align_runs([run])
    grid = grid_by_place(alignment, iat_of(alignment), step=100.0)
    assert grid.dwell.sum() == pytest.approx(time[-1], abs=1e-6)
    assert (grid.passes == 1).all()
    stood = int(np.argmax(grid.dwell[0]))
    assert grid.dwell[0][stood] > 15 and np.median(grid.dwell[0]) == pytest.approx(10, abs=0.2)
    assert grid.mean[0][stood] > 28.0
    assert np.nanmin(grid.mean) == pytest.approx(20.0)


@settings(max_examples=40)
@given(st.integers(0, 10_000), st.sampled_from([10.0, 25.0, 333.0]))
def test_time_is_conserved_and_means_stay_within_readings(seed: int, step: float) -> None:
    rng = np.random.default_rng(seed)
    time = np.cumsum(rng.uniform(0.2, 3.0, 120))
    speed = np.maximum(rng.normal(30, 30, 120), 0.0)
    iat = rng.normal(30, 5, 120)
    alignment = align_runs([make_run("run", time, speed=speed, iat=iat)])
    grid = grid_by_place(alignment, iat_of(alignment), step=step)
    covered = alignment.runs[0].distance.dropna()
    assert grid.dwell.sum() == pytest.approx(covered.index[-1] - covered.index[0], rel=1e-6)
    assert np.nanmin(grid.mean) >= iat.min() - 1e-9 and np.nanmax(grid.mean) <= iat.max() + 1e-9
    mean = np.nansum(grid.mean * grid.dwell) / grid.dwell[np.isfinite(grid.mean)].sum()
    assert mean == pytest.approx(np.trapezoid(iat, time) / (time[-1] - time[0]), abs=0.6)


def test_a_gap_of_the_channel_is_not_bridged() -> None:
    run, _ = drive("run", ONE_WAY, seed=1)
    iat = np.full(len(run.frame), 30.0)
    iat[200:320] = np.nan
    alignment = align_runs([replace(run, frame=run.frame.assign(iat=iat))])
    grid = grid_by_place(alignment, iat_of(alignment))
    missing = np.isnan(grid.mean[0]) & (grid.dwell[0] > 0)
    assert missing.sum() * 25 == pytest.approx(120 * 50 / 3.6, abs=100)


def test_a_loop_begun_elsewhere_fills_every_cell_once() -> None:
    base, _ = drive("base", LOOP, noise=0.5, seed=2)
    other, _ = drive("other", [LOOP[3], *LOOP[4:], *LOOP[1:4]], seed=3)
    grid = grid_by_place(align_runs([base, other], AlignSettings(run="base")))
    assert (grid.passes[1] == 1).mean() > 0.97
    assert grid.dwell[1].sum() == pytest.approx(other.frame.index[-1], rel=0.03)
    assert np.nanmedian(grid.speed()[1]) == pytest.approx(50, abs=2)


def test_peaks_at_one_place_and_at_several() -> None:
    one = peak_summary([4000.0, 4040.0, 4080.0, 4120.0])
    assert one["one_place"] and one["peak_centre"] == pytest.approx(4060) and one["peak_spread"] == pytest.approx(40)
    several = peak_summary([1000.0, 3000.0, 5000.0, 7000.0])
    assert not several["one_place"] and several["peak_share"] == 0.25
    # three of four at one place are enough, and the odd one does not move the centre
    odd = peak_summary([4000.0, 4040.0, 4080.0, 9000.0])
    assert odd["one_place"] and odd["peak_centre"] == pytest.approx(4040)


def test_phases_are_proposed() -> None:
    limits = [(0, 40), (4300, 60), (4600, 75), (4800, 110)]
    runs = [drive(f"r{k}", ONE_WAY, limits=limits, stops=[(1500, 20), (4000, 15)], seed=k)[0] for k in range(4)]
    phases = propose_phases(align_runs(runs))
    assert [phase.kind for phase in phases] == ["city", "ramp", "highway"]
    assert phases[0].from_m == 0 and phases[1].from_m == pytest.approx(4300, abs=150)
    assert phases[2].from_m == pytest.approx(4850, abs=150)
    for before, after in pairwise(phases):
        assert before.to_m == after.from_m


def complete_in_all(alignment: Alignment, phases) -> bool:
    lap = alignment.reference.length if alignment.reference.closed else None
    spans = [find_phases(run.distance, phases, lap) for run in alignment.runs]
    return all(len(found) == len(phases) and all(span.complete for span in found) for found in spans)


def test_phases_begin_where_all_runs_are_and_have_names_of_the_road() -> None:
    """Town, country, a rise to the highway, country and town again; each run begins and ends elsewhere."""
    limits = [(0, 40), (2500, 70), (7200, 75), (7400, 110), (12000, 70), (15000, 35)]
    road, stops = [(0, 0), (18000, 0)], [(900, 20)]
    more = {"limits": limits, "stops": stops}
    runs = [drive(f"r{k}", road, **more, begin=90.0 * k, end=17900 - 80 * k, seed=k)[0] for k in range(4)]
    alignment = align_runs(runs, AlignSettings(run="r0"))
    phases = propose_phases(alignment)
    assert [phase.name for phase in phases] == ["city", "country", "ramp", "highway", "country-2", "city-2"]
    assert [phase.kind for phase in phases] == ["city", "city", "ramp", "highway", "city", "city"]
    limits_found = [phase.from_m for phase in phases] + [phases[-1].to_m]
    for found, true in zip(limits_found, (270, 2500, 7200, 7650, 12000, 15000, 17660), strict=True):
        assert found == pytest.approx(true, abs=150)
    assert complete_in_all(alignment, phases)


def test_slivers_are_merged_into_few_phases() -> None:
    """Speed limits that change every 400 m between 40 and 70 km/h are one road to a practitioner."""
    limits = [(400.0 * k, 40.0 + 30.0 * (k % 2)) for k in range(20)] + [(8000.0, 110.0), (12000.0, 60.0)]
    runs = [drive(f"r{k}", [(0, 0), (15000, 0)], limits=limits, seed=k)[0] for k in range(3)]
    phases = propose_phases(align_runs(runs))
    assert 3 <= len(phases) <= 6
    assert all(phase.to_m - phase.from_m >= 1000 for phase in phases if phase.kind != "ramp")


def test_real_laps_by_place(drives: Path) -> None:
    alignment = align_runs(loop_runs(drives, range(1, 30, 3)))
    grid = grid_by_place(alignment, iat_of(alignment))
    assert grid.mean.shape == (10, len(grid.edges) - 1)
    assert np.isfinite(grid.mean).mean() > 0.97
    phases = propose_phases(alignment)
    assert 3 <= len(phases) <= 6 and complete_in_all(alignment, phases)
    assert sum(phase.kind == "city" for phase in phases) > 1
