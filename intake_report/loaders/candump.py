"""CAN captures in the text form of Linux candump: diagnostic answers, and other frames through a DBC file."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np

from intake_report import channels
from intake_report.errors import DataError
from intake_report.loaders.base import Notice, RawColumn, RawLog, ReadOptions, notice
from intake_report.loaders.content import open_bytes
from intake_report.loaders.times import EARLIEST, UNIX, rows_of_log
from intake_report.messages import Count, Listing

_ID = rb"([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})"
_LINE = re.compile(
    rb"^\s*\((\d+(?:\.\d+)?)\) +\S+ +"
    rb"(?:" + _ID + rb"#((?:[0-9A-Fa-f]{2}){0,8}|#[0-9A-Fa-f](?:[0-9A-Fa-f]{2}){0,64}|R\d?)(?: +[RT])?"
    rb"|" + _ID + rb" +\[\d+\] +((?:[0-9A-Fa-f]{2} ?)+))\s*(?:'.*')?$"
)
_SIGNATURE = re.compile(rb"^\s*\(\d+\.\d+\) +\S+ +" + _ID + rb"(#| +\[\d+\])", re.MULTILINE)
_ENGINE = (0x7E8, 0x18DAF110)  # common practice: the engine's control unit is the first
# ISO 15765-4: answers to 7DF and 7E0–7E7 come from 7E8–7EF; with 29-bit ids from 18DAF1xx.
_ANSWERS_11 = range(0x7E8, 0x7F0)
_ANSWERS_29 = range(0x18DAF100, 0x18DAF200)
_HIGHEST_ID = 0x1FFFFFFF  # of 29 bits; candump marks error frames above it
_MOST_CELLS = 60_000_000
_ACCOUNTS = {
    "several-control-units": ("{count} answer: {which}.", "control unit"),
    "negative-answers": ("{count} answered negatively: no value, which is not the value 0.", "request"),
    "short-answers": ("{count} with too few bytes left out.", "answer"),
    "incomplete-answers": ("{count} of several frames left out: a frame is missing.", "answer"),
    "unknown-parameters": ("Parameters not in the table left out: {which}.", "answer"),
}

Values = dict[tuple[str, str | None], float]  # by name and unit


@dataclass(frozen=True)
class Frame:
    """One CAN data frame, or one answer put together from several: `time` [s] and `number` are of the first."""

    time: float  # as captured
    identifier: int
    extended: bool  # whether the id has 29 bits
    data: bytes  # of a frame up to 8 bytes (64 for CAN FD); of an answer without transport bytes and filler
    number: int = 0  # place in the capture


def recognises(head: bytes) -> bool:
    """Tell whether one of the first lines is a candump line."""
    return _SIGNATURE.search(head) is not None


def read(path: Path, options: ReadOptions) -> RawLog:
    """Read one capture: log form "(1436509052.249713) can0 7E8#03410D50" or screen form "[8] 03 41 …" (times absolute).

    `dbc` of the options describes other frames than diagnostic answers; reading it needs the extra "can".

    Raises DataError: if no frame can be read or none can be decoded.
    """
    data, packed = open_bytes(path)
    frames, malformed = _frames(bytes(data))
    if not frames:
        raise DataError("The capture holds no CAN frame.")
    samples = _Samples()
    notices = [*packed, *malformed, *_decode_answers(frames, samples), *_decode_dbc(frames, samples, path, options)]
    if not samples.columns:
        what = f"None of the {len(frames):,} frames is an answer of OBD-II service 01 or described by a DBC file."
        raise DataError(what, remedy="Give the DBC file of the network as dbc.")
    return samples.log(path, notices)


@dataclass
class _Samples:
    """Values as they are decoded; one row per answer or frame, with its place in the capture."""

    times: list[float] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    columns: dict[tuple[str, str | None], tuple[list[int], list[float]]] = field(default_factory=dict)

    def add(self, frame: Frame, values: Values) -> None:
        for key, value in values.items():
            rows, numbers = self.columns.setdefault(key, ([], []))
            rows.append(len(self.times))
            numbers.append(value)
        if values:
            self.times.append(frame.time)
            self.numbers.append(frame.number)

    def log(self, path: Path, notices: Sequence[Notice]) -> RawLog:
        if len(self.times) * len(self.columns) > _MOST_CELLS:
            what = f"The capture gives {len(self.columns)} signals in {len(self.times):,} frames, too many to hold."
            raise DataError(what, remedy="Cut the capture, or give a DBC file with only the frames that are needed.")
        order = np.argsort(np.array(self.numbers), kind="stable")  # answers and other frames were decoded apart
        place = np.empty_like(order)
        place[order] = np.arange(len(order))
        columns = []
        for (name, unit), (rows, numbers) in sorted(self.columns.items(), key=lambda item: item[0][0]):
            values = np.full(len(order), np.nan)
            values[place[np.array(rows)]] = numbers
            columns.append(RawColumn(name, unit, values))
        time, kept, dropped = rows_of_log(np.array(self.times)[order], tuple(columns))
        everything = (*notices, *dropped)
        if time[0] < EARLIEST:  # made with a clock that counts from its start
            return RawLog(path, "candump", time, None, kept, everything, "elapsed")
        origin = UNIX + timedelta(seconds=float(time[0]))
        return RawLog(path, "candump", time - time[0], origin, kept, everything, "absolute")


def _frames(data: bytes) -> tuple[list[Frame], list[Notice]]:
    """Return the data frames of a capture; lines of another form and error frames are counted."""
    frames: list[Frame] = []
    bad, first_bad, errors = 0, 0, 0
    for number, line in enumerate(data.splitlines(), 1):
        match = _LINE.match(line)
        if match is None:
            if line.strip():
                bad += 1
                first_bad = first_bad or number
            continue
        stamp, identifier, content, screen_id, screen_data = match.groups()
        identifier = identifier or screen_id
        content = screen_data.replace(b" ", b"") if content is None else content
        if content.startswith(b"#"):
            content = content[2:]  # CAN FD: one digit of flags
        if int(identifier, 16) > _HIGHEST_ID:
            errors += 1
        elif not content.startswith(b"R"):  # a remote request holds no data
            payload = bytes.fromhex(content.decode())
            frames.append(Frame(float(stamp), int(identifier, 16), len(identifier) == 8, payload, number))
    notices = []
    if bad:
        template = "{count} left out: not of the form of candump (first: line {line})."
        notices.append(notice("malformed-lines", template, count=Count(bad, "line"), line=first_bad))
    if errors:
        count = Count(errors, "error frame")
        notices.append(notice("error-frames", "{count} of the bus left out.", count=count))
    return frames, notices


def is_answer(identifier: int, extended: bool) -> bool:
    """Tell whether frames of that id carry diagnostic answers."""
    return identifier in (_ANSWERS_29 if extended else _ANSWERS_11)


def answers(frames: Iterable[Frame]) -> tuple[list[Frame], int]:
    """Reassemble the diagnostic answers in a capture (ISO 15765-2), each control unit by itself, without the requests.

    Answers with a missing frame are left out, never filled up; their number is returned too.
    """
    complete: list[Frame] = []
    lost = 0
    unfinished: dict[int, tuple[Frame, int, bytes, int]] = {}  # first frame, length, payload, next sequence number
    for frame in frames:
        identifier, data = frame.identifier, frame.data
        if not data or not is_answer(identifier, frame.extended):
            continue
        kind = data[0] >> 4
        if kind in (0, 1) and unfinished.pop(identifier, None) is not None:
            lost += 1
        if kind == 0:
            length, start = data[0] & 0x0F, 1
            if length == 0 and len(data) > 8:
                length, start = data[1], 2  # CAN FD has a second length byte
            payload = data[start : start + length]
            if payload and len(payload) == length:
                complete.append(Frame(frame.time, identifier, frame.extended, payload, frame.number))
        elif kind == 1 and len(data) >= 3:
            unfinished[identifier] = frame, (data[0] & 0x0F) << 8 | data[1], data[2:], 1
        elif kind == 2 and identifier in unfinished:
            first, length, payload, following = unfinished.pop(identifier)
            if data[0] & 0x0F != following:
                lost += 1
                continue
            payload += data[1:]
            if len(payload) >= length:
                complete.append(Frame(first.time, identifier, frame.extended, payload[:length], first.number))
            else:
                unfinished[identifier] = first, length, payload, (following + 1) % 16
    return complete, lost + len(unfinished)


def _decode_answers(frames: Sequence[Frame], samples: _Samples) -> list[Notice]:
    complete, lost = answers(frames)
    negative, short, unknown = 0, 0, Counter[int]()
    full_scales: dict[tuple[str, int], float] = {}
    control_units: set[int] = set()
    scaled: set[str] = set()
    for answer in complete:
        if answer.data[0] == 0x7F:
            negative += len(answer.data) > 1 and answer.data[1] == 0x01
        if answer.data[0] != 0x41:
            continue
        control_units.add(answer.identifier)
        values: Values = {}
        for pid, data in channels.split_answer(answer.data):
            parameter = channels.OBD_PARAMETERS.get(pid)
            if parameter is None:
                unknown[pid] += pid % 0x20 != 0
                continue
            try:
                decoded = channels.decode(pid, data)
            except ValueError:
                short += 1
                continue
            for item in parameter.fields:
                if item.name not in decoded:
                    continue
                value = decoded[item.name]
                if item.name.endswith("_full_scale"):
                    if value > 0:
                        full_scales[item.name, answer.identifier] = value
                    continue
                source, usual = channels.FULL_SCALES.get(item.name, ("", 0.0))
                if (source, answer.identifier) in full_scales:
                    value *= full_scales[source, answer.identifier] / usual
                    scaled.add(item.name)
                name = item.name if answer.identifier in _ENGINE else f"{item.name}@{answer.identifier:X}"
                values[name, item.unit] = value
        samples.add(answer, values)
    which = {
        "several-control-units": Listing(tuple(f"{identifier:X}" for identifier in sorted(control_units))),
        "unknown-parameters": Listing(tuple(f"{pid:02X}" for pid in sorted(unknown) if unknown[pid])),
    }
    counts = {
        "several-control-units": len(control_units) if len(control_units) > 1 else 0,
        "negative-answers": negative,
        "short-answers": short,
        "incomplete-answers": lost,
        "unknown-parameters": unknown.total(),
    }
    notices = [
        notice(code, template, count=Count(counts[code], noun), which=which.get(code, ""))
        for code, (template, noun) in _ACCOUNTS.items()
        if counts[code]
    ]
    template = "{column} is scaled to the full scale that the vehicle states."
    return notices + [notice("full-scale", template, name) for name in sorted(scaled)]


def _decode_dbc(frames: Sequence[Frame], samples: _Samples, path: Path, options: ReadOptions) -> list[Notice]:
    """Decode frames that a database describes."""
    if not options.dbc:
        return []
    database = _database(options.dbc, path)
    described = {(message.frame_id, message.is_extended_frame): message for message in database.messages}
    failed = 0
    for frame in frames:
        message = described.get((frame.identifier, frame.extended))
        if message is None or is_answer(frame.identifier, frame.extended):
            continue
        try:
            signals = message.decode(frame.data, decode_choices=False, scaling=True, allow_truncated=True)
        except Exception:  # cantools and bitstruct raise several kinds for frames that do not fit their description
            failed += 1
            continue
        units = {signal.name: signal.unit for signal in message.signals}
        values = {name: value for name, value in signals.items() if isinstance(value, int | float)}
        samples.add(frame, {(f"{message.name}.{n}", units.get(n)): float(v) for n, v in values.items()})
    if not failed:
        return []
    template = "{count} left out: not as the DBC file describes."
    return [notice("undecodable-frames", template, count=Count(failed, "frame"))]


def _database(paths: Sequence[Path], log: Path) -> Any:
    try:
        import cantools
    except ImportError:
        what = "Reading a DBC file needs the package cantools."
        raise DataError(what, file=log, remedy="Install it: pip install intake-report[can]") from None
    database = cantools.database.Database()
    for path in paths:
        try:
            database.add_dbc_file(str(path))
        except FileNotFoundError:
            raise DataError("There is no such DBC file.") from None
        except Exception as error:  # parsers of cantools raise several kinds
            raise DataError(f"The DBC file cannot be read ({type(error).__name__}).") from error
    return database
