"""Small logs made by code."""

import gzip
import zipfile
from pathlib import Path

import pyarrow as pa


def write(path: Path, text: str | bytes) -> Path:
    """Write a file and return its path."""
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def packed(path: Path, text: str | bytes, method: int = zipfile.ZIP_DEFLATED) -> Path:
    """Write a file packed as its suffix says."""
    data = text if isinstance(text, bytes) else text.encode()
    if path.suffix == ".zip":
        with zipfile.ZipFile(path, "w", method) as archive:
            archive.writestr("log.csv", data)
        return path
    if path.suffix == ".zst":
        return write(path, pa.compress(data, "zstd", asbytes=True))
    return write(path, gzip.compress(data) if path.suffix == ".gz" else data)
