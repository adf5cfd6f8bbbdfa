"""Bytes of a log: plain, gzip, zip or zstandard, with a bound on what a compressed file may expand to."""

from __future__ import annotations

import mmap
import zipfile
import zlib
from pathlib import Path

from intake_report.errors import DataError
from intake_report.loaders.base import MEBIBYTE, Notice, ReadOptions

Buffer = bytes | mmap.mmap

_MAP_ABOVE = 64 * MEBIBYTE
_RATIO_FREE = 64 * MEBIBYTE
_CHUNK = MEBIBYTE
_GZIP, _ZIP, _EMPTY_ZIP, _ZSTD = b"\x1f\x8b", b"PK\x03\x04", b"PK\x05\x06", b"\x28\xb5\x2f\xfd"
COMPRESSED_SUFFIXES = (".gz", ".zip", ".zst")
_NOT_LOGS = ("[Content_Types].xml", "mimetype", "META-INF/manifest.xml")


def open_bytes(path: Path, options: ReadOptions) -> tuple[Buffer, tuple[Notice, ...]]:
    """Return the content of a file, decompressed when its signature says so.

    Large plain files are mapped into memory rather than copied.

    Raises
    ------
    DataError
        If the file is absent, unreadable, damaged, or expands beyond the limits of `options`.
    """
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(4)
            file.seek(0)
            if head[:2] == _GZIP:
                return _gunzip(path, file.read(), options)
            if head in (_ZIP, _EMPTY_ZIP):
                return _unzip(path, size, options)
            if head == _ZSTD:
                return _unzstd(path, size, options)
            if size >= _MAP_ABOVE:
                return mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ), ()
            return file.read(), ()
    except FileNotFoundError:
        raise DataError("There is no such file.", file=path, remedy="Check the name and the folder.") from None
    except IsADirectoryError:
        raise DataError("This is a folder, not a log.", file=path, remedy="Name the log files inside it.") from None
    except OSError as error:
        raise DataError(f"The file cannot be read ({error.strerror or error}).", file=path) from error


def expansion_limit(compressed: int, options: ReadOptions) -> int:
    """Return the most bytes that a file of that compressed size may expand to."""
    return min(options.max_bytes, max(_RATIO_FREE, int(compressed * options.max_ratio)))


def _too_large(path: Path, limit: int) -> DataError:
    return DataError(
        f"The compressed log expands to more than {limit / MEBIBYTE:.0f} MiB, which no log of its size does.",
        file=path,
        remedy="Unpack it by hand and look at what it holds.",
    )


def _damaged(path: Path, what: str) -> DataError:
    return DataError(f"The {what} archive is damaged.", file=path, remedy="Copy the log from the logger again.")


def _truncated(path: Path, expanded: int) -> Notice:
    return Notice(
        "truncated-archive",
        f"The compressed file {path.name} ends before its archive does; {expanded:,} bytes of text could be read.",
    )


def _gunzip(path: Path, packed: bytes, options: ReadOptions) -> tuple[bytes, tuple[Notice, ...]]:
    limit = expansion_limit(len(packed), options)
    parts: list[bytes] = []
    total, position = 0, 0
    notices: tuple[Notice, ...] = ()
    while packed[position : position + 2] == _GZIP:
        inflate = zlib.decompressobj(wbits=31)
        rest = packed[position:]
        try:
            while not inflate.eof:
                part = inflate.decompress(rest, min(32 * MEBIBYTE, limit - total + 1))
                total += len(part)
                if total > limit:
                    raise _too_large(path, limit)
                if part:
                    parts.append(part)
                rest = inflate.unconsumed_tail
                if not part and not rest and not inflate.eof:
                    notices = (_truncated(path, total),)
                    break
        except zlib.error as error:
            raise _damaged(path, "gzip") from error
        if not inflate.eof:
            break
        position = len(packed) - len(inflate.unused_data)
    if notices and not total:
        raise _damaged(path, "gzip")
    return parts[0] if len(parts) == 1 else b"".join(parts), notices


def _unzip(path: Path, size: int, options: ReadOptions) -> tuple[bytes, tuple[Notice, ...]]:
    limit = expansion_limit(size, options)
    try:
        with zipfile.ZipFile(path) as archive:
            names = [
                info
                for info in archive.infolist()
                if not info.is_dir()
                and not Path(info.filename).name.startswith(".")
                and "__MACOSX" not in info.filename
            ]
            if any(info.filename in _NOT_LOGS for info in names):
                raise DataError("This is an office document.", file=path, remedy="Save the sheet as delimited text.")
            if len(names) != 1:
                raise DataError(
                    f"The zip archive holds {len(names)} files; one log is expected.",
                    file=path,
                    remedy="Unpack it and name the parts of the run one by one.",
                )
            if names[0].flag_bits & 1:
                raise DataError("The zip archive is encrypted.", file=path, remedy="Unpack it first.")
            parts: list[bytes] = []
            total = 0
            with archive.open(names[0]) as member:
                while part := member.read(_CHUNK):
                    total += len(part)
                    if total > limit:
                        raise _too_large(path, limit)
                    parts.append(part)
            return b"".join(parts), ()
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError) as error:
        raise _damaged(path, "zip") from error


def _unzstd(path: Path, size: int, options: ReadOptions) -> tuple[bytes, tuple[Notice, ...]]:
    import pyarrow as pa

    limit = expansion_limit(size, options)
    parts: list[bytes] = []
    total = 0
    try:
        with pa.CompressedInputStream(pa.OSFile(str(path)), "zstd") as stream:
            while part := stream.read(_CHUNK):
                total += len(part)
                if total > limit:
                    raise _too_large(path, limit)
                parts.append(part)
    except (OSError, pa.ArrowException) as error:
        if "truncated" in str(error).lower() and parts:
            return b"".join(parts), (_truncated(path, total),)
        raise _damaged(path, "zstandard") from error
    return b"".join(parts), ()


def text_head(path: Path, head: bytes, size: int) -> bytes:
    """Return the first bytes of the text inside a compressed file, or `head` itself; empty when it is damaged.

    Parameters
    ----------
    path : Path
        The file.
    head : bytes
        Its first bytes.
    size : int
        How many bytes of text are wanted.
    """
    try:
        if head[:2] == _GZIP:
            return zlib.decompressobj(wbits=31).decompress(head, size)
        if head[:4] == _ZIP:
            with zipfile.ZipFile(path) as archive, archive.open(archive.infolist()[0]) as member:
                return member.read(size)
        if head[:4] == _ZSTD:
            import pyarrow as pa

            with pa.CompressedInputStream(pa.OSFile(str(path)), "zstd") as stream:
                return bytes(stream.read(size))
    except (zlib.error, zipfile.BadZipFile, OSError, ValueError, RuntimeError, IndexError, EOFError):
        return b""  # the reader that takes the file will say what is wrong with it
    return head
