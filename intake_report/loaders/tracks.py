"""Position tracks: GPX through gpxpy, and a track joined to a run by time and speed."""

import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from intake_report.errors import DataError
from intake_report.loaders.base import FloatArray, Notice, RawColumn, RawLog, ReadOptions, notice
from intake_report.loaders.content import open_bytes
from intake_report.loaders.times import in_utc, rows_of_log
from intake_report.messages import Count, Message, Value, message

SIGNATURE = re.compile(rb"<gpx[\s>]")  # the root element
# Fields of a track have a fixed meaning and unit, so they need no mapping: name, unit, channel.
_FIELDS = (
    ("latitude", "deg", "latitude"),
    ("longitude", "deg", "longitude"),
    ("elevation", "m", "altitude"),
    ("speed", "m/s", "gps_speed"),
    ("hdop", "1", "hdop"),
)
_EARTH = 6_371_008.8  # mean radius of the sphere [m], IUGG; only speeds of tracks are computed with it
_SEARCH = 90  # [s] around the offset that the clocks tell; loggers' clocks are rarely further off (common practice)
_SURE = 0.8  # least correlation of the two speeds (common practice)
_LEAST = 60  # least overlap [s]
_LEAST_POINTS = 10  # with a speed
_HOLE = 15.0  # [s] without a sample over which a speed is not interpolated
_MOST = 200_000  # [s] of a run or track whose speeds are compared: more than two days


def read_gpx(path: Path, options: ReadOptions) -> RawLog:  # noqa: ARG001 - a track tells all by itself
    """Read all track points of a GPX file, in order.

    Raises DataError: if it is not well-formed, holds no track points, or the points carry no time.
    """
    import gpxpy
    import gpxpy.gpx

    data, packed = open_bytes(path)
    raw = bytes(data)
    if b"<!DOCTYPE" in raw or b"<!ENTITY" in raw:
        raise DataError("The track declares XML entities, which no GPX file needs.")
    try:
        track = gpxpy.parse(raw.decode("utf-8-sig", "replace"))
    except (gpxpy.gpx.GPXException, ValueError, AttributeError) as error:
        raise DataError("The track is not well-formed GPX.", remedy="Export it again.") from error
    points = [point for line in track.tracks for segment in line.segments for point in segment.points]
    if not points:
        raise DataError("The file holds no track points.", remedy="Export the track, not the waypoints.")
    timed = [point for point in points if point.time is not None]
    if not timed:
        raise DataError("The track points carry no time.", remedy="Export the recorded track.")
    notices = list(packed)
    if len(timed) < len(points):
        count = Count(len(points) - len(timed), "track point")
        notices.append(notice("rows-without-time", "{count} without time left out.", count=count))
    stamps = [in_utc(point.time) for point in timed if point.time is not None]
    middle = sorted(stamps)[len(stamps) // 2]
    rows = [(p.latitude, p.longitude, p.elevation, _speed(p), p.horizontal_dilution) for p in timed]
    values = np.array(rows, dtype=np.float64).T  # None becomes NaN
    read = (one for one in zip(_FIELDS, values, strict=True) if np.isfinite(one[1]).any())
    columns = tuple(RawColumn(name, unit, column, name) for (name, unit, _), column in read)
    seconds = np.array([(stamp - middle).total_seconds() for stamp in stamps])
    return RawLog(path, "gpx", *rows_of_log(seconds, columns, middle, notices))


def track_mapping(track: RawLog) -> dict[str, str]:
    """Return the channels of a track's columns in the form of the campaign file's `columns`."""
    present = {column.name for column in track.columns}
    return {name: f"{channel} [{unit}]" for name, unit, channel in _FIELDS if name in present}


def _speed(point: Any) -> float | None:
    """Return the speed [m/s] of a point: GPX 1.0 has an element, 1.1 an extension."""
    if getattr(point, "speed", None) is not None:
        return float(point.speed)
    elements = (element for extension in point.extensions for element in extension.iter())
    texts = (e.text for e in elements if str(e.tag).rpartition("}")[2].lower() == "speed")
    try:
        return float(next(texts, None) or "nan")
    except ValueError:
        return None


def place_track(frame: pd.DataFrame, begin: pd.Timestamp | None, track: RawLog) -> tuple[FloatArray, Notice]:
    """Return the times [s] of a track's points in the time of a run, whose index 0 is at `begin`.

    Raises DataError: if neither the clocks nor the speeds tell.
    """
    nominal = None if begin is None or track.origin is None else (track.origin - begin).total_seconds()
    time, file = frame.index.to_numpy(dtype=float), track.path.name
    lag = _best_lag(time, frame["speed"].to_numpy(dtype=float), track, nominal) if "speed" in frame else None
    if lag is not None and lag[1] >= _SURE:
        offset, correlation = Value(lag[0], "time", 1, signed=True), Value(lag[1], "number", 2)
        against: Message | str = ""
        if nominal is not None:
            against = message(", {by} against the clocks", by=Value(lag[0] - nominal, "time", 1, signed=True))
        template = "{file} is joined at {offset} by speed (correlation {correlation}){against}."
        account = notice("track-joined", template, file=file, offset=offset, correlation=correlation, against=against)
        return track.time + lag[0], account
    if nominal is None:
        what = "The track cannot be placed in the run: the run has no date and the speeds do not match."
        raise DataError(what, file=track.path, remedy="State the start of the run, or leave the track out.")
    template = "{file} is joined by the clocks alone; the speeds do not confirm it."
    return track.time + nominal, notice("track-by-clock", template, file=file)


def _track_speed(track: RawLog) -> FloatArray:
    if any(column.name == "speed" for column in track.columns):
        recorded = track.column("speed").values * 3.6  # noqa: PD011
        if np.isfinite(recorded).mean() > 0.5:
            return recorded
    latitude = np.radians(track.column("latitude").values)
    longitude = np.radians(track.column("longitude").values)
    if len(latitude) < 2:
        return np.full(len(latitude), np.nan)
    half = np.sin(np.diff(latitude) / 2) ** 2
    half += np.cos(latitude[1:]) * np.cos(latitude[:-1]) * np.sin(np.diff(longitude) / 2) ** 2
    steps = np.diff(track.time)
    with np.errstate(divide="ignore", invalid="ignore"):
        between = np.where(steps > 0, 2 * _EARTH * np.arcsin(np.sqrt(half)) / steps * 3.6, np.nan)
    return np.concatenate([between[:1], (between[1:] + between[:-1]) / 2, between[-1:]])


def _best_lag(time: FloatArray, speed: FloatArray, track: RawLog, nominal: float | None) -> tuple[float, float] | None:
    """Return the lag [s] of the track at which the two speeds correlate best, and that correlation."""
    one, other = _each_second(time, speed), _each_second(track.time, _track_speed(track))
    if one is None or other is None:
        return None
    (start, run), (begin, trace) = one, other
    # Lag k puts second 0 of the trace on second k of the run.
    first, last = -len(trace) + _LEAST, len(run) - _LEAST
    if nominal is not None:
        middle = round(nominal + begin - start)
        first, last = max(first, middle - _SEARCH), min(last, middle + _SEARCH)
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
    if good.sum() < _LEAST_POINTS:
        return None
    order = np.argsort(time[good], kind="stable")
    at, values = time[good][order], speed[good][order]
    if at[-1] - at[0] > _MOST:
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
    a, b = a[both] - a[both].mean(), b[both] - b[both].mean()
    scale = float(np.sqrt((a @ a) * (b @ b)))
    return float(a @ b) / scale if scale > 0 else -1.0
