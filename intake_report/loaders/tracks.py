"""A position track joined to a run: by time, with the offset of the two clocks estimated from speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from intake_report.errors import DataError
from intake_report.loaders.base import FloatArray, Notice, RawLog

_EARTH = 6_371_008.8  # mean radius of the sphere [m], IUGG; only speeds of tracks are computed with it
_SEARCH = 90.0  # [s] around the offset that the clocks tell; loggers' clocks are rarely further off (common practice)
_SURE = 0.8  # least correlation of the two speeds (common practice)
_LEAST = 60  # least overlap [s]
_HOLE = 15.0  # [s] without a sample over which a speed is not interpolated


@dataclass(frozen=True)
class Offset:
    """Offset of a track against a run.

    Parameters
    ----------
    seconds : float
        Run time of the track's time 0 [s].
    correlation : float or None
        Of the two speeds at that offset; None when it was not estimated.
    notice : Notice
        For the quality log.
    """

    seconds: float
    correlation: float | None
    notice: Notice


def track_offset(time: FloatArray, speed: FloatArray | None, track: RawLog, nominal: float | None) -> Offset:
    """Estimate where a track lies in the time of a run.

    Parameters
    ----------
    time, speed : numpy.ndarray
        (n,) elapsed seconds of the run and vehicle speed [km/h]; None without a speed.
    track : RawLog
        With columns latitude and longitude, speed [m/s] if recorded.
    nominal : float or None
        Offset as the two clocks tell it [s]; None when the run has no absolute time.

    Raises
    ------
    DataError
        If neither the clocks nor the speeds tell.
    """
    found = None if speed is None else _best_lag(time, speed, track, nominal)
    if found is not None and found[1] >= _SURE:
        offset, correlation = found
        against = "" if nominal is None else f", {offset - nominal:+.1f} s against the clocks"
        text = f"{track.path.name} is joined at {offset:+.1f} s by speed (correlation {correlation:.2f}){against}."
        return Offset(offset, correlation, Notice("track-joined", text))
    if nominal is None:
        raise DataError(
            "The track cannot be placed in the run: the run has no date and the speeds do not match.",
            file=track.path,
            remedy="State the start of the run, or leave the track out.",
        )
    text = f"{track.path.name} is joined by the clocks alone; the speeds do not confirm it."
    return Offset(nominal, None, Notice("track-by-clock", text))


def track_speed(track: RawLog) -> FloatArray:
    """Return the speed along a track [km/h] at its points: as recorded, else from the positions.

    Parameters
    ----------
    track : RawLog
        With columns latitude and longitude [deg].
    """
    try:
        recorded: FloatArray = track.column("speed").values * 3.6
        if np.isfinite(recorded).mean() > 0.5:
            return recorded
    except KeyError:
        pass
    latitude = np.radians(track.column("latitude").values)
    longitude = np.radians(track.column("longitude").values)
    if len(latitude) < 2:
        return np.full(len(latitude), np.nan)
    half = np.sin(np.diff(latitude) / 2) ** 2
    half += np.cos(latitude[1:]) * np.cos(latitude[:-1]) * np.sin(np.diff(longitude) / 2) ** 2
    steps = np.diff(track.time)
    with np.errstate(divide="ignore", invalid="ignore"):
        between = np.where(steps > 0, 2 * _EARTH * np.arcsin(np.sqrt(half)) / steps * 3.6, np.nan)
    speed = np.empty(len(latitude))
    speed[0], speed[-1] = between[0], between[-1]
    speed[1:-1] = (between[1:] + between[:-1]) / 2
    return speed


def _best_lag(time: FloatArray, speed: FloatArray, track: RawLog, nominal: float | None) -> tuple[float, float] | None:
    one = _each_second(time, speed)
    other = _each_second(track.time, track_speed(track))
    if one is None or other is None:
        return None
    (start, run), (begin, trace) = one, other
    # Lag k puts second 0 of the trace on second k of the run.
    first, last = -len(trace) + _LEAST, len(run) - _LEAST
    if nominal is not None:
        middle = round(nominal + begin - start)
        first, last = max(first, middle - int(_SEARCH)), min(last, middle + int(_SEARCH))
    lags = np.arange(first, last + 1)
    if not lags.size:
        return None
    scores = np.array([_correlation(run, trace, int(lag)) for lag in lags])
    best = int(np.argmax(scores))
    if not np.isfinite(scores[best]) or scores[best] <= -1.0:
        return None
    fine = 0.0
    if 0 < best < len(lags) - 1 and scores[best - 1] > -1.0 and scores[best + 1] > -1.0:
        curve = scores[best - 1] - 2 * scores[best] + scores[best + 1]
        fine = 0.0 if curve >= 0 else 0.5 * (scores[best - 1] - scores[best + 1]) / curve
    return float(lags[best] + fine + start - begin), float(scores[best])


def _each_second(time: FloatArray, speed: FloatArray) -> tuple[float, FloatArray] | None:
    """Return the first time and the speed at each second from it, NaN in holes."""
    good = np.isfinite(time) & np.isfinite(speed)
    if good.sum() < 10:
        return None
    order = np.argsort(time[good], kind="stable")
    at, values = time[good][order], speed[good][order]
    if at[-1] - at[0] > 200_000:
        return None
    grid = np.arange(at[0], at[-1], 1.0)
    result = np.interp(grid, at, values)
    after = np.searchsorted(at, grid, side="left").clip(1, len(at) - 1)
    result[at[after] - at[after - 1] > _HOLE] = np.nan
    return float(at[0]), result


def _correlation(run: FloatArray, trace: FloatArray, lag: int) -> float:
    """Return the correlation of two speeds in their overlap; -1 when there is too little of it."""
    a = run[max(lag, 0) : lag + len(trace)]
    b = trace[max(-lag, 0) : max(-lag, 0) + len(a)]
    a = a[: len(b)]
    both = np.isfinite(a) & np.isfinite(b)
    if both.sum() < _LEAST:
        return -1.0
    a, b = a[both], b[both]
    a, b = a - a.mean(), b - b.mean()
    scale = float(np.sqrt((a @ a) * (b @ b)))
    return float(a @ b) / scale if scale > 0 else -1.0
