"""Phases by route distance and the highway entry."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from intake_report.align.events import crossing
from intake_report.align.model import Floats, PhaseSpan
from intake_report.align.settings import EntrySettings, PhaseSettings


def passing_time(distance: pd.Series[float], at: float) -> float | None:
    """Return the elapsed time [s] at which a run first reaches a route distance, between samples; None if never."""
    known = distance.dropna()
    if known.empty:
        return None
    time = known.index.to_numpy(dtype=np.float64)
    s = known.to_numpy(dtype=np.float64)
    if at < s[0] or at > s[-1]:
        return None
    k = int(np.searchsorted(s, at, side="left"))
    if k == 0 or s[k] == at:
        return float(time[k])
    return float(time[k - 1] + (at - s[k - 1]) / (s[k] - s[k - 1]) * (time[k] - time[k - 1]))


def find_phases(
    distance: pd.Series[float], phases: Sequence[PhaseSettings], lap: float | None = None, slack: float = 50.0
) -> tuple[PhaseSpan, ...]:
    """Return the passage of a run through each phase that it covers at all.

    Parameters
    ----------
    distance : Series
        Route distance [m] by elapsed second; never falls.
    phases : sequence of PhaseSettings
        Stretches of the route [m].
    lap : float, optional
        Length of a closed route [m]: a run that began elsewhere passes the phase one lap further on.
    slack : float
        A phase of which less than this is missing at an end counts as complete [m].
    """
    known = distance.dropna()
    out = []
    if known.empty:
        return ()
    first, last = float(known.iloc[0]), float(known.iloc[-1])
    for phase in phases:
        shifts = (0.0, lap, -lap) if lap is not None else (0.0,)
        shift = max(shifts, key=lambda d: min(last, phase.to_m + d) - max(first, phase.from_m + d))
        a, b = max(first, phase.from_m + shift), min(last, phase.to_m + shift)
        if b <= a:
            continue
        start, end = passing_time(distance, a), passing_time(distance, b)
        if start is None or end is None:
            continue
        missing = max(a - phase.from_m - shift, phase.to_m + shift - b)
        out.append(PhaseSpan(phase.name, start, end, kind=phase.kind, complete=missing <= slack))
    return tuple(out)


def highway_entry(
    time: Floats, speed: Floats, spans: Sequence[PhaseSpan], settings: EntrySettings
) -> tuple[float | None, str | None]:
    """Return the elapsed time [s] of the highway entry, or None and the reason.

    Parameters
    ----------
    time, speed : ndarray, shape (n,)
        True samples of speed [s], [km/h].
    spans : sequence of PhaseSpan
        Passages of this run.
    settings : EntrySettings
        Phase (default: the first ramp), threshold [km/h] and hold [s].

    Notes
    -----
    The first upward crossing of the threshold within the phase after which speed stays at or above it for `hold`;
    the time is interpolated between the two samples.
    """
    ramp = next(
        (span for span in spans if (span.phase == settings.phase if settings.phase else span.kind == "ramp")), None
    )
    if ramp is None:
        return None, "The run does not pass the ramp."
    above = speed >= settings.threshold
    tried = False
    for i in np.flatnonzero(~above[:-1] & above[1:]).tolist():
        when = crossing(time, speed, i, settings.threshold)
        if not ramp.start <= when <= ramp.end:
            continue
        tried = True
        held = (time > when) & (time <= when + settings.hold)
        if time[-1] >= when + settings.hold and bool(above[held].all()):
            return when, None
    if not tried and bool(above[np.searchsorted(time, ramp.start).clip(0, len(time) - 1)]):
        return None, f"The run enters the ramp at or above {settings.threshold:g} km/h."
    return None, f"Speed is not held above {settings.threshold:g} km/h for {settings.hold:g} s within the ramp."
