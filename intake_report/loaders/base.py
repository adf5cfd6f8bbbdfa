"""What a reader hands over: the columns of one log file, and the channels of one run.

A reader gives no meaning to what it finds: a `RawLog` holds names, units and numbers as the file has them. Only the
mapping of the campaign turns columns into channels (`RunLog`), and only there are units converted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

FloatArray = npt.NDArray[np.float64]
TimeKind = Literal["absolute", "clock", "elapsed"]

MEBIBYTE = 1 << 20


@dataclass(frozen=True)
class Notice:
    """Something that a reader or a step noticed; it becomes an entry of the quality log.

    Parameters
    ----------
    code : str
        Short stable name, e.g. "ragged-rows".
    text : str
        One sentence with its numbers.
    column : str, optional
        The column or channel it concerns.
    count : int, optional
        How many rows or samples it touches.
    """

    code: str
    text: str
    column: str | None = None
    count: int | None = None


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
    time_column, date_column : str, optional
        Names of the columns with the time and, when separate, the date.
    time_unit : str, optional
        Unit of a numeric time column: "s", "ms", "us", "ns", "min" or "h".
    date : datetime.date, optional
        Date of the first sample of a log that holds only clock times.
    day_first : bool, optional
        Whether 03/04/2025 is the third of April.
    timezone : str, optional
        IANA name of the zone of times that carry no offset; UTC is assumed, and said, when absent.
    dbc : tuple of Path
        Databases that describe the frames of a CAN capture.
    max_bytes : int
        Most bytes that a compressed log may expand to.
    max_ratio : float
        Largest ratio of expanded to compressed size, applied above 64 MiB of text.
    """

    format: str | None = None
    encoding: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    header_line: int | None = None
    time_column: str | None = None
    date_column: str | None = None
    time_unit: str | None = None
    date: date | None = None
    day_first: bool | None = None
    timezone: str | None = None
    dbc: tuple[Path, ...] = ()
    max_bytes: int = 8 * 1024 * MEBIBYTE
    max_ratio: float = 60.0


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
        The whole header text, with the unit, as the file has it (encoding repaired).
    """

    name: str
    unit: str | None
    values: FloatArray = field(repr=False)
    header: str = ""


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


class Reader(Protocol):
    """A reader of one format."""

    name: str
    suffixes: Sequence[str]

    def recognises(self, head: bytes) -> bool:
        """Tell whether the first bytes of a file are of this format."""

    def read(self, path: Path, options: ReadOptions) -> RawLog:
        """Read one file.

        Raises
        ------
        DataError
            If the file cannot be read.
        """


def plural(count: int, noun: str) -> str:
    """Return "1 row", "2 rows"."""
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"
