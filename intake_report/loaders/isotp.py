"""Messages of diagnostic answers from CAN frames: ISO 15765-2 transport, single and multi-frame, without requests."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

# ISO 15765-4: answers to 7DF and 7E0–7E7 come from 7E8–7EF; with 29-bit ids from 18DAF1xx.
_ANSWERS_11 = range(0x7E8, 0x7F0)
_ANSWERS_29 = range(0x18DAF100, 0x18DAF200)


@dataclass(frozen=True)
class Frame:
    """One CAN data frame.

    Parameters
    ----------
    time : float
        [s] as captured.
    identifier : int
        11- or 29-bit id.
    extended : bool
        Whether the id has 29 bits.
    data : bytes
        Up to 8 bytes (64 for CAN FD).
    """

    time: float
    identifier: int
    extended: bool
    data: bytes


@dataclass(frozen=True)
class Message:
    """One reassembled answer; `time` [s] is that of its first frame, when the values were taken.

    Parameters
    ----------
    time : float
    identifier : int
    payload : bytes
        Without transport bytes and filler.
    """

    time: float
    identifier: int
    payload: bytes


@dataclass
class Losses:
    """Multi-frame answers that could not be completed."""

    incomplete: int = 0


def is_answer(identifier: int, extended: bool) -> bool:
    """Tell whether frames of that id carry diagnostic answers."""
    return identifier in (_ANSWERS_29 if extended else _ANSWERS_11)


def messages(frames: Iterable[Frame], losses: Losses) -> Iterator[Message]:
    """Reassemble the answers in a sequence of frames, each control unit by itself.

    Parameters
    ----------
    frames : iterable of Frame
        In order of arrival; ids that carry no answers are passed over.
    losses : Losses
        Counts answers with a missing frame; they are left out, never filled up.
    """
    open_messages: dict[int, tuple[float, int, bytearray, int]] = {}  # time, length, payload, next sequence number
    for frame in frames:
        if not frame.data or not is_answer(frame.identifier, frame.extended):
            continue
        kind, low = frame.data[0] >> 4, frame.data[0] & 0x0F
        if kind == 0:
            if frame.identifier in open_messages:
                del open_messages[frame.identifier]
                losses.incomplete += 1
            payload = (
                frame.data[1 : 1 + low] if low else frame.data[2 : 2 + frame.data[1]] if len(frame.data) > 8 else b""
            )
            if payload and len(payload) == (low or frame.data[1]):
                yield Message(frame.time, frame.identifier, bytes(payload))
        elif kind == 1 and len(frame.data) >= 3:
            if frame.identifier in open_messages:
                losses.incomplete += 1
            length = low << 8 | frame.data[1]
            open_messages[frame.identifier] = (frame.time, length, bytearray(frame.data[2:]), 1)
        elif kind == 2 and frame.identifier in open_messages:
            time, length, payload_so_far, number = open_messages[frame.identifier]
            if low != number:
                del open_messages[frame.identifier]
                losses.incomplete += 1
                continue
            payload_so_far += frame.data[1:]
            if len(payload_so_far) >= length:
                del open_messages[frame.identifier]
                yield Message(time, frame.identifier, bytes(payload_so_far[:length]))
            else:
                open_messages[frame.identifier] = (time, length, payload_so_far, (number + 1) % 16)
    losses.incomplete += len(open_messages)
