"""CAN captures in the text form of Linux candump: diagnostic answers, and other frames through a DBC file."""

import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

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
    rb"(?:" + _ID + rb"#((?:[0-9A-Fa-f]{2}){0,8}|R\d?)(?: +[RT])?"
    rb"|" + _ID + rb" +\[\d+\] +((?:[0-9A-Fa-f]{2} ?)+))\s*(?:'.*')?$"
)
SIGNATURE = re.compile(rb"^\s*\(\d+\.\d+\) +\S+ +" + _ID + rb"(#| +\[\d+\])", re.MULTILINE)
_ENGINE = (0x7E8, 0x18DAF110)  # common practice: the engine's control unit is the first
# ISO 15765-4: answers to 7DF and 7E0–7E7 come from 7E8–7EF; with 29-bit ids from 18DAF1xx.
_ANSWERS_11 = range(0x7E8, 0x7F0)
_ANSWERS_29 = range(0x18DAF100, 0x18DAF200)
_HIGHEST_ID = 0x1FFFFFFF  # of 29 bits; candump marks error frames above it
_MOST_CELLS = 60_000_000

Values = dict[tuple[str, str | None], float]  # by name and unit


class Frame(NamedTuple):
    """One CAN data frame, or one answer put together from several: `time` [s] and `number` are of the first."""

    time: float  # as captured
    identifier: int
    extended: bool  # whether the id has 29 bits
    data: bytes  # of a frame up to 8 bytes; of an answer without transport bytes and filler
    number: int = 0  # place in the capture


def read(path: Path, options: ReadOptions) -> RawLog:
    """Read one capture: log form "(1436509052.249713) can0 7E8#03410D50" or screen form "[8] 03 41 …" (times absolute).

    `dbc` of the options describes other frames than diagnostic answers; reading it needs the extra "can".

    Raises DataError: if no frame can be read or none can be decoded.
    """
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
    time = np.array([frame.time for frame, _ in samples])
    base = UNIX if np.median(time) >= EARLIEST else None  # else made with a clock that counts from its start
    notices = (*packed, *malformed, *noticed, *failed)
    return RawLog(path, "candump", *rows_of_log(time, _columns(samples), base, notices))


_Sample = tuple[Frame, Values]


def _columns(samples: Sequence[_Sample]) -> tuple[RawColumn, ...]:
    found = dict.fromkeys(key for _, values in samples for key in values)
    if len(samples) * len(found) > _MOST_CELLS:
        what = f"The capture gives {len(found)} signals in {len(samples):,} frames, too many to hold."
        raise DataError(what, remedy="Cut the capture, or give a DBC file with only the frames that are needed.")
    keys = sorted(found, key=lambda key: key[0])
    return tuple(RawColumn(*key, np.array([values.get(key, np.nan) for _, values in samples])) for key in keys)


def _frames(data: bytes) -> tuple[list[Frame], list[Notice]]:
    """Return the data frames of a capture; lines of another form are counted."""
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


def is_answer(identifier: int, extended: bool) -> bool:
    """Tell whether frames of that id carry diagnostic answers."""
    return identifier in (_ANSWERS_29 if extended else _ANSWERS_11)


def answers(frames: Iterable[Frame]) -> tuple[list[Frame], int]:
    """Reassemble the diagnostic answers in a capture (ISO 15765-2), each control unit by itself, without the requests.

    Answers with a missing frame are left out, never filled up; their number is returned too.
    """
    complete: list[Frame] = []
    lost = 0
    unfinished: dict[int, tuple[Frame, int, int]] = {}  # so far, length, next sequence number
    for frame in frames:
        identifier, data = frame.identifier, frame.data
        if not data or not is_answer(identifier, frame.extended):
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
        values: Values = {}
        for pid, data in channels.split_answer(answer.data):
            if pid not in channels.OBD_PARAMETERS:
                continue
            try:
                decoded = channels.decode(pid, data)
            except ValueError:
                short += 1
                continue
            units = {item.name: item.unit for item in channels.OBD_PARAMETERS[pid].fields}
            for name, value in decoded.items():
                if name.endswith("_full_scale"):
                    if value > 0:
                        full_scales[name, answer.identifier] = value
                    continue
                source, usual = channels.FULL_SCALES.get(name, ("", 1.0))
                if (source, answer.identifier) in full_scales:
                    value *= full_scales[source, answer.identifier] / usual
                    scaled.add(name)
                label = name if answer.identifier in _ENGINE else f"{name}@{answer.identifier:X}"
                values[label, units[name]] = value
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
    database = _database(options.dbc, path)
    described = {(message.frame_id, message.is_extended_frame): message for message in database.messages}
    samples: list[_Sample] = []
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
        samples.append((frame, {(f"{message.name}.{n}", units.get(n)): float(v) for n, v in values.items()}))
    template = "{count} left out: not as the DBC file describes."
    return samples, [notice("undecodable-frames", template, count=Count(failed, "frame"))] if failed else []


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
        except Exception as error:  # parsers of cantools raise several kinds
            raise DataError(f"The DBC file cannot be read ({type(error).__name__}).") from error
    return database
