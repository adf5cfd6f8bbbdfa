"""CAN captures in the text form of Linux candump: diagnostic answers, and other frames through a DBC file."""

from __future__ import annotations

import io
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np

from intake_report import obd
from intake_report.errors import DataError
from intake_report.loaders.base import Notice, RawColumn, RawLog, ReadOptions, plural
from intake_report.loaders.compression import open_bytes
from intake_report.loaders.isotp import Frame, Losses, is_answer, messages
from intake_report.loaders.timestamps import UNIX

_ID = rb"([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})"
_LINE = re.compile(
    rb"^\s*(\(\d+(?:\.\d+)?\)) +\S+ +"
    rb"(?:" + _ID + rb"#((?:[0-9A-Fa-f]{2}){0,8}|#[0-9A-Fa-f](?:[0-9A-Fa-f]{2}){0,64}|R\d?)(?: +[RT])?"
    rb"|" + _ID + rb" +\[\d+\] +((?:[0-9A-Fa-f]{2} ?)+))\s*(?:'.*')?$"
)
_SIGNATURE = re.compile(rb"^\s*\(\d+\.\d+\) +\S+ +" + _ID + rb"(#| +\[\d+\])", re.MULTILINE)
_ENGINE = (0x7E8, 0x18DAF110)  # common practice: the engine's control unit is the first
_EPOCH_FROM = 631_152_000.0  # a capture with smaller times was made with a clock that counts from its start
_MOST_CELLS = 60_000_000


class CandumpReader:
    """Reader of candump text; needs the extra "can"."""

    name = "candump"
    suffixes: Sequence[str] = (".candump",)

    def recognises(self, head: bytes) -> bool:
        """Tell whether one of the first lines is a candump line."""
        return _SIGNATURE.search(head) is not None

    def read(self, path: Path, options: ReadOptions) -> RawLog:
        """Read one capture.

        Parameters
        ----------
        path : Path
            Log form "(1436509052.249713) can0 7E8#03410D50" or screen form with "[8] 03 41 …" (times absolute).
        options : ReadOptions
            `dbc` describes other frames than diagnostic answers.

        Raises
        ------
        DataError
            If no frame can be read or none can be decoded.
        """
        data, packed = open_bytes(path, options)
        frames, malformed = _frames(bytes(data), path)
        if not frames:
            raise DataError("The capture holds no CAN frame.", file=path)
        table = _Samples()
        notices = [*packed, *malformed, *_decode_answers(frames, table), *_decode_dbc(frames, table, path, options)]
        if not table.columns:
            raise DataError(
                f"None of the {len(frames):,} frames is an answer of OBD-II service 01 or described by a DBC file.",
                file=path,
                remedy="Give the DBC file of the network as dbc.",
            )
        return table.log(path, tuple(notices))


@dataclass
class _Samples:
    """Values as they are decoded; one row per answer or frame, with its place in the capture."""

    times: list[float] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    columns: dict[tuple[str, str | None], tuple[list[int], list[float]]] = field(default_factory=dict)

    def add(self, time: float, number: int, values: dict[tuple[str, str | None], float]) -> None:
        if not values:
            return
        for key, value in values.items():
            rows, numbers = self.columns.setdefault(key, ([], []))
            rows.append(len(self.times))
            numbers.append(value)
        self.times.append(time)
        self.numbers.append(number)

    def log(self, path: Path, notices: tuple[Notice, ...]) -> RawLog:
        if len(self.times) * len(self.columns) > _MOST_CELLS:
            raise DataError(
                f"The capture gives {len(self.columns)} signals in {len(self.times):,} frames, too many to hold.",
                file=path,
                remedy="Cut the capture, or give a DBC file with only the frames that are needed.",
            )
        time = np.array(self.times)
        order = np.argsort(np.array(self.numbers), kind="stable")  # answers and other frames were decoded apart
        place = np.empty_like(order)
        place[order] = np.arange(len(order))
        columns = []
        for (name, unit), (rows, numbers) in sorted(self.columns.items(), key=lambda item: item[0][0]):
            values = np.full(len(time), np.nan)
            values[place[np.array(rows)]] = numbers
            columns.append(RawColumn(name, unit, values, f"{name} [{unit}]" if unit else name))
        time = time[order]
        if time[0] < _EPOCH_FROM:
            return RawLog(path, "candump", time, None, tuple(columns), notices, "elapsed")
        origin = UNIX + timedelta(seconds=float(time[0]))
        return RawLog(path, "candump", time - time[0], origin, tuple(columns), notices, "absolute")


def _frames(data: bytes, path: Path) -> tuple[list[Frame], list[Notice]]:
    """Parse well-formed lines with python-can; others are counted."""
    try:
        from can.io.canutils import CanutilsLogReader
    except ImportError:
        raise DataError(
            "Reading CAN captures needs the package python-can.",
            file=path,
            remedy='Install it: pip install "intake-report[can]".',
        ) from None
    kept: list[str] = []
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
        if len(identifier) == 8 and int(identifier, 16) > 0x1FFFFFFF:
            errors += 1
            continue
        kept.append(f"{stamp.decode()} can {identifier.decode()}#{content.decode()}")
    frames = [
        Frame(message.timestamp, message.arbitration_id, message.is_extended_id, bytes(message.data), number)
        for number, message in enumerate(CanutilsLogReader(io.StringIO("\n".join(kept))))
        if not message.is_remote_frame and not message.is_error_frame
    ]
    notices = []
    if bad:
        text = f"{plural(bad, 'line')} left out: not of the form of candump (first: line {first_bad})."
        notices.append(Notice("malformed-lines", text, count=bad))
    if errors:
        notices.append(Notice("error-frames", f"{plural(errors, 'error frame')} of the bus left out.", count=errors))
    return frames, notices


def _decode_answers(frames: Sequence[Frame], table: _Samples) -> list[Notice]:
    losses = Losses()
    negative, short, unknown = 0, 0, Counter[int]()
    full_scales: dict[tuple[str, int], float] = {}
    units: set[int] = set()
    scaled: set[str] = set()
    for message in messages(frames, losses):
        if message.payload[0] == 0x7F:
            negative += len(message.payload) > 1 and message.payload[1] == 0x01
            continue
        if message.payload[0] != 0x41:
            continue
        units.add(message.identifier)
        values: dict[tuple[str, str | None], float] = {}
        for pid, data in obd.split_answer(message.payload):
            parameter = obd.OBD_PARAMETERS.get(pid)
            if parameter is None:
                unknown[pid] += pid % 0x20 != 0
                continue
            try:
                decoded = obd.decode(pid, data)
            except ValueError:
                short += 1
                continue
            for item in parameter.fields:
                if item.name not in decoded:
                    continue
                value = decoded[item.name]
                if item.name.endswith("_full_scale"):
                    if value > 0:
                        full_scales[item.name, message.identifier] = value
                    continue
                source, usual = obd.FULL_SCALES.get(item.name, ("", 0.0))
                if (source, message.identifier) in full_scales:
                    value *= full_scales[source, message.identifier] / usual
                    scaled.add(item.name)
                values[_named(item.name, message.identifier), item.unit] = value
        table.add(message.time, message.number, values)
    return _answer_notices(units, negative, short, unknown, losses, scaled)


def _named(name: str, identifier: int) -> str:
    return name if identifier in _ENGINE else f"{name}@{identifier:X}"


def _answer_notices(
    units: set[int], negative: int, short: int, unknown: Counter[int], losses: Losses, scaled: set[str]
) -> list[Notice]:
    notices = []
    if len(units) > 1:
        shown = ", ".join(f"{identifier:X}" for identifier in sorted(units))
        text = f"{len(units)} control units answer: {shown}."
        notices.append(Notice("several-control-units", text, count=len(units)))
    if negative:
        text = f"{plural(negative, 'request')} answered negatively: no value, which is not the value 0."
        notices.append(Notice("negative-answers", text, count=negative))
    if short:
        notices.append(Notice("short-answers", f"{plural(short, 'answer')} with too few bytes left out.", count=short))
    if losses.incomplete:
        text = f"{plural(losses.incomplete, 'answer')} of several frames left out: a frame is missing."
        notices.append(Notice("incomplete-answers", text, count=losses.incomplete))
    if unknown.total():
        shown = ", ".join(f"{pid:02X}" for pid in sorted(unknown) if unknown[pid])
        text = f"Parameters not in the table left out: {shown}."
        notices.append(Notice("unknown-parameters", text, count=unknown.total()))
    return notices + [
        Notice("full-scale", f"{name} is scaled to the full scale that the vehicle states.", name)
        for name in sorted(scaled)
    ]


def _decode_dbc(frames: Sequence[Frame], table: _Samples, path: Path, options: ReadOptions) -> list[Notice]:
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
        table.add(
            frame.time,
            frame.number,
            {
                (f"{message.name}.{name}", units.get(name)): float(value)
                for name, value in signals.items()
                if isinstance(value, int | float)
            },
        )
    if failed:
        text = f"{plural(failed, 'frame')} left out: not as the DBC file describes."
        return [Notice("undecodable-frames", text, count=failed)]
    return []


def _database(paths: Sequence[Path], log: Path) -> Any:
    try:
        import cantools
    except ImportError:
        raise DataError(
            "Reading a DBC file needs the package cantools.",
            file=log,
            remedy='Install it: pip install "intake-report[can]".',
        ) from None
    database = cantools.database.Database()
    for path in paths:
        try:
            database.add_dbc_file(str(path))
        except FileNotFoundError:
            raise DataError("There is no such DBC file.", file=path) from None
        except Exception as error:  # parsers of cantools raise several kinds
            raise DataError(f"The DBC file cannot be read ({type(error).__name__}).", file=path) from error
    return database
