"""One file by the reader of its format; one run from its files: joined in time, columns mapped, units converted."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from intake_report.channels import Channel, channel
from intake_report.errors import DataError, nearest, placed
from intake_report.loaders import candump, columnar, delimited, tracks
from intake_report.loaders.base import FloatArray, Notice, RawColumn, RawLog, ReadOptions, RunLog, converts, notice
from intake_report.loaders.content import COMPRESSED_SUFFIXES, read_head
from intake_report.loaders.dialect import clean_header, place_of
from intake_report.loaders.times import DAY
from intake_report.units import QUANTITIES, conversion, to_internal, unit_label

UNIT_OVERRIDDEN = "unit-stated"
"""Code of the notice that header and mapping name different units; the mapping is obeyed."""
UNEXPECTED = "The log cannot be read"
"""How the message of the last resort begins."""

_HEAD = 4096
_CLOCK_OFF = 3600.0  # [s] between the start that the campaign states and that of the log
_TARGET = re.compile(r"^\s*(?P<channel>[A-Za-z_][\w]*)\s*(?:\[(?P<unit>[^\]]*)\])?\s*$")


class _Reader(NamedTuple):
    read: Callable[[Path, ReadOptions], RawLog]
    recognises: Callable[[bytes], bool]
    suffixes: tuple[str, ...] = ()  # of text without a signature
    text: bool = False  # may be compressed as text logs are


READERS = {
    "parquet": _Reader(columnar.read_parquet, lambda head: head[:4] == b"PAR1"),
    "arrow": _Reader(columnar.read_arrow, lambda head: head.startswith((b"ARROW1", b"\xff\xff\xff\xff"))),
    "mdf4": _Reader(columnar.read_mdf4, lambda head: head.startswith((b"MDF     ", b"UnFinMF "))),
    "gpx": _Reader(tracks.read_gpx, lambda head: bool(tracks.SIGNATURE.search(head)), (".gpx",), text=True),
    "candump": _Reader(candump.read, lambda head: bool(candump.SIGNATURE.search(head)), (".candump",), text=True),
    "delimited": _Reader(delimited.read, lambda _: False, text=True),
}
"""The readers in the order in which they are asked; a signature comes before a suffix, and delimited text has neither."""


def read_log(path: Path, options: ReadOptions | None = None) -> RawLog:
    """Read one log file of any supported format; `options` says what the file does not tell.

    Raises DataError: if it cannot be read; the message names the file, the line where there is one, and the way out.
    """
    options = options or ReadOptions()
    path = Path(path)
    form = ""
    try:
        with placed(file=path):
            form = _format_of(path, options)
            return READERS[form].read(path, options)
    except (ValueError, ArithmeticError, LookupError, MemoryError, RecursionError, OSError) as error:
        # The last resort: a library met something it does not expect. pyarrow's errors are kinds of these.
        what = f"{UNEXPECTED} as {form} ({type(error).__name__}: {' '.join(str(error).split())[:160]})."
        raise DataError(what, file=path, remedy="Export the log again, or state its format.") from error


def _format_of(path: Path, options: ReadOptions) -> str:
    head, inside = read_head(path, _HEAD)
    if options.format is not None:
        if options.format in READERS:
            return options.format
        names = ", ".join(f"“{name}”" for name in READERS)
        raise DataError(f"There is no log format “{options.format}”.", file=path, remedy=f"Formats are {names}.")
    suffixes = [suffix.lower() for suffix in path.suffixes if suffix.lower() not in COMPRESSED_SUFFIXES]
    by_signature = (name for name, reader in READERS.items() if reader.recognises(inside if reader.text else head))
    by_suffix = (name for name, reader in READERS.items() if suffixes and suffixes[-1] in reader.suffixes)
    return next(by_signature, None) or next(by_suffix, "delimited")


def load_run(
    run_id: str,
    paths: Sequence[Path],
    mapping: Mapping[str, str],
    options: ReadOptions | None = None,
    *,
    start: datetime | None = None,
) -> RunLog:
    """Read one log, or the parts of one, and map its columns to channels; a GPX track among them is joined by time.

    `mapping`: header -> "channel [unit]", never guessed: `propose_mapping` proposes one for the user to accept; `options`: what
    the files do not tell; `start`: aware, as the campaign states it: the date of clock times, the start of elapsed times.

    Raises DataError: if a file cannot be read, a column is not found, or parts cannot be put in order.
    """
    return map_run(run_id, read_parts(paths, options or ReadOptions(), start), mapping, start=start)


def read_parts(paths: Sequence[Path], options: ReadOptions, start: datetime | None = None) -> tuple[RawLog, ...]:
    """Read one log, or the parts of one and its tracks; see `load_run`."""
    if start is not None and options.date is None:
        zone = ZoneInfo(options.timezone) if options.timezone else UTC
        options = replace(options, date=start.astimezone(zone).date())
    # A stated format is that of the logs; a track that accompanies them has its own.
    own = (replace(options, format=None) if path.suffix.lower() == ".gpx" else options for path in paths)
    return tuple(map(read_log, paths, own))


def map_run(run: str, logs: Sequence[RawLog], mapping: Mapping[str, str], *, start: datetime | None = None) -> RunLog:
    """Map logs that have been read already, one at least; see `load_run`. Raises DataError also without a mapping."""
    accompanying = [log for log in logs if log.format == "gpx"]
    if len(accompanying) == len(logs):  # tracks alone are the log
        accompanying, mapping = [], tracks.track_mapping(logs[0])
    elif not mapping:
        what = f"No column of the run “{run}” is mapped to a channel."
        remedy = "Run intake-report check on the log: it prints a mapping to paste."
        raise DataError(what, file=logs[0].path, where="columns", remedy=remedy)
    parts, notices = _on_one_axis([log for log in logs if log not in accompanying])
    mapped = [map_columns(log, mapping) for log, _ in parts]
    times = [at for _, at in parts]
    zero = float(times[0][0])
    data = {}
    for name in dict.fromkeys(name for numbers, _ in mapped for name in numbers):
        pieces = [numbers.get(name, np.full(len(at), np.nan)) for (numbers, _), at in zip(mapped, times, strict=True)]
        data[name] = _joined(pieces)
    frame = pd.DataFrame(data, index=pd.Index(_joined(times) - zero, name="time"), copy=False)
    begin, begun = _start(parts[0][0], zero, start)
    sources = (*(log for log, _ in parts), *accompanying)
    notices = [*(n for log in sources for n in log.notices), *notices]
    for track in accompanying:
        frame, placed = _with_track(frame, begin, track)
        notices.append(placed)
    notices += [*begun, *(n for _, noticed in mapped for n in noticed)]
    return RunLog(run, frame, begin, tuple(log.path for log in sources), tuple(dict.fromkeys(notices)))


def _joined(pieces: Sequence[FloatArray]) -> FloatArray:
    return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)  # one piece is not copied


def _with_track(frame: pd.DataFrame, begin: pd.Timestamp | None, track: RawLog) -> tuple[pd.DataFrame, Notice]:
    """Add the samples of a track as rows of their own, between the rows of the run."""
    time = frame.index.to_numpy(dtype=float)
    at, placed = tracks.place_track(frame, begin, track)
    inside = (at >= np.nanmin(time)) & (at <= np.nanmax(time))
    if not inside.any():
        raise DataError("The track has no point within the run.", file=track.path, remedy="Name the track of this run.")
    mapped, _ = map_columns(track, tracks.track_mapping(track))
    added = {name: numbers[inside] for name, numbers in mapped.items() if name not in frame}
    extra = pd.DataFrame(added, index=pd.Index(at[inside], name="time"))
    # The rows of the run keep their order, backward steps included; those of the track go where they belong.
    order = np.argsort(np.concatenate([np.maximum.accumulate(time), at[inside]]), kind="stable")
    return pd.concat([frame, extra]).iloc[order], placed


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
        base = origins[ordered[0].path]
        return [(log, log.time + (origins[log.path] - base).total_seconds()) for log in ordered], []
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


def _start(log: RawLog, zero: float, stated: datetime | None) -> tuple[pd.Timestamp | None, list[Notice]]:
    """Return the instant of index 0, and a notice when the campaign states another."""
    if log.origin is None:
        return (None if stated is None else pd.Timestamp(stated)), []
    begin = pd.Timestamp(log.origin) + pd.Timedelta(seconds=zero)
    if stated is None or abs((begin - pd.Timestamp(stated)).total_seconds()) <= _CLOCK_OFF:
        return begin, []
    template = "{file} begins at {begin} UTC, the campaign says {stated}."
    own, other = f"{begin:%Y-%m-%d %H:%M}", f"{stated:%Y-%m-%d %H:%M %Z}"
    return begin, [notice("start-differs", template, file=log.path.name, begin=own, stated=other)]


def map_columns(log: RawLog, mapping: Mapping[str, str]) -> tuple[dict[str, FloatArray], list[Notice]]:
    """Turn columns into channels (n,) [internal units], NaN where there is no sample, by header -> "channel [unit]".

    The unit may be left out when the header has one, and wins over it, which a notice says.

    Raises DataError: if a column, channel or unit is unknown, or one channel is named twice.
    """
    mapped: dict[str, FloatArray] = {}
    headers: dict[str, str] = {}
    notices: list[Notice] = []
    for header, target in mapping.items():
        with placed(file=log.path, where=f'columns."{header}"'):
            entry, unit = parse_target(target)
            column = _column(log, header)
        with placed(file=log.path, where="columns"):
            if entry.name in mapped:
                what = f"“{headers[entry.name]}” and “{header}” are both mapped to {entry.name}."
                raise DataError(what, remedy="Map one of them.")
            mapped[entry.name], noticed = _convert(column, entry, unit)
        headers[entry.name] = header
        notices += noticed
    return mapped, notices


def parse_target(text: str) -> tuple[Channel, str | None]:
    """Split "iat [degC]" into the channel and its unit (None when not given); DataError for any other text."""
    match = _TARGET.match(text)
    if not match:
        raise DataError(f"“{text}” is no channel with a unit.", remedy='Write for example "iat [degC]".')
    entry, unit = channel(match["channel"]), match["unit"]
    if unit is not None:
        conversion(unit, entry.quantity)
    return entry, unit


def _column(log: RawLog, header: str) -> RawColumn:
    headers = [column.header for column in log.columns]
    places = place_of(header, headers, [column.name for column in log.columns])
    if len(places) == 1:
        return log.columns[places[0]]
    if places:
        what = f"The log has {len(places)} columns called “{clean_header(header)}”."
        raise DataError(what, remedy="Rename one in a copy of the log.")
    hint = nearest(clean_header(header), headers, "Columns are", cutoff=0.4)
    raise DataError(f"The log has no column “{header}”.", remedy=hint)


def _convert(column: RawColumn, entry: Channel, stated: str | None) -> tuple[FloatArray, list[Notice]]:
    """Return the numbers of a column in the internal unit of its channel, and whether its own unit was set aside."""
    unit = column.unit if stated is None else stated
    remedy = f'State the unit: "{entry.name} [{QUANTITIES[entry.quantity].internal}]".'
    if unit is None:
        raise DataError(f"The column “{column.header}” carries no unit.", remedy=remedy)
    try:
        values = to_internal(column.values, unit, entry.quantity)
    except DataError as error:
        if entry.quantity == "mass_flow" and converts(unit, "volume_flow"):
            raise DataError(
                f"The column “{column.header}” is a volume flow; its mass needs the air's density, which no log tells.",
                remedy=f'If the logger writes g/s under that label, state "{entry.name} [g/s]"; '
                "intake-report check compares both with the engine.",
            ) from None
        what = f"The column “{column.header}” cannot be {entry.name}: {error.what}"
        raise DataError(what, remedy=error.remedy or remedy) from None
    if column.unit is None or converts(column.unit, entry.quantity) == converts(unit, entry.quantity):
        return values, []
    text = "The header “{header}”{inside} names {written}, and the mapping reads the column as {column} in {stated}."
    inside = "" if column.unit in column.header else f" (its unit: {column.unit})"
    labels = {"inside": inside, "written": unit_label(column.unit), "stated": unit_label(unit)}
    return values, [notice(UNIT_OVERRIDDEN, text, entry.name, None, header=column.header, **labels)]
