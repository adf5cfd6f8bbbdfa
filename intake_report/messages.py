"""Findings, notes, reasons and limitations: one template with its values, which stay numbers until a reader is known.

Units and decimals are applied by `said`, once, when the text is printed; a sentence is never searched or rewritten.
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


@dataclass(frozen=True)
class Interval:
    """Limits that wait for the reader's unit: "−5.1 to −1.3 K"; "above 12 s" and "below 12 s" where a side is open."""

    low: float | None
    high: float | None
    quantity: str
    decimals: int


@dataclass(frozen=True)
class Beyond:
    """A number that is on the wrong side of its limit: printed with as many digits as it takes not to read like it."""

    number: float
    limit: float
    quantity: str


@dataclass(frozen=True)
class Count:
    """A number of things with their noun: "1 run", "3 runs"."""

    number: int
    noun: str


@dataclass(frozen=True)
class Listing:
    """Parts in a row: "a, b and c", or "a; b; c" where `last` is ";"."""

    parts: tuple[Part, ...]
    last: str = "and"


@dataclass(frozen=True)
class Message:
    """One thing said about the data.

    The template is a constant of the program with the names of its values in braces; ``{title:lower}`` and ``{text:upper}``
    change the case of the first letter only, ``{runs:is|are}`` is the word that agrees with a listing or a number. Texts of a
    campaign or a log are values, never part of it.
    """

    template: str
    values: tuple[tuple[str, Part], ...] = ()
    code: str = ""  # what is said, for programs

    def __bool__(self) -> bool:
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
            many = len(self.part.parts) if isinstance(self.part, Listing) else getattr(self.part, "number", self.part)
            return case.split("|")[many != 1]
        text = said(self.part, self.system)
        first = text[:1].lower() if case == "lower" else text[:1].upper() if case == "upper" else text[:1]
        return first + text[1:]


def message(template: str, /, code: str = "", **values: Part) -> Message:
    """Return a message; see `Message`."""
    return Message(template, tuple(values.items()), code)


def said(part: Part, system: UnitSystem) -> str:
    """Return a part as a reader of `system` sees it."""
    match part:
        case Message():
            return part.template.format_map({name: _Said(value, system) for name, value in part.values})
        case Value(number, quantity, None):
            return formatting.usual(number, quantity, system)
        case Value(number, quantity, int(decimals), signed):
            return formatting.with_unit(number, quantity, system, decimals, signed=signed)
        case Interval(None, None):
            return "not bounded"
        case Interval(low, None, quantity, decimals):
            return f"above {formatting.with_unit(low, quantity, system, decimals)}"
        case Interval(None, high, quantity, decimals):
            return f"below {formatting.with_unit(high, quantity, system, decimals)}"
        case Interval(low, high, quantity, decimals):
            return formatting.interval(low, high, quantity, system, decimals)
        case Beyond(number, limit, quantity):
            pairs = [[formatting.usual(x, quantity, system, more) for x in (number, limit)] for more in (0, 1, 2)]
            return next((text for text, other in pairs if text != other), pairs[-1][0])
        case Count(number, noun):
            return formatting.count(number, noun)
        case Listing(parts, last):
            words = [said(one, system) for one in parts]
            return "; ".join(words) if last == ";" else formatting.listing(words, last)
    return str(part)


def plain(part: Part) -> Any:
    """Return a part as JSON-able data: a message as its code, template and values, a number with its quantity."""
    match part:
        case Message():
            return {"code": part.code, "template": part.template, "values": {name: plain(v) for name, v in part.values}}
        case Listing():
            return [plain(item) for item in part.parts]
        case Value() | Beyond():
            return {"number": part.number, "quantity": part.quantity}
        case Interval():
            return {"low": part.low, "high": part.high, "quantity": part.quantity}
    return part.number if isinstance(part, Count) else part
