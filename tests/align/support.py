"""Runs for the alignment tests: made from arrays, and read from the real drives."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd


@dataclass(frozen=True, eq=False)
class StubRun:
    """The part of a cleaned run that the alignment reads."""

    run: str
    frame: pd.DataFrame
    start: pd.Timestamp | None = None

    def good(self, channel: str) -> pd.Series:
        return self.frame[channel].dropna()

    def has(self, channel: str) -> bool:
        return channel in self.frame.columns and bool(self.frame[channel].notna().any())


def make_run(name: str, time, start: pd.Timestamp | None = None, **channels) -> StubRun:
    index = pd.Index(np.asarray(time, dtype=float), name="time")
    return StubRun(name, pd.DataFrame({k: np.asarray(v, dtype=float) for k, v in channels.items()}, index=index), start)


def loop_runs(drives: Path, pick: Sequence[int] | None = None) -> list[StubRun]:
    files = sorted(drives.glob("loop/*.csv"))
    runs = []
    for file in files if pick is None else [files[i] for i in pick]:
        table = pd.read_csv(file)
        when = pd.to_datetime(table["time"], utc=True)
        elapsed = (when - when.iloc[0]).dt.total_seconds().to_numpy()
        keep = np.concatenate([[True], np.diff(elapsed) > 0])
        table = table[keep]
        runs.append(
            make_run(
                file.stem, elapsed[keep], start=when.iloc[0], latitude=table["latitude [deg]"],
                longitude=table["longitude [deg]"], speed=table["Speed [km/h]"], iat=table["Intake Temperature [c]"],
            )
        )  # fmt: skip
    return runs


def commute_runs(drives: Path, pick: slice = slice(None)) -> list[StubRun]:
    """The commute drives: only speed; every tenth row is a sample, the others repeat it."""
    runs = []
    for file in sorted(drives.glob("commute/*.csv.gz"))[pick]:
        table = pd.read_csv(file, encoding="utf-8", usecols=["Time", "Vehicle Speed Sensor [km/h]"])
        time = pd.to_timedelta(table["Time"]).dt.total_seconds().to_numpy()
        speed = table["Vehicle Speed Sensor [km/h]"].to_numpy(dtype=float)
        time = time - time[0]
        # five files step backwards in time
        good = ~np.isnan(speed) & np.concatenate([[True], time[1:] > np.maximum.accumulate(time)[:-1]])
        time, speed = time[good], speed[good]
        changed = np.flatnonzero(np.concatenate([[True], np.diff(speed) != 0]))
        keep = np.unique(np.concatenate([changed, np.arange(0, len(time), 10)]))
        runs.append(make_run(file.name[:10], time[keep], speed=speed[keep]))
    return runs
