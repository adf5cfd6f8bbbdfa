"""The readers, and which of them reads a file: a stated format, else the signature, else the suffix."""

from __future__ import annotations

from pathlib import Path

from intake_report.errors import DataError
from intake_report.loaders.base import RawLog, Reader, ReadOptions
from intake_report.loaders.candump import CandumpReader
from intake_report.loaders.columnar import ArrowReader, ParquetReader
from intake_report.loaders.compression import COMPRESSED_SUFFIXES, text_head
from intake_report.loaders.delimited import DelimitedReader
from intake_report.loaders.gpx import GpxReader
from intake_report.loaders.mdf4 import Mdf4Reader

READERS: tuple[Reader, ...] = (
    ParquetReader(),
    ArrowReader(),
    Mdf4Reader(),
    GpxReader(),
    CandumpReader(),
    DelimitedReader(),
)
_HEAD = 4096
_TEXT_FORMATS = ("candump", "gpx")  # may be compressed as text logs are
UNEXPECTED = "The log cannot be read"


def read_log(path: Path, options: ReadOptions | None = None) -> RawLog:
    """Read one log file of any supported format.

    Parameters
    ----------
    path : Path
        The file.
    options : ReadOptions, optional
        What the file does not tell.

    Raises
    ------
    DataError
        If it cannot be read; the message names the file, the line where there is one, and the way out.
    """
    options = options or ReadOptions()
    path = Path(path)
    reader = find_reader(path, options)
    try:
        return reader.read(path, options)
    except (ValueError, ArithmeticError, LookupError, MemoryError, RecursionError) as error:
        # The last resort: a library met something it does not expect. pyarrow's errors are kinds of these.
        raise DataError(
            f"{UNEXPECTED} as {reader.name} ({type(error).__name__}: {' '.join(str(error).split())[:160]}).",
            file=path,
            remedy="Export the log again, or state its format.",
        ) from error


def find_reader(path: Path, options: ReadOptions) -> Reader:
    """Return the reader for a file.

    Raises
    ------
    DataError
        If the stated format is not known or the file cannot be opened.
    """
    if options.format is not None:
        for reader in READERS:
            if reader.name == options.format:
                return reader
        names = ", ".join(f"“{reader.name}”" for reader in READERS)
        raise DataError(f"There is no log format “{options.format}”.", file=path, remedy=f"Formats are {names}.")
    head = _head(path)
    inside = text_head(path, head, _HEAD)
    for reader in READERS:
        if reader.recognises(inside if reader.name in _TEXT_FORMATS else head):
            return reader
    suffixes = [suffix.lower() for suffix in path.suffixes if suffix.lower() not in COMPRESSED_SUFFIXES]
    for reader in READERS:
        if suffixes and suffixes[-1] in reader.suffixes and reader.name in _TEXT_FORMATS:
            return reader
    return READERS[-1]


def _head(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(_HEAD)
    except FileNotFoundError:
        raise DataError("There is no such file.", file=path, remedy="Check the name and the folder.") from None
    except IsADirectoryError:
        raise DataError("This is a folder, not a log.", file=path, remedy="Name the log files inside it.") from None
    except OSError as error:
        raise DataError(f"The file cannot be read ({error.strerror or error}).", file=path) from error
