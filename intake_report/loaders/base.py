"""What a reader hands over: the columns of one log file, and the channels of one run.

A reader gives no meaning to what it finds: a `RawLog` holds names, units and numbers as the file has them. Only the
mapping of the campaign turns columns into channels (`RunLog`), and only there are units converted.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from intake_report.messages import Count, Message, Part, message

if TYPE_CHECKING:
    import pandas as pd

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
TimeKind = Literal["absolute", "clock", "elapsed"]

MEBIBYTE = 1 << 20


@dataclass(frozen=True)
class Notice:
    """Something that a reader noticed; it becomes an entry of the quality log.

    Parameters
    ----------
    code : str
        Short stable name, e.g. "ragged-rows".
    text : Message
        One sentence with its numbers.
    column : str, optional
        The column or channel it concerns.
    count : int, optional
        How many rows or samples it touches.
    """

    code: str
    text: Message
    column: str | None = None
    count: int | None = None


def notice(code: str, template: str, column: str | None = None, count: Count | None = None, **values: Part) -> Notice:
    """Return a notice; ``{column}`` and ``{count}`` in its template are the column and the number with its noun."""
    if column is not None:
        values["column"] = column
    if count is not None:
        values["count"] = count
    return Notice(code, message(template, code, **values), column, None if count is None else count.number)


@dataclass(frozen=True)
class ReadOptions:
    """How to read a log, where the file itself does not tell; everything absent is found from the file.

    Parameters
    ----------
    format : str, optional
        Name of the reader: "delimited", "parquet", "arrow", "mdf4", "candump" or "gpx"; default: by signature, then
        suffix.
    encoding, delimiter, decimal : str, optional
        Of delimited text.
    header_line : int, optional
        Line of the column names, counted from 1; 0 means that the file has no header.
    time_column : str, optional
        Name of the column with the time.
    time_unit : str, optional
        Unit of a numeric time column: "s", "ms", "us", "ns", "min" or "h".
    date : datetime.date, optional
        Date of the first sample of a log that holds only clock times.
    start : datetime.datetime, optional
        Start as the campaign states it; one with an offset of its own decides which of two equal hours is meant.
    day_first : bool, optional
        Whether 03/04/2025 is the third of April.
    timezone : str, optional
        IANA name of the zone of times that carry no offset; UTC is assumed, and said, when absent.
    dbc : tuple of Path
        Databases that describe the frames of a CAN capture.
    """

    format: str | None = None
    encoding: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    header_line: int | None = None
    time_column: str | None = None
    time_unit: str | None = None
    date: date | None = None
    start: datetime | None = None
    day_first: bool | None = None
    timezone: str | None = None
    dbc: tuple[Path, ...] = ()


@dataclass(frozen=True)
class RawColumn:
    """One column of a log as the file has it.

    Parameters
    ----------
    name : str
        Name without its unit.
    unit : str or None
        Unit as written in the file.
    values : numpy.ndarray
        (n,) float64, NaN where there is no sample.
    header : str
        The whole header text, with the unit, as the file has it (encoding repaired); name and unit when not given.
    """

    name: str
    unit: str | None
    values: FloatArray = field(repr=False)
    header: str = ""

    def __post_init__(self) -> None:
        if not self.header:
            object.__setattr__(self, "header", f"{self.name} [{self.unit}]" if self.unit else self.name)


@dataclass(frozen=True)
class RawLog:
    """What one file holds, before any meaning is given to it.

    Parameters
    ----------
    path : Path
        The file.
    format : str
        Name of the reader.
    time : numpy.ndarray
        (n,) [s] since `origin` as the file has them: may step backwards. Since the first midnight for "clock",
        as written for "elapsed".
    origin : datetime or None
        Aware (UTC); None when the file holds only elapsed or clock time without a date.
    columns : tuple of RawColumn
        Each (n,).
    notices : tuple of Notice
        What the reader noticed.
    time_kind : {"absolute", "clock", "elapsed"}
        What `time` counts from.
    """

    path: Path
    format: str
    time: FloatArray = field(repr=False)
    origin: datetime | None
    columns: tuple[RawColumn, ...]
    notices: tuple[Notice, ...] = ()
    time_kind: TimeKind = "absolute"

    def column(self, name: str) -> RawColumn:
        """Return the column of that name or header.

        Raises
        ------
        KeyError
            If no column has that name.
        """
        for column in self.columns:
            if name in (column.name, column.header):
                return column
        raise KeyError(name)


@dataclass(frozen=True)
class RunLog:
    """One run, mapped to channels in internal units, still uncleaned.

    Parameters
    ----------
    run : str
        Id of the run.
    frame : pandas.DataFrame
        Index "time": elapsed seconds, not yet monotone; columns are channel names; NaN where there is no sample.
    start : pandas.Timestamp or None
        Aware; the instant of index 0.
    sources : tuple of Path
        The files.
    notices : tuple of Notice
        What the readers and the mapping noticed.
    """

    run: str
    frame: pd.DataFrame = field(repr=False)
    start: pd.Timestamp | None
    sources: tuple[Path, ...]
    notices: tuple[Notice, ...] = ()


def plural(count: int, noun: str) -> str:
    """Return "1 row", "2 rows"."""
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"
