"""A table, declared once: fields over a tidy frame give the printed cells; the frame is its CSV file."""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, is_dataclass
from typing import Any, Literal

import pandas as pd

from intake_report import formatting
from intake_report.messages import Message, Part, Phrase, said
from intake_report.units import QUANTITIES, UnitSystem

Scalar = str | int | float | bool | None
Align = Literal["left", "right", "center"]


@dataclass(frozen=True)
class Field:
    """One column."""

    name: str  # column of the frame that is printed; empty where `cell` makes the text
    header: str | Message
    quantity: str = ""  # of a number [internal unit in the files], also "share" or "p"; empty for text
    decimals: int = 0  # printed
    signed: bool = False  # a plus sign in front of a positive number
    unit: Literal["header", "cell"] = "header"  # where it is printed
    cell: Callable[[Any, UnitSystem], str] | None = None  # joins several columns; of a named tuple of the frame
    align: Align | None = None  # default: numbers right, texts left
    width: float = 1.0  # relative
    internal: bool = False  # left out of the customer edition of the report

    def heading(self, system: UnitSystem) -> str:
        """Return the printed heading, with the unit where it belongs there."""
        text = said(self.header, system)
        named = self.quantity in QUANTITIES and self.unit == "header"
        return f"{text} [{unit}]" if named and (unit := formatting.unit_of(self.quantity, system)) else text

    def printed(self, row: Any, system: UnitSystem) -> str:
        """Return the cell of one row."""
        if self.cell is not None:
            return self.cell(row, system)
        value = getattr(row, self.name)
        if _absent(value) or value == "":
            return formatting.ABSENT
        if not self.quantity:
            return said(value, system)
        if self.quantity not in QUANTITIES:
            return formatting.usual(float(value), self.quantity, system)
        form = formatting.bare if self.unit == "header" else formatting.with_unit
        return form(float(value), self.quantity, system, self.decimals, signed=self.signed)


@dataclass(frozen=True)
class Across:
    """How a tidy frame is printed with one of its columns across the page; the files keep the rows of the frame."""

    down: str  # column of the frame: one printed row per value
    by: str  # column of the frame: one printed column per value
    headings: tuple[tuple[Any, Part], ...]  # (value, heading) of the printed columns in order
    cell: Callable[[Any, UnitSystem], str]  # of the row in which both values meet
    align: Align = "right"  # of all these columns
    width: float = 2.0


@dataclass(frozen=True, eq=False)
class ReportTable:
    """A table of the report."""

    label: str  # for cross references
    caption: str | Message
    fields: tuple[Field, ...]  # printed columns in order
    frame: pd.DataFrame  # one row per row of the table [internal units]; the CSV file has all its columns
    notes: tuple[Part, ...] = ()  # printed under the table
    across: Across | None = None  # further printed columns, one per value of a column of the frame

    def columns(self, system: UnitSystem) -> list[tuple[str, Align, float]]:
        """Return heading, alignment and relative width of the printed columns."""
        own = [(f.heading(system), f.align or ("right" if f.quantity else "left"), f.width) for f in self.fields]
        across = self.across
        return own + ([(said(h, system), across.align, across.width) for _, h in across.headings] if across else [])

    def cells(self, system: UnitSystem) -> list[tuple[str, ...]]:
        """Return the printed rows."""
        rows = list(self.frame.itertuples(index=False))
        if self.across is None:
            return [tuple(f.printed(row, system) for f in self.fields) for row in rows]
        by_place = {(getattr(row, self.across.down), getattr(row, self.across.by)): row for row in rows}
        first: dict[Any, Any] = {}
        for row in rows:
            first.setdefault(getattr(row, self.across.down), row)
        made = []
        for down, row in first.items():
            places = [by_place.get((down, value)) for value, _ in self.across.headings]
            across = (formatting.ABSENT if place is None else self.across.cell(place, system) for place in places)
            made.append((*(f.printed(row, system) for f in self.fields), *across))
        return made

    def values(self) -> list[tuple[Scalar, ...]]:
        """Return the frame for its CSV file, names first: internal units, None without a value; no column of further records."""
        kept = [str(name) for name in self.frame if not any(map(_holds_records, self.frame[name]))]
        return [tuple(kept), *(tuple(map(_scalar, row)) for row in self.frame[kept].itertuples(index=False))]


def frame_of(rows: Iterable[Any], columns: Sequence[str] = ()) -> pd.DataFrame:
    """Return rows, dataclass objects or mappings, as a frame of objects; a frame as it is; `columns` stand without rows."""
    if isinstance(rows, pd.DataFrame):
        return rows
    made = [{f: getattr(row, f) for f in row.__dataclass_fields__} if is_dataclass(row) else dict(row) for row in rows]
    return pd.DataFrame(made, columns=list(columns) or None, dtype=object)


def rows_of(rows: Iterable[Any]) -> Iterable[Any]:
    """Return the rows of a frame as named tuples; objects as they are."""
    return rows.itertuples(index=False) if isinstance(rows, pd.DataFrame) else rows


def _absent(value: Any) -> bool:
    return value is None or (isinstance(value, float) and math.isnan(value))


def _holds_records(value: Any) -> bool:
    items = value if isinstance(value, tuple | list) else (value,)
    return any(is_dataclass(item) and not isinstance(item, Phrase) for item in items)


def _scalar(value: Any) -> Scalar:
    if _absent(value):
        return None
    if isinstance(value, tuple | list):
        return "; ".join(str(_scalar(item)) for item in value)
    if isinstance(value, Phrase):
        return said(value, "si")
    number: Scalar = value.item() if hasattr(value, "item") else value
    return number
