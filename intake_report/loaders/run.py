"""One run from one or several log files: parts joined in time, columns mapped to channels, units converted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from intake_report.errors import DataError
from intake_report.loaders.base import FloatArray, Notice, RawLog, ReadOptions, RunLog
from intake_report.loaders.clock import DAY
from intake_report.loaders.gpx import GPX_CHANNELS
from intake_report.loaders.mapping import Mapped, map_columns
from intake_report.loaders.registry import read_log
from intake_report.loaders.tracks import track_offset

if TYPE_CHECKING:
    import pandas as pd


def load_run(
    run_id: str,
    paths: Sequence[Path],
    mapping: Mapping[str, str],
    options: ReadOptions | None = None,
    *,
    start: datetime | None = None,
) -> RunLog:
    """Read the file or files of one run and map their columns to channels.

    Parameters
    ----------
    run_id : str
        Id of the run in the campaign.
    paths : sequence of Path
        One log, or the parts of one; a GPX track among them is joined by time.
    mapping : mapping of str to str
        Header -> "channel [unit]". Never guessed: `propose_mapping` proposes one for the user to accept.
    options : ReadOptions, optional
        What the files do not tell.
    start : datetime, optional
        Aware start of the run as the campaign states it: the date of clock times, the start of elapsed times.

    Returns
    -------
    RunLog
        Elapsed seconds since the first row; channels in internal units.

    Raises
    ------
    DataError
        If a file cannot be read, a column is not found, or parts cannot be put in order.
    """
    options = options or ReadOptions()
    if start is not None and options.date is None:
        zone = ZoneInfo(options.timezone) if options.timezone else UTC
        options = replace(options, date=start.astimezone(zone).date())
    return map_run(run_id, tuple(read_log(path, _options_for(path, options)) for path in paths), mapping, start=start)


def _options_for(path: Path, options: ReadOptions) -> ReadOptions:
    """A stated format is that of the logs; a track that accompanies them has its own."""
    return replace(options, format=None) if Path(path).suffix.lower() == ".gpx" else options


def map_run(
    run_id: str, logs: Sequence[RawLog], mapping: Mapping[str, str], *, start: datetime | None = None
) -> RunLog:
    """Map logs that have been read already; see `load_run`.

    Raises
    ------
    DataError
        If there is no log or no mapping, a column is not found, or parts cannot be put in order.
    """
    import pandas as pd

    if not logs:
        raise DataError(f"The run “{run_id}” has no log file.", remedy="Name one with file or files.")
    if not mapping and any(log.format != "gpx" for log in logs):
        raise DataError(
            f"No column of the run “{run_id}” is mapped to a channel.",
            file=logs[0].path,
            where="columns",
            remedy="Run intake-report check on the log: it prints a mapping to paste.",
        )
    logs, tracks = _apart(logs)
    if logs[0].format == "gpx":
        mapping = {column.name: GPX_CHANNELS[column.name] for column in logs[0].columns}
    parts, notices = _on_one_axis(logs)
    mapped = _map_parts([part.log for part in parts], mapping)
    origin = parts[0].log.origin
    zero = float(parts[0].seconds[0])
    seconds = parts[0].seconds - zero if len(parts) == 1 else np.concatenate([part.seconds for part in parts]) - zero
    names = list(dict.fromkeys(item.channel.name for items in mapped for item in items))
    data = {name: _joined(name, mapped, [len(part.seconds) for part in parts]) for name in names}
    frame = pd.DataFrame(data, index=pd.Index(seconds, name="time"), copy=False)
    begin, said = _start(parts[0].log, origin, zero, start)
    for track in tracks:
        frame, noticed = _with_track(frame, begin, track)
        notices.append(noticed)
    notes = (
        *(notice for log in (*logs, *tracks) for notice in log.notices),
        *notices,
        *said,
        *(notice for items in mapped for item in items for notice in item.notices),
    )
    return RunLog(run_id, frame, begin, tuple(log.path for log in (*logs, *tracks)), tuple(dict.fromkeys(notes)))


def _apart(logs: Sequence[RawLog]) -> tuple[Sequence[RawLog], Sequence[RawLog]]:
    """Tell logs from tracks that accompany them; tracks alone are the log."""
    tracks = [log for log in logs if log.format == "gpx"]
    if len(tracks) == len(logs):
        return logs, []
    return [log for log in logs if log.format != "gpx"], tracks


def _with_track(frame: pd.DataFrame, begin: pd.Timestamp | None, track: RawLog) -> tuple[pd.DataFrame, Notice]:
    """Add the samples of a track as rows of their own, between the rows of the run."""
    import pandas as pd

    time = frame.index.to_numpy(dtype=float)
    nominal = None if begin is None or track.origin is None else (pd.Timestamp(track.origin) - begin).total_seconds()
    speed = frame["speed"].to_numpy(dtype=float) if "speed" in frame else None
    offset = track_offset(time, speed, track, nominal)
    at = track.time + offset.seconds
    inside = (at >= np.nanmin(time)) & (at <= np.nanmax(time))
    if not inside.any():
        raise DataError("The track has no point within the run.", file=track.path, remedy="Name the track of this run.")
    mapped = map_columns(track, {column.name: GPX_CHANNELS[column.name] for column in track.columns})
    added = {item.channel.name: item.values[inside] for item in mapped if item.channel.name not in frame}  # noqa: PD011
    extra = pd.DataFrame(added, index=pd.Index(at[inside], name="time"))
    # The rows of the run keep their order, backward steps included; those of the track go where they belong.
    order = np.argsort(np.concatenate([np.maximum.accumulate(time), at[inside]]), kind="stable")
    return pd.concat([frame, extra]).iloc[order], offset.notice


@dataclass(frozen=True)
class _Part:
    log: RawLog
    seconds: FloatArray  # on the axis of the first part


def _on_one_axis(logs: Sequence[RawLog]) -> tuple[list[_Part], list[Notice]]:
    """Put the parts of a run on the time axis of the first of them."""
    for log in logs:
        if not len(log.time):
            raise DataError("The log has no row.", file=log.path)
    if len(logs) == 1:
        return [_Part(logs[0], logs[0].time)], []
    kinds = {log.time_kind for log in logs}
    if len(kinds) > 1:
        raise DataError(
            f"The parts of the run count time differently ({', '.join(sorted(kinds))}).",
            file=logs[0].path,
            remedy="State the date of the run, or name parts that were logged alike.",
        )
    kind = kinds.pop()
    if kind == "absolute":
        return _by_date(logs)
    if kind == "clock":
        return _by_clock(logs)
    return _one_after_another(logs)


def _by_date(logs: Sequence[RawLog]) -> tuple[list[_Part], list[Notice]]:
    ordered = sorted(logs, key=_origin)
    notices = (
        [] if ordered == list(logs) else [Notice("parts-sorted", "The parts of the run were put in order of time.")]
    )
    base = _origin(ordered[0])
    parts = [_Part(log, log.time + (_origin(log) - base).total_seconds()) for log in ordered]
    return parts, [*notices, *_overlaps(parts)]


def _origin(log: RawLog) -> datetime:
    assert log.origin is not None  # "absolute" means that there is one
    return log.origin


def _by_clock(logs: Sequence[RawLog]) -> tuple[list[_Part], list[Notice]]:
    parts = [_Part(logs[0], logs[0].time)]
    shift = 0.0
    for log in logs[1:]:
        while log.time[0] + shift < parts[-1].seconds[-1] - DAY / 2:
            shift += DAY
        parts.append(_Part(log, log.time + shift))
    return parts, _overlaps(parts)


def _one_after_another(logs: Sequence[RawLog]) -> tuple[list[_Part], list[Notice]]:
    parts = [_Part(logs[0], logs[0].time)]
    notices: list[Notice] = []
    for log in logs[1:]:
        before = parts[-1].seconds
        if log.time[0] >= before[-1]:
            parts.append(_Part(log, log.time))
            continue
        step = float(np.nanmedian(np.diff(before))) if len(before) > 1 else 1.0
        parts.append(_Part(log, log.time - log.time[0] + before[-1] + step))
        notices.append(
            Notice("parts-without-clock", f"{log.path.name} restarts its time; it is put right behind the part before.")
        )
    return parts, notices


def _overlaps(parts: Sequence[_Part]) -> list[Notice]:
    return [
        Notice(
            "parts-overlap",
            f"{later.log.path.name} begins {earlier.seconds[-1] - later.seconds[0]:.1f} s before "
            f"{earlier.log.path.name} ends.",
        )
        for earlier, later in pairwise(parts)
        if later.seconds[0] < earlier.seconds[-1]
    ]


def _map_parts(logs: Sequence[RawLog], mapping: Mapping[str, str]) -> list[tuple[Mapped, ...]]:
    return [map_columns(log, mapping) for log in logs]


def _joined(name: str, mapped: Sequence[Sequence[Mapped]], lengths: Sequence[int]) -> FloatArray:
    pieces = []
    for items, length in zip(mapped, lengths, strict=True):
        found = next((item.values for item in items if item.channel.name == name), None)  # noqa: PD011
        pieces.append(np.full(length, np.nan) if found is None else found)
    return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)


def _start(
    log: RawLog, origin: datetime | None, zero: float, stated: datetime | None
) -> tuple[pd.Timestamp | None, list[Notice]]:
    """Return the instant of index 0, and a notice when the campaign states another."""
    import pandas as pd

    if origin is None:
        return (None if stated is None else pd.Timestamp(stated)), []
    begin = pd.Timestamp(origin) + pd.Timedelta(seconds=zero)
    if stated is not None and abs((begin - pd.Timestamp(stated)).total_seconds()) > 3600:
        text = f"{log.path.name} begins at {begin:%Y-%m-%d %H:%M} UTC, the campaign says {stated:%Y-%m-%d %H:%M %Z}."
        return begin, [Notice("start-differs", text)]
    return begin, []
