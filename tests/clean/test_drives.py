"""All real drives: cleaned without error, true intervals, backward steps, no fault value left."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from intake_report.channels import CHANNELS
from intake_report.clean import clean, cross_checks
from intake_report.loaders.base import RunLog

from .support import check, text

COMMUTE = ("coolant", "map", "rpm", "speed", "iat", "maf", "throttle", "ambient", "pedal", "pedal_e")
LOOP = {
    "longitude": "longitude", "latitude": "latitude", "GPS Speed": "gps_speed", "Intake Temperature": "iat", "Rpm": "rpm",
    "Throttle Position": "throttle", "Engine Load": "load", "GPS HDOP": "hdop", "GPS Altitude": "altitude",
    "GPS Accuracy": "gps_accuracy", "Speed": "speed", "Intake Pressure": "map", "GPS Bearing": "bearing",
    "Calculated MAF": "maf", "Consumption": "fuel_rate",
}  # fmt: skip


def read(path: Path) -> RunLog:
    """Read a drive apart from the loaders: commutes have ten columns in order, loops names with their units."""
    table = pd.read_csv(path)
    if path.parent.name == "commute":
        time = pd.to_timedelta(table.pop("Time"))
        frame = table.set_axis(COMMUTE, axis="columns")
    else:
        time = pd.to_datetime(table.pop("time")) - pd.Timestamp("2017-01-01", tz="UTC")
        names = {header: LOOP.get(header.split(" [")[0]) for header in table.columns}
        frame = table[[header for header, name in names.items() if name]].rename(columns=names)
    seconds = time.dt.total_seconds()
    frame = frame.astype(np.float64).set_axis(pd.Index(seconds - seconds[0], name="time"), axis="index")
    return RunLog(path.name, frame, None, (path,))


@pytest.fixture(scope="module")
def commute(drives: Path) -> dict[str, RunLog]:
    return {path.name: read(path) for path in sorted(drives.glob("commute/*.csv.gz"))}


@pytest.fixture(scope="module")
def loop(drives: Path) -> dict[str, RunLog]:
    return {path.name: read(path) for path in sorted(drives.glob("loop/*.csv"))}


@pytest.fixture(scope="module")
def cleaned(commute, loop):
    return {name: clean(log) for name, log in (commute | loop).items()}


def test_all_49_drives_are_cleaned_and_no_fault_value_is_left(cleaned):
    assert len(cleaned) == 49
    for run in cleaned.values():
        assert (np.diff(run.frame.index) > 0).all()
        assert run.frame.shape == run.masks.shape
        assert run.has("iat") and run.has("speed")
        for channel in (c for c in run.frame if c in CHANNELS and run.has(c)):
            known, good = CHANNELS[channel], run.good(channel).to_numpy()
            assert good.min() >= known.low and good.max() <= known.high, (run.id, channel)
            assert all((np.abs(good - code) > 1e-3).all() for code in known.fault_codes), (run.id, channel)


def test_true_interval_of_every_commute_channel(commute, cleaned):
    """One of ten channels is refreshed per row of 0.09 s (README of the drives): each channel every ten rows."""
    for name, log in commute.items():
        run = cleaned[name]
        assert float(np.median(np.diff(log.frame.index))) < 0.13
        for channel, sampling in run.sampling.items():
            assert 0.8 <= sampling.interval <= 1.25, (name, channel)
            assert sampling.samples == pytest.approx(len(log.frame) / 10, abs=2), (name, channel)
            reason = next(e.reason for e in run.quality if e.step == "true-samples" and e.channel == channel)
            assert "one row in 10" in text(reason)


def test_each_commute_row_is_one_sample(commute, cleaned):
    """The reduction is exact: every change of every channel is kept, and no row carries two samples."""
    for name, log in commute.items():
        run = cleaned[name]
        assert (run.frame.notna().to_numpy().sum(axis=1) <= 1).mean() > 0.9999, name
        for channel in log.frame:
            raw = log.frame[channel].dropna().to_numpy()
            samples = run.frame[channel].dropna().to_numpy()
            assert np.count_nonzero(np.diff(samples)) == np.count_nonzero(np.diff(raw)), (name, channel)


def test_lost_row_of_one_drive_is_found(cleaned):
    slips = {name for name, run in cleaned.items() if any(e.step == "cycle-slip" for e in run.quality)}
    assert slips == {"2018-03-08_normal.csv.gz"}


def test_backward_steps_are_found(commute, loop, cleaned):
    """In exactly the files whose raw times step back; each is one clock set back by less than a second."""
    raw = {n for n, log in (commute | loop).items() if (np.diff(log.frame.index) < 0).any()}
    found = {n for n, run in cleaned.items() if any(e.step == "clock-set-back" for e in run.quality)}
    assert raw and found == raw


def test_no_reading_of_a_standing_engine_is_left(commute, cleaned):
    """The intake climbs to 80-150 °C within seconds of an engine stop (README of the drives)."""
    for name, log in commute.items():
        assert log.frame["iat"].max() > 80, name
        run = cleaned[name]
        good = run.good("iat")
        assert good.max() < 50, name
        ambient = np.interp(good.index, run.good("ambient").index, run.good("ambient"))
        # An intake cannot be colder than the air it draws; 1 °C readings of two sensors allow some kelvin.
        assert (good.to_numpy() - ambient).min() >= -5.0, name
        assert good.size > 0.85 * run.sampling["iat"].samples, name


def test_loop_drives_keep_their_interval_and_step(loop, cleaned):
    for name, log in loop.items():
        run = cleaned[name]
        assert set(run.frame) == set(LOOP.values())
        for channel, sampling in run.sampling.items():
            assert sampling.interval == 5.0 and sampling.samples == log.frame[channel].notna().sum()
        # 17.9999995 is an 18: the intake reads whole degrees.
        assert run.sampling["iat"].step == pytest.approx(1.0), name


def test_loop_speed_against_gps_speed(loop, cleaned):
    """One car on one loop: the scale has to be the same in all 30 drives, and no lag beyond the 5 s interval."""
    scales, ratios = [], []
    for name in loop:
        found = {c.name: c for c in cross_checks(cleaned[name])}
        speed = found["speed-against-gps"]
        assert speed.status == "agrees", speed.evidence
        scales.append(speed.numbers["scale"])
        assert abs(speed.numbers["lag_s"]) < 1.0
        ratios.append(found["distance-by-both"].numbers["ratio"])
        assert found["clock-drift"].status != "flagged", name
    assert np.std(scales) < 0.01 and np.std(ratios) < 0.01
    assert np.mean(scales) == pytest.approx(np.mean(ratios), abs=0.01)


def test_loop_airflow_is_in_grams_as_labelled(loop, cleaned):
    """The app computed fuel from airflow; the ratio shows the unit. The same numbers labelled l/s are flagged."""
    for name, log in list(loop.items())[::10]:
        assert check(cleaned[name], "airflow-unit").status == "agrees", name
        wrong = clean(replace(log, frame=log.frame.assign(maf=log.frame["maf"] * 1.2)))
        litres = check(wrong, "airflow-unit", columns={"maf": ("", "l/s")})
        assert litres.status == "flagged" and "only in g/s" in text(litres.evidence), name


def test_commute_manifold_against_barometer(commute, cleaned):
    """With the engine stopped the manifold shows the barometric pressure of one region: within 3 kPa over all drives."""
    checks = [check(cleaned[name], "manifold-against-barometer", station_pressure=97.0) for name in commute]
    pressures = [c.numbers["manifold_kPa"] for c in checks if c.status != "not-possible"]
    assert len(pressures) >= 15
    assert np.ptp(pressures) <= 4.0 and 90 < np.mean(pressures) < 103


@pytest.mark.parametrize("seconds", [12.0, 30.0])
def test_thinned_positions_of_the_loop_are_neither_stuck_nor_impossible(loop, cleaned, seconds):
    for name, log in list(loop.items())[::6]:
        frame = log.frame.copy()
        fix = np.floor(frame.index.to_numpy() / seconds)
        first = np.append(True, fix[1:] != fix[:-1])
        for channel in ("latitude", "longitude"):
            frame[channel] = frame[channel].where(first).ffill()
        run = clean(replace(log, frame=frame))
        steps = {e.step for e in run.quality if e.channel == "latitude"}
        assert not steps & {"stuck", "rate-not-applied", "spike"} and "slow-position" in steps, (name, steps)
        assert run.masks["latitude"].sum() <= cleaned[name].masks["latitude"].sum() + 1, name
