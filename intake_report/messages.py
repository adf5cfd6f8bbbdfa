"""Findings, notes, reasons and limitations: one template with its values, which stay numbers until a reader is known.

Whatever a step says about the data is a `Message`. Units and decimals are applied by `said`, once, when the text is
printed; a sentence is never searched or rewritten.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

from intake_report import formatting
from intake_report.units import UnitSystem


@dataclass(frozen=True)
class Value:
    """A number that waits for the reader's unit."""

    number: float | None  # internal unit of the quantity; None is printed as an en dash
    quantity: str = "number"  # key of `units.QUANTITIES`, or one of the further names that `formatting.usual` knows
    decimals: int | None = None  # None: what is usual for the quantity
    signed: bool = False  # a plus sign in front of a positive number

    def text(self, system: UnitSystem) -> str:
        """Return the number in the reader's unit."""
        if self.decimals is None:
            return formatting.usual(self.number, self.quantity, system)
        return formatting.with_unit(self.number, self.quantity, system, self.decimals, signed=self.signed)


@dataclass(frozen=True)
class Interval:
    """Limits that wait for the reader's unit: "−5.1 to −1.3 K"; "above 12 s" and "below 12 s" where a side is open."""

    low: float | None
    high: float | None
    quantity: str
    decimals: int

    def text(self, system: UnitSystem) -> str:
        """Return the limits in the reader's unit; "not bounded" without any."""
        if self.low is not None and self.high is not None:
            return formatting.interval(self.low, self.high, self.quantity, system, self.decimals)
        if self.low is None and self.high is None:
            return "not bounded"
        side, limit = ("above", self.low) if self.high is None else ("below", self.high)
        return f"{side} {formatting.with_unit(limit, self.quantity, system, self.decimals)}"


@dataclass(frozen=True)
class Beyond:
    """A number that is on the wrong side of its limit: printed with as many digits as it takes not to read like it."""

    number: float
    limit: float
    quantity: str

    def text(self, system: UnitSystem) -> str:
        """Return the number in the reader's unit."""
        texts = [
            [formatting.usual(x, self.quantity, system, more) for more in (0, 1, 2)] for x in (self.number, self.limit)
        ]
        return next((text for text, limit in zip(*texts, strict=True) if text != limit), texts[0][-1])


@dataclass(frozen=True)
class Count:
    """A number of things with their noun: "1 run", "3 runs"."""

    number: int
    noun: str
    plural: str | None = None

    def text(self, system: UnitSystem) -> str:  # noqa: ARG002 - the same for all readers
        """Return number and noun."""
        return formatting.count(self.number, self.noun, self.plural)


@dataclass(frozen=True)
class Listing:
    """Parts in a row: "a, b and c", or "a; b; c" where `last` is ";"."""

    parts: tuple[Part, ...]
    last: str = "and"

    def text(self, system: UnitSystem) -> str:
        """Return the parts in one text."""
        words = [said(part, system) for part in self.parts]
        return "; ".join(words) if self.last == ";" else formatting.listing(words, self.last)


@dataclass(frozen=True)
class Message:
    """One thing said about the data.

    The template is a constant of the program with the names of its values in braces; ``{title:lower}`` and ``{text:upper}``
    change the case of the first letter only, ``{runs:is|are}`` is the word that agrees with a listing or a count. Texts of a
    campaign or a log are values, never part of it.
    """

    template: str
    values: tuple[tuple[str, Part], ...] = ()
    code: str = ""  # what is said, for programs

    def text(self, system: UnitSystem) -> str:
        """Return the sentence for a reader of `system`."""
        return self.template.format_map({name: _Said(part, system) for name, part in self.values})

    def __bool__(self) -> bool:
        """Whether anything is said."""
        return bool(self.template)

    def value(self, name: str) -> Part:
        """Return one of the values; KeyError if the message has none of that name."""
        return dict(self.values)[name]


Phrase = Value | Interval | Beyond | Count | Listing | Message
Part = str | int | Phrase
"""What a message may hold; an int is printed as it is."""


class _Said(NamedTuple):
    part: Part
    system: UnitSystem

    def __format__(self, case: str) -> str:
        if "|" in case:
            many = len(self.part.parts) if isinstance(self.part, Listing) else getattr(self.part, "number", 0)
            return case.split("|")[many != 1]
        text = said(self.part, self.system)
        first = text[:1].lower() if case == "lower" else text[:1].upper() if case == "upper" else text[:1]
        return first + text[1:]


def message(template: str, /, code: str = "", **values: Part) -> Message:
    """Return a message; see `Message`."""
    return Message(template, tuple(values.items()), code)


def said(part: Part, system: UnitSystem) -> str:
    """Return a part as a reader of `system` sees it."""
    return str(part) if isinstance(part, str | int) else part.text(system)


def plain(part: Part) -> Any:
    """Return a part as JSON-able data: a message as its code, template and values, a number with its quantity."""
    if isinstance(part, Message):
        return {"code": part.code, "template": part.template, "values": {name: plain(v) for name, v in part.values}}
    if isinstance(part, Listing):
        return [plain(item) for item in part.parts]
    if isinstance(part, Value | Beyond):
        return {"number": part.number, "quantity": part.quantity}
    if isinstance(part, Interval):
        return {"low": part.low, "high": part.high, "quantity": part.quantity}
    return part.number if isinstance(part, Count) else part
