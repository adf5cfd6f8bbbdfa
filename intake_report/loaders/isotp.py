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
    number : int
        Place in the capture.
    """

    time: float
    identifier: int
    extended: bool
    data: bytes
    number: int = 0


@dataclass(frozen=True)
class Message:
    """One reassembled answer; `time` [s] is that of its first frame, when the values were taken.

    Parameters
    ----------
    time : float
    identifier : int
    payload : bytes
        Without transport bytes and filler.
    number : int
        Place of its first frame in the capture.
    """

    time: float
    identifier: int
    payload: bytes
    number: int = 0


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
    unfinished: dict[int, _Unfinished] = {}
    for frame in frames:
        if not frame.data or not is_answer(frame.identifier, frame.extended):
            continue
        kind = frame.data[0] >> 4
        if kind in (0, 1) and unfinished.pop(frame.identifier, None) is not None:
            losses.incomplete += 1
        if kind == 0:
            payload = _single(frame.data)
            if payload:
                yield Message(frame.time, frame.identifier, payload, frame.number)
        elif kind == 1 and len(frame.data) >= 3:
            length = (frame.data[0] & 0x0F) << 8 | frame.data[1]
            unfinished[frame.identifier] = _Unfinished(frame, length, frame.data[2:], 1)
        elif kind == 2 and frame.identifier in unfinished:
            begun = unfinished.pop(frame.identifier)
            if frame.data[0] & 0x0F != begun.following:
                losses.incomplete += 1
                continue
            payload = begun.payload + frame.data[1:]
            if len(payload) >= begun.length:
                yield Message(begun.first.time, frame.identifier, payload[: begun.length], begun.first.number)
            else:
                unfinished[frame.identifier] = _Unfinished(
                    begun.first, begun.length, payload, (begun.following + 1) % 16
                )
    losses.incomplete += len(unfinished)


@dataclass(frozen=True)
class _Unfinished:
    first: Frame
    length: int
    payload: bytes
    following: int  # sequence number of the next frame


def _single(data: bytes) -> bytes:
    """Return the payload of a single frame; empty when it is shorter than it says. CAN FD has a second length byte."""
    length, start = data[0] & 0x0F, 1
    if length == 0 and len(data) > 8:
        length, start = data[1], 2
    payload = data[start : start + length]
    return payload if len(payload) == length else b""
