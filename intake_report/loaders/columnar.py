"""Parquet and Arrow IPC files: columns with types of their own, units in the field metadata or the names."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from intake_report.errors import DataError
from intake_report.loaders.base import MEBIBYTE, RawLog, ReadOptions
from intake_report.loaders.compression import expansion_limit
from intake_report.loaders.dialect import Dialect
from intake_report.loaders.header import clean_header, split_header
from intake_report.loaders.table import log_of_table

if TYPE_CHECKING:
    import pyarrow as pa

_INDEX = "__index_level_0__"
_UNIT_KEYS = (b"unit", b"units")


class ParquetReader:
    """Reader of Parquet files."""

    name = "parquet"
    suffixes: Sequence[str] = (".parquet", ".pq")

    def recognises(self, head: bytes) -> bool:
        """Tell whether the file begins with the Parquet signature."""
        return head[:4] == b"PAR1"

    def read(self, path: Path, options: ReadOptions) -> RawLog:
        """Read one log; see `read_log`."""
        import pyarrow as pa
        from pyarrow import parquet

        try:
            with parquet.ParquetFile(path) as file:
                cells = file.metadata.num_rows * max(file.metadata.num_columns, 1)
                _refuse_large(path, cells, options)
                table = file.read()
        except (pa.ArrowException, OSError) as error:
            raise _damaged(path, "Parquet") from error
        return _log(_sound(table, path, "Parquet"), path, self.name, options)


class ArrowReader:
    """Reader of Arrow IPC files and streams (also known as Feather)."""

    name = "arrow"
    suffixes: Sequence[str] = (".arrow", ".feather", ".ipc", ".arrows")

    def recognises(self, head: bytes) -> bool:
        """Tell whether the file begins with the signature of an Arrow file or stream."""
        return head[:6] == b"ARROW1" or head[:4] == b"\xff\xff\xff\xff"

    def read(self, path: Path, options: ReadOptions) -> RawLog:
        """Read one log; see `read_log`."""
        import pyarrow as pa

        try:
            with pa.memory_map(str(path)) as source:
                if source.read(6) == b"ARROW1":
                    reader = pa.ipc.open_file(source)
                    batches = (reader.get_batch(index) for index in range(reader.num_record_batches))
                else:
                    source.seek(0)
                    reader = pa.ipc.open_stream(source)
                    batches = iter(reader)
                kept, cells = [], 0
                for batch in batches:
                    cells += batch.num_rows * max(batch.num_columns, 1)
                    _refuse_large(path, cells, options)
                    kept.append(batch)
                table = pa.Table.from_batches(kept, reader.schema)
                return _log(_sound(table, path, "Arrow"), path, self.name, options)
        except (pa.ArrowException, OSError) as error:
            raise _damaged(path, "Arrow") from error


def _sound(table: pa.Table, path: Path, what: str) -> pa.Table:
    """Return the table if its buffers are what its types say: a flipped bit must not be read as a number."""
    import pyarrow as pa

    try:
        table.validate(full=True)
        [field.name for field in table.schema]
    except (pa.ArrowException, ValueError) as error:
        raise _damaged(path, what) from error
    return table


def _damaged(path: Path, what: str) -> DataError:
    return DataError(f"The {what} file is damaged or incomplete.", file=path, remedy="Export the log again.")


def _refuse_large(path: Path, cells: int, options: ReadOptions) -> None:
    limit = expansion_limit(path.stat().st_size, options)
    if cells * 8 > limit:
        raise DataError(
            f"The file expands to {cells * 8 / MEBIBYTE:.0f} MiB, which no log of its size does.",
            file=path,
            remedy="Raise max_ratio if the log is right.",
        )


def _log(table: pa.Table, path: Path, form: str, options: ReadOptions) -> RawLog:
    if table.num_rows == 0 or table.num_columns == 0:
        raise DataError("The file has no row of data.", file=path)
    fields = list(table.schema)
    headers, names, units = [], [], []
    for field in fields:
        written = clean_header("time" if field.name == _INDEX else field.name)
        name, unit = split_header(written)
        headers.append(written)
        names.append(name)
        units.append(_unit(field.metadata) or unit)
    plain = [_plain(table.column(index)) for index in range(table.num_columns)]
    return log_of_table(plain, dialect_of(headers, names, units), path, form, options, ())


def dialect_of(headers: Sequence[str], names: Sequence[str], units: Sequence[str | None]) -> Dialect:
    """Return names and units of a table that was never text, in the form that `log_of_table` takes."""
    return Dialect("", ".", tuple(headers), tuple(units), tuple(names), 0, 0, "")


def _unit(metadata: dict[bytes, bytes] | None) -> str | None:
    for key in _UNIT_KEYS:
        if metadata and key in metadata:
            return metadata[key].decode("utf-8", "replace").strip() or None
    return None


def _plain(values: pa.ChunkedArray) -> pa.ChunkedArray:
    """Bring dictionary, wide and view types to the plain ones that the other steps know."""
    import pyarrow as pa

    kind = values.type
    if pa.types.is_dictionary(kind):
        values = values.cast(kind.value_type)
        kind = values.type
    if pa.types.is_large_string(kind) or pa.types.is_string_view(kind):
        return values.cast(pa.string())
    if pa.types.is_large_binary(kind) or pa.types.is_binary_view(kind):
        return values.cast(pa.binary())
    return values
