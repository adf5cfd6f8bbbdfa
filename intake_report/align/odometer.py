"""Distance from speed."""

from __future__ import annotations

import numpy as np

from intake_report.align.model import Floats, Run
from intake_report.align.settings import ChannelNames

KMH = 3.6  # km/h per m/s, exact
BEYOND = 5.0  # s for which the first and the last speed are taken to hold outside the samples


def driven(time: Floats, speed: Floats, at: Floats) -> Floats:
    """Return the distance driven since the first sample.

    Parameters
    ----------
    time, speed : ndarray, shape (n,)
        True samples of speed [s], [km/h], time strictly increasing, n >= 1.
    at : ndarray, shape (m,)
        Times [s] at which distance is wanted.

    Returns
    -------
    ndarray, shape (m,)
        Distance [m], exact for speed that is linear between the samples; outside them speed holds for 5 s and no longer.
    """
    v = np.maximum(speed, 0.0) / KMH
    steps = np.diff(time)
    total = np.concatenate([[0.0], np.cumsum(steps * (v[1:] + v[:-1]) / 2)])
    inside = np.clip(at, time[0], time[-1])
    i = np.clip(np.searchsorted(time, inside, side="right") - 1, 0, max(len(time) - 2, 0))
    tau = inside - time[i]
    slope = (np.diff(v) / steps)[i] if len(time) > 1 else np.zeros(len(at))
    distance = total[i] + v[i] * tau + slope * tau**2 / 2
    before, after = np.maximum(time[0] - at, 0.0), np.maximum(at - time[-1], 0.0)
    outside = np.minimum(after, BEYOND) * v[-1] - np.minimum(before, BEYOND) * v[0]
    return np.asarray(distance + outside, dtype=np.float64)


def speed_samples(run: Run, channels: ChannelNames) -> tuple[Floats, Floats] | None:
    """Return the true speed samples of a run as (time [s], speed [km/h]), or None if there are fewer than two."""
    name = speed_channel(run, channels)
    if name is None:
        return None
    good = run.good(name)
    return good.index.to_numpy(dtype=np.float64), good.to_numpy(dtype=np.float64)


def speed_channel(run: Run, channels: ChannelNames) -> str | None:
    """Return the channel that gives a run's speed: the first with two valid samples."""
    return next((n for n in (channels.speed, channels.other_speed) if run.has(n) and len(run.good(n)) >= 2), None)


def frame_time(run: Run) -> Floats:
    """Return the elapsed seconds of a run's rows, shape (n,)."""
    return run.frame.index.to_numpy(dtype=np.float64)
