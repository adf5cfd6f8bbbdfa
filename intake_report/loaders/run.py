"""One file by the reader of its format; one run from its files: joined in time, columns mapped, units converted."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from intake_report.channels import Channel, mapped_channel
from intake_report.errors import DataError, nearest, placed
from intake_report.loaders import base, columnar, delimited, recordings
from intake_report.loaders.base import FloatArray, Notice, RawColumn, RawLog, ReadOptions, RunLog, notice
from intake_report.loaders.dialect import clean_header, place_of
from intake_report.loaders.propose import propose_mapping
from intake_report.loaders.times import DAY
from intake_report.messages import Message, Value, message
from intake_report.units import QUANTITIES, to_internal, unit_label

# Code of the notice that header and mapping name different units; the mapping is obeyed.
UNIT_OVERRIDDEN = "unit-stated"
UNEXPECTED = "The log cannot be read"  # how the message of the last resort begins
_HEAD = 4096
_CLOCK_OFF = 3600.0  # [s] between the start that the campaign states and that of the log
_EARTH = 6_371_008.8  # mean radius of the sphere [m], IUGG; only speeds of tracks are computed with it
_SEARCH = 90  # [s] around the offset that the clocks tell; loggers' clocks are rarely further off (common practice)
_SURE = 0.8  # least correlation of the two speeds (common practice)
_LEAST = 60  # least overlap [s]
_LEAST_POINTS = 10  # with a speed
_HOLE = 15.0  # [s] without a sample over which a speed is not interpolated
_MOST = 200_000  # [s] of a run or track whose speeds are compared: more than two days

Start = datetime | None  # aware, of a run as the campaign states it
_FOUND = ReadOptions()  # everything is found from the file


class _Reader(NamedTuple):
    read: Callable[[Path, ReadOptions], RawLog]
    recognises: Callable[[bytes], object]  # true where it does
    suffixes: tuple[str, ...] = ()  # of text without a signature
    text: bool = False  # may be compressed as text logs are


# In the order in which they are asked; a signature comes before a suffix, and delimited text has neither.
READERS = {
    "parquet": _Reader(columnar.read_parquet, lambda head: head[:4] == b"PAR1"),
    "arrow": _Reader(columnar.read_arrow, lambda head: head.startswith((b"ARROW1", b"\xff\xff\xff\xff"))),
    "mdf4": _Reader(recordings.read_mdf4, lambda head: head.startswith((b"MDF     ", b"UnFinMF "))),
    "gpx": _Reader(recordings.read_gpx, recordings.TRACK.search, (".gpx",), text=True),
    "candump": _Reader(recordings.read_candump, recordings.CAPTURE.search, (".candump",), text=True),
    "delimited": _Reader(delimited.read, lambda _: False, text=True),
}


def read_log(path: Path, options: ReadOptions = _FOUND) -> RawLog:
    """Read one log file of any format; `options`: what it does not tell. DataError with file, line and way out."""
    form = ""
    try:
        with placed(file=path):
            form = _format_of(path, options)
            return READERS[form].read(path, options)
    except (ValueError, ArithmeticError, LookupError, MemoryError, NotImplementedError, RecursionError, OSError) as why:
        # The last resort: a library met something it does not expect. pyarrow's errors are kinds of these.
        what = f"{UNEXPECTED} as {form} ({type(why).__name__}: {' '.join(str(why).split())[:160]})."
        raise DataError(what, file=path, remedy="Export the log again, or state its format.") from why


def _format_of(path: Path, options: ReadOptions) -> str:
    head, inside = base.read_head(path, _HEAD)  # refuses what is no file, also where the format is stated
    if options.format is not None:
        if options.format not in READERS:
            what = f"There is no log format “{options.format}”."
            raise DataError(what, remedy=f"Formats are {', '.join(f'“{name}”' for name in READERS)}.")
        return options.format
    suffixes = [suffix.lower() for suffix in path.suffixes if suffix.lower() not in base.COMPRESSED_SUFFIXES]
    by_signature = (name for name, reader in READERS.items() if reader.recognises(inside if reader.text else head))
    by_suffix = (name for name, reader in READERS.items() if suffixes and suffixes[-1] in reader.suffixes)
    return next(by_signature, None) or next(by_suffix, "delimited")


def load_run(
    run: str, paths: Sequence[Path], mapping: Mapping[str, str], options: ReadOptions = _FOUND, *, start: Start = None
) -> RunLog:
    """Read one log, or the parts of one, and map its columns to channels; a GPX track among them is joined by time.

    `mapping`: header -> "channel [unit]", never guessed; `options`: what the files do not tell; `start`: date of clock
    times, start of elapsed times. DataError: a file cannot be read or put in order, a column is not found.
    """
    return map_run(run, read_parts(paths, options, start), mapping, start=start)


def read_parts(paths: Sequence[Path], options: ReadOptions, start: Start = None) -> tuple[RawLog, ...]:
    """Read one log, or the parts of one and its tracks; see `load_run`."""
    if start is not None and options.date is None:
        zone = ZoneInfo(options.timezone) if options.timezone else UTC
        options = replace(options, date=start.astimezone(zone).date())
    # A stated format is that of the logs; a track that accompanies them has its own.
    own = (replace(options, format=None) if path.suffix.lower() == ".gpx" else options for path in paths)
    return tuple(map(read_log, paths, own))


def map_run(run: str, logs: Sequence[RawLog], mapping: Mapping[str, str], *, start: Start = None) -> RunLog:
    """Map logs that have been read already, one at least; see `load_run`. Raises DataError also without a mapping."""
    accompanying = [log for log in logs if log.format == "gpx"]
    if len(accompanying) == len(logs):  # tracks alone are the log
        accompanying, mapping = [], recordings.track_mapping(logs[0])
    elif not mapping:
        what = f"No column of the run “{run}” is mapped to a channel."
        remedy = "Run intake-report check on the log: it prints a mapping to paste."
        raise DataError(what, file=logs[0].path, where="columns", remedy=remedy)
    parts, notices = _on_one_axis([log for log in logs if log not in accompanying])
    mapped = [_map_columns(log, mapping) for log, _ in parts]
    times = [at for _, at in parts]
    zero = float(times[0][0])
    data = {}
    for name in dict.fromkeys(name for numbers, _ in mapped for name in numbers):
        pieces = [numbers.get(name, np.full(len(at), np.nan)) for (numbers, _), at in zip(mapped, times, strict=True)]
        data[name] = _joined(pieces)
    frame = pd.DataFrame(data, index=pd.Index(_joined(times) - zero, name="time"), copy=False)
    sources = (*(log for log, _ in parts), *accompanying)
    notices = [*(n for log in sources for n in log.notices), *notices]
    begin = None if start is None else pd.Timestamp(start)
    if (origin := sources[0].origin) is not None:
        stated, begin = begin, pd.Timestamp(origin) + pd.Timedelta(seconds=zero)
        if stated is not None and abs((begin - stated).total_seconds()) > _CLOCK_OFF:
            template = "{file} begins at {begin} UTC, the campaign says {stated}."
            own, other = f"{begin:%Y-%m-%d %H:%M}", f"{start:%Y-%m-%d %H:%M %Z}"
            notices.append(notice("start-differs", template, file=sources[0].path.name, begin=own, stated=other))
    for track in accompanying:
        at, joined = _place_track(frame, begin, track)
        frame = _with_track(frame, at, track)
        notices.append(joined)
    notices += [n for _, noticed in mapped for n in noticed]
    return RunLog(run, frame, begin, tuple(log.path for log in sources), tuple(dict.fromkeys(notices)))


def _joined(pieces: Sequence[FloatArray]) -> FloatArray:
    return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)  # one piece is not copied


def _with_track(frame: pd.DataFrame, at: FloatArray, track: RawLog) -> pd.DataFrame:
    """Add the samples of a track, at these times [s] of the run, as rows of their own."""
    time = frame.index.to_numpy(dtype=float)
    inside = (at >= np.nanmin(time)) & (at <= np.nanmax(time))
    if not inside.any():
        raise DataError("The track has no point within the run.", file=track.path, remedy="Name the track of this run.")
    mapped, _ = _map_columns(track, recordings.track_mapping(track))
    added = {name: numbers[inside] for name, numbers in mapped.items() if name not in frame}
    extra = pd.DataFrame(added, index=pd.Index(at[inside], name="time"))
    # The rows of the run keep their order, backward steps included; those of the track go where they belong.
    order = np.argsort(np.concatenate([np.maximum.accumulate(time), at[inside]]), kind="stable")
    return pd.concat([frame, extra]).iloc[order]


_Part = tuple[RawLog, FloatArray]  # one log and its times [s] on the axis of the first part


def _on_one_axis(logs: Sequence[RawLog]) -> tuple[list[_Part], list[Notice]]:
    kinds = {log.time_kind for log in logs}
    if len(kinds) > 1:
        what = f"The parts of the run count time differently ({', '.join(sorted(kinds))})."
        remedy = "State the date of the run, or name parts that were logged alike."
        raise DataError(what, file=logs[0].path, remedy=remedy)
    if kinds == {"absolute"}:
        origins = {log.path: log.origin for log in logs if log.origin is not None}
        ordered = sorted(logs, key=lambda log: origins[log.path])
        begin = origins[ordered[0].path]
        return [(log, log.time + (origins[log.path] - begin).total_seconds()) for log in ordered], []
    notices = []
    parts = [(logs[0], logs[0].time)]
    for log in logs[1:]:
        before = parts[-1][1]
        shift = 0.0
        if kinds == {"clock"}:
            while log.time[0] + shift < before[-1] - DAY / 2:
                shift += DAY
        elif log.time[0] < before[-1]:
            shift = before[-1] - log.time[0] + (float(np.nanmedian(np.diff(before))) if len(before) > 1 else 1.0)
            template = "{file} restarts its time; it is put right behind the part before."
            notices.append(notice("parts-without-clock", template, file=log.path.name))
        parts.append((log, log.time + shift))
    return parts, notices


def _map_columns(log: RawLog, mapping: Mapping[str, str]) -> tuple[dict[str, FloatArray], list[Notice]]:
    """Turn columns into channels; a unit that is not stated is the header's, and one that is wins over it."""
    mapped: dict[str, FloatArray] = {}
    notices: list[Notice] = []
    headers, names = [column.header for column in log.columns], [column.name for column in log.columns]
    for header, target in mapping.items():
        with placed(file=log.path, where=f'columns."{header}"'):
            entry, unit = mapped_channel(target)
            places = place_of(header, headers, names)
            if len(places) > 1:
                what = f"The log has {len(places)} columns called “{clean_header(header)}”."
                raise DataError(what, remedy="Rename one in a copy of the log.")
            if not places:
                taken = [p.header for p in propose_mapping(log) if p.channel != entry.name]  # ambient is no intake air
                hint = nearest(clean_header(header), headers, "Columns are", cutoff=0.4, never=taken)
                raise DataError(f"The log has no column “{header}”.", remedy=hint)
            if entry.name in mapped:
                what = f"Another column is mapped to {entry.name} too."
                raise DataError(what, remedy="Map one of them.")
            mapped[entry.name], noticed = _convert(log.columns[places[0]], entry, unit)
        notices += noticed
    return mapped, notices


def _convert(column: RawColumn, entry: Channel, stated: str | None) -> tuple[FloatArray, list[Notice]]:
    """Return the numbers of a column in the internal unit of its channel, and whether its own unit was set aside."""
    unit = column.unit if stated is None else stated
    remedy = f'State the unit: "{entry.name} [{QUANTITIES[entry.quantity].internal}]".'
    if unit is None:
        raise DataError(f"The column “{column.header}” carries no unit.", remedy=remedy)
    try:
        values = to_internal(column.values, unit, entry.quantity)
    except DataError as error:
        if entry.quantity == "mass_flow" and base.converts(unit, "volume_flow"):
            raise DataError(
                f"The column “{column.header}” is a volume flow; its mass needs the air's density, which no log tells.",
                remedy=f'If the logger writes g/s under that label, state "{entry.name} [g/s]"; '
                "intake-report check compares both with the engine.",
            ) from None
        what = f"The column “{column.header}” cannot be {entry.name}: {error.what}"
        raise DataError(what, remedy=error.remedy or remedy) from None
    if column.unit is None or base.converts(column.unit, entry.quantity) == base.converts(unit, entry.quantity):
        return values, []
    text = "The header “{header}”{inside} names {written}, and the mapping reads the column as {column} in {stated}."
    inside = "" if column.unit in column.header else f" (its unit: {column.unit})"
    labels = {"inside": inside, "written": unit_label(column.unit), "stated": unit_label(unit)}
    return values, [notice(UNIT_OVERRIDDEN, text, entry.name, None, header=column.header, **labels)]


def _place_track(frame: pd.DataFrame, begin: pd.Timestamp | None, track: RawLog) -> tuple[FloatArray, Notice]:
    """Return the times [s] of a track's points in the time of a run, whose index 0 is at `begin`."""
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
    columns = {column.name: column.values for column in track.columns}  # noqa: PD011
    recorded = columns.get("speed")
    if recorded is not None and np.isfinite(recorded).mean() > 0.5:
        return recorded * 3.6
    latitude, longitude = np.radians(columns["latitude"]), np.radians(columns["longitude"])
    half = np.sin(np.diff(latitude) / 2) ** 2
    half += np.cos(latitude[1:]) * np.cos(latitude[:-1]) * np.sin(np.diff(longitude) / 2) ** 2
    steps = np.diff(track.time)
    with np.errstate(divide="ignore", invalid="ignore"):
        between = np.where(steps > 0, 2 * _EARTH * np.arcsin(np.sqrt(half)) / steps * 3.6, np.nan)
    return np.concatenate([between[:1], (between[1:] + between[:-1]) / 2, between[-1:]])


def _best_lag(time: FloatArray, speed: FloatArray, track: RawLog, nominal: float | None) -> tuple[float, float] | None:
    """Return the lag [s] of the track at which the two speeds correlate best, and that correlation."""
    (start, run), (begin, trace) = _each_second(time, speed), _each_second(track.time, _track_speed(track))
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
    fine = 0.0
    if 0 < best < len(lags) - 1 and scores[best - 1] > -1.0 and scores[best + 1] > -1.0:
        curve = scores[best - 1] - 2 * scores[best] + scores[best + 1]
        fine = 0.0 if curve >= 0 else 0.5 * (scores[best - 1] - scores[best + 1]) / curve
    return float(lags[best] + fine + start - begin), float(scores[best])


def _each_second(time: FloatArray, speed: FloatArray) -> tuple[float, FloatArray]:
    """Return the first time and the speed at each second from it, NaN in holes; none of too few, or too long a log."""
    good = np.isfinite(time) & np.isfinite(speed)
    order = np.argsort(time[good], kind="stable")
    at, values = time[good][order], speed[good][order]
    if len(at) < _LEAST_POINTS or at[-1] - at[0] > _MOST:
        return 0.0, np.empty(0)
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
    if both.sum() < _LEAST or not np.ptp(a[both]) * np.ptp(b[both]) > 0.0:
        return -1.0
    return float(np.corrcoef(a[both], b[both])[0, 1])
