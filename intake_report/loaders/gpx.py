"""GPX 1.1 tracks through gpxpy."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from intake_report.errors import DataError
from intake_report.loaders.base import Notice, RawColumn, RawLog, ReadOptions, plural
from intake_report.loaders.compression import open_bytes

_SIGNATURE = re.compile(rb"<gpx[\s>]")
# Fields of a track have a fixed meaning and unit, so they need no mapping.
GPX_CHANNELS = {
    "latitude": "latitude [deg]",
    "longitude": "longitude [deg]",
    "elevation": "altitude [m]",
    "speed": "gps_speed [m/s]",
    "hdop": "hdop [1]",
}
_UNITS = {"latitude": "deg", "longitude": "deg", "elevation": "m", "speed": "m/s", "hdop": "1"}


class GpxReader:
    """Reader of GPX tracks."""

    name = "gpx"
    suffixes: Sequence[str] = (".gpx",)

    def recognises(self, head: bytes) -> bool:
        """Tell whether the first bytes hold the root element of GPX."""
        return _SIGNATURE.search(head) is not None

    def read(self, path: Path, options: ReadOptions) -> RawLog:
        """Read all track points of a file, in order.

        Raises
        ------
        DataError
            If it is not well-formed, holds no track points, or the points carry no time.
        """
        import gpxpy
        import gpxpy.gpx

        data, packed = open_bytes(path, options)
        raw = bytes(data)
        if b"<!DOCTYPE" in raw or b"<!ENTITY" in raw:
            raise DataError("The track declares XML entities, which no GPX file needs.", file=path)
        try:
            track = gpxpy.parse(raw.decode("utf-8-sig", "replace"))
        except (gpxpy.gpx.GPXException, ValueError, AttributeError) as error:
            raise DataError("The track is not well-formed GPX.", file=path, remedy="Export it again.") from error
        points = [point for line in track.tracks for segment in line.segments for point in segment.points]
        if not points:
            raise DataError("The file holds no track points.", file=path, remedy="Export the track, not the waypoints.")
        timed = [point for point in points if point.time is not None]
        if not timed:
            raise DataError("The track points carry no time.", file=path, remedy="Export the recorded track.")
        stamps = [_utc(point.time) for point in timed if point.time is not None]
        origin = stamps[0]
        time = np.array([(stamp - origin).total_seconds() for stamp in stamps])
        notices = list(packed)
        if len(timed) < len(points):
            lost = len(points) - len(timed)
            text = f"{plural(lost, 'track point')} without time left out."
            notices.append(Notice("rows-without-time", text, count=lost))
        values: dict[str, list[float | None]] = {
            "latitude": [point.latitude for point in timed],
            "longitude": [point.longitude for point in timed],
            "elevation": [point.elevation for point in timed],
            "speed": [_speed(point) for point in timed],
            "hdop": [point.horizontal_dilution for point in timed],
        }
        columns = tuple(
            RawColumn(name, _UNITS[name], np.array([np.nan if v is None else float(v) for v in column]), name)
            for name, column in values.items()
            if any(v is not None for v in column)
        )
        return RawLog(path, self.name, time, origin, columns, tuple(notices))


def _utc(stamp: datetime) -> datetime:
    return (stamp if stamp.tzinfo else stamp.replace(tzinfo=UTC)).astimezone(UTC)


def _speed(point: Any) -> float | None:
    """Return the speed [m/s] of a point: GPX 1.0 has an element, 1.1 an extension."""
    speed = getattr(point, "speed", None)
    if speed is not None:
        return float(speed)
    for extension in getattr(point, "extensions", ()):
        for element in extension.iter():
            if str(element.tag).rsplit("}", 1)[-1].lower() == "speed":
                try:
                    return float(element.text or "")
                except ValueError:
                    return None
    return None
