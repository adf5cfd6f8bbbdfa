"""Recordings that tell all by themselves: CAN captures in the text form of candump, MDF 4, GPX tracks."""

import gc
import re
import sys
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from intake_report import channels
from intake_report.errors import DataError
from intake_report.loaders.base import FloatArray, Notice, RawColumn, RawLog, ReadOptions, notice, open_bytes
from intake_report.loaders.columnar import refuse_large, repeated_names, rows_with_time
from intake_report.loaders.dialect import clean_header
from intake_report.loaders.times import EARLIEST, UNIX, in_utc, one_drive
from intake_report.messages import Count, Listing

_ID = rb"([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})"
_LINE = re.compile(
    rb"^\s*\((\d+(?:\.\d+)?)\) +\S+ +"
    rb"(?:" + _ID + rb"#((?:[0-9A-Fa-f]{2}){0,8}|R\d?)(?: +[RT])?"
    rb"|" + _ID + rb" +\[\d+\] +((?:[0-9A-Fa-f]{2} ?)+))\s*(?:'.*')?$"
)
CAPTURE = re.compile(rb"^\s*\(\d+\.\d+\) +\S+ +" + _ID + rb"(#| +\[\d+\])", re.MULTILINE)
_ENGINE = (0x7E8, 0x18DAF110)  # common practice: the engine's control unit is the first
# ISO 15765-4: answers to 7DF and 7E0–7E7 come from 7E8–7EF; with 29-bit ids (True) from 18DAF1xx.
_ANSWERS = {False: range(0x7E8, 0x7F0), True: range(0x18DAF100, 0x18DAF200)}
_HIGHEST_ID = 0x1FFFFFFF  # of 29 bits; candump marks error frames above it
_MOST_CELLS = 60_000_000
_FIRST_YEAR = 1990  # an earlier start is a clock that was never set
TRACK = re.compile(rb"<gpx[\s>]")  # the root element
# Fields of a track have a fixed meaning and unit, so they need no mapping: name, unit, channel.
_FIELDS = (
    ("latitude", "deg", "latitude"),
    ("longitude", "deg", "longitude"),
    ("elevation", "m", "altitude"),
    ("speed", "m/s", "gps_speed"),
    ("hdop", "1", "hdop"),
)


def _log(
    path: Path, form: str, seconds: FloatArray, base: datetime | None, columns: list[RawColumn], notices: list[Notice]
) -> RawLog:
    """Return the log of rows at times (n,) [s] since `base`, elapsed without it; rows out of reach are left out."""
    good, dropped = rows_with_time(one_drive(seconds), "", lambda row: f"{seconds[row]:g}")
    if good is not None:
        columns = [replace(column, values=column.values[good]) for column in columns]
        seconds = seconds[good]
    everything = (*notices, *dropped)
    if base is None:
        return RawLog(path, form, seconds, None, tuple(columns), everything, "elapsed")
    origin = base + timedelta(seconds=float(seconds[0]))
    return RawLog(path, form, seconds - seconds[0], origin, tuple(columns), everything)


_Values = dict[tuple[str, str | None], float]  # by name and unit


class Frame(NamedTuple):
    """One CAN data frame, or one answer put together from several: `time` [s] and `number` are of the first."""

    time: float  # as captured
    identifier: int
    extended: bool  # whether the id has 29 bits
    data: bytes  # of a frame up to 8 bytes; of an answer without transport bytes and filler
    number: int = 0  # place in the capture

    @property
    def is_answer(self) -> bool:
        """Whether frames of its id carry diagnostic answers."""
        return self.identifier in _ANSWERS[self.extended]


_Sample = tuple[Frame, _Values]


def read_candump(path: Path, options: ReadOptions) -> RawLog:
    """Read one capture: log form "(1436509052.249713) can0 7E8#03410D50" or screen form "[8] 03 41 …"."""
    data, packed = open_bytes(path)
    frames, malformed = _frames(bytes(data))
    if not frames:
        raise DataError("The capture holds no CAN frame.")
    samples, noticed = _decode_answers(frames)
    described, failed = _decode_dbc(frames, path, options)
    samples = sorted([*samples, *described], key=lambda sample: sample[0].number)
    if not samples:
        what = f"None of the {len(frames):,} frames is an answer of OBD-II service 01 or described by a DBC file."
        raise DataError(what, remedy="Give the DBC file of the network as dbc.")
    keys = sorted(dict.fromkeys(key for _, values in samples for key in values), key=lambda key: key[0])
    if len(samples) * len(keys) > _MOST_CELLS:
        what = f"The capture gives {len(keys)} signals in {len(samples):,} frames, too many to hold."
        raise DataError(what, remedy="Cut the capture, or give a DBC file with only the frames that are needed.")
    columns = [RawColumn(*key, np.array([values.get(key, np.nan) for _, values in samples])) for key in keys]
    time = np.array([frame.time for frame, _ in samples])
    base = UNIX if np.median(time) >= EARLIEST else None  # else made with a clock that counts from its start
    return _log(path, "candump", time, base, columns, [*packed, *malformed, *noticed, *failed])


def _frames(data: bytes) -> tuple[list[Frame], list[Notice]]:
    frames: list[Frame] = []
    bad: list[int] = []
    for number, line in enumerate(data.splitlines(), 1):
        match = _LINE.match(line)
        if match is None:
            if line.strip():
                bad.append(number)
            continue
        stamp, identifier, content, screen_id, screen_data = match.groups()
        identifier = identifier or screen_id
        content = screen_data.replace(b" ", b"") if content is None else content
        if int(identifier, 16) <= _HIGHEST_ID and not content.startswith(b"R"):  # a remote request holds no data
            payload = bytes.fromhex(content.decode())
            frames.append(Frame(float(stamp), int(identifier, 16), len(identifier) == 8, payload, number))
    template = "{count} left out: not of the form of candump (first: line {line})."
    return frames, [notice("malformed-lines", template, count=Count(len(bad), "line"), line=bad[0])] if bad else []


def answers(frames: Iterable[Frame]) -> tuple[list[Frame], int]:
    """Reassemble diagnostic answers (ISO 15765-2); those with a missing frame are left out, and counted."""
    complete: list[Frame] = []
    lost = 0
    unfinished: dict[int, tuple[Frame, int, int]] = {}  # so far, length, next sequence number
    for frame in frames:
        identifier, data = frame.identifier, frame.data
        if not data or not frame.is_answer:
            continue
        kind = data[0] >> 4
        if kind in (0, 1) and unfinished.pop(identifier, None) is not None:
            lost += 1
        if kind == 0:
            payload = data[1 : 1 + (data[0] & 0x0F)]
            if payload and len(payload) == data[0] & 0x0F:
                complete.append(frame._replace(data=payload))
        elif kind == 1 and len(data) >= 3:
            unfinished[identifier] = frame._replace(data=data[2:]), (data[0] & 0x0F) << 8 | data[1], 1
        elif kind == 2 and identifier in unfinished:
            begun, length, following = unfinished.pop(identifier)
            begun = begun._replace(data=begun.data + data[1:])
            if data[0] & 0x0F != following:
                lost += 1
            elif len(begun.data) >= length:
                complete.append(begun._replace(data=begun.data[:length]))
            else:
                unfinished[identifier] = begun, length, (following + 1) % 16
    return complete, lost + len(unfinished)


def _decode_answers(frames: Sequence[Frame]) -> tuple[list[_Sample], list[Notice]]:
    complete, lost = answers(frames)
    positive = [answer for answer in complete if answer.data[0] == 0x41]
    negative = sum(answer.data[:2] == b"\x7f\x01" for answer in complete)
    full_scales: dict[tuple[str, int], float] = {}
    scaled: set[str] = set()
    samples: list[_Sample] = []
    short = 0
    for answer in positive:
        values: _Values = {}
        for pid, data in channels.split_answer(answer.data):
            try:
                decoded = channels.decode(pid, data)
            except ValueError:
                short += 1
                continue
            for (name, unit), value in decoded.items():
                if name.endswith("_full_scale"):
                    if value > 0:
                        full_scales[name, answer.identifier] = value
                    continue
                source, usual = channels.FULL_SCALES.get(name, ("", 1.0))
                if (source, answer.identifier) in full_scales:
                    value *= full_scales[source, answer.identifier] / usual
                    scaled.add(name)
                values[name if answer.identifier in _ENGINE else f"{name}@{answer.identifier:X}", unit] = value
        if values:
            samples.append((answer, values))
    identifiers = sorted({answer.identifier for answer in positive})
    which = Listing(tuple(f"{identifier:X}" for identifier in identifiers))
    negatively = "{count} answered negatively: no value, which is not the value 0."
    accounts = (
        (len(identifiers), "several-control-units", "{count} answer: {which}.", "control unit"),
        (negative, "negative-answers", negatively, "request"),
        (short, "short-answers", "{count} with too few bytes left out.", "answer"),
        (lost, "incomplete-answers", "{count} of several frames left out: a frame is missing.", "answer"),
    )
    told = [one for one in accounts if one[0] > (one[1] == "several-control-units")]
    notices = [notice(code, template, count=Count(number, noun), which=which) for number, code, template, noun in told]
    template = "{column} is scaled to the full scale that the vehicle states."
    return samples, notices + [notice("full-scale", template, name) for name in sorted(scaled)]


def _decode_dbc(frames: Sequence[Frame], path: Path, options: ReadOptions) -> tuple[list[_Sample], list[Notice]]:
    if not options.dbc:
        return [], []
    try:
        import cantools
    except ImportError:
        what = "Reading a DBC file needs the package cantools."
        raise DataError(what, file=path, remedy="Install it: pip install intake-report[can]") from None
    database: Any = cantools.database.Database()
    for file in options.dbc:
        try:
            database.add_dbc_file(str(file))
        except Exception as error:  # parsers of cantools raise several kinds
            raise DataError(f"The DBC file cannot be read ({type(error).__name__}).") from error
    described = {(message.frame_id, message.is_extended_frame): message for message in database.messages}
    samples: list[_Sample] = []
    failed = 0
    for frame in frames:
        message = described.get((frame.identifier, frame.extended))
        if message is None or frame.is_answer:
            continue
        try:
            signals = message.decode(frame.data, decode_choices=False, scaling=True, allow_truncated=True)
        except Exception:  # cantools and bitstruct raise several kinds for frames that do not fit their description
            failed += 1
            continue
        units = {signal.name: signal.unit for signal in message.signals}
        values = {name: value for name, value in signals.items() if isinstance(value, int | float)}
        samples.append((frame, {(f"{message.name}.{n}", units.get(n)): float(v) for n, v in values.items()}))
    template = "{count} left out: not as the DBC file describes."
    return samples, [notice("undecodable-frames", template, count=Count(failed, "frame"))] if failed else []


def read_mdf4(path: Path, options: ReadOptions) -> RawLog:  # noqa: ARG001 - a measurement tells all by itself
    """Read one measurement; needs the extra "mdf"."""
    try:
        import asammdf
    except ImportError:
        what = "Reading MDF needs the package asammdf."
        raise DataError(what, remedy="Install it: pip install intake-report[mdf]") from None
    try:
        with asammdf.MDF(path) as recording:
            return _measurement(recording, path)
    except DataError:
        raise
    except Exception as error:  # asammdf raises whatever a damaged block makes struct, numpy or zlib raise
        what = f"The MDF file is damaged or of another version ({type(error).__name__})."
    # The destructor of a half-built recording fails: it is collected now, or Python prints a traceback about it later.
    hook, sys.unraisablehook = sys.unraisablehook, lambda _: None
    gc.collect()
    sys.unraisablehook = hook
    raise DataError(what, remedy="Export the recording again as MDF 4.")


def _measurement(recording: Any, path: Path) -> RawLog:
    refuse_large(path, sum(group.channel_group.cycles_nr * len(group.channels) for group in recording.groups))
    samples: list[tuple[RawColumn, FloatArray]] = []  # columns with times of their own
    skipped = 0
    for number, group in enumerate(recording.groups):
        for index in range(len(group.channels)):
            if index == recording.masters_db.get(number):
                continue
            signal = recording.get(group=number, index=index, ignore_invalidation_bits=False)
            numbers = np.asarray(signal.samples)
            if numbers.dtype.kind not in "iufb" or numbers.ndim != 1:
                skipped += 1
            elif len(numbers):
                values, invalid = numbers.astype(np.float64), getattr(signal, "invalidation_bits", None)
                if invalid is not None:
                    values[np.asarray(invalid, dtype=bool)] = np.nan
                values[~np.isfinite(values)] = np.nan
                column = RawColumn(clean_header(signal.name), clean_header(signal.unit or "") or None, values)
                samples.append((column, np.asarray(signal.timestamps, float)))
    if not samples:
        raise DataError("The recording holds no channel with numbers.")
    notices: list[Notice] = []
    if skipped:
        notices.append(notice("text-columns", "{count} without numbers left out.", count=Count(skipped, "channel")))
    began = recording.start_time
    origin = None if began is None or began.year < _FIRST_YEAR else in_utc(began)
    if origin is None:
        notices.append(notice("no-start-time", "The recording does not tell when it began."))
    time = np.unique(np.concatenate([own for _, own in samples]))
    columns = []
    for column, own in samples:  # each with a time base of its own: NaN where it has no sample
        placed = np.full(len(time), np.nan)
        placed[np.searchsorted(time, own)] = column.values
        columns.append(replace(column, values=placed))
    return _log(path, "mdf4", time, origin, columns, [*notices, *repeated_names([c.name for c in columns])])


def read_gpx(path: Path, options: ReadOptions) -> RawLog:  # noqa: ARG001 - a track tells all by itself
    """Read all track points of a GPX file, in order."""
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
    if untimed := len(points) - len(timed):
        template = "{count} without time left out."
        notices.append(notice("rows-without-time", template, count=Count(untimed, "track point")))
    stamps = [in_utc(point.time) for point in timed if point.time is not None]
    middle = sorted(stamps)[len(stamps) // 2]
    rows = [(p.latitude, p.longitude, p.elevation, _speed(p), p.horizontal_dilution) for p in timed]
    values = np.array(rows, dtype=np.float64).T  # None becomes NaN
    read = (one for one in zip(_FIELDS, values, strict=True) if np.isfinite(one[1]).any())
    columns = [RawColumn(name, unit, column, name) for (name, unit, _), column in read]
    return _log(path, "gpx", np.array([(s - middle).total_seconds() for s in stamps]), middle, columns, notices)


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


def track_mapping(track: RawLog) -> dict[str, str]:
    """Return the channels of a track's columns in the form of the campaign file's `columns`."""
    present = {column.name for column in track.columns}
    return {name: f"{channel} [{unit}]" for name, unit, channel in _FIELDS if name in present}
