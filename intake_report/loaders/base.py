"""What a reader hands over: the columns of a log file as it has them; the channels of a run, which only a mapping makes."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from intake_report.errors import DataError
from intake_report.messages import Count, Message, Part, message
from intake_report.units import conversion

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
TimeKind = Literal["absolute", "clock", "elapsed"]

MEBIBYTE = 1 << 20


@dataclass(frozen=True)
class Notice:
    """Something that a reader noticed; it becomes an entry of the quality log."""

    code: str
    text: Message
    column: str | None = None  # the column or channel it concerns
    count: int | None = None  # rows or samples that it touches


def notice(code: str, template: str, column: str | None = None, count: Count | None = None, **values: Part) -> Notice:
    """Return a notice; ``{column}`` and ``{count}`` in its template are the column and the number with its noun."""
    if column is not None:
        values["column"] = column
    if count is not None:
        values["count"] = count
    return Notice(code, message(template, code, **values), column, None if count is None else count.number)


def converts(unit: str, quantity: str) -> tuple[float, float] | None:
    """Return scale and offset of a unit, see `units.conversion`; None where it does not measure the quantity."""
    try:
        return conversion(unit, quantity)
    except DataError:
        return None


@dataclass(frozen=True)
class ReadOptions:
    """How to read a log, where the file itself does not tell; everything absent is found from the file."""

    format: str | None = None  # "delimited", "parquet", "arrow", "mdf4", "candump" or "gpx"
    encoding: str | None = None  # this and the next three: of delimited text
    delimiter: str | None = None
    decimal: str | None = None
    header_line: int | None = None  # line of the column names, counted from 1; 0: the file has none
    time_column: str | None = None
    time_unit: str | None = None  # of a numeric time column: "s", "ms", "us", "ns", "min" or "h"
    date: date | None = None  # of the first sample of a log that holds only clock times
    day_first: bool | None = None  # whether 03/04/2025 is the third of April
    timezone: str | None = None  # IANA name for times without an offset; UTC is assumed, and said, when absent
    dbc: tuple[Path, ...] = ()  # databases that describe the frames of a CAN capture


@dataclass(frozen=True)
class RawColumn:
    """One column of a log as the file has it: `values` (n,) float64, NaN where there is no sample."""

    name: str  # without its unit
    unit: str | None  # as written in the file
    values: FloatArray = field(repr=False)
    header: str = ""  # the whole header, encoding repaired; name and unit when not given

    def __post_init__(self) -> None:
        if not self.header:
            object.__setattr__(self, "header", f"{self.name} [{self.unit}]" if self.unit else self.name)


@dataclass(frozen=True)
class RawLog:
    """What one file holds, before any meaning is given to it.

    `time` (n,) [s] counts from `origin` (aware, UTC) and may step backwards as in the file; without a date it counts from
    the first midnight ("clock") or as written ("elapsed"), and `origin` is None.
    """

    path: Path
    format: str
    time: FloatArray = field(repr=False)
    origin: datetime | None
    columns: tuple[RawColumn, ...]
    notices: tuple[Notice, ...] = ()
    time_kind: TimeKind = "absolute"
    time_header: str = ""  # of the time column, where one column of a table holds it

    def column(self, name: str) -> RawColumn:
        """Return the column of that name or header; KeyError when there is none."""
        for column in self.columns:
            if name in (column.name, column.header):
                return column
        raise KeyError(name)


@dataclass(frozen=True)
class RunLog:
    """One run, mapped to channels in internal units, still uncleaned.

    The index "time" of `frame` is elapsed seconds from `start` (aware), not yet monotone; NaN where there is no sample.
    """

    run: str
    frame: pd.DataFrame = field(repr=False)
    start: pd.Timestamp | None
    sources: tuple[Path, ...]
    notices: tuple[Notice, ...] = ()
