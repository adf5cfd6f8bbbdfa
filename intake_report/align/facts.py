"""What the acceptance criteria compare, run by run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from intake_report.align.events import crossing
from intake_report.align.grid import PlaceGrid
from intake_report.align.model import AlignedRun, Floats
from intake_report.align.odometer import KMH, speed_samples
from intake_report.align.settings import AlignSettings

FIRST = 60.0  # s that count as the start of a run
FROM_SHARE = 0.6  # of the entry's threshold from which acceleration is taken
LONGEST_RISE = 120.0  # s; a slower rise is not one acceleration


@dataclass(frozen=True)
class Conditions:
    """What is known of a run from outside its log; None where it is not.

    Parameters
    ----------
    ambient : float or None
        Mean ambient by the campaign's reference [°C].
    ambient_start : float or None
        The same during the first minute [°C]; default: `ambient`.
    wind : float or None
        Mean wind [km/h].
    rain : bool or None
        Whether rain was recorded.
    start : Timestamp or None
        Start of the run; default: that of the cleaned run.
    configuration : str
        Id of what was driven; runs without one count as alike.
    """

    ambient: float | None = None
    ambient_start: float | None = None
    wind: float | None = None
    rain: bool | None = None
    start: pd.Timestamp | None = None
    configuration: str = ""


@dataclass(frozen=True)
class Facts:
    """Values of one run by criterion (None with a reason where it cannot be known), and its profiles.

    `durations` are the complete phases' durations [s]; `speeds` (cells,) is speed by place [km/h] by kind of phase.
    """

    run: str
    by_code: dict[str, float | None]
    reasons: dict[str, str]
    durations: dict[str, float] = field(default_factory=dict)
    speeds: dict[str, Floats] = field(default_factory=dict)
    configuration: str = ""


def gather(run: AlignedRun, grid: PlaceGrid, settings: AlignSettings, conditions: Conditions) -> Facts:
    """Return the facts of one run."""
    values: dict[str, float | None] = {}
    reasons: dict[str, str] = {}
    hard = [finding for finding in run.findings if finding.hard]
    values["one-pass"] = float(len(hard))
    if hard:
        reasons["one-pass"] = " ".join(finding.text for finding in hard)
    values["coverage"] = run.coverage
    values["cross-track"] = _cross_track(run, reasons)
    values["placement"] = run.residual if run.method == "speed" else None
    if run.method == "position":
        reasons["placement"] = "the run has positions"
    elif run.residual is None:
        reasons["placement"] = "no stretch of road is marked enough to tell"
    _before_entry(run, values, reasons)
    values["ramp-acceleration"] = _ramp_acceleration(run, settings, reasons)
    _soak(run, conditions, values, reasons)
    start = conditions.start if conditions.start is not None else run.clean.start
    values["time-of-day"] = None if start is None else start.hour + start.minute / 60 + start.second / 3600
    if start is None:
        reasons["time-of-day"] = "the start time is not known"
    for code, known in (("ambient", conditions.ambient), ("wind", conditions.wind), ("rain", conditions.rain)):
        values[code] = None if known is None else float(known)
        if known is None:
            reasons[code] = f"{code} was not recorded"
    durations = {span.phase: span.duration for span in run.phases if span.complete}
    return Facts(run.run, values, reasons, durations, _speeds(run, grid, settings), conditions.configuration)


def _cross_track(run: AlignedRun, reasons: dict[str, str]) -> float | None:
    if run.cross_track is None or run.cross_track.empty:
        reasons["cross-track"] = "the run has no position on the route"
        return None
    return float(run.cross_track.abs().median())


def _before_entry(run: AlignedRun, values: dict[str, float | None], reasons: dict[str, str]) -> None:
    values["stop-time"] = values["stops"] = None
    if run.highway_entry is None:
        reasons["stop-time"] = reasons["stops"] = "the run has no highway entry"
        return
    before = [stop for stop in run.stops if stop.start < run.highway_entry and np.isfinite(stop.distance)]
    values["stop-time"] = float(sum(stop.duration for stop in before))
    values["stops"] = float(len(before))


def _ramp_acceleration(run: AlignedRun, settings: AlignSettings, reasons: dict[str, str]) -> float | None:
    speed = speed_samples(run.clean, settings.channels)
    name = settings.entry.phase
    ramp = next((span for span in run.phases if (span.phase == name if name else span.kind == "ramp")), None)
    if speed is None or ramp is None or run.highway_entry is None:
        reasons["ramp-acceleration"] = "the run has no highway entry from a ramp"
        return None
    time, v = speed
    top = settings.entry.threshold
    base = FROM_SHARE * top
    # the last rise through the base, wherever it began: waiting at a ramp meter does not count as accelerating
    rises = np.flatnonzero((v[:-1] < base) & (v[1:] >= base) & (time[1:] <= run.highway_entry))
    if len(rises) == 0:
        reasons["ramp-acceleration"] = f"the run does not rise through {base:g} km/h before the highway entry"
        return None
    took = run.highway_entry - crossing(time, v, int(rises[-1]), base)
    if took > LONGEST_RISE:
        reasons["ramp-acceleration"] = f"the rise from {base:g} km/h to the highway entry took {took:.0f} s"
        return None
    return float((top - base) / KMH / took)


def _soak(run: AlignedRun, conditions: Conditions, values: dict[str, float | None], reasons: dict[str, str]) -> None:
    for code, name in (("start-coolant", "coolant"), ("start-over-ambient", "iat")):
        values[code] = None
        if not run.clean.has(name):
            reasons[code] = f"the run has no {name}"
            continue
        good = run.clean.good(name)
        first = good[good.index.to_numpy(dtype=np.float64) <= float(run.clean.frame.index[0]) + FIRST]
        if first.empty:
            reasons[code] = f"no valid {name} in the first minute"
            continue
        values[code] = float(first.median())
    reading = values["start-over-ambient"]
    ambient = conditions.ambient_start if conditions.ambient_start is not None else conditions.ambient
    if reading is not None:
        values["start-over-ambient"] = None if ambient is None else reading - ambient
        if ambient is None:
            reasons["start-over-ambient"] = "ambient was not recorded"


def _speeds(run: AlignedRun, grid: PlaceGrid, settings: AlignSettings) -> dict[str, Floats]:
    if run.run not in grid.runs:
        return {}
    row = grid.speed()[grid.runs.index(run.run)]
    out = {}
    for kind in ("ramp", "highway"):
        inside = np.zeros(len(row), dtype=bool)
        for phase in settings.phases:
            if phase.kind == kind:
                inside |= (grid.centres >= phase.from_m) & (grid.centres <= phase.to_m)
        if inside.any():
            out[kind] = np.where(inside, row, np.nan)
    return out


def by_run(
    runs: tuple[AlignedRun, ...], grid: PlaceGrid, settings: AlignSettings, conditions: Mapping[str, Conditions]
) -> dict[str, Facts]:
    """Return the facts of all runs."""
    return {run.run: gather(run, grid, settings, conditions.get(run.run, Conditions())) for run in runs}
